package quantity

import (
	"math"
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// slow is MulDiv in big integers, written from its comment.
func slow(a, b, c int64, r Rounding) (int64, bool) {
	if c == 0 {
		return 0, false
	}
	x := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(a), big.NewInt(b)), big.NewInt(c))
	floor := new(big.Int).Div(x.Num(), x.Denom()) // Euclidean, and the denominator is positive
	up := new(big.Int).Set(floor)
	if !x.IsInt() {
		up.Add(up, big.NewInt(1))
	}
	result := map[Rounding]*big.Int{Down: floor, Up: up}[r]
	if r == Nearest {
		twice := new(big.Rat).Sub(x, new(big.Rat).SetInt(floor))
		twice.Mul(twice, big.NewRat(2, 1))
		result = floor
		if half := twice.Cmp(big.NewRat(1, 1)); half > 0 || half == 0 && x.Sign() > 0 {
			result = up
		}
	}
	return result.Int64(), result.IsInt64()
}

var anyInt = rapid.OneOf(
	rapid.Int64(),
	rapid.Int64Range(-100, 100),
	rapid.SampledFrom([]int64{math.MinInt64, math.MinInt64 + 1, math.MaxInt64, math.MaxInt64 - 1, 1 << 32, -1 << 32, 0, 1, -1, 2, 3}),
)

func TestMulDivAgainstBigIntegers(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := anyInt.Draw(t, "a"), anyInt.Draw(t, "b"), anyInt.Draw(t, "c")
		r := rapid.SampledFrom([]Rounding{Down, Nearest, Up}).Draw(t, "rounding")
		want, fits := slow(a, b, c, r)
		got, err := MulDiv(a, b, c, r)
		if !fits {
			require.ErrorIs(t, err, ErrOverflow)
			return
		}
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func TestMulDivAtItsEdges(t *testing.T) {
	for _, c := range []struct {
		a, b, c int64
		r       Rounding
	}{
		{math.MinInt64, 1, 1, Down},
		{math.MinInt64, -1, 1, Down},
		{math.MinInt64, math.MinInt64, math.MinInt64, Nearest},
		{math.MaxInt64, math.MaxInt64, math.MaxInt64, Up},
		{math.MaxInt64, 2, 2, Up},
		// The quotient is one below 2^64 with a rest: rounding up must not wrap it to zero.
		{6_148_914_691_236_517_205, 6, 2, Up},
		{5_534_023_222_112_865_485, 10, 3, Up},
		{4_611_686_018_427_387_904, 11, 3, Up},
		{-1, 1, 2, Nearest},
		{1, 1, 2, Nearest},
		{-3, 1, 2, Down},
		{-3, 1, 2, Up},
		{7, 7, 0, Down},
	} {
		want, fits := slow(c.a, c.b, c.c, c.r)
		got, err := MulDiv(c.a, c.b, c.c, c.r)
		if !fits {
			require.ErrorIs(t, err, ErrOverflow, "%+v", c)
			continue
		}
		require.NoError(t, err, "%+v", c)
		require.Equal(t, want, got, "%+v", c)
	}
}

// Every product just below a multiple of 2^64 is a quotient near the wrap.
func TestMulDivNearTheWrap(t *testing.T) {
	for d := int64(2); d < 400; d++ {
		top := new(big.Int).Lsh(big.NewInt(d), 64)
		for below := int64(1); below < d; below++ {
			product := new(big.Int).Sub(top, big.NewInt(below))
			for _, a := range []int64{2, 3, 5, 7, 8, 12, 60, 1000} {
				b, rest := new(big.Int).QuoRem(product, big.NewInt(a), new(big.Int))
				if rest.Sign() != 0 || !b.IsInt64() {
					continue
				}
				_, err := MulDiv(a, b.Int64(), d, Up)
				require.ErrorIs(t, err, ErrOverflow, "%d × %s ÷ %d", a, b, d)
			}
		}
	}
}

func TestSum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		terms := rapid.SliceOfN(anyInt, 0, 3).Draw(t, "terms")
		want, fits := new(big.Int), true
		for _, x := range terms {
			want.Add(want, big.NewInt(x))
			fits = fits && want.IsInt64() // every running total must fit
		}
		got, err := Sum(terms...)
		if !fits {
			require.ErrorIs(t, err, ErrOverflow)
			return
		}
		require.NoError(t, err)
		require.Equal(t, want.Int64(), got)
	})
}

func TestAMillionOfTheLargestAddUp(t *testing.T) {
	for _, most := range []int64{int64(MaxMass), int64(MaxPieces), int64(MaxPPM), int64(MaxSeconds)} {
		_, err := MulDiv(most, 1_000_000, 1, Down)
		require.NoError(t, err)
	}
}

func TestApportion(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := rapid.SliceOfN(rapid.OneOf(rapid.Int64Range(0, 20), rapid.Int64Range(0, 1e15)), 1, 8).Draw(t, "weights")
		total := rapid.OneOf(rapid.Int64Range(0, 50), rapid.Int64Range(0, int64(MaxMass))).Draw(t, "total")
		parts, err := Apportion(total, weights)
		require.NoError(t, err)
		sum, err := Sum(weights...)
		require.NoError(t, err)
		got, err := Sum(parts...)
		require.NoError(t, err)
		if sum == 0 {
			require.Zero(t, got)
			return
		}
		require.Equal(t, total, got)
		for i, w := range weights {
			floor, err := MulDiv(total, w, sum, Down)
			require.NoError(t, err)
			ceil, err := MulDiv(total, w, sum, Up)
			require.NoError(t, err)
			require.GreaterOrEqual(t, parts[i], floor, "part %d keeps its quota", i)
			require.LessOrEqual(t, parts[i], ceil, "part %d keeps its quota", i)
		}
	})
}

func TestApportionGivesTheRestToTheLargestRemainders(t *testing.T) {
	parts, err := Apportion(Pieces(10), []Pieces{1, 1, 1})
	require.NoError(t, err)
	require.Equal(t, []Pieces{4, 3, 3}, parts, "a tie goes to the earlier")

	// 7 × 5/12 = 2 11/12, 7 × 4/12 = 2 4/12, 7 × 3/12 = 1 9/12: two are left.
	parts, err = Apportion(Pieces(7), []Pieces{5, 4, 3})
	require.NoError(t, err)
	require.Equal(t, []Pieces{3, 2, 2}, parts)

	_, err = Apportion(Pieces(-1), []Pieces{1})
	require.ErrorIs(t, err, ErrOverflow)
	_, err = Apportion(Pieces(1), []Pieces{2, -1})
	require.ErrorIs(t, err, ErrOverflow)
	_, err = Apportion(Pieces(1), []Pieces{math.MaxInt64, 1})
	require.ErrorIs(t, err, ErrOverflow)
}

func TestRoundTo(t *testing.T) {
	for _, c := range []struct {
		m, division, down, nearest, up Mass
	}{
		{121 * Gram, 50 * Gram, 100 * Gram, 100 * Gram, 150 * Gram},
		{125 * Gram, 50 * Gram, 100 * Gram, 150 * Gram, 150 * Gram},
		{100 * Gram, 50 * Gram, 100 * Gram, 100 * Gram, 100 * Gram},
		{-121 * Gram, 50 * Gram, -150 * Gram, -100 * Gram, -100 * Gram},
		{121, 0, 121, 121, 121},
	} {
		require.Equal(t, c.down, c.m.RoundTo(c.division, Down))
		require.Equal(t, c.nearest, c.m.RoundTo(c.division, Nearest))
		require.Equal(t, c.up, c.m.RoundTo(c.division, Up))
	}
}

func TestShareRoundsOnce(t *testing.T) {
	m, err := Share(57*Kilogram, 3_500, Nearest)
	require.NoError(t, err)
	require.Equal(t, 199_500*Milligram, m)
	_, err = Share(Mass(math.MaxInt64), MaxPPM, Nearest)
	require.ErrorIs(t, err, ErrOverflow)
}
