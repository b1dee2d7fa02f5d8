package plan

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// dayShape says how large a generated day is.
type dayShape struct {
	shops, items, formulas, vessels, days int
	load                                  float64 // wished share of the vessels' time
	crew                                  int
}

var (
	largeDay  = dayShape{shops: 1000, items: 40, formulas: 25, vessels: 12, days: 3, load: 0.92, crew: 60}
	mediumDay = dayShape{shops: 40, items: 12, formulas: 6, vessels: 4, days: 3, load: 0.80, crew: 24}
)

// daysBehind is how many days a generated kitchen may work on behind those that its
// shape plans for.
const daysBehind = 2

// generate makes a day of the shape: doughs of six product classes with
// windows between 24 and 72 hours, vessels of unequal size, and orders for
// the bake dates that can still be mixed for, scaled to the wished load.
func generate(s dayShape, seed uint64) Input {
	rng := rand.New(rand.NewPCG(seed, 7))
	night := civil.Date{Year: 2026, Month: time.June, Day: 4}
	b := commissary.Book{Revision: 1, Kitchen: commissary.Kitchen{ID: "gen", Name: "Generated", Zone: "Europe/Rome", Jurisdiction: "eu",
		RoomTemp: 22 * quantity.Degree, FlourTemp: 20 * quantity.Degree, TapWater: 16 * quantity.Degree, PlanDays: s.days + daysBehind}}
	b.Scales = []commissary.Scale{{ID: "floor", Division: 20 * quantity.Gram, Holds: 500 * quantity.Kilogram},
		{ID: "bench", Division: 5 * quantity.Gram, Holds: 15 * quantity.Kilogram}, {ID: "gram", Division: 100 * quantity.Milligram, Holds: 2 * quantity.Kilogram}}
	b.Containers = []commissary.Container{{ID: "box", Name: "Box", Tare: 1500 * quantity.Gram, Slots: 1, Crossed: 2, StackMax: 12}}
	b.Ingredients = []commissary.Ingredient{{ID: "flour", Name: "Flour", Kind: commissary.Flour, Allergens: []commissary.Allergen{"wheat"}},
		{ID: "water", Name: "Water", Kind: commissary.Water}, {ID: "salt", Name: "Salt", Kind: commissary.Salt},
		{ID: "yeast", Name: "Yeast", Kind: commissary.Yeast}, {ID: "milk", Name: "Milk powder", Kind: commissary.Other, Allergens: []commissary.Allergen{"milk"}}}
	classes := []string{"stiff", "firm", "medium", "soft", "wet", "rich"}
	for f := range s.formulas {
		class := f % len(classes)
		lines := []commissary.FormulaLine{{Ingredient: "flour", Share: quantity.Whole},
			{Ingredient: "water", Share: quantity.PPM(54+3*class+rng.IntN(3)) * quantity.Percent},
			{Ingredient: "salt", Share: 2 * quantity.Percent}, {Ingredient: "yeast", Share: quantity.Percent / 4}}
		if class == 5 {
			lines = append(lines, commissary.FormulaLine{Ingredient: "milk", Share: 3 * quantity.Percent})
		}
		b.Formulas = append(b.Formulas, commissary.Formula{ID: fmt.Sprintf("dough-%02d", f), Name: fmt.Sprintf("Dough %02d", f), Kind: commissary.Dough,
			Class: classes[class], Lines: lines, Loss: quantity.Percent, MixFirst: quantity.Seconds(8+2*rng.IntN(3)) * quantity.Minute,
			Steps: []commissary.Step{{Kind: commissary.StepDivide, Bench: fmt.Sprintf("bench-%d", f%s.vessels), Heads: 2, Wait: 45 * quantity.Minute},
				{Kind: commissary.StepHold}}})
	}
	for v := range s.vessels {
		size := quantity.Mass(120-20*(v%3/2)) * quantity.Kilogram
		vessel := commissary.Vessel{ID: fmt.Sprintf("mixer-%02d", v), Name: fmt.Sprintf("Mixer %02d", v), Count: 1, SmallestPPM: 20 * quantity.Percent,
			Load: 5 * quantity.Minute, Unload: 5 * quantity.Minute, Scrape: 3 * quantity.Minute, Wash: 15 * quantity.Minute, Heads: 1}
		for c, class := range classes {
			// One class in four is too much for a vessel, but every class has a third of them.
			if (v+c)%3 == 0 || rng.IntN(4) > 0 {
				vessel.Capacity = append(vessel.Capacity, commissary.CapacityRow{Class: class, Max: size * quantity.Mass(70+6*c) / 100, Basis: commissary.OfDough})
			}
		}
		b.Vessels = append(b.Vessels, vessel)
		b.Benches = append(b.Benches, commissary.Bench{ID: fmt.Sprintf("bench-%d", v), Name: fmt.Sprintf("Bench %d", v), Rates: []commissary.BenchRate{{PerHour: 1500}}})
	}
	b.ColdStore = commissary.ColdStore{Temp: 3 * quantity.Degree}
	b.Shifts = []commissary.Shift{{ID: "day", Days: civil.EveryDay, From: 4 * 3600, To: 20 * 3600, Heads: s.crew,
		Breaks: []commissary.Break{{From: 12 * 3600, To: 12*3600 + 1800}}}}
	for i := range s.items {
		// The sizes of one dough share its window.
		best := quantity.Seconds(36+5*(i%s.formulas)%13) * quantity.Hour
		b.Items = append(b.Items, commissary.Item{ID: fmt.Sprintf("ball-%02d", i), Name: fmt.Sprintf("Ball %02d", i), Kind: commissary.Ball,
			Formula: fmt.Sprintf("dough-%02d", i%s.formulas), Mass: quantity.Mass(200+10*rng.IntN(30)) * quantity.Gram, Container: "box", PerBox: 12,
			Window: commissary.Window{Min: 24 * quantity.Hour, Best: best, Band: 10 * quantity.Hour, Max: 72 * quantity.Hour},
			Ship:   commissary.ShipPolicy{BakeAfter: 1}})
	}
	run := commissary.Run{ID: "round", Name: "Round", Days: civil.EveryDay, Departs: 6 * 3600}
	for i := range s.shops {
		open := civil.Clock(11*3600 + 1800*rng.IntN(3))
		id := fmt.Sprintf("shop-%04d", i)
		b.Shops = append(b.Shops, commissary.Shop{ID: id, Name: id, Service: []commissary.Service{{Days: civil.EveryDay, Hours: commissary.Hours{From: open, To: open + 10*3600}}}})
		run.Stops = append(run.Stops, commissary.Stop{Shop: id})
	}
	b.Runs = []commissary.Run{run}
	zone, _ := civil.LoadZone(b.Kitchen.Zone)
	in := Input{Book: b, Night: night, At: zone.Instant(night, 26*3600), Seed: seed}

	// Vessel time an average piece of load takes, to scale the orders by.
	k, err := openKitchen(in)
	if err != nil {
		panic(err)
	}
	minutes := float64(s.vessels) * 15.5 * 60 * float64(s.days)
	wishes := make([][]float64, s.shops)
	var need float64
	for i := range wishes {
		wishes[i] = make([]float64, s.items)
		for j := range wishes[i] {
			wishes[i][j] = 0.2 + rng.Float64()
			r := &k.recipes[k.byID[b.Items[j].Formula]]
			var mean, time float64
			for _, m := range r.modes {
				mean += float64(m.max) / float64(len(r.modes))
				time += float64(m.load+m.mix+m.unload+180) / 60 / float64(len(r.modes))
			}
			need += wishes[i][j] * float64(b.Items[j].Mass) / mean * time
		}
	}
	scale := s.load * minutes / need
	for i, shop := range b.Shops {
		o := commissary.Order{Night: night, Shop: shop.ID, Revision: 1, State: commissary.OrderAccepted}
		for j, item := range b.Items {
			n := quantity.Pieces(wishes[i][j]*scale + rng.Float64())
			// The bake dates for which the best time to mix, to be of the best age in the
			// middle of the service, is in the days planned.
			first := 1 + int(item.Window.Best+8*quantity.Hour)/int(quantity.Day)
			if bake := night.AddDays(first + rng.IntN(s.days)); n > 0 {
				o.Lines = append(o.Lines, commissary.OrderLine{Item: item.ID, Pieces: n, BakeDate: bake})
			}
		}
		in.Orders = append(in.Orders, o)
	}
	return in
}

// searchOn is a search as Make begins it: what lots serve is taken, nothing is built.
func searchOn(tb testing.TB, in Input) *search {
	k, err := openKitchen(in)
	require.NoError(tb, err)
	needs, _ := k.demand()
	needs = k.ahead(needs)
	open := make([]quantity.Pieces, len(needs))
	for i, n := range needs {
		open[i] = n.Pieces
	}
	fl := openFloor(k)
	takeFromLots(k, fl, needs, open)
	fl.keepAlive()
	return newSearch(k, fl, needs, open)
}
