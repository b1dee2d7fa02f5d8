package server

import (
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// nightsAhead is how far ahead of today a shop may order: further is a slip of
// the pen.
const nightsAhead = 31

// desk is where one shop's order of one night is judged.
type desk struct {
	*kitchen
	night  civil.Date
	shop   commissary.Shop
	at     time.Time
	before commissary.Order // its newest revision; revision 0 when there is none
}

// desk opens the desk for an order by its name.
func (c *core) desk(tx commissary.Tx, at time.Time, name string) (*desk, error) {
	id, date, shopID, err := wire.ParseOrder(name)
	if err != nil {
		return nil, err
	}
	k, err := c.kitchen(tx, id, 0)
	if err != nil {
		return nil, err
	}
	shop, ok := k.shop(shopID)
	if !ok {
		e := commissary.Refuse(commissary.NotFound, "SHOP_NOT_FOUND", "there is no shop %q in the kitchen's book; check the name", shopID)
		e.Meta = map[string]string{"shop": shopID}
		return nil, e
	}
	if at, err = c.judged(tx, at); err != nil {
		return nil, err
	}
	if today := k.zone.Date(at); date.Days(today) > nightsAhead {
		e := commissary.Refuse(commissary.Invalid, "NIGHT_TOO_FAR", "the night of %s is more than %d days ahead; check the date", date.Long(), nightsAhead)
		e.Faults = []commissary.Fault{{Where: "name", Text: "the last night that takes orders today is " + today.AddDays(nightsAhead).String()}}
		return nil, e
	}
	d := &desk{kitchen: k, night: date, shop: shop, at: at}
	d.before, err = tx.Orders(id).Get(date, shopID)
	if err != nil && commissary.KindOf(err) != commissary.NotFound {
		return nil, err
	}
	return d, nil
}

func (d *desk) what() string { return d.shop.Name + "'s order of the night of " + d.night.Long() }

func (d *desk) next(state commissary.OrderState, w *writing) commissary.Order {
	return commissary.Order{Night: d.night, Shop: d.shop.ID, Revision: d.before.Revision + 1, State: state, By: w.who, Submitted: w.at}
}

// open refuses a night that is closed, with the earliest that is not and what
// becomes of each line that the order would change.
func (c *core) open(tx commissary.Tx, d *desk, lines []commissary.OrderLine, where field) error {
	n, err := night(tx, d.id(), d.night)
	if err != nil || n.State == commissary.NightOpen {
		return err
	}
	e := commissary.Refuse(commissary.Precondition, "NIGHT_CLOSED", "the night of %s is closed; call the kitchen (%s) to have the order admitted late", d.night.Long(), d.Book.Kitchen.Phone)
	e.Meta = map[string]string{"night": d.night.String(), "state": string(n.State)}
	earliest, ok, err := d.earliest(tx)
	if err != nil {
		return err
	}
	if ok {
		e.Meta["earliest_night"] = earliest.night.String()
		e.Text = fmt.Sprintf("the night of %s is closed; the earliest night that still works is %s, for %s, or call the kitchen (%s) to have the order admitted late",
			d.night.Long(), earliest.night, earliest.bake.Short(), d.Book.Kitchen.Phone)
	}
	verdicts, err := c.afterClose(tx, d, lines)
	if err != nil {
		return err
	}
	return d.told(tx, e, verdicts, where, true)
}

// earliest is the first promise of any item.
func (d *desk) earliest(tx commissary.Tx) (promise, bool, error) {
	var first promise
	for _, it := range d.Items {
		p, ok, err := d.promise(tx, it, d.night.AddDays(it.Ship.BakeAfter))
		if err != nil {
			return first, false, err
		}
		if ok && (first.bake.IsZero() || p.night.Compare(first.night) < 0) {
			first = p
		}
	}
	return first, !first.bake.IsZero(), nil
}

// cutOff returns the last instant at which a line of an item for a bake date
// is taken: it follows from the night on which that date is the default.
func (d *desk) cutOff(it commissary.Item, bake civil.Date) time.Time {
	i := slices.IndexFunc(d.CutOffs, func(c commissary.CutOff) bool { return c.Class == it.CutOff })
	if i < 0 {
		return d.zone.Instant(bake, 0)
	}
	c := d.CutOffs[i]
	return d.zone.Instant(bake.AddDays(-it.Ship.BakeAfter-c.Days), c.At)
}

// lines reads the lines of an order and fills in default bake dates. It
// refuses what nobody could make or bring, whatever the hour.
func (d *desk) lines(tx commissary.Tx, sent []*v1.OrderLine) ([]commissary.OrderLine, error) {
	lines, err := wire.ReadOrderLines(sent)
	if err != nil {
		return nil, err
	}
	var faults []commissary.Fault
	fault := func(i int, field, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: fmt.Sprintf("lines[%d]%s", i, field), Text: fmt.Sprintf(format, args...)})
	}
	first := map[service]int{}
	for i := range lines {
		l := &lines[i]
		it, ok := d.item(l.Item)
		if !ok {
			fault(i, ".item_id", "there is no item %q; the book's catalogue lists what can be ordered", l.Item)
			continue
		}
		if l.BakeDate.IsZero() {
			l.BakeDate = d.night.AddDays(it.Ship.BakeAfter)
		}
		if j, twice := first[service{l.Item, l.BakeDate}]; twice {
			fault(i, "", "%s for %s stands in lines[%d] already; write one line with the sum", it.Name, l.BakeDate.Short(), j)
			continue
		}
		first[service{l.Item, l.BakeDate}] = i
		delivery := l.BakeDate.AddDays(-it.Ship.DeliverBefore)
		soonest := d.night.AddDays(1 + it.Ship.DeliverBefore)
		furthest := d.night.AddDays(max(d.Book.Kitchen.PlanDays, 1) + it.Ship.DeliverBefore)
		wrong := ""
		switch {
		case l.BakeDate.Compare(soonest) < 0:
			wrong = fmt.Sprintf("%s for %s would have had to leave on %s; the first day this night can serve is %s", it.Name, l.BakeDate.Short(), delivery.Short(), soonest)
		case l.BakeDate.Compare(furthest) > 0:
			fault(i, ".bake_date", "%s is further ahead than the kitchen plans; the last day this night can serve is %s", l.BakeDate.Short(), furthest)
		case !d.shop.Trades(l.BakeDate):
			wrong = fmt.Sprintf("%s does not trade on %s; correct the date, or the service hours in the book", d.shop.Name, l.BakeDate.Short())
		case !d.serves(d.shop.ID, delivery):
			wrong = fmt.Sprintf("no run stops at %s on %s, when %s for %s would be delivered; choose another day", d.shop.Name, delivery.Short(), it.Name, l.BakeDate.Short())
		}
		if wrong != "" {
			if wrong, _, err = d.promised(tx, it, soonest.AddDays(-1), wrong); err != nil {
				return nil, err
			}
			fault(i, ".bake_date", "%s", wrong)
		}
	}
	if len(faults) == 0 {
		return lines, nil
	}
	e := commissary.Refuse(commissary.Invalid, "ORDER_INVALID", "the order cannot be taken; correct the lines named here")
	e.Faults = faults
	return nil, e
}

// service is one item for one bake date.
type service struct {
	item string
	bake civil.Date
}

// inTime refuses every change that comes after its line's cut-off: a line
// added, altered or left out. A line that stays as it was is never late, so
// that a shop can still amend what is open.
func (d *desk) inTime(tx commissary.Tx, lines []commissary.OrderLine) error {
	return d.late(tx, d.wish(), piecesOf(lines), whereOf(lines))
}

// cancelInTime is inTime for going back to the standing order.
func (d *desk) cancelInTime(tx commissary.Tx) error {
	return d.late(tx, piecesOf(d.before.Lines), d.standing(), byName)
}

// speaks reports whether the order before counts.
func (d *desk) speaks() bool {
	return d.before.Revision > 0 && d.before.State != commissary.OrderCancelled
}

func piecesOf(lines []commissary.OrderLine) map[service]quantity.Pieces {
	m := map[service]quantity.Pieces{}
	for _, l := range lines {
		m[service{l.Item, l.BakeDate}] = l.Pieces
	}
	return m
}

// standing is what the shop's standing order says for each item's default
// bake date, where a first order of this night would speak instead. Items
// that must be in some nights earlier are settled by those nights' orders.
func (d *desk) standing() map[service]quantity.Pieces {
	m := map[service]quantity.Pieces{}
	for _, st := range d.shop.Standing {
		it, ok := d.item(st.Item)
		if !ok || d.nightsBefore(it) > 0 {
			continue
		}
		bake := d.night.AddDays(it.Ship.BakeAfter)
		if st.Days.Has(bake.Weekday()) && d.shop.Trades(bake) {
			m[service{st.Item, bake}] += st.Pieces
		}
	}
	return m
}

// standingLines are the standing order's, for going back to it, in the book's order.
func (d *desk) standingLines() []commissary.OrderLine {
	var lines []commissary.OrderLine
	wish := d.standing()
	for _, s := range d.changed(nil, wish) {
		lines = append(lines, commissary.OrderLine{Item: s.item, Pieces: wish[s], BakeDate: s.bake})
	}
	return lines
}

// readable are the lines that can be told apart, for a refusal that comes
// before they are judged.
func (d *desk) readable(sent []*v1.OrderLine) []commissary.OrderLine {
	lines, err := wire.ReadOrderLines(sent)
	if err != nil {
		return nil
	}
	for i, l := range lines {
		if it, ok := d.item(l.Item); ok && l.BakeDate.IsZero() {
			lines[i].BakeDate = d.night.AddDays(it.Ship.BakeAfter)
		}
	}
	return lines
}

func (d *desk) nightsBefore(it commissary.Item) int {
	for _, c := range d.CutOffs {
		if c.Class == it.CutOff {
			return c.Days
		}
	}
	return 0
}

// late refuses the differences between two wishes that come too late.
func (d *desk) late(tx commissary.Tx, was, now map[service]quantity.Pieces, where field) error {
	var late []service
	for _, s := range d.changed(was, now) {
		if it, ok := d.item(s.item); ok && d.at.After(d.cutOff(it, s.bake)) {
			late = append(late, s)
		}
	}
	if len(late) == 0 {
		return nil
	}
	e := commissary.Refuse(commissary.Invalid, "CUT_OFF_PASSED", "it is too late for part of the order; keep the lines named here as they were, or call the kitchen (%s)", d.Book.Kitchen.Phone)
	e.Meta = map[string]string{"night": d.night.String()}
	return blame(e, late, where, func(i int) (string, civil.Date, error) {
		s := late[i]
		it, _ := d.item(s.item)
		return d.promised(tx, it, s.bake, fmt.Sprintf("%s for %s had to be in by %s; it stays at %d", it.Name, s.bake.Short(), d.zone.Long(d.cutOff(it, s.bake)), was[s]))
	})
}
