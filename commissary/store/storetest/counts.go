package storetest

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func checkCounts(t *testing.T, s commissary.Store) {
	get := func(kitchen, shop string) func(commissary.Tx) (commissary.Count, error) {
		return func(tx commissary.Tx) (commissary.Count, error) { return tx.Counts(kitchen).Get(night, shop) }
	}
	missing(t, s, "COUNT_NOT_FOUND", get(here, "north"))
	c := commissary.Count{Night: night, Shop: "north", By: "manager", At: noon, Lines: []commissary.CountLine{
		{Item: "ball", Pieces: 5}, {Item: "ball", Made: night.AddDays(-1), Pieces: 24}, {Item: "sauce"}}}
	update(t, s, func(tx commissary.Tx) error { return tx.Counts(here).Put(c) })
	require.Equal(t, c, read(t, s, get(here, "north")))
	missing(t, s, "COUNT_NOT_FOUND", get(there, "north"))
	missing(t, s, "COUNT_NOT_FOUND", get(here, "south"))

	twice := c
	twice.Lines = append([]commissary.CountLine{{Item: "ball", Pieces: 1}}, c.Lines...)
	refuses(t, s, commissary.Invalid, "LINE_TWICE", func(tx commissary.Tx) error { return tx.Counts(here).Put(twice) })
	require.Equal(t, c, read(t, s, get(here, "north")))
	c.Lines = []commissary.CountLine{{Item: "ball", Pieces: 7}}
	update(t, s, func(tx commissary.Tx) error { return tx.Counts(here).Put(c) })
	require.Equal(t, c, read(t, s, get(here, "north")), "a count replaces the one before")

	sale := func(shop, item string, days, pieces int) commissary.Sale {
		return commissary.Sale{Shop: shop, Item: item, Day: night.AddDays(days), Pieces: quantity.Pieces(pieces), Kind: commissary.SaleSoldOut}
	}
	all := []commissary.Sale{sale("north", "ball", -1, 3), sale("north", "ball", 0, 4), sale("north", "sauce", -1, 5)}
	update(t, s, func(tx commissary.Tx) error {
		for _, v := range append(all, sale("south", "ball", 0, 9), sale("north", "ball", -9, 1)) {
			if err := tx.Counts(here).PutSale(v); err != nil {
				return err
			}
		}
		return nil
	})
	sales := func(since civil.Date) []commissary.Sale {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Sale, error) { return tx.Counts(here).Sales("north", since) })
	}
	require.Equal(t, all, sales(night.AddDays(-1)))
	all[1].Pieces, all[1].Kind = 40, commissary.SaleEvent
	update(t, s, func(tx commissary.Tx) error { return tx.Counts(here).PutSale(all[1]) })
	require.Equal(t, all, sales(night.AddDays(-1)), "a day is kept once")
	on := read(t, s, func(tx commissary.Tx) ([]commissary.Sale, error) {
		return tx.Counts(here).SalesOn("north", []civil.Date{night.AddDays(-1)})
	})
	require.Equal(t, []commissary.Sale{all[0], all[2]}, on)
}

func checkFits(t *testing.T, s commissary.Store) {
	sold := func(shop, item string, days int) {
		update(t, s, func(tx commissary.Tx) error {
			return tx.Counts(here).PutSale(commissary.Sale{Shop: shop, Item: item, Day: night.AddDays(days), Pieces: 1, Kind: commissary.SaleOrdinary})
		})
	}
	fit := func(shop, item string, days int) commissary.Fit {
		return commissary.Fit{Shop: shop, Item: item, Through: night.AddDays(days), Text: []byte(`{"days":1}`)}
	}
	due := func() []commissary.Fit {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Fit, error) {
			return tx.Counts(here).Unlearned(night.AddDays(-5))
		})
	}
	bare := func(f commissary.Fit) commissary.Fit { f.Text = nil; return f }
	for _, d := range []int{-9, -2, -1} {
		sold("north", "ball", d)
	}
	sold("north", "sauce", -3)
	sold("south", "ball", -2)
	sold("south", "sauce", -9)
	require.Equal(t, []commissary.Fit{bare(fit("north", "ball", -1)), bare(fit("north", "sauce", -3)), bare(fit("south", "ball", -2))}, due())
	for _, f := range []commissary.Fit{fit("north", "sauce", -3), fit("north", "ball", -2), fit("south", "ball", -2)} {
		update(t, s, func(tx commissary.Tx) error { return tx.Counts(here).PutFit(f) })
	}
	require.Equal(t, []commissary.Fit{bare(fit("north", "ball", -1))}, due(), "a day has come since")
	update(t, s, func(tx commissary.Tx) error { return tx.Counts(here).PutFit(fit("north", "ball", -1)) })
	require.Empty(t, due())
	fits := func() []commissary.Fit {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Fit, error) { return tx.Counts(here).Fits("north") })
	}
	require.Equal(t, []commissary.Fit{fit("north", "ball", -1), fit("north", "sauce", -3)}, fits())
	update(t, s, func(tx commissary.Tx) error { return tx.Counts(here).ForgetFit("north", "sauce") })
	update(t, s, func(tx commissary.Tx) error { return tx.Counts(here).ForgetFit("north", "sauce") })
	require.Len(t, fits(), 1)
	require.Len(t, due(), 1)
}

func checkKitchens(t *testing.T, s commissary.Store) {
	kitchens := func() []string { return read(t, s, commissary.Tx.Kitchens) }
	require.Empty(t, kitchens())
	adoptBook(t, s, here)
	adoptBook(t, s, there)
	require.Equal(t, []string{there, here}, kitchens())
}
