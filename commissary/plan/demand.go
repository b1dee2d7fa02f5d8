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
// the standing orders where no order speaks, and the forecast where neither
// does. The reasons say what is not
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

// ahead keeps the needs that a plan can still do something for: their run has
// not left yet, and no dispatch has released their goods.
func (k *kitchen) ahead(needs []commissary.Need) []commissary.Need {
	sent := map[string]bool{}
	for _, r := range k.in.Rounds {
		for _, shop := range r.Shops {
			sent[shop] = true
		}
	}
	morning := k.in.Night.AddDays(1)
	return slices.DeleteFunc(needs, func(n commissary.Need) bool {
		return n.Departs.Before(k.in.At) || sent[n.Shop] && k.zone.Date(n.Departs) == morning
	})
}

func (k *kitchen) demand() ([]commissary.Need, []commissary.Reason) {
	type wish struct {
		pieces quantity.Pieces
		source commissary.Source
		night  civil.Date
	}
	wishes := map[service]wish{}
	type evening struct {
		shop  string
		night civil.Date
	}
	ordered := map[evening]bool{}
	counts := func(o commissary.Order) bool {
		return o.State != commissary.OrderCancelled && o.Night.Compare(k.in.Night) <= 0
	}
	for _, o := range k.in.Orders {
		if counts(o) {
			ordered[evening{o.Shop, o.Night}] = true
		}
	}
	// An order speaks wholly for the date that its lines default to, except for
	// items that are ordered nights before.
	spokenOn := func(shop string, item commissary.Item, bake civil.Date) (civil.Date, bool) {
		night := bake.AddDays(-item.Ship.BakeAfter)
		return night, k.nightsAhead(item.CutOff) == 0 && ordered[evening{shop, night}]
	}
	var reasons []commissary.Reason
	for _, o := range k.in.Orders {
		if !counts(o) {
			continue
		}
		for _, l := range o.Lines {
			s := service{o.Shop, l.Item, l.BakeDate}
			if w, ok := wishes[s]; ok && w.night.Compare(o.Night) > 0 {
				continue
			}
			if night, spoken := spokenOn(o.Shop, k.items[l.Item], l.BakeDate); spoken && night.Compare(o.Night) > 0 {
				continue // a newer order leaves it out, or says it anew
			}
			wishes[s] = wish{l.Pieces, commissary.FromOrder, o.Night}
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
				if w, ok := wishes[s]; ok && w.source == commissary.FromOrder || !st.Days.Has(s.bake.Weekday()) || !shop.Trades(s.bake) {
					continue
				}
				if _, spoken := spokenOn(shop.ID, item, s.bake); spoken {
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
	for _, e := range k.in.Forecast {
		s := service{e.Shop, e.Item, e.BakeDate}
		item, known := k.items[e.Item]
		shop, there := k.shops[e.Shop]
		if _, wanted := wishes[s]; wanted || !known || !there || e.Pieces <= 0 || !shop.Trades(e.BakeDate) || k.visit(e.Shop, k.deliveryOf(s)).run == "" {
			continue
		}
		if _, spoken := spokenOn(e.Shop, item, e.BakeDate); !spoken {
			wishes[s] = wish{min(e.Pieces, quantity.MaxPieces), commissary.FromForecast, k.in.Night}
		}
	}
	services := make([]service, 0, len(wishes))
	for s := range wishes {
		services = append(services, s)
	}
	slices.SortFunc(services, service.compare)

	needs := make([]commissary.Need, 0, len(services))
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
	hours, ok := shop.HoursOn(n.BakeDate)
	if !ok {
		return refuse(commissary.ReasonClosedDay, shop.Name+" does not trade on "+n.BakeDate.Short()+": its "+item.Name+" is not planned. Correct the order or the service hours in the book.")
	}
	delivery := n.BakeDate.AddDays(-item.Ship.DeliverBefore)
	v := k.visit(n.Shop, delivery)
	if v.run == "" {
		return refuse(commissary.ReasonNoRun, "no run stops at "+shop.Name+" on "+delivery.Short()+": its "+item.Name+" cannot be delivered. Add a run for that day to the book.")
	}
	n.Run, n.Departs = v.run, v.departs
	open, end := k.zone.Instant(n.BakeDate, hours.From), k.zone.Instant(n.BakeDate, hours.To)
	w := item.Window
	pull := open.Add(-span(item.PullLead))
	middle := open.Add(end.Sub(open) / 2)
	n.MadeFrom, n.MadeTo = oldest(k.book, k.zone, item, shop, v.arrives, end), pull.Add(-span(w.Min))
	n.GoodFrom, n.GoodTo = latest(n.MadeFrom, middle.Add(-span(w.Best+w.Band))), earliest(n.MadeTo, middle.Add(-span(w.Best-w.Band)))
	return commissary.Reason{}, true
}

// visit is one shop's delivery of a day: the first run that stops there. Where
// the order is free, the shop may come first or last: the dough is planned for
// the worse. Where the run is free too, the goods are ready for the first run
// to leave.
type visit struct {
	run              string // empty: none
	departs, arrives time.Time
}

// delivery names a shop's delivery, or a run, of a day.
type delivery struct {
	of  string
	day civil.Date
}

// arrivals looks up when a run reaches its shops on a day.
func (k *kitchen) arrivals(r commissary.Run, day civil.Date) map[string]time.Time {
	key := delivery{r.ID, day}
	if k.rounds[key] == nil {
		k.rounds[key] = Arrivals(k.book, k.zone, r, day)
	}
	return k.rounds[key]
}

// visit looks a delivery up, once for all needs that it brings.
func (k *kitchen) visit(shop string, day civil.Date) visit {
	key := delivery{shop, day}
	if v, ok := k.visits[key]; ok {
		return v
	}
	var v visit
	for _, r := range k.book.Runs {
		if !r.Days.Has(day.Weekday()) || !stopsAt(r, shop) {
			continue
		}
		v = visit{run: r.ID, departs: k.zone.Instant(day, r.Departs)}
		for _, other := range k.book.Runs {
			if mayRide(r, other, day) {
				v.departs = earliest(v.departs, k.zone.Instant(day, other.Departs))
			}
		}
		switch {
		case r.Sequence != commissary.Free:
			v.arrives = k.arrivals(r, day)[shop]
		case walkIn(k.book, k.shops[shop]) >= k.book.ColdStore.Temp:
			v.arrives = v.departs
		default:
			v.arrives = v.departs.AddDate(0, 0, 1)
			if h := k.shops[shop].Receiving; h != (commissary.Hours{}) {
				v.arrives = k.zone.Instant(day, h.To)
			}
		}
		break
	}
	k.visits[key] = v
	return v
}

func stopsAt(r commissary.Run, shop string) bool {
	return slices.ContainsFunc(r.Stops, func(s commissary.Stop) bool { return s.Shop == shop })
}

// mayRide reports whether a stop of one run may ride on another of a day.
func mayRide(home, other commissary.Run, day civil.Date) bool {
	return home.ID == other.ID || home.Assign == commissary.Free && other.Assign == commissary.Free && other.Days.Has(day.Weekday())
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
