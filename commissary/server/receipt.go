package server

import (
	"context"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// lastReceiptDays is how far back a shop's last receipt with an item is looked for.
const lastReceiptDays = 60

func (s orders) GetReceipt(ctx context.Context, req *v1.GetReceiptRequest) (*v1.GetReceiptResponse, error) {
	id, _, _, err := wire.ParseOrder(req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &v1.GetReceiptResponse{}
	err = s.view(ctx, func(tx commissary.Tx, at time.Time) error {
		d, err := s.desk(tx, at, req.GetName())
		if err != nil {
			return err
		}
		o, err := tx.Orders(id).Get(d.night, d.shop.ID)
		if err != nil {
			return err
		}
		resp.Order, resp.Lines = d.Order(o), nil
		r, err := s.receipt(tx, d)
		if err != nil {
			return err
		}
		for _, l := range o.Lines {
			it, known := d.item(l.Item)
			if !known {
				continue // the book has dropped it since
			}
			line, err := r.line(tx, it, l)
			if err != nil {
				return err
			}
			resp.Lines = append(resp.Lines, line)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// receipt is what a shop's receipt is written from.
type receipt struct {
	*desk
	declared *kitchen // with what lots in use declare
	revision func(tx commissary.Tx, number int) (*kitchen, error)
	plans    []commissary.Plan // the released plans that may serve it, newest first
	released commissary.Dispatch
	rides    []commissary.Ride
	held     map[string]string  // why a released lot must stay, by its code
	before   []commissary.Order // the shop's orders of nights before, newest first
}

func (c *core) receipt(tx commissary.Tx, d *desk) (*receipt, error) {
	r := &receipt{desk: d, revision: func(tx commissary.Tx, number int) (*kitchen, error) { return c.kitchen(tx, d.id(), number) }}
	var err error
	if r.declared, _, err = d.declaring(tx, d.at); err != nil {
		return nil, err
	}
	for back := range outDays + 1 {
		p, err := tx.Plans(d.id()).Newest(d.night.AddDays(-back))
		if err != nil && commissary.KindOf(err) != commissary.NotFound {
			return nil, err
		}
		if err == nil {
			r.plans = append(r.plans, p)
		}
	}
	r.released, err = tx.Dispatches(d.id()).Newest(d.night)
	if err != nil && commissary.KindOf(err) != commissary.NotFound {
		return nil, err
	}
	if r.rides, err = tx.Rides(d.id()).List(d.night); err != nil {
		return nil, err
	}
	since, err := d.standingOf(tx, r.released, d.at)
	if err != nil {
		return nil, err
	}
	r.held = since.held
	all, err := tx.Orders(d.id()).Since(d.night.AddDays(-lastReceiptDays))
	if err != nil {
		return nil, err
	}
	r.before = slices.DeleteFunc(all, func(o commissary.Order) bool { return o.Shop != d.shop.ID || o.Night.Compare(d.night) >= 0 })
	slices.Reverse(r.before)
	return r, nil
}

func (r *receipt) line(tx commissary.Tx, it commissary.Item, l commissary.OrderLine) (*v1.ReceiptLine, error) {
	line := &v1.ReceiptLine{ItemId: it.ID, ItemName: it.Name, BakeDate: l.BakeDate.String(), Pieces: int64(l.Pieces),
		PiecesPerContainer: int64(it.PerBox), CutOffTime: wire.Instant(r.cutOff(it, l.BakeDate)), Provisional: true}
	run, arrives, ok := r.brings(l.BakeDate.AddDays(-it.Ship.DeliverBefore))
	switch line.RunName = run.Name; {
	case !ok:
	case run.Sequence == commissary.Free:
		line.LeaveTime = wire.Instant(arrives)
	default:
		line.ArriveTime = wire.Instant(arrives)
	}
	if err := r.allergens(tx, it, line); err != nil {
		return nil, err
	}
	released := r.comes(it, l, line)
	come := l
	come.Pieces -= quantity.Pieces(line.GetShortPieces())
	line.Pulls = r.pulls(it, come)
	if released || !ok {
		return line, nil
	}
	return line, r.promises(tx, it, l, arrives, line)
}

// comes fills in what a released dispatch brings, and reports whether there is one.
func (r *receipt) comes(it commissary.Item, l commissary.OrderLine, line *v1.ReceiptLine) bool {
	if r.released.Revision == 0 || r.released.Delivery != l.BakeDate.AddDays(-it.Ship.DeliverBefore) {
		return false
	}
	line.Provisional = false
	for _, x := range r.released.Lines {
		if x.Shop == r.shop.ID && x.Item == it.ID && x.BakeDate == l.BakeDate {
			line.ShortPieces, line.ShortReason = int64(x.Short), x.Why
		}
	}
	for _, p := range r.released.Picks {
		if p.Shop == r.shop.ID && p.Item == it.ID && p.BakeDate == l.BakeDate {
			part := &v1.ReceiptPart{Pieces: int64(p.Pieces), LotCode: p.Lot, HeldReason: r.held[p.Lot],
				UseFromTime: wire.Instant(p.UseFrom), UseByTime: wire.Instant(p.UseBy)}
			r.dropped(p, part)
			line.Parts = append(line.Parts, part)
		}
	}
	return true
}

// dropped fills in what became of a pick at the drop. What differs is said lot
// by lot; where a lot serves several days, the first of them bear it.
func (r *receipt) dropped(p commissary.Pick, part *v1.ReceiptPart) {
	i := slices.IndexFunc(r.rides, func(x commissary.Ride) bool { return x.Run == p.Run })
	if i < 0 {
		return
	}
	drop, done := r.rides[i].DropAt(r.shop.ID)
	for _, l := range drop.Lines {
		if l.Lot != p.Lot {
			continue
		}
		missing, refused := l.Missing, l.Refused
		for _, other := range r.released.Picks {
			if other.Same(p) {
				break
			}
			if other.Run == p.Run && other.Shop == p.Shop && other.Lot == p.Lot {
				gone := min(other.Pieces, missing)
				missing, refused = missing-gone, refused-min(other.Pieces-gone, refused)
			}
		}
		missing = min(missing, p.Pieces)
		refused = min(refused, p.Pieces-missing)
		if part.MissingPieces, part.RefusedPieces = int64(missing), int64(refused); missing+refused > 0 {
			part.RefusedReason = l.Why
		}
	}
	if done && drop.Action != "" && part.GetMissingPieces()+part.GetRefusedPieces() < part.GetPieces() && r.warmed(drop, p.Lot, r.chilled(p.Zone)) {
		part.WarmNote = r.decided(drop.Action)
	}
}

// promises fills in where a line is planned to come from; before there is a
// plan, what any batch for it must hold.
func (r *receipt) promises(tx commissary.Tx, it commissary.Item, l commissary.OrderLine, arrives time.Time, line *v1.ReceiptLine) error {
	part := func(pieces quantity.Pieces, batch string, l commissary.Lot) {
		u := plan.UseWindow(&r.declared.Book, r.zone, l, it, r.shop, arrives)
		line.Parts = append(line.Parts, &v1.ReceiptPart{Pieces: int64(pieces), LotCode: l.Code, BatchId: batch,
			UseFromTime: wire.Instant(u.From), UseByTime: wire.Instant(u.By)})
	}
	is := func(shop, item string, bake civil.Date) bool {
		return shop == r.shop.ID && item == it.ID && bake == l.BakeDate
	}
	for _, p := range r.plans {
		made := map[string]time.Time{}
		for _, b := range p.Batches {
			made[b.ID] = b.MixEnd
			for _, s := range b.Serves {
				if is(s.Shop, s.Item, s.BakeDate) {
					part(s.Pieces, b.ID, commissary.Lot{Item: it.ID, Made: b.MixEnd})
				}
			}
		}
		for _, t := range p.Takes {
			if !is(t.Shop, t.Item, t.BakeDate) {
				continue
			}
			when, known := made[t.Batch]
			lot := commissary.Lot{Item: it.ID, Made: when}
			var err error
			switch {
			case t.Lot != "":
				if lot, err = tx.Lots(r.id()).Get(t.Lot); err != nil {
					return err
				}
			case !known:
				b, err := tx.Batches(r.id()).Get(t.Batch)
				if err != nil {
					return err
				}
				lot.Made = b.MixEnd
			}
			part(t.Pieces, t.Batch, lot)
		}
		for _, e := range p.Exceptions {
			if e.Code == commissary.ReasonShort && is(e.Shop, e.Item, e.BakeDate) {
				line.ShortPieces, line.ShortReason = line.ShortPieces+int64(e.Pieces), e.Text
			}
		}
		if len(line.Parts) > 0 || line.ShortPieces > 0 {
			return nil
		}
	}
	if open, end, ok := r.hours(l.BakeDate); ok {
		line.Parts = []*v1.ReceiptPart{{Pieces: int64(l.Pieces),
			UseFromTime: wire.Instant(open.Add(-time.Duration(it.PullLead) * time.Second)), UseByTime: wire.Instant(end)}}
	}
	return nil
}

// brings is the run that brings a day's delivery to the shop, and when: a run
// whose order is found only when the goods are picked is known by its departure.
func (d *desk) brings(day civil.Date) (run commissary.Run, at time.Time, ok bool) {
	for _, r := range d.Runs {
		if !r.Days.Has(day.Weekday()) || !slices.ContainsFunc(r.Stops, func(s commissary.Stop) bool { return s.Shop == d.shop.ID }) {
			continue
		}
		if r.Sequence == commissary.Free {
			return r, d.zone.Instant(day, r.Departs), true
		}
		return r, plan.Arrivals(&d.Book, d.zone, r, day)[d.shop.ID], true
	}
	return commissary.Run{}, time.Time{}, false
}

// hours are the service of a day: its first pull and its last stretch.
func (d *desk) hours(day civil.Date) (open, end time.Time, ok bool) {
	h, ok := d.shop.HoursOn(day)
	if !ok {
		return open, end, false
	}
	return d.zone.Instant(day, h.From), d.zone.Instant(day, h.To), true
}

// pulls says when to take balls out of the cold, in waves: each is used up in
// the time that tempered balls last, and pulled its lead earlier. The pieces
// are spread evenly over the service, in whole boxes as far as they go.
func (d *desk) pulls(it commissary.Item, l commissary.OrderLine) []*v1.Pull {
	open, end, ok := d.hours(l.BakeDate)
	if it.Kind != commissary.Ball || it.Tempered <= 0 || !ok {
		return nil
	}
	wave := time.Duration(it.Tempered) * time.Second
	waves := quantity.Pieces((end.Sub(open) + wave - 1) / wave)
	per := max(it.PerBox, 1)
	var list []*v1.Pull
	var given quantity.Pieces
	for w := quantity.Pieces(1); w <= waves && given < l.Pieces; w++ {
		upTo := l.Pieces * w / waves
		if w < waves {
			upTo = min((upTo+per-1)/per*per, l.Pieces)
		}
		n := upTo - given
		if n == 0 {
			continue
		}
		given = upTo
		at := open.Add(time.Duration(w-1)*wave - time.Duration(it.PullLead)*time.Second)
		list = append(list, &v1.Pull{PullTime: wire.Instant(at), Pieces: int64(n)})
	}
	return list
}

// allergens fills in what is in the item, and how that differs from what it
// was when the shop had its last receipt with the item.
func (r *receipt) allergens(tx commissary.Tx, it commissary.Item, line *v1.ReceiptLine) error {
	now, err := allergensOf(r.declared, it.ID)
	if err != nil {
		return err
	}
	line.Allergens = now
	i := slices.IndexFunc(r.before, func(o commissary.Order) bool {
		return o.State != commissary.OrderCancelled && slices.ContainsFunc(o.Lines, func(l commissary.OrderLine) bool { return l.Item == it.ID })
	})
	if i < 0 {
		return nil
	}
	then, err := r.kitchenAt(tx, r.before[i].Submitted)
	if err != nil || then == nil {
		return err
	}
	before, err := allergensOf(then, it.ID)
	if err != nil {
		return err
	}
	without := func(a, b []string) []string {
		return slices.DeleteFunc(slices.Clone(a), func(x string) bool { return slices.Contains(b, x) })
	}
	line.AllergensAdded, line.AllergensGone = without(now, before), without(before, now)
	return nil
}

// kitchenAt is the kitchen as it stood at an instant, with what lots in use
// declared by then; nil when there was no book yet.
func (r *receipt) kitchenAt(tx commissary.Tx, at time.Time) (*kitchen, error) {
	revisions, err := tx.Books(r.id()).List(0, 0)
	if err != nil {
		return nil, err
	}
	for _, v := range revisions { // newest first
		if v.Adopted.After(at) {
			continue
		}
		k, err := r.revision(tx, v.Revision)
		if err != nil {
			return nil, err
		}
		k, _, err = k.declaring(tx, at)
		return k, err
	}
	return nil, nil
}

// allergensOf are an item's, sorted; none where the kitchen has no such item.
func allergensOf(k *kitchen, item string) ([]string, error) {
	it, ok := k.item(item)
	if !ok {
		return nil, nil
	}
	all, err := safety.Allergens(k.Book, it.Formula)
	words := make([]string, len(all))
	for i, a := range all {
		words[i] = string(a)
	}
	return words, err
}
