package server

import (
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// The usual quantity is the mean over the same weekday of the last weeks, of
// at least so many of them.
const (
	usualWeeks = 8
	usualLeast = 4
)

// usual is what shops usually sell for the services that a night's delivery is
// for: the mean over the same weekday, events and closed days left out. A shop
// with too few such days has none.
func (k *kitchen) usual(tx commissary.Tx, night civil.Date) ([]commissary.Expected, error) {
	serves := func(it commissary.Item) civil.Date { return night.AddDays(1 + it.Ship.DeliverBefore) }
	var days []civil.Date
	for _, it := range k.Items {
		for w := 1; w <= usualWeeks; w++ {
			days = append(days, serves(it).AddDays(-7*w))
		}
	}
	slices.SortFunc(days, civil.Date.Compare)
	days = slices.Compact(days)
	var all []commissary.Expected
	for _, shop := range k.Book.Shops {
		sales, err := tx.Counts(k.id()).SalesOn(shop.ID, days)
		if err != nil {
			return nil, err
		}
		for _, it := range k.Items {
			var sum, seen int64
			for _, s := range sales {
				if s.Item == it.ID && s.Day.Weekday() == serves(it).Weekday() && (s.Kind == commissary.SaleOrdinary || s.Kind == commissary.SaleSoldOut) {
					sum, seen = sum+int64(s.Pieces), seen+1
				}
			}
			if seen < usualLeast {
				continue
			}
			mean, err := quantity.MulDiv(sum, 1, seen, quantity.Nearest)
			if err != nil {
				return nil, err
			}
			if mean > 0 {
				all = append(all, commissary.Expected{Shop: shop.ID, Item: it.ID, BakeDate: serves(it), Pieces: quantity.Pieces(mean)})
			}
		}
	}
	return all, nil
}
