package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
)

func receiptCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "receipt",
		Short: "Show a shop's order as its receipt: what comes, when, and when to pull it; once released, what really comes",
		Args:  cobra.NoArgs,
	}
	name := orderOf(cmd)
	cmd.RunE = act(func(j *job, _ []string) error {
		order, err := name(j)
		if err != nil {
			return err
		}
		m, err := ask(j, v1.NewOrderServiceClient, v1.OrderServiceClient.GetOrder, &v1.GetOrderRequest{Name: order})
		if err != nil {
			return err
		}
		return j.show(m, func() (string, error) { return j.receipt(m.GetOrder()) })
	})
	return cmd
}

// receipt is an order's receipt on forty columns.
func (j *job) receipt(o *v1.Order) (string, error) {
	b, err := j.wholeBook()
	if err != nil {
		return "", err
	}
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	if err != nil {
		return "", err
	}
	_, night, _, err := wire.ParseOrder(o.GetName())
	if err != nil {
		return "", err
	}
	d, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.GetDispatch,
		&v1.GetDispatchRequest{Name: wire.DispatchName(j.settings.Kitchen, night, 0)})
	if err != nil && status.Code(err) != codes.NotFound {
		return "", err
	}
	var s strings.Builder
	p := func(format string, args ...any) { fmt.Fprintf(&s, format+"\n", args...) }
	p("%s", strings.ToUpper(o.GetShopName()))
	p("night of %s", night.Long())
	p("%s, revision %d", strings.TrimPrefix(o.GetState().String(), "ORDER_STATE_"), o.GetRevision())
	p("kept %s", zone.Long(o.GetSubmitTime().AsTime()))
	p("code %s", storefront.Code(o))
	if o.GetLateBy() != "" {
		p("%s", folded("", "admitted late by "+o.GetLateBy()+": "+o.GetLateReason()))
	}
	if o.GetClosed() {
		p("The shop wants nothing at all.")
		return s.String(), nil
	}
	shop := b.Shops[max(slices.IndexFunc(b.Shops, func(x commissary.Shop) bool { return x.ID == o.GetShopId() }), 0)]
	for _, m := range d.GetDispatch().GetManifests() {
		for _, s := range m.GetStops() {
			if s.GetShopId() == shop.ID && len(s.GetNewAllergens()) > 0 {
				p("%s", folded("", "*** ALLERGENS CHANGED, also: "+strings.Join(s.GetNewAllergens(), ", ")))
			}
		}
	}
	for _, l := range o.GetLines() {
		it, err := named(b.Items, l.GetItemId(), "item", func(x commissary.Item) string { return x.ID })
		if err != nil {
			return "", err
		}
		bake, err := civil.ParseDate(l.GetBakeDate())
		if err != nil {
			return "", err
		}
		p("----------------------------------------")
		p("%7d  %s", l.GetPieces(), it.Name)
		p("  for %s", bake.Short())
		if i := slices.IndexFunc(b.CutOffs, func(c commissary.CutOff) bool { return c.Class == it.CutOff }); i >= 0 {
			c := b.CutOffs[i]
			p("  change by %s", zone.Long(zone.Instant(bake.AddDays(-it.Ship.BakeAfter-c.Days), c.At)))
		}
		delivery := bake.AddDays(-it.Ship.DeliverBefore)
		if run, at, ok := arrives(b, zone, shop.ID, delivery); ok {
			when := "about"
			if run.Sequence == commissary.Free { // its order is found when the goods are picked
				when, at = "leaves", zone.Instant(delivery, run.Departs)
			}
			p("%s", folded("  ", fmt.Sprintf("%s, %s %s", run.Name, when, zone.Short(at))))
		}
		for _, w := range pulls(zone, shop, it, bake, l.GetPieces()) {
			p("  %s", w)
		}
		if a := allergensOf(b, it.Formula, 0); len(a) > 0 {
			p("%s", folded("  ", "contains "+strings.Join(a, ", ")))
		}
		if d.GetDispatch() == nil {
			p("  provisional until goods are released")
			continue
		}
		for _, x := range d.GetDispatch().GetLines() {
			if x.GetShopId() != shop.ID || x.GetItemId() != it.ID || x.GetBakeDate() != l.GetBakeDate() {
				continue
			}
			p("%7d  COME", x.GetPickedPieces())
			if x.GetShortPieces() > 0 {
				p("%7d  SHORT", x.GetShortPieces())
				p("%s", folded("  ", x.GetShortReason()))
			}
		}
		for _, x := range d.GetDispatch().GetPicks() {
			if x.GetShopId() == shop.ID && x.GetItemId() == it.ID && x.GetBakeDate() == l.GetBakeDate() {
				p("  %d of lot %s", x.GetPieces(), x.GetLotCode())
				if x.GetHeldReason() != "" {
					p("%s", folded("  ", "*** HELD, DO NOT USE: "+x.GetHeldReason()+". Keep it apart, call the kitchen."))
					continue
				}
				p("    use from %s", zone.Short(x.GetUseFromTime().AsTime()))
				p("    use by %s", zone.Short(x.GetUseByTime().AsTime()))
			}
		}
	}
	return s.String(), nil
}

// arrives is the run that brings a day's delivery to a shop, and when.
func arrives(b commissary.Book, zone *civil.Zone, shop string, day civil.Date) (commissary.Run, time.Time, bool) {
	for _, r := range b.Runs {
		if !r.Days.Has(day.Weekday()) {
			continue
		}
		at := zone.Instant(day, r.Departs)
		for _, s := range r.Stops {
			at = at.Add(time.Duration(s.Travel) * time.Second)
			if s.Shop == shop {
				return r, at, true
			}
			at = at.Add(time.Duration(s.Stay) * time.Second)
		}
	}
	return commissary.Run{}, time.Time{}, false
}

// pulls says when to take balls out of the cold, in waves: each is used up in
// the time that tempered balls last, and pulled its lead earlier. The pieces
// are spread evenly over the service, in whole boxes as far as they go.
func pulls(zone *civil.Zone, shop commissary.Shop, it commissary.Item, bake civil.Date, pieces int64) []string {
	i := slices.IndexFunc(shop.Service, func(s commissary.Service) bool { return s.Days.Has(bake.Weekday()) })
	if it.Kind != commissary.Ball || it.Tempered <= 0 || i < 0 {
		return nil
	}
	open, end := zone.Instant(bake, shop.Service[i].Hours.From), zone.Instant(bake, shop.Service[i].Hours.To)
	wave := time.Duration(it.Tempered) * time.Second
	waves := int64((end.Sub(open) + wave - 1) / wave)
	per := int64(max(it.PerBox, 1))
	var list []string
	var given int64
	for w := int64(1); w <= waves && given < pieces; w++ {
		upTo := pieces * w / waves
		if w < waves {
			upTo = min((upTo+per-1)/per*per, pieces)
		}
		n := upTo - given
		if n == 0 {
			continue
		}
		given = upTo
		at := open.Add(time.Duration(w-1) * wave)
		list = append(list, fmt.Sprintf("pull %d at %s", n, zone.Short(at.Add(-time.Duration(it.PullLead)*time.Second))))
	}
	return list
}

// deepestFormula bounds how far formulas are made of one another.
const deepestFormula = 20

// allergensOf are the allergens that a formula's ingredients declare, sorted.
func allergensOf(b commissary.Book, id string, deep int) []string {
	i := slices.IndexFunc(b.Formulas, func(f commissary.Formula) bool { return f.ID == id })
	if i < 0 || deep > deepestFormula {
		return nil
	}
	var all []string
	for _, l := range b.Formulas[i].Lines {
		for _, x := range b.Ingredients {
			if x.ID == l.Ingredient {
				for _, a := range x.Allergens {
					all = append(all, string(a))
				}
			}
		}
		all = append(all, allergensOf(b, l.Prep, deep+1)...)
	}
	for _, p := range b.Formulas[i].Preferments {
		all = append(all, allergensOf(b, p.Formula, deep+1)...)
	}
	slices.Sort(all)
	return slices.Compact(all)
}
