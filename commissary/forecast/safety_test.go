package forecast

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func safety(t require.TestingT, s Spread, expected Milli, ratio quantity.PPM) Milli {
	v, err := s.safety(expected, ratio)
	require.NoError(t, err)
	return v
}

// chance returns the standard normal distribution function.
func chance(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

func TestCriticalRatio(t *testing.T) {
	for _, c := range []struct {
		name       string
		out, waste int64
		want       quantity.PPM
	}{
		{"NV-1", 20 - 12, 12 - 8, 666_667},
		{"NV-2", 80, 20, 800_000},
		{"NV-3", 140 - 100, 100 - 90, 800_000},
		{"NV-4", 130 - 100, 100 - 80, 600_000},
		{"NV-5", 20 - 14, 14 - 5, 400_000},
		{"NV-TRAP: the loss is a cost of throwing away, no salvage", 60, 30, 666_667},
		{"no costs in the book", 0, 0, UsualRatio},
		{"nothing lost by throwing away", 5, 0, 990_000},
		{"nothing lost by running out", 0, 5, 10_000},
		{"large costs", 1_000_000_000_000, 1_000_000_000_000, 500_000},
	} {
		got, err := Ratio(c.out, c.waste)
		require.NoError(t, err, c.name)
		require.Equal(t, c.want, got, c.name)
	}
	_, err := Ratio(-1, 4)
	require.Equal(t, commissary.Invalid, commissary.KindOf(err))
}

// Cases NV-1 to NV-5 and the trap. NV-1: Cachon and Terwiesch, Matching Supply
// with Demand, 3rd edition, solutions to chapter 12, Q12.1. NV-2: the wetsuit
// example of the same chapter, demand as printed, economics from memory. NV-3,
// NV-4, NV-5: exercises with published data (tutorsglobe, essayzeus), results
// worked out from the definition. The sources round differently.
func TestNormalQuantile(t *testing.T) {
	for _, c := range []struct {
		name            string
		mean, deviation Milli
		ratio           quantity.PPM
		convention      Convention
		want            float64
		digits          float64
	}{
		{"NV-1 by the table", 200 * Piece, 80 * Piece, 666_667, TableUp, 235.2, 0.05},
		{"NV-1 exact", 200 * Piece, 80 * Piece, 666_667, Exact, 234.46, 0.005},
		{"NV-1b 95 % by the table", 200 * Piece, 80 * Piece, 950_000, TableUp, 332, 0.05},
		{"NV-2 by the table", 3192 * Piece, 1181 * Piece, 800_000, TableUp, 4196, 0.5},
		{"NV-3", 1000 * Piece, 200 * Piece, 800_000, Exact, 1168.3, 0.05},
		{"NV-4", 1000 * Piece, 200 * Piece, 600_000, Exact, 1050.7, 0.05},
		{"NV-5 wide", 115 * Piece, 15 * Piece, 400_000, Exact, 111.20, 0.005},
		{"NV-5 narrow", 115 * Piece, 5 * Piece, 400_000, Exact, 113.73, 0.005},
		{"NV-TRAP", 80 * Piece, 30 * Piece, 666_667, Exact, 92.92, 0.005},
		{"NV-TRAP: the published ratio lies below the mean", 80 * Piece, 30 * Piece, 350_000, Exact, 68.44, 0.005},
		{"one half is the mean", 80 * Piece, 30 * Piece, 500_000, TableUp, 80, 0},
	} {
		got := NormalQuantile(c.mean, c.deviation, c.ratio, c.convention)
		require.InDelta(t, c.want, float64(got)/float64(Piece), c.digits, c.name)
	}
	require.Equal(t, quantity.Pieces(1169), NormalQuantile(1000*Piece, 200*Piece, 800_000, Exact).whole(quantity.Up), "NV-3 in whole pieces")
	require.Equal(t, quantity.Pieces(1051), NormalQuantile(1000*Piece, 200*Piece, 600_000, Exact).whole(quantity.Up), "NV-4 in whole pieces")

	// NV-1b: P(D ≤ 400) 0.9938, P(D ≤ 100) 0.1056, P(160 ≤ D ≤ 240) 0.3830, as printed to four digits; P(D ≤ 400) is
	// beyond the ratios that are answered, so its quantile is that of 99 %.
	at := func(p quantity.PPM) float64 {
		return float64(NormalQuantile(200*Piece, 80*Piece, p, Exact)) / float64(Piece)
	}
	require.InDelta(t, 100, at(105_600), 0.05)
	require.InDelta(t, 240, at(691_500), 0.05)
	require.InDelta(t, 160, at(308_500), 0.05)
	require.Equal(t, at(990_000), at(993_800))
	require.Less(t, at(990_000), 400.0)
}

// The quantile undone by the distribution function, and its table twin: the
// least hundredth that suffices.
func TestNormalQuantileIsTheInverse(t *testing.T) {
	const unit = Milli(1_000_000_000) // a deviation so large that thousandths show nine digits of z
	for p := lowestRatio; p <= highestRatio; p += 1_237 {
		z := float64(NormalQuantile(0, unit, p, Exact)) / float64(unit)
		require.InDelta(t, float64(p)/1e6, chance(z), 1e-9, "%d", p)
		table := float64(NormalQuantile(0, unit, p, TableUp)) / float64(unit)
		require.GreaterOrEqual(t, chance(table), float64(p)/1e6-1e-9)
		require.Less(t, chance(table-0.01), float64(p)/1e6)
	}
}

// NV-2 and NV-3 beyond the quantity: expected lost sales are the area above
// the quantity, by adding up the chances piece by piece.
func TestLostSales(t *testing.T) {
	lost := func(mean, deviation, q float64) float64 {
		sum := 0.0
		for x := q; x < mean+9*deviation; x++ {
			sum += 1 - chance((x+0.5-mean)/deviation)
		}
		return sum
	}
	q := func(mean, deviation Milli, c Convention) float64 {
		return float64(NormalQuantile(mean*Piece, deviation*Piece, 800_000, c)) / float64(Piece)
	}
	wetsuits := q(3192, 1181, TableUp)
	require.InDelta(t, 130, lost(3192, 1181, wetsuits), 0.5)
	require.InDelta(t, 3062, 3192-lost(3192, 1181, wetsuits), 0.5)
	require.InDelta(t, 1134, wetsuits-3192+lost(3192, 1181, wetsuits), 0.5)
	require.InDelta(t, 22.3, lost(1000, 200, q(1000, 200, Exact)), 0.05)
}

// NV-5 with uniform demand between 80 and 150, as the 71 whole counts it can
// be, each seen once.
func TestEmpiricalQuantile(t *testing.T) {
	const mean = 115
	var misses []float64
	for sold := 150; sold >= 80; sold-- {
		misses = append(misses, float64(sold-mean)/mean)
	}
	var f Fit
	f.spreadFrom([Reach][]float64{misses})
	s := f.Spread[0]
	require.Equal(t, 71, s.Misses)
	require.Equal(t, quantity.Pieces(108-mean), safety(t, s, mean*Piece, 400_000).whole(quantity.Nearest))
	// Between two levels the answer lies between theirs, and it never falls as the ratio rises.
	last := safety(t, s, mean*Piece, lowestRatio)
	for ratio := lowestRatio; ratio <= highestRatio; ratio += 500 {
		now := safety(t, s, mean*Piece, ratio)
		require.GreaterOrEqual(t, now, last, "%d", ratio)
		last = now
	}
	require.Equal(t, quantity.Pieces(150-mean), last.whole(quantity.Nearest))
}

// Too few misses: a normal spread, at least as wide as that of customers who
// come one by one.
func TestFewMissesFallBackToNormal(t *testing.T) {
	var f Fit
	f.Ahead[0] = 100 * Piece
	f.spreadFrom([Reach][]float64{{0.01, -0.01}})
	require.Equal(t, 100_000*quantity.PPM(1), f.Spread[0].Deviation, "√100 of 100 is a tenth")
	require.Equal(t, NormalQuantile(0, 10*Piece, 800_000, Exact), safety(t, f.Spread[0], 100*Piece, 800_000))
	f.spreadFrom([Reach][]float64{{0.3, -0.3}})
	require.Equal(t, 300_000*quantity.PPM(1), f.Spread[0].Deviation)
}

func TestMilliRounds(t *testing.T) {
	for _, c := range []struct {
		m                 Milli
		down, nearest, up quantity.Pieces
	}{{0, 0, 0, 0}, {1, 0, 0, 1}, {499, 0, 0, 1}, {500, 0, 1, 1}, {1000, 1, 1, 1}, {1001, 1, 1, 2},
		{-1, -1, 0, 0}, {-500, -1, 0, 0}, {-501, -1, -1, 0}, {-1000, -1, -1, -1}, {-2533, -3, -3, -2}} {
		require.Equal(t, c.down, c.m.whole(quantity.Down), "%d", c.m)
		require.Equal(t, c.nearest, c.m.whole(quantity.Nearest), "%d", c.m)
		require.Equal(t, c.up, c.m.whole(quantity.Up), "%d", c.m)
	}
}
