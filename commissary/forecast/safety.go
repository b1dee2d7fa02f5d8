package forecast

import (
	"math"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Bounds of the critical ratio: half a year of one shop says nothing about
// rarer nights.
const (
	lowestRatio  = 1 * quantity.Percent
	highestRatio = 99 * quantity.Percent
	// UsualRatio is taken where the book names no cost of running out and none
	// of throwing away: common practice, no source.
	UsualRatio = 80 * quantity.Percent
)

// Ratio returns the critical ratio of an item: the share of nights that the
// stock should last, the cost of running out over the sum of both costs (the
// newsvendor rule; Cachon and Terwiesch, Matching Supply with Demand, chapter
// 12). It is kept between 1 % and 99 %, and UsualRatio without costs. It is
// Invalid for a cost below zero or beyond a million million.
func Ratio(costOut, costWaste int64) (quantity.PPM, error) {
	const most = 1_000_000_000_000
	if costOut < 0 || costWaste < 0 || costOut > most || costWaste > most {
		return 0, commissary.Refuse(commissary.Invalid, "COST_INVALID",
			"running out at %d and throwing away at %d cannot be weighed; give costs from 0 to %d", costOut, costWaste, int64(most))
	}
	if costOut == 0 && costWaste == 0 {
		return UsualRatio, nil
	}
	r, err := quantity.Scale(quantity.Whole, costOut, costOut+costWaste, quantity.Nearest)
	return min(max(r, lowestRatio), highestRatio), err
}

// Convention says how the standard normal quantile is rounded, for sources
// differ: textbooks look it up.
type Convention int8

// The conventions.
const (
	Exact   Convention = iota // not rounded
	TableUp                   // up to the next hundredth, as read from a table with two digits
)

// NormalQuantile returns the quantity that normal demand stays within in the
// given share of cases, to the nearest thousandth. A ratio outside 1 % to 99 %
// counts as the nearer of the two.
func NormalQuantile(mean, deviation Milli, ratio quantity.PPM, c Convention) Milli {
	ratio = min(max(ratio, lowestRatio), highestRatio)
	// The quantile by the inverse error function: z = √2 × erf⁻¹(2p − 1).
	z := mul(math.Sqrt2, math.Erfinv(float64(2*ratio-quantity.Whole)/float64(quantity.Whole)))
	if c == TableUp {
		z = math.Ceil(mul(z, 100)) / 100
	}
	return mean + Milli(math.Round(mul(z, float64(deviation))))
}

// levels are the shares at which a spread is kept.
var levels = [...]quantity.PPM{
	10_000, 25_000, 50_000, 100_000, 150_000, 200_000, 250_000, 300_000, 350_000, 400_000, 450_000, 500_000,
	550_000, 600_000, 650_000, 700_000, 750_000, 800_000, 850_000, 900_000, 950_000, 975_000, 990_000,
}

// enough is how many misses an empirical quantile needs.
const enough = 20

// Spread is how far the sale of so many open days in a row was off the
// forecast, as a share of the forecast (of one piece where it is less): days
// that sell more are also further off.
type Spread struct {
	Misses    int                       // how many were seen
	Deviation quantity.PPM              // root of the mean square
	Over      [len(levels)]quantity.PPM // sale over forecast, at each of levels
}

// spreadFrom fills Spread. The share at a level is the least miss that so many
// did not exceed: definition 1 of Hyndman and Fan, "Sample quantiles in
// statistical packages", The American Statistician 50 (1996) 361-365, which is
// the newsvendor's own rule for whole counts. With too few misses the
// deviation is at least that of customers who come one by one (Poisson). The
// windows are left sorted.
func (f *Fit) spreadFrom(windows [Reach][]float64) {
	expected := 0.0
	for i, misses := range windows {
		expected += float64(f.Ahead[i]) / float64(Piece)
		s := Spread{Misses: len(misses)}
		deviation := 0.0
		if len(misses) > 0 {
			deviation = math.Sqrt(meanSquare(misses))
		}
		if len(misses) < enough {
			deviation = max(deviation, 1/math.Sqrt(max(expected, 1)))
		} else {
			slices.Sort(misses)
			for k, level := range levels {
				at := (len(misses)*int(level) + int(quantity.Whole) - 1) / int(quantity.Whole) // at least 1
				s.Over[k] = share(misses[at-1])
			}
		}
		s.Deviation = share(deviation)
		f.Spread[i] = s
	}
}

func share(x float64) quantity.PPM {
	return quantity.PPM(math.Round(min(mul(x, float64(quantity.Whole)), float64(quantity.MaxPPM))))
}

// safety returns what must be had beyond an expected sale so that the stock
// lasts in the given share of cases; below zero where throwing away costs more
// than running out, but never by more than the sale. Between two levels it is
// interpolated.
func (s Spread) safety(expected Milli, ratio quantity.PPM) (Milli, error) {
	base := max(expected, Piece)
	if s.Misses < enough {
		deviation, err := quantity.Share(base, s.Deviation, quantity.Nearest)
		return max(NormalQuantile(0, deviation, ratio, Exact), -expected), err
	}
	k, found := slices.BinarySearch(levels[:], ratio)
	over := s.Over[min(k, len(levels)-1)]
	if !found && k > 0 && k < len(levels) {
		below := s.Over[k-1]
		part, err := quantity.Scale(over-below, int64(ratio-levels[k-1]), int64(levels[k]-levels[k-1]), quantity.Up)
		if err != nil {
			return 0, err
		}
		over = below + part
	}
	v, err := quantity.Share(base, over, quantity.Up)
	return max(v, -expected), err
}
