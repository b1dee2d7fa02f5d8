package plan

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
)

// CheckDispatch judges any dispatch of the morning after in.Night: whether
// lines, picks and manifests say one thing, whether every pick may be used
// where it goes, and whether nothing is short that was there. Reasons are as
// those of Check.
func CheckDispatch(in Input, d commissary.Dispatch) []commissary.Reason {
	// A van may leave late: what it was to bring is wanted all the same.
	c, err := newChecker(in, time.Time{})
	if err != nil {
		return []commissary.Reason{{Code: commissary.BrokenInput, Limit: "book", Text: err.Error()}}
	}
	dc := dispatchChecker{c, d, in.Night.AddDays(1)}
	dc.header()
	dc.lines()
	dc.picks()
	dc.shortages()
	dc.manifests()
	return c.out
}

type dispatchChecker struct {
	*checker
	d        commissary.Dispatch
	delivery civil.Date
}

// rides reports whether a need is delivered by this dispatch.
func (c dispatchChecker) rides(n commissary.Need) bool {
	return n.BakeDate.AddDays(-c.items[n.Item].Ship.DeliverBefore) == c.delivery
}

func (c dispatchChecker) header() {
	differs := func(limit, says, is string) {
		if says != is {
			c.broken(commissary.Reason{Code: commissary.BrokenInput, Limit: limit}, "The dispatch was made for the %s %s, but it is judged by %s. Draft it again.", limit, says, is)
		}
	}
	differs("night", c.d.Night.String(), c.in.Night.String())
	differs("delivery", c.d.Delivery.String(), c.delivery.String())
	differs("instant", c.d.At.UTC().Format(time.RFC3339), c.in.At.UTC().Format(time.RFC3339))
	differs("input", c.d.InputHash, Hash(c.in))
	var must []commissary.Reason
	for _, r := range c.said {
		if r.Item == "" || r.BakeDate.AddDays(-c.items[r.Item].Ship.DeliverBefore) == c.delivery {
			must = append(must, r)
		}
	}
	c.unsaid(must, c.d.Exceptions)
}

// lines holds every line to the demand, and to ordered = picked + short.
func (c dispatchChecker) lines() {
	picked := map[service]quantity.Pieces{}
	for _, p := range c.d.Picks {
		picked[service{p.Shop, p.Item, p.BakeDate}] += p.Pieces
	}
	seen := map[service]bool{}
	for _, l := range c.d.Lines {
		s := service{l.Shop, l.Item, l.BakeDate}
		r := commissary.Reason{Shop: l.Shop, Item: l.Item, BakeDate: l.BakeDate, Pieces: l.Ordered}
		says := func(code commissary.ReasonCode, limit string, over int64, format string, args ...any) {
			r.Code, r.Limit, r.Over = code, limit, over
			c.broken(r, "The line of %s for %s on %s "+format, append([]any{l.Shop, l.Item, l.BakeDate}, args...)...)
		}
		n, ok := c.needs[s]
		if !ok || !c.rides(n) || seen[s] {
			says(commissary.BrokenDemand, "demand", int64(l.Ordered), "is not on this delivery, or stands twice. Take it out.")
			continue
		}
		seen[s] = true
		if l.Ordered != n.Pieces || l.Source != n.Source {
			says(commissary.BrokenDemand, "demand", int64(l.Ordered-n.Pieces), "says %d by %s; the demand is %d by %s.", l.Ordered, l.Source, n.Pieces, n.Source)
		}
		if l.Picked < 0 || l.Short < 0 || l.Ordered != l.Picked+l.Short {
			says(commissary.BrokenSum, "line", int64(l.Picked+l.Short-l.Ordered), "says %d picked and %d short of %d, which does not add up.", l.Picked, l.Short, l.Ordered)
		}
		if l.Picked != picked[s] {
			says(commissary.BrokenSum, "picks", int64(l.Picked-picked[s]), "says %d picked; its picks come to %d.", l.Picked, picked[s])
		}
		if l.Short > 0 && l.Why == "" {
			says(commissary.BrokenUnsaid, "short", int64(l.Short), "is short %d and does not say why.", l.Short)
		}
	}
	for _, n := range c.demanded {
		if c.rides(n) && !seen[serviceOf(n)] {
			c.broken(commissary.Reason{Code: commissary.BrokenDemand, Limit: "demand", Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: n.Pieces, Over: int64(n.Pieces)},
				"%s ordered %d × %s for %s, and no line speaks of it.", n.Shop, n.Pieces, n.Item, n.BakeDate)
		}
	}
}

// picks judges each pick: its run, its lot, and its containers.
func (c dispatchChecker) picks() {
	taken := map[string]quantity.Pieces{}
	for _, p := range c.d.Picks {
		taken[p.Lot] += p.Pieces
	}
	ofItem := map[string][]commissary.Lot{}
	for _, l := range c.in.Lots {
		ofItem[l.Item] = append(ofItem[l.Item], l)
	}
	for _, p := range c.d.Picks {
		r := commissary.Reason{Limit: p.Lot, Shop: p.Shop, Item: p.Item, BakeDate: p.BakeDate, Pieces: p.Pieces}
		says := func(code commissary.ReasonCode, limit string, over int64, format string, args ...any) {
			r.Code, r.Limit, r.Over = code, limit, over
			c.broken(r, "The pick of %d × %s from %s for %s "+format, append([]any{p.Pieces, p.Item, p.Lot, p.Shop}, args...)...)
		}
		n, ok := c.needs[service{p.Shop, p.Item, p.BakeDate}]
		if !ok || !c.rides(n) || p.Pieces <= 0 || p.Pieces > quantity.MaxPieces {
			says(commissary.BrokenSum, "demand", int64(p.Pieces), "is for nothing that was ordered for %s.", c.delivery)
			continue
		}
		if p.Run != n.Run {
			says(commissary.BrokenRun, p.Run, 0, "rides on run %q, but run %q serves the shop.", p.Run, n.Run)
		}
		item := c.items[p.Item]
		per := max(item.PerBox, 1)
		if p.Full < 0 || quantity.Pieces(p.Full) > p.Pieces || p.Loose < 0 || p.Loose >= per || quantity.Pieces(p.Full)*per+p.Loose != p.Pieces {
			says(commissary.BrokenBoxes, item.Container, int64(quantity.Pieces(p.Full)*per+p.Loose-p.Pieces), "is written as %d full containers of %d and %d loose.", p.Full, per, p.Loose)
		}
		if p.Zone != item.Zone {
			says(commissary.BrokenUnknown, "zone", 0, "sends the picker to zone %q; it is kept in %q.", p.Zone, item.Zone)
		}
		l, ok := c.lots[p.Lot]
		if !ok || l.Item != p.Item || !here(l) {
			says(commissary.BrokenLot, p.Lot, int64(p.Pieces), "names a lot that the kitchen does not have of it.")
			continue
		}
		if l.Held != "" {
			says(commissary.BrokenHeld, p.Lot, int64(p.Pieces), "is from a lot on hold (%s). Leave it.", l.Held)
		}
		r.Over = 0
		young, old := c.clocks(l)
		c.inWindow(r, n, young, old, p.Lot)
		if most := c.lastUse(l, item, p); p.UseBy.After(most) || p.UseFrom.After(p.Best) || p.Best.After(p.UseBy) {
			says(commissary.BrokenWindow, "use by", seconds(p.UseBy.Sub(most)), "says use from %s, best %s, by %s; %s is the last for that shop.", c.at(p.UseFrom), c.at(p.Best), c.at(p.UseBy), c.at(most))
		}
		for _, older := range ofItem[p.Item] {
			left := older.Pieces - taken[older.Code]
			if _, theirs := c.clocks(older); theirs.Before(old) && c.usable(older, n) && left >= min(per, p.Pieces) {
				says(commissary.BrokenOldest, older.Code, int64(left), "leaves %d of the older lot %s, which is in its window. Take that first.", left, older.Code)
				break
			}
		}
	}
	for _, code := range slices.Sorted(maps.Keys(taken)) {
		l, known := c.lots[code]
		if over := taken[code] - l.Pieces; known && over > 0 {
			c.broken(commissary.Reason{Code: commissary.BrokenLot, Limit: code, Item: l.Item, Pieces: over, Over: int64(over)}, "%d are picked from lot %s, which has %d.", taken[code], code, l.Pieces)
		}
	}
}

// lastUse is when a shop must have used a lot: by its walk-in, the book's hard
// maximum and the date mark. A run that is not in the book brings it at once.
func (c dispatchChecker) lastUse(l commissary.Lot, item commissary.Item, p commissary.Pick) time.Time {
	arrives := l.Made
	for _, r := range c.in.Book.Runs {
		if r.ID == p.Run {
			arrives = arrival(r, c.zone.Instant(c.delivery, r.Departs), p.Shop)
		}
	}
	return UseWindow(&c.in.Book, c.zone, l, item, c.shops[p.Shop], arrives).By
}

// clocks are a lot's two clocks, worked out once.
func (c *checker) clocks(l commissary.Lot) (young, old time.Time) {
	ends, known := c.aged[l.Code]
	if !known {
		ends[0], ends[1] = clocks(&c.in.Book, c.zone, l, c.items[l.Item])
		c.aged[l.Code] = ends
	}
	return ends[0], ends[1]
}

func (c *checker) old(l commissary.Lot) time.Time {
	_, old := c.clocks(l)
	return old
}

// usable reports whether a lot may serve a need.
func (c dispatchChecker) usable(l commissary.Lot, n commissary.Need) bool {
	if l.Item != n.Item || l.Held != "" || !here(l) {
		return false
	}
	young, old := c.clocks(l)
	return !old.Before(n.MadeFrom) && !young.After(n.MadeTo)
}

// shortages names items of which more could have been picked. Lots are single
// instants and windows are intervals, so that serving the oldest lot first,
// and from it the window that closes first, serves the most pieces there can be.
func (c dispatchChecker) shortages() {
	short := map[string]quantity.Pieces{}
	first := map[string]commissary.DispatchLine{}
	for _, l := range c.d.Lines {
		if l.Short > 0 {
			if short[l.Item] == 0 {
				first[l.Item] = l
			}
			short[l.Item] += l.Short
		}
	}
	for _, item := range slices.Sorted(maps.Keys(short)) {
		var needs []commissary.Need
		var wanted, served quantity.Pieces
		for _, n := range c.demanded {
			if n.Item == item && c.rides(n) {
				needs = append(needs, n)
				wanted += n.Pieces
			}
		}
		slices.SortStableFunc(needs, func(a, b commissary.Need) int { return a.MadeTo.Compare(b.MadeTo) })
		lots := slices.SortedStableFunc(slices.Values(c.in.Lots), func(a, b commissary.Lot) int { return c.old(a).Compare(c.old(b)) })
		for _, l := range lots {
			left := max(l.Pieces, 0)
			for i := range needs {
				if c.usable(l, needs[i]) {
					give := min(left, needs[i].Pieces)
					left, needs[i].Pieces, served = left-give, needs[i].Pieces-give, served+give
				}
			}
		}
		if over := short[item] - (wanted - served); over > 0 {
			l := first[item]
			c.broken(commissary.Reason{Code: commissary.BrokenShort, Limit: "lots", Shop: l.Shop, Item: item, BakeDate: l.BakeDate, Pieces: over, Over: int64(over)},
				"%d × %s are short, but %d of them are on hand and in a shop's window. Pick them.", short[item], item, over)
		}
	}
}

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
		boxes, mass := 0, quantity.Mass(0)
		next, arrives := 0, departs
		for _, stop := range m.Stops {
			r := r
			r.Shop = stop.Shop
			found := false
			for next < len(run.Stops) && !found {
				s := run.Stops[next]
				arrives = arrives.Add(span(s.Travel))
				if found = s.Shop == stop.Shop; found && !stop.Arrives.Equal(arrives) {
					c.broken(r, "Run %s is at %s at %s, not at %s.", m.Run, stop.Shop, c.at(arrives), c.at(stop.Arrives))
				}
				arrives = arrives.Add(span(s.Stay))
				next++
			}
			if !found {
				c.broken(r, "Run %s stops at %s out of its driving order, twice or not at all.", m.Run, stop.Shop)
				next, arrives = 0, departs
			}
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
		c.vehicle(run, boxes, mass)
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

// vehicle names a load that is more than its vehicle carries, unless the
// dispatch says so itself: then somebody has to decide.
func (c dispatchChecker) vehicle(run commissary.Run, boxes int, mass quantity.Mass) {
	for _, v := range c.in.Book.Vehicles {
		if v.ID != run.Vehicle {
			continue
		}
		judge := func(over int64, load, most string) {
			told := slices.ContainsFunc(c.d.Exceptions, func(e commissary.Reason) bool {
				return e.Code == commissary.ReasonOverload && e.Limit == v.ID && e.Over == over
			})
			if over > 0 && !told {
				c.broken(commissary.Reason{Code: commissary.BrokenVehicle, Limit: v.ID, Over: over}, "Run %s loads %s on %s, which carries %s. Move a stop to another run.", run.ID, load, v.ID, most)
			}
		}
		if v.Containers > 0 {
			judge(int64(boxes-v.Containers), fmt.Sprintf("%d containers", boxes), fmt.Sprint(v.Containers))
		}
		if v.Payload > 0 {
			judge(int64(mass-v.Payload), mass.String(), v.Payload.String())
		}
	}
}
