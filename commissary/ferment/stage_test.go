package ferment

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

const (
	minute = quantity.Minute
	hour   = quantity.Hour
	ounce  = 28350 * quantity.Milligram
)

// Lehmann, PMQ Think Tank, "Cold fermentation, how fast from 80 to 35":
// 12–14 oz about 2 h and 22 oz about 3 h to 45 °F inside. The ranges of the
// time constants are computed from a 75–80 °F start in air of 35–38 °F.
func TestCoolingEndPoints(t *testing.T) {
	require.InDelta(t, 1.25, lag(13*ounce)/3600, 0.15) // 1.1–1.4 h
	require.InDelta(t, 1.95, lag(22*ounce)/3600, 0.25) // 1.7–2.2 h
	for _, row := range []struct {
		ounces quantity.Mass
		about  quantity.Seconds
	}{{12, 2 * hour}, {13, 2 * hour}, {14, 2 * hour}, {22, 3 * hour}} {
		took, reached := CoolTime(row.ounces*ounce, f(80), f(45), f(37))
		require.True(t, reached)
		require.InDelta(t, hours(row.about), hours(took), 0.25, "%d oz", row.ounces)
	}
	took, reached := CoolTime(ounce, c(5), c(5), c(20))
	require.True(t, reached)
	require.Zero(t, took)
	for _, never := range [][3]quantity.Temp{{f(80), f(35), f(37)}, {f(80), f(90), f(37)}, {f(80), f(37), f(37)}, {f(37), f(45), f(37)}} {
		_, reached := CoolTime(ounce, never[0], never[1], never[2])
		require.False(t, reached)
	}
	_, reached = CoolTime(0, f(80), f(45), f(37))
	require.False(t, reached)
}

// A heavy ball does more work while it cools, and any ball more than one that
// is cold at once and less than one that stays warm.
func TestCoolingCounts(t *testing.T) {
	age := func(m quantity.Mass) quantity.Seconds {
		return Chart.Age(c(3), []Stage{{For: 24 * hour, At: c(3), Mass: m, From: c(25)}})
	}
	require.Equal(t, 24*hour, age(0))
	require.Less(t, age(0), age(250*quantity.Gram))
	require.Less(t, age(250*quantity.Gram), age(620*quantity.Gram))
	require.Less(t, age(620*quantity.Gram), Chart.Age(c(3), []Stage{{For: 24 * hour, At: c(25)}}))
	// Against a sum over seconds, held at the temperature of each second's middle.
	s := Stage{For: 3 * hour, At: c(3), Mass: 250 * quantity.Gram, From: c(25)}
	r, _, _ := Chart.curve()
	sum := 0.0
	for i := 0.5; i < float64(s.For); i++ {
		sum += r(3 + 22*exp(-i/lag(s.Mass)))
	}
	require.InEpsilon(t, sum, r.work(s, s.For), 1e-4)
}

// The stage rule is a sum: the order of stages at constant temperatures does
// not matter, nor does cutting one in two.
func TestStagesCommute(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.SampledFrom(Models()).Draw(t, "model")
		stages := rapid.SliceOfN(stage(), 1, 6).Draw(t, "stages")
		cut := stages[0].For / 3
		turned := []Stage{{For: cut, At: stages[0].At}}
		for i := len(stages) - 1; i > 0; i-- {
			turned = append(turned, stages[i])
		}
		turned = append(turned, Stage{For: stages[0].For - cut, At: stages[0].At})
		require.InDelta(t, int64(m.Age(c(20), stages)), int64(m.Age(c(20), turned)), 1)
	})
}

func stage() *rapid.Generator[Stage] {
	return rapid.Custom(func(t *rapid.T) Stage {
		return Stage{
			For: quantity.Seconds(rapid.Int64Range(60, int64(72*hour)).Draw(t, "for")),
			At:  quantity.Temp(rapid.Int32Range(1500, 30_000).Draw(t, "at")),
		}
	})
}

func TestProcess(t *testing.T) {
	b := commissary.Book{
		ColdStore: commissary.ColdStore{Temp: c(3)},
		Formulas: []commissary.Formula{
			{ID: "direct", Target: c(24), ColdWithin: 40 * minute},
			{ID: "bulk", Target: c(25), Steps: []commissary.Step{
				{Kind: commissary.StepMix, Min: 10 * minute}, {Kind: commissary.StepRest, Min: hour},
				{Kind: commissary.StepDivide, Min: 20 * minute}, {Kind: commissary.StepChill, Min: 2 * hour},
				{Kind: commissary.StepRest, Min: hour}, {Kind: commissary.StepHold}}},
		},
	}
	item := func(formula string) commissary.Item {
		return commissary.Item{Formula: formula, Mass: 250 * quantity.Gram}
	}
	require.Equal(t, []Stage{{For: 40 * minute, At: c(24)}, {For: 48*hour - 40*minute, At: c(3), Mass: 250 * quantity.Gram, From: c(24)}},
		Process(b, item("direct"), 48*hour))
	require.Equal(t, 80*minute, Process(b, item("bulk"), 48*hour)[0].For)
	require.Equal(t, []Stage{{For: hour, At: c(25)}, {For: 0, At: c(3), Mass: 250 * quantity.Gram, From: c(25)}}, Process(b, item("bulk"), hour))
	require.Equal(t, []Stage{{For: hour, At: c(3)}}, Process(b, item("none"), hour))
}
