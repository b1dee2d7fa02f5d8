package book

import (
	"fmt"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func (r *reader) shops(f *fields) {
	f.section("shops", "shop", true, func(id string, e *fields) {
		s := commissary.Shop{ID: id,
			Name:       must(e, "name", "Harbor Row", words),
			Address:    read(e, "address", words),
			Phone:      read(e, "phone", words),
			NightPhone: read(e, "night_phone", words),
			Lat:        read(e, "latitude", coordinate(90)),
			Lon:        read(e, "longitude", coordinate(180)),
			Unattended: read(e, "unattended", yes),
			Access:     read(e, "access", words),
			WalkIn:     must(e, "walk_in", "4 °C", kitchenTemp(coldest, 15*quantity.Degree))}
		if e.has("latitude") != e.has("longitude") {
			r.fault(e.at("latitude"), "%s: latitude and longitude belong together; write both or neither", e.what)
		}
		if n := e.take("receiving"); n == nil {
			e.missing("receiving", "{from: 06:30, to: 10:00}")
		} else {
			h := r.open(n, e.at("receiving"), e.what+", receiving")
			s.Receiving = h.hours()
			h.close()
		}
		r.service(e, &s)
		r.standing(e, &s)
		r.book.Shops = append(r.book.Shops, s)
	})
}

func (r *reader) service(e *fields, s *commissary.Shop) {
	if !e.has("service") {
		e.missing("service", "[{days: every day, from: 11:00, to: 22:00}]")
	}
	var open civil.Weekdays
	for _, x := range e.groups("service", "service") {
		days := x.days("days")
		s.Service = append(s.Service, commissary.Service{Days: days, Hours: x.hours()})
		x.close()
		if twice := open & days; twice != 0 {
			r.fault(x.at("days"), "%s: %s has service hours already; one service a day", x.what, dayNames(twice))
		}
		open |= days
	}
}

func dayNames(w civil.Weekdays) string {
	var all []string
	for d := time.Sunday; d <= time.Saturday; d++ {
		if w.Has(d) {
			all = append(all, d.String()[:3])
		}
	}
	return strings.Join(all, ", ")
}

// standing reads item → days → pieces.
func (r *reader) standing(e *fields, s *commissary.Shop) {
	n := e.take("standing")
	if n == nil {
		return
	}
	var open civil.Weekdays
	for _, x := range s.Service {
		open |= x.Days
	}
	g := r.open(n, e.at("standing"), e.what+", standing")
	for _, item := range g.order {
		if _, err := name(item); err != nil {
			r.fault(g.at(item), "%s: %v", g.what, err)
			continue
		}
		g.ref(g.at(item), "item", item)
		w := r.open(g.values[item], g.at(item), fmt.Sprintf("%s, standing %q", e.what, item))
		var ordered civil.Weekdays
		for _, key := range w.order {
			days, err := weekdays(key)
			pieces := read(w, key, whole(1, 100_000))
			switch {
			case err != nil:
				r.fault(w.at(key), "%s: %v", w.what, err)
				continue
			case ordered&days != 0:
				r.fault(w.at(key), "%s: %s stands twice; one quantity a day", w.what, dayNames(ordered&days))
			case open != 0 && days&^open != 0:
				r.fault(w.at(key), "%s: the shop is closed on %s; leave that day out", w.what, dayNames(days&^open))
			}
			ordered |= days
			s.Standing = append(s.Standing, commissary.Standing{Item: item, Days: days, Pieces: quantity.Pieces(pieces)})
		}
	}
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

func (r *reader) vehicles(f *fields) {
	f.section("vehicles", "vehicle", true, func(id string, e *fields) {
		r.book.Vehicles = append(r.book.Vehicles, commissary.Vehicle{ID: id,
			Name:       must(e, "name", "Long van", words),
			Containers: int(read(e, "containers", whole(1, 100_000))),
			Payload:    read(e, "payload", above(quantity.ParseMass))})
	})
}

func (r *reader) runs(f *fields) {
	f.section("runs", "run", true, func(id string, e *fields) {
		since := r.wrong
		run := commissary.Run{ID: id,
			Name:    must(e, "name", "North round", words),
			Vehicle: e.refer("vehicle", "vehicle", true, "van-1"),
			Days:    e.days("days"),
			Departs: must(e, "departs", "06:30", civil.ParseClock)}
		if !e.has("stops") {
			e.missing("stops", "[{shop: harbor, travel: 12 min, stay: 15 min}]")
		}
		at := map[string]int{}
		var lines []int
		for _, x := range e.groups("stops", "stop") {
			s := commissary.Stop{
				Shop:   x.refer("shop", "shop", true, "harbor"),
				Travel: must(x, "travel", "12 min", shortTime),
				Stay:   must(x, "stay", "15 min", shortTime)}
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
// reached after its receiving hours, and its van is not out already.
func (r *reader) judgeRun(e *fields, run commissary.Run, lines []int) {
	if run.Departs <= r.book.Kitchen.Dispatch {
		r.fault(e.at("departs"), "%s: it departs at %v, but picking begins at %v; let it depart later, or set the kitchen's \"dispatch\" earlier", e.what, run.Departs, r.book.Kitchen.Dispatch)
	}
	clock := run.Departs
	for i, s := range run.Stops {
		clock += civil.Clock(s.Travel)
		for _, shop := range r.book.Shops {
			if shop.ID != s.Shop || shop.Receiving == (commissary.Hours{}) {
				continue
			}
			if clock > shop.Receiving.To {
				r.fault(lines[i], "%s: the van reaches shop %q at %v, after it stops receiving at %v", e.what, s.Shop, clock, shop.Receiving.To)
				return
			}
			clock = max(clock, shop.Receiving.From)
		}
		clock += civil.Clock(s.Stay)
		if clock > 2*86400 {
			r.fault(lines[i], "%s: this stop ends more than a day after the run departs", e.what)
			return
		}
	}
	for _, other := range r.book.Runs {
		if other.ID == run.ID || other.Vehicle != run.Vehicle || other.Days&run.Days == 0 {
			continue
		}
		if run.Departs <= other.Departs && other.Departs < clock && (run.Departs < other.Departs || run.ID < other.ID) {
			r.fault(e.at("departs"), "%s: vehicle %q is on this run until %v, but run %q takes it at %v", e.what, run.Vehicle, clock, other.ID, other.Departs)
		}
	}
}
