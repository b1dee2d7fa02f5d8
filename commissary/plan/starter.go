package plan

import (
	"cmp"
	"fmt"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// keepAlive places the feeds that keep the starters alive: one on every day of
// the horizon on which anybody works and that has none yet, wanted or not, each
// of the least that leaves what is kept back. What it makes is for the next
// feed alone and stands in the cold; doughs take from feeds of their own. It
// says which days must go without, and can be asked again.
func (fl *floor) keepAlive() []commissary.Reason {
	var reasons []commissary.Reason
	for r := range fl.k.recipes {
		rec := &fl.k.recipes[r]
		if !rec.Starter() {
			continue
		}
		for _, day := range fl.k.workingDays() {
			if fl.fedOn(r, day) || fl.nourish(r, day) {
				continue
			}
			reasons = append(reasons, commissary.Reason{Code: commissary.ReasonUnfed, Limit: rec.ID, BakeDate: day,
				Text: fmt.Sprintf("%s cannot be fed on %s: nothing ripe to feed it from, or no vessel or hands. Keep some back another way, or get some in.", rec.Name, day.Short())})
		}
	}
	return reasons
}

// workingDays are the days from the planning instant on that a plan looks at
// and on which anybody works.
func (k *kitchen) workingDays() []civil.Date {
	var days []civil.Date
	for d := range k.planDays() {
		day := k.zone.Date(k.in.At).AddDays(d)
		if slices.ContainsFunc(k.book.Shifts, func(s commissary.Shift) bool { return s.Days.Has(day.Weekday()) }) {
			days = append(days, day)
		}
	}
	return days
}

// fedOn reports whether a starter stands fed on a day: made then already, or kept back.
func (fl *floor) fedOn(recipe int, day civil.Date) bool {
	return slices.ContainsFunc(fl.tubs, func(t *tub) bool {
		return t.recipe == recipe && (t.batch == nil || t.batch.kept) && fl.k.zone.Date(instant(t.made)) == day
	})
}

// nourish plans a starter's feed of a day, near the time of the one before,
// in the vessel that needs least for it.
func (fl *floor) nourish(recipe int, day civil.Date) bool {
	rec := &fl.k.recipes[recipe]
	from, to := max(fl.start, fl.k.zone.Instant(day, 0).Unix()), fl.k.zone.Instant(day.AddDays(1), 0).Unix()-1
	usual := from
	for _, t := range fl.tubs {
		if t.recipe == recipe && t.made < from {
			usual = min(max(usual, t.made+23*3600), to)
		}
	}
	for _, from := range []int64{usual, from} {
		for mode, m := range slices.Backward(rec.modes) {
			mass, err := formula.ToMix(rec.Formula, rec.KeepBack)
			if err == nil {
				mass, err = fl.k.weighable(rec, max(mass, m.min))
			}
			if err != nil || mass > m.max {
				continue
			}
			p, _ := fl.put(want{recipe: recipe, mode: mode, mass: mass, pieces: make([]quantity.Pieces, len(rec.items)), from: from, to: to, ready: to + 86400, kept: true})
			if p == nil {
				continue
			}
			t := &tub{recipe: recipe, batch: p, made: p.mixEnd, ready: p.done, left: rec.netOf(p.mass)}
			i, _ := slices.BinarySearchFunc(fl.tubs, t, func(a, b *tub) int { return cmp.Compare(a.made, b.made) })
			fl.setTubs(slices.Insert(slices.Clone(fl.tubs), i, t))
			return true
		}
	}
	return false
}
