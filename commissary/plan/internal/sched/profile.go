package sched

import (
	"cmp"
	"slices"
)

// profile is one resource: what is held at a time, as far as it is already certain, against the capacity (time-table
// reasoning; the explanations at one point or over one interval follow A. Schutt, T. Feydy, P. Stuckey, M. Wallace,
// "Explaining the cumulative propagator", Constraints 16, 2011).
type profile struct {
	capacity []Step // first step at 0
	horizon  int64
	holders  []holder
	energy   bool // energies are small enough to compare

	// Scratch of one run.
	certain  []certain
	segments []segment
	edges    []int64
	gathered []lit
	blocks   []block
}

// term is a bound plus a constant.
type term struct {
	b   bound
	off int64
}

// holder is a task that may hold the resource.
type holder struct {
	start, end term
	base       hold   // what it holds in any of its modes; amount 0 if nothing
	modes      []hold // what it holds once the mode is known, if that differs from base
}

// hold is one way to hold the resource: while on is true.
type hold struct {
	on             lit
	length, amount int64
}

// certain is the part of a holder's run that no open decision can move. It is empty if from ≥ to.
type certain struct {
	from, to, amount int64
	on               lit
}

// segment is a maximal interval in which neither the capacity nor the certain use changes.
type segment struct{ from, to, capacity, used int64 }

func (e *engine) value(t term) int64 { return e.low[t.b] + t.off }

// least states that the term is at least v; the negated term read the same way states at most.
func (t term) least(v int64) lit { return lit{t.b, v - t.off} }
func (t term) neg() term         { return term{t.b ^ 1, -t.off} }

// addProfile must be called before any decision.
func (e *engine) addProfile(p profile) {
	i := int32(len(e.profiles))
	p.energy = p.measurable()
	e.dirtyProfiles.listed = append(e.dirtyProfiles.listed, false)
	var wake []bound
	for _, h := range p.holders {
		wake = append(wake, h.start.b, h.start.b^1, h.end.b, h.end.b^1, h.base.on.b)
		for _, m := range h.modes {
			wake = append(wake, m.on.b)
		}
	}
	slices.Sort(wake)
	for _, b := range slices.Compact(wake) {
		e.profilesOf[b] = append(e.profilesOf[b], i)
	}
	e.profiles = append(e.profiles, p)
	e.dirtyProfiles.add(i)
}

// runProfile refutes an overload and moves starts and ends away from where they do not fit.
func (e *engine) runProfile(i int32) bool {
	p := &e.profiles[i]
	known := len(e.trail)
	e.readCertain(p)
	p.readSegments()
	e.steps += int64(len(p.holders) + len(p.segments))
	for _, s := range p.segments {
		if s.used > s.capacity {
			mid := s.from + (s.to-s.from)/2
			e.conflict = append(e.conflict[:0], e.cover(p, -1, false, mid, mid+1, s.used-s.capacity-1)...)
			return false
		}
	}
	for pass := range 2 {
		if pass == 1 {
			p.mirror()
		}
		for j := range p.holders {
			h := &p.holders[j]
			start, end := h.start, h.end
			if pass == 1 {
				start, end = end.neg(), start.neg()
			}
			if h.base.amount > 0 && !e.push(p, j, pass == 1, start, end, h.base) {
				return false
			}
			for _, m := range h.modes {
				if !e.push(p, j, pass == 1, start, end, m) {
					return false
				}
			}
		}
	}
	// Energies are dearer; they wait until the time-table has nothing to say.
	return !p.energy || len(e.trail) > known || e.runEnergy(p)
}

// held returns how a holder holds the resource as far as its mode is known.
func (e *engine) held(h *holder) hold {
	for _, m := range h.modes {
		if e.isTrue(m.on) {
			return m
		}
	}
	return h.base
}

func (e *engine) readCertain(p *profile) {
	p.certain = p.certain[:0]
	for _, h := range p.holders {
		c := certain{}
		held := e.held(&h)
		if held.amount > 0 && e.isTrue(held.on) {
			c = certain{-e.value(h.start.neg()), e.value(h.end), held.amount, held.on}
		}
		p.certain = append(p.certain, c)
	}
}

func (p *profile) readSegments() {
	p.edges = append(p.edges[:0], p.horizon)
	for _, c := range p.capacity {
		if c.From < p.horizon {
			p.edges = append(p.edges, c.From)
		}
	}
	for _, c := range p.certain {
		if c.from < c.to {
			p.edges = append(p.edges, c.from, c.to)
		}
	}
	slices.Sort(p.edges)
	p.edges = slices.Compact(p.edges)
	p.segments = p.segments[:0]
	step := 0
	for i := 0; i+1 < len(p.edges); i++ {
		for step+1 < len(p.capacity) && p.capacity[step+1].From <= p.edges[i] {
			step++
		}
		p.segments = append(p.segments, segment{p.edges[i], p.edges[i+1], p.capacity[step].Amount, 0})
	}
	for _, c := range p.certain {
		if c.from >= c.to {
			continue
		}
		at, _ := slices.BinarySearchFunc(p.segments, c.from, func(s segment, t int64) int { return cmp.Compare(s.from, t) })
		for ; at < len(p.segments) && p.segments[at].from < c.to; at++ {
			p.segments[at].used += c.amount
		}
	}
}

// mirror turns time around, so that ends are pushed earlier by the code that pushes starts later.
func (p *profile) mirror() {
	for i, c := range p.certain {
		p.certain[i].from, p.certain[i].to = -c.to, -c.from
	}
	for i, s := range p.segments {
		p.segments[i].from, p.segments[i].to = -s.to, -s.from
	}
	slices.Reverse(p.segments)
}

// cover returns literals saying that the certain parts, without holder skip, use the interval as much as they do less
// spare.
func (e *engine) cover(p *profile, skip int, mirrored bool, from, to, spare int64) []lit {
	p.gathered = p.gathered[:0]
	for i, c := range p.certain {
		if i == skip || c.from >= c.to || c.from > from || c.to < to {
			continue
		}
		if c.amount <= spare {
			spare -= c.amount
			continue
		}
		start, end := p.holders[i].start, p.holders[i].end
		if mirrored {
			start, end = end.neg(), start.neg()
		}
		p.gathered = append(p.gathered, c.on, start.neg().least(-from), end.least(to))
	}
	return p.gathered
}

// push moves the start of holder j to the first place where it fits as h says; if there is none, h cannot be.
func (e *engine) push(p *profile, j int, mirrored bool, start, end term, h hold) bool {
	if h.length == 0 || e.isFalse(h.on) {
		return true
	}
	sure := e.isTrue(h.on)
	at := e.value(start)
	latest := -e.value(start.neg())
	before := -e.value(end.neg()) - h.length
	own := p.certain[j]
	mark := len(e.notes)
	k, _ := slices.BinarySearchFunc(p.segments, at+1, func(s segment, t int64) int { return cmp.Compare(s.to, t) })
	for ; k < len(p.segments) && p.segments[k].from < at+h.length; k++ {
		s := p.segments[k]
		e.steps++
		others := s.used
		if own.from <= s.from && s.to <= own.to {
			others -= own.amount
		}
		excess := others + h.amount - s.capacity
		if excess <= 0 {
			continue
		}
		// A run of this length that starts after first−length and before s.to holds some moment in first..s.to.
		first := max(s.from, min(s.to, at+h.length)-1)
		if sure {
			mark = len(e.notes)
			e.notes = append(e.notes, h.on)
		}
		if sure || len(e.notes) == mark {
			e.notes = append(e.notes, start.least(first+1-h.length))
		}
		e.notes = append(e.notes, e.cover(p, j, mirrored, first, s.to, excess-1)...)
		at = s.to
		if sure {
			if !e.set(start.least(at), reason{byNotes, int32(mark), int32(len(e.notes) - mark)}) {
				return false
			}
		} else if at > latest || at > before {
			if at > latest {
				e.notes = append(e.notes, start.neg().least(1-at))
			} else {
				e.notes = append(e.notes, end.neg().least(1-at-h.length))
			}
			return e.set(h.on.not(), reason{byNotes, int32(mark), int32(len(e.notes) - mark)})
		}
	}
	if !sure {
		e.notes = e.notes[:mark]
	}
	return true
}
