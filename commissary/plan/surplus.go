package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Spare is what a dispatch leaves of a lot, and what could become of it. It is
// a suggestion: nobody acts on it but people.
type Spare struct {
	Lot      string
	Item     string
	Pieces   quantity.Pieces
	BakeDate civil.Date // a later service that wants it; zero: none that is known
	Shop     string     // who wants it then, or could take it now; empty: nobody can use it in its window
}

// Surplus says what to do with what a dispatch leaves of the lots on hand: keep
// it for later services that want it and in whose windows it is, the earliest
// first; offer the rest to the shop on this delivery that usually takes most
// of the item and can use it. Lots on hold are left out. By item, then lot.
func Surplus(in Input, d commissary.Dispatch) ([]Spare, error) {
	k, err := openKitchen(in)
	if err != nil {
		return nil, err
	}
	needs, _ := k.demand()
	needs = slices.DeleteFunc(needs, func(n commissary.Need) bool {
		return k.deliveryOf(service{n.Shop, n.Item, n.BakeDate}).Compare(d.Delivery) <= 0
	})
	lots := rest(k.aged(canonical(in).Lots), d.Picks)
	slices.SortStableFunc(lots, func(a, b agedLot) int {
		return cmp.Or(cmp.Compare(a.Item, b.Item), a.Made.Compare(b.Made), cmp.Compare(a.Code, b.Code))
	})
	var spares []Spare
	for _, l := range lots {
		item, known := k.items[l.Item]
		if !known || l.Held != "" {
			continue
		}
		for i := range needs {
			n := &needs[i]
			take := min(l.Pieces, n.Pieces)
			if n.Item != l.Item || take <= 0 || l.old.Before(n.MadeFrom) || l.young.After(n.MadeTo) {
				continue
			}
			spares = append(spares, Spare{l.Code, l.Item, take, n.BakeDate, n.Shop})
			l.Pieces, n.Pieces = l.Pieces-take, n.Pieces-take
		}
		if l.Pieces <= 0 {
			continue
		}
		offer := Spare{Lot: l.Code, Item: l.Item, Pieces: l.Pieces}
		var most quantity.Pieces
		for _, shop := range k.book.Shops {
			n := commissary.Need{Shop: shop.ID, Item: l.Item, BakeDate: d.Delivery.AddDays(item.Ship.DeliverBefore), Pieces: l.Pieces}
			if _, ok := k.bind(&n); !ok || l.old.Before(n.MadeFrom) || l.young.After(n.MadeTo) {
				continue
			}
			if usual := k.usual(n); offer.Shop == "" || usual > most {
				offer.Shop, most = shop.ID, usual
			}
		}
		spares = append(spares, offer)
	}
	return spares, nil
}
