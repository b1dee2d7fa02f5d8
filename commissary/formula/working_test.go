package formula

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Lehmann, Pizza Today, June 2018, p. 29 (3 × 80 − (65 + 75 + 35) = 65 °F), and
// the same in degrees Celsius with a preferment.
func TestFactorsShowTheirWorking(t *testing.T) {
	f := Factors{Target: temp(t, "80 °F"), Room: temp(t, "75 °F"), Flour: temp(t, "65 °F"), Friction: warming(t, "35 °F")}
	require.Equal(t, []string{"3 × 80 °F − (room 75 + flour 65 + friction 35) = 65 °F"}, f.Working(quantity.US))
	g := Factors{Target: temp(t, "24 °C"), Room: temp(t, "22 °C"), Flour: temp(t, "20 °C"), Preferments: []quantity.Temp{temp(t, "22 °C")}, Friction: warming(t, "11 °C")}
	require.Equal(t, []string{"4 × 24 °C − (room 22 + flour 20 + preferment 22 + friction 11) = 21 °C"}, g.Working(quantity.Metric))
}

// The denominators are those of the two published forms: tap + 80 in °C, tap +
// 112 in °F.
func TestIceShowsItsWorking(t *testing.T) {
	w, err := Reach("dough", Factors{Target: temp(t, "20 °C"), Room: temp(t, "20 °C"), Flour: temp(t, "20 °C"), Friction: warming(t, "10 °C")}, temp(t, "20 °C"), MeltingIce(), UsualReaches())
	require.NoError(t, err)
	require.Equal(t, []string{"ice: (tap 20 − 10) ÷ (20 + 80) = 10 % of the water"}, w.Working(MeltingIce(), quantity.Metric))
	require.Equal(t, []string{"ice: (tap 68 − 50) ÷ (68 + 112) = 10 % of the water"}, w.Working(MeltingIce(), quantity.US))
	colder := IceOf(commissary.Kitchen{Ice: commissary.Ice{Temp: temp(t, "-10 °C")}})
	require.Equal(t, int64(85_000), colder.takes(), "5 °C of water more: half the heat of water for each degree")
}

func TestBalanceShowsItsWorking(t *testing.T) {
	b := Balance{Target: temp(t, "24 °C"), Water: 60 * kg, Rise: warming(t, "4 °C"), Parts: []Warmth{{"flour", 100 * kg, temp(t, "20 °C"), dryHeat}}}
	require.Equal(t, []string{
		"flour: 100 kg × 0.421 = 42.1 kg of water at 20 °C",
		"mixing warms the dough by 4°, so that all must come to 20 °C before",
		"60 kg of water at 20 °C brings the whole there",
	}, b.Working(quantity.Metric))
}
