package plan

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/civil"
)

// naive finds the best plan of a tiny grid day without benches by trying every
// way to fill every vessel.
type naive struct {
	day     gridDay
	classes []gridClass
	units   []int // vessel of each unit
	sets    []naiveSet
	best    [4]int64
	now     []naiveBatch
	crew    map[int64]int64 // hands in use, by cell
	known   map[string][2]int64
}

type naiveBatch struct {
	formula, vessel int
	mixEnd, off     int64
	day             civil.Date
}

// naiveSet is one way to fill the vessels that leaves nothing better so far
// but for its surplus.
type naiveSet []naiveBatch

func newNaive(d gridDay) *naive {
	n := &naive{day: d, classes: d.classesOf(), best: [4]int64{math.MaxInt64}, crew: map[int64]int64{}, known: map[string][2]int64{}}
	for v, vessel := range d.vessels {
		for range vessel.count {
			n.units = append(n.units, v)
		}
	}
	n.fill(0, 0, d.open[0][0], -1)
	surplus := int64(math.MaxInt64)
	for _, set := range n.sets {
		surplus = min(surplus, n.surplus(set))
	}
	n.best[3] = surplus
	return n
}

// fill goes on with one unit at an instant of a stretch, with what was in it last.
func (n *naive) fill(unit, stretch int, at int64, last int) {
	switch {
	case unit == len(n.units):
		n.judge()
		return
	case stretch == len(n.day.open):
		n.fill(unit+1, 0, n.day.open[0][0], -1)
		return
	case at >= n.day.open[stretch][1]:
		next := int64(0)
		if stretch+1 < len(n.day.open) {
			next = n.day.open[stretch+1][0]
		}
		n.fill(unit, stretch+1, next, last)
		return
	}
	n.fill(unit, stretch, at+n.day.grid, last)
	v := n.day.vessels[n.units[unit]]
	for f, recipe := range n.day.formulas {
		setup := v.scrape
		switch {
		case last < 0:
			setup = 0
		case n.day.formulas[last].milk && !recipe.milk:
			setup = v.wash
		}
		load := at + setup*n.day.grid
		mixed := load + (v.load+recipe.mix)*n.day.grid
		off := mixed + v.unload*n.day.grid
		if v.most[f] == 0 || off > n.day.open[stretch][1] || !n.wanted(f, mixed, off) || !n.hands(at, off, 1) {
			continue
		}
		zone, err := civil.LoadZone(n.day.in.Book.Kitchen.Zone)
		if err != nil {
			panic(err)
		}
		n.now = append(n.now, naiveBatch{f, n.units[unit], mixed, off, zone.Date(instant(load))})
		n.fill(unit, stretch, off, f)
		n.now = n.now[:len(n.now)-1]
		n.hands(at, off, -1)
	}
}

// wanted reports whether a batch can serve anybody: nobody mixes a dough for no
// shop, only to spare the wash before the next.
func (n *naive) wanted(f int, mixed, off int64) bool {
	return slices.ContainsFunc(n.classes, func(c gridClass) bool {
		return c.formula == f && mixed >= c.need.MadeFrom.Unix() && mixed <= c.need.MadeTo.Unix() && off <= c.need.Departs.Unix()
	})
}

// hands takes one pair for a time, or gives it back; where there is none it
// takes none.
func (n *naive) hands(from, to, heads int64) bool {
	for t := from; t < to; t += n.day.grid {
		n.crew[t] += heads
		if n.crew[t] > n.day.crew {
			for u := from; u <= t; u += n.day.grid {
				n.crew[u] -= heads
			}
			return false
		}
	}
	return true
}

// judge keeps the set at hand when nothing known is better.
func (n *naive) judge() {
	cost := [4]int64{0, 0, int64(len(n.now)), 0}
	for f := range n.day.formulas {
		x := n.serve(f, of(n.now, f), nil)
		cost[0] += x[0]
		cost[1] += x[1]
	}
	switch c := slices.Compare(cost[:3], n.best[:3]); {
	case c < 0:
		n.best, n.sets = cost, []naiveSet{slices.Clone(n.now)}
	case c == 0:
		n.sets = append(n.sets, slices.Clone(n.now))
	}
}

func of(set []naiveBatch, f int) []naiveBatch {
	var out []naiveBatch
	for _, b := range set {
		if b.formula == f {
			out = append(out, b)
		}
	}
	return out
}

// serve gives the pieces of a formula to its batches: the fewest short, then
// the fewest outside their bands. Without sizes every batch is as large as its
// vessel: no smaller one serves more. All pieces of a formula weigh one unit here.
func (n *naive) serve(f int, batches []naiveBatch, sizes []int64) [2]int64 {
	key := ""
	if sizes == nil {
		key = string(rune(f))
		for _, b := range batches {
			key += string([]rune{rune(b.vessel), rune((b.mixEnd - n.day.open[0][0]) / n.day.grid)})
		}
		if x, ok := n.known[key]; ok {
			return x
		}
		sizes = make([]int64, len(batches))
		for i, b := range batches {
			sizes[i] = n.day.vessels[b.vessel].most[f]
		}
	}
	room := slices.Clone(sizes)
	var classes []gridClass
	for _, c := range n.classes {
		if c.formula == f {
			classes = append(classes, c)
		}
	}
	const never = 1000
	price := func(b naiveBatch, c gridClass) int {
		switch {
		case b.mixEnd < c.need.MadeFrom.Unix(), b.mixEnd > c.need.MadeTo.Unix(), b.off > c.need.Departs.Unix():
			return never
		case b.mixEnd < c.need.GoodFrom.Unix(), b.mixEnd > c.need.GoodTo.Unix():
			return 1
		}
		return 0
	}
	// One piece at a time along the cheapest way to a batch with room, which
	// may move pieces served before to other batches.
	gives := make([][]int64, len(classes))
	for i := range gives {
		gives[i] = make([]int64, len(batches))
	}
	var total [2]int64
	for _, c := range classes {
		total[0] += c.pieces
	}
	for {
		// Nodes: classes, then batches; Bellman and Ford, with all open classes as sources.
		nc := len(classes)
		dist, from := make([]int, nc+len(batches)), make([]int, nc+len(batches))
		for i := range dist {
			dist[i], from[i] = never, -1
			if i < nc {
				var given int64
				for _, g := range gives[i] {
					given += g
				}
				if given < classes[i].pieces {
					dist[i] = 0
				}
			}
		}
		for range dist {
			for i, c := range classes {
				for j, b := range batches {
					p := price(b, c)
					if p < never && dist[i] < never && dist[i]+p < dist[nc+j] {
						dist[nc+j], from[nc+j] = dist[i]+p, i
					}
					if gives[i][j] > 0 && dist[nc+j] < never && dist[nc+j]-p < dist[i] {
						dist[i], from[i] = dist[nc+j]-p, nc+j
					}
				}
			}
		}
		end := -1
		for j := range batches {
			if room[j] > 0 && dist[nc+j] < never && (end < 0 || dist[nc+j] < dist[nc+end]) {
				end = j
			}
		}
		if end < 0 {
			break
		}
		total[0]--
		total[1] += int64(dist[nc+end])
		room[end]--
		for at := nc + end; ; {
			i := from[at]
			if i < 0 {
				break
			}
			if at >= nc {
				gives[i][at-nc]++
			} else {
				gives[at][i-nc]--
			}
			at = i
		}
	}
	if key != "" {
		n.known[key] = total
	}
	return total
}

// surplus is the least that a set makes too much, with one mass for all
// batches of a formula on a vessel and day but for one at most.
func (n *naive) surplus(set naiveSet) int64 {
	var sum int64
	for f := range n.day.formulas {
		batches := of(set, f)
		if len(batches) == 0 {
			continue
		}
		goal := n.serve(f, batches, nil)
		var wanted int64
		for _, c := range n.classes {
			if c.formula == f {
				wanted += c.pieces
			}
		}
		least := int64(math.MaxInt64)
		n.sizings(f, batches, make([]int64, len(batches)), func(sizes []int64) {
			var made int64
			for _, s := range sizes {
				made += s
			}
			if over := made - (wanted - goal[0]); over >= 0 && over < least && n.serve(f, batches, sizes) == goal {
				least = over
			}
		})
		sum += least
	}
	return sum
}

// sizings lists every choice of masses that the rule of the taped sheet
// allows: sheet by sheet, the common mass and the odd batch with its own.
func (n *naive) sizings(f int, batches []naiveBatch, sizes []int64, yield func([]int64)) {
	first := slices.Index(sizes, 0)
	if first < 0 {
		yield(sizes)
		return
	}
	var group []int
	for i, b := range batches {
		if b.vessel == batches[first].vessel && b.day == batches[first].day {
			group = append(group, i)
		}
	}
	v := n.day.vessels[batches[first].vessel]
	for common := v.least[f]; common <= v.most[f]; common++ {
		for _, odd := range group {
			for mass := v.least[f]; mass <= v.most[f]; mass++ {
				if mass == common && odd != first {
					continue // all alike: once is enough
				}
				for _, i := range group {
					sizes[i] = common
				}
				sizes[odd] = mass
				n.sizings(f, batches, sizes, yield)
			}
		}
	}
	for _, i := range group {
		sizes[i] = 0
	}
}

// tinyDays are days of four fillings or so: two vessels on one day, or one on two.
var tinyDays = []gridShape{
	{kind: "tiny", formulas: 2, vessels: 2, days: 1, cells: [2]int{2, 4}, grids: []int{60}, sizes: []int64{5, 10}, loadPercent: [2]int{30, 120}, bakes: 2, items: 1},
	{kind: "tiny", formulas: 2, vessels: 1, days: 2, cells: [2]int{2, 4}, grids: []int{60}, sizes: []int64{5, 10}, loadPercent: [2]int{30, 120}, bakes: 2, items: 1},
}

func tinyDay(seed uint64) gridDay { return newGridDay(tinyDays[seed%2], seed) }

func TestMakeAgainstNaiveTwin(t *testing.T) {
	seeds := seedRange(600)
	if full() {
		seeds = seedRange(50_000)
	}
	worse, batches := 0, 0
	for _, seed := range seeds {
		d := tinyDay(seed)
		d.in.Steps = 5 * DefaultSteps
		n := newNaive(d)
		p, err := Make(d.in)
		require.NoError(t, err, "seed %d", seed)
		require.Empty(t, brokenRules(Check(d.in, p)), "seed %d", seed)
		got := costOf(p)
		batches += len(p.Batches)
		require.GreaterOrEqual(t, slices.Compare(got[:], n.best[:]), 0, "seed %d: Make claims %v, the best there is is %v: a rule is broken\n%s", seed, got, n.best, describe(p))
		requireBelow(t, seed, p, n.best)
		if got != n.best {
			if worse++; worse <= 5 {
				t.Errorf("seed %d: Make has %v, the best is %v\n%s", seed, got, n.best, describe(p))
			}
		}
	}
	t.Logf("seeds %d to %d, %d batches: %d not best", seeds[0], seeds[len(seeds)-1], batches, worse)
	require.Zero(t, worse)
}

// The two twins share the day and nothing else: they must agree.
func TestTwinsAgree(t *testing.T) {
	solverAt(t, "cbc")
	seeds := seedRange(20)
	if full() {
		seeds = seedRange(400)
	}
	for _, seed := range seeds {
		d := tinyDay(seed)
		n := newNaive(d)
		b := newMipDay(d).solve(t, "cbc", 20, n.best[0], n.best[1])
		require.True(t, b.proved, "seed %d", seed)
		require.Equal(t, n.best, b.cost, "seed %d", seed)
	}
}
