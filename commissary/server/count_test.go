package server_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// sales is half a year in which east sells more towards the weekend.
func sales(shop, item string, days int) []*v1.Sale {
	var all []*v1.Sale
	for d := days; d > 0; d-- {
		day := evening().AddDate(0, 0, -d)
		all = append(all, &v1.Sale{ShopId: shop, ItemId: item, Date: day.Format(time.DateOnly), Pieces: []int64{40, 20, 24, 28, 32, 60, 64}[day.Weekday()] + int64(d%3)})
	}
	return all
}

func TestCountAndProposal(t *testing.T) {
	k := open(t)
	propose := func(shop string, wanted ...*v1.OrderLine) map[string]*v1.ProposedLine {
		m, err := k.orders.ProposeOrder(t.Context(), &v1.ProposeOrderRequest{Night: night, ShopId: shop, Wanted: wanted})
		require.NoError(t, err)
		lines := map[string]*v1.ProposedLine{}
		for _, l := range m.GetLines() {
			lines[l.GetItemId()] = l
			if l.GetObstacle() != "" || l.GetWorking() == "" {
				continue
			}
			need := max(l.GetSellPieces()+l.GetSafetyPieces()-l.GetLeftPieces()-l.GetComingPieces(), 0)
			require.Equal(t, need, l.GetNeedPieces(), "the arithmetic adds up")
			require.GreaterOrEqual(t, l.GetPieces(), need)
			require.Less(t, l.GetPieces()-need, max(l.GetPiecesPerContainer(), 1))
		}
		return lines
	}

	ball := propose("east")["ball"]
	require.Contains(t, ball.GetBasis(), "no history")
	require.Equal(t, int64(40), ball.GetSellPieces(), "the standing order")
	require.Equal(t, "2026-11-27", ball.GetBakeDate())
	require.Equal(t, "2026-11-27", ball.GetToDate())
	require.Zero(t, ball.GetPieces()%ball.GetPiecesPerContainer())

	r, err := k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: sales("east", "ball", 182), RequestId: id()})
	require.NoError(t, err)
	require.Equal(t, int32(182), r.GetKept())
	learned := propose("east")["ball"]
	require.Contains(t, learned.GetBasis(), "182 days counted")
	require.InDelta(t, 61, learned.GetSellPieces(), 3, "Fridays sell about sixty")
	require.Zero(t, learned.GetLeftPieces())

	// Twenty of yesterday's are left and good for tomorrow; what is older than its window is not.
	count := func(night string, lines ...*v1.CountLine) (*v1.SubmitCountResponse, error) {
		return k.orders.SubmitCount(t.Context(), &v1.SubmitCountRequest{Night: night, ShopId: "east", Lines: lines, RequestId: id()})
	}
	_, err = count(night, &v1.CountLine{ItemId: "ball", MadeDate: "2026-11-25", Pieces: 20}, &v1.CountLine{ItemId: "ball", MadeDate: "2026-11-20", Pieces: 30})
	require.NoError(t, err)
	counted := propose("east")["ball"]
	require.Equal(t, int64(20), counted.GetLeftPieces())
	require.Equal(t, learned.GetSellPieces(), counted.GetSellPieces())
	require.Equal(t, int64(30), counted.GetLapsePieces())

	// What was sold follows from two counts in a row.
	k.clock.Set(evening().AddDate(0, 0, 1))
	next := main + "/nights/2026-11-27"
	c, err := count(next, &v1.CountLine{ItemId: "ball", Pieces: 12})
	require.NoError(t, err)
	require.Len(t, c.GetSales(), 1)
	require.Equal(t, int64(38), c.GetSales()[0].GetPieces())
	c, err = count(next)
	require.NoError(t, err)
	require.Equal(t, v1.SaleKind_SALE_KIND_SOLD_OUT, c.GetSales()[0].GetKind(), "nothing is left")

	// One that waited for a link says when it was made: it does not replace a newer one, and the day after
	// begins with it.
	sent := func(night string, at time.Time, pieces int64) *v1.SubmitCountResponse {
		c, err := k.orders.SubmitCount(t.Context(), &v1.SubmitCountRequest{Night: night, ShopId: "east", RequestId: id(),
			Lines: []*v1.CountLine{{ItemId: "ball", Pieces: pieces}}, CountTime: timestamppb.New(at)})
		require.NoError(t, err)
		return c
	}
	require.Equal(t, k.clock.Now().UTC(), sent(next, k.clock.Now().Add(-time.Hour), 7).GetNewerCountTime().AsTime())
	require.Nil(t, sent(next, k.clock.Now().Add(time.Hour), 5).GetNewerCountTime(), "a clock that goes fast")
	require.NotNil(t, sent(night, evening().Add(-time.Hour), 60).GetNewerCountTime(), "it was counted since")
	require.Nil(t, sent(night, evening().Add(time.Hour), 60).GetNewerCountTime())
	require.NoError(t, k.store.View(t.Context(), func(tx commissary.Tx) error {
		sold, err := tx.Counts("main").SalesOn("east", []civil.Date{{Year: 2026, Month: 11, Day: 27}})
		require.Equal(t, quantity.Pieces(55), sold[0].Pieces)
		return err
	}))

	// Refusals.
	for _, tc := range []struct {
		name, field string
		night       string
		line        []*v1.CountLine
	}{
		{"unknown item", "lines[0].item_id", night, []*v1.CountLine{{ItemId: "loaf"}}},
		{"twice", "lines[1]", night, []*v1.CountLine{{ItemId: "ball", Pieces: 1}, {ItemId: "ball", Pieces: 2}}},
		{"label to come", "lines[0].made_date", night, []*v1.CountLine{{ItemId: "ball", MadeDate: "2026-12-24"}}},
		{"night to come", "night", main + "/nights/2026-12-01", nil},
	} {
		_, err := count(tc.night, tc.line...)
		_, _, faults := refused(t, err, codes.InvalidArgument, "COUNT_INVALID")
		require.Equal(t, tc.field, faults[0].GetField(), tc.name)
	}
	_, err = k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, RequestId: id(), Sales: []*v1.Sale{
		{ShopId: "east", ItemId: "ball", Date: "2026-11-29", Pieces: 1}}})
	refused(t, err, codes.InvalidArgument, "SALES_INVALID")
	_, err = k.orders.ProposeOrder(t.Context(), &v1.ProposeOrderRequest{Night: night, ShopId: "south"})
	refused(t, err, codes.NotFound, "SHOP_NOT_FOUND")
}

func TestEventsAndUnusualQuantities(t *testing.T) {
	k := open(t)
	_, err := k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: sales("east", "ball", 182), RequestId: id()})
	require.NoError(t, err)
	ask := func(req *v1.ProposeOrderRequest) *v1.ProposedLine {
		req.Night, req.ShopId = night, "east"
		m, err := k.orders.ProposeOrder(t.Context(), req)
		require.NoError(t, err)
		return m.GetLines()[0]
	}
	plain := ask(&v1.ProposeOrderRequest{})
	party := ask(&v1.ProposeOrderRequest{Adjustments: []*v1.Adjustment{{Name: "street party", FromDate: "2026-11-27", ToDate: "2026-11-27", ChangePpm: 1_000_000}}})
	require.InDelta(t, 2*plain.GetSellPieces(), party.GetSellPieces(), 1)

	require.Empty(t, ask(&v1.ProposeOrderRequest{Wanted: []*v1.OrderLine{line("ball", 62)}}).GetQuestion())
	require.Contains(t, ask(&v1.ProposeOrderRequest{Wanted: []*v1.OrderLine{line("ball", 600)}}).GetQuestion(), "The last 8 Fridays")
}

func TestCatalogue(t *testing.T) {
	k := open(t)
	_, err := k.orders.ImportSales(t.Context(), &v1.ImportSalesRequest{Kitchen: main, Sales: sales("east", "ball", 60), RequestId: id()})
	require.NoError(t, err)
	get := func(shop, search string) []*v1.CatalogLine {
		m, err := k.orders.GetCatalog(t.Context(), &v1.GetCatalogRequest{Night: night, ShopId: shop, Search: search})
		require.NoError(t, err)
		return m.GetLines()
	}
	all := get("east", "")
	require.Equal(t, "ball", all[0].GetItemId())
	require.Equal(t, int64(40), all[0].GetParPieces())
	require.InDelta(t, 61, all[0].GetUsualPieces(), 2)
	require.Equal(t, at("2026-11-26T22:30:00-05:00").UTC(), all[0].GetCutOffTime().AsTime())
	require.Nil(t, get("west", "ball")[0].UsualPieces, "nobody counted there")
	require.Equal(t, "sauce-3kg", get("east", "sau")[0].GetItemId())
	require.Equal(t, "sauce-3kg", get("east", "s3k")[0].GetItemId())
	require.Empty(t, get("east", "xyz"))
	k.clock.Set(at("2026-11-26T22:30:01-05:00"))
	require.Contains(t, get("east", "")[0].GetObstacle(), "had to be in by")
}
