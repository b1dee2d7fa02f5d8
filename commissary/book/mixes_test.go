package book

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

const mixesHead = "vessel,class,speed,fill,target,actual,room,flour,water,preferments\n"

func TestReadMixes(t *testing.T) {
	b := smallBook(t)
	mixes, err := ReadMixes("m.csv", []byte(mixesHead+"mixer,medium,second,90 %,24 °C,25 °C,22 °C,20 °C,18 °C,22 °C\nmixer,medium,first,50 %,75 °F,77 °F,71.6 °F,68 °F,-4 °C,20 °C; 21 °C\n"), b)
	require.NoError(t, err)
	require.Equal(t, commissary.Mix{Vessel: "mixer", Class: "medium", Second: true, Fill: 90 * quantity.Percent, Target: 24_000, Actual: 25_000,
		Room: 22_000, Flour: 20_000, Water: 18_000, Preferments: []quantity.Temp{22_000}}, mixes[0])
	require.Equal(t, []quantity.Temp{20_000, 21_000}, mixes[1].Preferments)
	require.Equal(t, quantity.Temp(25_000), mixes[1].Actual)

	for row, want := range map[string]string{
		"mixr,medium,second,90 %,24 °C,25 °C,22 °C,20 °C,18 °C,":     `no vessel "mixr"`,
		"mixer,stiff,second,90 %,24 °C,25 °C,22 °C,20 °C,18 °C,":     `no class "stiff"`,
		"mixer,medium,third,90 %,24 °C,25 °C,22 °C,20 °C,18 °C,":     "speed:",
		"mixer,medium,second,190 %,24 °C,25 °C,22 °C,20 °C,18 °C,":   "fill:",
		"mixer,medium,second,90 %,24 °C,25,22 °C,20 °C,18 °C,":       "actual: ",
		"mixer,medium,second,90 %,24 °C,25 °C,22 °C,20 °C,18 °C,hot": "preferments: ",
	} {
		_, err := ReadMixes("m.csv", []byte(mixesHead+row+"\n"), b)
		var e *commissary.Error
		require.ErrorAs(t, err, &e, row)
		require.Equal(t, "m.csv:2", e.Faults[0].Where)
		require.Contains(t, e.Faults[0].Text, want)
	}
}

func FuzzReadMixes(f *testing.F) {
	b := smallBook(f)
	f.Add(mixesHead + "mixer,medium,second,90 %,24 °C,25 °C,22 °C,20 °C,18 °C,22 °C\n")
	f.Add(mixesHead + "mixer,medium,first,5,1 F,2 F,3 F,4 F,-5 F,;;\n")
	f.Fuzz(func(t *testing.T, text string) {
		mixes, err := ReadMixes("m.csv", []byte(text), b)
		if err != nil {
			require.Equal(t, commissary.Invalid, commissary.KindOf(err))
			return
		}
		for _, m := range mixes {
			require.Positive(t, m.Fill)
			require.LessOrEqual(t, m.Actual, hottest)
		}
	})
}
