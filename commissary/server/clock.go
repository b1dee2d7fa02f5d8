package server

import (
	"sync/atomic"
	"time"

	"doughrun/commissary"
)

// heldBack is how far a clock may be set back and be waited for.
const heldBack = 24 * time.Hour

// judged is the time by which cut-offs are judged in a transaction. A machine's
// clock may be set back, or be behind that of another service on the same
// database, and what was too late must not be in time again: within a day the
// time stands still at the newest change, or where a cut-off was judged last,
// until the clock has caught up. A clock that is behind by more was wrong then
// and has been put right since, so that tonight's cut-offs go by it. The record
// of changes goes on at the time it had reached in any case.
func (c *core) judged(tx commissary.Tx, at time.Time) (time.Time, error) {
	newest, err := tx.Newest()
	if err != nil {
		return at, err
	}
	if seen := time.Unix(c.seen.Swap(at.Unix()), 0).UTC(); seen.After(newest) {
		newest = seen
	}
	behind := newest.Sub(at)
	if behind <= 0 {
		return at, nil
	}
	if behind > time.Minute && c.behind.due(at) {
		c.log.Warn("the machine's clock is behind what it was; set it", "clock", at, "was", newest)
	}
	if behind > heldBack {
		return at, nil
	}
	c.seen.Store(newest.Unix())
	return newest, nil
}

// seldom lets something through every ten minutes, whichever way the clock is set.
type seldom struct{ last atomic.Int64 }

func (s *seldom) due(at time.Time) bool {
	last := s.last.Load()
	return at.Sub(time.Unix(last, 0)).Abs() > 10*time.Minute && s.last.CompareAndSwap(last, at.Unix())
}
