package plan

import (
	"slices"
	"sort"
)

// Inside the planner an instant is Unix seconds and everything a booking can
// hold is a count that must not run out.

// profile is how much of something is free over time: at[i] is where free[i]
// begins, and the last value holds for ever.
type profile struct{ at, free []int64 }

func newProfile(start, free int64) *profile {
	return &profile{at: []int64{start}, free: []int64{free}}
}

// index returns the segment that holds t.
func (p *profile) index(t int64) int {
	i := sort.Search(len(p.at), func(i int) bool { return p.at[i] > t }) - 1
	return max(i, 0)
}

// cut makes t a segment border and returns the segment that begins there.
func (p *profile) cut(t int64) int {
	i := p.index(t)
	if p.at[i] >= t {
		return i
	}
	p.at = append(p.at, 0)
	p.free = append(p.free, 0)
	copy(p.at[i+2:], p.at[i+1:])
	copy(p.free[i+2:], p.free[i+1:])
	p.at[i+1], p.free[i+1] = t, p.free[i]
	return i + 1
}

// add changes what is free in [from, to).
func (p *profile) add(from, to, amount int64) {
	if from >= to || amount == 0 {
		return
	}
	i, j := p.cut(from), p.cut(to)
	for ; i < j; i++ {
		p.free[i] += amount
	}
}

// fit returns the earliest start at or after from where need is free for the
// whole duration; ok is false when there is none by latest.
func (p *profile) fit(from, duration, need, latest int64) (start int64, ok bool) {
	if need <= 0 || duration <= 0 {
		return from, from <= latest
	}
	start = from
	for i := p.index(from); i < len(p.at) && start <= latest; i++ {
		if i > 0 && p.at[i] >= start+duration {
			return start, true
		}
		if p.free[i] < need {
			if i+1 == len(p.at) {
				return 0, false
			}
			start = max(start, p.at[i+1])
		}
	}
	return start, start <= latest
}

// has reports whether need is free in all of [from, to).
func (p *profile) has(from, to, need int64) bool {
	start, ok := p.fit(from, to-from, need, from)
	return ok && start == from
}

// filling is one batch in a vessel: [from, to) without the cleaning before
// it, which takes setup and ends at from.
type filling struct {
	from, to, setup int64
	recipe          int
}

// unit is one vessel's row of fillings, in time order.
type unit struct{ fillings []filling }

// fit returns the earliest start at or after from of a filling of the recipe,
// with the cleaning it needs before it. setup gives the cleaning between two
// recipes; -1 stands for an outage or the state at the start.
func (u *unit) fit(from, earliest, duration int64, recipe int, setup func(before, after int) int64) (start, clean int64) {
	before := -1
	ready := earliest
	for i := 0; ; i++ {
		clean = setup(before, recipe)
		start = max(from, ready+clean)
		if i == len(u.fillings) {
			return start, clean
		}
		next := u.fillings[i]
		// What stands there already keeps the cleaning it was given.
		if start+duration <= next.from-next.setup && setup(recipe, next.recipe) <= next.setup {
			return start, clean
		}
		before, ready = next.recipe, next.to
	}
}

func (u *unit) insert(f filling) {
	i := sort.Search(len(u.fillings), func(i int) bool { return u.fillings[i].from >= f.from })
	u.fillings = append(u.fillings, filling{})
	copy(u.fillings[i+1:], u.fillings[i:])
	u.fillings[i] = f
}

// remove takes out the filling that starts loading at the given time.
func (u *unit) remove(from int64) {
	u.fillings = slices.DeleteFunc(u.fillings, func(f filling) bool { return f.from == from })
}
