package plan

import (
	"cmp"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// batch judges one batch by itself: its vessel, mass and steps.
func (c *checker) batch(b *judged) {
	f, v, ok := c.known(b)
	if !ok {
		return
	}
	b.sound = true
	c.mass(b, f, v)
	c.steps(b, f, v)
}

// known finds the names a batch uses, and refuses quantities out of all
// bounds, which nothing could be computed with.
func (c *checker) known(b *judged) (f commissary.Formula, v commissary.Vessel, ok bool) {
	good := true
	unknown := func(what, name string) {
		good = false
		c.broken(commissary.Reason{Code: commissary.BrokenUnknown, Limit: what, Batch: b.ID}, "Batch %s names the %s %q, which the kitchen book does not have for it. Correct the name.", b.ID, what, name)
	}
	if f, ok = c.formulas[b.Formula]; !ok {
		unknown("formula", b.Formula)
	}
	if v, ok = c.mixers[b.Vessel]; !ok {
		unknown("vessel", b.Vessel)
	} else if b.Unit < 1 || b.Unit > max(v.Count, 1) {
		good = false
		c.broken(commissary.Reason{Code: commissary.BrokenUnknown, Limit: "unit", Batch: b.ID, Over: int64(b.Unit - max(v.Count, 1))},
			"Batch %s is on number %d of %s, of which there are %d.", b.ID, b.Unit, b.Vessel, max(v.Count, 1))
	}
	wrong := func(limit string) {
		good = false
		c.broken(commissary.Reason{Code: commissary.BrokenSum, Limit: limit, Batch: b.ID}, "Batch %s has %s out of all bounds. Write what is really meant.", b.ID, limit)
	}
	if b.Mass <= 0 || b.Mass > quantity.MaxMass {
		wrong("a mass")
	}
	for _, m := range b.Makes {
		if it, ok := c.items[m.Item]; !ok || it.Formula != b.Formula {
			unknown("item", m.Item)
		}
		if m.Pieces <= 0 || m.Pieces > quantity.MaxPieces {
			wrong("pieces made")
		}
	}
	for _, s := range b.Serves {
		if s.Pieces <= 0 || s.Pieces > quantity.MaxPieces {
			wrong("pieces served")
		}
	}
	for _, u := range b.Uses {
		if u.Mass <= 0 || u.Mass > quantity.MaxMass {
			wrong("a mass used")
		}
	}
	for _, s := range b.Steps {
		if s.Heads < 0 || s.Heads > 10_000 || s.Slots < 0 || s.Slots > 10_000_000 || s.To.Before(s.From) {
			wrong("a " + string(s.Step) + " step")
		}
	}
	return f, v, good
}

// mass judges what goes through the vessel.
func (c *checker) mass(b *judged, f commissary.Formula, v commissary.Vessel) {
	r := commissary.Reason{Limit: v.ID, Batch: b.ID}
	reason := func(code commissary.ReasonCode, over int64) commissary.Reason {
		r := r
		r.Code, r.Over = code, over
		return r
	}
	if second := f.MixSecond > 0; b.Second != second {
		c.broken(reason(commissary.BrokenSpeed, 0), "Batch %s is mixed with second speed: %t; formula %s says %t.", b.ID, b.Second, f.ID, second)
	}
	// A water temperature out of reach is said on the sheet; the water is
	// still good enough to derate by.
	water, _ := formula.PlannedWater(c.in.Book, v, f, b.Second)
	fill, err := formula.Capacity(c.in.Book, v, f, b.Second, water)
	switch {
	case err != nil:
		code := commissary.BrokenClass
		if e, ok := err.(*commissary.Error); ok && e.Reason == string(commissary.BrokenSpeed) {
			code = commissary.BrokenSpeed
		}
		c.broken(reason(code, 0), "Batch %s: %v.", b.ID, err)
	case b.Mass > fill.Largest:
		c.broken(reason(commissary.BrokenCapacity, int64(b.Mass-fill.Largest)), "Batch %s is %v, but %s holds %v of %s. Make it smaller or part it.", b.ID, b.Mass, v.ID, fill.Largest, f.ID)
	case b.Mass < fill.Smallest:
		c.broken(reason(commissary.BrokenFill, int64(fill.Smallest-b.Mass)), "Batch %s is %v, but %s does not work below %v of %s. Make more or use a smaller vessel.", b.ID, b.Mass, v.ID, fill.Smallest, f.ID)
	}
	if over := f.MixFirst + f.MixSecond - fill.Row.MaxMix; err == nil && fill.Row.MaxMix > 0 && over > 0 {
		c.broken(reason(commissary.BrokenMixTime, int64(over)), "Batch %s mixes for %v, but %s must not run %s longer than %v.", b.ID, f.MixFirst+f.MixSecond, v.ID, f.Class, fill.Row.MaxMix)
	}

	sheet, err := formula.Weigh(c.in.Book, f, b.Mass)
	var flour quantity.Mass
	if f.Kind != commissary.Prep {
		flour = sheet.Flour
	}
	r.Limit = "sheet"
	switch {
	case err != nil:
		c.broken(reason(commissary.BrokenMass, 0), "Batch %s cannot be weighed: %v.", b.ID, err)
	case sheet.Surplus != 0:
		c.broken(reason(commissary.BrokenMass, int64(sheet.Surplus)), "Batch %s is %v, which the scales cannot show; the next mass that they can is %v.", b.ID, b.Mass, sheet.Mass)
	case b.Flour != flour:
		c.broken(reason(commissary.BrokenMass, int64(b.Flour-flour)), "Batch %s says %v of flour; its sheet has %v.", b.ID, b.Flour, flour)
	}

	out, err := formula.ComesOut(f, b.Mass)
	var pieces quantity.Mass
	for _, m := range b.Makes {
		mass, err2 := quantity.Scale(c.items[m.Item].Mass, int64(m.Pieces), 1, quantity.Up)
		if err2 != nil {
			err = err2
			break
		}
		if pieces, err2 = quantity.Sum(pieces, mass); err2 != nil {
			err = err2
		}
	}
	r.Limit = "mass"
	if over := pieces - out; err != nil || over > 0 {
		c.broken(reason(commissary.BrokenMass, int64(over)), "Batch %s is to make %v of pieces, but only %v comes out of it. Make a larger batch or fewer pieces.", b.ID, pieces, out)
	}
}

// steps sets a batch in time and judges its steps: the cleaning, the weighing
// up, the mix, and then exactly the steps of its formula in their order.
//
// A step begins when the one before has ended, or at most its Wait later. What
// a rest, cool or chill has left of its longest time counts as well: dough
// that nobody comes for goes on resting. Boxes that are chilled stay where
// they are until somebody comes to nest them, so that a chill may also last
// through the wait of the step behind it.
func (c *checker) steps(b *judged, f commissary.Formula, v commissary.Vessel) {
	r := commissary.Reason{Batch: b.ID}
	says := func(code commissary.ReasonCode, limit string, over int64, format string, args ...any) {
		r.Code, r.Limit, r.Over = code, limit, over
		c.broken(r, "Batch %s: "+format, append([]any{b.ID}, args...)...)
	}
	booked := slices.Clone(b.Steps)
	slices.SortStableFunc(booked, func(x, y commissary.Booking) int { return x.From.Compare(y.From) })
	var mix, hold *commissary.Booking
	var weighed, follow []commissary.Booking
	for i := range booked {
		s := &booked[i]
		if s.From.Before(c.in.At) {
			says(commissary.BrokenPast, string(s.Step), seconds(c.in.At.Sub(s.From)), "its %s starts %s, before %s, when the plan is made. Start it later.", s.Step, c.at(s.From), c.at(c.in.At))
		}
		switch {
		case s.Step == commissary.StepMix && mix == nil:
			mix = s
		case s.Step == commissary.StepWash && s.Resource == b.Vessel:
			c.heads(b, s, max(v.Heads, 1))
		case s.Step == commissary.StepWeigh:
			weighed = append(weighed, *s)
		case s.Step == commissary.StepRest && s.Resource == b.Vessel:
			// It stands in its vessel until it is used: no hands.
			b.off = latest(b.off, s.To)
		case s.Step == commissary.StepHold && hold == nil:
			hold = s
		default:
			follow = append(follow, *s)
		}
	}
	if mix == nil {
		says(commissary.BrokenSteps, "mix", 0, "it has no mix. Book its vessel.")
		return
	}
	b.timed, b.load, b.mixed = true, mix.From, mix.To
	if mix.Resource != b.Vessel {
		says(commissary.BrokenUnknown, "mix", 0, "its mix is booked on %q, but it is a batch of %s.", mix.Resource, b.Vessel)
	}
	c.heads(b, mix, max(v.Heads, 1))
	length := v.Load + f.MixFirst + f.MixSecond + v.Unload
	if d := quantity.Seconds(seconds(mix.To.Sub(mix.From))); d != length {
		says(commissary.BrokenStepTime, "mix", int64(d-length), "load, mix and unload take %v on %s; %v is booked.", length, v.ID, d)
	}
	if end := mix.From.Add(span(v.Load + f.MixFirst + f.MixSecond)); !b.MixEnd.Equal(end) {
		says(commissary.BrokenStepTime, "end of mixing", seconds(b.MixEnd.Sub(end)), "its mixing ends %s, not %s.", c.at(end), c.at(b.MixEnd))
	}
	if !b.off.IsZero() && b.off.Before(mix.To) || b.off.IsZero() {
		b.off = mix.To
	}

	var before, after []commissary.Step
	var holding commissary.Step
	for _, s := range f.Steps {
		switch s.Kind {
		case commissary.StepWeigh:
			before = append(before, s)
		case commissary.StepHold:
			holding = s
		default:
			after = append(after, s)
		}
	}
	b.ready = mix.To
	if !sameSteps(before, weighed) || !sameSteps(after, follow) {
		says(commissary.BrokenSteps, "steps", 0, "its steps are %v, but formula %s has %v in this order.", kindsOf(booked), f.ID, stepsOf(before, after))
		for _, s := range follow {
			b.ready = latest(b.ready, s.To)
		}
		return
	}
	for i, s := range before {
		w := weighed[i]
		c.heads(b, &w, s.Heads)
		c.lasts(b, &w, int64(s.Min), int64(max(s.Min, s.Max)))
		switch gap := seconds(mix.From.Sub(w.To)); {
		case gap < 0:
			says(commissary.BrokenSteps, "weigh", -gap, "it is still weighed up when its vessel is loaded.")
		case gap > int64(s.Wait):
			says(commissary.BrokenWait, "weigh", gap-int64(s.Wait), "it is weighed up %v before its vessel is loaded; %v is the most.", quantity.Seconds(gap), s.Wait)
		}
	}

	slack := int64(0) // how much longer the step before may last
	gapBefore := func(kind commissary.StepKind, from time.Time, wait quantity.Seconds) {
		most := int64(wait) + slack
		switch gap := seconds(from.Sub(b.ready)); {
		case gap < 0:
			says(commissary.BrokenSteps, string(kind), -gap, "its %s starts %s, but the step before ends %s.", kind, c.at(from), c.at(b.ready))
		case gap > most:
			says(commissary.BrokenWait, string(kind), gap-most, "its %s starts %v after the step before; it may wait %v.", kind, quantity.Seconds(gap), quantity.Seconds(most))
		}
	}
	var benched, cold time.Time // last piece off a bench; into the cold after that
	for i, s := range after {
		w := follow[i]
		c.heads(b, &w, s.Heads)
		gapBefore(s.Kind, w.From, s.Wait)
		slack = 0
		d, longest := seconds(w.To.Sub(w.From)), int64(max(s.Min, s.Max))
		resource := ""
		switch s.Kind {
		case commissary.StepDivide, commissary.StepPack:
			resource = s.Bench
			c.bench(b, f, s, &w)
			benched, cold = w.To, time.Time{}
		case commissary.StepChill:
			resource = "cold"
			if i+1 < len(after) && after[i+1].Kind == commissary.StepNest {
				longest += int64(after[i+1].Wait)
				if gap := seconds(follow[i+1].From.Sub(w.To)); gap > 0 {
					says(commissary.BrokenLetGo, "cold", gap, "its cross-stacked places are given up %s, but it is nested only %s.", c.at(w.To), c.at(follow[i+1].From))
				}
			}
			c.lasts(b, &w, int64(s.Min), longest)
			c.places(b, &w, true)
			if cold.IsZero() {
				cold = w.From
			}
		default:
			c.lasts(b, &w, int64(s.Min), longest)
			if s.Kind == commissary.StepRest || s.Kind == commissary.StepCool {
				slack = max(longest-d, 0)
			}
		}
		if w.Resource != resource {
			says(commissary.BrokenUnknown, string(s.Kind), 0, "its %s is booked on %q; the formula says %q.", s.Kind, w.Resource, resource)
		}
		b.ready = w.To
	}

	var departs time.Time
	for _, s := range b.Serves {
		departs = latest(departs, c.needs[service{s.Shop, s.Item, s.BakeDate}].Departs)
	}
	switch {
	case hold != nil:
		c.heads(b, hold, holding.Heads)
		gapBefore(hold.Step, hold.From, holding.Wait)
		c.places(b, hold, false)
		if hold.Resource != "cold" {
			says(commissary.BrokenUnknown, "hold", 0, "it is held in %q, not in the cold store.", hold.Resource)
		}
		if over := seconds(departs.Sub(hold.To)); !departs.IsZero() && over > 0 && c.placesOf(b.Makes, false) > 0 {
			says(commissary.BrokenLetGo, "cold", over, "its place in the cold is given up %s, but its last boxes leave %s. Hold it until then.", c.at(hold.To), c.at(departs))
		}
		if cold.IsZero() {
			cold = hold.From
		}
	case !departs.IsZero() && c.placesOf(b.Makes, false) > 0:
		says(commissary.BrokenLetGo, "cold", seconds(departs.Sub(b.ready)), "no place in the cold is held from %s until its boxes leave %s. Hold it.", c.at(b.ready), c.at(departs))
	}

	last := benched
	if !cold.IsZero() {
		last = cold
	}
	if over := seconds(last.Sub(b.MixEnd)) - int64(f.ColdWithin); f.ColdWithin > 0 && !last.IsZero() && over > 0 {
		says(commissary.BrokenColdWithin, "cold", over, "its last piece is in the cold %s, %v after the end of mixing; %v is the most. Make it smaller or free the bench.",
			c.at(last), quantity.Seconds(int64(f.ColdWithin)+over), f.ColdWithin)
	}
}

// heads holds a booking to the people the book says.
func (c *checker) heads(b *judged, s *commissary.Booking, want int) {
	if s.Heads != want {
		c.broken(commissary.Reason{Code: commissary.BrokenCrew, Limit: string(s.Step), Batch: b.ID, Over: int64(want - s.Heads)},
			"Batch %s: %d people are booked for its %s; the book says %d.", b.ID, s.Heads, s.Step, want)
	}
}

// lasts holds a booking to a length of time.
func (c *checker) lasts(b *judged, s *commissary.Booking, least, most int64) {
	d := seconds(s.To.Sub(s.From))
	over := cmp.Or(max(d-most, 0), min(d-least, 0))
	if over != 0 {
		c.broken(commissary.Reason{Code: commissary.BrokenStepTime, Limit: string(s.Step), Batch: b.ID, Over: over},
			"Batch %s: its %s lasts %v; it must last from %v to %v.", b.ID, s.Step, quantity.Seconds(d), quantity.Seconds(least), quantity.Seconds(most))
	}
}

// bench holds a step to the rate of its bench: the time before the first
// piece, then the pieces of one item after the other, each item's time rounded
// up to the second, the step's people sharing the work.
func (c *checker) bench(b *judged, f commissary.Formula, s commissary.Step, w *commissary.Booking) {
	need := int64(s.Min)
	for _, m := range b.Makes {
		mass := c.items[m.Item].Mass
		rows := c.benches[s.Bench].Rates
		at := slices.IndexFunc(rows, func(r commissary.BenchRate) bool {
			return (r.Class == "" || r.Class == f.Class) && (r.UpTo == 0 || mass <= r.UpTo)
		})
		if at < 0 || rows[at].PerHour <= 0 {
			c.broken(commissary.Reason{Code: commissary.BrokenUnknown, Limit: s.Bench, Batch: b.ID, Item: m.Item},
				"Batch %s: bench %q has no rate for %s of %v. Add one to the book, or use another bench.", b.ID, s.Bench, m.Item, mass)
			continue
		}
		t, err := quantity.MulDiv(int64(m.Pieces), 3600, int64(rows[at].PerHour)*int64(max(s.Heads, 1)), quantity.Up)
		if err != nil || t > int64(quantity.MaxSeconds) {
			t = int64(quantity.MaxSeconds)
		}
		need += t
	}
	if d := seconds(w.To.Sub(w.From)); d < need {
		c.broken(commissary.Reason{Code: commissary.BrokenStepTime, Limit: s.Bench, Batch: b.ID, Over: d - need},
			"Batch %s: %v is booked on %s for its %s; its pieces take %v. Give it the time or fewer pieces.", b.ID, quantity.Seconds(d), s.Bench, s.Kind, quantity.Seconds(need))
	}
}

// placesOf is how many places in the cold store the pieces of a batch take, one
// item to a container.
func (c *checker) placesOf(makes []commissary.Making, crossed bool) int64 {
	var n int64
	for _, m := range makes {
		it := c.items[m.Item]
		box := c.boxes[it.Container]
		per := int64(box.Slots)
		if crossed && box.Crossed > 0 {
			per = int64(box.Crossed)
		}
		n += per * boxesFor(m.Pieces, it.PerBox)
	}
	return n
}

func boxesFor(pieces, perBox quantity.Pieces) int64 {
	per := max(perBox, 1)
	return int64((pieces + per - 1) / per)
}

// places holds a booking in the cold store to the places its boxes take.
func (c *checker) places(b *judged, s *commissary.Booking, crossed bool) {
	if need := c.placesOf(b.Makes, crossed); int64(s.Slots) < need {
		c.broken(commissary.Reason{Code: commissary.BrokenCold, Limit: string(s.Step), Batch: b.ID, Over: need - int64(s.Slots)},
			"Batch %s: %d places in the cold are booked for its %s; its boxes take %d.", b.ID, s.Slots, s.Step, need)
	}
}

func sameSteps(want []commissary.Step, got []commissary.Booking) bool {
	return slices.EqualFunc(want, got, func(s commissary.Step, b commissary.Booking) bool { return s.Kind == b.Step })
}

func kindsOf(booked []commissary.Booking) []commissary.StepKind {
	var kinds []commissary.StepKind
	for _, b := range booked {
		if b.Step != commissary.StepWash {
			kinds = append(kinds, b.Step)
		}
	}
	return kinds
}

func stepsOf(before, after []commissary.Step) []commissary.StepKind {
	var kinds []commissary.StepKind
	for _, s := range before {
		kinds = append(kinds, s.Kind)
	}
	kinds = append(kinds, commissary.StepMix)
	for _, s := range after {
		kinds = append(kinds, s.Kind)
	}
	return kinds
}
