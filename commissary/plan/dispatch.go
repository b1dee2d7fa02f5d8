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
// is by the book's policy, in whole containers. Its result is a draft.
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
	for _, item := range k.book.Items {
		k.pick(&d, item, needs, lots)
	}
	if err := k.manifests(&d); err != nil {
		return commissary.Dispatch{}, err
	}
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
	free := k.free(item, lots)
	// The one whose window closes first in front, then by departure and shop.
	slices.SortStableFunc(needs, func(a, b commissary.Need) int {
		return cmp.Or(a.MadeTo.Compare(b.MadeTo), a.Departs.Compare(b.Departs), cmp.Compare(a.Run, b.Run), cmp.Compare(a.Shop, b.Shop))
	})
	picks := k.pickLots(needs, free, max(item.PerBox, 1))
	left := rest(free, picks)
	for _, n := range needs {
		line := commissary.DispatchLine{Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Source: n.Source, Ordered: n.Pieces}
		for _, p := range picks {
			if p.Shop == n.Shop && p.BakeDate == n.BakeDate {
				line.Picked += p.Pieces
			}
		}
		if line.Short = line.Ordered - line.Picked; line.Short > 0 {
			line.Why = k.whyShort(item, n, left)
			d.Exceptions = append(d.Exceptions, k.shortReason(line))
		}
		d.Lines = append(d.Lines, line)
	}
	for _, p := range merge(picks) {
		d.Picks = append(d.Picks, k.boxed(p))
	}
}

// agedLot is a lot with its two clocks.
type agedLot struct {
	commissary.Lot
	young, old time.Time
}

func (k *kitchen) aged(lots []commissary.Lot) []agedLot {
	aged := make([]agedLot, len(lots))
	for i, l := range lots {
		young, old := clocks(k.book, k.zone, l, k.items[l.Item])
		aged[i] = agedLot{l, young, old}
	}
	return aged
}

// free are the lots of an item that may be picked, the one that closes first in front.
func (k *kitchen) free(item commissary.Item, lots []commissary.Lot) []agedLot {
	free := slices.DeleteFunc(k.aged(lots), func(l agedLot) bool { return l.Item != item.ID || l.Held != "" || l.Pieces <= 0 })
	slices.SortStableFunc(free, func(a, b agedLot) int { return a.old.Compare(b.old) })
	return free
}

func (k *kitchen) shortReason(l commissary.DispatchLine) commissary.Reason {
	return commissary.Reason{Code: commissary.ReasonShort, Limit: "lots", Shop: l.Shop, Item: l.Item, BakeDate: l.BakeDate, Pieces: l.Short,
		Text: fmt.Sprintf("%s gets %d of %d × %s for %s: %s.", k.shopName(l.Shop), l.Picked, l.Ordered, k.items[l.Item].Name, l.BakeDate.Short(), l.Why)}
}

// boxed fills in where a pick stands and its containers.
func (k *kitchen) boxed(p commissary.Pick) commissary.Pick {
	item := k.items[p.Item]
	p.Zone = item.Zone
	p.Full, p.Loose = int(p.Pieces/max(item.PerBox, 1)), p.Pieces%max(item.PerBox, 1)
	return p
}

// date fills in a pick's times at a shop that it reaches at an instant; where
// its lot is not among the input's any more, for all of it is picked, they stay.
func (k *kitchen) date(p *commissary.Pick, arrives time.Time) {
	i := slices.IndexFunc(k.in.Lots, func(l commissary.Lot) bool { return l.Code == p.Lot })
	if i < 0 {
		return
	}
	u := UseWindow(k.book, k.zone, k.in.Lots[i], k.items[p.Item], k.shops[p.Shop], arrives)
	p.UseFrom, p.Best, p.UseBy, p.Unsure = u.From, u.Best, u.By, u.Unsure
}

// pickLots serves needs from lots: first as many pieces as can be to all that
// the same lots can serve, the window that closes first and the oldest lot in
// front; then what those needs get is shared among them.
func (k *kitchen) pickLots(needs []commissary.Need, lots []agedLot, perBox quantity.Pieces) []commissary.Pick {
	open := slices.Clone(lots)
	var picks []commissary.Pick
	type given struct {
		lot    int
		pieces quantity.Pieces
	}
	byWindow := map[int][]given{} // by the first need of those that the same lots can serve
	wanted := map[int]quantity.Pieces{}
	var windows []int
	can := func(l, n int) bool {
		return !lots[l].old.Before(needs[n].MadeFrom) && !lots[l].young.After(needs[n].MadeTo)
	}
	// Vans reach shops minutes apart, so that hardly two windows are equal: which lots are in them counts.
	window := make([]int, len(needs))
	for i, n := range needs {
		first := i
		for j := i - 1; j >= 0; j-- {
			alike := true
			for l := range lots {
				alike = alike && can(l, i) == can(l, j)
			}
			if alike {
				first = window[j]
				break
			}
		}
		if window[i] = first; first == i {
			windows = append(windows, i)
		}
		wanted[first] += n.Pieces
	}
	for l := range open {
		for _, w := range windows {
			if !can(l, w) {
				continue
			}
			if give := min(open[l].Pieces, wanted[w]); give > 0 {
				byWindow[w] = append(byWindow[w], given{l, give})
				open[l].Pieces -= give
				wanted[w] -= give
			}
		}
	}
	for _, w := range windows {
		var members []commissary.Need
		var asked []quantity.Pieces
		var got, all quantity.Pieces
		for i, n := range needs {
			if window[i] == w {
				members, asked, all = append(members, n), append(asked, n.Pieces), all+n.Pieces
			}
		}
		for _, g := range byWindow[w] {
			got += g.pieces
		}
		if got < all {
			claims := make([]Claim, len(members))
			for i, n := range members {
				claims[i] = Claim{Shop: n.Shop, Asked: n.Pieces, Usual: k.usual(n)}
			}
			asked = Award(k.book.Kitchen.Shortage, got, claims, perBox)
		}
		supply := byWindow[w]
		for i, n := range members {
			for asked[i] > 0 && len(supply) > 0 {
				give := min(asked[i], supply[0].pieces)
				picks = append(picks, commissary.Pick{Run: n.Run, Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Lot: lots[supply[0].lot].Code, Pieces: give})
				asked[i] -= give
				if supply[0].pieces -= give; supply[0].pieces == 0 {
					supply = supply[1:]
				}
			}
		}
	}
	return picks
}

// usual is what a shop takes of an item on a weekday: what it sold, or where
// that is not known its standing order; 0 when it has none.
func (k *kitchen) usual(n commissary.Need) quantity.Pieces {
	for _, u := range k.in.Usual {
		if u.Shop == n.Shop && u.Item == n.Item && u.BakeDate == n.BakeDate {
			return u.Pieces
		}
	}
	var usual quantity.Pieces
	for _, s := range k.shops[n.Shop].Standing {
		if s.Item == n.Item && s.Days.Has(n.BakeDate.Weekday()) {
			usual += s.Pieces
		}
	}
	return usual
}

func rest(lots []agedLot, picks []commissary.Pick) []agedLot {
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

// merge adds up picks of one lot for one service.
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
	return merged
}

func (k *kitchen) whyShort(item commissary.Item, n commissary.Need, lots []agedLot) string {
	var young, old, warm quantity.Pieces
	var ready time.Time
	shop := k.shops[n.Shop]
	hours, _ := shop.HoursOn(n.BakeDate)
	end := k.zone.Instant(n.BakeDate, hours.To)
	for _, l := range lots {
		switch {
		case l.young.After(n.MadeTo):
			young += l.Pieces
			if t := l.young.Add(span(item.Window.Min)); ready.IsZero() || t.Before(ready) {
				ready = t
			}
		case l.Made.Add(span(item.Window.Max)).Before(end):
			old += l.Pieces
		case l.old.Before(n.MadeFrom):
			warm += l.Pieces
		}
	}
	switch {
	case young > 0:
		return fmt.Sprintf("%d more are on hand but not %v old before the first pull (the first is %s)", young, item.Window.Min, k.zone.Short(ready))
	case warm > 0 && item.Kind != commissary.Ball:
		return fmt.Sprintf("%d more are on hand but pass the date they are marked with before the last use", warm)
	case warm > 0:
		return fmt.Sprintf("%d more are on hand but pass their use-by before the last stretch: the walk-in of %s is at %s, the cold store at %s",
			warm, shop.Name, k.book.Kitchen.Units.Temp(shop.WalkIn), k.book.Kitchen.Units.Temp(k.book.ColdStore.Temp))
	case old > 0:
		return fmt.Sprintf("%d more are on hand but pass %v before the last stretch", old, item.Window.Max)
	}
	return "no more are on hand"
}

// brings writes what a run brings to a stop.
func (k *kitchen) brings(run string, stop commissary.ManifestStop, picks []commissary.Pick) commissary.ManifestStop {
	stop.Boxes, stop.Mass, stop.Lines = 0, 0, nil
	var allergens []commissary.Allergen
	for _, p := range picks {
		if p.Run != run || p.Shop != stop.Shop {
			continue
		}
		item := k.items[p.Item]
		line := commissary.ManifestLine{Item: p.Item, Lot: p.Lot, Pieces: p.Pieces, Boxes: p.Boxes(), UseFrom: p.UseFrom, Best: p.Best, UseBy: p.UseBy, Unsure: p.Unsure}
		stop.Boxes += line.Boxes
		stop.Mass += item.Mass*quantity.Mass(p.Pieces) + k.boxes[item.Container].Tare*quantity.Mass(line.Boxes)
		stop.Lines = append(stop.Lines, line)
		allergens = append(allergens, k.recipes[k.byID[item.Formula]].allergens...)
	}
	slices.Sort(allergens)
	stop.Allergens = slices.Compact(allergens)
	return stop
}
