package server

import (
	"fmt"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
)

// promise is the earliest that still works for an item.
type promise struct {
	night civil.Date // to order on
	bake  civil.Date // the service it is for
	mixed civil.Date // the first service that a batch not begun yet could serve; zero: none in sight
}

// String ends a refusal.
func (p promise) String() string {
	s := fmt.Sprintf("the earliest night that still works for it is %s, for %s", p.night, p.bake.Short())
	if !p.mixed.IsZero() && p.mixed != p.bake {
		s += fmt.Sprintf(", from what is mixed by then; a batch begun from now on serves %s at the earliest", p.mixed.Short())
	}
	return s
}

// promise looks for it after a bake date: the shop trades, a run brings it, the line's cut-off
// is to come, and a night that takes the line is open.
func (d *desk) promise(tx commissary.Tx, it commissary.Item, after civil.Date) (promise, bool, error) {
	begins, err := plan.LastBegins(d.Book)
	if err != nil {
		return promise{}, false, err
	}
	var p promise
	today := d.zone.Date(d.at)
	first := after.AddDays(1)
	if first.Compare(today) < 0 {
		first = today
	}
	for bake := first; bake.Days(today) <= nightsAhead+it.Ship.BakeAfter; bake = bake.AddDays(1) {
		if !d.shop.Trades(bake) || !d.serves(d.shop.ID, bake.AddDays(-it.Ship.DeliverBefore)) || d.at.After(d.cutOff(it, bake)) {
			continue
		}
		if p.bake.IsZero() {
			night, ok, err := d.takes(tx, it, bake)
			if err != nil {
				return p, false, err
			}
			if !ok {
				continue
			}
			p.night, p.bake = night, bake
		}
		if last, ok := begins(d.shop.ID, it.ID, bake); ok && !last.Before(d.at) {
			p.mixed = bake
			break
		}
	}
	return p, !p.bake.IsZero(), nil
}

// takes returns the night to order a line on: the one it defaults to, or for
// lines that must be in some nights earlier the first open one that reaches
// as far.
func (d *desk) takes(tx commissary.Tx, it commissary.Item, bake civil.Date) (civil.Date, bool, error) {
	last := bake.AddDays(-it.Ship.BakeAfter)
	date := last
	if d.nightsBefore(it) > 0 {
		if date = d.furthest(it, bake); date.Compare(d.night) < 0 {
			date = d.night
		}
	}
	for ; date.Compare(last) <= 0; date = date.AddDays(1) {
		n, err := night(tx, d.id(), date)
		if err != nil || n.State == commissary.NightOpen {
			return date, err == nil, err
		}
	}
	return date, false, nil
}

// furthest is the first night whose plan looks as far ahead as a bake date.
func (d *desk) furthest(it commissary.Item, bake civil.Date) civil.Date {
	return bake.AddDays(-max(d.Book.Kitchen.PlanDays, 1) - it.Ship.DeliverBefore)
}

// promised ends a refusal of one line with what still works for it after a bake date.
func (d *desk) promised(tx commissary.Tx, it commissary.Item, after civil.Date, text string) (string, civil.Date, error) {
	p, ok, err := d.promise(tx, it, after)
	if err != nil || !ok {
		return text, p.night, err
	}
	return text + "; " + p.String(), p.night, nil
}

// wish is what an order in force says, or the standing order where none does.
func (d *desk) wish() map[service]quantity.Pieces {
	if d.speaks() {
		return piecesOf(d.before.Lines)
	}
	return d.standing()
}

// changed are the lines in which two wishes differ, by bake date and book order.
func (d *desk) changed(was, now map[service]quantity.Pieces) []service {
	var all []service
	for s, n := range now {
		if was[s] != n {
			all = append(all, s)
		}
	}
	for s := range was {
		if _, stays := now[s]; !stays {
			all = append(all, s)
		}
	}
	slices.SortFunc(all, func(a, b service) int {
		if c := a.bake.Compare(b.bake); c != 0 {
			return c
		}
		return slices.IndexFunc(d.Items, func(x commissary.Item) bool { return x.ID == a.item }) -
			slices.IndexFunc(d.Items, func(x commissary.Item) bool { return x.ID == b.item })
	})
	return all
}

// verdict is what becomes of one changed line after the close.
type verdict struct {
	plan.Change
	plan.Freeze
	loaded bool // its goods are released to be picked and loaded: less is too late as well
}

// afterClose judges what changes of the order line by line, each by its own moment.
func (c *core) afterClose(tx commissary.Tx, d *desk, lines []commissary.OrderLine) ([]verdict, error) {
	was, now := d.wish(), piecesOf(lines)
	_, in, err := c.loadNight(tx, d.id(), d.night, d.at)
	if err != nil {
		return nil, err
	}
	posted, err := c.batchesFor(tx, d.id(), d.night)
	if err != nil {
		return nil, err
	}
	var changes []plan.Change
	for _, s := range d.changed(was, now) {
		if _, known := d.item(s.item); known {
			changes = append(changes, plan.Change{Shop: d.shop.ID, Item: s.item, BakeDate: s.bake, Was: was[s], Want: now[s]})
		}
	}
	freezes, err := plan.Freezes(in, posted, changes)
	if err != nil {
		return nil, err
	}
	released, err := tx.Dispatches(d.id()).Newest(d.night)
	if err != nil && commissary.KindOf(err) != commissary.NotFound {
		return nil, err
	}
	all := make([]verdict, len(changes))
	for i, change := range changes {
		all[i] = verdict{Change: change, Freeze: freezes[i]}
		it, _ := d.item(change.Item)
		if released.Revision > 0 && change.BakeDate.AddDays(-it.Ship.DeliverBefore).Compare(released.Delivery) <= 0 {
			all[i].Freeze, all[i].loaded = plan.Freeze{At: released.At, Why: "the goods were released to be picked and loaded", Past: true}, true
		}
	}
	return all, nil
}

// batchesFor are the posted batches that may serve what a night can order.
func (c *core) batchesFor(tx commissary.Tx, id string, date civil.Date) ([]commissary.PostedBatch, error) {
	posted, err := tx.Batches(id).Open()
	if err != nil {
		return nil, err
	}
	for d := -outDays; d <= 0; d++ {
		of, err := tx.Batches(id).List(date.AddDays(d), "", 0)
		if err != nil {
			return nil, err
		}
		for _, b := range of {
			if b.State == commissary.BatchOut {
				posted = append(posted, b)
			}
		}
	}
	return posted, nil
}

func (v verdict) allowed() bool { return !v.loaded && v.Allows(v.Change) }

// verdict says when a line froze, or until when the kitchen can admit it.
func (d *desk) verdict(tx commissary.Tx, v verdict) (string, civil.Date, error) {
	it, _ := d.item(v.Item)
	what := fmt.Sprintf("%s for %s, %d instead of %d", it.Name, v.BakeDate.Short(), v.Want, v.Was)
	when := d.zone.Long(v.At)
	switch {
	case !v.Past:
		return fmt.Sprintf("%s: the kitchen can admit it until %s, when %s", what, when, v.Why), civil.Date{}, nil
	case v.allowed() && v.Want < v.Was:
		return fmt.Sprintf("%s: frozen since %s, when %s; the kitchen can admit the smaller number, and what is over goes to other shops", what, when, v.Why), civil.Date{}, nil
	case v.allowed():
		return fmt.Sprintf("%s: frozen since %s, when %s; the kitchen can admit it from %d spare", what, when, v.Why, v.Spare), civil.Date{}, nil
	case v.loaded:
		return d.promised(tx, it, v.BakeDate, fmt.Sprintf("%s: frozen since %s, when %s", what, when, v.Why))
	}
	return d.promised(tx, it, v.BakeDate, fmt.Sprintf("%s: frozen since %s, when %s; %d more can come from surplus", what, when, v.Why, max(v.Spare, 0)))
}

// field names where a request speaks of a service.
type field func(service) string

// whereOf finds the lines of a request; what they leave out is blamed on all of them.
func whereOf(lines []commissary.OrderLine) field {
	where := map[service]string{}
	for i, l := range lines {
		where[service{l.Item, l.BakeDate}] = fmt.Sprintf("lines[%d]", i)
	}
	return func(s service) string {
		if at, ok := where[s]; ok {
			return at
		}
		return "lines"
	}
}

// byName is for a request that has no lines, only the order's name.
func byName(service) string { return "name" }

// told adds to a refusal what becomes of each changed line, and the night on
// which all of them still work.
func (d *desk) told(tx commissary.Tx, e *commissary.Error, verdicts []verdict, where field, all bool) error {
	var told []verdict
	var of []service
	for _, v := range verdicts {
		if all || !v.allowed() {
			told, of = append(told, v), append(of, service{v.Item, v.BakeDate})
		}
	}
	return blame(e, of, where, func(i int) (string, civil.Date, error) { return d.verdict(tx, told[i]) })
}

// blame adds to a refusal what is said of each line, and the night on which
// all of them still work. Each text comes with the night on which its own line does.
func blame(e *commissary.Error, lines []service, where field, text func(i int) (string, civil.Date, error)) error {
	var latest civil.Date
	for i, s := range lines {
		said, night, err := text(i)
		if err != nil {
			return err
		}
		if night.Compare(latest) > 0 {
			latest = night
		}
		e.Faults = append(e.Faults, commissary.Fault{Where: where(s), Text: said})
	}
	if !latest.IsZero() {
		e.Meta["earliest_night"] = latest.String()
	}
	return e
}
