package forecast

import (
	"fmt"
	"slices"
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

const (
	leastWeeks = 4 // a usual quantity needs so many of the weekday
	mostWeeks  = 8 // and is taken from the last so many
)

// Usual returns the usual quantity of a weekday in a history of counts or of
// orders: the mean of its last eight days, to the nearest piece, events,
// closed and unknown days left out. Without at least four there is none.
func (s Series) Usual(weekday time.Weekday) (usual quantity.Pieces, ok bool) {
	last := s.lastOf(weekday)
	if len(last) < leastWeeks {
		return 0, false
	}
	var sum quantity.Pieces
	for _, v := range last {
		sum += v
	}
	n := quantity.Pieces(len(last))
	return (2*sum + n) / (2 * n), true
}

// lastOf returns the newest counts of a weekday, newest first.
func (s Series) lastOf(weekday time.Weekday) []quantity.Pieces {
	if len(s.Days) == 0 {
		return nil
	}
	back := (int(s.Through().Weekday()-weekday) + 7) % 7
	var last []quantity.Pieces
	for i := len(s.Days) - 1 - back; i >= 0 && len(last) < mostWeeks; i -= 7 {
		if s.Days[i].teaches() {
			last = append(last, s.Days[i].Sold)
		}
	}
	return last
}

// Unusual reports whether a quantity for a day is far from what the shop's own
// history says of that weekday, and the question to ask about it, once. It
// stays quiet for what the weekday had in its last eight weeks, for a
// difference of less than a container, and where fewer than four weeks are
// known. Far means a modified z-score above 3.5: 0.6745 × distance from the
// median ÷ median of such distances (Iglewicz and Hoaglin, How to Detect and
// Handle Outliers, ASQC 1993).
func (s Series) Unusual(day civil.Date, pieces, perBox quantity.Pieces) (question string, ask bool) {
	last := s.lastOf(day.Weekday())
	if len(last) < leastWeeks || pieces >= slices.Min(last) && pieces <= slices.Max(last) {
		return "", false
	}
	middle := twiceMedian(last)
	distances := make([]quantity.Pieces, len(last))
	for i, v := range last {
		distances[i] = apart(2*v, middle)
	}
	// Twice the distance, and four times the median distance.
	far, spread := apart(2*pieces, middle), twiceMedian(distances)
	if far < 2*max(perBox, 1) || 2*6745*far <= 35_000*spread {
		return "", false
	}
	usual, _ := s.Usual(day.Weekday())
	return fmt.Sprintf("%d %s for %s? The last %d %ss were %d to %d, usually %d.", pieces, s.Item, day.Short(),
		len(last), day.Weekday(), slices.Min(last), slices.Max(last), usual), true
}

// twiceMedian returns two times the middle of the values.
func twiceMedian(values []quantity.Pieces) quantity.Pieces {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return sorted[(n-1)/2] + sorted[n/2]
}

func apart(a, b quantity.Pieces) quantity.Pieces { return max(a-b, b-a) }
