package sched

// The search is a constraint engine over integer variables known by their two bounds. Every deduction keeps enough to
// say later why it was made, and every dead end is turned into a clause over bounds that forbids its cause: lazy clause
// generation (O. Ohrimenko, P. Stuckey, M. Codish, "Propagation via lazy clause generation", Constraints 14, 2009), with
// the bounds themselves as the atoms and no Boolean encoding of them.

// bound is one side of a variable: 2x is x itself, 2x+1 is −x. So every side has a low value that only rises as the
// search descends, and one piece of code serves both directions.
type bound int32

// lit states that a bound's value is at least k.
type lit struct {
	b bound
	k int64
}

func (l lit) not() lit { return lit{l.b ^ 1, 1 - l.k} }

// reason tells how to explain a deduction.
type reason struct {
	kind reasonKind
	at   int32 // clause, arc·2+direction, sum, or offset into the notes
	n    int32 // number of notes
}

type reasonKind uint8

const (
	decided  reasonKind = iota
	byClause            // the other literals of a clause are false
	byArc               // a difference between two variables
	bySum               // a weighted sum
	byNotes             // literals written down when the deduction was made
)

type entry struct {
	b        bound
	prev     int32 // previous entry of the same bound, −1 if none
	was, now int64
	why      reason
}

type level struct{ trail, notes, armed int }

type engine struct {
	low  []int64 // by bound
	root []int64 // by bound: what holds without any decision
	last []int32 // by bound: latest entry in the trail, −1 if the root value stands

	trail  []entry
	levels []level // start of each decision level
	notes  []lit   // literals behind byNotes reasons, cut back with the trail
	head   int     // entries of the trail not yet propagated
	dead   bool    // a contradiction without any decision

	clauses []clause
	watches [][]watch // by bound: clauses with a literal that becomes false

	arcs     []arc
	arcsFrom [][]int32 // by bound: arc·2+direction, armed ones only
	arcsIf   [][]watch // by bound: arcs with a condition
	armed    []int32   // in the order of arming

	sums      []sum
	sumsOf    [][]int32 // by bound
	dirtySums queue

	profiles      []profile
	profilesOf    [][]int32 // by bound
	dirtyProfiles queue

	conflict []lit // literals that are all true and cannot be together

	steps, budget int64 // work done and allowed

	// Scratch of the conflict analysis, by bound.
	need []int64
	pos  []int32 // entry that made the needed literal true; −1 if none is needed

	order activity
}

// queue holds constraints waiting to be run, each at most once.
type queue struct {
	list   []int32
	listed []bool
}

func (q *queue) add(i int32) {
	if !q.listed[i] {
		q.listed[i] = true
		q.list = append(q.list, i)
	}
}

func (q *queue) pop() (int32, bool) {
	if len(q.list) == 0 {
		return 0, false
	}
	i := q.list[len(q.list)-1]
	q.list = q.list[:len(q.list)-1]
	q.listed[i] = false
	return i, true
}

func (q *queue) clear() {
	for _, i := range q.list {
		q.listed[i] = false
	}
	q.list = q.list[:0]
}

// variable adds a variable with the given bounds and returns its rising side.
func (e *engine) variable(from, to int64) bound {
	b := bound(len(e.low))
	e.low = append(e.low, from, -to)
	e.root = append(e.root, from, -to)
	e.last = append(e.last, -1, -1)
	e.watches = append(e.watches, nil, nil)
	e.arcsFrom = append(e.arcsFrom, nil, nil)
	e.arcsIf = append(e.arcsIf, nil, nil)
	e.sumsOf = append(e.sumsOf, nil, nil)
	e.profilesOf = append(e.profilesOf, nil, nil)
	e.need = append(e.need, 0, 0)
	e.pos = append(e.pos, -1, -1)
	e.order.grow()
	if from > to {
		e.dead = true
	}
	return b
}

func (e *engine) isTrue(l lit) bool  { return e.low[l.b] >= l.k }
func (e *engine) isFalse(l lit) bool { return l.k+e.low[l.b^1] > 0 }
func (e *engine) high(b bound) int64 { return -e.low[b^1] }
func (e *engine) fixed(b bound) bool { return e.low[b]+e.low[b^1] == 0 }

// set makes a literal true. It returns false and fills e.conflict if that is impossible.
func (e *engine) set(l lit, why reason) bool {
	was := e.low[l.b]
	if was >= l.k {
		return true
	}
	if e.isFalse(l) {
		l.k = 1 - e.low[l.b^1] // the least that contradicts needs the least explanation
		e.conflict = append(e.explain(l, why, len(e.trail), e.conflict[:0]), l.not())
		return false
	}
	e.trail = append(e.trail, entry{l.b, e.last[l.b], was, l.k, why})
	e.last[l.b] = int32(len(e.trail) - 1)
	e.low[l.b] = l.k
	return true
}

// explain appends literals that were true before trail position pos and together imply l.
func (e *engine) explain(l lit, why reason, pos int, out []lit) []lit {
	switch why.kind {
	case byClause:
		for _, q := range e.clauses[why.at].lits {
			if q.b != l.b {
				out = append(out, q.not())
			}
		}
	case byArc:
		a := &e.arcs[why.at>>1]
		from, _ := a.ends(why.at & 1)
		out = append(append(out, a.conds...), lit{from, l.k - a.gap})
	case bySum:
		out = e.explainSum(why.at, l, pos, out)
	case byNotes:
		out = append(out, e.notes[why.at:why.at+why.n]...)
	}
	return out
}

// lowAt returns what a bound's low value was before trail position pos.
func (e *engine) lowAt(b bound, pos int) int64 {
	v := e.low[b]
	for i := e.last[b]; i >= int32(pos); i = e.trail[i].prev {
		v = e.trail[i].was
	}
	return v
}

// entryOf returns the trail position that made a true literal true, −1 if it holds at the root.
func (e *engine) entryOf(l lit) int32 {
	i := e.last[l.b]
	for i >= 0 && e.trail[i].was >= l.k {
		i = e.trail[i].prev
	}
	return i
}

// levelOf returns the decision level of a trail position.
func (e *engine) levelOf(pos int32) int {
	lo, hi := 0, len(e.levels)
	for lo < hi {
		mid := (lo + hi) / 2
		if e.levels[mid].trail <= int(pos) {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

// decide opens a level and makes l true there.
func (e *engine) decide(l lit) {
	e.levels = append(e.levels, level{len(e.trail), len(e.notes), len(e.armed)})
	e.set(l, reason{})
}

// retreat undoes all levels above the given one.
func (e *engine) retreat(to int) {
	e.dirtySums.clear()
	e.dirtyProfiles.clear()
	if to >= len(e.levels) {
		return
	}
	mark := e.levels[to]
	for i := len(e.trail) - 1; i >= mark.trail; i-- {
		t := &e.trail[i]
		e.low[t.b] = t.was
		e.last[t.b] = t.prev
		e.order.offer(t.b >> 1)
	}
	e.order.offerSkipped()
	e.trail = e.trail[:mark.trail]
	e.notes = e.notes[:mark.notes]
	e.disarm(mark.armed)
	e.levels = e.levels[:to]
	e.head = min(e.head, len(e.trail))
}

// propagate draws all consequences. It returns false on a conflict, and stops early when the budget is spent.
func (e *engine) propagate() bool {
	for e.steps < e.budget {
		if e.head < len(e.trail) {
			i := e.head
			e.head++
			if !e.visit(e.trail[i], e.last[e.trail[i].b] == int32(i)) {
				return false
			}
		} else if i, ok := e.dirtySums.pop(); ok {
			if !e.runSum(i) {
				return false
			}
		} else if i, ok := e.dirtyProfiles.pop(); ok {
			if !e.runProfile(i) {
				return false
			}
		} else {
			break
		}
	}
	return true
}

// visit hands one risen bound to all that wait for it.
func (e *engine) visit(t entry, latest bool) bool {
	e.steps++
	if latest {
		for _, i := range e.arcsFrom[t.b] {
			if !e.runArc(i) {
				return false
			}
		}
		e.steps += int64(len(e.arcsFrom[t.b]))
		for _, i := range e.sumsOf[t.b] {
			e.dirtySums.add(i)
		}
		for _, i := range e.profilesOf[t.b] {
			e.dirtyProfiles.add(i)
		}
	}
	for _, w := range e.arcsIf[t.b] {
		if t.was < w.k && w.k <= t.now {
			e.steps++
			if !e.arm(w.at) {
				return false
			}
		}
	}
	return e.visitClauses(t)
}

// settleRoot makes everything deduced without a decision permanent. It must be called at level 0 after propagation.
func (e *engine) settleRoot() {
	for _, t := range e.trail {
		e.root[t.b] = max(e.root[t.b], t.now)
		e.last[t.b] = -1
	}
	e.trail, e.notes, e.head = e.trail[:0], e.notes[:0], 0
}
