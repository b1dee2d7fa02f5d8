package plan

import (
	"maps"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// source is what a batch draws from: a lot on hand, a posted batch, or another
// batch of the plan.
type source struct {
	id      string
	formula string
	made    time.Time // age zero
	ready   time.Time // it can be drawn from
	holds   quantity.Mass
	held    string
	until   time.Time // what went into it must be used by then; zero: no limit
}

// source finds what a use names; ok is false when there is no such thing.
func (c *checker) source(u commissary.Use) (s source, ok bool) {
	if (u.Lot == "") == (u.Batch == "") {
		return s, false
	}
	if l, ok := c.lots[u.Lot]; ok {
		mass, err := quantity.Scale(c.items[l.Item].Mass, int64(l.Pieces), 1, quantity.Down)
		if err != nil {
			mass = 0
		}
		return source{l.Code, l.Formula, l.Made, l.Made, l.Mass + mass, l.Held, l.NotAfter}, here(l)
	}
	b, ok := c.posted[u.Batch]
	ready := readyOf(b)
	if ok {
		ok = b.State == commissary.BatchPosted || b.State == commissary.BatchMixing
	} else if j := c.byID[u.Batch]; j != nil {
		b, ready, ok = j.Batch, j.ready, j.sound && j.timed
	}
	if !ok {
		return s, false
	}
	out, err := formula.ComesOut(c.formulas[b.Formula], b.Mass)
	if err != nil {
		return s, false
	}
	for _, m := range b.Makes {
		packed, err := quantity.Scale(c.items[m.Item].Mass, int64(m.Pieces), 1, quantity.Up)
		if err != nil {
			return s, false
		}
		out -= packed
	}
	return source{b.ID, b.Formula, b.MixEnd, ready, out, "", time.Time{}}, true
}

// here reports whether a lot stands in the kitchen.
func here(l commissary.Lot) bool { return l.Place == "" || l.Place == "kitchen" }

// readyOf is the end of a posted batch's last step before the hold.
func readyOf(b commissary.Batch) time.Time {
	var ready time.Time
	for _, s := range b.Steps {
		if s.Step != commissary.StepHold && !(s.Step == commissary.StepRest && s.Resource == b.Vessel) {
			ready = latest(ready, s.To)
		}
	}
	return ready
}

// inputs judges what batches take from preferments and made preps: exactly
// what their sheets ask for, ripe when the vessel is loaded, no more than
// there is, and a tub that is not given up before its last use.
func (c *checker) inputs() {
	sources := map[string]source{}
	for i := range c.fresh {
		b := &c.fresh[i]
		if !b.sound {
			continue
		}
		f := c.formulas[b.Formula]
		open := map[string]quantity.Mass{}
		if sheet, err := formula.Weigh(c.in.Book, f, b.Mass); err == nil {
			for _, l := range sheet.Lines {
				if id := l.Preferment + l.Prep; id != "" { // one of the two is empty
					open[id] += l.Mass
				}
			}
		}
		for _, u := range b.Uses {
			s, ok := c.source(u)
			if !ok {
				c.broken(commissary.Reason{Code: commissary.BrokenUse, Limit: u.Lot + u.Batch, Batch: b.ID, Over: int64(u.Mass)},
					"Batch %s takes %v from %q, which is not to be had. Take it from a lot on hand or a batch that makes it.", b.ID, u.Mass, u.Lot+u.Batch)
				continue
			}
			sources[s.id] = s
			c.uses[s.id] = append(c.uses[s.id], taking{b, u.Mass})
			open[s.formula] -= u.Mass
			if s.held != "" {
				c.broken(commissary.Reason{Code: commissary.BrokenHeld, Limit: s.id, Batch: b.ID, Over: int64(u.Mass)}, "Batch %s takes from lot %s, which is on hold (%s).", b.ID, s.id, s.held)
			}
			if b.timed {
				c.ripe(b, f, s)
			}
		}
		for _, id := range slices.Sorted(maps.Keys(open)) {
			if left := open[id]; left > 0 {
				c.broken(commissary.Reason{Code: commissary.BrokenUse, Limit: id, Batch: b.ID, Over: int64(left)}, "Batch %s lacks %v of %s. Make the batch smaller or find more.", b.ID, left, id)
			} else if left < 0 {
				c.broken(commissary.Reason{Code: commissary.BrokenUse, Limit: id, Batch: b.ID, Over: int64(left)}, "Batch %s takes %v more of %s than its sheet asks for.", b.ID, -left, id)
			}
		}
	}
	for _, id := range slices.Sorted(maps.Keys(sources)) {
		s := sources[id]
		drawn := c.drawnByPosted(id)
		var last time.Time
		for _, t := range c.uses[id] {
			drawn += t.mass
			if t.by.Formula != s.formula { // a starter's next feed is kept back, out of its tub
				last = latest(last, t.by.load)
			}
		}
		for _, t := range c.plan.Takes {
			if t.Lot == id {
				mass, _ := quantity.Scale(c.items[t.Item].Mass, int64(t.Pieces), 1, quantity.Up)
				drawn += mass
			}
		}
		if over := drawn - s.holds; over > 0 {
			c.broken(commissary.Reason{Code: commissary.BrokenLot, Limit: id, Batch: c.uses[id][0].by.ID, Over: int64(over)}, "%v is drawn from %s, which holds %v. Draw less, or make more.", drawn, id, s.holds)
		}
		if b := c.byID[id]; b != nil && c.formulas[s.formula].Kind == commissary.Preferment && last.After(b.off) {
			c.broken(commissary.Reason{Code: commissary.BrokenLetGo, Limit: b.Vessel, Batch: id, Over: seconds(last.Sub(b.off))},
				"The tub of batch %s is given up %s, but the last dough is mixed from it %s. Hold it until then.", id, c.at(b.off), c.at(last))
		}
	}
}

// drawnByPosted is what posted batches that are not out yet draw from a lot or
// batch.
func (c *checker) drawnByPosted(id string) quantity.Mass {
	var drawn quantity.Mass
	for _, b := range c.in.Posted {
		for _, u := range b.Uses {
			if (u.Lot == id || u.Batch == id) && b.State != commissary.BatchScrapped && (b.State != commissary.BatchOut || u.Batch == id) {
				drawn += u.Mass
			}
		}
	}
	return drawn
}

// ripe judges the age of what a batch takes, when its vessel is loaded. A
// preferment has its ripe window, and was stirred so many days before; a prep
// must be finished, and not older than its packs may become.
func (c *checker) ripe(b *judged, f commissary.Formula, s source) {
	r := commissary.Reason{Code: commissary.BrokenRipe, Limit: s.formula, Batch: b.ID}
	from := c.formulas[s.formula]
	age := seconds(b.load.Sub(s.made))
	least, most := int64(from.Ripe.Min), int64(from.Ripe.Max)
	if from.Starter() && f.ID == from.ID {
		most = int64(from.FeedWithin)
	}
	if from.Kind != commissary.Preferment {
		least, most = seconds(s.ready.Sub(s.made)), int64(quantity.MaxSeconds)
		for _, it := range c.items {
			if it.Formula == from.ID {
				most = min(most, int64(it.Window.Max))
			}
		}
	}
	switch {
	case age < least:
		r.Over = least - age
		c.broken(r, "Batch %s is loaded %s, when %s from %s is %v old; it must be %v. Load it later.", b.ID, c.at(b.load), s.formula, s.id, quantity.Seconds(age), quantity.Seconds(least))
	case age > most:
		r.Over = age - most
		c.broken(r, "Batch %s is loaded %s, when %s from %s is %v old; %v is the most. Load it earlier.", b.ID, c.at(b.load), s.formula, s.id, quantity.Seconds(age), quantity.Seconds(most))
	}
	if over := seconds(b.load.Sub(s.until)); !s.until.IsZero() && over > 0 {
		r.Over = over
		c.broken(r, "Batch %s is loaded %s, but %s from %s holds something that must be used by %s. Load it earlier, or take another.", b.ID, c.at(b.load), s.formula, s.id, c.at(s.until))
	}
	for _, p := range f.Preferments {
		if days := c.zone.Date(b.load).Days(c.zone.Date(s.made)); p.Formula == s.formula && days < p.DaysBefore {
			r.Limit, r.Over = "days before", int64(p.DaysBefore-days)
			c.broken(r, "Batch %s is mixed from %s of %s, stirred %d days before; the formula asks for %d at least.", b.ID, s.formula, s.id, days, p.DaysBefore)
		}
	}
}

// serves judges which needs the new batches serve: made in their window, ready
// when their run departs, and no more than the batch makes.
func (c *checker) serves() {
	for i := range c.fresh {
		b := &c.fresh[i]
		if !b.sound {
			continue
		}
		open := map[string]quantity.Pieces{}
		for _, m := range b.Makes {
			open[m.Item] += m.Pieces
		}
		for _, s := range b.Serves {
			open[s.Item] -= s.Pieces
			n, ok := c.needs[service{s.Shop, s.Item, s.BakeDate}]
			r := commissary.Reason{Shop: s.Shop, Item: s.Item, Batch: b.ID, BakeDate: s.BakeDate, Pieces: s.Pieces}
			if !ok {
				r.Code, r.Limit, r.Over = commissary.BrokenSum, "demand", int64(s.Pieces)
				c.broken(r, "Batch %s serves %d × %s to %s for %s, which nobody ordered.", b.ID, s.Pieces, s.Item, s.Shop, s.BakeDate)
				continue
			}
			if s.Source != n.Source {
				r.Code, r.Limit = commissary.BrokenDemand, "source"
				c.broken(r, "Batch %s says that %s for %s at %s is %s; it is %s.", b.ID, s.Item, s.BakeDate, s.Shop, s.Source, n.Source)
			}
			c.inWindow(r, n, b.MixEnd, b.MixEnd, b.ID)
			if b.timed {
				c.inTime(r, n, b.ready, b.ID)
			}
		}
		for _, item := range slices.Sorted(maps.Keys(open)) {
			if open[item] < 0 {
				c.broken(commissary.Reason{Code: commissary.BrokenSum, Limit: "batch", Item: item, Batch: b.ID, Pieces: -open[item], Over: int64(-open[item])},
					"Batch %s serves %d more × %s than it makes. Every piece belongs to one batch and one shop.", b.ID, -open[item], item)
			}
		}
	}
}

// inWindow judges the two clocks of what a need is served from.
func (c *checker) inWindow(r commissary.Reason, n commissary.Need, young, old time.Time, from string) {
	r.Code, r.Limit = commissary.BrokenWindow, "window"
	if over := seconds(young.Sub(n.MadeTo)); over > 0 {
		r.Over = over
		c.broken(r, "%s for %s at %s from %s counts as mixed at %s and is not old enough at the first pull; %s is the latest.", n.Item, n.BakeDate, n.Shop, from, c.at(young), c.at(n.MadeTo))
	}
	if over := seconds(n.MadeFrom.Sub(old)); over > 0 {
		r.Over = over
		c.broken(r, "%s for %s at %s from %s counts as mixed at %s and is too old at the last stretch; %s is the earliest.", n.Item, n.BakeDate, n.Shop, from, c.at(old), c.at(n.MadeFrom))
	}
}

func (c *checker) inTime(r commissary.Reason, n commissary.Need, ready time.Time, from string) {
	if over := seconds(ready.Sub(n.Departs)); over > 0 {
		r.Code, r.Limit, r.Over = commissary.BrokenDeparture, n.Run, over
		c.broken(r, "%s for %s at %s from %s is ready %s, but run %s leaves %s.", n.Item, n.BakeDate, n.Shop, from, c.at(ready), n.Run, c.at(n.Departs))
	}
}

// takes judges what is taken from lots on hand and from batches that are
// posted and not out yet.
func (c *checker) takes() {
	type stock struct{ lot, batch, item string }
	taken := map[stock]quantity.Pieces{}
	var order []stock
	for _, t := range c.plan.Takes {
		r := commissary.Reason{Limit: t.Lot + t.Batch, Shop: t.Shop, Item: t.Item, Batch: t.Batch, BakeDate: t.BakeDate, Pieces: t.Pieces, Over: int64(t.Pieces)}
		n, wanted := c.needs[service{t.Shop, t.Item, t.BakeDate}]
		if !wanted || t.Pieces <= 0 || t.Pieces > quantity.MaxPieces {
			r.Code = commissary.BrokenSum
			c.broken(r, "%d × %s for %s at %s are taken from %s, which nobody ordered so.", t.Pieces, t.Item, t.BakeDate, t.Shop, r.Limit)
			continue
		}
		lot, isLot := c.lots[t.Lot]
		batch, isBatch := c.posted[t.Batch]
		r.Code = commissary.BrokenLot
		var young, old time.Time
		switch {
		case isLot && t.Batch == "" && lot.Item == t.Item && here(lot):
			young, old = c.clocks(lot)
			if lot.Held != "" {
				r.Code = commissary.BrokenHeld
				c.broken(r, "%d × %s for %s are taken from lot %s, which is on hold (%s).", t.Pieces, t.Item, t.Shop, t.Lot, lot.Held)
			}
		case isBatch && t.Lot == "" && (batch.State == commissary.BatchPosted || batch.State == commissary.BatchMixing):
			young, old = batch.MixEnd, batch.MixEnd
			over := r
			over.Over = 0
			c.inTime(over, n, readyOf(batch), t.Batch)
		default:
			c.broken(r, "%d × %s for %s are taken from %q, which has none to give. Take them from a lot of the kitchen or a posted batch.", t.Pieces, t.Item, t.Shop, r.Limit)
			continue
		}
		c.inWindow(r, n, young, old, r.Limit)
		s := stock{t.Lot, t.Batch, t.Item}
		if _, ok := taken[s]; !ok {
			order = append(order, s)
		}
		taken[s] += t.Pieces
	}
	for _, s := range order {
		has := c.lots[s.lot].Pieces
		for _, m := range c.posted[s.batch].Makes {
			if m.Item == s.item {
				has += m.Pieces
			}
		}
		if over := taken[s] - has; over > 0 {
			c.broken(commissary.Reason{Code: commissary.BrokenLot, Limit: s.lot + s.batch, Item: s.item, Batch: s.batch, Pieces: over, Over: int64(over)},
				"%d × %s are taken from %s, which has %d.", taken[s], s.item, s.lot+s.batch, has)
		}
	}
}

// sums holds every need to: taken + served + short = wanted.
func (c *checker) sums() {
	got := map[service]quantity.Pieces{}
	for _, t := range c.plan.Takes {
		got[service{t.Shop, t.Item, t.BakeDate}] += t.Pieces
	}
	for _, b := range c.fresh {
		for _, s := range b.Serves {
			got[service{s.Shop, s.Item, s.BakeDate}] += s.Pieces
		}
	}
	for _, e := range c.plan.Exceptions {
		if e.Code != commissary.ReasonShort && e.Code != commissary.ReasonPrefermentCaps {
			continue
		}
		s := service{e.Shop, e.Item, e.BakeDate}
		got[s] += e.Pieces
		if _, ok := c.needs[s]; !ok || e.Pieces <= 0 {
			c.broken(commissary.Reason{Code: commissary.BrokenSum, Limit: "short", Shop: e.Shop, Item: e.Item, BakeDate: e.BakeDate, Pieces: e.Pieces, Over: int64(e.Pieces)},
				"%d × %s for %s at %s are said to be short, which nobody ordered.", e.Pieces, e.Item, e.BakeDate, e.Shop)
		}
	}
	for _, n := range c.demanded {
		if over := got[serviceOf(n)] - n.Pieces; over != 0 {
			c.broken(commissary.Reason{Code: commissary.BrokenSum, Limit: "demand", Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: n.Pieces, Over: int64(over)},
				"%s ordered %d × %s for %s; taken, made and short come to %d. Serve what is open, or say that it is short.", n.Shop, n.Pieces, n.Item, n.BakeDate, n.Pieces+over)
		}
	}
}
