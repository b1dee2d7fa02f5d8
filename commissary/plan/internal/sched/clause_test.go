package sched

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// contradicted tells whether the engine, with all it has learnt, refuses a solution of its problem.
func (s *solver) contradicted(sol Solution) bool {
	s.budget = 1 << 62
	s.retreat(0)
	defer s.retreat(0)
	var facts []lit
	for i, c := range s.goal.Cost(sol) {
		facts = append(facts, atMost(s.costs[i], c))
	}
	for i, v := range s.tasks {
		if sol.Mode[i] < 0 {
			facts = append(facts, v.placed.not())
			continue
		}
		facts = append(facts, v.placed, v.modes[sol.Mode[i]],
			v.start.least(sol.Start[i]), v.start.neg().least(-sol.Start[i]),
			v.end.least(sol.End[i]), v.end.neg().least(-sol.End[i]))
	}
	for _, l := range facts {
		if s.isFalse(l) {
			return true
		}
		s.decide(l)
		if !s.propagate() {
			return true
		}
	}
	return false
}

// TestLearntClausesAdmitEverySolution is the proof of the proofs: whatever one search has learnt must hold in every
// solution found by other searches, most of which it has never seen and many of which are worse than its own.
func TestLearntClausesAdmitEverySolution(t *testing.T) {
	cases, learnt := 60, 0
	if testing.Short() {
		cases = 12
	}
	for seed := range uint64(cases) {
		r := rand.New(rand.NewPCG(seed, 3))
		var spec Spec
		var levels [][]Term
		switch seed % 3 {
		case 0:
			spec, levels = bakeDay(r, 6+r.IntN(5))
			spec.Horizon = 400 // too short for all
		case 1:
			spec = randomSpec(r, 8+r.IntN(6), 20+r.Int64N(20))
			levels = append(randomLevels(r, spec), makespan)
		case 2:
			spec = crowded(r, 12+r.IntN(8))
			levels = [][]Term{makespan}
		}
		g := goal(t, spec, levels...)
		var solutions []Solution
		for other := range uint64(8) {
			for steps := int64(2_000); steps <= 64_000; steps *= 2 {
				if q := Solve(g, Options{Seed: 1000 + other, Steps: steps}); q.Cost != nil {
					require.Empty(t, Check(g.problem, q.Solution))
					solutions = append(solutions, q.Solution)
				}
			}
		}
		s := newSolver(g, Options{Seed: seed, Steps: 400_000})
		s.run()
		require.False(t, s.dead && len(solutions) > 0, "seed %d: a solution exists", seed)
		learnt += len(s.clauses) - s.given
		for _, q := range solutions {
			require.False(t, s.contradicted(q), "seed %d: %+v", seed, q)
		}
	}
	require.Greater(t, learnt, 80*cases)
	t.Logf("%d clauses", learnt)
}

// crowded draws tasks that compete for three resources of capacity 10, with lags in both directions.
func crowded(r *rand.Rand, tasks int) Spec {
	s := Spec{}
	for range 3 {
		s.Resources = append(s.Resources, Resource{Capacity: []Step{{0, 10}, {20, 6}, {30, 10}}})
	}
	for i := range tasks {
		m := Mode{Duration: 1 + r.Int64N(8), Stretch: r.Int64N(2)}
		for k := range 3 {
			if r.IntN(3) > 0 {
				m.Demands = append(m.Demands, Demand{k, 1 + r.Int64N(5)})
			}
		}
		s.Horizon += m.Duration + 2
		s.Tasks = append(s.Tasks, Task{Modes: []Mode{m}})
		if i > 0 && r.IntN(2) == 0 {
			j := r.IntN(i)
			s.Lags = append(s.Lags, Lag{From: Point{Task: j}, To: Point{Task: i}, Gap: 1 + r.Int64N(6)},
				Lag{From: Point{Task: j}, To: Point{Task: i}, Gap: 10 + r.Int64N(20), Max: true})
		}
	}
	return s
}

// A proved bound must hold for solutions found with other seeds and budgets, level by level.
func TestBoundsHoldAgainstOtherSeeds(t *testing.T) {
	cases := 12
	if testing.Short() {
		cases = 3
	}
	for seed := range uint64(cases) {
		r := rand.New(rand.NewPCG(seed, 9))
		spec, levels := bakeDay(r, 6+r.IntN(6))
		spec.Horizon = 330 + r.Int64N(100)
		g := goal(t, spec, levels...)
		var results []Result
		for other := range uint64(4) {
			for steps := int64(10_000); steps < 1_000_000; steps += steps / 2 {
				if q := Solve(g, Options{Seed: other, Steps: steps}); q.Cost != nil {
					results = append(results, q)
				}
			}
		}
		for _, a := range results {
			for _, b := range results {
				for i := range a.Cost {
					require.LessOrEqual(t, a.Bound[i], b.Cost[i], "seed %d level %d: %v %v %v", seed, i, a.Cost, a.Bound, b.Cost)
					if b.Cost[i] > a.Cost[i] {
						break // the bounds of later levels hold up to this cost only
					}
				}
			}
		}
	}
}
