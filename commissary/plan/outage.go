package plan

import (
	"slices"
	"time"

	"doughrun/commissary"
)

// Standing parts the posted batches into those that stand and those that
// cannot: they have not begun and an outage lies across one of their steps, or
// they draw from one that cannot. What moves is planned again.
func Standing(posted []commissary.Batch, outages []commissary.Outage) (stand, move []commissary.Batch) {
	gone := map[string]bool{}
	for changed := true; changed; {
		changed = false
		for _, b := range posted {
			if b.State != commissary.BatchPosted || gone[b.ID] {
				continue
			}
			hit := slices.ContainsFunc(b.Uses, func(u commissary.Use) bool { return gone[u.Batch] }) ||
				slices.ContainsFunc(outages, func(o commissary.Outage) bool { return hits(o, b) })
			if hit {
				gone[b.ID], changed = true, true
			}
		}
	}
	for _, b := range posted {
		if gone[b.ID] {
			b.State = commissary.BatchPlanned
			move = append(move, b)
		} else {
			stand = append(stand, b)
		}
	}
	return stand, move
}

// hits reports whether an outage lies across a step of a batch.
func hits(o commissary.Outage, b commissary.Batch) bool {
	return slices.ContainsFunc(b.Steps, func(s commissary.Booking) bool {
		return s.Resource == o.Resource && overlap(o, s.From, s.To)
	})
}

func overlap(o commissary.Outage, from, to time.Time) bool {
	return from.Before(to) && o.From.Before(to) && (o.To.IsZero() || from.Before(o.To))
}
