package plan

import (
	"maps"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// CheckDispatch judges any dispatch of the morning after in.Night: whether
// lines, picks and manifests say one thing, whether every pick may be used
// where it goes, and whether nothing is short that was there. Reasons are as
// those of Check.
func CheckDispatch(in Input, d commissary.Dispatch) []commissary.Reason {
	// A van may leave late, or its list be changed: what it was to bring is wanted all the same.
	asked := in
	asked.At, asked.Rounds = time.Time{}, nil
	c, err := newChecker(in, asked)
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
		if !c.mayRideOn(n.Run, p.Run) {
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
// maximum and the date mark. What rides on no manifest is there at once.
func (c dispatchChecker) lastUse(l commissary.Lot, item commissary.Item, p commissary.Pick) time.Time {
	arrives := l.Made
	for _, m := range c.d.Manifests {
		for _, s := range m.Stops {
			if m.Run == p.Run && s.Shop == p.Shop {
				arrives = s.Arrives
			}
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

// mayRideOn reports whether what one run should bring may ride on another.
func (c dispatchChecker) mayRideOn(own, on string) bool {
	if own == on {
		return true
	}
	free := 0
	for _, r := range c.in.Book.Runs {
		if (r.ID == own || r.ID == on) && r.Assign == commissary.Free && r.Days.Has(c.delivery.Weekday()) {
			free++
		}
	}
	return free == 2
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
