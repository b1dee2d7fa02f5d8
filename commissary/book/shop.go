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
			Unattended: read(e, "unattended", yes),
			Access:     read(e, "access", words),
			WalkIn:     must(e, "walk_in", "4 °C", kitchenTemp(coldest, 15*quantity.Degree))}
		s.Lat, s.Lon = e.coordinates()
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
