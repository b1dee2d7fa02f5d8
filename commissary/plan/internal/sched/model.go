package sched

import (
	"cmp"
	"slices"
)

// model is a Problem and a Goal written into an engine.
type model struct {
	engine
	p     *Problem
	zero  bound // fixed at 0
	tasks []taskVars
	costs []bound // by level
	roles []role  // by variable
}

// role says whose yes-or-no variable it is: one task's, or the order of two; −1 for none.
type role struct{ task, other int }

// assignRoles must come after all variables.
func (m *model) assignRoles(orders []order) {
	m.roles = make([]role, len(m.low)/2)
	for x := range m.roles {
		m.roles[x] = role{-1, -1}
	}
	for i, v := range m.tasks {
		m.roles[v.placed.b>>1] = role{i, -1}
		for _, on := range v.modes {
			m.roles[on.b>>1] = role{i, -1}
		}
	}
	for _, o := range orders {
		m.roles[o.b>>1] = o.role
	}
	m.roles[m.zero>>1] = role{-1, -1}
}

// taskVars are the variables of one task. Those of an unplaced task may take any value.
type taskVars struct {
	start, end term
	placed     lit
	modes      []lit
}

// maxPairs bounds the number of pairs for which an order is made explicit where the time-table alone would do.
const maxPairs = 20000

func newModel(g *Goal, budget int64) *model {
	m := &model{p: g.problem}
	m.budget = budget
	m.zero = m.variable(0, 0)
	groups := map[int]lit{}
	for _, t := range m.p.spec.Tasks {
		m.addTask(t, groups)
	}
	for _, l := range m.p.spec.Lags {
		m.addLag(l)
	}
	orders := m.addOrders()
	for r := range m.p.spec.Resources {
		m.addResource(r)
	}
	for _, level := range g.levels {
		m.addLevel(level)
	}
	m.assignRoles(orders)
	return m
}

func (m *model) boolean() lit { return lit{m.variable(0, 1), 1} }

func (m *model) addTask(t Task, groups map[int]lit) {
	var v taskVars
	switch placed, seen := groups[t.Group]; {
	case !t.Optional:
		v.placed = lit{m.zero, 0} // always true
	case t.Group != 0 && seen:
		v.placed = placed
	default:
		v.placed = m.boolean()
		groups[t.Group] = v.placed
	}
	due := min(t.Due, m.p.spec.Horizon)
	fits := func(mode Mode) bool { return t.Release+mode.Duration <= due }
	shortest, longest := int64(-1), int64(0)
	for _, mode := range t.Modes {
		if fits(mode) {
			longest = max(longest, mode.Duration+mode.Stretch)
			if shortest < 0 || mode.Duration < shortest {
				shortest = mode.Duration
			}
		}
	}
	if shortest < 0 { // no mode fits the window
		m.addClause(v.placed.not())
		for range t.Modes {
			v.modes = append(v.modes, lit{m.zero, 1}) // never true
		}
		v.start, v.end = term{m.zero, 0}, term{m.zero, 0}
		m.tasks = append(m.tasks, v)
		return
	}
	v.start = term{m.variable(t.Release, due-shortest), 0}
	if longest == shortest {
		v.end = term{v.start.b, shortest}
	} else {
		v.end = term{m.variable(t.Release+shortest, due), 0}
		m.addArc(v.start.b, v.end.b, shortest)
		m.addArc(v.end.b, v.start.b, -longest)
	}
	if len(t.Modes) == 1 {
		v.modes = []lit{v.placed}
		m.tasks = append(m.tasks, v)
		return
	}
	one := []lit{v.placed.not()}
	for _, mode := range t.Modes {
		on := lit{m.zero, 1}
		if fits(mode) {
			on = m.boolean()
			one = append(one, on)
			m.addClause(on.not(), v.placed)
			for _, other := range v.modes {
				m.addClause(on.not(), other.not())
			}
			if longest > shortest {
				m.addArc(v.start.b, v.end.b, mode.Duration, on)
				m.addArc(v.end.b, v.start.b, -mode.Duration-mode.Stretch, on)
			}
		}
		v.modes = append(v.modes, on)
	}
	m.addClause(one...)
	m.tasks = append(m.tasks, v)
}

func (m *model) at(p Point) term {
	if p.End {
		return m.tasks[p.Task].end
	}
	return m.tasks[p.Task].start
}

// after states, under conditions, that to comes at least gap after from.
func (m *model) after(from, to term, gap int64, conds ...lit) {
	gap += from.off - to.off
	if from.b != to.b {
		m.addArc(from.b, to.b, gap, conds...)
		return
	}
	if gap <= 0 {
		return
	}
	var never []lit // the conditions cannot all hold
	for _, c := range conds {
		if !slices.Contains(never, c.not()) {
			never = append(never, c.not())
		}
	}
	m.addClause(never...)
}

func (m *model) addLag(l Lag) {
	from, to, gap := l.From, l.To, l.Gap
	if l.Max {
		from, to, gap = to, from, -gap
	}
	m.after(m.at(from), m.at(to), gap, m.tasks[from.Task].placed, m.tasks[to.Task].placed)
}

// clash is a pair of modes of two tasks that cannot run at the same time, and the gaps needed between them.
type clash struct {
	a, b       int // modes
	gapA, gapB int64
}

// addOrders makes explicit which of two tasks runs first where their demands never fit together.
func (m *model) addOrders() []order {
	spec := &m.p.spec
	type pair struct{ a, b int }
	clashes := map[pair][]clash{}
	var pairs []pair
	extra := 0
	for r, res := range spec.Resources {
		var most int64
		for _, s := range res.Capacity {
			most = max(most, s.Amount)
		}
		type user struct {
			task, mode int
			amount     int64
		}
		var users []user
		for i, t := range spec.Tasks {
			for k, mode := range t.Modes {
				for _, d := range mode.Demands {
					if d.Resource == r && mode.Duration > 0 {
						users = append(users, user{i, k, d.Amount})
					}
				}
			}
		}
		for x, a := range users {
			if res.Setup != nil && res.Initial >= 0 {
				m.after(term{m.zero, 0}, m.tasks[a.task].start, res.Setup[res.Initial][spec.Tasks[a.task].Family], m.tasks[a.task].modes[a.mode])
			}
			for _, b := range users[x+1:] {
				if a.task == b.task || a.amount+b.amount <= most && res.Setup == nil {
					continue
				}
				c := clash{a: a.mode, b: b.mode}
				if res.Setup != nil {
					f, g := spec.Tasks[a.task].Family, spec.Tasks[b.task].Family
					c.gapA, c.gapB = res.Setup[f][g], res.Setup[g][f]
				} else if extra++; extra > maxPairs {
					continue
				}
				key := pair{a.task, b.task}
				list, seen := clashes[key]
				if !seen {
					pairs = append(pairs, key)
				}
				if i := slices.IndexFunc(list, func(o clash) bool { return o.a == c.a && o.b == c.b }); i >= 0 {
					list[i].gapA, list[i].gapB = max(list[i].gapA, c.gapA), max(list[i].gapB, c.gapB)
				} else {
					list = append(list, c)
				}
				clashes[key] = list
			}
		}
	}
	slices.SortFunc(pairs, func(x, y pair) int { return cmp.Or(cmp.Compare(x.a, y.a), cmp.Compare(x.b, y.b)) })
	var orders []order
	for _, key := range pairs {
		orders = append(orders, order{m.addOrder(key.a, key.b, clashes[key]), role{key.a, key.b}})
	}
	return orders
}

// order is a 0–1 variable that is 1 if the role's task runs before the other.
type order struct {
	b    bound
	role role
}

func (m *model) addOrder(i, j int, list []clash) bound {
	a, b := m.tasks[i], m.tasks[j]
	ab := m.boolean()
	if len(list) == len(a.modes)*len(b.modes) { // whatever the modes: say so before they are known
		gapA, gapB := list[0].gapA, list[0].gapB
		for _, c := range list {
			gapA, gapB = min(gapA, c.gapA), min(gapB, c.gapB)
		}
		m.either(a, b, ab, gapA, gapB, a.placed, b.placed)
		list = slices.DeleteFunc(list, func(c clash) bool { return c.gapA == gapA && c.gapB == gapB })
	}
	for _, c := range list {
		m.either(a, b, ab, c.gapA, c.gapB, a.modes[c.a], b.modes[c.b])
	}
	return ab.b
}

func (m *model) either(a, b taskVars, ab lit, gapA, gapB int64, onA, onB lit) {
	m.after(a.end, b.start, gapA, ab, onA, onB)
	m.after(b.end, a.start, gapB, ab.not(), onA, onB)
}

func (m *model) addResource(r int) {
	p := profile{capacity: m.p.spec.Resources[r].Capacity, horizon: m.p.spec.Horizon}
	for i, t := range m.p.spec.Tasks {
		v := m.tasks[i]
		h := holder{start: v.start, end: v.end, base: hold{on: v.placed, length: -1}}
		var all []hold
		for k, mode := range t.Modes {
			use := hold{on: v.modes[k], length: mode.Duration}
			for _, d := range mode.Demands {
				if d.Resource == r {
					use.amount = d.Amount
				}
			}
			if m.isFalse(use.on) {
				continue
			}
			if h.base.length < 0 {
				h.base.length, h.base.amount = use.length, use.amount
			}
			h.base.length, h.base.amount = min(h.base.length, use.length), min(h.base.amount, use.amount)
			all = append(all, use)
		}
		for _, use := range all {
			if use.amount > 0 && (use.amount != h.base.amount || use.length != h.base.length) {
				h.modes = append(h.modes, use)
			}
		}
		if h.base.amount > 0 || len(h.modes) > 0 {
			p.holders = append(p.holders, h)
		}
	}
	if len(p.holders) > 0 {
		m.addProfile(p)
	}
}

// addLevel writes one level of the goal as a sum below a cost variable. The parts may lie above what they charge for,
// never below, so the cost variable is a lower bound until everything else is fixed.
func (m *model) addLevel(terms []Term) {
	var parts []part
	var base int64
	add := func(b bound, weight int64) { // keeps one part per variable: p·x + w·(−x) is (p−w)·x
		for i, p := range parts {
			if p.b == b {
				parts[i].weight += weight
				return
			}
			if p.b == b^1 {
				if parts[i].weight -= weight; parts[i].weight < 0 {
					parts[i] = part{b, -parts[i].weight}
				} else if parts[i].weight == 0 {
					parts = slices.Delete(parts, i, i+1)
				}
				return
			}
		}
		parts = append(parts, part{b, weight})
	}
	for _, t := range terms {
		if t.Kind == Makespan {
			span := m.variable(0, m.p.spec.Horizon)
			for _, v := range m.tasks {
				m.after(v.end, term{span, 0}, 0, v.placed)
			}
			add(span, t.Weight)
			continue
		}
		v := m.tasks[t.Point.Task]
		switch t.Kind {
		case Unplaced:
			if m.isFalse(v.placed) {
				base += t.Weight
			} else if !m.isTrue(v.placed) {
				base += t.Weight
				add(v.placed.b^1, t.Weight)
			}
			continue
		case InMode:
			if mode := v.modes[t.Mode]; m.isTrue(mode) {
				base += t.Weight
			} else if !m.isFalse(mode) {
				add(mode.b, t.Weight)
			}
			continue
		}
		if m.isFalse(v.placed) {
			continue
		}
		from, to := term{m.zero, t.At}, m.at(t.Point) // too late by to − from
		if t.Kind == Before || t.Kind == EverBefore {
			from, to = to, from
		}
		if t.Kind == After || t.Kind == Before {
			by := m.variable(0, max(m.p.spec.Horizon, t.At))
			// by ≥ to − from, where one of the two is a constant.
			if to.b == m.zero {
				m.addArc(from.b^1, by, to.off-from.off, v.placed)
			} else {
				m.addArc(to.b, by, to.off-from.off, v.placed)
			}
			add(by, t.Weight)
			continue
		}
		ever := m.boolean()
		m.after(to, from, 0, v.placed, ever.not())
		add(ever.b, t.Weight)
	}
	most := base
	for _, p := range parts {
		most += p.weight * max(0, m.high(p.b))
	}
	total := m.variable(0, most)
	m.costs = append(m.costs, total)
	m.addSum(total, base, parts)
}

// solution reads the tasks' values; all of them must be fixed.
func (m *model) solution() Solution {
	n := len(m.tasks)
	s := Solution{make([]int64, n), make([]int64, n), make([]int, n)}
	for i, v := range m.tasks {
		s.Mode[i] = -1
		if m.isFalse(v.placed) {
			continue
		}
		s.Mode[i] = slices.IndexFunc(v.modes, m.isTrue)
		s.Start[i], s.End[i] = m.value(v.start), m.value(v.end)
	}
	return s
}
