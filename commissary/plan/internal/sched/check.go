package sched

import (
	"cmp"
	"fmt"
	"slices"
)

// Solution says how each task runs. The slices are indexed by task.
type Solution struct {
	Start, End []int64
	Mode       []int // −1: unplaced; its Start and End are then 0
}

func (s Solution) at(p Point) int64 {
	if p.End {
		return s.End[p.Task]
	}
	return s.Start[p.Task]
}

// Breach names a rule.
type Breach string

// The rules Check knows.
const (
	BadShape     Breach = "shape"    // the slices do not have one entry per task
	BadMode      Breach = "mode"     // a mode the task does not have
	BadLength    Breach = "length"   // shorter than the duration or longer than the stretch allows
	TooEarly     Breach = "release"  // starts before its release
	TooLate      Breach = "due"      // ends after its due time or the horizon
	Missing      Breach = "missing"  // a required task is unplaced
	SplitGroup   Breach = "group"    // a group is placed in part
	LagTooShort  Breach = "min lag"  // To comes too early
	LagTooLong   Breach = "max lag"  // To comes too late
	OverCapacity Breach = "capacity" // more is held than there is
	SetupSkipped Breach = "setup"    // no time for the setup
)

// Violation is one broken rule.
type Violation struct {
	Breach   Breach
	Task     int   // the task, or the later one of two
	Other    int   // for lags, setups and groups the other task; −1 otherwise, and for the initial setup
	Resource int   // −1 if none
	At       int64 // when, where a moment matters
	By       int64 // how many ticks or units too much or too little
}

// String is for test output and logs.
func (v Violation) String() string {
	return fmt.Sprintf("%s: task %d other %d resource %d at %d by %d", v.Breach, v.Task, v.Other, v.Resource, v.At, v.By)
}

// Check returns every broken rule of a solution, nothing if there is none. It reads the rules off the Spec one by one
// and shares nothing with the search.
func Check(p *Problem, s Solution) []Violation {
	var out []Violation
	spec := &p.spec
	n := len(spec.Tasks)
	if len(s.Start) != n || len(s.End) != n || len(s.Mode) != n {
		return []Violation{{Breach: BadShape, Task: -1, Other: -1, Resource: -1}}
	}
	found := func(b Breach, task, other, resource int, at, by int64) {
		out = append(out, Violation{b, task, other, resource, at, by})
	}
	placed := make([]bool, n)
	for i, t := range spec.Tasks {
		if s.Mode[i] < 0 {
			if !t.Optional {
				found(Missing, i, -1, -1, 0, 1)
			}
			continue
		}
		if s.Mode[i] >= len(t.Modes) {
			found(BadMode, i, -1, -1, 0, 0)
			continue
		}
		placed[i] = true
		m := t.Modes[s.Mode[i]]
		if length := s.End[i] - s.Start[i]; length < m.Duration {
			found(BadLength, i, -1, -1, s.Start[i], m.Duration-length)
		} else if length > m.Duration+m.Stretch {
			found(BadLength, i, -1, -1, s.Start[i], length-m.Duration-m.Stretch)
		}
		if s.Start[i] < t.Release {
			found(TooEarly, i, -1, -1, s.Start[i], t.Release-s.Start[i])
		}
		if latest := min(t.Due, spec.Horizon); s.End[i] > latest {
			found(TooLate, i, -1, -1, s.End[i], s.End[i]-latest)
		}
	}
	first := map[int]int{}
	for i, t := range spec.Tasks {
		if j, seen := first[t.Group]; t.Group != 0 && seen && placed[i] != placed[j] {
			found(SplitGroup, i, j, -1, 0, 1)
		} else if !seen {
			first[t.Group] = i
		}
	}
	for _, l := range spec.Lags {
		if !placed[l.From.Task] || !placed[l.To.Task] {
			continue
		}
		gap := s.at(l.To) - s.at(l.From)
		if !l.Max && gap < l.Gap {
			found(LagTooShort, l.To.Task, l.From.Task, -1, s.at(l.To), l.Gap-gap)
		}
		if l.Max && gap > l.Gap {
			found(LagTooLong, l.To.Task, l.From.Task, -1, s.at(l.To), gap-l.Gap)
		}
	}
	for r := range spec.Resources {
		checkHolders(p, s, placed, r, found)
	}
	return out
}

// checkHolders judges one resource: capacity at every moment where something changes, and setups pair by pair.
func checkHolders(p *Problem, s Solution, placed []bool, r int, found func(Breach, int, int, int, int64, int64)) {
	res := p.spec.Resources[r]
	type hold struct {
		task   int
		amount int64
	}
	var holds []hold
	var moments []int64
	for _, c := range res.Capacity {
		moments = append(moments, c.From)
	}
	for i, t := range p.spec.Tasks {
		if !placed[i] {
			continue
		}
		for _, d := range t.Modes[s.Mode[i]].Demands {
			if d.Resource == r {
				holds = append(holds, hold{i, d.Amount})
				moments = append(moments, s.Start[i])
			}
		}
	}
	slices.Sort(moments)
	for _, at := range slices.Compact(moments) {
		var capacity, used int64
		for _, c := range res.Capacity {
			if c.From <= at {
				capacity = c.Amount
			}
		}
		last := -1
		for _, h := range holds {
			if s.Start[h.task] <= at && at < s.End[h.task] {
				used += h.amount
				last = h.task
			}
		}
		if last >= 0 && used > capacity {
			found(OverCapacity, last, -1, r, at, used-capacity)
		}
	}
	if res.Setup == nil {
		return
	}
	slices.SortStableFunc(holds, func(a, b hold) int { return cmp.Compare(s.Start[a.task], s.Start[b.task]) })
	for k, b := range holds {
		to := p.spec.Tasks[b.task].Family
		if res.Initial >= 0 {
			if short := res.Setup[res.Initial][to] - s.Start[b.task]; short > 0 {
				found(SetupSkipped, b.task, -1, r, s.Start[b.task], short)
			}
		}
		for _, a := range holds[:k] {
			if short := s.End[a.task] + res.Setup[p.spec.Tasks[a.task].Family][to] - s.Start[b.task]; short > 0 {
				found(SetupSkipped, b.task, a.task, r, s.Start[b.task], short)
			}
		}
	}
}
