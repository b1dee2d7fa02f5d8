package plan

import (
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// floor is the kitchen over time: what is free of every vessel, bench, pair
// of hands and cold place. Batches are placed on it one by one and can be
// taken off again. Inside the planner an instant is Unix seconds.
type floor struct {
	k        *kitchen
	start    int64
	vessels  []row
	benches  map[string]*sched.Free
	crew     *sched.Free
	cold     *sched.Free // nil: no limit, as with the next
	pullDown *sched.Free
	crates   map[string]*crate // the containers that are counted, by id
	tubs     []*tub            // preferments and made inputs, on hand or planned, oldest first
	batches  []*placed
	of       [][]*placed // the batches of each recipe
	journal  []func()    // how to take back what was done since the last mark
	steps    int64       // amount of search done
}

// row is one vessel of the book, with its alike units.
type row struct {
	units []*sched.Row
	moved []bool // by unit: changed since all that stands in it was seen to be cleaned for
	setup func(before, after int) int64
}

// placed is a batch on the floor.
type placed struct {
	want
	unit   int // from 0
	load   int64
	setup  int64
	raise  int64 // the cleaning that the batch behind it needs from now on, if longer than it had
	behind int64 // when that one is loaded
	mixEnd int64
	done   int64 // end of the last step before the hold
	steps  []hold
	boxes  []filling
	draws  []draw
	feeds  int // batches that draw from it
	fills  []fill
	odd    bool
}

// hold is one step of a placed batch.
type hold struct {
	kind         commissary.StepKind
	bench        string
	from, to     int64
	heads, slots int64
}

// fill is what a batch gives to a class of needs.
type fill struct {
	class  int
	pieces quantity.Pieces
}

// want is one batch to be placed: its recipe, size, and when its mixing must
// end and everything be ready.
type want struct {
	recipe   int
	mode     int
	mass     quantity.Mass
	pieces   []quantity.Pieces // by the recipe's items
	from, to int64             // end of mixing
	ready    int64             // all steps done by then
	leaves   int64             // places in the cold held until then
	kept     bool              // it keeps a starter alive: nothing else draws from it, and nothing takes it away
	goes     []going           // what leaves when, by time; the rest is nobody's
	until    int64             // the vessel itself is held until then, for tubs
	idle     idle
}

// idle says how long the hands let a batch wait although they could go on, in
// halves of the time that it may: they may be wanted more by the next batch.
type idle struct{ bench, nest int64 }

// going is pieces of a batch that leave at a time.
type going struct {
	item  int             // place among the recipe's items
	loose quantity.Pieces // of these, perhaps not ordered yet
	leaving
}

// bound names what kept a batch from being placed.
type bound struct {
	kind  limit
	id    string // of the vessel, bench, container or preferment
	sized bool   // at some time something stood in the way that a smaller batch may pass
}

// limit is a kind of thing that there is not enough of.
type limit string

const (
	limitVessel     limit = "vessel"
	limitCrew       limit = "crew"
	limitBench      limit = "bench"
	limitCold       limit = "cold slots"
	limitPullDown   limit = "cold pull-down"
	limitBoxes      limit = "boxes"
	limitDollies    limit = "dollies"
	limitPreferment limit = "preferment"
	limitWindow     limit = "window"
	limitDeparture  limit = "departure"
	limitScale      limit = "scale"
	limitClass      limit = "no vessel"
)

// met lists the limits in the order in which a batch comes to them.
var met = []limit{limitWindow, limitClass, limitScale, limitVessel, limitCrew, limitBench, limitPullDown, limitCold, limitDeparture, limitBoxes, limitDollies, limitPreferment}

// nearer reports whether a batch that met a bound was as near to being made as
// one that met another, or nearer.
func (b bound) nearer(than bound) bool {
	return slices.Index(met, b.kind) >= slices.Index(met, than.kind)
}

// sized reports whether a smaller batch may get past the limit.
func (l limit) sized() bool {
	switch l {
	case limitCold, limitPullDown, limitBoxes, limitDollies, limitBench, limitPreferment, limitDeparture, limitCrew:
		return true
	}
	return false
}

func openFloor(k *kitchen) *floor {
	in := k.in
	fl := &floor{k: k, start: in.At.Unix(), benches: map[string]*sched.Free{}, of: make([][]*placed, len(k.recipes))}
	fl.crew, fl.crates = k.crew(), k.crates()
	if s := k.book.ColdStore.Slots; s > 0 {
		fl.cold = sched.NewFree(int64(s))
	}
	if m := k.book.ColdStore.PullDown; m > 0 {
		fl.pullDown = sched.NewFree(int64(m))
	}
	for _, v := range k.book.Vessels {
		r := row{setup: k.setup(v)}
		for range max(v.Count, 1) {
			r.units, r.moved = append(r.units, &sched.Row{}), append(r.moved, false)
		}
		fl.vessels = append(fl.vessels, r)
	}
	for _, b := range k.book.Benches {
		fl.benches[b.ID] = sched.NewFree(1)
	}
	for _, b := range in.Posted {
		fl.keep(b)
	}
	for _, o := range in.Outages {
		fl.close(o)
	}
	for v := range fl.vessels {
		for _, u := range fl.vessels[v].units {
			before := -1
			for _, e := range slices.Clone(u.Entries()) {
				if e.Idle {
					continue
				}
				if e.Setup < fl.vessels[v].setup(before, e.Family) {
					// It stands there uncleaned: whatever was left is in it too.
					u.Remove(e.From)
					e.Family = dirty
					u.Insert(e)
				}
				before = e.Family
			}
		}
	}
	return fl
}

// close takes what is out of order off the floor.
func (fl *floor) close(o commissary.Outage) {
	from, to := o.From.Unix(), sched.Never
	if !o.To.IsZero() {
		to = o.To.Unix()
	}
	if v, ok := fl.k.vessel[o.Resource]; ok {
		for _, u := range fl.vessels[v].units {
			u.Insert(sched.Entry{From: from, To: to, Family: -1, Fixed: true, Idle: true})
		}
	}
	if b, ok := fl.benches[o.Resource]; ok {
		b.Add(from, to, -1)
	}
	if o.Resource == "cold" {
		if fl.cold == nil {
			fl.cold = sched.NewFree(sched.Never)
		}
		fl.cold.Add(from, to, -sched.Never)
	}
}

// dirty is the family of a standing batch that nobody cleaned for: only a full
// wash follows it.
const dirty = -2

// keep books a batch that already stands: a posted or started one.
func (fl *floor) keep(b commissary.Batch) {
	e := sched.Entry{Family: -1, Fixed: true}
	if r, ok := fl.k.byID[b.Formula]; ok {
		e.Family = r
	}
	for _, s := range b.Steps {
		from, to := s.From.Unix(), s.To.Unix()
		fl.crew.Add(from, to, -int64(s.Heads))
		if p, ok := fl.benches[s.Resource]; ok {
			p.Add(from, to, -1)
		}
		if s.Step != commissary.StepHold || b.State != commissary.BatchOut { // what is out is a lot
			fl.cold.Add(from, to, -int64(s.Slots))
		}
		switch {
		case s.Step == commissary.StepChill && e.Family >= 0:
			fl.pullDown.Add(from, from+3600, -int64(fl.k.recipes[e.Family].netOf(b.Mass)))
		case s.Resource != b.Vessel:
		case s.Step == commissary.StepWash:
			e.Setup = to - from
		case s.Step == commissary.StepMix:
			e.From, e.To = from, max(e.To, to)
		default:
			e.To = max(e.To, to)
		}
	}
	if v, ok := fl.k.vessel[b.Vessel]; ok && b.Unit >= 1 && b.Unit <= len(fl.vessels[v].units) {
		fl.vessels[v].units[b.Unit-1].Insert(e)
	}
}

// put finds the earliest time at which a batch can be made within its window
// with the preferments and preps it takes in, and books it all. When it
// cannot, it says what bound and leaves the floor as it was.
func (fl *floor) put(w want) (*placed, bound) {
	r := &fl.k.recipes[w.recipe]
	m := &r.modes[w.mode]
	load := max(fl.start, w.from-m.mix-m.load)
	what := bound{kind: limitWindow}
	for load+m.load+m.mix <= w.to {
		fl.steps++
		p, next, b := fl.try(r, m, &w, load)
		if p != nil {
			at := len(fl.journal)
			fl.book(p)
			if b = fl.feed(r, p); b.kind == "" && p.raise > 0 && !fl.handsLast(p.behind-p.raise, p.behind) {
				b = bound{kind: limitCrew}
			}
			if b.kind == "" {
				return p, bound{}
			}
			fl.back(at)
			next = p.load + 900
		}
		if b.kind != "" {
			sized := what.sized || b.kind.sized()
			if b.nearer(what) {
				what = b
			}
			what.sized = sized
		}
		if next <= load {
			break
		}
		load = next
	}
	return nil, what
}

// try places a batch that starts loading at or after load. It returns the
// batch, or the next start worth trying and what was in the way.
func (fl *floor) try(r *recipe, m *mode, w *want, load int64) (*placed, int64, bound) {
	hands := m.load + m.mix + m.unload
	last := w.to - m.load - m.mix

	row := &fl.vessels[m.vessel]
	setup, unit := int64(0), -1
	var raise int64
	var behind sched.Entry
	for {
		best, held := sched.Never, max(hands, w.until-load)
		for i, u := range row.units {
			if t, s, r, next := u.Fit(load, fl.start, held, w.recipe, row.setup); t < best {
				best, setup, unit, raise, behind = t, s, i, r, next
			}
		}
		if best > last {
			return nil, 0, bound{kind: limitVessel, id: fl.k.book.Vessels[m.vessel].ID}
		}
		t, ok := fl.crew.Fit(best-setup, setup+hands, m.heads, last-setup)
		if !ok {
			return nil, 0, bound{kind: limitCrew}
		}
		if load = t + setup; t == best-setup {
			break
		}
	}
	if raise > 0 && !fl.crew.Has(behind.From-raise, behind.From-behind.Setup, fl.handsFor(m.vessel, unit, behind.From)) {
		return nil, behind.To, bound{kind: limitCrew}
	}
	p := &placed{want: *w, unit: unit, raise: raise, behind: behind.From, load: load, setup: setup, mixEnd: load + m.load + m.mix}
	p.steps = make([]hold, 0, len(r.Steps)+2)
	add := func(kind commissary.StepKind, bench string, from, to, heads, slots int64) {
		p.steps = append(p.steps, hold{kind, bench, from, to, heads, slots})
	}
	if setup > 0 {
		add(commissary.StepWash, "", load-setup, load, m.heads, 0)
	}
	add(commissary.StepMix, "", load, load+hands, m.heads, 0)
	if w.until > load+hands {
		add(commissary.StepRest, "", load+hands, w.until, 0, 0)
	}

	// later is what to try when a step comes late by so much.
	later := func(by int64, kind limit, id string) (*placed, int64, bound) {
		return nil, load + max(by, 60), bound{kind: kind, id: id}
	}
	now, slack := load+hands, int64(0) // slack: how much longer the step before may last
	for _, s := range r.Steps {
		heads, d := int64(s.Heads), int64(s.Min)
		switch s.Kind {
		case commissary.StepWeigh:
			// Weighed up before the vessel is cleaned and loaded, as late as hands allow, at most Wait before.
			t, ok := fl.handsBefore(load-setup-d, int64(s.Wait)-setup, d, heads)
			if !ok {
				return later(300, limitCrew, "")
			}
			add(s.Kind, "", t, t+d, heads, 0)
		case commissary.StepRest, commissary.StepCool:
			if heads > 0 {
				t, _ := fl.crew.Fit(now, d, heads, sched.Never)
				if by := now + int64(s.Wait) + slack; t > by {
					return later(t-by, limitCrew, "")
				}
				now = t
			}
			add(s.Kind, "", now, now+d, heads, 0)
			now, slack = now+d, max(int64(s.Max)-d, 0)
		case commissary.StepDivide, commissary.StepPack:
			d = fl.k.benchTime(r, s, w.pieces)
			by := now + int64(s.Wait) + slack
			if r.ColdWithin > 0 {
				by = min(by, p.mixEnd+int64(r.ColdWithin)-d)
			}
			if by < now {
				return nil, 0, bound{kind: limitBench, id: s.Bench}
			}
			t, kind := fl.handsAndBench(now+(by-now)*w.idle.bench/2, d, heads, fl.benches[s.Bench])
			if t >= sched.Never {
				return nil, 0, bound{kind: limitCrew}
			}
			if t > by {
				return later(t-by, kind, s.Bench)
			}
			add(s.Kind, s.Bench, t, t+d, heads, 0)
			now, slack = t+d, 0
		case commissary.StepChill:
			slots := fl.k.slots(r, w.pieces, true)
			t, _ := fl.pullDown.Fit(now, 3600, int64(r.netOf(w.mass)), sched.Never)
			if by := now + int64(s.Wait); t > by {
				return later(t-by, limitPullDown, "")
			}
			if free, _ := fl.cold.Fit(t, d, slots, sched.Never); free > t {
				return later(free-t, limitCold, "")
			}
			add(s.Kind, "", t, t+d, 0, slots)
			now, slack = t+d, max(int64(s.Max)-d, 0)
		case commissary.StepNest:
			by := now + slack + int64(s.Wait)
			t, _ := fl.crew.Fit(now+(by-now)*w.idle.nest/2, d, heads, sched.Never)
			if t > by {
				return later(t-by, limitCrew, "")
			}
			// Cross-stacked until somebody comes.
			if c := &p.steps[len(p.steps)-1]; c.kind == commissary.StepChill && t > c.to {
				if free := fl.cold.Since(c.to, t, c.slots); free > c.to {
					return later(free-c.to, limitCold, "")
				}
				c.to = t
			}
			add(s.Kind, "", t, t+d, heads, 0)
			now, slack = t+d, 0
		}
	}
	p.done = now
	if now > w.ready {
		return nil, 0, bound{kind: limitDeparture}
	}
	if slots := fl.k.slots(r, w.pieces, false); slots > 0 {
		if t := fl.cold.Since(now, w.leaves, slots); t > now {
			return later(t-now, limitCold, "")
		}
		add(commissary.StepHold, "", now, w.leaves, 0, slots)
	}
	p.boxes = fl.boxed(r, p)
	if kind, by := lacking(p.boxes); kind != "" {
		return later(by, kind, "")
	}
	return p, 0, bound{}
}

// handsAndBench returns the earliest start at or after from with both free,
// and which of the two came last.
func (fl *floor) handsAndBench(from, d, heads int64, bench *sched.Free) (int64, limit) {
	kind := limitBench
	for t := from; ; {
		a, ok := fl.crew.Fit(t, d, heads, sched.Never)
		if !ok || bench == nil {
			return sched.Never, kind
		}
		b, _ := bench.Fit(a, d, 1, sched.Never)
		if b == a {
			if a > t {
				kind = limitCrew
			}
			return a, kind
		}
		t = b
	}
}

// handsBefore returns the latest start in [to-wait, to] with hands free, on a
// grid of five minutes counted back from to.
func (fl *floor) handsBefore(to, wait, d, heads int64) (int64, bool) {
	for t := to; t >= max(to-wait, fl.start); t -= 300 {
		if fl.crew.Has(t, t+d, heads) {
			return t, true
		}
	}
	return 0, false
}

// handsLast reports whether nobody is booked twice in [from, to).
func (fl *floor) handsLast(from, to int64) bool {
	last := true
	fl.crew.Spans(from, to, func(_, _, free int64) { last = last && free >= 0 })
	return last
}
