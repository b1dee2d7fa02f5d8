package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// A small planning day whose times all lie on a grid, with the numbers that
// the twins work with written down beside the book they went into. Masses are
// counted in units of half a kilogram; the book has no scales, so that every
// mass can be weighed.
//
// On such a day the grid loses nothing: any plan, moved to the left as far as
// its order of work allows, has all its times on the grid, or a few seconds
// below it where a bench needs a little less than a cell.
type gridDay struct {
	in       Input
	grid     int64      // seconds
	open     [][2]int64 // stretches of work
	crew     int64
	slots    int64 // in the cold store; 0: no limit
	pullDown int64 // units an hour; 0: no limit
	owned    int64 // boxes; 0: not counted
	back     int64 // seconds from a box's departure until it is clean again
	formulas []gridFormula
	vessels  []gridVessel
	kind     string
}

type gridFormula struct {
	id     string
	items  map[string]int64 // units a piece
	mix    int64            // cells
	milk   bool
	bench  bool  // divided on the bench, for one cell
	hands  int64 // of dividing and of nesting
	wait   int64 // cells that the divide, and the nest, may wait
	chill  int64 // cells cross-stacked, then one cell of nesting; 0: no chill
	perBox int64
}

type gridVessel struct {
	id                         string
	count                      int
	most, least                []int64 // units, by formula; 0: does not make it
	load, unload, scrape, wash int64   // cells
}

const gridUnit = quantity.Kilogram / 2

// gridShape is what a generated grid day is drawn from.
type gridShape struct {
	kind         string // plain, crew, bench, cold, boxes or sizes
	formulas     int
	vessels      int
	days         int
	cells        [2]int // of a working day
	grids        []int  // minutes
	sizes        []int64
	loadPercent  [2]int
	bakes, items int
}

func pick[T any](rng *rand.Rand, of ...T) T { return of[rng.IntN(len(of))] }

// newGridDay draws a day.
func newGridDay(s gridShape, seed uint64) gridDay {
	rng := rand.New(rand.NewPCG(seed, 31))
	minutes := pick(rng, s.grids...)
	g := quantity.Seconds(minutes) * quantity.Minute
	d := gridDay{kind: s.kind, grid: int64(g), crew: 50}
	night := civil.Date{Year: 2026, Month: time.June, Day: 4}
	zone, err := civil.LoadZone("Europe/Rome")
	if err != nil {
		panic(err)
	}
	b := commissary.Book{Revision: 1, Kitchen: commissary.Kitchen{ID: "grid", Name: "Grid", Zone: "Europe/Rome", Jurisdiction: "eu",
		RoomTemp: 22 * quantity.Degree, FlourTemp: 20 * quantity.Degree, TapWater: 16 * quantity.Degree, PlanDays: 5}}
	b.Ingredients = []commissary.Ingredient{{ID: "flour", Name: "Flour", Kind: commissary.Flour, Allergens: []commissary.Allergen{"wheat"}},
		{ID: "water", Name: "Water", Kind: commissary.Water}, {ID: "milk", Name: "Milk powder", Kind: commissary.Other, Allergens: []commissary.Allergen{"milk"}}}
	perBox := pick(rng, int64(3), 4, 6)
	b.Containers = []commissary.Container{{ID: "box", Name: "Box", Slots: 1, Crossed: 2, StackMax: 12}}
	b.Benches = []commissary.Bench{{ID: "bench", Name: "Bench", Rates: []commissary.BenchRate{{PerHour: 3_600_000}}}}

	nf := 1 + rng.IntN(s.formulas)
	for f := range nf {
		x := gridFormula{id: fmt.Sprintf("dough-%d", f), items: map[string]int64{}, mix: int64(1 + rng.IntN(2)), milk: rng.IntN(3) == 0, perBox: perBox}
		lines := []commissary.FormulaLine{{Ingredient: "flour", Share: quantity.Whole}, {Ingredient: "water", Share: 60 * quantity.Percent}}
		if x.milk {
			lines = append(lines, commissary.FormulaLine{Ingredient: "milk", Share: 3 * quantity.Percent})
		}
		var steps []commissary.Step
		if s.kind == "crew" && rng.IntN(2) == 0 || s.kind == "bench" || s.kind == "cold" {
			x.bench, x.hands, x.wait = true, int64(1+rng.IntN(2)), int64(rng.IntN(2))
			// Two items at most take a second each for their pieces: a cell in all.
			steps = append(steps, commissary.Step{Kind: commissary.StepDivide, Bench: "bench", Heads: int(x.hands), Min: g - 2, Wait: quantity.Seconds(x.wait) * g})
		}
		if s.kind == "cold" && rng.IntN(3) > 0 {
			x.chill = int64(1 + rng.IntN(2))
			steps = append(steps, commissary.Step{Kind: commissary.StepChill, Min: quantity.Seconds(x.chill) * g},
				commissary.Step{Kind: commissary.StepNest, Heads: int(x.hands), Min: g, Wait: quantity.Seconds(x.wait) * g})
		}
		steps = append(steps, commissary.Step{Kind: commissary.StepHold})
		d.formulas = append(d.formulas, x)
		b.Formulas = append(b.Formulas, commissary.Formula{ID: x.id, Name: x.id, Kind: commissary.Dough, Class: x.id, Lines: lines,
			MixFirst: quantity.Seconds(x.mix) * g, Steps: steps})
	}
	for v := range 1 + rng.IntN(s.vessels) {
		x := gridVessel{id: fmt.Sprintf("mixer-%d", v), count: 1, load: int64(rng.IntN(2)), unload: int64(rng.IntN(2)), scrape: int64(rng.IntN(2))}
		x.wash = x.scrape + int64(rng.IntN(2))
		if s.kind == "plain" && rng.IntN(6) == 0 {
			x.count = 2
		}
		size := pick(rng, s.sizes...)
		// The smallest fill is one share for the whole vessel; sizes are fives, so
		// that it is a whole number of units of every row.
		share := pick(rng, int64(0), 20, 40, 60)
		vessel := commissary.Vessel{ID: x.id, Name: x.id, Count: x.count, Load: quantity.Seconds(x.load) * g, Unload: quantity.Seconds(x.unload) * g,
			Scrape: quantity.Seconds(x.scrape) * g, Wash: quantity.Seconds(x.wash) * g, Heads: 1, SmallestPPM: quantity.PPM(share) * quantity.Percent}
		for f := range d.formulas {
			most := size
			if rng.IntN(3) == 0 {
				most = pick(rng, s.sizes...)
			}
			if v > 0 && rng.IntN(5) == 0 {
				x.most, x.least = append(x.most, 0), append(x.least, 0)
				continue
			}
			x.most, x.least = append(x.most, most), append(x.least, max(most*share/100, 1))
			vessel.Capacity = append(vessel.Capacity, commissary.CapacityRow{Class: d.formulas[f].id, Max: quantity.Mass(most) * gridUnit, Basis: commissary.OfDough})
		}
		d.vessels = append(d.vessels, x)
		b.Vessels = append(b.Vessels, vessel)
	}

	// Work begins at four; the shift is only on the days the model looks at.
	days := 1 + rng.IntN(s.days)
	cells := s.cells[0] + rng.IntN(s.cells[1]-s.cells[0]+1)
	from := civil.Clock(4 * 3600)
	to := from + civil.Clock(int64(cells)*d.grid)
	shift := commissary.Shift{ID: "day", From: from, To: to}
	breakAt := -1
	if cells > 8 && rng.IntN(3) == 0 {
		breakAt = cells/2 + rng.IntN(3) - 1
		begin := from + civil.Clock(int64(breakAt)*d.grid)
		shift.Breaks = []commissary.Break{{From: begin, To: begin + civil.Clock(d.grid)}}
	}
	if s.kind == "tiny" && rng.IntN(3) == 0 {
		d.crew = 1
	}
	if s.kind == "crew" || s.kind == "bench" || s.kind == "cold" && rng.IntN(2) == 0 {
		d.crew = int64(2 + rng.IntN(2))
	}
	shift.Heads = int(d.crew)
	var worked int64
	for i := range days {
		date := night.AddDays(1 + i)
		shift.Days = shift.Days.With(date.Weekday())
		a, z := zone.Instant(date, from).Unix(), zone.Instant(date, to).Unix()
		worked += int64(cells)
		if breakAt >= 0 {
			at := a + int64(breakAt)*d.grid
			d.open = append(d.open, [2]int64{a, at}, [2]int64{at + d.grid, z})
			worked--
			continue
		}
		d.open = append(d.open, [2]int64{a, z})
	}
	b.Shifts = []commissary.Shift{shift}

	// Items, with the services they are wanted for.
	type wish struct {
		item  string
		units int64
		f     int
		bake  civil.Date
		shop  int
		share float64
	}
	var wishes []wish
	var total float64
	for f := range d.formulas {
		n := 1 + rng.IntN(s.items)
		if s.kind == "cold" || s.kind == "boxes" {
			n = 1
		}
		for i := range n {
			units := int64(1)
			if s.kind == "sizes" && i > 0 {
				units = 2
			}
			id := fmt.Sprintf("ball-%d-%d", f, i)
			d.formulas[f].items[id] = units
			least := quantity.Seconds(pick(rng, 6, 12, 18, 24)) * quantity.Hour
			best := least + quantity.Seconds(6+rng.IntN(19))*quantity.Hour
			b.Items = append(b.Items, commissary.Item{ID: id, Name: id, Kind: commissary.Ball, Formula: d.formulas[f].id, Mass: quantity.Mass(units) * gridUnit,
				Container: "box", PerBox: quantity.Pieces(perBox), Ship: commissary.ShipPolicy{BakeAfter: 1},
				Window: commissary.Window{Min: least, Best: best, Band: quantity.Seconds(pick(rng, 3, 6, 12)) * quantity.Hour, Max: best + quantity.Seconds(pick(rng, 6, 12, 24))*quantity.Hour}})
			if w := &b.Items[len(b.Items)-1].Window; s.kind == "boxes" {
				w.Max = w.Best + 30*quantity.Hour // what nobody gets is not thrown away before the last batch is boxed
			}
			for range 1 + rng.IntN(s.bakes) {
				// A day on which the middle of the good band falls into the work, or near it.
				aim := night.AddDays(1 + rng.IntN(days))
				bake := aim.AddDays(int((best + 12*quantity.Hour) / quantity.Day))
				w := wish{id, units, f, bake, rng.IntN(2), 0.3 + rng.Float64()}
				wishes = append(wishes, w)
				total += w.share
			}
		}
	}
	half := civil.Clock(1800) // on the grid, or the grid is an hour
	if d.grid > 1800 {
		half = 0
	}
	shops := []civil.Clock{11 * 3600, 12*3600 + half}
	run := commissary.Run{ID: "round", Name: "Round", Days: civil.EveryDay, Departs: pick(rng, 6*3600, 9*3600+half)}
	for i, opens := range shops {
		id := fmt.Sprintf("shop-%d", i)
		b.Shops = append(b.Shops, commissary.Shop{ID: id, Name: id, Service: []commissary.Service{{Days: civil.EveryDay, Hours: commissary.Hours{From: opens, To: opens + 10*3600}}}})
		run.Stops = append(run.Stops, commissary.Stop{Shop: id})
	}
	b.Runs = []commissary.Run{run}

	// Scaled to the wished share of the vessels' cells.
	var units, capacity float64
	for _, w := range wishes {
		var perCell, n float64
		for _, v := range d.vessels {
			if v.most[w.f] > 0 {
				perCell += float64(v.most[w.f]) / float64(v.load+v.unload+v.scrape+d.formulas[w.f].mix)
				n++
			}
		}
		units += w.share / total / (perCell / n)
	}
	for _, v := range d.vessels {
		capacity += float64(worked) * float64(v.count)
	}
	load := float64(s.loadPercent[0]+rng.IntN(s.loadPercent[1]-s.loadPercent[0]+1)) / 100
	orders := map[int]*commissary.Order{}
	var boxes int64
	for _, w := range wishes {
		n := quantity.Pieces(math.Round(load * capacity / units * w.share / total / float64(w.units)))
		if orders[w.shop] == nil {
			orders[w.shop] = &commissary.Order{Night: night, Shop: fmt.Sprintf("shop-%d", w.shop), Revision: 1, State: commissary.OrderAccepted}
		}
		o := orders[w.shop]
		if at := slices.IndexFunc(o.Lines, func(l commissary.OrderLine) bool { return l.Item == w.item && l.BakeDate == w.bake }); at >= 0 {
			o.Lines[at].Pieces += n
		} else {
			o.Lines = append(o.Lines, commissary.OrderLine{Item: w.item, Pieces: n, BakeDate: w.bake})
		}
		boxes += (int64(n) + perBox - 1) / perBox
	}
	if s.kind == "cold" {
		d.slots = max(boxes*int64(60+rng.IntN(80))/100, 4)
		b.ColdStore.Slots = int(d.slots)
		if rng.IntN(2) == 0 {
			d.pullDown = 2 * slices.Max(s.sizes)
			b.ColdStore.PullDown = quantity.Mass(d.pullDown) * gridUnit
		}
	}
	if s.kind == "boxes" {
		d.owned = max(boxes*int64(40+rng.IntN(80))/100, 2)
		box := &b.Containers[0]
		box.Owned, box.DaysOut, box.WashAndDry = int(d.owned), rng.IntN(2), quantity.Seconds(rng.IntN(4))*g
		d.back = int64(box.DaysOut)*86400 + int64(box.WashAndDry)
	}
	d.in = Input{Book: b, Night: night, At: zone.Instant(night, 26*3600), Seed: seed, Steps: gridSteps}
	for i := range shops {
		if orders[i] != nil {
			d.in.Orders = append(d.in.Orders, *orders[i])
		}
	}
	return d
}

// gridSteps is the work budget that Make gets on grid days.
const gridSteps = 200_000

// gridClass is pieces of one item with the same instants.
type gridClass struct {
	formula, item int
	units, pieces int64
	need          commissary.Need // the first of them
	needs         []commissary.Need
}

// classesOf groups the needs of a day, which are taken from Demand: how it
// derives them is judged elsewhere.
func (d *gridDay) classesOf() []gridClass {
	needs, _, err := Demand(d.in)
	if err != nil {
		panic(err)
	}
	var all []gridClass
	for _, n := range needs {
		at := slices.IndexFunc(all, func(c gridClass) bool {
			return c.need.Item == n.Item && c.need.MadeFrom.Equal(n.MadeFrom) && c.need.MadeTo.Equal(n.MadeTo) && c.need.GoodFrom.Equal(n.GoodFrom) &&
				c.need.GoodTo.Equal(n.GoodTo) && c.need.Departs.Equal(n.Departs)
		})
		if at < 0 {
			f := slices.IndexFunc(d.formulas, func(f gridFormula) bool { _, ok := f.items[n.Item]; return ok })
			ids := make([]string, 0, 2)
			for _, it := range d.in.Book.Items {
				if it.Formula == d.formulas[f].id {
					ids = append(ids, it.ID)
				}
			}
			all = append(all, gridClass{formula: f, item: slices.Index(ids, n.Item), units: d.formulas[f].items[n.Item], need: n})
			at = len(all) - 1
		}
		all[at].pieces += int64(n.Pieces)
		all[at].needs = append(all[at].needs, n)
	}
	return all
}

// program is an integer program, kept in memory so that what a solver returns
// can be held against it in whole numbers.
type program struct {
	names []string
	upper []int64 // -1: none
	rows  []row2
}

type term struct {
	v int
	a int64
}

// row2 says that the terms add up to at least low and at most high.
type row2 struct {
	terms     []term
	low, high int64
}

const noBound = math.MaxInt64

func (p *program) add(upper int64, format string, args ...any) int {
	p.names = append(p.names, fmt.Sprintf(format, args...))
	p.upper = append(p.upper, upper)
	return len(p.names) - 1
}

func (p *program) row(low, high int64, terms ...term) {
	if len(terms) > 0 {
		p.rows = append(p.rows, row2{terms, low, high})
	}
}

// holds reports the first row that whole values break.
func (p *program) holds(x []int64) error {
	for i, v := range x {
		if v < 0 || p.upper[i] >= 0 && v > p.upper[i] {
			return fmt.Errorf("%s = %d is out of its bounds", p.names[i], v)
		}
	}
	for i, r := range p.rows {
		var sum int64
		for _, t := range r.terms {
			sum += t.a * x[t.v]
		}
		if r.low != -noBound && sum < r.low || r.high != noBound && sum > r.high {
			return fmt.Errorf("row %d comes to %d, not %d to %d", i, sum, r.low, r.high)
		}
	}
	return nil
}

// text writes the program in LP format.
func (p *program) text(objective []term) string {
	var b strings.Builder
	sum := func(terms []term) {
		for i, t := range terms {
			if i > 0 && i%8 == 0 {
				b.WriteString("\n  ")
			}
			fmt.Fprintf(&b, " %+d %s", t.a, p.names[t.v])
		}
	}
	b.WriteString("Minimize\n obj:")
	if len(objective) == 0 {
		objective = []term{{0, 0}}
	}
	sum(objective)
	b.WriteString("\nSubject To\n")
	for i, r := range p.rows {
		if r.low == r.high {
			fmt.Fprintf(&b, " r%d:", i)
			sum(r.terms)
			fmt.Fprintf(&b, " = %d\n", r.low)
			continue
		}
		if r.low != -noBound {
			fmt.Fprintf(&b, " r%dl:", i)
			sum(r.terms)
			fmt.Fprintf(&b, " >= %d\n", r.low)
		}
		if r.high != noBound {
			fmt.Fprintf(&b, " r%dh:", i)
			sum(r.terms)
			fmt.Fprintf(&b, " <= %d\n", r.high)
		}
	}
	b.WriteString("Bounds\n")
	for i, u := range p.upper {
		if u >= 0 {
			fmt.Fprintf(&b, " 0 <= %s <= %d\n", p.names[i], u)
		}
	}
	b.WriteString("Generals\n")
	for _, n := range p.names {
		fmt.Fprintf(&b, " %s\n", n)
	}
	b.WriteString("End\n")
	return b.String()
}

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
