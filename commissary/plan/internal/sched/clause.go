package sched

import "slices"

type clause struct {
	lits []lit // the first two are watched
	glue int   // number of levels among its literals when learnt; 0 for clauses of the model
}

// watch waits for a bound to reach k, which makes a watched literal false or a condition true.
type watch struct {
	k  int64
	at int32
}

// visitClauses looks at the clauses that a risen bound robs of a watched literal.
func (e *engine) visitClauses(t entry) bool {
	list := e.watches[t.b]
	e.steps += int64(len(list)) / 4
	kept := 0
	for i, w := range list {
		list[kept] = w
		kept++
		if w.k <= t.was || t.now < w.k {
			continue
		}
		e.steps++
		lits := e.clauses[w.at].lits
		if lits[0] == (lit{t.b ^ 1, 1 - w.k}) {
			lits[0], lits[1] = lits[1], lits[0]
		}
		if e.isTrue(lits[0]) {
			continue
		}
		moved := false
		for j := 2; j < len(lits); j++ {
			if !e.isFalse(lits[j]) {
				lits[1], lits[j] = lits[j], lits[1]
				e.watchLit(lits[1], w.at)
				moved = true
				break
			}
		}
		if moved {
			kept--
			continue
		}
		if !e.set(lits[0], reason{kind: byClause, at: w.at}) {
			kept += copy(list[kept:], list[i+1:])
			e.watches[t.b] = list[:kept]
			return false
		}
	}
	e.watches[t.b] = list[:kept]
	return true
}

func (e *engine) watchLit(l lit, c int32) {
	n := l.not()
	e.watches[n.b] = append(e.watches[n.b], watch{n.k, c})
}

// addClause adds a clause of the model, before any decision. No two literals may be about the same bound.
func (e *engine) addClause(lits ...lit) {
	lits = slices.DeleteFunc(lits, e.isFalse)
	switch {
	case slices.ContainsFunc(lits, e.isTrue):
	case len(lits) == 0:
		e.dead = true
	case len(lits) == 1:
		e.set(lits[0], reason{})
	default:
		e.attach(clause{lits: lits})
	}
}

func (e *engine) attach(c clause) int32 {
	i := int32(len(e.clauses))
	e.clauses = append(e.clauses, c)
	e.watchLit(c.lits[0], i)
	e.watchLit(c.lits[1], i)
	return i
}

// learn turns e.conflict into a clause, retreats to where it has one open literal, and makes that literal true.
// It returns false if there is no such place: the model has no solution.
func (e *engine) learn() bool {
	deepest := 0
	for _, l := range e.conflict {
		if p := e.entryOf(l); p >= 0 {
			deepest = max(deepest, e.levelOf(p))
		}
	}
	e.retreat(deepest)
	if deepest == 0 {
		e.dead = true
		return false
	}
	start := int32(e.levels[deepest-1].trail)
	open := 0
	var touched []bound
	require := func(l lit) {
		p := e.entryOf(l)
		if p < 0 || e.pos[l.b] >= 0 && e.need[l.b] >= l.k {
			return
		}
		if e.pos[l.b] < 0 {
			touched = append(touched, l.b)
		}
		if p >= start && e.pos[l.b] < start {
			open++
		}
		e.pos[l.b], e.need[l.b] = p, l.k
	}
	for _, l := range e.conflict {
		require(l)
	}
	var out []lit
	for i := int32(len(e.trail) - 1); ; i-- {
		b := e.trail[i].b
		if e.pos[b] != i {
			continue
		}
		l := lit{b, e.need[b]}
		e.pos[b] = -1
		e.order.bump(b >> 1)
		if open--; open == 0 {
			out = append(out, l.not())
			break
		}
		e.conflict = e.explain(l, e.trail[i].why, int(i), e.conflict[:0])
		e.steps += int64(len(e.conflict))
		for _, q := range e.conflict {
			require(q)
		}
	}
	slices.Sort(touched)
	touched = slices.Compact(touched)
	levels := map[int]bool{}
	back := 0
	for _, b := range touched {
		if e.pos[b] < 0 || e.implied(b) {
			continue
		}
		e.order.bump(b >> 1)
		out = append(out, lit{b, e.need[b]}.not())
		at := e.levelOf(e.pos[b])
		levels[at] = true
		if at > back {
			back = at
			out[1], out[len(out)-1] = out[len(out)-1], out[1]
		}
	}
	for _, b := range touched {
		e.pos[b] = -1
	}
	e.order.age()
	e.retreat(back)
	if len(out) == 1 {
		return e.set(out[0], reason{})
	}
	e.steps += int64(len(out))
	return e.set(out[0], reason{kind: byClause, at: e.attach(clause{out, len(levels) + 1})})
}

// implied tells whether a needed literal follows from the other needed ones, so that the clause can do without it.
func (e *engine) implied(b bound) bool {
	i := e.pos[b]
	why := e.trail[i].why
	if why.kind == decided {
		return false
	}
	e.conflict = e.explain(lit{b, e.need[b]}, why, int(i), e.conflict[:0])
	for _, q := range e.conflict {
		// Only what was true earlier counts, or two literals could vouch for each other.
		if e.root[q.b] < q.k && (e.pos[q.b] < 0 || e.pos[q.b] >= i || e.need[q.b] < q.k) {
			return false
		}
	}
	return true
}

// forget drops the worse half of the learnt clauses. It must be called at level 0 after settleRoot.
func (e *engine) forget(keep int) {
	var learnt []int
	for i, c := range e.clauses {
		if c.glue > 2 {
			learnt = append(learnt, i)
		}
	}
	if len(learnt) <= keep {
		return
	}
	slices.SortStableFunc(learnt, func(a, b int) int {
		x, y := e.clauses[a], e.clauses[b]
		if x.glue != y.glue {
			return x.glue - y.glue
		}
		if len(x.lits) != len(y.lits) {
			return len(x.lits) - len(y.lits)
		}
		return b - a // the younger first
	})
	drop := make([]bool, len(e.clauses))
	for _, i := range learnt[keep/2:] {
		drop[i] = true
	}
	old := e.clauses
	e.clauses = nil
	for b := range e.watches {
		e.watches[b] = e.watches[b][:0]
	}
	for i, c := range old {
		if drop[i] || slices.ContainsFunc(c.lits, e.isTrue) {
			continue
		}
		// At the root no clause is unit: its two first open literals become the watched ones.
		at := 0
		for j, l := range c.lits {
			if !e.isFalse(l) && at < 2 {
				c.lits[at], c.lits[j] = c.lits[j], c.lits[at]
				at++
			}
		}
		e.attach(c)
	}
	e.steps += int64(len(old))
}
