package plan

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// starters judges whether the starters are kept alive: on every day from the
// planning instant on that the plan looks at and on which anybody works, one
// is fed, and what is fed then leaves what the book keeps back when doughs have
// taken theirs; or people are told that it cannot be. What was fed already
// that day counts and is not judged.
func (c *checker) starters() {
	first := c.zone.Date(c.in.At)
	for _, f := range c.in.Book.Formulas {
		if !f.Starter() {
			continue
		}
		for day := first; day.Days(first) < max(c.in.Book.Kitchen.PlanDays, 1); day = day.AddDays(1) {
			if c.works(day) && !c.fedAlready(f.ID, day) && !c.toldUnfed(f.ID, day) {
				if lacks := f.KeepBack - c.keptOf(f, day); lacks > 0 {
					c.broken(commissary.Reason{Code: commissary.BrokenUnfed, Limit: f.ID, BakeDate: day, Over: int64(lacks)},
						"%s must be fed on %s so that %v is kept back; %v is lacking. Feed it, or say that it cannot be.", f.Name, day, f.KeepBack, lacks)
				}
			}
		}
	}
}

func (c *checker) works(day civil.Date) bool {
	for _, s := range c.in.Book.Shifts {
		if s.Days.Has(day.Weekday()) {
			return true
		}
	}
	return false
}

func (c *checker) fedAlready(id string, day civil.Date) bool {
	for _, l := range c.in.Lots {
		if l.Formula == id && l.Item == "" && l.Held == "" && c.zone.Date(l.Made) == day {
			return true
		}
	}
	for _, b := range c.in.Posted {
		if b.Formula == id && (b.State == commissary.BatchPosted || b.State == commissary.BatchMixing) && c.zone.Date(b.MixEnd) == day {
			return true
		}
	}
	return false
}

func (c *checker) toldUnfed(id string, day civil.Date) bool {
	for _, e := range c.plan.Exceptions {
		if e.Code == commissary.ReasonUnfed && e.Limit == id && e.BakeDate == day {
			return true
		}
	}
	return false
}

// keptOf is what the plan's feeds of a day leave when other formulas have taken theirs.
func (c *checker) keptOf(f commissary.Formula, day civil.Date) quantity.Mass {
	var kept quantity.Mass
	for _, b := range c.fresh {
		if b.Formula != f.ID || !b.sound || c.zone.Date(b.MixEnd) != day {
			continue
		}
		if out, err := formula.ComesOut(f, b.Mass); err == nil {
			kept += out
		}
		for _, t := range c.uses[b.ID] {
			if t.by.Formula != f.ID {
				kept -= t.mass
			}
		}
	}
	return kept
}
