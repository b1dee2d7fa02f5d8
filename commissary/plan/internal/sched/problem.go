// Package sched finds schedules and proves how good they can be.
//
// It knows tasks with modes, resources whose capacity changes over time, minimum and maximum lags, release and due
// times, optional tasks, and setups between families on unary resources. It knows no trade, imports nothing of the
// module, reads no clock and no ambient randomness: the same Problem, Goal, seed and budget give the same Result on
// every machine.
//
// Three things stay apart: a Problem says what must hold, a Goal says what is better, a Solution says when each task
// runs. Check judges any Solution by the text of the rules alone and shares no code with the search.
package sched

import (
	"errors"
	"fmt"
	"slices"
)

// The largest values a Spec may hold; they leave the search room to add without overflow.
const (
	// MaxTime bounds the horizon, durations, gaps and setups, in ticks.
	MaxTime = int64(1) << 40
	// MaxAmount bounds one capacity and one demand.
	MaxAmount = int64(1) << 40
	// MaxTasks bounds the number of tasks.
	MaxTasks = 1 << 14
	// MaxCost bounds the greatest cost a goal's level could reach.
	MaxCost = int64(1) << 58
)

// ErrSpec marks every error about a malformed Spec or Goal. A Spec that is well formed but contradicts itself (a due
// time before the release) is no error: Solve answers Infeasible, or leaves the optional task unplaced.
var ErrSpec = errors.New("sched: malformed")

func malformed(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrSpec, fmt.Sprintf(format, args...))
}

// Spec is the raw material of a Problem. All times are whole ticks counted from 0, the first moment anything may run.
type Spec struct {
	Horizon   int64 // nothing may end later
	Resources []Resource
	Tasks     []Task
	Lags      []Lag
}

// Resource is something tasks hold while they run.
type Resource struct {
	// Capacity lists changes in rising order of From, the first at 0. An interval of capacity 0 is a closure: no task
	// holding the resource may run through it.
	Capacity []Step
	// Setup, if given, makes families matter: Setup[f][g] is the least time between the end of a task of family f and
	// the start of a later one of family g. It must be square, and no detour over a third family may be quicker, so
	// that it does not matter whether the rule is read for neighbours or for all pairs. Capacity must never exceed 1.
	// A setup takes time, not capacity: it may fall into a closure.
	Setup [][]int64
	// Initial is the family the resource is set up for at time 0; negative for none. Ignored without Setup.
	Initial int
}

// Step sets a capacity from a moment on.
type Step struct{ From, Amount int64 }

// Task is one piece of work. It runs without interruption, in exactly one of its modes.
type Task struct {
	Modes   []Mode
	Release int64 // earliest start
	Due     int64 // latest end; 0 means the horizon
	// Optional tasks may stay unplaced; what that costs is the Goal's business. A lag with an unplaced task is void.
	Optional bool
	// Group, if not 0, binds tasks: they are placed all together or not at all. They must agree on Optional.
	Group int
	// Family indexes the setup matrix of every resource that has one.
	Family int
}

// Mode is one way to do a task.
type Mode struct {
	Duration int64 // shortest run; a run of no ticks holds nothing
	Stretch  int64 // how much longer the run may last, holding its resources all the while
	Demands  []Demand
}

// Demand is an amount of a resource held from start to end of the task. A demand on a resource with setups needs a
// Duration of at least 1.
type Demand struct {
	Resource int
	Amount   int64
}

// Point is the start or the end of a task.
type Point struct {
	Task int
	End  bool
}

// Lag ties two points in time: To comes at least Gap after From, or at most Gap after From if Max is set.
// A negative Gap is allowed in both.
type Lag struct {
	From, To Point
	Gap      int64
	Max      bool
}

// Problem is a Spec that has been checked completely and cannot change any more.
type Problem struct{ spec Spec }

// New checks a Spec and keeps a copy of its own. Errors wrap ErrSpec and name the offending index.
func New(s Spec) (*Problem, error) {
	if s.Horizon < 0 || s.Horizon > MaxTime {
		return nil, malformed("horizon %d is not within 0..%d", s.Horizon, MaxTime)
	}
	if len(s.Tasks) > MaxTasks {
		return nil, malformed("%d tasks are more than %d", len(s.Tasks), MaxTasks)
	}
	c := Spec{Horizon: s.Horizon, Lags: slices.Clone(s.Lags)}
	for i, r := range s.Resources {
		if err := checkResource(r); err != nil {
			return nil, fmt.Errorf("resource %d: %w", i, err)
		}
		r.Capacity = slices.Clone(r.Capacity)
		setup := r.Setup
		r.Setup = nil
		for _, row := range setup {
			r.Setup = append(r.Setup, slices.Clone(row))
		}
		c.Resources = append(c.Resources, r)
	}
	optional := map[int]bool{}
	for i, t := range s.Tasks {
		if t.Due == 0 {
			t.Due = s.Horizon
		}
		if err := checkTask(t, s); err != nil {
			return nil, fmt.Errorf("task %d: %w", i, err)
		}
		if was, seen := optional[t.Group]; t.Group != 0 && seen && was != t.Optional {
			return nil, malformed("task %d: group %d mixes optional and required tasks", i, t.Group)
		}
		optional[t.Group] = t.Optional
		modes := t.Modes
		t.Modes = nil
		for _, m := range modes {
			m.Demands = slices.Clone(m.Demands)
			t.Modes = append(t.Modes, m)
		}
		c.Tasks = append(c.Tasks, t)
	}
	for i, l := range s.Lags {
		for _, p := range []Point{l.From, l.To} {
			if p.Task < 0 || p.Task >= len(s.Tasks) {
				return nil, malformed("lag %d: there is no task %d", i, p.Task)
			}
		}
		if l.Gap < -MaxTime || l.Gap > MaxTime {
			return nil, malformed("lag %d: gap %d is beyond %d", i, l.Gap, MaxTime)
		}
	}
	return &Problem{c}, nil
}

func checkResource(r Resource) error {
	if len(r.Capacity) == 0 || r.Capacity[0].From != 0 {
		return malformed("capacity must start at time 0")
	}
	var most int64
	for i, s := range r.Capacity {
		if s.Amount < 0 || s.Amount > MaxAmount {
			return malformed("capacity %d is not within 0..%d", s.Amount, MaxAmount)
		}
		if s.From > MaxTime || i > 0 && s.From <= r.Capacity[i-1].From {
			return malformed("capacity step %d at %d is out of order or beyond %d", i, s.From, MaxTime)
		}
		most = max(most, s.Amount)
	}
	if r.Setup == nil {
		return nil
	}
	n := len(r.Setup)
	if most > 1 {
		return malformed("setups need a capacity of at most 1, not %d", most)
	}
	if r.Initial >= n {
		return malformed("initial family %d is outside the setup matrix", r.Initial)
	}
	for f, row := range r.Setup {
		if len(row) != n {
			return malformed("setup row %d has %d entries, not %d", f, len(row), n)
		}
		for g, v := range row {
			if v < 0 || v > MaxTime {
				return malformed("setup %d→%d is %d, not within 0..%d", f, g, v, MaxTime)
			}
		}
	}
	for f := range n {
		for g := range n {
			for h := range n {
				if r.Setup[f][g] > r.Setup[f][h]+r.Setup[h][g] {
					return malformed("setup %d→%d takes longer than the detour over %d", f, g, h)
				}
			}
		}
	}
	return nil
}

func checkTask(t Task, s Spec) error {
	if len(t.Modes) == 0 {
		return malformed("no mode")
	}
	if t.Release < 0 || t.Release > MaxTime || t.Due < 0 || t.Due > MaxTime {
		return malformed("window %d..%d is not within 0..%d", t.Release, t.Due, MaxTime)
	}
	for i, m := range t.Modes {
		if m.Duration < 0 || m.Duration > MaxTime || m.Stretch < 0 || m.Stretch > MaxTime {
			return malformed("mode %d: duration %d or stretch %d is not within 0..%d", i, m.Duration, m.Stretch, MaxTime)
		}
		held := map[int]bool{}
		for _, d := range m.Demands {
			if d.Resource < 0 || d.Resource >= len(s.Resources) {
				return malformed("mode %d: there is no resource %d", i, d.Resource)
			}
			if held[d.Resource] {
				return malformed("mode %d: resource %d is named twice", i, d.Resource)
			}
			held[d.Resource] = true
			if d.Amount < 1 || d.Amount > MaxAmount {
				return malformed("mode %d: amount %d of resource %d is not within 1..%d", i, d.Amount, d.Resource, MaxAmount)
			}
			if setup := s.Resources[d.Resource].Setup; setup != nil {
				if t.Family < 0 || t.Family >= len(setup) {
					return malformed("family %d is outside the setup matrix of resource %d", t.Family, d.Resource)
				}
				if m.Duration < 1 {
					return malformed("mode %d: a run of no ticks on resource %d, which has setups", i, d.Resource)
				}
			}
		}
	}
	return nil
}
