package server_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// What a shop usually sells on a weekday is served before what it asks for
// beyond it; an event and fewer than four weeks do not count.
func TestShortageIsSharedByTheUsualQuantity(t *testing.T) {
	share := func(sales ...*v1.Sale) map[string]int64 {
		k := open(t)
		k.stock() // 80 balls
		_, err := k.submit(east, "", line("ball", 90))
		require.NoError(t, err)
		_, err = k.submit(west, "", line("ball", 90))
		require.NoError(t, err)
		if len(sales) > 0 {
			_, err := k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: sales, RequestId: id()})
			require.NoError(t, err)
		}
		d, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
		require.NoError(t, err)
		checked, err := k.dispatches.CheckDispatch(t.Context(), &v1.CheckDispatchRequest{Night: night, Dispatch: d.GetDispatch()})
		require.NoError(t, err)
		require.Empty(t, checked.GetReasons())
		got := map[string]int64{}
		for _, l := range d.GetDispatch().GetLines() {
			if l.GetItemId() == "ball" {
				got[l.GetShopId()] += l.GetPickedPieces()
			}
		}
		require.Equal(t, int64(80), got["east"]+got["west"])
		return got
	}
	friday := func(day string, pieces int64, kind v1.SaleKind) *v1.Sale {
		return &v1.Sale{ShopId: "west", ItemId: "ball", Date: day, Pieces: pieces, Kind: kind}
	}
	ordinary := v1.SaleKind_SALE_KIND_UNSPECIFIED
	standing := share()
	require.Equal(t, map[string]int64{"east": 40, "west": 40}, standing, "the standing orders, 40 and 24, then alike")
	three := []*v1.Sale{friday("2026-11-20", 70, ordinary), friday("2026-11-13", 70, ordinary), friday("2026-11-06", 70, ordinary)}
	require.Equal(t, standing, share(three...))
	event := append(three, friday("2026-10-30", 900, v1.SaleKind_SALE_KIND_EVENT))
	require.Equal(t, standing, share(event...))
	thursday := append(three, friday("2026-10-29", 70, ordinary))
	require.Equal(t, standing, share(thursday...))
	known := share(append(three, friday("2026-10-30", 70, ordinary))...)
	require.Greater(t, known["west"], known["east"], "it sells 70 on a Friday")
}
