package sched

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
)

// randomSpec draws a small problem in which every feature of a Spec appears now and then.
func randomSpec(r *rand.Rand, tasks int, horizon int64) Spec {
	s := Spec{Horizon: horizon}
	families := 1 + r.IntN(3)
	for range 1 + r.IntN(3) {
		res := Resource{Capacity: []Step{{0, 1 + r.Int64N(3)}}, Initial: -1}
		unary := r.IntN(2) == 0
		if unary {
			res.Capacity[0].Amount = 1
		}
		if r.IntN(3) == 0 { // closures or lower capacity for a while
			at := r.Int64N(horizon) + 1
			back := at + 1 + r.Int64N(3)
			res.Capacity = append(res.Capacity, Step{at, r.Int64N(res.Capacity[0].Amount + 1)}, Step{back, res.Capacity[0].Amount})
		}
		if unary && r.IntN(2) == 0 {
			res.Initial = r.IntN(families+1) - 1
			for range families {
				row := make([]int64, families)
				for g := range row {
					row[g] = r.Int64N(3)
				}
				res.Setup = append(res.Setup, row)
			}
			for h := range families { // shortest detours, so that New accepts the matrix
				for f := range families {
					for g := range families {
						res.Setup[f][g] = min(res.Setup[f][g], res.Setup[f][h]+res.Setup[h][g])
					}
				}
			}
		}
		s.Resources = append(s.Resources, res)
	}
	for range tasks {
		t := Task{Family: r.IntN(families), Optional: r.IntN(3) == 0}
		if r.IntN(3) == 0 {
			t.Release = r.Int64N(horizon)
		}
		if r.IntN(3) == 0 {
			t.Due = 1 + r.Int64N(horizon)
		}
		if t.Optional && r.IntN(2) == 0 {
			t.Group = 1 + r.IntN(2)
		}
		for range 1 + r.IntN(3) {
			m := Mode{Duration: 1 + r.Int64N(3)}
			if r.IntN(4) == 0 {
				m.Stretch = r.Int64N(3)
			}
			for k, res := range s.Resources {
				if r.IntN(2) == 0 {
					m.Demands = append(m.Demands, Demand{k, 1 + r.Int64N(res.Capacity[0].Amount)})
				} else if res.Setup == nil && r.IntN(6) == 0 {
					m.Duration = 0
				}
			}
			for _, d := range m.Demands {
				if s.Resources[d.Resource].Setup != nil {
					m.Duration = max(m.Duration, 1)
				}
			}
			t.Modes = append(t.Modes, m)
		}
		s.Tasks = append(s.Tasks, t)
	}
	for range r.IntN(tasks + 1) {
		point := func() Point { return Point{r.IntN(tasks), r.IntN(2) == 0} }
		s.Lags = append(s.Lags, Lag{From: point(), To: point(), Gap: r.Int64N(7) - 2, Max: r.IntN(2) == 0})
	}
	return s
}

// randomLevels draws a goal of up to three levels.
func randomLevels(r *rand.Rand, s Spec) [][]Term {
	var levels [][]Term
	for range r.IntN(4) {
		var level []Term
		for range 1 + r.IntN(4) {
			task := r.IntN(len(s.Tasks))
			level = append(level, Term{
				Kind:   Kind(1 + r.IntN(int(InMode))),
				Point:  Point{task, r.IntN(2) == 0},
				At:     r.Int64N(s.Horizon + 1),
				Mode:   r.IntN(len(s.Tasks[task].Modes)),
				Weight: 1 + r.Int64N(4),
			})
		}
		levels = append(levels, level)
	}
	return levels
}

// naiveCost is the twin of Goal.Cost, written from the comments of the kinds.
func naiveCost(levels [][]Term, s Solution) []int64 {
	cost := []int64{}
	for _, level := range levels {
		var sum int64
		for _, t := range level {
			at := s.Start[t.Point.Task]
			if t.Point.End {
				at = s.End[t.Point.Task]
			}
			placed := s.Mode[t.Point.Task] != -1
			switch {
			case t.Kind == Makespan:
				latest := int64(0)
				for i := range s.End {
					if s.Mode[i] != -1 && s.End[i] > latest {
						latest = s.End[i]
					}
				}
				sum += t.Weight * latest
			case t.Kind == After && placed && at > t.At:
				sum += t.Weight * (at - t.At)
			case t.Kind == Before && placed && at < t.At:
				sum += t.Weight * (t.At - at)
			case t.Kind == EverAfter && placed && at > t.At,
				t.Kind == EverBefore && placed && at < t.At,
				t.Kind == Unplaced && !placed,
				t.Kind == InMode && s.Mode[t.Point.Task] == t.Mode:
				sum += t.Weight
			}
		}
		cost = append(cost, sum)
	}
	return cost
}

// bruteForce tries every mode, start and end of every task, dropping only what Check already finds broken.
func bruteForce(p *Problem, levels [][]Term) (best []int64, ok bool) {
	spec := p.spec
	n := len(spec.Tasks)
	s := Solution{make([]int64, n), make([]int64, n), slices.Repeat([]int{-1}, n)}
	var try func(i int)
	try = func(i int) {
		partial := slices.ContainsFunc(Check(p, s), func(v Violation) bool {
			return v.Breach != Missing && v.Breach != SplitGroup || v.Breach == Missing && v.Task < i
		})
		if partial {
			return
		}
		if i == n {
			if len(Check(p, s)) > 0 {
				return
			}
			if cost := naiveCost(levels, s); !ok || slices.Compare(cost, best) < 0 {
				best, ok = cost, true
			}
			return
		}
		try(i + 1)
		for k, m := range spec.Tasks[i].Modes {
			for start := int64(0); start+m.Duration <= spec.Horizon; start++ {
				for end := start + m.Duration; end <= min(spec.Horizon, start+m.Duration+m.Stretch); end++ {
					s.Mode[i], s.Start[i], s.End[i] = k, start, end
					try(i + 1)
				}
			}
		}
		s.Mode[i], s.Start[i], s.End[i] = -1, 0, 0
	}
	try(0)
	return best, ok
}

func TestTwinBruteForce(t *testing.T) {
	cases := 4000
	if testing.Short() {
		cases = 500
	}
	answers := map[Status]int{}
	for seed := range uint64(cases) {
		r := rand.New(rand.NewPCG(seed, 1))
		spec := randomSpec(r, 1+r.IntN(4), 3+r.Int64N(5))
		levels := randomLevels(r, spec)
		p, err := New(spec)
		require.NoError(t, err, "seed %d", seed)
		g, err := NewGoal(p, levels...)
		require.NoError(t, err, "seed %d", seed)
		want, feasible := bruteForce(p, levels)
		got := Solve(g, Options{Seed: seed, Steps: 10_000_000})
		answers[got.Status]++
		where := fmt.Sprintf("seed %d: %+v goal %+v got %+v", seed, spec, levels, got)
		if !feasible {
			require.Equal(t, Infeasible, got.Status, where)
			continue
		}
		require.Equal(t, Optimal, got.Status, where)
		require.Empty(t, Check(p, got.Solution), where)
		require.Equal(t, want, got.Cost, where)
		require.Equal(t, want, naiveCost(levels, got.Solution), where)
	}
	require.Greater(t, answers[Infeasible], cases/20, "the generator makes too few infeasible cases")
	require.Greater(t, answers[Optimal], cases/3, "the generator makes too few feasible cases")
	t.Logf("%v", answers)
}
