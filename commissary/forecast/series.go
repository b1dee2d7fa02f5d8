// Package forecast says what a shop will sell, how far off that may be, and
// what to order. A Series is one shop's daily counts of one item; Learn finds
// by back-test the method that would have served it best and leaves a Fit,
// whole numbers to be stored; Propose turns fits, what lies in the walk-in and
// what is under way into orders, with their arithmetic. The same input gives
// the same answer, and the functions may run side by side.
package forecast

import (
	"fmt"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Milli is a number of pieces in thousandths: what is expected is seldom whole.
type Milli int64

// Piece is one piece.
const Piece Milli = 1000

// String prints pieces with one decimal, halves away from zero.
func (m Milli) String() string {
	sign := ""
	if m < 0 {
		sign, m = "-", -m
	}
	tenths := (m + 50) / 100
	return fmt.Sprintf("%s%d.%d", sign, tenths/10, tenths%10)
}

// Pieces rounds to the nearest piece, halves up.
func (m Milli) Pieces() quantity.Pieces { return m.whole(quantity.Nearest) }

// whole rounds to pieces; Nearest takes halves up.
func (m Milli) whole(r quantity.Rounding) quantity.Pieces {
	switch r {
	case quantity.Up:
		m += Piece - 1
	case quantity.Nearest:
		m += Piece / 2
	}
	if m < 0 {
		m -= Piece - 1 // division cuts towards zero
	}
	return quantity.Pieces(m / Piece)
}

// Kind says what a day's count tells.
type Kind int8

// The kinds. The zero Day is one nobody counted.
const (
	Unknown Kind = iota // nobody counted, or the count is not believed
	Counted             // an ordinary day
	SoldOut             // at least so many would have sold: the item ran out
	Closed              // no service: nothing sold, and nothing to learn
	Event               // a holiday or one-off event: kept, but not learned from
	kinds
)

// Day is one day of a series.
type Day struct {
	Kind Kind
	Sold quantity.Pieces // nothing on unknown and closed days
}

// teaches reports whether there is a count to learn from.
func (d Day) teaches() bool { return d.Kind == Counted || d.Kind == SoldOut }

// given returns what the day sold as far as a forecast can be held against
// it: where the item ran out nobody knows, and a higher forecast is not wrong.
func (d Day) given(forecast float64) float64 {
	if d.Kind == SoldOut {
		return max(float64(d.Sold), forecast)
	}
	return float64(d.Sold)
}

// Series is what one shop sold of one item, day after day without gaps; days
// nobody counted are Unknown. The caller's calendar says which days are Event
// and Closed.
type Series struct {
	Shop  string
	Item  string
	First civil.Date // of Days[0]
	Days  []Day
}

// Through returns the last day of the series; the day before First when empty.
func (s Series) Through() civil.Date { return s.First.AddDays(len(s.Days) - 1) }

// longest is the number of days a series may have: forty years.
const longest = 14_610

// check refuses what cannot be a series.
func (s Series) check() error {
	bad := func(format string, args ...any) error {
		return commissary.Refuse(commissary.Invalid, "SERIES_INVALID", "the history of %s at shop %s "+format,
			append([]any{s.Item, s.Shop}, args...)...)
	}
	if s.First.IsZero() {
		return bad("has no first day; give the date of its first count")
	}
	if len(s.Days) > longest {
		return bad("has %d days; give at most the last %d", len(s.Days), longest)
	}
	for i, d := range s.Days {
		on := func() civil.Date { return s.First.AddDays(i) }
		switch {
		case d.Kind < 0 || d.Kind >= kinds:
			return bad("has a day of no known kind on %s; say counted, sold out, closed, event or unknown", on())
		case d.Sold < 0 || d.Sold > quantity.MaxPieces:
			return bad("says %d pieces on %s; a count lies between 0 and %d", d.Sold, on(), quantity.MaxPieces)
		case d.Sold != 0 && (d.Kind == Unknown || d.Kind == Closed):
			return bad("has %d pieces on %s, a day without a count; make it a counted day or take the pieces off", d.Sold, on())
		}
	}
	return nil
}

// mean returns the mean of at least one number.
func mean(values []float64) float64 {
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	return sum / float64(len(values))
}

// median returns the middle of at least one number, or half way between the two.
func median(values []float64) float64 {
	var room [16]float64
	sorted := append(room[:0], values...)
	slices.Sort(sorted)
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}
