package formula

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Çengel and Boles, Thermodynamics: An Engineering Approach, 8th edition,
// problem 5-157: 2 kg of flour (1.76 kJ/(kg K)) and 1 kg of water (4.18) at 15
// °C, 15 kJ/kg of heat of hydration. The dough stays at 15 °C when the water
// takes up 45 kJ: 45 ÷ 4.18 = 10.8 degrees, so that it must be at 4.2 °C.
func TestTextbookBalance(t *testing.T) {
	rise := quantity.Temp(45_000 * 1000 / (2*1760 + 4180)) // of the whole dough, 5.844 °C
	b := Balance{Target: temp(t, "15 °C"), Water: kg, Rise: rise, Parts: []Warmth{{"flour", 2 * kg, temp(t, "15 °C"), dryHeat}}}
	got, err := b.WaterTemp()
	require.NoError(t, err)
	require.Equal(t, "4.2 °C", got.String())
}

// By hand: 60 kg of water, 100 kg of flour at 20 °C with a heat of 0.421, a
// poolish of 20 kg (half flour, half water: 0.7105) at 22 °C, target 24 °C, rise 4 °C.
//
//	(60 + 42.1 + 14.21) × 20 − 42.1 × 20 − 14.21 × 22 = 1171.58; ÷ 60 = 19.526.
func TestBalanceByHand(t *testing.T) {
	b := Balance{Target: temp(t, "24 °C"), Water: 60 * kg, Rise: warming(t, "4 °C"), Parts: []Warmth{
		{"flour", 100 * kg, temp(t, "20 °C"), dryHeat}, {"poolish", 20 * kg, temp(t, "22 °C"), 710_500},
	}}
	got, err := b.WaterTemp()
	require.NoError(t, err)
	require.Equal(t, quantity.Temp(19_526), got)
}

func TestBalanceOfASheet(t *testing.T) {
	book := pantry(poolish(t, "poolish", "flour 100, water 100"))
	f := dough(t, "flour 100, water 70")
	f.Target = temp(t, "24 °C")
	f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: percent(t, "10"), DaysBefore: 1}}
	v := mixer(commissary.CapacityRow{Max: 500 * kg})
	v.Friction = []commissary.Friction{{Class: "medium", Factor: warming(t, "16 °C")}}
	s, err := Weigh(book, f, 170*kg) // flour 90, water 60, poolish 20
	require.NoError(t, err)
	require.Equal(t, 60*kg, line(t, s, "water").Mass)
	w, err := BalancedWater(book, v, f, s, false)
	require.NoError(t, err)
	// Rise 16 ÷ 4 = 4. (60 + 37.89 + 14.21) × 20 − 37.89 × 20 − 14.21 × 22 = 1171.58; ÷ 60.
	require.Equal(t, Water{Method: ByBalance, Needed: 19_526, Tap: temp(t, "15 °C")}, w)
	balanced := book
	balanced.Kitchen.Water = string(ByBalance)
	planned, err := PlannedWater(balanced, v, f, false)
	require.NoError(t, err)
	require.Equal(t, w, planned, "the kitchen's method, without a sheet")
	byFactor, err := PlannedWater(book, v, f, false)
	require.NoError(t, err)
	require.Equal(t, ByFactor, byFactor.Method)
	require.Equal(t, "16 °C", byFactor.Needed.String(), "96 − (22 + 20 + 22 + 16): a small preferment counts as much as the flour")

	// No water is left for the final mix.
	book.Formulas = append(book.Formulas, poolish(t, "wet", "flour 100, water 70"))
	f.Preferments = []commissary.PrefermentShare{{Formula: "wet", Flour: quantity.Whole, DaysBefore: 1}}
	_, err = BalancedWater(book, v, f, Sheet{Lines: []SheetLine{{Line: Line{Preferment: "wet", Mass: 170 * kg}}}}, false)
	require.ErrorContains(t, err, "too little water")
}

func TestBalanceIsMonotoneAndComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		degrees := func(name string) quantity.Temp { return quantity.Temp(rapid.Int32Range(2_000, 40_000).Draw(t, name)) }
		b := Balance{Target: degrees("target"), Rise: degrees("rise"), Water: quantity.Mass(rapid.Int64Range(int64(10*kg), int64(100*kg)).Draw(t, "water")),
			Parts: []Warmth{{"flour", quantity.Mass(rapid.Int64Range(int64(20*kg), int64(150*kg)).Draw(t, "flour")), degrees("flour"), dryHeat}}}
		got, err := b.WaterTemp()
		require.NoError(t, err)
		require.InDelta(t, int64(b.Target), int64(b.DoughTemp(got)), 1)
		warmer := b
		warmer.Rise += 500
		colder, err := warmer.WaterTemp()
		require.NoError(t, err)
		require.Less(t, colder, got, "more friction asks for colder water")
		warmer = b
		warmer.Parts = []Warmth{b.Parts[0]}
		warmer.Parts[0].Temp += 500
		colder, err = warmer.WaterTemp()
		require.NoError(t, err)
		require.Less(t, colder, got, "warmer flour asks for colder water")
	})
}

func batchOf(fill quantity.PPM, friction quantity.Temp) Mixed {
	f := Factors{Target: 24_000, Room: 22_000, Flour: 20_000, Friction: friction}
	return Mixed{Room: f.Room, Flour: f.Flour, Water: f.WaterTemp(), Dough: f.Target, Fill: fill}
}

func TestFrictionIsLearnt(t *testing.T) {
	full, half := 95*quantity.Percent, 40*quantity.Percent
	batches := []Mixed{batchOf(full, 12_000), batchOf(half, 6_000), batchOf(full, 13_000)}
	_, ok := Learn(batches, full)
	require.False(t, ok, "two batches are too few")
	batches = append(batches, batchOf(full, 90_000)) // a thermometer left in the oven
	got, ok := Learn(batches, full)
	require.True(t, ok)
	require.Equal(t, quantity.Temp(13_000), got, "one wild reading does not move the median")
	batches = append(batches, batchOf(full, 14_000))
	got, _ = Learn(batches, full)
	require.Equal(t, quantity.Temp(13_500), got, "between the two in the middle")
	_, ok = Learn(batches, half)
	require.False(t, ok, "a half full bowl learns by itself")

	// Ten new batches with a sharpened hook leave the old ones behind.
	for range 10 {
		batches = append(batches, batchOf(full, 9_000))
	}
	got, _ = Learn(batches, full)
	require.Equal(t, quantity.Temp(9_000), got)
}

func TestLearntFrictionLiesBetweenTheBatches(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOfN(rapid.Int32Range(0, 30_000), 3, 10).Draw(t, "factors")
		var batches []Mixed
		below, above := 0, 0
		for _, f := range all {
			batches = append(batches, batchOf(60*quantity.Percent, quantity.Temp(f)))
		}
		got, ok := Learn(batches, 79*quantity.Percent)
		require.True(t, ok)
		for _, f := range all {
			if quantity.Temp(f) < got {
				below++
			}
			if quantity.Temp(f) > got {
				above++
			}
		}
		require.LessOrEqual(t, below*2, len(all))
		require.LessOrEqual(t, above*2, len(all))
	})
}
