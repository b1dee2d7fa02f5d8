package plan

import (
	"cmp"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// planOf writes a solution of the model as a plan, so that the checker can
// judge it like any other.
func (m *mipDay) planOf(x []int64) commissary.Plan {
	d := m.day
	p := commissary.Plan{Night: d.in.Night, State: commissary.PlanDraft, BookRev: d.in.Book.Revision, At: d.in.At, Seed: d.in.Seed, Steps: d.in.Steps, InputHash: Hash(d.in)}
	p.Needs, p.Exceptions, _ = Demand(d.in)
	left := make([][]commissary.Need, len(m.classes))
	for i, c := range m.classes {
		left[i] = slices.Clone(c.needs)
	}
	at := func(unix int64) time.Time { return time.Unix(unix, 0).UTC() }
	for _, b := range m.batches {
		if valueOf(b.made, x) == 0 {
			continue
		}
		f, v := d.formulas[b.formula], d.vessels[b.vessel]
		out := commissary.Batch{ID: fmt.Sprintf("m-%02d", len(p.Batches)+1), Formula: f.id, Vessel: v.id, Unit: b.unit + 1, State: commissary.BatchPlanned,
			Mass: quantity.Mass(x[b.size]) * gridUnit, Odd: b.odd > 0 && x[b.odd] > 0, MixEnd: at(b.mixEnd)}
		for _, a := range b.arcs {
			if x[a.v] > 0 && a.setup > 0 {
				out.Steps = append(out.Steps, commissary.Booking{Step: commissary.StepWash, Resource: v.id, From: at(b.load - a.setup), To: at(b.load), Heads: 1})
			}
		}
		out.Steps = append(out.Steps, commissary.Booking{Step: commissary.StepMix, Resource: v.id, From: at(b.load), To: at(b.off), Heads: 1})
		made := map[string]quantity.Pieces{}
		var leaves time.Time
		for i := range m.classes {
			q, ok := b.pieces[i]
			if !ok {
				continue
			}
			for n := quantity.Pieces(x[q]); n > 0; {
				need := &left[i][0]
				part := min(n, need.Pieces)
				out.Serves = append(out.Serves, commissary.Serve{Shop: need.Shop, Item: need.Item, BakeDate: need.BakeDate, Pieces: part, Source: need.Source})
				made[need.Item] += part
				leaves = latest(leaves, need.Departs)
				n -= part
				if need.Pieces -= part; need.Pieces == 0 {
					left[i] = left[i][1:]
				}
			}
		}
		items := make([]string, 0, 2)
		for _, it := range d.in.Book.Items {
			if it.Formula == f.id {
				items = append(items, it.ID)
			}
		}
		most := slices.MaxFunc(items, func(a, b string) int { return cmp.Or(cmp.Compare(made[a], made[b]), cmp.Compare(b, a)) })
		made[most] += quantity.Pieces(x[b.extra])
		var boxes int64
		for _, it := range items {
			if made[it] > 0 {
				out.Makes = append(out.Makes, commissary.Making{Item: it, Pieces: made[it]})
				boxes += (int64(made[it]) + f.perBox - 1) / f.perBox
			}
		}
		ready := b.off
		for _, w := range b.ways {
			if x[w.v] == 0 {
				continue
			}
			ready = w.end
			out.Steps = append(out.Steps, commissary.Booking{Step: commissary.StepDivide, Resource: "bench", From: at(w.divide), To: at(w.divide + d.grid), Heads: int(f.hands)})
			if f.chill > 0 {
				out.Steps = append(out.Steps, commissary.Booking{Step: commissary.StepChill, Resource: "cold", From: at(w.divide + d.grid), To: at(w.nest), Slots: int(2 * boxes)},
					commissary.Booking{Step: commissary.StepNest, From: at(w.nest), To: at(w.nest + d.grid), Heads: int(f.hands)})
			}
		}
		if !leaves.IsZero() {
			out.Steps = append(out.Steps, commissary.Booking{Step: commissary.StepHold, Resource: "cold", From: at(ready), To: leaves, Slots: int(boxes)})
		}
		out.Flour = out.Mass * 100 / 160
		if f.milk {
			out.Flour = quantity.Mass((int64(out.Mass)*100 + 81) / 163)
		}
		p.Batches = append(p.Batches, out)
	}
	for _, needs := range left {
		for _, n := range needs {
			p.Exceptions = append(p.Exceptions, commissary.Reason{Code: commissary.ReasonShort, Limit: "mixer", Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: n.Pieces})
		}
	}
	return p
}

// costOf reads the first four parts of a plan's objective.
func costOf(p commissary.Plan) (c [4]int64) {
	for i := range c {
		c[i] = p.Scores[i].Value
	}
	return c
}

// requireBelow fails where a plan's bound is above a proved optimum. Each bound
// holds for plans that reach the parts of the objective before it.
func requireBelow(t *testing.T, seed uint64, p commissary.Plan, best [4]int64) {
	t.Helper()
	for i := range best {
		require.LessOrEqual(t, p.Scores[i].Bound, best[i], "seed %d: the bound of %s is above the optimum", seed, p.Scores[i].Name)
		if p.Scores[i].Value != best[i] {
			return
		}
	}
}

// brokenRules are the texts of what is broken, but for what only says how a plan
// describes itself.
func brokenRules(all []commissary.Reason) []string {
	var out []string
	for _, r := range all {
		switch r.Code {
		case commissary.BrokenScore, commissary.BrokenUnsaid:
		default:
			out = append(out, string(r.Code)+": "+r.Text)
		}
	}
	return out
}

// describe prints a plan's batches for a person looking for what went wrong.
func describe(p commissary.Plan) string {
	var b strings.Builder
	for _, x := range p.Batches {
		fmt.Fprintf(&b, "    %s %s/%d %s odd=%t", x.Formula, x.Vessel, x.Unit, x.Mass, x.Odd)
		for _, s := range x.Steps {
			fmt.Fprintf(&b, " %s %s-%s", s.Step, s.From.Format("2T15:04:05"), s.To.Format("15:04:05"))
		}
		for _, m := range x.Makes {
			fmt.Fprintf(&b, " makes %d %s", m.Pieces, m.Item)
		}
		for _, s := range x.Serves {
			fmt.Fprintf(&b, " serves %s %s %s %d", s.Shop, s.Item, s.BakeDate, s.Pieces)
		}
		b.WriteString("\n")
	}
	return b.String()
}

// mipShapes are the small days that are solved to the end. A quarter of the
// seeds each are plain; the others carry one of the couplings.
var mipShapes = []gridShape{
	{kind: "plain", formulas: 3, vessels: 3, days: 2, cells: [2]int{6, 12}, grids: []int{30, 15}, sizes: []int64{5, 10, 15, 20}, loadPercent: [2]int{70, 110}, bakes: 2, items: 1},
	{kind: "sizes", formulas: 2, vessels: 2, days: 2, cells: [2]int{6, 10}, grids: []int{30}, sizes: []int64{5, 10, 20}, loadPercent: [2]int{70, 110}, bakes: 2, items: 2},
	{kind: "crew", formulas: 3, vessels: 3, days: 1, cells: [2]int{8, 12}, grids: []int{30}, sizes: []int64{5, 10, 15, 20}, loadPercent: [2]int{70, 110}, bakes: 2, items: 1},
	{kind: "bench", formulas: 2, vessels: 3, days: 2, cells: [2]int{6, 10}, grids: []int{30}, sizes: []int64{5, 10, 15, 20}, loadPercent: [2]int{70, 110}, bakes: 2, items: 1},
	{kind: "cold", formulas: 2, vessels: 2, days: 1, cells: [2]int{8, 12}, grids: []int{30}, sizes: []int64{5, 10, 15, 20}, loadPercent: [2]int{70, 110}, bakes: 2, items: 1},
	{kind: "boxes", formulas: 2, vessels: 2, days: 2, cells: [2]int{6, 10}, grids: []int{30}, sizes: []int64{5, 10, 15, 20}, loadPercent: [2]int{70, 110}, bakes: 2, items: 1},
}

func mipDayOf(seed uint64) gridDay { return newGridDay(mipShapes[seed%uint64(len(mipShapes))], seed) }

// solverAt skips a test when a solver is not installed.
func solverAt(t testing.TB, name string) {
	if _, err := exec.LookPath(name); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed: the gate must have it (Debian packages coinor-cbc and glpk-utils)", name)
		}
		t.Skipf("SKIPPED: %s is not installed; apt-get install coinor-cbc glpk-utils", name)
	}
}

// full reports whether the long form of a test is asked for.
func full() bool { return os.Getenv("CASES") == "full" }

func TestMakeAgainstIntegerProgram(t *testing.T) {
	solverAt(t, "cbc")
	seeds, limit := seedRange(25), 3
	if full() {
		seeds, limit = seedRange(320), 60
	}
	var same, unproved, surplusOff int
	for _, seed := range seeds {
		d := mipDayOf(seed)
		p, err := Make(d.in)
		require.NoError(t, err, "seed %d", seed)
		require.Empty(t, brokenRules(Check(d.in, p)), "seed %d", seed)
		got := costOf(p)
		m := newMipDay(d)
		started := time.Now()
		b := m.solve(t, "cbc", limit, got[0], got[1])
		if !b.proved {
			unproved++
			t.Logf("seed %d (%s): not proved in %d s", seed, d.kind, limit)
			continue
		}
		if took := time.Since(started); took > 2*time.Second {
			t.Logf("seed %d (%s): proved in %v", seed, d.kind, took.Round(time.Millisecond))
		}
		if b.x == nil || slices.Compare(got[:], b.cost[:]) < 0 {
			t.Errorf("seed %d (%s): Make claims %v, the proved optimum is %v: a rule is broken\n%s", seed, d.kind, got, b.cost, describe(p))
			continue
		}
		require.Empty(t, brokenRules(Check(d.in, m.planOf(b.x))), "seed %d (%s): the model knows a rule less than the checker", seed, d.kind)
		requireBelow(t, seed, p, b.cost)
		switch {
		case got == b.cost:
			same++
		case [3]int64(got[:3]) == [3]int64(b.cost[:3]):
			surplusOff++
			t.Logf("seed %d (%s): surplus %d, could be %d", seed, d.kind, got[3], b.cost[3])
		default:
			t.Errorf("seed %d (%s): Make has %v, the proved optimum is %v\n  Make:\n%s  optimum:\n%s", seed, d.kind, got, b.cost, describe(p), describe(m.planOf(b.x)))
		}
	}
	t.Logf("seeds %d to %d: %d as good as proved best, %d with more surplus, %d not proved", seeds[0], seeds[len(seeds)-1], same, surplusOff, unproved)
	require.LessOrEqual(t, surplusOff*50, len(seeds)-unproved, "surplus must be least on 98 % of the days")
	require.LessOrEqual(t, unproved*10, len(seeds), "at most a tenth may stay unproved")
}

// Two days on which batches have to be made in another order, or once something
// has closed that cannot be served: their optima are proved by the full form of
// the test above.
func TestOptimaOnceMissed(t *testing.T) {
	for seed, best := range map[uint64][4]int64{40: {15, 23, 4, 0}, 161: {42, 48, 11, 0}} {
		p, err := Make(mipDayOf(seed).in)
		require.NoError(t, err)
		require.Equal(t, best, costOf(p), "seed %d", seed)
	}
}

// Where both solvers prove their optimum it is one and the same.
func TestSolversAgree(t *testing.T) {
	solverAt(t, "cbc")
	solverAt(t, "glpsol")
	seeds, limit := seedRange(10), 1
	if full() {
		seeds, limit = seedRange(60), 20
	}
	both := 0
	for _, seed := range seeds {
		m := newMipDay(mipDayOf(seed))
		a := m.solve(t, "cbc", limit, 1, 1)
		if !a.proved {
			continue
		}
		if b := m.solve(t, "glpsol", limit, 1, 1); b.proved {
			both++
			require.Equal(t, a.cost, b.cost, "seed %d", seed)
		}
	}
	t.Logf("seeds %d to %d: both proved %d", seeds[0], seeds[len(seeds)-1], both)
	require.GreaterOrEqual(t, both*4, len(seeds), "too few to compare")
}

// seedRange is the seeds from 1 to n; SEEDS="from to" asks for others.
func seedRange(n uint64) []uint64 {
	from, to := uint64(1), n
	if testing.Short() {
		to = max(n/10, 1) // under the race detector
	}
	if s := os.Getenv("SEEDS"); s != "" {
		if _, err := fmt.Sscan(s, &from, &to); err != nil {
			panic("SEEDS must be two numbers: " + err.Error())
		}
	}
	var all []uint64
	for s := from; s <= to; s++ {
		all = append(all, s)
	}
	return all
}
