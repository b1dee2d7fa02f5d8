package server

import (
	"context"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
)

// serviceItself is who closes nights that are due.
const serviceItself = "the service"

// dueDays is how many days back nights are closed that nobody closed: a
// service that stood still for longer leaves them as they are.
const dueDays = 2

// CloseDue closes every night whose last cut-off is past, in every kitchen:
// from then on an order gets in only by admission. Nights that nobody touched
// are left alone, but for the newest one. It is to be called every so often.
func (s *Server) CloseDue(ctx context.Context) error { return s.core.closeDue(ctx) }

func (c *core) closeDue(ctx context.Context) error {
	ids, err := c.kitchens(ctx)
	if err != nil {
		return err
	}
	for _, id := range ids {
		due, err := c.due(ctx, id)
		if err != nil {
			return err
		}
		for _, date := range due {
			if err := c.closeNight(ctx, id, date); err != nil {
				return err
			}
		}
	}
	return nil
}

// kitchens are those that the store knows.
func (c *core) kitchens(ctx context.Context) (ids []string, err error) {
	err = c.view(ctx, func(tx commissary.Tx, _ time.Time) (err error) {
		ids, err = tx.Kitchens()
		return err
	})
	return ids, err
}

// due returns the open nights of a kitchen whose last cut-off is past.
func (c *core) due(ctx context.Context, id string) ([]civil.Date, error) {
	var due []civil.Date
	err := c.view(ctx, func(tx commissary.Tx, at time.Time) error {
		due = nil
		k, err := c.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		newest := true
		for back := range dueDays + 1 {
			date := k.zone.Date(at).AddDays(-back)
			last, ok := k.lastCutOff(date)
			if !ok || !at.After(last) {
				continue
			}
			n, err := tx.Nights(id).Get(date)
			touched := err == nil
			if err != nil && commissary.KindOf(err) != commissary.NotFound {
				return err
			}
			if touched && n.State == commissary.NightOpen || !touched && newest {
				due = append(due, date)
			}
			newest = false
		}
		return nil
	})
	return due, err
}

// lastCutOff is the last moment at which a night's default lines are taken.
func (k *kitchen) lastCutOff(night civil.Date) (time.Time, bool) {
	var last time.Time
	for _, it := range k.Items {
		for _, c := range k.CutOffs {
			if c.Class == it.CutOff {
				// Lines that must be in some nights earlier are due on this night for a later day.
				if at := k.zone.Instant(night, c.At); at.After(last) {
					last = at
				}
			}
		}
	}
	return last, !last.IsZero()
}

// closeNight closes a night unless somebody has done it meanwhile.
func (c *core) closeNight(ctx context.Context, id string, date civil.Date) error {
	return c.store.Update(ctx, func(tx commissary.Tx) error {
		n, err := night(tx, id, date)
		if err != nil || n.State != commissary.NightOpen {
			return err
		}
		w := &writing{Tx: tx, at: c.instant(), who: serviceItself, call: "CloseDue"}
		n.State, n.Closed = commissary.NightClosed, w.at
		if err := tx.Nights(id).Put(n); err != nil {
			return err
		}
		return w.record(id, wire.NightName(id, date), "closed: the last cut-off is past")
	})
}
