package server_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/server"
	v1 "doughrun/proto/doughrun/v1"
)

func TestAdoptBook(t *testing.T) {
	k := start(t)
	text := book(t)
	adopt := func(etag string, text []byte) (*v1.AdoptBookResponse, error) {
		return k.books.AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: text, FileName: "kitchen.yaml", Etag: etag, RequestId: id()})
	}
	_, err := k.nights.GetNight(t.Context(), &v1.GetNightRequest{Name: night})
	refused(t, err, codes.NotFound, "KITCHEN_NOT_FOUND")
	_, err = k.plans.DraftPlan(t.Context(), &v1.DraftPlanRequest{Night: night})
	refused(t, err, codes.FailedPrecondition, "NO_BOOK")

	_, err = adopt("", bytes.Replace(text, []byte("unload: 5 min"), []byte("unlaod: 5 min"), 1))
	_, _, faults := refused(t, err, codes.InvalidArgument, "BOOK_INVALID")
	require.Contains(t, faults[0].GetField(), "kitchen.yaml:")
	_, err = adopt("", bytes.Replace(text, []byte("id: main"), []byte("id: other"), 1))
	refused(t, err, codes.InvalidArgument, "KITCHEN_DIFFERS")
	_, err = adopt("", bytes.Repeat([]byte("#"), 1<<20+1))
	refused(t, err, codes.InvalidArgument, "FIELDS_INVALID")
	_, err = adopt("1", text)
	refused(t, err, codes.Aborted, "ETAG_STALE")

	first, err := adopt("", text)
	require.NoError(t, err)
	require.Equal(t, main+"/books/1", first.GetRevision().GetName())
	_, err = adopt("", text)
	refused(t, err, codes.Aborted, "ETAG_MISSING")
	second, err := adopt("1", bytes.Replace(text, []byte("East Side"), []byte("East Gate"), 1))
	require.NoError(t, err)
	require.Equal(t, "2", second.GetRevision().GetEtag())

	got, err := k.books.GetBook(t.Context(), &v1.GetBookRequest{Name: main + "/books/1"})
	require.NoError(t, err)
	require.Equal(t, text, got.GetSource(), "byte for byte")
	require.Equal(t, "East Side", got.GetCatalogue().GetShops()[0].GetName())
	got, err = k.books.GetBook(t.Context(), &v1.GetBookRequest{Name: main + "/books/newest"})
	require.NoError(t, err)
	require.Equal(t, int32(2), got.GetRevision().GetRevision())
	require.Equal(t, "East Gate", got.GetCatalogue().GetShops()[0].GetName())
	_, err = k.books.GetBook(t.Context(), &v1.GetBookRequest{Name: main + "/books/3"})
	refused(t, err, codes.NotFound, "BOOK_NOT_FOUND")
	list, err := k.books.ListBookRevisions(t.Context(), &v1.ListBookRevisionsRequest{Kitchen: main})
	require.NoError(t, err)
	require.Len(t, list.GetRevisions(), 2)
	require.Equal(t, int32(2), list.GetRevisions()[0].GetRevision(), "newest first")
}

func TestCountStock(t *testing.T) {
	k := open(t)
	made := stamp(evening().Add(-48 * time.Hour))
	count := func(counts ...*v1.StockCount) ([]*v1.Lot, error) {
		r, err := k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, Counts: counts, RequestId: id()})
		return r.GetLots(), err
	}
	lots, err := count(&v1.StockCount{LotCode: "B-24", ItemId: "ball", Pieces: 80, MadeTime: made},
		&v1.StockCount{LotCode: "P-26", FormulaId: "poolish", MassMg: 12_000_000, MadeTime: made})
	require.NoError(t, err)
	require.Equal(t, "dough", lots[0].GetFormulaId())
	lots, err = count(&v1.StockCount{LotCode: "B-24", ItemId: "ball", Pieces: 72, MadeTime: made})
	require.NoError(t, err)
	got, err := k.lots.GetLot(t.Context(), &v1.GetLotRequest{Name: main + "/lots/B-24"})
	require.NoError(t, err)
	same(t, lots[0], got.GetLot())
	var sum int64
	for _, m := range got.GetMovements() {
		require.Equal(t, v1.MovementKind_MOVEMENT_KIND_COUNTED, m.GetKind())
		sum += m.GetPieces()
	}
	require.Equal(t, int64(72), sum)
	require.Len(t, got.GetMovements(), 2)

	late := stamp(evening().Add(time.Second))
	for _, tc := range []struct {
		name, field string
		count       *v1.StockCount
	}{
		{"unknown item", "item_id", &v1.StockCount{LotCode: "X", ItemId: "loaf", Pieces: 1, MadeTime: made}},
		{"unknown formula", "formula_id", &v1.StockCount{LotCode: "X", FormulaId: "biga", MassMg: 1, MadeTime: made}},
		{"item by mass", "mass_mg", &v1.StockCount{LotCode: "X", ItemId: "ball", MassMg: 1, MadeTime: made}},
		{"poolish by pieces", "pieces", &v1.StockCount{LotCode: "X", FormulaId: "poolish", Pieces: 1, MadeTime: made}},
		{"made tomorrow", "made_time", &v1.StockCount{LotCode: "X", ItemId: "ball", Pieces: 1, MadeTime: late}},
		{"other item", "", &v1.StockCount{LotCode: "B-24", ItemId: "sauce-3kg", Pieces: 1, MadeTime: made}},
		{"other age", "made_time", &v1.StockCount{LotCode: "B-24", ItemId: "ball", Pieces: 1, MadeTime: stamp(evening())}},
		{"misread label", "lot_code", &v1.StockCount{LotCode: wrong(commissary.LotCode("20261125-01", 1)), ItemId: "ball", Pieces: 1, MadeTime: made}},
		{"nameless", "", &v1.StockCount{LotCode: "X", Pieces: 1, MadeTime: made}},
		{"negative", "pieces", &v1.StockCount{LotCode: "X", ItemId: "ball", Pieces: -1, MadeTime: made}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := count(&v1.StockCount{LotCode: "G-1", ItemId: "ball", Pieces: 1, MadeTime: made}, tc.count)
			require.Equal(t, codes.InvalidArgument, status.Code(err))
			_, _, faults := refused(t, err, codes.InvalidArgument, reasonOf(err))
			require.Contains(t, faults[0].GetField(), "counts[1]")
			require.Contains(t, faults[0].GetField(), tc.field)
		})
	}
	_, err = count(&v1.StockCount{LotCode: "G-1", ItemId: "ball", Pieces: 1, MadeTime: made}, &v1.StockCount{LotCode: "G-1", ItemId: "ball", Pieces: 2, MadeTime: made})
	refused(t, err, codes.InvalidArgument, "COUNT_INVALID")
	_, err = k.lots.GetLot(t.Context(), &v1.GetLotRequest{Name: main + "/lots/G-1"})
	refused(t, err, codes.NotFound, "LOT_NOT_FOUND")

	_, err = count(&v1.StockCount{LotCode: "P-26", FormulaId: "poolish", MadeTime: made})
	require.NoError(t, err, "none left")
	all, err := k.lots.ListLots(t.Context(), &v1.ListLotsRequest{Kitchen: main})
	require.NoError(t, err)
	require.Len(t, all.GetLots(), 2)
	left, err := k.lots.ListLots(t.Context(), &v1.ListLotsRequest{Kitchen: main, OnHandOnly: true})
	require.NoError(t, err)
	require.Len(t, left.GetLots(), 1)
}

// wrong changes the check character of a lot code.
func wrong(code string) string {
	last := "0"
	if strings.HasSuffix(code, last) {
		last = "1"
	}
	return code[:len(code)-1] + last
}

func TestTheRecordOfChanges(t *testing.T) {
	k := open(t)
	for i := range 3 {
		_, err := k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
			{LotCode: []string{"A1", "A10", "A1"}[i], ItemId: "ball", Pieces: int64(10 + i), MadeTime: stamp(evening())}}})
		require.NoError(t, err)
	}
	list, err := k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: main + "/lots/A1", PageSize: 1})
	require.NoError(t, err)
	require.Equal(t, int64(2), list.GetChanges()[0].GetSequence())
	list, err = k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: main + "/lots/A1", PageSize: 1, PageToken: list.GetNextPageToken()})
	require.NoError(t, err)
	require.Equal(t, int64(4), list.GetChanges()[0].GetSequence(), "and not that of A10")
	require.Empty(t, list.GetNextPageToken())

	v, err := k.audit.VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
	require.NoError(t, err)
	require.Equal(t, int64(4), v.GetVerified())
	require.Zero(t, v.GetBrokenSequence())
	require.Equal(t, list.GetChanges()[0].GetHash(), v.GetLastHash())
}

func TestTheServiceIsHealthyAndRefusesWhatIsTooLarge(t *testing.T) {
	k := open(t)
	h, err := healthv1.NewHealthClient(k.conn).Check(t.Context(), &healthv1.HealthCheckRequest{Service: "doughrun.v1.OrderService"})
	require.NoError(t, err)
	require.Equal(t, healthv1.HealthCheckResponse_SERVING, h.GetStatus())
	_, err = k.books.AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: make([]byte, 5<<20), RequestId: id()}, grpc.MaxCallSendMsgSize(10<<20))
	require.Equal(t, codes.ResourceExhausted, status.Code(err))
	require.Contains(t, k.log.String(), "method=/doughrun.v1.KitchenService/AdoptBook caller=local code=OK")
}

func TestCallsEndAtTheirLimit(t *testing.T) {
	k := start(t, func(o *server.Options) { o.CallLimit = time.Nanosecond })
	_, err := k.nights.GetNight(t.Context(), &v1.GetNightRequest{Name: night})
	require.Contains(t, []codes.Code{codes.DeadlineExceeded, codes.Unavailable}, status.Code(err), fmt.Sprint(err))
}
