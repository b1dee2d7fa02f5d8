package plan

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
)

// manifests holds every run's manifest to the picks, to its stops and to its vehicle.
func (c dispatchChecker) manifests() {
	type load struct{ run, shop, item, lot string }
	type amount struct {
		pieces         quantity.Pieces
		boxes          int
		from, best, by time.Time
	}
	picked := map[load]amount{}
	for _, p := range c.d.Picks {
		k := load{p.Run, p.Shop, p.Item, p.Lot}
		a := picked[k]
		picked[k] = amount{a.pieces + p.Pieces, a.boxes + p.Boxes(), latest(a.from, p.UseFrom), latest(a.best, p.Best), latest(a.by, p.UseBy)}
	}
	shown := map[load]amount{}
	seen := map[string]bool{}
	for _, m := range c.d.Manifests {
		at := slices.IndexFunc(c.in.Book.Runs, func(r commissary.Run) bool { return r.ID == m.Run && r.Days.Has(c.delivery.Weekday()) })
		if at < 0 || seen[m.Run] {
			c.broken(commissary.Reason{Code: commissary.BrokenUnknown, Limit: m.Run}, "The manifest of run %q is for no run of %s, or stands twice.", m.Run, c.delivery)
			continue
		}
		seen[m.Run] = true
		run := c.in.Book.Runs[at]
		r := commissary.Reason{Code: commissary.BrokenManifest, Limit: m.Run}
		departs := c.zone.Instant(c.delivery, run.Departs)
		if m.Vehicle != run.Vehicle || !m.Departs.Equal(departs) {
			c.broken(r, "The manifest of run %s says %q leaving %s; it is %q leaving %s.", m.Run, m.Vehicle, c.at(m.Departs), run.Vehicle, c.at(departs))
		}
		c.clock(m, run)
		boxes, mass := 0, quantity.Mass(0)
		for _, stop := range m.Stops {
			r := r
			r.Shop = stop.Shop
			var allergens []commissary.Allergen
			stopBoxes, stopMass := 0, quantity.Mass(0)
			for _, l := range stop.Lines {
				k := load{m.Run, stop.Shop, l.Item, l.Lot}
				a := shown[k]
				shown[k] = amount{a.pieces + l.Pieces, a.boxes + l.Boxes, latest(a.from, l.UseFrom), latest(a.best, l.Best), latest(a.by, l.UseBy)}
				item := c.items[l.Item]
				stopBoxes += l.Boxes
				goods, err := quantity.Scale(item.Mass, int64(l.Pieces), 1, quantity.Up)
				tare, err2 := quantity.Scale(c.boxes[item.Container].Tare, int64(l.Boxes), 1, quantity.Up)
				if err != nil || err2 != nil || l.Pieces <= 0 || l.Boxes <= 0 {
					c.broken(r, "Run %s brings %d × %s in %d containers to %s, which is no amount.", m.Run, l.Pieces, l.Item, l.Boxes, stop.Shop)
					continue
				}
				stopMass += goods + tare
				more, err := safety.Allergens(c.in.Book, item.Formula)
				if err == nil {
					allergens = append(allergens, more...)
				}
			}
			if back := empties(&c.in, stop.Shop, c.delivery); !slices.Equal(stop.Empties, back) {
				c.broken(r, "Run %s expects %v back from %s; it is %v.", m.Run, stop.Empties, stop.Shop, back)
			}
			if stop.Boxes != stopBoxes || stop.Mass != stopMass || stopBoxes == 0 {
				over := cmp.Or(int64(stop.Boxes-stopBoxes), int64(stop.Mass-stopMass))
				r.Over = over
				c.broken(r, "Run %s says %d containers and %v for %s; its lines come to %d and %v.", m.Run, stop.Boxes, stop.Mass, stop.Shop, stopBoxes, stopMass)
				r.Over = 0
			}
			slices.Sort(allergens)
			if allergens = slices.Compact(allergens); !slices.Equal(stop.Allergens, allergens) {
				r.Code = commissary.BrokenLabel
				c.broken(r, "Run %s shows %s the allergens %v; what it brings has %v.", m.Run, stop.Shop, stop.Allergens, allergens)
			}
			boxes, mass = boxes+stopBoxes, mass+stopMass
		}
		if m.Boxes != boxes || m.Mass != mass {
			r.Over = cmp.Or(int64(m.Boxes-boxes), int64(m.Mass-mass))
			c.broken(r, "Run %s says %d containers and %v in all; its stops come to %d and %v.", m.Run, m.Boxes, m.Mass, boxes, mass)
		}
		c.load(m)
		c.vehicle(run, m, boxes, mass)
	}
	keys := slices.Collect(maps.Keys(picked))
	for k := range shown {
		if _, ok := picked[k]; !ok {
			keys = append(keys, k)
		}
	}
	slices.SortFunc(keys, func(a, b load) int {
		return cmp.Or(cmp.Compare(a.run, b.run), cmp.Compare(a.shop, b.shop), cmp.Compare(a.item, b.item), cmp.Compare(a.lot, b.lot))
	})
	for _, k := range keys {
		p, m := picked[k], shown[k]
		r := commissary.Reason{Code: commissary.BrokenManifest, Limit: k.run, Shop: k.shop, Item: k.item, Pieces: m.pieces}
		switch least := boxesFor(max(m.pieces, 0), c.items[k.item].PerBox); {
		case m.pieces != p.pieces:
			r.Over = int64(m.pieces - p.pieces)
			c.broken(r, "The manifest of run %s has %d × %s of lot %s for %s; %d are picked.", k.run, m.pieces, k.item, k.lot, k.shop, p.pieces)
		case int64(m.boxes) < least:
			r.Code, r.Over = commissary.BrokenMixedBox, least-int64(m.boxes)
			c.broken(r, "%d × %s of lot %s for %s are in %d containers and need %d of their own: one container never mixes lots.", m.pieces, k.item, k.lot, k.shop, m.boxes, least)
		case m.boxes != p.boxes:
			r.Over = int64(m.boxes - p.boxes)
			c.broken(r, "The manifest of run %s has %d containers of %s of lot %s for %s; %d are picked.", k.run, m.boxes, k.item, k.lot, k.shop, p.boxes)
		case !m.from.Equal(p.from) || !m.best.Equal(p.best) || !m.by.Equal(p.by):
			c.broken(r, "The manifest of run %s gives %s of lot %s at %s another time of use than the pick.", k.run, k.item, k.lot, k.shop)
		}
	}
}

// told reports whether the dispatch says itself that a limit is exceeded: then
// somebody has to decide.
func (c dispatchChecker) told(code commissary.ReasonCode, limit, shop string, over int64) bool {
	return slices.ContainsFunc(c.d.Exceptions, func(e commissary.Reason) bool {
		return e.Code == code && e.Limit == limit && e.Shop == shop && e.Over == over
	})
}

// vehicle names a load that is more than its vehicle carries, unless told.
func (c dispatchChecker) vehicle(run commissary.Run, m commissary.Manifest, boxes int, mass quantity.Mass) {
	dolly := c.in.Book.Dolly
	for _, v := range c.in.Book.Vehicles {
		if v.ID != run.Vehicle {
			continue
		}
		judge := func(over int64, load, most string) {
			if over > 0 && !c.told(commissary.ReasonOverload, v.ID, "", over) {
				c.broken(commissary.Reason{Code: commissary.BrokenVehicle, Limit: v.ID, Over: over}, "Run %s loads %s on %s, which carries %s. Move a stop to another run.", run.ID, load, v.ID, most)
			}
		}
		if v.Containers > 0 {
			judge(int64(boxes-v.Containers), fmt.Sprintf("%d containers", boxes), fmt.Sprint(v.Containers))
		}
		if dolly.Base.Long > 0 {
			mass += dolly.Tare * quantity.Mass(len(m.Load))
			if v.Dollies > 0 {
				judge(int64(len(m.Load)-v.Dollies), fmt.Sprintf("%d dollies", len(m.Load)), fmt.Sprint(v.Dollies))
			}
		}
		if v.Payload > 0 {
			judge(int64(mass-v.Payload), mass.String(), v.Payload.String())
		}
	}
}

// clock drives a run by the book: a fixed one past all its stops in its own
// minutes, a free one from stop to stop as the roads are. A van waits where it
// is early. It is compared with the manifest, and held to receiving hours and
// to the end of the shift.
func (c dispatchChecker) clock(m commissary.Manifest, run commissary.Run) {
	r := commissary.Reason{Code: commissary.BrokenManifest, Limit: m.Run}
	roads := newRoads(&c.in.Book)
	at, here := m.Departs, commissary.KitchenPlace
	metres, known := int64(0), true
	// visit returns by how much the shop receives no more.
	visit := func(shop string, took, stay quantity.Seconds) (stop commissary.ManifestStop, late int64) {
		l, ok := roads.leg(here, shop)
		metres, known, here = metres+l.metres, known && ok, shop
		if run.Sequence == commissary.Free {
			took = quantity.Seconds(l.seconds)
		}
		at = at.Add(span(took))
		stop.Arrives = at
		if h := c.shops[shop].Receiving; h.To > 0 {
			late = seconds(at.Sub(c.zone.Instant(c.delivery, h.To)))
			at = latest(at, c.zone.Instant(c.delivery, h.From))
		}
		at = at.Add(span(stay))
		stop.Leaves = at
		return stop, late
	}
	next := 0
	seen := map[string]bool{}
	for _, stop := range m.Stops {
		r := r
		r.Shop = stop.Shop
		var want commissary.ManifestStop
		var late int64
		found := !seen[stop.Shop]
		seen[stop.Shop] = true
		if run.Sequence == commissary.Free {
			want, late = visit(stop.Shop, 0, c.stay(stop.Shop, run.ID))
		} else {
			for found = false; next < len(run.Stops) && !found; next++ {
				s := run.Stops[next]
				want, late = visit(s.Shop, s.Travel, s.Stay)
				found = s.Shop == stop.Shop
			}
		}
		if !found {
			c.broken(r, "Run %s stops at %s out of its driving order, twice or not at all.", m.Run, stop.Shop)
			return
		}
		for _, x := range []struct {
			what     string
			is, says time.Time
		}{{"is at", want.Arrives, stop.Arrives}, {"leaves", want.Leaves, stop.Leaves}} {
			if !x.is.Equal(x.says) {
				c.broken(r, "Run %s %s %s at %s, not at %s.", m.Run, x.what, stop.Shop, c.at(x.is), c.at(x.says))
			}
		}
		if late > 0 && !c.told(commissary.ReasonLateStop, m.Run, stop.Shop, late) {
			c.broken(commissary.Reason{Code: commissary.BrokenReceiving, Limit: m.Run, Shop: stop.Shop, Over: late},
				"Run %s reaches %s at %s, which receives until %v. Drive there earlier, or on another run.", m.Run, stop.Shop, c.at(want.Arrives), c.shops[stop.Shop].Receiving.To)
		}
	}
	if run.Sequence != commissary.Free {
		for ; next < len(run.Stops); next++ {
			visit(run.Stops[next].Shop, run.Stops[next].Travel, run.Stops[next].Stay)
		}
	}
	home, ok := roads.leg(here, commissary.KitchenPlace)
	back := at.Add(time.Duration(home.seconds) * time.Second)
	if metres += home.metres; !known || !ok {
		metres = 0
	}
	if !m.Back.Equal(back) || m.Metres != metres {
		r.Over = cmp.Or(seconds(m.Back.Sub(back)), m.Metres-metres)
		c.broken(r, "Run %s is back at %s after %d m of road, not at %s after %d m.", m.Run, c.at(back), metres, c.at(m.Back), m.Metres)
	}
	c.shift(run, back)
}

// shift holds the return of a run to its driver's shift, and to the next run
// of its vehicle.
func (c dispatchChecker) shift(run commissary.Run, back time.Time) {
	judge := func(by time.Time) {
		if late := seconds(back.Sub(by)); late > 0 && !slices.ContainsFunc(c.d.Exceptions, func(e commissary.Reason) bool {
			return e.Code == commissary.ReasonOvertime && e.Limit == run.ID && e.Over >= late
		}) {
			c.broken(commissary.Reason{Code: commissary.BrokenOvertime, Limit: run.ID, Over: late},
				"Run %s is back at %s and must be by %s. Give a stop to another run.", run.ID, c.at(back), c.at(by))
		}
	}
	if run.BackBy > 0 {
		judge(c.zone.Instant(c.delivery, run.BackBy))
	}
	for _, other := range c.in.Book.Runs {
		if other.Vehicle == run.Vehicle && other.Departs > run.Departs && other.Days.Has(c.delivery.Weekday()) {
			judge(c.zone.Instant(c.delivery, other.Departs))
		}
	}
}

// stay is how long a van stays at a shop: as its run says, or the first that says.
func (c dispatchChecker) stay(shop, run string) quantity.Seconds {
	var all []commissary.Stop
	for _, r := range c.in.Book.Runs {
		for _, s := range r.Stops {
			if s.Shop == shop && r.ID == run {
				return s.Stay
			}
			if s.Shop == shop {
				all = append(all, s)
			}
		}
	}
	if len(all) == 0 {
		return 0
	}
	return all[0].Stay
}
