package server_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary/quantity"
	"doughrun/commissary/sheet"
	v1 "doughrun/proto/doughrun/v1"
)

// baking returns a kitchen with a released plan, and its first dough batch
// that takes poolish from the tub; the clock stands at its loading.
func baking(t *testing.T) (*kitchen, *v1.Batch) {
	k := closed(t)
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	var dough *v1.Batch
	for _, b := range k.posted() {
		if b.GetFormulaId() == "dough" && b.GetUses()[0].GetLotCode() == "P-26" && (dough == nil || b.GetId() < dough.GetId()) {
			dough = b
		}
	}
	require.NotNil(t, dough)
	for _, s := range dough.GetSteps() {
		if s.GetKind() == v1.StepKind_STEP_KIND_MIX {
			k.clock.Set(s.GetStartTime().AsTime())
		}
	}
	return k, dough
}

func (k *kitchen) begin(b *v1.Batch) *v1.Batch {
	k.t.Helper()
	r, err := k.batches.StartBatch(k.t.Context(), &v1.StartBatchRequest{Name: b.GetName(), Etag: b.GetEtag(), RequestId: id()})
	require.NoError(k.t, err)
	return r.GetBatch()
}

func (k *kitchen) finish(b *v1.Batch, change func(*v1.FinishBatchRequest)) (*v1.FinishBatchResponse, error) {
	req := &v1.FinishBatchRequest{Name: b.GetName(), Etag: b.GetEtag(), RequestId: id()}
	if change != nil {
		change(req)
	}
	return k.batches.FinishBatch(k.t.Context(), req)
}

func (k *kitchen) wait(d time.Duration) { k.clock.Set(k.clock.Now().Add(d)) }

func (k *kitchen) receive(ingredient, code string, kg int64, change func(*v1.ReceiveLotRequest)) *v1.Lot {
	k.t.Helper()
	req := &v1.ReceiveLotRequest{Kitchen: main, IngredientId: ingredient, PrintedCode: code, Supplier: "Hollow Mill", MassMg: kg * 1_000_000, RequestId: id()}
	if change != nil {
		change(req)
	}
	r, err := k.lots.ReceiveLot(k.t.Context(), req)
	require.NoError(k.t, err)
	return r.GetLot()
}

func (k *kitchen) use(ingredient, lot string, kind v1.InUseKind) (*v1.ChangeLotInUseResponse, error) {
	return k.lots.ChangeLotInUse(k.t.Context(), &v1.ChangeLotInUseRequest{Kitchen: main, IngredientId: ingredient, LotCode: lot, Kind: kind, RequestId: id()})
}

func (k *kitchen) lot(code string) *v1.GetLotResponse {
	k.t.Helper()
	r, err := k.lots.GetLot(k.t.Context(), &v1.GetLotRequest{Name: main + "/lots/" + code})
	require.NoError(k.t, err)
	return r
}

func (k *kitchen) move(code, from, to string, pieces int64, reason string) error {
	_, err := k.lots.MoveLot(k.t.Context(), &v1.MoveLotRequest{Name: main + "/lots/" + code, From: from, To: to, Pieces: pieces, Reason: reason, RequestId: id()})
	return err
}

func TestFinishRecordsWhatCameOut(t *testing.T) {
	k, b := baking(t)
	planned := b.GetMakes()[0].GetPieces()
	begun := k.begin(b)
	started := k.clock.Now()
	for _, tc := range []struct {
		name   string
		clock  time.Duration
		change func(*v1.FinishBatchRequest)
		code   codes.Code
		reason string
	}{
		{"clock went backwards", -time.Minute, nil, codes.FailedPrecondition, "CLOCK_BACKWARDS"},
		{"more than the dough gives", time.Hour, func(r *v1.FinishBatchRequest) {
			r.Confirm, r.Actual = true, &v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: planned * 2}}}
		}, codes.FailedPrecondition, "TOO_MANY_PIECES"},
		{"far fewer", time.Hour, func(r *v1.FinishBatchRequest) {
			r.Actual = &v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: planned / 2}}}
		}, codes.FailedPrecondition, "FAR_FROM_PLAN"},
		{"far too warm", time.Hour, func(r *v1.FinishBatchRequest) {
			r.Actual = &v1.BatchActual{DoughTempMillicelsius: proto.Int32(26_001)}
		}, codes.FailedPrecondition, "FAR_FROM_PLAN"},
		{"an item of another formula", time.Hour, func(r *v1.FinishBatchRequest) {
			r.Actual = &v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "sauce-3kg", Pieces: 1}}}
		}, codes.InvalidArgument, "OUTCOME_INVALID"},
		{"mixed before it began", time.Hour, func(r *v1.FinishBatchRequest) {
			r.Actual = &v1.BatchActual{MixEndTime: stamp(started.Add(-time.Minute))}
		}, codes.InvalidArgument, "OUTCOME_INVALID"},
		{"a lot nobody received, by what is printed", time.Hour, func(r *v1.FinishBatchRequest) { r.Actual = &v1.BatchActual{LotCodes: []string{"W-471"}} }, codes.InvalidArgument, "LOT_UNKNOWN"},
		{"a lot nobody received", time.Hour, func(r *v1.FinishBatchRequest) { r.Actual = &v1.BatchActual{LotCodes: []string{"L-9"}} }, codes.InvalidArgument, "LOT_UNKNOWN"},
	} {
		k.clock.Set(started.Add(tc.clock))
		_, err := k.finish(begun, tc.change)
		s, _, _ := refused(t, err, tc.code, tc.reason)
		t.Log(tc.name, ":", s.Message())
	}
	// At the limit nobody is asked.
	noted := k.receive("flour", "W 471", 500, nil)
	out, err := k.finish(begun, func(r *v1.FinishBatchRequest) {
		r.Actual = &v1.BatchActual{LotCodes: []string{"W-471"}, DoughTempMillicelsius: proto.Int32(26_000), Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: planned - 1}}}
	})
	require.NoError(t, err)
	o := out.GetBatch().GetOutcomes()[0]
	require.Equal(t, int32(26_000), o.GetDoughTempMillicelsius())
	require.Empty(t, o.GetFarFromPlan())
	lot := out.GetLots()[0]
	require.Equal(t, planned-1, lot.GetPieces())
	require.Less(t, k.lot(noted.GetCode()).GetLot().GetMassMg(), noted.GetMassMg(), "what is printed on the sack will do")

	// Finished twice; by two bakers at once, one of whom read it before.
	_, err = k.finish(out.GetBatch(), nil)
	s, _, _ := refused(t, err, codes.FailedPrecondition, "BATCH_OUT")
	require.Contains(t, s.Message(), "recorded by local")
	require.Regexp(t, `since \w{3} 27 Nov \d\d:\d\d -05:00`, s.Message(), "on the kitchen's clock")
	_, err = k.finish(begun, nil)
	refused(t, err, codes.FailedPrecondition, "BATCH_OUT")

	// A correction changes the lot by the difference, and erases nothing.
	require.NoError(t, k.move(lot.GetCode(), "", "van/round/east", planned-5, ""))
	correct := func(pieces int64) (*v1.CorrectBatchResponse, error) {
		now, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: b.GetName()})
		require.NoError(t, err)
		return k.batches.CorrectBatch(t.Context(), &v1.CorrectBatchRequest{Name: b.GetName(), Etag: now.GetBatch().GetEtag(), RequestId: id(), Reason: "miscounted",
			Confirm: true, Actual: &v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: pieces}}}})
	}
	_, err = correct(planned - 6)
	refused(t, err, codes.FailedPrecondition, "LOT_OVERDRAWN") // they are on the van
	corrected, err := correct(planned - 3)
	require.NoError(t, err)
	require.Len(t, corrected.GetBatch().GetOutcomes(), 2)
	require.Equal(t, planned-1, corrected.GetBatch().GetOutcomes()[0].GetPieces()[0].GetPieces())
	require.Equal(t, int64(2), corrected.GetLots()[0].GetPieces())
	moves := k.lot(lot.GetCode()).GetMovements()
	require.Equal(t, v1.MovementKind_MOVEMENT_KIND_CORRECTED, moves[len(moves)-1].GetKind())
	require.Equal(t, int64(-2), moves[len(moves)-1].GetPieces())
	require.Equal(t, "miscounted", moves[len(moves)-1].GetReason())
}

// Two bakers press finish in the same second: one record stands, the other is
// told whose, and what came out is counted once.
func TestTwoBakersFinishAtOnce(t *testing.T) {
	k, b := baking(t)
	begun := k.begin(b)
	k.wait(time.Hour)
	planned := b.GetMakes()[0].GetPieces()
	const bakers = 2
	type said struct {
		out *v1.FinishBatchResponse
		err error
	}
	start, answers := make(chan struct{}), make(chan said)
	for i := range int64(bakers) {
		req := &v1.FinishBatchRequest{Name: b.GetName(), Etag: begun.GetEtag(), RequestId: id(),
			Actual: &v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: planned - i}}}}
		go func() {
			<-start
			out, err := k.batches.FinishBatch(context.Background(), req)
			answers <- said{out, err}
		}()
	}
	close(start)
	var won []*v1.FinishBatchResponse
	for range bakers {
		a := <-answers
		if a.err == nil {
			won = append(won, a.out)
			continue
		}
		s, _, _ := refused(t, a.err, codes.FailedPrecondition, "BATCH_OUT")
		require.Contains(t, s.Message(), "recorded by local")
	}
	require.Len(t, won, 1)
	now, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: b.GetName()})
	require.NoError(t, err)
	require.Len(t, now.GetBatch().GetOutcomes(), 1)
	require.True(t, proto.Equal(won[0].GetBatch(), now.GetBatch()))
	lot := k.lot(won[0].GetLots()[0].GetCode())
	require.Len(t, lot.GetMovements(), 1)
	require.Equal(t, won[0].GetBatch().GetOutcomes()[0].GetPieces()[0].GetPieces(), lot.GetLot().GetPieces())
}

// A lot past its use-by is refused at the finish, or taken with a reason that
// stays with the batch.
func TestAnExpiredLotAtTheFinish(t *testing.T) {
	k, b := baking(t)
	k.receive("salt", "S-2", 50, func(r *v1.ReceiveLotRequest) { r.UseByDate = "2026-11-26" })
	begun := k.begin(b)
	k.wait(time.Hour)
	salt := []string{"salt.S-2"}
	_, err := k.finish(begun, func(r *v1.FinishBatchRequest) { r.Actual = &v1.BatchActual{LotCodes: salt} })
	s, _, _ := refused(t, err, codes.FailedPrecondition, "LOT_EXPIRED")
	require.Contains(t, s.Message(), "salt.S-2")
	require.Equal(t, int64(50_000_000), k.lot("salt.S-2").GetLot().GetMassMg(), "nothing was taken")
	out, err := k.finish(begun, func(r *v1.FinishBatchRequest) {
		r.Actual, r.ExpiredReason = &v1.BatchActual{LotCodes: salt}, "salt keeps"
	})
	require.NoError(t, err)
	require.Less(t, k.lot("salt.S-2").GetLot().GetMassMg(), int64(50_000_000))
	kept, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: out.GetBatch().GetName()})
	require.NoError(t, err)
	require.Equal(t, "salt keeps", kept.GetBatch().GetOutcomes()[0].GetReason())
}

// A shop complains of a ball: its lot names the batch, whose sheet is there to
// read, and the other lots that came out of it.
func TestAComplaintLeadsToTheSheetAndTheSisters(t *testing.T) {
	k := open(t)
	ball := string(book(t))
	ball = ball[strings.Index(ball, "  ball:\n"):strings.Index(ball, "  sauce-3kg:\n    name")]
	k.rewrite("items:\n", "items:\n"+strings.NewReplacer("  ball:", "  small:", "Ball 250 g", "Small ball", "mass: 250 g", "mass: 180 g").Replace(ball))
	out, err := k.made(91, "dough", "mixer", "ball", 100, 254*quantity.Gram, nil, func(r *v1.FinishBatchRequest) {
		r.Confirm, r.Actual = true, &v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: 60}, {ItemId: "small", Pieces: 50}}}
	})
	require.NoError(t, err)
	require.Len(t, out.GetLots(), 2)
	complained, sister := out.GetLots()[0].GetCode(), out.GetLots()[1].GetCode()
	require.NoError(t, k.move(complained, "", "van/round/east", 20, ""))
	require.NoError(t, k.move(complained, "van/round/east", "east", 20, ""))
	tr, err := k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: main + "/lots/" + complained})
	require.NoError(t, err)
	require.Equal(t, []string{sister}, tr.GetSisterCodes())
	page := sheet.Trace(tr)
	require.Contains(t, page, out.GetBatch().GetId(), "what doughrun batch sheet asks for")
	require.Contains(t, page, sister)
	got, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: out.GetBatch().GetName()})
	require.NoError(t, err)
	require.NotEmpty(t, got.GetSheet().GetLines())
}

func TestScrap(t *testing.T) {
	k, b := baking(t)
	begun := k.begin(b)
	before := k.lot("P-26").GetLot().GetMassMg()
	k.wait(30 * time.Minute)
	out, err := k.batches.ScrapBatch(t.Context(), &v1.ScrapBatchRequest{Name: b.GetName(), Etag: begun.GetEtag(), RequestId: id(), Reason: "salt forgotten"})
	require.NoError(t, err)
	require.Equal(t, v1.BatchState_BATCH_STATE_SCRAPPED, out.GetBatch().GetState())
	require.Equal(t, "salt forgotten", out.GetBatch().GetScrapReason())
	require.Equal(t, before-b.GetUses()[0].GetMassMg(), k.lot("P-26").GetLot().GetMassMg(), "the poolish is gone all the same")
	_, err = k.finish(out.GetBatch(), nil)
	refused(t, err, codes.FailedPrecondition, "BATCH_SCRAPPED")
	// The dough is wanted still: planned again, it is made.
	again, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	for _, other := range again.GetPlan().GetBatches() {
		require.NotEqual(t, b.GetId(), other.GetId())
	}
	v, err := k.batches.ListVariances(t.Context(), &v1.ListVariancesRequest{Kitchen: main, FirstNightDate: "2026-11-26", LastNightDate: "2026-11-26"})
	require.NoError(t, err)
	require.Len(t, v.GetVariances(), 1)
	require.Equal(t, int32(1), v.GetVariances()[0].GetScrapped())
	require.Equal(t, "morning", v.GetVariances()[0].GetShiftId())
}

func TestLotsGoWhereTheyMay(t *testing.T) {
	k := open(t)
	k.stock()
	const lot = "B-25A" // 60 balls
	require.NoError(t, k.move(lot, "", "van/round/east", 40, ""))
	require.NoError(t, k.move(lot, "van/round/east", "east", 38, ""))
	require.NoError(t, k.move(lot, "east", "west", 8, ""))
	for _, tc := range []struct {
		from, to string
		pieces   int64
		reason   string
		code     codes.Code
		want     string
	}{
		{"", "van/round/east", 21, "", codes.FailedPrecondition, "LOT_OVERDRAWN"},
		{"west", "kitchen", 2, "not sold", codes.FailedPrecondition, "MOVE_REFUSED"},
		{"west", "van/round/west", 2, "", codes.FailedPrecondition, "MOVE_REFUSED"},
		{"returns", "east", 2, "", codes.FailedPrecondition, "MOVE_REFUSED"},
		{"", "kitchen", 2, "", codes.FailedPrecondition, "MOVE_REFUSED"},
		{"west", "returns", 2, "", codes.FailedPrecondition, "REASON_MISSING"},
		{"", "waste", 2, "", codes.FailedPrecondition, "REASON_MISSING"},
		{"", "north", 2, "", codes.InvalidArgument, "MOVE_INVALID"},
		{"", "van/tour/east", 2, "", codes.InvalidArgument, "MOVE_INVALID"},
		{"", "east", 0, "", codes.InvalidArgument, "MOVE_INVALID"},
	} {
		refused(t, k.move(lot, tc.from, tc.to, tc.pieces, tc.reason), tc.code, tc.want)
	}
	require.NoError(t, k.move(lot, "west", "returns", 3, "lid was off"))
	require.NoError(t, k.move(lot, "returns", "waste", 3, "lid was off"))
	got := k.lot(lot)
	where := map[string]int64{}
	for _, s := range got.GetLot().GetStocks() {
		where[s.GetPlace()] = s.GetPieces()
	}
	require.Equal(t, map[string]int64{"kitchen": 20, "van/round/east": 2, "east": 30, "west": 5}, where)
	at, err := k.lots.ListLots(t.Context(), &v1.ListLotsRequest{Kitchen: main, Place: "west"})
	require.NoError(t, err)
	require.Len(t, at.GetLots(), 1)
	require.Equal(t, int64(5), at.GetLots()[0].GetPieces())

	// The planner sees what is at the kitchen.
	tr, err := k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: main + "/lots/" + lot})
	require.NoError(t, err)
	b := tr.GetLots()[0].GetBalance()
	require.Equal(t, []int64{60, 35, 22, 0, 3, 0}, []int64{b.GetCameIn(), b.GetDelivered(), b.GetOnHand(), b.GetUsed(), b.GetWasted(), b.GetUnknown()})
	_, err = k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
		{LotCode: lot, ItemId: "ball", Pieces: 17, MadeTime: stamp(at0(got)), VarianceReason: "a box fell"}}})
	require.NoError(t, err)
	tr, err = k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: main + "/lots/" + lot})
	require.NoError(t, err)
	require.Equal(t, int64(3), tr.GetLots()[0].GetBalance().GetUnknown())
}

func at0(r *v1.GetLotResponse) time.Time { return r.GetLot().GetMadeTime().AsTime() }

func TestIngredientLots(t *testing.T) {
	k, b := baking(t)
	open := v1.InUseKind_IN_USE_KIND_OPENED
	flour := k.receive("flour", "L/101 a", 500, nil)
	require.Equal(t, "flour.L-101-a", flour.GetCode())
	require.Equal(t, int64(700_000_000), k.receive("flour", "L/101 a", 200, nil).GetMassMg(), "a second delivery of one lot")
	_, err := k.lots.ReceiveLot(t.Context(), &v1.ReceiveLotRequest{Kitchen: main, IngredientId: "flour", PrintedCode: "L/101 a", Supplier: "Other", MassMg: 1, RequestId: id()})
	refused(t, err, codes.FailedPrecondition, "LOT_DIFFERS")

	// People type what is printed on the sack, as long as it says which.
	printed := main + "/lots/L-101-a"
	got, err := k.lots.GetLot(t.Context(), &v1.GetLotRequest{Name: printed})
	require.NoError(t, err)
	require.Equal(t, flour.GetCode(), got.GetLot().GetCode())
	traced, err := k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: printed})
	require.NoError(t, err)
	require.Equal(t, flour.GetCode(), traced.GetLots()[0].GetLot().GetCode())
	k.receive("yeast", "L/101 a", 1, nil)
	for _, ask := range []func() error{
		func() error {
			_, err := k.lots.GetRecallPack(t.Context(), &v1.GetRecallPackRequest{Name: printed})
			return err
		},
		func() error {
			_, err := k.lots.HoldLot(t.Context(), &v1.HoldLotRequest{Name: printed, Reason: "called back", RequestId: id()})
			return err
		},
	} {
		s, _, _ := refused(t, ask(), codes.InvalidArgument, "LOT_NOT_CLEAR")
		require.Contains(t, s.Message(), "flour.L-101-a, yeast.L-101-a")
	}

	// What is wrong with a delivery is said, and it is taken in: it is there.
	arrives := func(change func(*v1.ReceiveLotRequest)) []string {
		req := &v1.ReceiveLotRequest{Kitchen: main, IngredientId: "mozzarella", PrintedCode: "M-" + id()[:4], Supplier: "Plains Dairy", MassMg: 1_000_000, TempMillicelsius: proto.Int32(5_000),
			UseByDate: "2026-11-27", Document: "DN 9", RequestId: id()}
		if change != nil {
			change(req)
		}
		r, err := k.lots.ReceiveLot(t.Context(), req)
		require.NoError(t, err)
		return r.GetNotes()
	}
	require.Empty(t, arrives(nil), "at the limit, on its last day")
	require.Contains(t, arrives(func(r *v1.ReceiveLotRequest) { r.TempMillicelsius = proto.Int32(5_001) })[0], "5 °C or colder")
	require.Contains(t, arrives(func(r *v1.ReceiveLotRequest) { r.UseByDate = "2026-11-26" })[0], "Thu 26 Nov 2026 is over")
	require.Empty(t, arrives(func(r *v1.ReceiveLotRequest) { r.PrintedCode = "M-9" }))
	require.Empty(t, arrives(func(r *v1.ReceiveLotRequest) { r.PrintedCode, r.Document = "M-9", "DN 10" }), "the next delivery of it")
	require.Contains(t, arrives(func(r *v1.ReceiveLotRequest) { r.PrintedCode = "M-9" })[0], "by delivery note DN 9 too")

	// Allergens that are not the book's block use until they are settled.
	odd := k.receive("flour", "L-102", 500, func(r *v1.ReceiveLotRequest) { r.AllergensRead, r.Allergens = true, []string{"wheat", "soy"} })
	require.Contains(t, odd.GetReceipt().GetDiffers(), "soy")
	_, err = k.use("flour", "L-102", open)
	refused(t, err, codes.FailedPrecondition, "ALLERGENS_DIFFER")
	_, err = k.lots.SettleLot(t.Context(), &v1.SettleLotRequest{Name: odd.GetName(), Reason: "labels and shops told", RequestId: id()})
	require.NoError(t, err)
	declares := func() ([]string, []string) {
		got, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: b.GetName()})
		require.NoError(t, err)
		draft, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
		require.NoError(t, err)
		checked, err := k.dispatches.CheckDispatch(t.Context(), &v1.CheckDispatchRequest{Night: night, Dispatch: draft.GetDispatch()})
		require.NoError(t, err)
		require.Empty(t, checked.GetReasons())
		return got.GetSheet().GetAllergens(), draft.GetDispatch().GetManifests()[0].GetStops()[0].GetAllergens()
	}
	onSheet, onManifest := declares()
	require.NotContains(t, onManifest, "soy")
	require.Len(t, onSheet, 1)

	// A lot past its use-by is refused, or used with a reason that is kept.
	old := k.receive("salt", "S-1", 50, func(r *v1.ReceiveLotRequest) { r.UseByDate = "2026-11-01" })
	_, err = k.use("salt", "S-1", open)
	refused(t, err, codes.FailedPrecondition, "LOT_EXPIRED")
	_, err = k.lots.ChangeLotInUse(t.Context(), &v1.ChangeLotInUseRequest{Kitchen: main, IngredientId: "salt", LotCode: "S-1", Kind: open, ExpiredReason: "salt keeps", RequestId: id()})
	require.NoError(t, err)
	_, err = k.use("flour", "S-1", open)
	refused(t, err, codes.NotFound, "LOT_NOT_FOUND")

	// The batch across a change carries both.
	_, err = k.use("flour", "L/101 a", open)
	require.NoError(t, err)
	begun := k.begin(b)
	k.wait(5 * time.Minute)
	_, err = k.use("flour", "L-102", open)
	require.NoError(t, err)
	onSheet, onManifest = declares()
	require.Len(t, onSheet, 2, "sheet and manifest change together")
	require.Contains(t, onManifest, "soy")
	k.wait(time.Hour)
	out, err := k.finish(begun, nil)
	require.NoError(t, err)
	ball := out.GetLots()[0]
	tr, err := k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: ball.GetName()})
	require.NoError(t, err)
	var from []string
	for _, l := range tr.GetLots() {
		if l.GetSide() == v1.TraceSide_TRACE_SIDE_CAME_FROM {
			require.False(t, l.GetPossible())
			from = append(from, l.GetLot().GetCode())
		}
	}
	require.Equal(t, []string{"P-26", "flour.L-101-a", "flour.L-102", old.GetCode()}, from)
	var used int64
	for _, d := range tr.GetDraws() {
		if d.GetLotCode() != "P-26" {
			require.Equal(t, -d.GetMassMg(), k.lot(d.GetLotCode()).GetLot().GetMassMg()-map[string]int64{"flour.L-101-a": 700_000_000, "flour.L-102": 500_000_000, old.GetCode(): 50_000_000}[d.GetLotCode()])
			used += d.GetMassMg()
		}
	}
	require.Positive(t, used)

	// A lot that is only found in use is possible in every batch since the change before.
	k.receive("flour", "L-103", 500, nil)
	found, err := k.use("flour", "L-103", v1.InUseKind_IN_USE_KIND_FOUND)
	require.NoError(t, err)
	require.Empty(t, found.GetPossibleBatchIds(), "it came after the batch was mixed")

	// A hold goes downstream, stops everything and ends together.
	held, err := k.lots.HoldLot(t.Context(), &v1.HoldLotRequest{Name: main + "/lots/flour.L-102", Reason: "metal in the sifter", RequestId: id()})
	require.NoError(t, err)
	require.Len(t, held.GetLots(), 2)
	refused(t, k.move(ball.GetCode(), "", "van/round/east", 1, ""), codes.FailedPrecondition, "LOT_HELD")
	_, err = k.use("flour", "L-102", open)
	refused(t, err, codes.FailedPrecondition, "LOT_HELD")
	require.Contains(t, k.lot(ball.GetCode()).GetHolds()[0].GetReason(), "made from flour.L-102")
	draft, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
	require.NoError(t, err)
	for _, p := range draft.GetDispatch().GetPicks() {
		require.NotEqual(t, ball.GetCode(), p.GetLotCode())
	}
	_, err = k.lots.ReleaseLot(t.Context(), &v1.ReleaseLotRequest{Name: ball.GetName(), Reason: "x", RequestId: id()})
	refused(t, err, codes.NotFound, "HOLD_NOT_FOUND")
	_, err = k.lots.HoldLot(t.Context(), &v1.HoldLotRequest{Name: ball.GetName(), Reason: "smells", RequestId: id()})
	require.NoError(t, err)
	freed, err := k.lots.ReleaseLot(t.Context(), &v1.ReleaseLotRequest{Name: main + "/lots/flour.L-102", Reason: "magnet found nothing", RequestId: id()})
	require.NoError(t, err)
	require.Len(t, freed.GetLots(), 2)
	require.Equal(t, "smells", k.lot(ball.GetCode()).GetLot().GetHeldReason(), "it is held for another reason too")
	gone, err := k.lots.DestroyLot(t.Context(), &v1.DestroyLotRequest{Name: ball.GetName(), Reason: "smells", RequestId: id()})
	require.NoError(t, err)
	require.Empty(t, gone.GetLot().GetStocks())
	_, err = k.lots.DestroyLot(t.Context(), &v1.DestroyLotRequest{Name: ball.GetName(), Reason: "smells", RequestId: id()})
	refused(t, err, codes.FailedPrecondition, "NOTHING_THERE")
}

func TestIssueSheet(t *testing.T) {
	k, b := baking(t)
	k.receive("flour", "L-1", 10, nil)
	k.receive("flour", "L-2", 500, func(r *v1.ReceiveLotRequest) { r.UseByDate = "2026-11-01" })
	sheet, err := k.lots.GetIssueSheet(t.Context(), &v1.GetIssueSheetRequest{Night: night})
	require.NoError(t, err)
	require.Equal(t, int32(1), sheet.GetPlanRevision())
	i := slices.IndexFunc(sheet.GetLines(), func(l *v1.IssueLine) bool { return l.GetIngredientId() == "flour" })
	flour := sheet.GetLines()[i]
	require.Contains(t, flour.GetBatchIds(), b.GetId())
	require.Equal(t, int64(10_000_000), flour.GetOnHandMassMg())
	require.Equal(t, int64(500_000_000), flour.GetBlockedMassMg())
	require.Equal(t, flour.GetNeededMassMg()-10_000_000, flour.GetShortMassMg())
	require.GreaterOrEqual(t, flour.GetPacks()*flour.GetPackMassMg(), flour.GetNeededMassMg())
	require.Less(t, (flour.GetPacks()-1)*flour.GetPackMassMg(), flour.GetNeededMassMg())

	// What is in the vessel is neither needed nor there any more; what is out is booked.
	line := func() *v1.IssueLine {
		sheet, err := k.lots.GetIssueSheet(t.Context(), &v1.GetIssueSheetRequest{Night: night})
		require.NoError(t, err)
		return sheet.GetLines()[slices.IndexFunc(sheet.GetLines(), func(l *v1.IssueLine) bool { return l.GetIngredientId() == "flour" })]
	}
	k.receive("flour", "L-3", 900, nil)
	_, err = k.use("flour", "L-3", v1.InUseKind_IN_USE_KIND_OPENED)
	require.NoError(t, err)
	before := line()
	begun := k.begin(b)
	mixing := line()
	took := before.GetNeededMassMg() - mixing.GetNeededMassMg()
	require.Positive(t, took)
	require.NotContains(t, mixing.GetBatchIds(), b.GetId())
	require.Equal(t, before.GetOnHandMassMg()-took, mixing.GetOnHandMassMg())
	k.wait(time.Hour)
	_, err = k.finish(begun, func(r *v1.FinishBatchRequest) { r.Confirm = true })
	require.NoError(t, err)
	out := line()
	require.Equal(t, []int64{mixing.GetNeededMassMg(), mixing.GetOnHandMassMg()}, []int64{out.GetNeededMassMg(), out.GetOnHandMassMg()})
}

// Who drafts a plan learns of which ingredients there is too little before it is
// released.
func TestADraftNamesScarceIngredients(t *testing.T) {
	k := closed(t)
	scarce := func() []string {
		r, err := k.plans.DraftPlan(t.Context(), &v1.DraftPlanRequest{Night: night})
		require.NoError(t, err)
		return r.GetScarce()
	}
	require.Empty(t, scarce(), "nothing is kept by lot")
	k.receive("flour", "L-1", 10, nil)
	require.Len(t, scarce(), 1)
	require.Regexp(t, `^Pizza flour is short: [0-9.]+ kg needed, 10 kg there$`, scarce()[0])
	need, err := k.lots.GetIssueSheet(t.Context(), &v1.GetIssueSheetRequest{Night: night})
	require.NoError(t, err)
	flour := need.GetLines()[slices.IndexFunc(need.GetLines(), func(l *v1.IssueLine) bool { return l.GetIngredientId() == "flour" })]
	require.Positive(t, flour.GetShortMassMg())
	k.receive("flour", "L-2", flour.GetShortMassMg()/1_000_000+1, nil)
	require.Equal(t, []string{"Pizza flour is low: less than a pack is left over"}, scarce())
	k.receive("flour", "L-3", 500, nil)
	require.Empty(t, scarce())
}

func TestRecallPack(t *testing.T) {
	k, b := baking(t)
	flour := k.receive("flour", "L-101", 500, func(r *v1.ReceiveLotRequest) { r.Document = "DN 7" })
	_, err := k.use("flour", "L-101", v1.InUseKind_IN_USE_KIND_OPENED)
	require.NoError(t, err)
	begun := k.begin(b)
	k.wait(time.Hour)
	out, err := k.finish(begun, nil)
	require.NoError(t, err)
	ball := out.GetLots()[0].GetCode()
	require.NoError(t, k.move(ball, "", "van/round/east", 12, ""))
	require.NoError(t, k.move(ball, "van/round/east", "east", 10, ""))
	require.NoError(t, k.move(ball, "east", "west", 3, ""))
	pack, err := k.lots.GetRecallPack(t.Context(), &v1.GetRecallPackRequest{Name: flour.GetName()})
	require.NoError(t, err)
	require.Len(t, pack.GetShops(), 2)
	east := pack.GetShops()[0]
	require.Equal(t, []int64{10, 7, 2}, []int64{east.GetPieces(), east.GetLeftPieces(), east.GetUnderWayPieces()})
	require.Equal(t, "555-0132", east.GetNightPhone())
	require.Equal(t, []string{"round"}, east.GetRunIds())
	require.Equal(t, int64(3), pack.GetShops()[1].GetLeftPieces())
	require.Len(t, pack.GetTransformings(), 1)
	require.Equal(t, "L-101", pack.GetTransformings()[0].GetInputLotCode())
	require.Equal(t, out.GetLots()[0].GetPieces(), pack.GetTransformings()[0].GetQuantity())
	require.Len(t, pack.GetShippings(), 2, "to the east, and from there to the west")
	require.Len(t, pack.GetReceivings(), 3, "at the kitchen, the east and the west")
	require.True(t, slices.ContainsFunc(pack.GetReceivings(), func(r *v1.ReceivingRecord) bool {
		return r.GetDocumentNumber() == "DN 7" && r.GetLotCode() == "L-101" && r.GetQuantity() == 500_000_000
	}))
	require.Equal(t, pack.GetRowsRead(), pack.GetRowsReturned())

	// A shop that has left the book since still has what it got.
	text := strings.ReplaceAll(strings.ReplaceAll(string(book(t)), "West End", "Uptown"), "west", "uptown")
	_, err = k.books.AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: []byte(text), Etag: "1", RequestId: id()})
	require.NoError(t, err)
	later, err := k.lots.GetRecallPack(t.Context(), &v1.GetRecallPackRequest{Name: flour.GetName()})
	require.NoError(t, err)
	require.True(t, proto.Equal(&v1.GetRecallPackResponse{Shops: pack.GetShops()}, &v1.GetRecallPackResponse{Shops: later.GetShops()}), "%v\n%v", pack.GetShops(), later.GetShops())
	require.Len(t, later.GetShippings(), 2)
	require.Len(t, later.GetReceivings(), 3)

	// From the shop's complaint back to the flour.
	back, err := k.lots.GetRecallPack(t.Context(), &v1.GetRecallPackRequest{Name: main + "/lots/" + ball})
	require.NoError(t, err)
	require.Equal(t, int64(500_000_000), back.GetReceivings()[0].GetQuantity())
	require.Equal(t, "Hollow Mill", back.GetReceivings()[0].GetSource())
}
