package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Dispatch picks lots for the deliveries of the morning after the night and
// writes the manifests of its runs. Inside each shop's window the lot that
// expires first goes first. When an item is short, the shops share what there
// is in proportion, in whole containers. Its result is a draft.
func Dispatch(in Input) (commissary.Dispatch, error) {
	k, err := openKitchen(in)
	if err != nil {
		return commissary.Dispatch{}, err
	}
	d := commissary.Dispatch{Night: in.Night, Delivery: in.Night.AddDays(1), State: commissary.PlanDraft, At: in.At, InputHash: Hash(in)}
	needs, reasons := k.demand()
	for _, r := range reasons {
		if r.Item == "" || r.BakeDate.AddDays(-k.items[r.Item].Ship.DeliverBefore) == d.Delivery {
			d.Exceptions = append(d.Exceptions, r)
		}
	}
	needs = slices.DeleteFunc(needs, func(n commissary.Need) bool {
		return k.deliveryOf(service{n.Shop, n.Item, n.BakeDate}) != d.Delivery
	})
	lots := slices.Clone(canonical(in).Lots)
	slices.SortStableFunc(lots, func(a, b commissary.Lot) int { return a.Made.Compare(b.Made) })
	for _, item := range k.book.Items {
		k.pick(&d, item, needs, lots)
	}
	k.manifests(&d)
	return d, nil
}

// pick allocates one item: first what each shop is awarded, then from which lots.
func (k *kitchen) pick(d *commissary.Dispatch, item commissary.Item, all []commissary.Need, lots []commissary.Lot) {
	var needs []commissary.Need
	for _, n := range all {
		if n.Item == item.ID {
			needs = append(needs, n)
		}
	}
	if len(needs) == 0 {
		return
	}
	lots = slices.DeleteFunc(slices.Clone(lots), func(l commissary.Lot) bool { return l.Item != item.ID || l.Held != "" || l.Pieces <= 0 })
	// The one whose window closes first in front, then by departure and shop.
	slices.SortStableFunc(needs, func(a, b commissary.Need) int {
		return cmp.Or(a.MadeTo.Compare(b.MadeTo), a.Departs.Compare(b.Departs), cmp.Compare(a.Run, b.Run), cmp.Compare(a.Shop, b.Shop))
	})
	wanted := make([]quantity.Pieces, len(needs))
	var total, got quantity.Pieces
	for i, n := range needs {
		wanted[i] = n.Pieces
		total += n.Pieces
	}
	picks := fromLots(needs, wanted, lots)
	for _, p := range picks {
		got += p.Pieces
	}
	if got < total {
		awards := award(got, wanted, max(item.PerBox, 1))
		first := fromLots(needs, awards, lots)
		// Windows may keep a shop from its award; what is left goes on in order.
		picks = append(first, fromLots(needs, minus(needs, wanted, first), rest(lots, first))...)
	}
	for i, n := range needs {
		line := commissary.DispatchLine{Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Source: n.Source, Ordered: wanted[i]}
		for _, p := range picks {
			if p.Shop == n.Shop && p.BakeDate == n.BakeDate {
				line.Picked += p.Pieces
			}
		}
		if line.Short = line.Ordered - line.Picked; line.Short > 0 {
			line.Why = k.whyShort(item, n, lots)
			d.Exceptions = append(d.Exceptions, commissary.Reason{Code: commissary.ReasonShort, Limit: "lots", Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: line.Short,
				Text: fmt.Sprintf("%s gets %d of %d × %s for %s: %s.", k.shopName(n.Shop), line.Picked, line.Ordered, item.Name, n.BakeDate.Short(), line.Why)})
		}
		d.Lines = append(d.Lines, line)
	}
	for _, p := range merge(picks) {
		p.Zone = item.Zone
		p.Full, p.Loose = int(p.Pieces/max(item.PerBox, 1)), p.Pieces%max(item.PerBox, 1)
		for _, l := range lots {
			if l.Code == p.Lot {
				p.UseFrom, p.UseBy = k.useWindow(l, item, k.shops[p.Shop])
			}
		}
		d.Picks = append(d.Picks, p)
	}
}

// fromLots serves the wanted pieces from the lots, oldest first.
func fromLots(needs []commissary.Need, wanted []quantity.Pieces, lots []commissary.Lot) []commissary.Pick {
	open := slices.Clone(wanted)
	var picks []commissary.Pick
	for _, l := range lots {
		left := l.Pieces
		for i, n := range needs {
			if left == 0 || open[i] == 0 || l.Made.Before(n.MadeFrom) || l.Made.After(n.MadeTo) {
				continue
			}
			give := min(left, open[i])
			left -= give
			open[i] -= give
			picks = append(picks, commissary.Pick{Run: n.Run, Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Lot: l.Code, Pieces: give})
		}
	}
	return picks
}

// award shares a supply that does not reach: in proportion to what is wanted,
// in whole containers; what is left after that goes to the largest want left.
func award(supply quantity.Pieces, wanted []quantity.Pieces, perBox quantity.Pieces) []quantity.Pieces {
	boxes, err := quantity.Apportion(supply/perBox, wanted)
	if err != nil {
		return wanted
	}
	awards := make([]quantity.Pieces, len(wanted))
	left := supply
	for i := range wanted {
		awards[i] = min(boxes[i]*perBox, wanted[i])
		left -= awards[i]
	}
	for left > 0 {
		most := 0
		for i := range wanted {
			if wanted[i]-awards[i] > wanted[most]-awards[most] {
				most = i
			}
		}
		give := min(left, wanted[most]-awards[most], perBox)
		if give <= 0 {
			break
		}
		awards[most] += give
		left -= give
	}
	return awards
}

func minus(needs []commissary.Need, wanted []quantity.Pieces, picks []commissary.Pick) []quantity.Pieces {
	open := slices.Clone(wanted)
	for i, n := range needs {
		for _, p := range picks {
			if p.Shop == n.Shop && p.BakeDate == n.BakeDate {
				open[i] -= p.Pieces
			}
		}
	}
	return open
}

func rest(lots []commissary.Lot, picks []commissary.Pick) []commissary.Lot {
	left := slices.Clone(lots)
	for i := range left {
		for _, p := range picks {
			if p.Lot == left[i].Code {
				left[i].Pieces -= p.Pieces
			}
		}
	}
	return left
}

// merge adds up picks of one lot for one service and sorts them for the page.
func merge(picks []commissary.Pick) []commissary.Pick {
	var merged []commissary.Pick
	for _, p := range picks {
		at := slices.IndexFunc(merged, func(q commissary.Pick) bool {
			return q.Lot == p.Lot && q.Shop == p.Shop && q.BakeDate == p.BakeDate
		})
		if at < 0 {
			merged = append(merged, p)
		} else {
			merged[at].Pieces += p.Pieces
		}
	}
	slices.SortStableFunc(merged, func(a, b commissary.Pick) int {
		return cmp.Or(cmp.Compare(a.Run, b.Run), cmp.Compare(a.Shop, b.Shop), a.BakeDate.Compare(b.BakeDate), cmp.Compare(a.Lot, b.Lot))
	})
	return merged
}

func (k *kitchen) whyShort(item commissary.Item, n commissary.Need, lots []commissary.Lot) string {
	var young, old quantity.Pieces
	var ready time.Time
	for _, l := range lots {
		switch {
		case l.Made.After(n.MadeTo):
			young += l.Pieces
			if t := l.Made.Add(span(item.Window.Min)); ready.IsZero() || t.Before(ready) {
				ready = t
			}
		case l.Made.Before(n.MadeFrom):
			old += l.Pieces
		}
	}
	switch {
	case young > 0:
		return fmt.Sprintf("%d more are on hand but not %v old before the first pull (the first is %s)", young, item.Window.Min, k.zone.Short(ready))
	case old > 0:
		return fmt.Sprintf("%d more are on hand but pass %v before the last stretch", old, item.Window.Max)
	}
	return "no more are on hand"
}

// useWindow is when a shop may use a lot.
func (k *kitchen) useWindow(l commissary.Lot, item commissary.Item, shop commissary.Shop) (from, by time.Time) {
	return l.Made.Add(span(item.Window.Min)), l.Made.Add(span(item.Window.Max))
}

// manifests writes what rides on each run, stop by stop in driving order.
func (k *kitchen) manifests(d *commissary.Dispatch) {
	for _, run := range k.book.Runs {
		if !run.Days.Has(d.Delivery.Weekday()) {
			continue
		}
		m := commissary.Manifest{Run: run.ID, Vehicle: run.Vehicle, Departs: k.zone.Instant(d.Delivery, run.Departs)}
		at := m.Departs
		for _, s := range run.Stops {
			at = at.Add(span(s.Travel))
			stop := commissary.ManifestStop{Shop: s.Shop, Arrives: at}
			var allergens []commissary.Allergen
			for _, p := range d.Picks {
				if p.Run != run.ID || p.Shop != s.Shop {
					continue
				}
				item := k.items[p.Item]
				line := commissary.ManifestLine{Item: p.Item, Lot: p.Lot, Pieces: p.Pieces, Boxes: p.Boxes(), UseFrom: p.UseFrom, UseBy: p.UseBy}
				stop.Boxes += line.Boxes
				stop.Mass += item.Mass*quantity.Mass(p.Pieces) + k.boxes[item.Container].Tare*quantity.Mass(line.Boxes)
				stop.Lines = append(stop.Lines, line)
				allergens = append(allergens, k.recipes[k.byID[item.Formula]].allergens...)
			}
			slices.Sort(allergens)
			stop.Allergens = slices.Compact(allergens)
			at = at.Add(span(s.Stay))
			if len(stop.Lines) == 0 {
				continue
			}
			m.Boxes += stop.Boxes
			m.Mass += stop.Mass
			m.Stops = append(m.Stops, stop)
		}
		if len(m.Stops) == 0 {
			continue
		}
		d.Manifests = append(d.Manifests, m)
		d.Exceptions = append(d.Exceptions, k.loadReasons(run, m)...)
	}
}

// loadReasons says where a run is too much for its vehicle.
func (k *kitchen) loadReasons(run commissary.Run, m commissary.Manifest) []commissary.Reason {
	var reasons []commissary.Reason
	for _, v := range k.book.Vehicles {
		if v.ID != run.Vehicle {
			continue
		}
		if v.Containers > 0 && m.Boxes > v.Containers {
			reasons = append(reasons, commissary.Reason{Code: commissary.ReasonOverload, Limit: v.ID, Over: int64(m.Boxes - v.Containers),
				Text: fmt.Sprintf("%s: %d containers on %s, which holds %d. Move a stop to another run.", run.Name, m.Boxes, v.Name, v.Containers)})
		}
		if v.Payload > 0 && m.Mass > v.Payload {
			reasons = append(reasons, commissary.Reason{Code: commissary.ReasonOverload, Limit: v.ID, Over: int64(m.Mass - v.Payload),
				Text: fmt.Sprintf("%s: %v on %s, which may carry %v. Move a stop to another run.", run.Name, m.Mass, v.Name, v.Payload)})
		}
	}
	return reasons
}
