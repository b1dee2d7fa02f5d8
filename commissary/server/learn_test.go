package server_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// What was learned is kept, says the same as learning on the spot, is learned
// again when sales come in.
func TestFitsAreKept(t *testing.T) {
	k := open(t)
	take := func(shop, item string, days int) {
		_, err := k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: sales(shop, item, days), RequestId: id()})
		require.NoError(t, err)
	}
	propose := func(n string) *v1.ProposeOrderResponse {
		m, err := k.orders.ProposeOrder(t.Context(), &v1.ProposeOrderRequest{Night: n, ShopId: "east"})
		require.NoError(t, err)
		return m
	}
	take("east", "ball", 182)
	take("east", "sauce-3kg", 90)
	onTheSpot := propose(night)
	require.NoError(t, k.service.LearnDue(t.Context()))
	same(t, onTheSpot, propose(night))

	// Sales taken in later make a fit worthless.
	for _, s := range sales("east", "ball", 30) {
		s.Pieces *= 3
		_, err := k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: []*v1.Sale{s}, RequestId: id()})
		require.NoError(t, err)
	}
	tripled := propose(night)
	require.Greater(t, tripled.GetLines()[0].GetSellPieces(), onTheSpot.GetLines()[0].GetSellPieces()*3/2)
	require.NoError(t, k.service.LearnDue(t.Context()))
	same(t, tripled, propose(night))

	// A night before what was learned is proposed from what was known then.
	past := main + "/nights/2026-11-10"
	k.clock.Set(evening().AddDate(0, 0, 1))
	before := propose(past)
	require.NotEqual(t, tripled.GetLines()[0].GetBasis(), before.GetLines()[0].GetBasis())
}

// The book's holidays and events are in the forecast and in its arithmetic,
// for the shops and items they name, and are not learned from.
func TestBookAdjustments(t *testing.T) {
	k := open(t)
	_, err := k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: append(sales("east", "ball", 182), sales("west", "ball", 182)...), RequestId: id()})
	require.NoError(t, err)
	ball := func(shop string) *v1.ProposedLine {
		m, err := k.orders.ProposeOrder(t.Context(), &v1.ProposeOrderRequest{Night: night, ShopId: shop})
		require.NoError(t, err)
		return m.GetLines()[0]
	}
	plain, other := ball("east"), ball("west")
	k.adopt("1", "scales:\n", `adjustments:
  fair: {name: Street fair, from: 2026-11-27, shops: [east], items: [ball], change: +50 %, pieces: 10}
  sale: {name: Sauce week, from: 2026-11-20, to: 2026-11-30, items: [sauce-3kg], change: +50 %}
scales:
`)
	fair := ball("east")
	require.InDelta(t, plain.GetSellPieces()*3/2+10, fair.GetSellPieces(), 1)
	require.Len(t, fair.GetChanges(), 1)
	require.Equal(t, "Street fair", fair.GetChanges()[0].GetName())
	require.InDelta(t, fair.GetSellPieces()-plain.GetSellPieces(), fair.GetChanges()[0].GetPieces(), 1)
	same(t, other, ball("west"))

	// Once it is over its day is no ordinary Friday.
	k.adopt("2", "scales:\n", "adjustments:\n  fair: {name: Street fair, from: 2026-11-20, change: +500 %}\nscales:\n")
	friday := &v1.Sale{ShopId: "east", ItemId: "ball", Date: "2026-11-20", Pieces: 900}
	_, err = k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: []*v1.Sale{friday}, RequestId: id()})
	require.NoError(t, err)
	require.InDelta(t, plain.GetSellPieces(), ball("east").GetSellPieces(), 3)
}
