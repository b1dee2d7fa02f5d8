package book

import (
	"fmt"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func (r *reader) vehicles(f *fields) {
	f.section("vehicles", "vehicle", true, func(id string, e *fields) {
		r.book.Vehicles = append(r.book.Vehicles, commissary.Vehicle{ID: id,
			Name:       must(e, "name", "Long van", words),
			Containers: int(read(e, "containers", whole(1, 100_000))),
			Payload:    read(e, "payload", above(quantity.ParseMass)),
			Dollies:    int(read(e, "dollies", whole(1, 1000)))})
	})
}

// dolly reads what stacks are rolled on, when the kitchen has any.
func (r *reader) dolly(f *fields) {
	n := f.take("dolly")
	if n == nil {
		return
	}
	e := r.open(n, f.at("dolly"), "the dolly")
	r.place("dolly", e)
	r.book.Dolly = commissary.Dolly{
		Base:    must(e, "base", "60 x 40 cm", base),
		Tare:    must(e, "tare", "5 kg", quantity.ParseMass),
		Carries: read(e, "carries", above(quantity.ParseMass))}
	e.close()
	for _, c := range r.book.Containers {
		if d := r.book.Dolly.Base; d.Long > 0 && c.Base.Long > 0 && (c.Base.Long > d.Long || c.Base.Wide > d.Wide) {
			r.fault(r.names["container"].line[c.ID], "container %q is %s, larger than the dolly's %s; it would stand over the edge", c.ID, baseText(c.Base), baseText(d))
		}
	}
}

// base reads "60 x 40 cm" into millimetres, the longer side first.
func base(s string) (commissary.Base, error) {
	number, cm := strings.CutSuffix(strings.TrimSpace(s), "cm")
	long, wide, two := strings.Cut(strings.ReplaceAll(number, "×", "x"), "x")
	a, err := whole(1, 300)(strings.TrimSpace(long))
	b, err2 := whole(1, 300)(strings.TrimSpace(wide))
	if !cm || !two || err != nil || err2 != nil {
		return commissary.Base{}, fmt.Errorf("%q is not a base; write its length and width, for example \"60 x 40 cm\"", show(s))
	}
	return commissary.Base{Long: int(max(a, b)) * 10, Wide: int(min(a, b)) * 10}, nil
}

func baseText(b commissary.Base) string { return fmt.Sprintf("%d x %d cm", b.Long/10, b.Wide/10) }

// coordinates reads latitude and longitude, which belong together.
func (f *fields) coordinates() (lat, lon int64) {
	lat, lon = read(f, "latitude", coordinate(90)), read(f, "longitude", coordinate(180))
	if f.has("latitude") != f.has("longitude") {
		f.r.fault(f.at("latitude"), "%s: latitude and longitude belong together; write both or neither", f.what)
	}
	return lat, lon
}

// coordinate reads degrees into millionths.
func coordinate(most int64) func(string) (int64, error) {
	return func(s string) (int64, error) {
		digits, negative := strings.CutPrefix(s, "-")
		// A mass in kilograms holds six decimals exactly.
		m, err := quantity.ParseMass(digits + " kg")
		if err != nil || int64(m) > most*1_000_000 {
			return 0, fmt.Errorf("%q is not between -%d and %d degrees", show(s), most, most)
		}
		if negative {
			m = -m
		}
		return int64(m), nil
	}
}

// lengthUnits are the units of length in millimetres. The mile is 1609.344 m
// exactly (NIST Handbook 44, Appendix C).
var lengthUnits = []struct {
	name string
	size int64
}{{"km", 1_000_000}, {"mi", 1_609_344}, {"m", 1000}}

// metres reads a length of road.
func metres(s string) (int64, error) {
	for _, u := range lengthUnits {
		number, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		// Thousandths of the unit, by way of grams.
		if m, err := quantity.ParseMass(strings.TrimSpace(number) + " g"); err == nil && m > 0 && m <= 100_000*quantity.Gram {
			if v, err := quantity.MulDiv(int64(m), u.size, 1_000_000, quantity.Nearest); err == nil && v > 0 && v <= 2_000_000 {
				return v, nil
			}
		}
		break
	}
	return 0, fmt.Errorf("%q is not a length of road up to 2000 km; write for example \"5.2 km\", \"800 m\" or \"3 mi\"", show(s))
}

// speed reads a speed into metres an hour.
func speed(s string) (int64, error) {
	number, ok := strings.CutSuffix(s, "/h")
	if mph, is := strings.CutSuffix(s, "mph"); is {
		number, ok = strings.TrimSpace(mph)+" mi", true
	}
	v, err := metres(strings.TrimSpace(number))
	if !ok || err != nil || v < 1000 || v > 130_000 {
		return 0, fmt.Errorf("%q is not a speed between 1 and 130 km/h; write for example \"35 km/h\" or \"25 mph\"", show(s))
	}
	return v, nil
}

// roads reads how far it is from place to place.
func (r *reader) roads(f *fields) {
	n := f.take("roads")
	if n == nil {
		return
	}
	e := r.open(n, f.at("roads"), `the section "roads"`)
	r.place("roads", e)
	roads := &r.book.Roads
	if e.has("factor") || e.has("speeds") {
		roads.Factor = must(e, "factor", "130 %", upTo(500*quantity.Percent))
		if e.has("factor") && roads.Factor < quantity.Whole && roads.Factor > 0 {
			r.fault(e.at("factor"), "%s: a road is never shorter than the great circle; a factor is 100 %% or more, 130 %% is common", e.what)
		}
		if !e.has("speeds") {
			e.missing("speeds", "[{up_to: 5 km, speed: 25 km/h}, {speed: 50 km/h}]")
		}
	} else {
		e.take("factor")
	}
	for _, x := range e.groups("speeds", "speed") {
		s := commissary.Speed{UpTo: read(x, "up_to", metres), PerHour: must(x, "speed", "35 km/h", speed)}
		x.close()
		if k := len(roads.Speeds); k > 0 && (roads.Speeds[k-1].UpTo == 0 || s.UpTo > 0 && s.UpTo <= roads.Speeds[k-1].UpTo) {
			r.fault(x.line, "%s: write the bands by distance, the shortest first, and only the last without \"up_to\"", x.what)
		}
		roads.Speeds = append(roads.Speeds, s)
	}
	if k := len(roads.Speeds); k > 0 && roads.Speeds[k-1].UpTo > 0 {
		r.fault(e.at("speeds"), "%s: leave \"up_to\" out of the last band of \"speeds\", so that it holds for all longer ways", e.what)
	}
	if n := e.take("ways"); n != nil {
		r.ways(n, e.at("ways"))
	}
	r.waysOfFile(e)
	e.close()
}

// waysOfFile reads the ways that WithWays has written behind their file's name.
func (r *reader) waysOfFile(e *fields) {
	n := e.take("file")
	switch {
	case n == nil:
		return
	case n.Kind == yaml.ScalarNode:
		r.fault(e.at("file"), "%s: the ways in %q are not in the book yet; the command line reads them from beside it (doughrun kitchen adopt)", e.what, show(n.Value))
		return
	case e.has("ways"):
		r.fault(e.at("file"), "%s: the ways stand in \"ways\" or in a file; keep one", e.what)
	}
	f := r.open(n, e.at("file"), `the section "roads", file`)
	if len(f.order) != 1 {
		r.fault(e.at("file"), "%s: one file of ways is read, not %d", f.what, len(f.order))
		return
	}
	r.book.Roads.File = f.order[0]
	r.ways(f.values[f.order[0]], e.at("file"))
}

// ways reads the matrix: from place to place, "12 min, 5.2 km".
func (r *reader) ways(n *yaml.Node, line int) {
	known := func(g *fields, place string) {
		if place != commissary.KitchenPlace {
			g.ref(g.at(place), "shop", place)
		}
	}
	from := r.open(n, line, `the section "roads", ways`)
	for _, a := range from.order {
		known(from, a)
		to := r.open(from.values[a], from.at(a), fmt.Sprintf("the section \"roads\", ways from %q", a))
		for _, b := range to.order {
			known(to, b)
			if a == b {
				r.fault(to.at(b), "%s: a way leads from one place to another", to.what)
			}
			w := read(to, b, way)
			w.From, w.To = a, b
			r.book.Roads.Ways = append(r.book.Roads.Ways, w)
		}
	}
}

func way(s string) (commissary.Way, error) {
	minutes, road, two := strings.Cut(s, ",")
	t, err := above(shortTime)(strings.TrimSpace(minutes))
	m, err2 := metres(strings.TrimSpace(road))
	if !two || err != nil || err2 != nil {
		return commissary.Way{}, fmt.Errorf("%q is not a way; write its time and its length, for example \"12 min, 5.2 km\"", show(s))
	}
	return commissary.Way{Time: t, Metres: m}, nil
}

func (r *reader) runs(f *fields) {
	f.section("runs", "run", true, func(id string, e *fields) {
		since := r.wrong
		freedom := oneOf(commissary.Fixed, commissary.Free)
		run := commissary.Run{ID: id,
			Name:     must(e, "name", "North round", words),
			Vehicle:  e.refer("vehicle", "vehicle", true, "van-1"),
			Days:     e.days("days"),
			Departs:  must(e, "departs", "06:30", civil.ParseClock),
			BackBy:   read(e, "back_by", civil.ParseClock),
			Sequence: read(e, "sequence", freedom),
			Assign:   read(e, "assign", freedom)}
		if run.BackBy > 0 && run.BackBy <= run.Departs {
			run.BackBy = run.BackBy.NextDay()
		}
		if run.Assign == commissary.Free && run.Sequence != commissary.Free {
			r.fault(e.at("assign"), "%s: stops that may ride on another run have no order of their own; write \"sequence: free\" too", e.what)
		}
		if !e.has("stops") {
			e.missing("stops", "[{shop: harbor, travel: 12 min, stay: 15 min}]")
		}
		at := map[string]int{}
		var lines []int
		for _, x := range e.groups("stops", "stop") {
			s := commissary.Stop{Shop: x.refer("shop", "shop", true, "harbor")}
			if run.Sequence == commissary.Free {
				x.forbid("is for stops in a fixed order; the section \"roads\" says how far it is", "travel")
			} else {
				s.Travel = must(x, "travel", "12 min", shortTime)
			}
			s.Stay = must(x, "stay", "15 min", shortTime)
			x.close()
			if first, ok := at[s.Shop]; ok && s.Shop != "" {
				r.fault(x.line, "%s: shop %q is on this run already, on line %d; one stop for each shop", x.what, s.Shop, first)
			} else {
				at[s.Shop] = x.line
			}
			run.Stops = append(run.Stops, s)
			lines = append(lines, x.line)
		}
		r.book.Runs = append(r.book.Runs, run)
		r.later(since, func() { r.judgeRun(e, run, lines) })
	})
}

// judgeRun checks a run's clock: it leaves after picking began, no shop is
// reached after its receiving hours, and its van is not out already. Of a run
// whose order is free it checks that every way is known.
func (r *reader) judgeRun(e *fields, run commissary.Run, lines []int) {
	if run.Departs <= r.book.Kitchen.Dispatch {
		r.fault(e.at("departs"), "%s: it departs at %v, but picking begins at %v; let it depart later, or set the kitchen's \"dispatch\" earlier", e.what, run.Departs, r.book.Kitchen.Dispatch)
	}
	clock := run.Departs
	for i, s := range run.Stops {
		shop, ok := r.shop(s.Shop)
		if !ok {
			continue
		}
		if other, twice := r.broughtBy(run, s.Shop); twice {
			r.fault(lines[i], "%s: run %q stops at shop %q on one of these days already, and a shop gets its goods of a morning with one run; give the runs other days, or take it off one of them", e.what, other, s.Shop)
			return
		}
		if run.Sequence == commissary.Free && !r.reachable(run, shop) {
			r.fault(lines[i], "%s: nobody knows the way to shop %q; give the kitchen and the shop a latitude and a longitude and \"roads\" its factor and speeds, list its ways under \"roads\", or fix the order of this run", e.what, s.Shop)
			return
		}
		clock += civil.Clock(s.Travel)
		if shop.Receiving != (commissary.Hours{}) {
			if clock > shop.Receiving.To {
				r.fault(lines[i], "%s: the van reaches shop %q at %v, after it stops receiving at %v", e.what, s.Shop, clock, shop.Receiving.To)
				return
			}
			if run.Sequence != commissary.Free {
				clock = max(clock, shop.Receiving.From)
			}
		}
		if run.Sequence != commissary.Free {
			clock += civil.Clock(s.Stay)
		}
		if clock > 2*86400 {
			r.fault(lines[i], "%s: this stop ends more than a day after the run departs", e.what)
			return
		}
	}
	if run.BackBy > 0 && clock > run.BackBy {
		r.fault(e.at("back_by"), "%s: its last stop ends at %v, after %v; let it leave earlier, or give a stop to another run", e.what, clock, run.BackBy)
	}
	for _, other := range r.book.Runs {
		if other.ID == run.ID || other.Vehicle != run.Vehicle || other.Days&run.Days == 0 {
			continue
		}
		if run.Departs <= other.Departs && (other.Departs < clock || other.Departs == run.Departs) && (run.Departs < other.Departs || run.ID < other.ID) {
			r.fault(e.at("departs"), "%s: vehicle %q is on this run until %v, but run %q takes it at %v", e.what, run.Vehicle, clock, other.ID, other.Departs)
		}
	}
}

// broughtBy returns the run before this one that stops at a shop on one of its days.
func (r *reader) broughtBy(run commissary.Run, shop string) (string, bool) {
	for _, other := range r.book.Runs {
		if other.ID == run.ID {
			break
		}
		if other.Days&run.Days != 0 && slices.ContainsFunc(other.Stops, func(s commissary.Stop) bool { return s.Shop == shop }) {
			return other.ID, true
		}
	}
	return "", false
}

func (r *reader) shop(id string) (commissary.Shop, bool) {
	i := slices.IndexFunc(r.book.Shops, func(s commissary.Shop) bool { return s.ID == id })
	if i < 0 {
		return commissary.Shop{}, false
	}
	return r.book.Shops[i], true
}

// reachable reports whether the way from the kitchen and from every other
// place where the shop's stop may be driven from is known.
func (r *reader) reachable(run commissary.Run, shop commissary.Shop) bool {
	k := r.book.Kitchen
	located := func(lat, lon int64) bool { return (lat != 0 || lon != 0) && len(r.book.Roads.Speeds) > 0 }
	listed := func(a, b string) bool {
		return slices.ContainsFunc(r.book.Roads.Ways, func(w commissary.Way) bool {
			return w.From == a && w.To == b || w.From == b && w.To == a
		})
	}
	here := located(shop.Lat, shop.Lon)
	if !listed(commissary.KitchenPlace, shop.ID) && !(here && located(k.Lat, k.Lon)) {
		return false
	}
	for _, other := range r.book.Runs {
		if other.ID != run.ID && (run.Assign != commissary.Free || other.Assign != commissary.Free || other.Days&run.Days == 0) {
			continue
		}
		for _, s := range other.Stops {
			if there, ok := r.shop(s.Shop); ok && s.Shop != shop.ID && !listed(s.Shop, shop.ID) && !(here && located(there.Lat, there.Lon)) {
				return false
			}
		}
	}
	return true
}
