package sched

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func goal(t *testing.T, s Spec, levels ...[]Term) *Goal {
	t.Helper()
	p, err := New(s)
	require.NoError(t, err)
	g, err := NewGoal(p, levels...)
	require.NoError(t, err)
	return g
}

var makespan = []Term{{Kind: Makespan, Weight: 1}}

// jobShop reads one job per line: machine and duration, operation after operation.
func jobShop(t *testing.T, text string) Spec {
	t.Helper()
	var s Spec
	for line := range strings.Lines(text) {
		var row []int64
		for _, f := range strings.Fields(line) {
			v, err := strconv.ParseInt(f, 10, 64)
			require.NoError(t, err)
			row = append(row, v)
		}
		for k := 0; k < len(row); k += 2 {
			for len(s.Resources) <= int(row[k]) {
				s.Resources = append(s.Resources, Resource{Capacity: []Step{{0, 1}}})
			}
			i := len(s.Tasks)
			s.Tasks = append(s.Tasks, Task{Modes: []Mode{{Duration: row[k+1], Demands: []Demand{{int(row[k]), 1}}}}})
			s.Horizon += row[k+1]
			if k > 0 {
				s.Lags = append(s.Lags, Lag{From: Point{i - 1, true}, To: Point{Task: i}})
			}
		}
	}
	return s
}

// The 6×6 job shop of H. Fisher and G. Thompson, "Probabilistic learning combinations of local job-shop scheduling
// rules", in: Industrial Scheduling, 1963; its optimum is 55. Data and optimum from memory.
const fisherThompson6 = `2 1 0 3 1 6 3 7 5 3 4 6
1 8 2 5 4 10 5 10 0 10 3 4
2 5 3 4 5 8 0 9 1 1 4 7
1 5 0 5 2 5 3 3 4 8 5 9
2 9 1 3 4 5 5 4 0 3 3 1
1 3 3 3 5 9 0 10 4 4 2 1`

func TestJobShop(t *testing.T) {
	g := goal(t, jobShop(t, fisherThompson6), makespan)
	r := Solve(g, Options{Steps: 1_000_000})
	require.Equal(t, Optimal, r.Status)
	require.Equal(t, []int64{55}, r.Cost)
	require.Empty(t, Check(g.problem, r.Solution))
}

// bakeDay is a day of a small workshop: each job is prepared on one of two unary machines with setups, worked on by a
// crew of three within a time after that, and then kept for a while in a limited space. More jobs than can be done.
func bakeDay(r *rand.Rand, jobs int) (Spec, [][]Term) {
	setup := [][]int64{{0, 10, 15}, {0, 0, 15}, {5, 10, 0}}
	pause := []Step{{0, 1}, {300, 0}, {330, 1}}
	s := Spec{Horizon: 720, Resources: []Resource{
		{Capacity: pause, Setup: setup},
		{Capacity: pause, Setup: setup},
		{Capacity: []Step{{0, 3}, {300, 0}, {330, 3}}},
		{Capacity: []Step{{0, 1}}},
		{Capacity: []Step{{0, 40}}},
	}}
	var unplaced, early, ends []Term
	for j := range jobs {
		i := len(s.Tasks)
		first, group := 15+r.Int64N(15), j+1
		due := 240 + 30*r.Int64N(17)
		s.Tasks = append(s.Tasks,
			Task{Optional: true, Group: group, Family: r.IntN(3), Modes: []Mode{
				{Duration: first, Demands: []Demand{{0, 1}, {2, 1}}},
				{Duration: first + 5, Demands: []Demand{{1, 1}, {2, 1}}},
			}},
			Task{Optional: true, Group: group, Modes: []Mode{{Duration: 10 + r.Int64N(15), Demands: []Demand{{2, 2}, {3, 1}}}}},
			Task{Optional: true, Group: group, Due: due, Modes: []Mode{{Duration: 60, Stretch: 30, Demands: []Demand{{4, 5 + r.Int64N(10)}}}}},
		)
		s.Lags = append(s.Lags,
			Lag{From: Point{i, true}, To: Point{i + 1, false}, Gap: 5},
			Lag{From: Point{i, true}, To: Point{i + 1, false}, Gap: 30, Max: true},
			Lag{From: Point{i + 1, true}, To: Point{i + 2, false}},
			Lag{From: Point{i, true}, To: Point{i + 2, false}, Gap: 60, Max: true},
		)
		unplaced = append(unplaced, Term{Kind: Unplaced, Point: Point{Task: i}, Weight: 1 + r.Int64N(5)})
		early = append(early, Term{Kind: EverBefore, Point: Point{i + 2, true}, At: due - 60, Weight: 1})
		ends = append(ends, Term{Kind: After, Point: Point{i, true}, Weight: 1})
	}
	return s, [][]Term{unplaced, early, ends}
}

func TestSameSeedSameResultAndMoreIsNeverWorse(t *testing.T) {
	for seed := range uint64(3) {
		spec, levels := bakeDay(rand.New(rand.NewPCG(seed, 7)), 24)
		var last []int64
		for _, steps := range []int64{0, 1, 1000, 50_000, 200_000, 500_000, 1_000_000, 2_000_000} {
			g := goal(t, spec, levels...)
			r := Solve(g, Options{Seed: seed, Steps: steps})
			again := Solve(g, Options{Seed: seed, Steps: steps})
			require.Equal(t, fmt.Sprint(r), fmt.Sprint(again), "seed %d steps %d", seed, steps)
			require.LessOrEqual(t, r.Steps, steps)
			if last != nil {
				require.NotNil(t, r.Cost, "seed %d steps %d: a solution was lost", seed, steps)
				require.LessOrEqual(t, slices.Compare(r.Cost, last), 0, "seed %d steps %d: %v after %v", seed, steps, r.Cost, last)
			}
			if last = r.Cost; last != nil {
				require.Empty(t, Check(g.problem, r.Solution), "seed %d steps %d", seed, steps)
				require.LessOrEqual(t, r.Bound[0], r.Cost[0])
			}
		}
		require.NotNil(t, last, "seed %d: nothing found in 2 million steps", seed)
	}
}

func TestProgressStops(t *testing.T) {
	spec, levels := bakeDay(rand.New(rand.NewPCG(1, 7)), 24)
	g := goal(t, spec, levels...)
	calls := 0
	var seen []int64
	r := Solve(g, Options{Steps: math.MaxInt64, Progress: func(steps int64, best []int64) bool {
		calls++
		seen = best
		return calls < 12
	}})
	require.Equal(t, 12, calls)
	require.Equal(t, Feasible, r.Status)
	require.Equal(t, seen, r.Cost)
	require.Empty(t, Check(g.problem, r.Solution))
}

func TestContradictionsAreInfeasible(t *testing.T) {
	one := func(d int64) []Mode { return []Mode{{Duration: d}} }
	held := func(d, amount int64) []Mode { return []Mode{{Duration: d, Demands: []Demand{{0, amount}}}} }
	tests := map[string]Spec{
		"due before release":        {Horizon: 10, Tasks: []Task{{Modes: one(1), Release: 5, Due: 4}}},
		"longer than its window":    {Horizon: 10, Tasks: []Task{{Modes: one(5), Release: 3, Due: 7}}},
		"longer than the horizon":   {Horizon: 10, Tasks: []Task{{Modes: one(11)}}},
		"release after the horizon": {Horizon: 10, Tasks: []Task{{Modes: one(0), Release: 11}}},
		"demand beyond capacity":    {Horizon: 10, Resources: []Resource{{Capacity: []Step{{0, 3}}}}, Tasks: []Task{{Modes: held(1, 4)}}},
		"closed all day":            {Horizon: 10, Resources: []Resource{{Capacity: []Step{{0, 0}}}}, Tasks: []Task{{Modes: held(1, 1)}}},
		"never open long enough": {Horizon: 12, Resources: []Resource{{Capacity: []Step{{0, 1}, {3, 0}, {4, 1}, {8, 0}, {9, 1}}}},
			Tasks: []Task{{Modes: held(5, 1)}}},
		"more work than time": {Horizon: 10, Resources: []Resource{{Capacity: []Step{{0, 1}}}},
			Tasks: []Task{{Modes: held(4, 1)}, {Modes: held(4, 1)}, {Modes: held(4, 1)}}},
		"lag to itself": {Horizon: 10, Tasks: []Task{{Modes: one(2)}}, Lags: []Lag{{From: Point{0, true}, To: Point{0, false}, Gap: 0}}},
		"lags in a circle": {Horizon: MaxTime, Tasks: []Task{{Modes: one(1)}, {Modes: one(1)}},
			Lags: []Lag{{From: Point{0, true}, To: Point{1, false}}, {From: Point{1, true}, To: Point{0, false}}}},
		"min lag over max lag": {Horizon: MaxTime, Tasks: []Task{{Modes: one(1)}, {Modes: one(1)}},
			Lags: []Lag{{From: Point{0, true}, To: Point{1, false}, Gap: 8}, {From: Point{0, true}, To: Point{1, false}, Gap: 7, Max: true}}},
		"group of one impossible task and a required lag": {Horizon: MaxTime, Tasks: []Task{{Modes: one(MaxTime)}, {Modes: one(1)}},
			Lags: []Lag{{From: Point{0, true}, To: Point{1, false}, Gap: MaxTime}}},
	}
	for name, spec := range tests {
		r := Solve(goal(t, spec, makespan), Options{Steps: 100_000})
		require.Equal(t, Infeasible, r.Status, name)
		for i := range spec.Tasks { // the same contradiction among optional tasks only leaves them out
			spec.Tasks[i].Optional = true
			spec.Tasks[i].Group = 1
		}
		g := goal(t, spec, []Term{{Kind: Unplaced, Weight: 7}}, makespan)
		r = Solve(g, Options{Steps: 100_000})
		require.Equal(t, Optimal, r.Status, name)
		require.Equal(t, []int64{7, 0}, r.Cost, name)
		require.Empty(t, Check(g.problem, r.Solution), name)
	}
}

func TestExtremes(t *testing.T) {
	empty := goal(t, Spec{}, makespan, nil)
	r := Solve(empty, Options{Steps: 100})
	require.Equal(t, Optimal, r.Status)
	require.Equal(t, []int64{0, 0}, r.Cost)

	require.Equal(t, Optimal, Solve(goal(t, Spec{Horizon: 3, Tasks: []Task{{Modes: []Mode{{Duration: 3}}}}}), Options{Steps: 100}).Status, "no goal: any solution is best")

	for _, steps := range []int64{0, -5, math.MinInt64} {
		r := Solve(empty, Options{Steps: steps})
		require.Equal(t, Unknown, r.Status)
		require.Zero(t, r.Steps)
	}

	// The largest numbers a Spec admits, in every place at once.
	huge := Spec{Horizon: MaxTime, Resources: []Resource{
		{Capacity: []Step{{0, MaxAmount}}},
		{Capacity: []Step{{0, 1}}, Setup: [][]int64{{0, MaxTime}, {MaxTime, 0}}},
	}}
	for i := range 6 {
		huge.Tasks = append(huge.Tasks, Task{Family: i % 2, Optional: true, Modes: []Mode{
			{Duration: MaxTime / 2, Stretch: MaxTime, Demands: []Demand{{0, MaxAmount}}},
			{Duration: 1, Stretch: MaxTime, Demands: []Demand{{1, 1}}},
		}})
		huge.Lags = append(huge.Lags, Lag{From: Point{i, true}, To: Point{(i + 1) % 6, false}, Gap: -MaxTime})
	}
	var late, unplaced []Term
	for i := range 6 {
		late = append(late, Term{Kind: Before, Point: Point{i, false}, At: MaxTime, Weight: MaxCost / MaxTime / 6})
		unplaced = append(unplaced, Term{Kind: Unplaced, Point: Point{Task: i}, Weight: MaxCost / 6})
	}
	g := goal(t, huge, unplaced, late)
	r = Solve(g, Options{Steps: 2_000_000})
	require.GreaterOrEqual(t, r.Status, Feasible)
	require.Empty(t, Check(g.problem, r.Solution))
}

func TestNewRefusesMalformedSpecs(t *testing.T) {
	change := map[string]func(*Spec){
		"negative horizon":      func(s *Spec) { s.Horizon = -1 },
		"horizon too large":     func(s *Spec) { s.Horizon = MaxTime + 1 },
		"no mode":               func(s *Spec) { s.Tasks[0].Modes = nil },
		"negative duration":     func(s *Spec) { s.Tasks[0].Modes[0].Duration = -1 },
		"huge duration":         func(s *Spec) { s.Tasks[0].Modes[0].Duration = math.MaxInt64 },
		"negative stretch":      func(s *Spec) { s.Tasks[2].Modes[0].Stretch = -1 },
		"negative release":      func(s *Spec) { s.Tasks[0].Release = -1 },
		"huge due":              func(s *Spec) { s.Tasks[0].Due = math.MaxInt64 },
		"unknown resource":      func(s *Spec) { s.Tasks[0].Modes[0].Demands[0].Resource = 2 },
		"resource twice":        func(s *Spec) { s.Tasks[0].Modes[0].Demands[1].Resource = 0 },
		"demand of nothing":     func(s *Spec) { s.Tasks[0].Modes[0].Demands[0].Amount = 0 },
		"family outside":        func(s *Spec) { s.Tasks[0].Family = 2 },
		"no ticks with setup":   func(s *Spec) { s.Tasks[0].Modes[0].Duration = 0 },
		"half optional group":   func(s *Spec) { s.Tasks[3].Optional = false },
		"no capacity":           func(s *Spec) { s.Resources[0].Capacity = nil },
		"capacity starts late":  func(s *Spec) { s.Resources[0].Capacity[0].From = 1 },
		"capacity out of order": func(s *Spec) { s.Resources[1].Capacity[1].From = 0 },
		"negative capacity":     func(s *Spec) { s.Resources[0].Capacity[0].Amount = -1 },
		"setup not unary":       func(s *Spec) { s.Resources[0].Capacity[0].Amount = 2 },
		"setup not square":      func(s *Spec) { s.Resources[0].Setup[0] = []int64{0} },
		"setup negative":        func(s *Spec) { s.Resources[0].Setup[0][1] = -1 },
		"setup slower than detour": func(s *Spec) {
			s.Resources[0].Setup = [][]int64{{0, 9, 1}, {0, 0, 0}, {0, 1, 0}}
		},
		"initial family outside": func(s *Spec) { s.Resources[0].Initial = 2 },
		"lag to nowhere":         func(s *Spec) { s.Lags[0].To.Task = 5 },
		"lag from nowhere":       func(s *Spec) { s.Lags[0].From.Task = -1 },
		"huge gap":               func(s *Spec) { s.Lags[0].Gap = math.MinInt64 },
		"too many tasks":         func(s *Spec) { s.Tasks = make([]Task, MaxTasks+1) },
	}
	for name, do := range change {
		spec, _ := workshop()
		do(&spec)
		_, err := New(spec)
		require.ErrorIs(t, err, ErrSpec, name)
	}
}

func TestNewGoalRefusesMalformedTerms(t *testing.T) {
	spec, _ := workshop()
	p, err := New(spec)
	require.NoError(t, err)
	for name, term := range map[string]Term{
		"no kind":         {Weight: 1},
		"unknown kind":    {Kind: InMode + 1, Weight: 1},
		"no such task":    {Kind: After, Point: Point{Task: 5}, Weight: 1},
		"no such mode":    {Kind: InMode, Mode: 1, Weight: 1},
		"negative time":   {Kind: Before, At: -1, Weight: 1},
		"no weight":       {Kind: Unplaced},
		"negative weight": {Kind: Unplaced, Weight: -1},
		"overflow":        {Kind: After, Weight: MaxCost/spec.Horizon + 1},
	} {
		_, err := NewGoal(p, []Term{term})
		require.ErrorIs(t, err, ErrSpec, name)
	}
	half := Term{Kind: Unplaced, Weight: MaxCost/2 + 1}
	_, err = NewGoal(p, []Term{half, half})
	require.ErrorIs(t, err, ErrSpec, "overflow of a sum")
	_, err = NewGoal(p, []Term{half}, []Term{half})
	require.NoError(t, err, "levels do not add up")
}
