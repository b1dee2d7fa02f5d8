package plan

import (
	"cmp"
	"maps"
	"math"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
)

// filled is one filling of one vessel, a fact or of the plan.
type filled struct {
	id        string
	formula   string
	fresh     bool
	load, off time.Time
	cleaned   []commissary.Booking
}

// vessels judges every vessel's row of fillings: one at a time, and cleaned
// between two. A scrape will do where everything that was in the vessel since
// its last full wash is among the allergens of the next filling; otherwise it
// is washed in full. What batches that stand already left in a vessel counts.
func (c *checker) vessels() {
	type unit struct {
		vessel string
		unit   int
	}
	rows := map[unit][]filled{}
	cleaned := func(b commissary.Batch) (washes []commissary.Booking) {
		for _, s := range b.Steps {
			if s.Step == commissary.StepWash && s.Resource == b.Vessel {
				washes = append(washes, s)
			}
		}
		return washes
	}
	for _, b := range c.in.Posted {
		load, ok := loaded(b)
		if !ok {
			continue
		}
		f := filled{b.ID, b.Formula, false, load, load, cleaned(b)}
		for _, s := range b.Steps {
			if s.Resource == b.Vessel && s.Step != commissary.StepWash {
				f.off = latest(f.off, s.To)
			}
		}
		if b.State == commissary.BatchScrapped {
			f.off = earliest(f.off, c.in.At)
		}
		// A tub that new doughs draw from stays full until then.
		from := c.uses[b.ID]
		for _, l := range c.in.Lots {
			if l.Batch == b.ID && l.Item == "" {
				from = append(slices.Clone(from), c.uses[l.Code]...)
			}
		}
		if c.formulas[b.Formula].Kind != commissary.Preferment {
			from = nil // a prep is packed, and its vessel free
		}
		for _, t := range from {
			if t.by.Formula != b.Formula { // a starter's next feed is kept back, out of its tub
				f.off = latest(f.off, t.by.load)
			}
		}
		rows[unit{b.Vessel, b.Unit}] = append(rows[unit{b.Vessel, b.Unit}], f)
	}
	for _, b := range c.fresh {
		if b.sound && b.timed {
			k := unit{b.Vessel, b.Unit}
			rows[k] = append(rows[k], filled{b.ID, b.Formula, true, b.load, b.off, cleaned(b.Batch)})
		}
	}
	keys := slices.SortedFunc(maps.Keys(rows), func(a, b unit) int {
		return cmp.Or(cmp.Compare(a.vessel, b.vessel), cmp.Compare(a.unit, b.unit))
	})
	for _, k := range keys {
		c.row(c.mixers[k.vessel], rows[k])
	}
}

func (c *checker) row(v commissary.Vessel, row []filled) {
	slices.SortStableFunc(row, func(a, b filled) int { return cmp.Or(a.load.Compare(b.load), cmp.Compare(a.id, b.id)) })
	var left []commissary.Allergen // in the vessel since its last full wash
	var last *filled               // the one that leaves it latest
	for i := range row {
		f := &row[i]
		brings := c.allergens(f.formula)
		if last != nil {
			blamed := f
			if !f.fresh {
				blamed = last
			}
			begin := f.load
			var longest quantity.Seconds
			for _, w := range f.cleaned {
				begin = earliest(begin, w.From)
				if !w.From.Before(last.off) && !w.To.After(f.load) {
					longest = max(longest, quantity.Seconds(seconds(w.To.Sub(w.From))))
				}
			}
			overlap := seconds(last.off.Sub(begin))
			r := commissary.Reason{Limit: v.ID, Batch: blamed.id}
			switch {
			case longest >= v.Wash:
				left = nil
			case !blamed.fresh:
			case overlap > 0:
				// Nothing can be cleaned that is in use.
			case !safety.MayFollow(left, brings):
				r.Code, r.Over = commissary.BrokenAllergen, int64(v.Wash-longest)
				c.broken(r, "Batch %s of %s follows batch %s of %s on %s, which leaves %v behind: wash %s in full (%v) before it, or change their order.",
					f.id, f.formula, last.id, last.formula, v.ID, without(left, brings), v.ID, v.Wash)
			case longest < v.Scrape:
				r.Code, r.Over = commissary.BrokenClean, int64(v.Scrape-longest)
				c.broken(r, "%s is not scraped between batch %s and batch %s; that takes %v.", v.ID, last.id, f.id, v.Scrape)
			}
			if overlap > 0 && blamed.fresh {
				r.Code, r.Over = commissary.BrokenOverlap, overlap
				c.broken(r, "%s is used for batch %s from %s while batch %s is in it until %s. Move one of them.", v.ID, f.id, c.at(begin), last.id, c.at(last.off))
			}
		}
		left = append(without(left, brings), brings...)
		if last == nil || f.off.After(last.off) {
			last = f
		}
	}
}

// allergens returns what a formula leaves in a vessel. What is not known is
// taken to be in nothing else.
func (c *checker) allergens(id string) []commissary.Allergen {
	all, err := safety.Allergens(c.in.Book, id)
	if err != nil {
		return []commissary.Allergen{commissary.Allergen("those of " + id)}
	}
	return all
}

func without(a, b []commissary.Allergen) []commissary.Allergen {
	return slices.DeleteFunc(slices.Clone(a), func(x commissary.Allergen) bool { return slices.Contains(b, x) })
}

// hands is a stretch of time in which so much of a resource is used, or there.
type hands struct {
	from, to int64
	amount   int64
	batch    string // whose; empty for facts
}

// excess is a stretch of time in which more is used than there is.
type excess struct {
	from, to   int64
	used, free int64
	batch      string
}

// exceeding sweeps over time and returns where the plan's batches use more
// than there is, together with the facts. Facts alone are not blamed.
func exceeding(used, free []hands) []excess {
	type event struct {
		at         int64
		used, free int64
		batch      string
		enter      int
	}
	var events []event
	for _, h := range used {
		if h.from < h.to && h.amount > 0 {
			events = append(events, event{h.from, h.amount, 0, h.batch, 1}, event{h.to, -h.amount, 0, h.batch, -1})
		}
	}
	for _, h := range free {
		if h.from < h.to {
			events = append(events, event{h.from, 0, h.amount, "", 0}, event{h.to, 0, -h.amount, "", 0})
		}
	}
	slices.SortStableFunc(events, func(a, b event) int { return cmp.Compare(a.at, b.at) })
	var out []excess
	var u, f int64
	active := map[string]int{} // the plan's batches in hand
	open := false
	for i, e := range events {
		u, f = u+e.used, f+e.free
		if e.batch != "" {
			if active[e.batch] += e.enter; active[e.batch] == 0 {
				delete(active, e.batch)
			}
		}
		if i+1 < len(events) && events[i+1].at == e.at {
			continue
		}
		bad := u > f && len(active) > 0
		if open {
			out[len(out)-1].to = e.at
		}
		if bad && open && (out[len(out)-1].free > 0) == (f > 0) {
			if x := &out[len(out)-1]; u-f > x.used-x.free {
				x.used, x.free = u, f
			}
		} else if bad {
			out = append(out, excess{e.at, e.at, u, f, slices.Min(slices.Collect(maps.Keys(active)))})
		}
		open = bad
	}
	return out
}

// horizon is the most days ahead that Check asks for people.
const horizon = 62

// resources judges everything that batches share: people, benches, places in
// the cold store, and the warm mass that goes into it in an hour.
func (c *checker) resources() {
	var crew, cold, warm []hands
	benches := map[string][]hands{}
	start := c.in.At.Unix()
	add := func(b commissary.Batch, owner string) {
		for _, s := range b.Steps {
			h := hands{s.From.Unix(), s.To.Unix(), 0, owner}
			if owner == "" {
				h.from = max(h.from, start)
			}
			with := func(amount int64) hands { h.amount = amount; return h }
			crew = append(crew, with(int64(s.Heads)))
			if s.Step == commissary.StepDivide || s.Step == commissary.StepPack {
				benches[s.Resource] = append(benches[s.Resource], with(1))
			}
			if s.Resource != "cold" {
				continue
			}
			// What is out is a lot, and counted as one.
			if s.Step != commissary.StepHold || b.State != commissary.BatchOut {
				cold = append(cold, with(int64(s.Slots)))
			}
			if s.Step == commissary.StepChill {
				out, err := formula.ComesOut(c.formulas[b.Formula], b.Mass)
				if err != nil {
					out = b.Mass
				}
				warm = append(warm, hands{s.From.Unix(), s.From.Unix() + 3600, int64(out), owner})
			}
		}
	}
	for _, b := range c.in.Posted {
		if b.State != commissary.BatchScrapped {
			add(b, "")
		}
	}
	for _, b := range c.fresh {
		if b.sound {
			add(b.Batch, b.ID)
		}
	}

	for _, x := range exceeding(crew, c.crew()) {
		r := commissary.Reason{Code: commissary.BrokenCrew, Limit: "crew", Batch: x.batch, Over: x.used - x.free}
		from, to := time.Unix(x.from, 0), time.Unix(x.to, 0)
		if x.free == 0 {
			r.Code = commissary.BrokenShift
			c.broken(r, "Batch %s needs %d people from %s to %s, when nobody works. Move it.", x.batch, x.used, c.at(from), c.at(to))
		} else {
			c.broken(r, "%d people are needed from %s to %s, %d are there. Move batch %s, or bring %d more.", x.used, c.at(from), c.at(to), x.free, x.batch, x.used-x.free)
		}
	}
	always := func(amount int64) []hands { return []hands{{math.MinInt64, math.MaxInt64, amount, ""}} }
	for _, id := range slices.Sorted(maps.Keys(benches)) {
		for _, x := range exceeding(benches[id], always(1)) {
			c.broken(commissary.Reason{Code: commissary.BrokenOverlap, Limit: id, Batch: x.batch, Over: x.to - x.from},
				"%d batches are on %s from %s to %s, %s among them. One at a time.", x.used, id, c.at(time.Unix(x.from, 0)), c.at(time.Unix(x.to, 0)), x.batch)
		}
	}
	if slots := int64(c.in.Book.ColdStore.Slots); slots > 0 {
		for _, x := range exceeding(append(cold, c.boxesOnHand()...), always(slots)) {
			c.broken(commissary.Reason{Code: commissary.BrokenCold, Limit: "cold", Batch: x.batch, Over: x.used - x.free},
				"%d places in the cold are needed from %s to %s, there are %d. Make batch %s on another day.", x.used, c.at(time.Unix(x.from, 0)), c.at(time.Unix(x.to, 0)), x.free, x.batch)
		}
	}
	if most := int64(c.in.Book.ColdStore.PullDown); most > 0 {
		for _, x := range exceeding(warm, always(most)) {
			c.broken(commissary.Reason{Code: commissary.BrokenPullDown, Limit: "cold pull-down", Batch: x.batch, Over: x.used - x.free},
				"%v of warm dough goes into the cold in the hour before %s, which can take %v. Move batch %s.", quantity.Mass(x.used), c.at(time.Unix(x.to, 0)), quantity.Mass(x.free), x.batch)
		}
	}
}

// crew is who works when: the heads of every shift, nobody of it in its breaks.
func (c *checker) crew() []hands {
	var crew []hands
	first := c.zone.Date(c.in.At).AddDays(-2)
	for d := range horizon {
		date := first.AddDays(d)
		at := func(t civil.Clock) int64 { return c.zone.Instant(date, t).Unix() }
		for _, s := range c.in.Book.Shifts {
			if !s.Days.Has(date.Weekday()) {
				continue
			}
			crew = append(crew, hands{at(s.From), at(s.To), int64(s.Heads), ""})
			for _, b := range s.Breaks {
				crew = append(crew, hands{at(b.From), at(b.To), -int64(s.Heads), ""})
			}
		}
	}
	return crew
}

// boxesOnHand is the places that lots on hand, and what is taken from posted
// batches beyond their hold, take in the cold until their vans leave. What
// nobody takes stays until it is past its hard maximum.
func (c *checker) boxesOnHand() []hands {
	type leaving struct {
		at     int64
		pieces quantity.Pieces
	}
	goes := map[service][]leaving{} // by lot code or batch id, and item
	for _, t := range c.plan.Takes {
		if n, ok := c.needs[service{t.Shop, t.Item, t.BakeDate}]; ok && t.Pieces > 0 {
			k := service{shop: t.Lot + t.Batch, item: t.Item}
			goes[k] = append(goes[k], leaving{n.Departs.Unix(), t.Pieces})
		}
	}
	var all []hands
	stay := func(id, item string, pieces quantity.Pieces, from, until int64) {
		it := c.items[item]
		slots := int64(c.boxes[it.Container].Slots)
		out := goes[service{shop: id, item: item}]
		slices.SortStableFunc(out, func(a, b leaving) int { return cmp.Compare(a.at, b.at) })
		for _, l := range out {
			all = append(all, hands{from, l.at, slots * boxesFor(max(pieces, 0), it.PerBox), ""})
			from = max(from, l.at)
			pieces -= l.pieces
		}
		all = append(all, hands{from, until, slots * boxesFor(max(pieces, 0), it.PerBox), ""})
	}
	for _, l := range c.in.Lots {
		if l.Item == "" || l.Pieces <= 0 || l.Pieces > quantity.MaxPieces || !here(l) {
			continue
		}
		from := c.in.At.Unix()
		for _, s := range c.posted[l.Batch].Steps {
			if s.Step == commissary.StepHold {
				from = max(from, s.From.Unix())
			}
		}
		stay(l.Code, l.Item, l.Pieces, from, l.Made.Add(span(c.items[l.Item].Window.Max)).Unix())
	}
	for _, b := range c.in.Posted {
		if b.State != commissary.BatchPosted && b.State != commissary.BatchMixing {
			continue
		}
		held := int64(0)
		for _, s := range b.Steps {
			if s.Step == commissary.StepHold {
				held = max(held, s.To.Unix())
			}
		}
		if held == 0 {
			continue
		}
		for _, m := range b.Makes {
			k := service{shop: b.ID, item: m.Item}
			var late quantity.Pieces
			goes[k] = slices.DeleteFunc(goes[k], func(l leaving) bool { return l.at <= held })
			for _, l := range goes[k] {
				late += l.pieces
			}
			stay(b.ID, m.Item, late, held, held)
		}
	}
	return all
}

// outages judges whether anything the plan adds stands on what is out of order.
func (c *checker) outages() {
	for _, b := range c.fresh {
		for _, s := range b.Steps {
			for _, o := range c.in.Outages {
				if s.Resource != o.Resource || !overlap(o, s.From, s.To) {
					continue
				}
				end := s.To
				if !o.To.IsZero() {
					end = earliest(end, o.To)
				}
				c.broken(commissary.Reason{Code: commissary.BrokenOutage, Limit: o.Resource, Batch: b.ID, Over: seconds(end.Sub(latest(s.From, o.From)))},
					"Batch %s stands on %s from %s, which is out of order (%s). Move it.", b.ID, o.Resource, c.at(s.From), o.Why)
			}
		}
	}
}
