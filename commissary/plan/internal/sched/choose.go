package sched

import "slices"

// choose returns the next decision, or false if every task is settled. A round either works on what was busy in recent
// conflicts, which refutes and improves, or goes forward in time, which finds schedules.
func (s *solver) choose(r *round) (lit, bool) {
	if !r.forward {
		if l, ok := s.busiest(); ok {
			return l, true
		}
	}
	return s.forward(r)
}

// busiest decides the most active open yes-or-no question: whether, how, and in which order tasks run. It leaves open
// what concerns unplaced tasks. Answers follow the best solution.
func (s *solver) busiest() (lit, bool) {
	for {
		s.steps++
		x, ok := s.order.top()
		if !ok {
			return lit{}, false
		}
		b := x << 1
		if s.fixed(b) {
			s.order.take()
			continue
		}
		who := s.roles[x]
		if s.isFalse(s.tasks[who.task].placed) || who.other >= 0 && s.isFalse(s.tasks[who.other].placed) {
			s.order.skip()
			continue
		}
		v := s.tasks[who.task]
		yes := lit{b, 1}
		switch {
		case !s.isTrue(v.placed) && s.best != nil && s.best.Mode[who.task] < 0:
			return v.placed.not(), true
		case !s.isTrue(v.placed):
			return v.placed, true
		case who.other >= 0 && !s.isTrue(s.tasks[who.other].placed):
			return s.tasks[who.other].placed, true
		case s.best != nil:
			if s.phase[x] < 1 {
				return yes.not(), true
			}
		case who.other >= 0:
			w := s.tasks[who.other]
			if s.value(v.start)-s.value(v.end.neg()) > s.value(w.start)-s.value(w.end.neg()) {
				return yes.not(), true
			}
		}
		return yes, true
	}
}

// forward settles the open task that can start first, or the one that must start first if the round says so. It takes
// up an optional task only when all others are settled.
func (s *solver) forward(r *round) (lit, bool) {
	s.steps += int64(len(s.tasks)) / 4
	best := -1
	var bestKey [3]int64
	for i, v := range s.tasks {
		if s.isFalse(v.placed) || s.settled(v) {
			continue
		}
		key := [3]int64{0, s.value(v.start), -s.value(v.start.neg())}
		if !s.isTrue(v.placed) {
			key[0] = 1
		}
		if r.lateFirst {
			key[1], key[2] = key[2], key[1]
		}
		if best < 0 || slices.Compare(key[:], bestKey[:]) < 0 {
			best, bestKey = i, key
		}
	}
	if best < 0 {
		return lit{}, false
	}
	v := s.tasks[best]
	if !s.isTrue(v.placed) {
		if r.tries != nil {
			if r.tries[v.placed.b]++; r.tries[v.placed.b] > maxTries {
				return v.placed.not(), true
			}
		}
		return v.placed, true
	}
	if on, open := s.openMode(v); open {
		return on, true
	}
	if !s.fixed(v.start.b) {
		return atMost(v.start.b, s.low[v.start.b]), true
	}
	return atMost(v.end.b, s.low[v.end.b]), true
}

// openMode returns one of the modes still possible, each with equal chance, or false if the mode is known.
func (s *solver) openMode(v taskVars) (lit, bool) {
	var pick lit
	var count uint64
	for _, on := range v.modes {
		if s.isTrue(on) {
			return lit{}, false
		}
		if !s.isFalse(on) {
			if count++; s.random(count) == 0 {
				pick = on
			}
		}
	}
	return pick, count > 0
}

// settled tells whether nothing about a placed task is open any more.
func (s *solver) settled(v taskVars) bool {
	if !s.isTrue(v.placed) || !s.fixed(v.start.b) || !s.fixed(v.end.b) {
		return false
	}
	for _, on := range v.modes {
		if s.isTrue(on) {
			return true
		}
	}
	return false
}

// neighbourhood returns literals that hold most of the best solution in place: whether and how the held tasks run,
// their order, and every other time roughly when. About free in 64 of the tasks are let go, either those around one
// moment or any; groups stay together.
func (s *solver) neighbourhood(free uint64) []lit {
	s.steps += int64(len(s.roles)) / 4
	n := uint64(len(s.tasks))
	held := make([]bool, n)
	centre := s.best.Start[s.random(n)]
	reach := s.p.spec.Horizon * int64(free) / 128
	around := s.random(2) == 0
	loose := map[bound]bool{} // groups by their shared variable
	for i, v := range s.tasks {
		if around && s.best.Mode[i] >= 0 {
			held[i] = s.best.End[i] < centre-reach || s.best.Start[i] > centre+reach
		} else {
			held[i] = s.random(64) >= free
		}
		if !held[i] && v.placed.b != s.zero {
			loose[v.placed.b] = true
		}
	}
	var out []lit
	hold := func(l lit, yes bool) {
		if !yes {
			l = l.not()
		}
		if !s.isTrue(l) {
			out = append(out, l)
		}
	}
	slack := int64(-1)
	if s.random(2) == 0 {
		slack = s.p.spec.Horizon >> (2 + s.random(6))
	}
	for i, v := range s.tasks {
		held[i] = held[i] && !loose[v.placed.b]
		if !held[i] {
			continue
		}
		mode := s.best.Mode[i]
		hold(v.placed, mode >= 0)
		if mode < 0 {
			held[i] = false
			continue
		}
		hold(v.modes[mode], true)
		if slack >= 0 {
			hold(v.start.neg().least(-s.best.Start[i]-slack), true)
			hold(v.start.least(s.best.Start[i]-slack), true)
		}
	}
	for x, who := range s.roles {
		if who.other >= 0 && held[who.task] && held[who.other] {
			hold(lit{bound(2 * x), 1}, s.phase[x] > 0)
		}
	}
	return out
}
