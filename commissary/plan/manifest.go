package plan

import (
	"cmp"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// manifests sends the picks out: it decides which run brings each shop its
// goods and in which order, sets every run's clock, writes what is left where,
// and stacks the load. What does not work out rides all the same, and is said.
func (k *kitchen) manifests(d *commissary.Dispatch) error {
	place := map[string]int{}
	for i, item := range k.book.Items {
		place[item.ID] = i
	}
	sort := func() { // for the page: an item's picks by run and shop, oldest first
		slices.SortStableFunc(d.Picks, func(a, b commissary.Pick) int {
			return cmp.Or(cmp.Compare(place[a.Item], place[b.Item]), cmp.Compare(a.Run, b.Run), cmp.Compare(a.Shop, b.Shop), a.BakeDate.Compare(b.BakeDate), cmp.Compare(a.Lot, b.Lot))
		})
	}
	sort()
	goods := k.goods(d.Picks)
	routes, err := k.routes(d.Delivery, goods)
	if err != nil {
		return err
	}
	for _, r := range k.book.Runs {
		if len(routes[r.ID]) == 0 {
			continue
		}
		m := commissary.Manifest{Run: r.ID, Vehicle: r.Vehicle}
		for _, shop := range routes[r.ID] {
			m.Stops = append(m.Stops, *goods[shop])
			m.Boxes += goods[shop].Boxes
			m.Mass += goods[shop].Mass
		}
		if err := k.clock(&m, r, d.Delivery); err != nil {
			return err
		}
		for i := range m.Stops {
			k.mark(&m, &m.Stops[i], d.Picks)
			m.Stops[i].Empties = empties(&k.in, m.Stops[i].Shop, d.Delivery)
		}
		m.Load = k.stow(m.Stops)
		d.Manifests = append(d.Manifests, m)
	}
	sort()
	for _, m := range d.Manifests {
		d.Exceptions = append(d.Exceptions, k.roadReasons(d, m)...)
	}
	return nil
}

// goods is what each shop gets: its stop without times and dates.
func (k *kitchen) goods(picks []commissary.Pick) map[string]*commissary.ManifestStop {
	goods := map[string]*commissary.ManifestStop{}
	for _, p := range picks {
		if goods[p.Shop] == nil {
			stop := k.brings(p.Run, commissary.ManifestStop{Shop: p.Shop}, picks)
			goods[p.Shop] = &stop
		}
	}
	return goods
}

// mark writes the run and the dates that hold at a stop into its picks and its
// lines, which stand in the same order.
func (k *kitchen) mark(m *commissary.Manifest, stop *commissary.ManifestStop, picks []commissary.Pick) {
	lines := stop.Lines
	for i := range picks {
		p := &picks[i]
		if p.Shop != stop.Shop {
			continue
		}
		p.Run = m.Run
		k.date(p, stop.Arrives)
		l := &lines[0]
		l.UseFrom, l.Best, l.UseBy, l.Unsure = p.UseFrom, p.Best, p.UseBy, p.Unsure
		lines = lines[1:]
	}
}

// clock sets a run's times, stop by stop. A van that comes before a shop
// receives waits there. Where the order is fixed it passes every stop of the
// run in the minutes that the run lists, whether it brings something or not.
func (k *kitchen) clock(m *commissary.Manifest, run commissary.Run, day civil.Date) error {
	m.Departs, m.Metres = k.zone.Instant(day, run.Departs), 0
	r := newRoads(k.book)
	at, here := m.Departs, commissary.KitchenPlace
	known := true
	drive := func(to string) (leg, error) {
		l, ok := r.drive(here, to)
		if !ok && run.Sequence == commissary.Free {
			return l, k.noWay(here, to)
		}
		known = known && ok
		m.Metres += l.metres
		here = to
		return l, nil
	}
	arrive := func(s commissary.Stop, took quantity.Seconds) {
		at = at.Add(span(took))
		i := slices.IndexFunc(m.Stops, func(x commissary.ManifestStop) bool { return x.Shop == s.Shop })
		arrives := at
		opens, _ := receiving(k.zone, k.shops[s.Shop], day)
		at = latest(at, opens).Add(span(s.Stay))
		if i >= 0 {
			m.Stops[i].Arrives, m.Stops[i].Leaves = arrives, at
		}
	}
	if run.Sequence == commissary.Free {
		for _, stop := range m.Stops {
			l, err := drive(stop.Shop)
			if err != nil {
				return err
			}
			arrive(commissary.Stop{Shop: stop.Shop, Stay: k.stay(stop.Shop, run.ID)}, quantity.Seconds(l.seconds))
		}
	} else {
		for _, s := range run.Stops {
			if _, err := drive(s.Shop); err != nil {
				return err
			}
			arrive(s, s.Travel)
		}
	}
	home, err := drive(commissary.KitchenPlace)
	if err != nil {
		return err
	}
	m.Back = at.Add(time.Duration(home.seconds) * time.Second)
	m.Measured = r.measured()
	if !known {
		m.Metres, m.Measured = 0, ""
	}
	if run.Sequence != commissary.Free {
		m.Measured = "minutes as this run lists them" + prefixed("; distances: ", m.Measured)
	}
	return nil
}

// prefixed is text behind what leads to it, or nothing.
func prefixed(lead, text string) string {
	if text == "" {
		return ""
	}
	return lead + text
}

// noWay refuses to drive where nobody knows how far it is. Books in which that
// can happen are refused where they are taken in.
func (k *kitchen) noWay(from, to string) error {
	e := commissary.Refuse(commissary.Precondition, "NO_WAY",
		"nobody knows the way from %s to %s; give both a latitude and a longitude in the book and \"roads\" its factor and speeds, or list the way under \"roads\"", k.placeName(from), k.placeName(to))
	e.Meta = map[string]string{"from": from, "to": to}
	return e
}

func (k *kitchen) placeName(id string) string {
	if id == commissary.KitchenPlace {
		return "the kitchen"
	}
	return k.shopName(id)
}

// receiving is when a shop receives on a day; both zero: at any time.
func receiving(zone *civil.Zone, shop commissary.Shop, day civil.Date) (from, to time.Time) {
	if shop.Receiving == (commissary.Hours{}) {
		return from, to
	}
	return zone.Instant(day, shop.Receiving.From), zone.Instant(day, shop.Receiving.To)
}

// stay is how long a van stays at a shop: as the run lists it, or else as the
// first run does that stops there.
func (k *kitchen) stay(shop, run string) quantity.Seconds {
	var stay quantity.Seconds
	found := false
	for _, r := range k.book.Runs {
		for _, s := range r.Stops {
			if s.Shop == shop && (r.ID == run || !found) {
				stay, found = s.Stay, true
			}
		}
	}
	return stay
}
