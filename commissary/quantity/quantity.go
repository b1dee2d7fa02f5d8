// Package quantity holds the kitchen's quantities as whole numbers: mass in
// milligrams, counts in pieces, shares in parts per million, temperature in
// thousandths of a degree Celsius and lengths of time in seconds. Nothing is
// stored or summed as a float. Values that come from outside are bounded by
// the Max constants, so that sums of any day's values cannot overflow;
// products go through MulDiv, which is exact and refuses what does not fit.
package quantity

import (
	"cmp"
	"errors"
	"math/bits"
	"slices"
)

// Mass is a mass in milligrams.
type Mass int64

// Pieces is a count: dough balls, or packs of a prep.
type Pieces int64

// PPM is a share in parts per million; 10,000 is one percent. Formula shares
// are parts per million of total flour.
type PPM int64

// Temp is a temperature in thousandths of a degree Celsius.
type Temp int32

// Seconds is a length of time in seconds.
type Seconds int64

// Units of the types above.
const (
	Milligram Mass = 1
	Gram           = 1000 * Milligram
	Kilogram       = 1000 * Gram

	Percent PPM = 10_000
	Whole   PPM = 1_000_000

	Degree Temp = 1000

	Second Seconds = 1
	Minute         = 60 * Second
	Hour           = 60 * Minute
	Day            = 24 * Hour
)

// Largest values taken from outside. A thousand tonnes, a hundred million
// pieces, a hundred times the flour, and a year are beyond any kitchen and
// leave room to add up a million of them.
const (
	MaxMass    = 1_000_000 * Kilogram
	MaxPieces  = Pieces(100_000_000)
	MaxPPM     = 100 * Whole
	MaxSeconds = 366 * Day
)

// ErrOverflow says that a result does not fit.
var ErrOverflow = errors.New("the quantity is too large to compute with")

// Rounding says which way a ratio is rounded to a whole number.
type Rounding int8

// The roundings. Nearest takes halves away from zero.
const (
	Down Rounding = iota
	Nearest
	Up
)

// MulDiv returns a×b÷c, rounded once, with the product held in 128 bits. Down
// and Up round towards minus and plus infinity. It returns ErrOverflow when
// the result does not fit or c is zero.
func MulDiv(a, b, c int64, r Rounding) (int64, error) {
	if c == 0 {
		return 0, ErrOverflow
	}
	negative := (a < 0) != (b < 0) != (c < 0)
	hi, lo := bits.Mul64(magnitude(a), magnitude(b))
	d := magnitude(c)
	if hi >= d {
		return 0, ErrOverflow
	}
	q, rem := bits.Div64(hi, lo, d)
	// One below 2^64 is refused here already: q++ would wrap it to zero.
	if q > 1<<63 {
		return 0, ErrOverflow
	}
	switch {
	case rem == 0:
	case r == Nearest && rem >= d-rem, r == Up && !negative, r == Down && negative:
		q++
	}
	if negative && q <= 1<<63 {
		return -int64(q), nil
	}
	if q > 1<<63-1 {
		return 0, ErrOverflow
	}
	return int64(q), nil
}

func magnitude(x int64) uint64 {
	if x < 0 {
		return -uint64(x)
	}
	return uint64(x)
}

// Scale returns x×num÷den, rounded once.
func Scale[T ~int64](x T, num, den int64, r Rounding) (T, error) {
	v, err := MulDiv(int64(x), num, den, r)
	return T(v), err
}

// Share returns the share p of x, rounded once.
func Share[T ~int64](x T, p PPM, r Rounding) (T, error) {
	return Scale(x, int64(p), int64(Whole), r)
}

// Sum adds its terms and returns ErrOverflow when the total does not fit.
func Sum[T ~int64](terms ...T) (T, error) {
	var total T
	for _, t := range terms {
		next := total + t
		if (t > 0) != (next > total) && t != 0 {
			return 0, ErrOverflow
		}
		total = next
	}
	return total, nil
}

// RoundTo rounds m to a whole number of divisions of a scale. A division of
// zero or less leaves m as it is.
func (m Mass) RoundTo(division Mass, r Rounding) Mass {
	if division <= 0 {
		return m
	}
	n, err := MulDiv(int64(m), 1, int64(division), r)
	if err != nil {
		return m
	}
	return Mass(n) * division
}

// Apportion splits total over the weights by largest remainder: every part is
// the exact share cut down to a whole number, and what is left goes one by one
// to the largest remainders, ties to the earlier weight. The parts sum to
// total. All weights zero gives all parts zero. It returns ErrOverflow for
// negative input or when the weights do not sum.
func Apportion[T ~int64](total T, weights []T) ([]T, error) {
	sum, err := Sum(weights...)
	if err != nil || total < 0 || slices.ContainsFunc(weights, func(w T) bool { return w < 0 }) {
		return nil, ErrOverflow
	}
	parts := make([]T, len(weights))
	if sum == 0 {
		return parts, nil
	}
	type rest struct {
		index     int
		remainder T
	}
	rests := make([]rest, len(weights))
	left := total
	for i, w := range weights {
		part, err := Scale(total, int64(w), int64(sum), Down)
		if err != nil {
			return nil, err
		}
		parts[i] = part
		left -= part
		// The remainder of total×w÷sum, taken modulo 2^64, is exact because it is below sum.
		rests[i] = rest{i, total*w - part*sum}
	}
	slices.SortStableFunc(rests, func(a, b rest) int { return cmp.Compare(b.remainder, a.remainder) })
	for i := range rests[:left] {
		parts[rests[i].index]++
	}
	return parts, nil
}
