package plan

import (
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/plan/internal/sched"
)

// book takes what a placed batch needs off the floor.
func (fl *floor) book(p *placed) {
	fl.stand(p)
	fl.journal = append(fl.journal, func() { fl.clear(p) })
	if p.raise > 0 {
		fl.clean(fl.loadedAt(fl.vesselOf(p), p.unit, p.behind), p.raise)
	}
}

// clean gives a batch that stands a longer cleaning before it.
func (fl *floor) clean(q *placed, setup int64) {
	before, steps := q.setup, q.steps
	fl.clear(q)
	q.setup, q.steps = setup, cleaned(q, setup, fl.k.recipes[q.recipe].modes[q.mode].heads)
	fl.stand(q)
	fl.journal = append(fl.journal, func() {
		fl.clear(q)
		q.setup, q.steps = before, steps
		fl.stand(q)
	})
}

// unclean finds a batch that lost what stood before it and is cleaned for too
// little now, and tells the cleaning it needs; ok says that there is time and
// hands for that. A batch that lost what stood between it and one that is fixed, which is
// not cleaned for it, has neither. It returns nil when there is none.
func (fl *floor) unclean() (q *placed, setup int64, ok bool) {
	for v := range fl.vessels {
		for i, u := range fl.vessels[v].units {
			if !fl.vessels[v].moved[i] {
				continue
			}
			before, ready := sched.Entry{Family: -1, Fixed: true}, fl.start
			for _, e := range u.Entries() {
				if e.Idle {
					ready = max(ready, e.To)
					continue
				}
				need := fl.vessels[v].setup(before.Family, e.Family)
				if need > e.Setup && !e.Fixed {
					q = fl.loadedAt(v, i, e.From)
					heads := fl.k.recipes[q.recipe].modes[q.mode].heads
					return q, need, e.From-need >= ready && fl.crew.Has(e.From-need, e.From-e.Setup, heads)
				}
				if need > e.Setup && !before.Fixed {
					return fl.loadedAt(v, i, before.From), before.Setup, false
				}
				before, ready = e, max(ready, e.To)
			}
			fl.vessels[v].moved[i] = false
		}
	}
	return nil, 0, true
}

// cleaned is a batch's steps with a cleaning of the given length before it.
func cleaned(q *placed, setup, heads int64) []hold {
	steps := []hold{{kind: commissary.StepWash, from: q.load - setup, to: q.load, heads: heads}}
	for _, s := range q.steps {
		if s.kind != commissary.StepWash {
			steps = append(steps, s)
		}
	}
	return steps
}

// loadedAt is the batch that is loaded into a unit at a time, nil where none of ours is.
func (fl *floor) loadedAt(vessel, unit int, load int64) *placed {
	for _, q := range fl.batches {
		if q.load == load && q.unit == unit && fl.vesselOf(q) == vessel {
			return q
		}
	}
	return nil
}

// handsFor is how many hands the batch loaded into a unit at a time takes.
func (fl *floor) handsFor(vessel, unit int, load int64) int64 {
	if q := fl.loadedAt(vessel, unit, load); q != nil {
		return fl.k.recipes[q.recipe].modes[q.mode].heads
	}
	return 0
}

func (fl *floor) vesselOf(p *placed) int { return fl.k.recipes[p.recipe].modes[p.mode].vessel }

// lift takes a batch off the floor, and with it the preferments that only it drew from.
func (fl *floor) lift(p *placed) {
	fl.clear(p)
	draws := p.draws
	p.draws = nil
	if p.kept {
		fl.setTubs(slices.DeleteFunc(slices.Clone(fl.tubs), func(t *tub) bool { return t.batch == p }))
	}
	fl.journal = append(fl.journal, func() { fl.stand(p); p.draws = draws })
	for _, d := range draws {
		fl.leave(d.tub, d.tub.left+d.mass)
		c := d.tub.batch
		if c == nil {
			continue
		}
		c.feeds--
		fl.journal = append(fl.journal, func() { c.feeds++ })
		if c.feeds == 0 && !c.kept {
			fl.setTubs(slices.DeleteFunc(slices.Clone(fl.tubs), func(t *tub) bool { return t == d.tub }))
			fl.lift(c)
		}
	}
}

func (fl *floor) stand(p *placed) {
	fl.batches = append(fl.batches, p)
	fl.of[p.recipe] = append(fl.of[p.recipe], p)
	fl.vessels[fl.vesselOf(p)].moved[p.unit] = true
	fl.row(p).Insert(sched.Entry{From: p.load, To: fl.heldUntil(p), Setup: p.setup, Family: p.recipe})
	fl.charge(p, -1)
}

func (fl *floor) clear(p *placed) {
	fl.batches = lessOne(fl.batches, p)
	fl.of[p.recipe] = lessOne(fl.of[p.recipe], p)
	fl.vessels[fl.vesselOf(p)].moved[p.unit] = true
	fl.row(p).Remove(p.load)
	fl.charge(p, 1)
}

// lessOne is some batches but for one of them, mostly one that came last.
func lessOne(batches []*placed, p *placed) []*placed {
	for i := len(batches) - 1; ; i-- {
		if batches[i] == p {
			return slices.Delete(batches, i, i+1)
		}
	}
}

// mark forgets how to take back what was done so far.
func (fl *floor) mark() { fl.journal = fl.journal[:0] }

// back takes back everything done since the journal had the given length.
func (fl *floor) back(to int) {
	for i := len(fl.journal) - 1; i >= to; i-- {
		fl.journal[i]()
	}
	fl.journal = fl.journal[:to]
}

func (fl *floor) row(p *placed) *sched.Row { return fl.vessels[fl.vesselOf(p)].units[p.unit] }

func (fl *floor) heldUntil(p *placed) int64 {
	m := &fl.k.recipes[p.recipe].modes[p.mode]
	return max(p.load+m.load+m.mix+m.unload, p.until)
}

func (fl *floor) charge(p *placed, sign int64) {
	for _, f := range p.boxes {
		f.book(sign)
	}
	for _, s := range p.steps {
		fl.crew.Add(s.from, s.to, sign*s.heads)
		fl.cold.Add(s.from, s.to, sign*s.slots)
		switch s.kind {
		case commissary.StepDivide, commissary.StepPack:
			fl.benches[s.bench].Add(s.from, s.to, sign)
		case commissary.StepChill:
			fl.pullDown.Add(s.from, s.from+3600, sign*int64(fl.k.recipes[p.recipe].netOf(p.mass)))
		}
	}
}

// bookings turns a placed batch's steps into the plan's.
func (fl *floor) bookings(p *placed) []commissary.Booking {
	vessel := fl.k.book.Vessels[fl.k.recipes[p.recipe].modes[p.mode].vessel].ID
	steps := make([]commissary.Booking, 0, len(p.steps))
	for _, s := range p.steps {
		b := commissary.Booking{Step: s.kind, From: instant(s.from), To: instant(s.to), Heads: int(s.heads), Slots: int(s.slots)}
		switch s.kind {
		case commissary.StepWash, commissary.StepMix:
			b.Resource = vessel
		case commissary.StepDivide, commissary.StepPack:
			b.Resource = s.bench
		case commissary.StepChill, commissary.StepHold:
			b.Resource = "cold"
		case commissary.StepRest:
			if p.until > 0 && s.to == p.until {
				b.Resource = vessel
			}
		}
		steps = append(steps, b)
	}
	slices.SortStableFunc(steps, func(a, b commissary.Booking) int { return a.From.Compare(b.From) })
	return steps
}

func instant(unix int64) time.Time { return time.Unix(unix, 0).UTC() }
