package sched

import "slices"

// arc states that, while all conditions hold, the value of to is at least the value of from plus gap.
// Read over the negated sides it is the same statement backwards, from −to to −from.
type arc struct {
	from, to bound
	gap      int64
	conds    []lit
	armed    bool
}

func (a *arc) ends(direction int32) (from, to bound) {
	if direction == 0 {
		return a.from, a.to
	}
	return a.to ^ 1, a.from ^ 1
}

// addArc must be called before any decision. Conditions already true or named twice are left out.
func (e *engine) addArc(from, to bound, gap int64, conds ...lit) {
	var open []lit
	for _, c := range conds {
		if e.isFalse(c) {
			return
		}
		if !e.isTrue(c) && !slices.Contains(open, c) {
			open = append(open, c)
		}
	}
	i := int32(len(e.arcs))
	e.arcs = append(e.arcs, arc{from, to, gap, open, false})
	for _, c := range open {
		e.arcsIf[c.b] = append(e.arcsIf[c.b], watch{c.k, i})
	}
	if !e.arm(i) {
		e.dead = true
	}
}

// arm runs an arc and lets its ends wake it from now on, if at most one of its conditions is open: before that it
// could conclude nothing. It is disarmed by the retreat that opens the condition again.
func (e *engine) arm(i int32) bool {
	a := &e.arcs[i]
	open := 0
	for _, c := range a.conds {
		if e.isFalse(c) {
			return true // and it will be until the condition that has just come true is open again
		}
		if !e.isTrue(c) {
			open++
		}
	}
	if open > 1 {
		return true
	}
	if !a.armed {
		a.armed = true
		e.armed = append(e.armed, i)
		e.arcsFrom[a.from] = append(e.arcsFrom[a.from], i<<1)
		e.arcsFrom[a.to^1] = append(e.arcsFrom[a.to^1], i<<1|1)
	}
	e.steps += 2
	return e.runArc(i<<1) && e.runArc(i<<1|1)
}

// disarm undoes all armings after the first n.
func (e *engine) disarm(n int) {
	for k := len(e.armed) - 1; k >= n; k-- { // the last to come is the last in both lists
		a := &e.arcs[e.armed[k]]
		a.armed = false
		e.arcsFrom[a.to^1] = e.arcsFrom[a.to^1][:len(e.arcsFrom[a.to^1])-1]
		e.arcsFrom[a.from] = e.arcsFrom[a.from][:len(e.arcsFrom[a.from])-1]
	}
	e.armed = e.armed[:n]
}

// runArc pushes the far end if the conditions hold, or refutes the only open condition if the ends contradict.
func (e *engine) runArc(i int32) bool {
	a := &e.arcs[i>>1]
	open := -1
	for j, c := range a.conds {
		if e.isTrue(c) {
			continue
		}
		if open >= 0 || e.isFalse(c) {
			return true
		}
		open = j
	}
	from, to := a.ends(i & 1)
	if open < 0 {
		if e.closesCycle(i, from, to) {
			return false
		}
		return e.set(lit{to, e.low[from] + a.gap}, reason{kind: byArc, at: i})
	}
	k := e.low[from] + a.gap
	if k <= e.high(to) {
		return true
	}
	start := len(e.notes)
	for j, c := range a.conds {
		if j != open {
			e.notes = append(e.notes, c)
		}
	}
	e.notes = append(e.notes, lit{from, e.low[from]}, lit{to, k}.not())
	return e.set(a.conds[open].not(), reason{byNotes, int32(start), int32(len(e.notes) - start)})
}

// closesCycle tells whether arcs that hold form a cycle in which every turn pushes further, which could go on for as
// long as the horizon lasts. If so, e.conflict is their conditions. It looks only where a push repeats: pushes point
// back to where they came from, and if that way returns to the bound about to be pushed, the gaps along it sum to more
// than zero (B. Cherkassky, A. Goldberg, "Negative-cycle detection algorithms", Mathematical Programming 85, 1999).
func (e *engine) closesCycle(i int32, from, to bound) bool {
	last := e.last[to]
	if last < 0 || e.trail[last].why.kind != byArc || e.trail[last].now >= e.low[from]+e.arcs[i>>1].gap {
		return false
	}
	if n := len(e.levels); n > 0 && int(last) < e.levels[n-1].trail {
		return false
	}
	e.conflict = append(e.conflict[:0], e.arcs[i>>1].conds...)
	for range e.low {
		if from == to {
			return true
		}
		p := e.last[from]
		if p < 0 || e.trail[p].why.kind != byArc {
			return false
		}
		e.steps++
		back := e.trail[p].why.at
		a := &e.arcs[back>>1]
		e.conflict = append(e.conflict, a.conds...)
		from, _ = a.ends(back & 1)
	}
	return false
}
