package plan

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
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
