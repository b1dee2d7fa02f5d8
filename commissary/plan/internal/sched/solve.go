package sched

import "slices"

// Status says what Solve can vouch for.
type Status int

// The answers of Solve.
const (
	Unknown    Status = iota // nothing found and nothing proved within the budget
	Infeasible               // proved: no solution exists
	Feasible                 // a solution, not proved best
	Optimal                  // a solution proved best at every level
)

// String is for test output and logs.
func (s Status) String() string {
	return [...]string{"unknown", "infeasible", "feasible", "optimal"}[s]
}

// Options of a search.
type Options struct {
	// Seed varies the course of the search, never what is proved.
	Seed uint64
	// Steps is the budget. A step is one unit of propagation or search, the same on every machine; a search takes
	// its course independently of the budget and is cut off when it is spent, so a larger budget is never worse.
	// Writing the problem into the engine comes before the first step and costs about one look at every pair of tasks
	// that compete for a resource.
	Steps int64
	// Progress, if given, is called now and then and at every better solution with the steps taken and the best cost
	// so far (nil if none); the search stops when it returns false.
	Progress func(steps int64, best []int64) bool
}

// Result is what a search found.
type Result struct {
	Solution // empty unless Status is Feasible or Optimal
	Status   Status
	Cost     []int64 // by level
	// Bound[i] is a proved lower bound of Cost[i] among all solutions whose earlier levels cost no more than here.
	// Where all bounds meet their costs the solution is optimal.
	Bound []int64
	Steps int64 // steps taken
}

// Solve searches for the best solution until it is proved, the budget is spent, or Progress says stop.
func Solve(g *Goal, o Options) Result {
	s := newSolver(g, o)
	s.run()
	r := Result{Cost: s.cost, Bound: s.bound, Steps: max(0, min(s.steps, o.Steps))}
	switch {
	case s.best != nil && slices.Equal(s.cost, s.bound):
		r.Solution, r.Status = *s.best, Optimal
	case s.best != nil:
		r.Solution, r.Status = *s.best, Feasible
	case s.dead:
		r.Status, r.Bound = Infeasible, nil
	}
	return r
}

const (
	reportEvery = 1 << 16 // steps between two calls of Progress
	roundUnit   = 100     // conflicts of the shortest round
	nearLimit   = 300     // conflicts of a round near the best solution
	maxTries    = 2       // attempts to place an optional task on the way to a first solution
	keepLearnt  = 4000    // learnt clauses kept at first
)

type solver struct {
	*model
	goal       *Goal
	options    Options
	rand       uint64
	nextReport int64
	stopped    bool

	best        *Solution
	cost, bound []int64
	phase       []int64 // by variable: its value in the solution found last
	free        uint64  // how much of the best solution to let go, in 64ths
	reach       []int   // by level: how close to the bound the next attempt from below aims

	found   Solution // of the last round
	refuted int64    // of the last round

	given      int // clauses of the model
	keepLearnt int // learnt clauses to keep at most
}

func newSolver(g *Goal, o Options) *solver {
	s := &solver{model: newModel(g, o.Steps), goal: g, options: o, rand: o.Seed, nextReport: reportEvery}
	s.given, s.keepLearnt = len(s.clauses), keepLearnt
	for x, who := range s.roles {
		if who.task >= 0 {
			s.order.admit(bound(x), int64(s.random(64)))
		}
	}
	return s
}

// random returns a number below n (splitmix64; S. Vigna, public domain reference description).
func (s *solver) random(n uint64) uint64 {
	s.rand += 0x9e3779b97f4a7c15
	z := s.rand
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return (z ^ z>>31) % n
}

func (s *solver) run() {
	s.bound = make([]int64, len(s.costs))
	s.reach = make([]int, len(s.costs))
	s.free = 16
	for n := 0; !s.stopped && !s.dead && s.steps < s.budget; n++ {
		if s.best != nil {
			at := s.pickLevel(n / 4)
			if at < 0 {
				return
			}
			s.improve(at, n)
			continue
		}
		r := round{limit: roundUnit * luby(n/2), forward: n%2 == 0, lateFirst: n%4 == 2}
		if r.forward {
			r.limit = max(r.limit, 4*len(s.tasks))
			r.tries = map[bound]int{}
		}
		if s.search(&r) == found {
			s.keep()
		}
	}
}

// pickLevel returns the first unproved level, every fourth time the one after it; −1 if all are proved.
func (s *solver) pickLevel(n int) int {
	at := -1
	for i := range s.cost {
		if s.cost[i] == s.bound[i] {
			continue
		}
		if at < 0 {
			at = i
		} else if n%4 == 3 {
			return i
		}
	}
	return at
}

// improve spends one round on one level: from above, asking for less than the best cost, near the best solution or
// anywhere; or from below, asking for a cost close to the bound, whose refusal raises the bound. Costs are limited by
// assumptions, so that every clause learnt stays true for all later rounds.
func (s *solver) improve(at, n int) {
	var assume []lit
	for i := range at {
		assume = append(assume, atMost(s.costs[i], s.cost[i]))
	}
	aim := s.cost[at] - 1
	near, below := n%4 == 0 || n%4 == 2, n%4 == 3
	if below {
		aim = s.bound[at] + (aim-s.bound[at])>>(1+s.reach[at])
	}
	r := &round{assume: append(assume, atMost(s.costs[at], aim)), limit: roundUnit * luby(n/4), forward: n%8 == 5}
	if near {
		r.wishes = s.neighbourhood(s.free)
		r.limit = nearLimit
	}
	switch s.search(r) {
	case found:
		s.keep()
	case refuted:
		s.bound[at] = s.refuted
		s.reach[at] = 0
	case cramped:
		s.free = min(s.free+1, 56)
	case exhausted:
		if near {
			s.free = max(s.free-1, 2)
		} else if below && s.reach[at] < 60 {
			s.reach[at]++
		}
	}
}

func atMost(b bound, v int64) lit { return lit{b ^ 1, -v} }

// keep makes the solution just found the best one; the assumptions of its round made sure that it is better. The
// bounds stay: what held among solutions up to the old costs holds among the fewer up to the new ones.
func (s *solver) keep() {
	best := s.found
	s.best, s.cost = &best, s.goal.Cost(best)
	s.report()
}

func (s *solver) report() {
	s.nextReport = s.steps + reportEvery
	if s.options.Progress != nil && !s.options.Progress(s.steps, slices.Clone(s.cost)) {
		s.stopped = true
	}
}

// outcome is how a round ended.
type outcome int

const (
	found     outcome = iota // s.found is a solution under the assumptions
	refuted                  // there is none; s.refuted is what the last assumption's cost is at least
	cramped                  // there is none near the best solution
	exhausted                // the round's limit of conflicts was reached, or the search ends altogether
)

// round says how a piece of the search goes about it.
type round struct {
	assume    []lit // what a solution must satisfy
	wishes    []lit // what it should satisfy besides
	limit     int   // conflicts
	forward   bool
	lateFirst bool
	tries     map[bound]int // how often each optional task was tried; if given, it is left out after a few
}

// search runs one round.
func (s *solver) search(r *round) outcome {
	defer s.retreat(0)
	assume := append(r.assume, r.wishes...)
	for {
		if !s.propagate() {
			r.limit--
			if !s.learn() {
				return exhausted
			}
			continue
		}
		if s.steps >= s.nextReport {
			s.report()
		}
		if s.stopped || s.steps >= s.budget {
			return exhausted
		}
		at := len(s.levels)
		if at == 0 {
			s.settleRoot()
			for i, b := range s.costs {
				s.bound[i] = max(s.bound[i], s.root[b])
			}
			if len(s.clauses)-s.given > s.keepLearnt {
				s.forget(s.keepLearnt)
				s.keepLearnt += s.keepLearnt / 10
			}
		}
		if r.limit <= 0 {
			return exhausted
		}
		if at < len(assume) {
			if s.isFalse(assume[at]) {
				if at >= len(r.assume) {
					return cramped
				}
				s.refuted = s.low[assume[at].b^1]
				return refuted
			}
			s.decide(assume[at])
			continue
		}
		s.steps++
		l, open := s.choose(r)
		if !open {
			s.found = s.solution()
			s.phase = s.phase[:0]
			for x := range s.roles {
				s.phase = append(s.phase, s.low[2*x])
			}
			return found
		}
		s.decide(l)
	}
}

// luby is the restart sequence 1 1 2 1 1 2 4 … (M. Luby, A. Sinclair, D. Zuckerman, "Optimal speedup of Las Vegas
// algorithms", Information Processing Letters 47, 1993).
func luby(n int) int {
	for {
		k := 1
		for 1<<k-1 <= n {
			k++
		}
		if n == 1<<k-2 {
			return 1 << (k - 1)
		}
		n -= 1<<(k-1) - 1
	}
}
