package plan

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"doughrun/commissary/civil"
)

// mipBatch is what the model knows of one filling that may be made.
type mipBatch struct {
	formula, vessel, unit int
	load, mixEnd, off     int64
	day                   civil.Date
	arcs                  []mipArc
	made                  []term // its arcs, which add up to whether it is made
	ways                  []mipWay
	size, odd, extra      int
	boxes                 int
	pieces                map[int]int // by class
	leaves                map[int64]int
}

// mipArc is a batch after what was in the vessel before it.
type mipArc struct {
	v     int
	setup int64
}

// mipWay is when a batch's dividing and nesting begin.
type mipWay struct {
	v                 int
	divide, nest, end int64
}

// mipDay is the time-indexed model of a grid day. Every unit of a vessel is
// one unit of flow through the states "what was in it last" over time: idling
// keeps the state, an arc is the cleaning, loading, mixing and unloading of one
// batch. A batch is cleaned for right before it is loaded, by the same hands.
type mipDay struct {
	program
	day     gridDay
	classes []gridClass
	batches []*mipBatch
	short   []int
	off     []term
	count   []term
	surplus []term
}

func newMipDay(d gridDay) *mipDay {
	m := &mipDay{day: d, classes: d.classesOf()}
	g := d.grid
	zone, err := civil.LoadZone(d.in.Book.Kitchen.Zone)
	if err != nil {
		panic(err)
	}
	crew := map[int64][]term{} // by cell
	bench := map[int64][]term{}
	cold := map[int64][]term{}
	warm := map[int64][]term{}
	use := func(of map[int64][]term, from, to int64, v int, a int64) {
		for t := from; t < to; t += g {
			of[t] = append(of[t], term{v, a})
		}
	}
	type sheet struct {
		formula, vessel int
		day             civil.Date
	}
	groups := map[sheet][]*mipBatch{}
	var sheets []sheet
	nf := len(d.formulas)
	for v, vessel := range d.vessels {
		for unit := range vessel.count {
			in, out := map[[2]int64][]term{}, map[[2]int64][]term{} // by state and instant
			var nodes []int64
			for _, s := range d.open {
				for t := s[0]; t <= s[1]; t += g {
					nodes = append(nodes, t)
				}
			}
			nodes = slices.Compact(nodes)
			for state := range nf + 1 { // the last state: nothing yet
				for i := range len(nodes) - 1 {
					idle := m.add(1, "i%d_%d_%d_%d", v, unit, state, i)
					out[[2]int64{int64(state), nodes[i]}] = append(out[[2]int64{int64(state), nodes[i]}], term{idle, 1})
					in[[2]int64{int64(state), nodes[i+1]}] = append(in[[2]int64{int64(state), nodes[i+1]}], term{idle, 1})
				}
			}
			for f, recipe := range d.formulas {
				if vessel.most[f] == 0 {
					continue
				}
				for _, s := range d.open {
					for load := s[0]; load+(vessel.load+recipe.mix+vessel.unload)*g <= s[1]; load += g {
						b := &mipBatch{formula: f, vessel: v, unit: unit, load: load, mixEnd: load + (vessel.load+recipe.mix)*g,
							off: load + (vessel.load+recipe.mix+vessel.unload)*g, day: zone.Date(time.Unix(load, 0)), pieces: map[int]int{}, leaves: map[int64]int{}}
						m.ways(b, recipe)
						if len(b.ways) == 0 && recipe.bench {
							continue
						}
						useful := false
						for _, c := range m.classes {
							useful = useful || c.formula == f && b.mixEnd >= c.need.MadeFrom.Unix() && b.mixEnd <= c.need.MadeTo.Unix()
						}
						if !useful {
							continue
						}
						id := fmt.Sprintf("%d_%d_%d_%d", v, unit, f, (load-nodes[0])/g)
						for before := range nf + 1 {
							setup := int64(0)
							switch {
							case before == nf:
							case d.formulas[before].milk && !recipe.milk:
								setup = vessel.wash
							default:
								setup = vessel.scrape
							}
							at := load - setup*g
							if at < s[0] || before < nf && vessel.most[before] == 0 {
								continue
							}
							x := m.add(1, "x%s_%d", id, before)
							b.arcs = append(b.arcs, mipArc{x, setup * g})
							b.made = append(b.made, term{x, 1})
							out[[2]int64{int64(before), at}] = append(out[[2]int64{int64(before), at}], term{x, 1})
							in[[2]int64{int64(f), b.off}] = append(in[[2]int64{int64(f), b.off}], term{x, 1})
							use(crew, at, b.off, x, 1)
						}
						if len(b.arcs) == 0 {
							continue
						}
						m.fill(b, id)
						for _, w := range b.ways {
							use(crew, w.divide, w.divide+g, w.v, recipe.hands)
							use(bench, w.divide, w.divide+g, w.v, 1)
							if recipe.chill > 0 {
								use(crew, w.nest, w.nest+g, w.v, recipe.hands)
							}
						}
						key := sheet{f, v, b.day}
						if groups[key] == nil {
							sheets = append(sheets, key)
						}
						groups[key] = append(groups[key], b)
						m.batches = append(m.batches, b)
					}
				}
			}
			for state := range nf + 1 {
				for i, t := range nodes {
					key := [2]int64{int64(state), t}
					supply := int64(0)
					if i == 0 && state == nf {
						supply = 1
					}
					if i == len(nodes)-1 {
						continue // the sink
					}
					terms := slices.Clone(out[key])
					for _, x := range in[key] {
						terms = append(terms, term{x.v, -x.a})
					}
					m.row(supply, supply, terms...)
				}
			}
		}
	}
	// One sheet is taped to a vessel: one mass for all, but for at most one.
	for _, key := range sheets {
		group := groups[key]
		if len(group) < 2 {
			continue
		}
		most := d.vessels[key.vessel].most[key.formula]
		common := m.add(most, "s%d_%d_%d", key.formula, key.vessel, key.day.Day)
		var odds []term
		for _, b := range group {
			b.odd = m.add(1, "o%s", m.names[b.size][1:])
			m.row(-noBound, 0, term{b.size, 1}, term{common, -1}, term{b.odd, -most})
			terms := []term{{common, 1}, {b.size, -1}, {b.odd, -most}}
			for _, x := range b.made {
				terms = append(terms, term{x.v, most})
			}
			m.row(-noBound, most, terms...)
			odds = append(odds, term{b.odd, 1})
		}
		m.row(-noBound, 1, odds...)
	}
	for i, c := range m.classes {
		short := m.add(c.pieces, "short%d", i)
		m.short = append(m.short, short)
		terms := []term{{short, 1}}
		for _, b := range m.batches {
			if q, ok := b.pieces[i]; ok {
				terms = append(terms, term{q, 1})
				if b.mixEnd < c.need.GoodFrom.Unix() || b.mixEnd > c.need.GoodTo.Unix() {
					m.off = append(m.off, term{q, 1})
				}
			}
		}
		m.row(c.pieces, c.pieces, terms...)
	}
	if d.slots > 0 {
		m.cold(cold, warm)
	}
	if d.owned > 0 {
		m.clean()
	}
	limit := func(of map[int64][]term, most int64) {
		keys := make([]int64, 0, len(of))
		for t := range of {
			keys = append(keys, t)
		}
		slices.Sort(keys)
		for _, t := range keys {
			m.row(-noBound, most, of[t]...)
		}
	}
	limit(crew, d.crew)
	limit(bench, 1)
	if d.slots > 0 {
		limit(cold, d.slots)
	}
	if d.pullDown > 0 {
		limit(warm, d.pullDown)
	}
	return m
}

// ways lists when a batch's steps after the vessel may begin.
func (m *mipDay) ways(b *mipBatch, f gridFormula) {
	g := m.day.grid
	inShift := func(from, to int64) bool {
		return slices.ContainsFunc(m.day.open, func(s [2]int64) bool { return s[0] <= from && to <= s[1] })
	}
	if !f.bench {
		return
	}
	for w := range f.wait + 1 {
		divide := b.off + w*g
		if !inShift(divide, divide+g) {
			continue
		}
		if f.chill == 0 {
			b.ways = append(b.ways, mipWay{-1, divide, 0, divide + g})
			continue
		}
		for w2 := range f.wait + 1 {
			nest := divide + g + (f.chill+w2)*g
			if inShift(nest, nest+g) {
				b.ways = append(b.ways, mipWay{-1, divide, nest, nest + g})
			}
		}
	}
}

// fill adds the variables of what a batch holds and serves.
func (m *mipDay) fill(b *mipBatch, id string) {
	d := m.day
	v := d.vessels[b.vessel]
	most, least := v.most[b.formula], v.least[b.formula]
	b.size = m.add(most, "n%s", id)
	up, low := []term{{b.size, 1}}, []term{{b.size, 1}}
	for _, x := range b.made {
		up, low = append(up, term{x.v, -most}), append(low, term{x.v, -least})
		m.count = append(m.count, x)
	}
	m.row(-noBound, 0, up...)
	m.row(0, noBound, low...)
	if len(b.ways) > 0 {
		var terms []term
		for i := range b.ways {
			b.ways[i].v = m.add(1, "z%s_%d", id, i)
			terms = append(terms, term{b.ways[i].v, 1})
		}
		for _, x := range b.made {
			terms = append(terms, term{x.v, -1})
		}
		m.row(0, 0, terms...)
	}
	var served, rest []term
	item := [2][]term{}
	for i, c := range m.classes {
		if c.formula != b.formula || b.mixEnd < c.need.MadeFrom.Unix() || b.mixEnd > c.need.MadeTo.Unix() {
			continue
		}
		// Its steps must be done before the run departs.
		q := min(c.pieces, most/c.units)
		ready := []term{}
		late := false
		if len(b.ways) == 0 {
			late = b.off > c.need.Departs.Unix()
		}
		for _, w := range b.ways {
			if w.end <= c.need.Departs.Unix() {
				ready = append(ready, term{w.v, -q})
			}
		}
		if late || len(b.ways) > 0 && len(ready) == 0 {
			continue
		}
		x := m.add(q, "q%s_%d", id, i)
		b.pieces[i] = x
		if len(b.ways) > 0 {
			m.row(-noBound, 0, append(ready, term{x, 1})...)
		} else {
			terms := []term{{x, 1}}
			for _, a := range b.made {
				terms = append(terms, term{a.v, -q})
			}
			m.row(-noBound, 0, terms...)
		}
		served = append(served, term{x, c.units})
		item[c.item] = append(item[c.item], term{x, 1})
	}
	rest = append(rest, term{b.size, 1})
	for _, t := range served {
		rest = append(rest, term{t.v, -t.a})
	}
	m.row(0, noBound, rest...)
	// What dough is left becomes more of the item that the batch makes most of.
	b.extra = m.add(most, "u%s", id)
	m.surplus = append(m.surplus, term{b.extra, 1})
	two := d.kind == "sizes" && len(d.formulas[b.formula].items) == 2
	if !two {
		m.row(0, 0, append(rest, term{b.extra, -1})...)
		return
	}
	second := m.add(1, "y%s", id) // it makes most of the second item, of two units
	diff := slices.Clone(item[0])
	for _, t := range item[1] {
		diff = append(diff, term{t.v, -1})
	}
	// n0 − n1 ≥ 0 unless second; n0 − n1 ≤ −1 if second.
	m.row(0, noBound, append(slices.Clone(diff), term{second, most + 1})...)
	m.row(-noBound, most, append(slices.Clone(diff), term{second, most + 1})...)
	// extra ≥ rest if not second; 2·extra ≥ rest − 1 if second: rounded down, both ways.
	m.row(-noBound, 0, append(slices.Clone(rest), term{b.extra, -1}, term{second, -most})...)
	m.row(-noBound, 1+most, append(slices.Clone(rest), term{b.extra, -2}, term{second, most})...)
}

// cold adds the places that batches hold: cross-stacked until they are
// nested, then until the last run leaves that takes from them.
func (m *mipDay) cold(cold, warm map[int64][]term) {
	d := m.day
	g := d.grid
	var departures []int64
	for _, c := range m.classes {
		departures = append(departures, c.need.Departs.Unix())
	}
	slices.Sort(departures)
	departures = slices.Compact(departures)
	var cells []int64
	for _, s := range d.open {
		// Steps without hands may begin after the shift.
		for t := s[0]; t < s[1]+8*g; t += g {
			cells = append(cells, t)
		}
	}
	slices.Sort(cells)
	cells = slices.Compact(cells)
	for _, b := range m.batches {
		f := d.formulas[b.formula]
		most := d.vessels[b.vessel].most[b.formula]
		boxes := (most + f.perBox - 1) / f.perBox
		id := m.names[b.size][1:]
		b.boxes = m.add(boxes, "b%s", id)
		m.row(0, noBound, term{b.boxes, f.perBox}, term{b.size, -1})
		for _, at := range departures {
			var leaves []term
			for i, q := range b.pieces {
				if m.classes[i].need.Departs.Unix() == at {
					leaves = append(leaves, term{q, 1})
				}
			}
			if leaves == nil {
				continue
			}
			slices.SortFunc(leaves, func(a, b term) int { return a.v - b.v })
			l := m.add(1, "l%s_%d", id, slices.Index(departures, at))
			b.leaves[at] = l
			m.row(-noBound, 0, append(leaves, term{l, -most})...)
		}
		for i, t := range cells {
			h := -1
			held := func() int {
				if h < 0 {
					h = m.add(2*boxes, "h%s_%d", id, i)
					cold[t] = append(cold[t], term{h, 1})
				}
				return h
			}
			var crossed, nested []term
			for _, w := range b.ways {
				if f.chill > 0 && t >= w.divide+g && t < w.nest {
					crossed = append(crossed, term{w.v, 2 * boxes})
				}
				if t >= w.end {
					nested = append(nested, term{w.v, boxes})
				}
			}
			if crossed != nil {
				m.row(-noBound, 2*boxes, append(crossed, term{b.boxes, 2}, term{held(), -1})...)
			}
			if nested != nil {
				for _, at := range departures {
					if l, ok := b.leaves[at]; ok && at > t {
						m.row(-noBound, 2*boxes, append(slices.Clone(nested), term{l, boxes}, term{b.boxes, 1}, term{held(), -1})...)
					}
				}
			}
		}
		if d.pullDown > 0 && f.chill > 0 {
			for i, t := range cells {
				var begun []term
				for _, w := range b.ways {
					if start := w.divide + g; start <= t && t < start+3600 {
						begun = append(begun, term{w.v, most})
					}
				}
				if begun != nil {
					p := m.add(most, "p%s_%d", id, i)
					warm[t] = append(warm[t], term{p, 1})
					m.row(-noBound, most, append(begun, term{b.size, 1}, term{p, -1})...)
				}
			}
		}
	}
}

// clean counts, whenever a batch is boxed, the boxes of all those boxed until
// then that are not back clean: those of the pieces that have not left, or
// have not been gone for long enough.
func (m *mipDay) clean() {
	var times, clean []int64
	for _, b := range m.batches {
		times = append(times, b.off)
	}
	for _, c := range m.classes {
		clean = append(clean, c.need.Departs.Unix()+m.day.back)
	}
	slices.Sort(times)
	slices.Sort(clean)
	type rest struct {
		batch *mipBatch
		gone  int // of the times at which boxes are clean again
	}
	boxes := map[rest]int{}
	for _, t := range slices.Compact(times) {
		gone, _ := slices.BinarySearch(clean, t+1)
		var used []term
		for _, b := range m.batches {
			if b.off > t {
				continue
			}
			per := m.day.formulas[b.formula].perBox
			v, ok := boxes[rest{b, gone}]
			if !ok {
				most := m.day.vessels[b.vessel].most[b.formula]
				v = m.add((most+per-1)/per, "c%s_%d", m.names[b.size][1:], gone)
				boxes[rest{b, gone}] = v
				left := []term{{v, per}, {b.size, -1}}
				for i, q := range b.pieces {
					if m.classes[i].need.Departs.Unix()+m.day.back <= t {
						left = append(left, term{q, 1})
					}
				}
				slices.SortFunc(left, func(a, b term) int { return a.v - b.v })
				m.row(0, noBound, left...)
			}
			used = append(used, term{v, 1})
		}
		m.row(-noBound, m.day.owned, used...)
	}
}

// The objective's parts fit below these, so that two can be weighed in one run.
const (
	mipOff     = 1000
	mipSurplus = 1000
)

func (m *mipDay) shortTerms() []term {
	terms := make([]term, len(m.short))
	for i, s := range m.short {
		terms[i] = term{s, 1}
	}
	return terms
}

func times(terms []term, by int64) []term {
	out := slices.Clone(terms)
	for i := range out {
		out[i].a *= by
	}
	return out
}

func valueOf(terms []term, x []int64) int64 {
	var sum int64
	for _, t := range terms {
		sum += t.a * x[t.v]
	}
	return sum
}

// best is what a solver proved: the first four parts of the objective.
type mipBest struct {
	cost   [4]int64
	proved bool
	x      []int64
}

// solve finds the lexicographic optimum in two runs. In the first, short
// pieces and pieces outside the band: nothing to be done when a plan already
// has none of either, for that cannot be less; that it is possible at all the
// second run shows. In the second, batches and surplus.
func (m *mipDay) solve(t testing.TB, solver string, seconds int, short, off int64) mipBest {
	var b mipBest
	if short+off > 0 {
		x, proved := m.run(t, solver, seconds, append(times(m.shortTerms(), mipOff), m.off...))
		if x == nil || !proved {
			return b
		}
		short, off = valueOf(m.shortTerms(), x), valueOf(m.off, x)
	}
	second := *m
	second.rows = slices.Clone(m.rows)
	second.row(short, short, second.shortTerms()...)
	second.row(off, off, second.off...)
	x, proved := second.run(t, solver, seconds, append(times(m.count, mipSurplus), m.surplus...))
	if x == nil {
		return b
	}
	b.x, b.proved = x, proved
	b.cost = [4]int64{short, off, valueOf(m.count, x), valueOf(m.surplus, x)}
	return b
}

// run lets a solver loose on the program. It returns nil when there is no
// solution, and whether what it returns, or that, is proved.
func (m *mipDay) run(t testing.TB, solver string, seconds int, objective []term) ([]int64, bool) {
	t.Helper()
	dir := t.TempDir()
	lp, out := filepath.Join(dir, "day.lp"), filepath.Join(dir, "out.txt")
	if err := os.WriteFile(lp, []byte(m.text(objective)), 0o600); err != nil {
		t.Fatal(err)
	}
	index := make(map[string]int, len(m.names))
	for i, n := range m.names {
		index[n] = i
	}
	x := make([]int64, len(m.names))
	var found, proved bool
	set := func(name, value string) {
		v, err := strconv.ParseFloat(value, 64)
		if i, ok := index[name]; ok && err == nil {
			x[i] = int64(math.Round(v))
		}
	}
	switch solver {
	case "cbc":
		// All values are whole, so that a gap below one proves.
		cmd := exec.Command(solver, lp, "-sec", strconv.Itoa(seconds), "-allowableGap", "0.9", "-ratioGap", "0", "solve", "solution", out, "-quit")
		if log, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("cbc: %v\n%s", err, log)
		}
		text, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		head, rest, _ := strings.Cut(string(text), "\n")
		proved = strings.HasPrefix(head, "Optimal") || strings.HasPrefix(head, "Infeasible") || strings.HasPrefix(head, "Integer infeasible")
		found = proved && strings.HasPrefix(head, "Optimal") || strings.HasPrefix(head, "Stopped")
		for _, line := range strings.Split(rest, "\n") {
			if f := strings.Fields(strings.TrimPrefix(strings.TrimSpace(line), "**")); len(f) >= 3 {
				set(f[1], f[2])
			}
		}
	case "glpsol":
		cmd := exec.Command(solver, "--lp", lp, "--cuts", "--tmlim", strconv.Itoa(seconds), "-o", out)
		if log, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("glpsol: %v\n%s", err, log)
		}
		text, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		_, columns, _ := strings.Cut(string(text), "Column name")
		proved = strings.Contains(string(text), "INTEGER OPTIMAL") || strings.Contains(string(text), "INTEGER EMPTY")
		found = strings.Contains(string(text), "INTEGER OPTIMAL")
		long := "" // a long name stands on a line of its own, before its values
		for _, line := range strings.Split(columns, "\n") {
			f := strings.Fields(strings.ReplaceAll(line, "*", " "))
			switch {
			case len(f) == 2 && long == "":
				long = f[1]
			case long != "" && len(f) >= 1:
				set(long, f[0])
				long = ""
			case len(f) >= 3:
				set(f[1], f[2])
			}
		}
	}
	if !found {
		return nil, proved
	}
	if err := m.holds(x); err != nil {
		if proved {
			t.Fatalf("%s calls a solution optimal that is none: %v", solver, err)
		}
		return nil, false
	}
	return x, proved
}
