package formula

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Whatever a book or a person gives, a sheet adds up or is refused.
func FuzzSheet(f *testing.F) {
	f.Add(int64(620_000), int64(3_500), int64(200_000), int64(1_000_000), int64(57_000_000), int64(50_000), int64(0))
	f.Add(int64(700_000), int64(0), int64(1_000_000), int64(700_000), int64(1), int64(0), int64(12_500_000))
	f.Add(int64(-1), int64(1)<<62, int64(0), int64(0), int64(-5), int64(-1), int64(1))
	f.Fuzz(func(t *testing.T, water, yeast, flour, wet, wanted, division, sack int64) {
		p := commissary.Formula{ID: "poolish", Kind: commissary.Preferment, Lines: []commissary.FormulaLine{{Ingredient: "flour", Share: quantity.Whole}, {Ingredient: "water", Share: quantity.PPM(wet)}}}
		d := commissary.Formula{ID: "dough", Kind: commissary.Dough, Class: "medium", Sack: min(quantity.Mass(sack), quantity.MaxMass), Lines: []commissary.FormulaLine{
			{Ingredient: "flour", Share: quantity.Whole}, {Ingredient: "water", Share: quantity.PPM(water)}, {Ingredient: "yeast", Share: quantity.PPM(yeast)},
		}}
		if flour != 0 {
			d.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: quantity.PPM(flour)}}
		}
		b := pantry(p, d)
		b.Scales[0].Division = min(quantity.Mass(division), quantity.MaxMass)
		s, err := Weigh(b, d, quantity.Mass(wanted))
		if err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		var sum quantity.Mass
		for _, l := range s.Lines {
			require.GreaterOrEqual(t, l.Mass, quantity.Mass(0))
			sum += l.Mass
		}
		require.Equal(t, sum, s.Mass)
		require.GreaterOrEqual(t, s.Mass, quantity.Mass(wanted))
		parts, err := Split(b, d, s.Mass)
		require.NoError(t, err)
		require.Equal(t, s.Mass, parts.Mass)
	})
}

// Whatever the temperatures, the water is right or refused, and ice is a part
// of the water.
func FuzzWater(f *testing.F) {
	f.Add(int32(24_000), int32(22_000), int32(20_000), int32(12_000), int32(15_000), int64(35_000_000))
	f.Add(int32(-300_000), int32(1_000_000), int32(0), int32(60_000), int32(80_000), int64(0))
	f.Fuzz(func(t *testing.T, target, room, flour, friction, tap int32, line int64) {
		kitchen := func(v int32) quantity.Temp { return quantity.Temp(v % 1_000_001) } // what a book can hold
		factors := Factors{Target: kitchen(target), Room: kitchen(room), Flour: kitchen(flour), Friction: kitchen(friction)}
		w, err := Reach("dough", factors, kitchen(tap), MeltingIce(), UsualReaches())
		if err != nil {
			return
		}
		require.Equal(t, factors.Target, factors.DoughTemp(w.Needed))
		require.True(t, w.Ice >= 0 && w.Ice <= UsualReaches().MostIce)
		if line < 0 || line > int64(quantity.MaxMass) {
			return
		}
		liquid, ice, err := w.Split(quantity.Mass(line), 5*g)
		require.NoError(t, err)
		require.Equal(t, quantity.Mass(line), liquid+ice)
		require.True(t, liquid >= 0 && ice >= 0)
	})
}

// Whatever the mass and width, a density is exact enough to give the mass back.
func FuzzBall(f *testing.F) {
	f.Add(int64(312_000), int64(304_800))
	f.Add(int64(-1), int64(0))
	f.Fuzz(func(t *testing.T, m, w int64) {
		d, err := DensityOf(quantity.Mass(m), Width(w))
		if err != nil || w < int64(10*Millimetre) {
			return
		}
		back, err := BallMass(Width(w), d)
		require.NoError(t, err)
		require.InDelta(t, m, int64(back), 2+float64(m)*1e-6+float64(w)*float64(w)*1e-12)
	})
}

// Whatever a maker's table says, a vessel holds at most its row, and the rest
// is a cut that is named.
func FuzzCapacity(f *testing.F) {
	f.Add(int64(620_000), int64(80_000_000), int64(900_000), int64(500_000), int64(100_000), int64(2_500_000), int32(18_000), true)
	f.Add(int64(0), int64(1)<<62, int64(-1), int64(1), int64(-5), int64(0), int32(-300_000), false)
	f.Fuzz(func(t *testing.T, water, most, factor, listed, volume, rise int64, needed int32, solids bool) {
		fm := dough(t, "flour 100")
		fm.Lines = append(fm.Lines, commissary.FormulaLine{Ingredient: "water", Share: quantity.PPM(water)})
		fm.Rise = quantity.PPM(rise)
		row := commissary.CapacityRow{Max: min(quantity.Mass(most), quantity.MaxMass), Listed: quantity.PPM(listed)}
		if solids {
			row.Basis = commissary.OfFlourWater
		}
		v := mixer(row, commissary.Derating{Cause: commissary.ColdWater, Below: 20 * quantity.Degree, Factor: quantity.PPM(factor)})
		v.Volume = volume
		fill, err := Capacity(pantry(), v, fm, false, Water{Needed: quantity.Temp(needed)})
		if err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		if row.Max < 0 || factor < 0 || factor > int64(quantity.Whole) || listed < 0 {
			return // no book says so
		}
		require.LessOrEqual(t, fill.Largest, quantity.MaxMass)
		if !solids {
			require.LessOrEqual(t, fill.Largest, row.Max)
		}
		if fill.Largest == row.Max && !solids {
			return
		}
		require.True(t, solids || len(fill.Cuts) > 0)
	})
}
