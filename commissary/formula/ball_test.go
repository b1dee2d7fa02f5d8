package formula

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary/quantity"
)

// perInch prints a density in ounces per square inch, by the π that the
// sources use, 3.14.
func perInch(d Density, decimals int) string {
	v := big.NewRat(int64(d), 1)
	v.Mul(v, big.NewRat(254*254, 100_000_000)) // mg/m² → mg/in²
	v.Mul(v, big.NewRat(1_600, 45_359_237))    // mg → oz
	v.Mul(v, big.NewRat(355, 113)).Quo(v, big.NewRat(314, 100))
	return v.FloatString(decimals)
}

func ounces(m quantity.Mass, decimals int) string {
	return new(big.Rat).Mul(big.NewRat(int64(m), 1), big.NewRat(1_600, 45_359_237)).FloatString(decimals)
}

// The dough density method, whose published sums use π = 3.14; the mass of
// another size does not depend on it. Densities are printed to seven digits,
// the last cut off; here ounces are whole milligrams, so that six are compared.
func TestDoughDensity(t *testing.T) {
	for _, c := range []struct {
		name, source string
		mass         string
		width        Width
		density      string
		want         map[Width]string
	}{
		{"DN-1 dough", "Lehmann, Pizza Today, October 2019", "11 oz", 12 * Inch, "0.097311", map[Width]string{14 * Inch: "14.972", 16 * Inch: "19.556", 12 * Inch: "11.000"}},
		{"DN-1 sauce", "Lehmann, Pizza Today, October 2019", "5 oz", 12 * Inch, "0.044232", nil},
		{"DN-2", "Pizza Today 2012, Dough ball weights", "10 oz", 12 * Inch, "0.088464", map[Width]string{10 * Inch: "6.944", 16 * Inch: "17.778"}},
		{"DN-3 cracker crust", "PMQ Think Tank, thread 9795", "14 oz", 12 * Inch, "0.124", nil}, // by 113 flat: 0.12389
	} {
		d, err := DensityOf(mass(t, c.mass), c.width)
		require.NoError(t, err)
		require.Equal(t, c.density, perInch(d, len(c.density)-len("0.")), "%s: %s", c.name, c.source)
		for w, want := range c.want {
			m, err := BallMass(w, d)
			require.NoError(t, err)
			require.Equal(t, want, ounces(m, 3), "%s: %s", c.name, c.source)
		}
	}
}

// DN-4: a press maker's ranges, 12 to 18 inches (DoughXpress DM-18 manual). The
// density that puts 12 inches into its range puts no size out of proportion:
// the ranges rise slower than the area, which a constant density cannot follow.
func TestPressRangesAreNotOneDensity(t *testing.T) {
	d, err := DensityOf(mass(t, "17 oz"), 12*Inch)
	require.NoError(t, err)
	for w, most := range map[Width]string{14 * Inch: "20 oz", 16 * Inch: "22 oz", 18 * Inch: "24 oz"} {
		m, err := BallMass(w, d)
		require.NoError(t, err)
		require.Greater(t, m, mass(t, most))
	}
	for w, least := range map[Width]string{6 * Inch: "5 oz", 8 * Inch: "8 oz"} {
		m, err := BallMass(w, d)
		require.NoError(t, err)
		require.Less(t, m, mass(t, least))
	}
}

// Common practice, no source: about 300 g stretches to a 12-inch round, and
// 1,152 g divided in four is sold as about 300 g.
func TestTwelveInchRound(t *testing.T) {
	d, err := DensityOf(300*g, 12*Inch)
	require.NoError(t, err)
	m, err := BallMass(12*Inch, d)
	require.NoError(t, err)
	require.Equal(t, 300*g, m)
	n, err := PiecesFrom(dough(t, "flour 100"), 1152*g, 288*g)
	require.NoError(t, err)
	require.Equal(t, quantity.Pieces(4), n)
}

func TestDensityComesBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := quantity.Mass(rapid.Int64Range(int64(20*g), int64(2*kg)).Draw(t, "mass"))
		w := Width(rapid.Int64Range(int64(80*Millimetre), int64(600*Millimetre)).Draw(t, "width"))
		d, err := DensityOf(m, w)
		require.NoError(t, err)
		back, err := BallMass(w, d)
		require.NoError(t, err)
		require.InDelta(t, int64(m), int64(back), 1)
		wider, err := BallMass(2*w, d)
		require.NoError(t, err)
		require.InDelta(t, 4*int64(m), int64(wider), 4, "twice the width, four times the dough")
	})
}

func TestRefusedWidths(t *testing.T) {
	for _, w := range []Width{0, -1, maxWidth + 1} {
		_, err := DensityOf(300*g, w)
		require.ErrorIs(t, err, quantity.ErrOverflow)
		_, err = BallMass(w, 4_000_000)
		require.ErrorIs(t, err, quantity.ErrOverflow)
	}
}
