package plan

import (
	"math"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// floor is the kitchen over time: what is free of every vessel, bench, pair
// of hands and cold place. Batches are placed on it one by one.
type floor struct {
	k        *kitchen
	start    int64
	units    map[string][]*unit // per vessel, its alike ones
	benches  map[string]*profile
	crew     *profile
	cold     *profile
	pullDown *profile
	tubs     []tub // preferments and made inputs, on hand or planned
	batches  []*placed
	steps    int64 // amount of search done
}

// tub is an amount of a preferment or made prep that batches may draw from.
type tub struct {
	formula string
	use     commissary.Use // Lot or Batch filled in
	batch   int            // index of the planned batch, -1 for a lot
	made    int64
	left    quantity.Mass
}

// placed is a batch on the floor.
type placed struct {
	recipe int
	mode   mode
	unit   int // from 0
	mass   quantity.Mass
	makes  []commissary.Making
	load   int64
	setup  int64
	mixEnd int64
	ready  int64 // end of the last step before the hold
	steps  []commissary.Booking
	uses   []commissary.Use
	from   []int // beside uses: the index of the planned batch it comes from, -1 for a lot
	index  int
	serves []commissary.Serve
	group  string // what the batch was sized for: formula, vessel and day
}

// want is one batch to be placed: its recipe, size, and when its mixing must
// end and everything be ready.
type want struct {
	recipe   int
	mode     mode
	mass     quantity.Mass
	makes    []commissary.Making
	from, to int64 // end of mixing
	ready    int64 // all steps done, and places in the cold held, until then
	until    int64 // the vessel itself is held until then, for tubs
}

const never = math.MaxInt64 / 4

func openFloor(k *kitchen) *floor {
	in := k.in
	fl := &floor{k: k, start: in.At.Unix(), units: map[string][]*unit{}, benches: map[string]*profile{}}
	fl.crew = k.shiftHeads(in.At, k.planDays()+3)
	fl.cold, fl.pullDown = newProfile(0, never), newProfile(0, never)
	if s := k.book.ColdStore.Slots; s > 0 {
		fl.cold = newProfile(0, int64(s))
	}
	if m := k.book.ColdStore.PullDown; m > 0 {
		fl.pullDown = newProfile(0, int64(m))
	}
	for _, v := range k.book.Vessels {
		for range max(v.Count, 1) {
			fl.units[v.ID] = append(fl.units[v.ID], &unit{})
		}
	}
	for _, b := range k.book.Benches {
		fl.benches[b.ID] = newProfile(0, 1)
	}
	for _, b := range in.Posted {
		fl.hold(b)
	}
	return fl
}

// hold books a batch that already stands: a posted or started one.
func (fl *floor) hold(b commissary.Batch) {
	f := filling{recipe: -1}
	if r, ok := fl.k.byID[b.Formula]; ok {
		f.recipe = r
	}
	for _, s := range b.Steps {
		from, to := s.From.Unix(), s.To.Unix()
		fl.crew.add(from, to, -int64(s.Heads))
		if p, ok := fl.benches[s.Resource]; ok {
			p.add(from, to, -1)
		}
		fl.cold.add(from, to, -int64(s.Slots))
		switch {
		case s.Step == commissary.StepChill:
			fl.pullDown.add(from, from+3600, -int64(b.Mass))
		case s.Resource != b.Vessel:
		case s.Step == commissary.StepWash:
			f.setup = to - from
		case s.Step == commissary.StepMix:
			f.from, f.to = from, max(f.to, to)
		default:
			f.to = max(f.to, to)
		}
	}
	if units := fl.units[b.Vessel]; b.Unit >= 1 && b.Unit <= len(units) {
		units[b.Unit-1].insert(f)
	}
}

// put finds the earliest time at which a batch can be made within its window
// with the preferments and preps it takes in, and books it all. When it
// cannot, it says what bound and leaves the floor as it was.
func (fl *floor) put(w want) (*placed, string) {
	r := &fl.k.recipes[w.recipe]
	load := max(fl.start, w.from-w.mode.mix-w.mode.load)
	limit := "window"
	for {
		fl.steps++
		p, next, bound := fl.try(r, w, load)
		if p != nil {
			depth, tubs := len(fl.batches), slices.Clone(fl.tubs)
			fl.book(p)
			if bound = fl.draw(r, p); bound == "" {
				return p, ""
			}
			for len(fl.batches) > depth {
				fl.unbook()
			}
			fl.tubs = tubs
			next = p.load + 900
		}
		if bound != "" {
			limit = bound
		}
		if next <= load || next+w.mode.load+w.mode.mix > w.to {
			return nil, limit
		}
		load = next
	}
}

// draw takes the preferments and preps of a batch from what is in the tubs,
// oldest first, and plans new ones for the rest. It returns what was missing.
func (fl *floor) draw(r *recipe, p *placed) (missing string) {
	sheet, err := fl.k.sheet(*r, p.mass)
	if err != nil {
		return "scales"
	}
	for _, in := range r.inputs {
		var need quantity.Mass
		for _, l := range sheet.Lines {
			if l.Preferment == in.formula || l.Prep == in.formula {
				need += l.Mass
			}
		}
		for i := range fl.tubs {
			t := &fl.tubs[i]
			age := quantity.Seconds(p.load - t.made)
			if need == 0 || t.formula != in.formula || t.left == 0 || age < in.ripe.Min || age > in.ripe.Max {
				continue
			}
			amount := min(need, t.left)
			t.left -= amount
			need -= amount
			use := t.use
			use.Mass = amount
			p.uses = append(p.uses, use)
			p.from = append(p.from, t.batch)
		}
		for need > 0 {
			source := &fl.k.recipes[fl.k.byID[in.formula]]
			gross, err := formula.ToMix(source.Formula, need)
			if err != nil {
				return "scales"
			}
			if gross, err = fl.k.weighable(*source, gross); err != nil {
				return "scales"
			}
			amount, limit := need, "preferment "+source.ID
			var child *placed
			for _, m := range source.modes {
				mass := max(min(gross, m.max), m.min)
				w := want{recipe: fl.k.byID[in.formula], mode: m, mass: mass, ready: never, until: p.load,
					from: p.load - int64(in.ripe.Best+in.ripe.Band), to: p.load - int64(in.ripe.Best-in.ripe.Band)}
				if child, _ = fl.put(w); child == nil {
					w.from, w.to = p.load-int64(in.ripe.Max), p.load-int64(in.ripe.Min)
					child, _ = fl.put(w)
				}
				if child != nil {
					out := source.netOf(mass)
					amount = min(need, out)
					if out-amount < out/20 {
						out = amount // a scraping is not kept for another batch
					}
					fl.tubs = append(fl.tubs, tub{formula: in.formula, batch: child.index, made: child.mixEnd, left: out - amount})
					break
				}
			}
			if child == nil {
				return limit
			}
			p.uses = append(p.uses, commissary.Use{Mass: amount})
			p.from = append(p.from, child.index)
			need -= amount
		}
	}
	return ""
}

// try places a batch that starts loading at or after load. It returns the
// batch, or the next start worth trying and what was in the way.
func (fl *floor) try(r *recipe, w want, load int64) (p *placed, next int64, bound string) {
	m := w.mode
	hands := m.load + m.mix + m.unload
	held := max(hands, w.until-load)
	last := w.to - m.load - m.mix

	best, bestSetup, bestUnit := int64(never), int64(0), -1
	setup := fl.k.setup(fl.k.vessels[m.vessel])
	for i, u := range fl.units[m.vessel] {
		if t, s := u.fit(load, fl.start, held, w.recipe, setup); t < best {
			best, bestSetup, bestUnit = t, s, i
		}
	}
	if bestUnit < 0 || best > last {
		return nil, never, m.vessel
	}
	load = best
	t, ok := fl.crew.fit(load-bestSetup, bestSetup+hands, m.heads, last)
	if !ok {
		return nil, never, "crew"
	}
	if t > load-bestSetup {
		return nil, t + bestSetup, "crew"
	}
	p = &placed{recipe: w.recipe, mode: m, unit: bestUnit, mass: w.mass, makes: w.makes, load: load, setup: bestSetup, mixEnd: load + m.load + m.mix}
	add := func(step commissary.StepKind, resource string, from, to, heads, slots int64) {
		p.steps = append(p.steps, commissary.Booking{Step: step, Resource: resource, From: instant(from), To: instant(to), Heads: int(heads), Slots: int(slots)})
	}
	if bestSetup > 0 {
		add(commissary.StepWash, m.vessel, load-bestSetup, load, m.heads, 0)
	}
	add(commissary.StepMix, m.vessel, load, load+hands, m.heads, 0)
	if w.until > load+hands {
		add(commissary.StepRest, m.vessel, load+hands, w.until, 0, 0)
	}

	// later is what to try when a step comes late by so much.
	later := func(by int64, what string) (*placed, int64, string) { return nil, load + max(by, 60), what }
	now, slack := load+hands, int64(0) // slack: how much longer the step before may last
	for _, s := range r.Steps {
		heads := int64(s.Heads)
		switch s.Kind {
		case commissary.StepWeigh:
			// Weighed up before loading, as late as hands allow, at most Wait before.
			d := int64(s.Min)
			t, ok := fl.latestHands(load-d-int64(s.Wait), load-d, d, heads)
			if !ok {
				return later(300, "crew")
			}
			add(s.Kind, "", t, t+d, heads, 0)
		case commissary.StepRest, commissary.StepCool:
			add(s.Kind, "", now, now+int64(s.Min), heads, 0)
			now, slack = now+int64(s.Min), max(int64(s.Max-s.Min), 0)
		case commissary.StepDivide, commissary.StepPack:
			d := fl.k.benchTime(*r, s, w.makes)
			limit := now + int64(s.Wait) + slack
			if r.ColdWithin > 0 {
				limit = min(limit, p.mixEnd+int64(r.ColdWithin)-d)
			}
			if limit < now {
				return nil, never, s.Bench
			}
			t := fl.handsAndBench(now, d, heads, fl.benches[s.Bench])
			if t > limit {
				if t >= never {
					return nil, never, "crew"
				}
				return later(t-limit, s.Bench)
			}
			add(s.Kind, s.Bench, t, t+d, heads, 0)
			now, slack = t+d, 0
		case commissary.StepChill:
			slots := fl.k.slots(w.makes, true)
			d := int64(s.Min)
			limit := now + int64(s.Wait)
			t, ok := fl.cold.fit(now, d, slots, limit)
			if !ok {
				return later(900, "cold")
			}
			t2, ok := fl.pullDown.fit(t, 3600, int64(w.mass), limit)
			if !ok {
				return later(900, "cold pull-down")
			}
			if t2 > t && !fl.cold.has(t2, t2+d, slots) {
				return later(900, "cold")
			}
			add(s.Kind, "cold", t2, t2+d, 0, slots)
			now, slack = t2+d, max(int64(s.Max-s.Min), 0)
		case commissary.StepNest:
			d := int64(s.Min)
			limit := now + slack + int64(s.Wait)
			t, ok := fl.crew.fit(now, d, heads, limit)
			if !ok {
				return later(300, "crew")
			}
			add(s.Kind, "", t, t+d, heads, 0)
			// Cross-stacked until somebody comes.
			if i := len(p.steps) - 2; i >= 0 && p.steps[i].Step == commissary.StepChill {
				p.steps[i].To = instant(t)
				if !fl.cold.has(p.steps[i].From.Unix(), t, int64(p.steps[i].Slots)) {
					return later(900, "cold")
				}
			}
			now, slack = t+d, 0
		}
	}
	p.ready = now
	if now > w.ready {
		return nil, never, "departure"
	}
	if slots := fl.k.slots(w.makes, false); slots > 0 {
		if !fl.cold.has(now, w.ready, slots) {
			return later(900, "cold")
		}
		add(commissary.StepHold, "cold", now, w.ready, 0, slots)
	}
	return p, 0, ""
}

// handsAndBench returns the earliest start at or after from with both free.
func (fl *floor) handsAndBench(from, d, heads int64, bench *profile) int64 {
	t := from
	for range 1000 {
		a, ok := fl.crew.fit(t, d, heads, never)
		if !ok {
			return never
		}
		b, ok := bench.fit(a, d, 1, never)
		if !ok {
			return never
		}
		if b == a {
			return a
		}
		t = b
	}
	return never
}

// latestHands returns the latest start in [from, to] with hands free, on a
// grid of five minutes counted back from to.
func (fl *floor) latestHands(from, to, d, heads int64) (int64, bool) {
	for t := to; t >= max(from, fl.start); t -= 300 {
		if fl.crew.has(t, t+d, heads) {
			return t, true
		}
	}
	return 0, false
}

// book takes what a placed batch needs off the floor.
func (fl *floor) book(p *placed) {
	p.index = len(fl.batches)
	fl.batches = append(fl.batches, p)
	until := p.load
	for _, s := range p.steps {
		if s.Resource == p.mode.vessel {
			until = s.To.Unix()
		}
	}
	fl.units[p.mode.vessel][p.unit].insert(filling{p.load, until, p.setup, p.recipe})
	fl.charge(p, -1)
}

// unbook gives back what the batch booked last holds.
func (fl *floor) unbook() {
	p := fl.batches[len(fl.batches)-1]
	fl.batches = fl.batches[:len(fl.batches)-1]
	fl.units[p.mode.vessel][p.unit].remove(p.load)
	fl.charge(p, 1)
}

func (fl *floor) charge(p *placed, sign int64) {
	for _, s := range p.steps {
		from, to := s.From.Unix(), s.To.Unix()
		fl.crew.add(from, to, sign*int64(s.Heads))
		fl.cold.add(from, to, sign*int64(s.Slots))
		switch s.Step {
		case commissary.StepDivide, commissary.StepPack:
			fl.benches[s.Resource].add(from, to, sign)
		case commissary.StepChill:
			fl.pullDown.add(from, from+3600, sign*int64(p.mass))
		}
	}
}

func instant(unix int64) time.Time { return time.Unix(unix, 0).UTC() }
