package server

import (
	"context"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s orders) SubmitCount(ctx context.Context, req *v1.SubmitCountRequest) (*v1.SubmitCountResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.SubmitCountResponse, error) {
		k, shop, err := s.counter(w.Tx, id, req.GetShopId())
		if err != nil {
			return nil, err
		}
		c, err := wire.ReadCount(req)
		if err != nil {
			return nil, err
		}
		if err := k.judgeCount(date, k.zone.Date(w.at), c.Lines); err != nil {
			return nil, err
		}
		c.Night, c.By = date, w.who
		if c.At.IsZero() || c.At.After(w.at) {
			c.At = w.at
		}
		inForce, err := w.Counts(id).Get(date, shop.ID)
		if err != nil && commissary.KindOf(err) != commissary.NotFound {
			return nil, err
		}
		if inForce.At.After(c.At) {
			return &v1.SubmitCountResponse{NewerCountTime: wire.Instant(inForce.At)},
				w.record(id, wire.NightName(id, date), "%s sent a count of %s, and keeps the newer one", shop.ID, k.zone.Long(c.At))
		}
		if err := w.Counts(id).Put(c); err != nil {
			return nil, err
		}
		sales, err := k.sold(w.Tx, c)
		if err != nil {
			return nil, err
		}
		resp := &v1.SubmitCountResponse{}
		for _, v := range sales {
			resp.Sales = append(resp.Sales, wire.Sale(v))
		}
		// One that comes late, or again, also says what the day after began with.
		after, err := w.Counts(id).Get(date.AddDays(1), shop.ID)
		if err == nil {
			var more []commissary.Sale
			more, err = k.sold(w.Tx, after)
			sales = append(sales, more...)
		}
		if err != nil && commissary.KindOf(err) != commissary.NotFound {
			return nil, err
		}
		for _, v := range sales {
			if err := w.Counts(id).PutSale(v); err != nil {
				return nil, err
			}
		}
		return resp, w.record(id, wire.NightName(id, date), "%s counted, %d lines", shop.ID, len(c.Lines))
	})
}

// counter returns the kitchen and one of its shops.
func (c *core) counter(tx commissary.Tx, id, shopID string) (*kitchen, commissary.Shop, error) {
	k, err := c.kitchen(tx, id, 0)
	if err != nil {
		return nil, commissary.Shop{}, err
	}
	shop, ok := k.shop(shopID)
	if !ok {
		e := commissary.Refuse(commissary.NotFound, "SHOP_NOT_FOUND", "there is no shop %q in the kitchen's book; check the name", shopID)
		e.Meta = map[string]string{"shop": shopID}
		return nil, shop, e
	}
	return k, shop, nil
}

// judgeCount refuses a count that cannot be.
func (k *kitchen) judgeCount(night, today civil.Date, lines []commissary.CountLine) error {
	var faults []commissary.Fault
	fault := func(i int, field, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: fmt.Sprintf("lines[%d]%s", i, field), Text: fmt.Sprintf(format, args...)})
	}
	type heap struct {
		item string
		made civil.Date
	}
	first := map[heap]int{}
	for i, l := range lines {
		if _, ok := k.item(l.Item); !ok {
			fault(i, ".item_id", "there is no item %q; the catalogue lists what there is", l.Item)
		}
		if j, twice := first[heap{l.Item, l.Made}]; twice {
			fault(i, "", "%s of that label stands in lines[%d] already; write one line with the sum", l.Item, j)
		}
		first[heap{l.Item, l.Made}] = i
		if l.Made.Compare(night.AddDays(1)) > 0 {
			fault(i, ".made_date", "nothing was made on %s yet; read the label again", l.Made)
		}
	}
	if night.Compare(today) > 0 {
		faults = append(faults, commissary.Fault{Where: "night", Text: "that evening is still to come; today is " + today.String()})
	}
	if len(faults) == 0 {
		return nil
	}
	e := commissary.Refuse(commissary.Invalid, "COUNT_INVALID", "the count cannot be taken; correct the lines named here")
	e.Faults = faults
	return e
}

// sold is what follows from a count: left the evening before, and delivered,
// and no longer there. An item of which nothing is left ran out. Where more is
// left than there was, a count was wrong and nothing follows.
func (k *kitchen) sold(tx commissary.Tx, c commissary.Count) ([]commissary.Sale, error) {
	before, err := tx.Counts(k.id()).Get(c.Night.AddDays(-1), c.Shop)
	if err != nil {
		if commissary.KindOf(err) == commissary.NotFound {
			return nil, nil
		}
		return nil, err
	}
	had := map[string]quantity.Pieces{}
	for _, l := range before.Lines {
		had[l.Item] += l.Pieces
	}
	d, err := tx.Dispatches(k.id()).Newest(c.Night.AddDays(-1))
	if err != nil && commissary.KindOf(err) != commissary.NotFound {
		return nil, err
	}
	for _, p := range d.Picks {
		if p.Shop == c.Shop && d.Delivery == c.Night {
			had[p.Item] += p.Pieces
		}
	}
	left := map[string]quantity.Pieces{}
	for _, l := range c.Lines {
		left[l.Item] += l.Pieces
	}
	shop, _ := k.shop(c.Shop)
	var sales []commissary.Sale
	for _, it := range k.Items {
		v := commissary.Sale{Shop: c.Shop, Item: it.ID, Day: c.Night, Pieces: had[it.ID] - left[it.ID], Kind: commissary.SaleOrdinary}
		switch {
		case had[it.ID] == 0 || v.Pieces < 0:
			continue
		case !shop.Trades(c.Night):
			v.Pieces, v.Kind = 0, commissary.SaleClosed
		case left[it.ID] == 0:
			v.Kind = commissary.SaleSoldOut
		}
		sales = append(sales, v)
	}
	return sales, nil
}

func (s orders) ImportSales(ctx context.Context, req *v1.ImportSalesRequest) (*v1.ImportSalesResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.ImportSalesResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		sales, err := wire.ReadSales(req.GetSales())
		if err != nil {
			return nil, err
		}
		if err := k.judgeSales(k.zone.Date(w.at), sales); err != nil {
			return nil, err
		}
		for _, v := range sales {
			if err := w.Counts(id).PutSale(v); err != nil {
				return nil, err
			}
			// What was learned before knew nothing of it.
			if err := w.Counts(id).ForgetFit(v.Shop, v.Item); err != nil {
				return nil, err
			}
		}
		return &v1.ImportSalesResponse{Kept: int32(len(sales))}, w.record(id, wire.KitchenName(id), "%d days of sale taken in", len(sales))
	})
}

func (k *kitchen) judgeSales(today civil.Date, sales []commissary.Sale) error {
	var faults []commissary.Fault
	fault := func(i int, field, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: fmt.Sprintf("sales[%d]%s", i, field), Text: fmt.Sprintf(format, args...)})
	}
	type key struct {
		shop, item string
		day        civil.Date
	}
	first := map[key]int{}
	for i, v := range sales {
		if _, ok := k.shop(v.Shop); !ok {
			fault(i, ".shop_id", "there is no shop %q in the kitchen's book", v.Shop)
		}
		if _, ok := k.item(v.Item); !ok {
			fault(i, ".item_id", "there is no item %q in the kitchen's book", v.Item)
		}
		if j, twice := first[key{v.Shop, v.Item, v.Day}]; twice {
			fault(i, "", "%s of %s on %s stands in sales[%d] already", v.Item, v.Shop, v.Day, j)
		}
		first[key{v.Shop, v.Item, v.Day}] = i
		switch {
		case v.Day.Compare(today) >= 0:
			fault(i, ".date", "%s is not over yet", v.Day)
		case v.Kind == commissary.SaleClosed && v.Pieces != 0:
			fault(i, ".pieces", "a closed day sells nothing")
		}
	}
	if len(faults) == 0 {
		return nil
	}
	e := commissary.Refuse(commissary.Invalid, "SALES_INVALID", "the sales cannot be taken in; correct those named here")
	e.Faults = faults
	return e
}

// nextService returns the first day from one on for which a line of an item
// can be delivered to a shop that trades then.
func (k *kitchen) nextService(shop commissary.Shop, it commissary.Item, from civil.Date, days int) (civil.Date, bool) {
	for d := range days {
		day := from.AddDays(d)
		if shop.Trades(day) && k.serves(shop.ID, day.AddDays(-it.Ship.DeliverBefore)) {
			return day, true
		}
	}
	return civil.Date{}, false
}

// serves reports whether a run stops at a shop on a day.
func (k *kitchen) serves(shop string, day civil.Date) bool {
	return slices.ContainsFunc(k.Runs, func(r commissary.Run) bool {
		return r.Days.Has(day.Weekday()) && slices.ContainsFunc(r.Stops, func(s commissary.Stop) bool { return s.Shop == shop })
	})
}

// obstacle is why the default line of a night cannot be ordered.
func (k *kitchen) obstacle(shop commissary.Shop, it commissary.Item, night civil.Date, at time.Time) string {
	d := desk{kitchen: k, night: night, shop: shop, at: at}
	bake := night.AddDays(it.Ship.BakeAfter)
	delivery := bake.AddDays(-it.Ship.DeliverBefore)
	switch {
	case !shop.Trades(bake):
		return shop.Name + " does not trade on " + bake.Short()
	case !k.serves(shop.ID, delivery):
		return "no run stops at " + shop.Name + " on " + delivery.Short()
	case at.After(d.cutOff(it, bake)):
		return "it had to be in by " + k.zone.Long(d.cutOff(it, bake))
	}
	return ""
}
