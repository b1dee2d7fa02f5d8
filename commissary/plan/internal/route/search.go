package route

import (
	"cmp"
	"math/bits"
	"math/rand/v2"
	"slices"
)

// Options of a search.
type Options struct {
	Seed uint64
	// Steps is the work to be done. One takes some stops out and puts them
	// back, or fills a few hundred entries of the exact table. With none the
	// result is the first insertion.
	Steps int
	// Progress, when given, is called every ProgressEvery steps with the best
	// rank so far; false stops the search.
	Progress func(steps int, best Rank) bool
}

// ProgressEvery is the number of steps between two calls of Progress.
const ProgressEvery = 128

// Result is what a search found. Routes has one list of stops per vehicle.
type Result struct {
	Routes   [][]int
	Cost     Cost
	Bound    Rank // no routes rank better than this
	Proved   bool // the routes are as good as the bound: nothing better exists
	Stopped  bool // by Progress
	Unserved []Unserved
	Steps    int // done; fewer than asked for once the best is proved
}

// Solve searches for the best routes. After a first insertion of every stop
// it ruins and recreates: strings of neighbouring stops leave their tours and
// return at the cheapest place, and simulated annealing decides whether the
// outcome stands. The method is Christiaens and Vanden Berghe, "Slack
// Induction by String Removals for Vehicle Routing Problems", Transportation
// Science 54 (2020), the numbers of strings and stops from there. Cooling
// runs in rounds that double in length up to a longest, whatever the number
// of steps asked for, so that a longer search repeats a shorter one and goes
// on. A single vehicle is settled by an exact table where the table stays
// small.
func Solve(p *Problem, o Options) Result {
	s := newSearch(p, o)
	s.construct()
	bound, duals := p.bound()
	s.floor = bound
	exactly := len(p.data.Vehicles) == 1 && len(p.data.Stops) <= maxTabled
	for length := firstRound; s.more(); length = min(2*length, lastRound) {
		if p.data.Objective.FewestVehicles {
			s.squeeze(length / 2)
		}
		s.cool(length)
		if exactly && s.more() {
			exactly = false
			if s.exact(duals) {
				s.floor = s.least
			}
		}
	}
	r := Result{
		Routes: s.best.routes(), Bound: p.rank(s.floor), Proved: s.floor >= s.least,
		Stopped: s.stopped, Steps: s.steps,
	}
	r.Cost = CostOf(p, r.Routes)
	r.Unserved = p.unserved(r.Routes)
	return r
}

const (
	firstRound  = 1 << 9  // steps of the first round of cooling
	lastRound   = 1 << 16 // and of the longest
	meanRemoved = 10      // stops taken out per step, on average, where there are thrice as many
	longString  = 10      // stops of the longest string
	blink       = 100     // one place in so many is overlooked
	roughBlink  = 4       // and in a rough step
	rough       = 16      // one step in so many is rough, one in so many opens only a vehicle drawn
	warmth      = 1       // first temperature, in mean prices per stop
)

// search is one run of Solve.
type search struct {
	p        *Problem
	o        Options
	source   *rand.PCG
	steps    int
	stopped  bool
	now      *fleet
	best     *fleet
	least    Price // the objective of best
	floor    Price // no objective is less
	vehicles int   // how many may be used
	near     [][]int32
	missed   []int64 // by stop: how often it stayed absent
	touched  []int32 // vehicles changed in this step
	saved    []tour  // what they were
	mark     []bool  // by vehicle: touched
	out      []int32 // the list of absent stops before this step
	unseen   int     // places until the next is overlooked
	blink    int     // one place in so many is overlooked in this step
	only     int     // the one empty vehicle that may be opened in this step; -1 for any
}

func newSearch(p *Problem, o Options) *search {
	s := &search{p: p, o: o, source: rand.NewPCG(o.Seed, 0x9e3779b97f4a7c15), now: p.fleet(), best: p.fleet(),
		vehicles: len(p.data.Vehicles), missed: make([]int64, len(p.data.Stops)),
		saved: make([]tour, len(p.data.Vehicles)), mark: make([]bool, len(p.data.Vehicles))}
	for i := range p.data.Stops {
		s.missed[i] = 1
		list := make([]int32, 0, len(p.data.Stops))
		for j := range p.data.Stops {
			if !p.hopeless[j] {
				list = append(list, int32(j))
			}
		}
		key := func(j int32) Price {
			if int(j) == i {
				return -1
			}
			there, back := p.leg(int32(i), j), p.leg(j, int32(i))
			if near := there.price + back.price; near > 0 {
				return near
			}
			return Price(there.time + back.time)
		}
		slices.SortFunc(list, func(a, b int32) int { return cmp.Or(cmp.Compare(key(a), key(b)), cmp.Compare(a, b)) })
		s.near = append(s.near, list)
	}
	return s
}

// below draws a number from 0 to n-1.
func (s *search) below(n int) int {
	hi, _ := bits.Mul64(s.source.Uint64(), uint64(n))
	return int(hi)
}

// gap draws how many places are seen before one is overlooked.
func (s *search) gap() int { return s.below(2 * s.blink) }

// more reports whether the search goes on.
func (s *search) more() bool {
	return !s.stopped && s.steps < s.o.Steps && s.least > s.floor && len(s.near) > 0
}

// step counts a step done and reports whether the search goes on.
func (s *search) step() bool {
	s.steps++
	if s.o.Progress != nil && s.steps%ProgressEvery == 0 && !s.o.Progress(s.steps, s.p.rank(s.least)) {
		s.stopped = true
	}
	return s.more()
}

// construct begins with what still holds of the earlier routes and inserts the rest.
func (s *search) construct() {
	p, f := s.p, s.now
	for v, route := range p.data.Before {
		for _, i := range route {
			if !p.may[v][i] {
				continue
			}
			t := &f.tours[v]
			t.nodes = slices.Insert(t.nodes, len(t.nodes)-1, int32(i))
			if !p.refresh(v, t) {
				t.nodes = slices.Delete(t.nodes, len(t.nodes)-2, len(t.nodes)-1)
			}
		}
		t := &f.tours[v]
		t.nodes = slices.Clone(t.nodes)
		p.refresh(v, t)
		for _, i := range t.stops() {
			f.where[i] = int32(v)
			f.price -= p.skip[i]
		}
		p.replace(f, v, 0, true)
	}
	f.absent = slices.DeleteFunc(f.absent, func(i int32) bool { return f.where[i] >= 0 })
	s.recreate(false)
	s.best.set(f)
	s.least = p.sum(f)
}

// keep remembers the state when it is the best so far.
func (s *search) keep(sum Price) {
	if sum < s.least {
		s.best.set(s.now)
		s.least = sum
	}
}

// cool anneals for a round of the given number of steps, from the best state.
func (s *search) cool(length int) {
	s.now.set(s.best)
	s.vehicles = len(s.p.data.Vehicles)
	s.anneal(length, 0, func() bool { return true })
}

// squeeze tries, within a number of steps, to do with fewer vehicles than the best state uses.
func (s *search) squeeze(length int) {
	for left := length; left > 0 && s.more() && s.best.used > max(1, s.p.rank(s.floor).Vehicles); {
		s.now.set(s.best)
		s.vehicles = s.best.used - 1
		s.close()
		target := s.least
		s.keep(s.p.sum(s.now))
		left = s.anneal(length, length-left, func() bool { return s.least == target })
	}
}

// anneal makes the steps of a round from the given one on while it should,
// and returns how many were left. Required stops that are absent count more
// than the objective.
func (s *search) anneal(length, from int, should func() bool) int {
	p := s.p
	hot := uint64(p.rank(s.least).Price) * warmth / uint64(len(p.data.Stops)+1)
	missing, sum := s.missing(), p.sum(s.now)
	left := length - from
	for ; left > 0 && should() && s.more(); left-- {
		s.ruin()
		s.recreate(true)
		after, next := s.missing(), p.sum(s.now)
		s.keep(next)
		if after < missing || after == missing && next < sum+s.slack(hot, left, length) {
			sum = next
		} else {
			s.restore()
		}
		for _, i := range s.now.absent {
			s.missed[i]++ // what is often left out is put in with more force
		}
		missing = s.missing()
		s.step()
	}
	return left
}

// close empties the tour whose stops have been absent least often.
func (s *search) close() {
	victim, least := -1, int64(0)
	for v := range s.now.tours {
		var sum int64
		for _, i := range s.now.tours[v].stops() {
			sum += s.missed[i]
		}
		if sum > 0 && (victim < 0 || sum < least) {
			victim, least = v, sum
		}
	}
	s.begin()
	s.touch(victim)
	s.p.remove(s.now, victim, func(int) bool { return true })
	s.recreate(false)
}

// missing weighs the required stops that are absent by how often they were.
func (s *search) missing() int64 {
	var sum int64
	for _, i := range s.now.absent {
		if !s.p.data.Stops[i].Optional {
			sum += s.missed[i]
		}
	}
	return sum
}

// slack draws how much worse a state may be and still be taken: the
// temperature times an exponential variate. The temperature falls with the
// square of the steps left. All in whole numbers, so that every machine draws
// the same; -log2 of a uniform number is taken linear between powers of two.
func (s *search) slack(hot uint64, left, length int) Price {
	u := s.source.Uint64() | 1
	zeros := bits.LeadingZeros64(u)
	fraction := (u << zeros << 1) >> 48
	variate := uint64(zeros+1)<<16 - fraction
	x := ratio(hot, uint64(left), uint64(length))
	x = ratio(x, uint64(left)*variate, uint64(length)<<16)
	return Price(x) + 1
}

// ratio is x*num/den through 128 bits.
func ratio(x, num, den uint64) uint64 {
	hi, lo := bits.Mul64(x, num)
	q, _ := bits.Div64(hi, lo, den)
	return q
}
