package sched

// Kind says what a Term charges for.
type Kind int

// The kinds of Term. Those about a point in time charge nothing for an unplaced task.
const (
	Makespan   Kind = iota + 1 // per tick of the latest end of all placed tasks
	After                      // per tick by which the point lies after At
	Before                     // per tick by which the point lies before At
	EverAfter                  // once, if the point lies after At
	EverBefore                 // once, if the point lies before At
	Unplaced                   // once, if the task stays unplaced
	InMode                     // once, if the task runs in Mode
)

// Term is one summand of a level: Weight times what its Kind charges for.
type Term struct {
	Kind   Kind
	Point  Point // the task, and for the kinds about time its start or end
	At     int64
	Mode   int
	Weight int64 // at least 1
}

// Goal orders the solutions of a Problem: its levels are compared one after the other, less is better, and a later
// level only breaks ties of the earlier ones.
type Goal struct {
	problem *Problem
	levels  [][]Term
}

// NewGoal checks the levels against the problem. Errors wrap ErrSpec. No levels at all asks for any solution.
func NewGoal(p *Problem, levels ...[]Term) (*Goal, error) {
	g := &Goal{problem: p}
	for i, level := range levels {
		var worst int64
		for j, t := range level {
			if t.Kind < Makespan || t.Kind > InMode {
				return nil, malformed("level %d term %d: unknown kind %d", i, j, t.Kind)
			}
			if t.Kind != Makespan && (t.Point.Task < 0 || t.Point.Task >= len(p.spec.Tasks)) {
				return nil, malformed("level %d term %d: there is no task %d", i, j, t.Point.Task)
			}
			if t.Kind == InMode && (t.Mode < 0 || t.Mode >= len(p.spec.Tasks[t.Point.Task].Modes)) {
				return nil, malformed("level %d term %d: task %d has no mode %d", i, j, t.Point.Task, t.Mode)
			}
			if t.At < 0 || t.At > MaxTime {
				return nil, malformed("level %d term %d: time %d is not within 0..%d", i, j, t.At, MaxTime)
			}
			most := int64(1)
			if t.Kind <= Before {
				most = max(p.spec.Horizon, t.At, 1)
			}
			if t.Weight < 1 || t.Weight > (MaxCost-worst)/most {
				return nil, malformed("level %d term %d: weight %d is below 1 or lets the level pass %d", i, j, t.Weight, MaxCost)
			}
			worst += t.Weight * most
		}
		g.levels = append(g.levels, append([]Term(nil), level...))
	}
	return g, nil
}

// Cost returns the cost of a solution, level by level. The solution must have the problem's number of tasks.
func (g *Goal) Cost(s Solution) []int64 {
	cost := make([]int64, len(g.levels))
	for i, level := range g.levels {
		for _, t := range level {
			cost[i] += t.Weight * t.units(s)
		}
	}
	return cost
}

func (t Term) units(s Solution) int64 {
	once := func(b bool) int64 {
		if b {
			return 1
		}
		return 0
	}
	if t.Kind == Makespan {
		var latest int64
		for i, m := range s.Mode {
			if m >= 0 {
				latest = max(latest, s.End[i])
			}
		}
		return latest
	}
	mode := s.Mode[t.Point.Task]
	switch {
	case t.Kind == Unplaced:
		return once(mode < 0)
	case t.Kind == InMode:
		return once(mode == t.Mode)
	case mode < 0:
		return 0
	}
	at := s.at(t.Point)
	switch t.Kind {
	case After:
		return max(0, at-t.At)
	case Before:
		return max(0, t.At-at)
	case EverAfter:
		return once(at > t.At)
	default: // EverBefore, as NewGoal admits no other
		return once(at < t.At)
	}
}
