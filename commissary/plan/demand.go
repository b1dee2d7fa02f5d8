package plan

import (
	"cmp"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// place names one service: what a shop stretches of an item on a date.
type service struct {
	shop, item string
	bake       civil.Date
}

func (s service) compare(t service) int {
	return cmp.Or(s.bake.Compare(t.bake), cmp.Compare(s.item, t.item), cmp.Compare(s.shop, t.shop))
}

// Demand gathers what every shop needs for the services that this night's
// plan looks at: the newest accepted line of each shop, item and bake date,
// and the standing orders where no order speaks. The reasons say what is not
// confirmed and what nobody can deliver. Needs come sorted by bake date, item
// and shop.
func Demand(in Input) ([]commissary.Need, []commissary.Reason, error) {
	k, err := openKitchen(in)
	if err != nil {
		return nil, nil, err
	}
	needs, reasons := k.demand()
	return k.ahead(needs), reasons, nil
}

// ahead keeps the needs whose run has not left yet.
func (k *kitchen) ahead(needs []commissary.Need) []commissary.Need {
	return slices.DeleteFunc(needs, func(n commissary.Need) bool { return n.Departs.Before(k.in.At) })
}

func (k *kitchen) demand() ([]commissary.Need, []commissary.Reason) {
	type wish struct {
		pieces quantity.Pieces
		source commissary.Source
		night  civil.Date
	}
	wishes := map[service]wish{}
	spoken := map[service]civil.Date{} // the newest night that spoke for a service
	speak := func(s service, night civil.Date) bool {
		if last, ok := spoken[s]; ok && last.Compare(night) > 0 {
			return false
		}
		spoken[s] = night
		return true
	}
	var reasons []commissary.Reason
	for _, o := range k.in.Orders {
		if o.State == commissary.OrderCancelled || o.Night.Compare(k.in.Night) > 0 {
			continue
		}
		for _, item := range k.book.Items {
			if k.nightsAhead(item.CutOff) > 0 {
				continue // it is ordered nights before, so leaving it out says nothing
			}
			s := service{o.Shop, item.ID, o.Night.AddDays(item.Ship.BakeAfter)}
			if speak(s, o.Night) {
				wishes[s] = wish{0, commissary.FromOrder, o.Night}
			}
		}
		for _, l := range o.Lines {
			if s := (service{o.Shop, l.Item, l.BakeDate}); speak(s, o.Night) {
				wishes[s] = wish{l.Pieces, commissary.FromOrder, o.Night}
			}
		}
		if o.State == commissary.OrderLate && o.Night == k.in.Night {
			reasons = append(reasons, commissary.Reason{Code: commissary.ReasonLate, Shop: o.Shop,
				Text: k.shopName(o.Shop) + ": admitted after the close by " + o.LateBy + " (" + o.LateWhy + ")"})
		}
	}
	silent := map[string]bool{}
	for _, shop := range k.book.Shops {
		for _, st := range shop.Standing {
			item, ok := k.items[st.Item]
			if !ok {
				continue
			}
			first := item.Ship.DeliverBefore + 1
			for d := first; d < first+k.planDays(); d++ {
				s := service{shop.ID, st.Item, k.in.Night.AddDays(d)}
				if _, ok := spoken[s]; ok || !st.Days.Has(s.bake.Weekday()) || !trades(shop, s.bake) {
					continue
				}
				w := wishes[s]
				wishes[s] = wish{w.pieces + st.Pieces, commissary.FromStanding, k.in.Night}
				if d == item.Ship.BakeAfter {
					silent[shop.ID] = true
				}
			}
		}
	}
	services := make([]service, 0, len(wishes))
	for s := range wishes {
		services = append(services, s)
	}
	slices.SortFunc(services, service.compare)

	var needs []commissary.Need
	for _, s := range services {
		w := wishes[s]
		if w.pieces == 0 || k.deliveryOf(s).Compare(k.in.Night) <= 0 || s.bake.Days(k.in.Night) > k.planDays()+k.items[s.item].Ship.DeliverBefore {
			continue
		}
		n := commissary.Need{Shop: s.shop, Item: s.item, BakeDate: s.bake, Pieces: w.pieces, Source: w.source}
		if r, ok := k.bind(&n); !ok {
			reasons = append(reasons, r)
			continue
		}
		needs = append(needs, n)
	}
	for _, shop := range k.book.Shops {
		if silent[shop.ID] {
			reasons = append(reasons, commissary.Reason{Code: commissary.ReasonNotConfirmed, Shop: shop.ID,
				Text: shop.Name + " has not ordered: its standing order is planned, not confirmed. Call " + shop.Phone + "."})
		}
	}
	return needs, reasons
}

// nightsAhead is how many nights before the default one lines of a class must be in.
func (k *kitchen) nightsAhead(class string) int {
	for _, c := range k.book.CutOffs {
		if c.Class == class {
			return c.Days
		}
	}
	return 0
}

func trades(shop commissary.Shop, d civil.Date) bool {
	_, ok := hoursOn(shop, d)
	return ok
}

func hoursOn(shop commissary.Shop, d civil.Date) (commissary.Hours, bool) {
	for _, s := range shop.Service {
		if s.Days.Has(d.Weekday()) {
			return s.Hours, true
		}
	}
	return commissary.Hours{}, false
}

func (k *kitchen) deliveryOf(s service) civil.Date {
	return s.bake.AddDays(-k.items[s.item].Ship.DeliverBefore)
}

// bind fills in the run and the instants of a need. The end of mixing is
// bounded by the service: old enough at the first pull, young enough at the
// last stretch, which a walk-in warmer than the cold store brings nearer; the
// good band is taken at the middle of the service.
func (k *kitchen) bind(n *commissary.Need) (commissary.Reason, bool) {
	item, shop := k.items[n.Item], k.shops[n.Shop]
	refuse := func(code commissary.ReasonCode, text string) (commissary.Reason, bool) {
		return commissary.Reason{Code: code, Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: n.Pieces, Text: text}, false
	}
	hours, ok := hoursOn(shop, n.BakeDate)
	if !ok {
		return refuse(commissary.ReasonClosedDay, shop.Name+" does not trade on "+n.BakeDate.Short()+": its "+item.Name+" is not planned. Correct the order or the service hours in the book.")
	}
	delivery := n.BakeDate.AddDays(-item.Ship.DeliverBefore)
	run, ok := k.runFor(n.Shop, delivery)
	if !ok {
		return refuse(commissary.ReasonNoRun, "no run stops at "+shop.Name+" on "+delivery.Short()+": its "+item.Name+" cannot be delivered. Add a run for that day to the book.")
	}
	n.Run, n.Departs = run.ID, k.zone.Instant(delivery, run.Departs)
	open, end := k.zone.Instant(n.BakeDate, hours.From), k.zone.Instant(n.BakeDate, hours.To)
	w := item.Window
	pull := open.Add(-span(item.PullLead))
	middle := open.Add(end.Sub(open) / 2)
	n.MadeFrom, n.MadeTo = oldest(k.book, k.zone, item, shop, arrival(run, n.Departs, n.Shop), end), pull.Add(-span(w.Min))
	n.GoodFrom, n.GoodTo = latest(n.MadeFrom, middle.Add(-span(w.Best+w.Band))), earliest(n.MadeTo, middle.Add(-span(w.Best-w.Band)))
	return commissary.Reason{}, true
}

func (k *kitchen) runFor(shop string, d civil.Date) (commissary.Run, bool) {
	for _, r := range k.book.Runs {
		if r.Days.Has(d.Weekday()) && slices.ContainsFunc(r.Stops, func(s commissary.Stop) bool { return s.Shop == shop }) {
			return r, true
		}
	}
	return commissary.Run{}, false
}

func span(s quantity.Seconds) time.Duration { return time.Duration(s) * time.Second }

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
