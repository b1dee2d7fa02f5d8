package server_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

var theNight = civil.Date{Year: 2026, Month: time.November, Day: 26}

// rewrite adopts the kitchen's book with words replaced.
func (k *kitchen) rewrite(pairs ...string) {
	k.t.Helper()
	source := strings.NewReplacer(pairs...).Replace(string(book(k.t)))
	require.NotEqual(k.t, string(book(k.t)), source)
	_, err := k.books.AdoptBook(k.t.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: []byte(source), Etag: "1", RequestId: id()})
	require.NoError(k.t, err, "%v", status.Convert(err).Details())
}

// made posts a batch of a formula that nobody planned, mixes it and takes it out.
func (k *kitchen) made(number int, formula, vessel, item string, pieces int64, each quantity.Mass, uses []commissary.Use, change func(*v1.FinishBatchRequest)) (*v1.FinishBatchResponse, error) {
	k.t.Helper()
	began := k.clock.Now()
	batch := commissary.PostedBatch{Batch: commissary.Batch{ID: fmt.Sprintf("20261126-%02d", number), Formula: formula, Vessel: vessel, Unit: 1, State: commissary.BatchPosted,
		Mass: quantity.Mass(pieces) * each, MixEnd: began.Add(20 * time.Minute), Uses: uses,
		Steps: []commissary.Booking{{Step: commissary.StepMix, Resource: vessel, From: began, To: began.Add(25 * time.Minute), Heads: 1}}},
		Night: theNight, Plan: 1, Revision: 1}
	if item != "" {
		batch.Makes = []commissary.Making{{Item: item, Pieces: quantity.Pieces(pieces)}}
	}
	require.NoError(k.t, k.store.Update(k.t.Context(), func(tx commissary.Tx) error {
		if _, err := tx.Plans("main").Newest(theNight); err != nil {
			newest, err := tx.Books("main").Newest()
			if err != nil {
				return err
			}
			if err := tx.Plans("main").Append(commissary.Plan{Night: theNight, Revision: 1, State: commissary.PlanReleased, BookRev: newest.Revision}); err != nil {
				return err
			}
		}
		return tx.Batches("main").Put(batch)
	}))
	begun, err := k.batches.StartBatch(k.t.Context(), &v1.StartBatchRequest{Name: main + "/batches/" + batch.ID, Etag: "1", RequestId: id()})
	if err != nil {
		return nil, err
	}
	k.clock.Set(began.Add(30 * time.Minute))
	return k.finish(begun.GetBatch(), change)
}

// What was measured moves the lot's window, and the next plan and dispatch with it.
func TestAWarmDoughIsReadySooner(t *testing.T) {
	window := func(temp int32) (from, best, by time.Time) {
		k, b := baking(t)
		begun := k.begin(b)
		k.wait(time.Hour)
		out, err := k.finish(begun, func(r *v1.FinishBatchRequest) {
			r.Confirm, r.Actual = true, &v1.BatchActual{DoughTempMillicelsius: proto.Int32(temp)}
		})
		require.NoError(t, err)
		l := out.GetLots()[0]
		if temp == 24_000 {
			require.Nil(t, l.TempOffMillicelsius)
		} else {
			require.Equal(t, temp-24_000, l.GetTempOffMillicelsius())
		}
		got := k.lot(l.GetCode()).GetLot()
		require.True(t, proto.Equal(l.GetBestTime(), got.GetBestTime()))
		require.False(t, l.GetUseByTime().AsTime().After(l.GetMadeTime().AsTime().Add(72*time.Hour)), "never past the hard maximum")
		made := l.GetMadeTime().AsTime()
		return time.Time{}.Add(l.GetUseFromTime().AsTime().Sub(made)), time.Time{}.Add(l.GetBestTime().AsTime().Sub(made)), time.Time{}.Add(l.GetUseByTime().AsTime().Sub(made))
	}
	from, best, by := window(24_000)
	require.Equal(t, []time.Duration{24 * time.Hour, 54 * time.Hour, 72 * time.Hour}, []time.Duration{from.Sub(time.Time{}), best.Sub(time.Time{}), by.Sub(time.Time{})})
	warmFrom, warmBest, warmBy := window(28_000)
	require.True(t, warmFrom.Before(from) && warmBest.Before(best) && warmBy.Before(by))
	coldFrom, coldBest, coldBy := window(20_000)
	require.True(t, coldFrom.After(from) && coldBest.After(best))
	require.Equal(t, by, coldBy)
}

// A draft that was made before a warm batch came out is not released after it:
// the plan is made again, and no longer counts on the lot for too late a service.
func TestTheReplanKnowsOfAWarmDough(t *testing.T) {
	taken := func(temp int32) (pieces int64) {
		k, b := baking(t)
		begun := k.begin(b)
		k.wait(time.Hour)
		before := k.draft()
		out, err := k.finish(begun, func(r *v1.FinishBatchRequest) {
			r.Confirm, r.Actual = true, &v1.BatchActual{DoughTempMillicelsius: proto.Int32(temp)}
		})
		require.NoError(t, err)
		_, err = k.plans.ReleasePlan(t.Context(), release(before))
		refused(t, err, codes.Aborted, "INPUTS_CHANGED")
		after := k.draft()
		checked, err := k.plans.CheckPlan(t.Context(), &v1.CheckPlanRequest{Night: night, Plan: after})
		require.NoError(t, err)
		require.Empty(t, checked.GetReasons())
		for _, x := range after.GetTakes() {
			if x.GetLotCode() == out.GetLots()[0].GetCode() {
				pieces += x.GetPieces()
			}
		}
		return pieces
	}
	require.Positive(t, taken(24_000))
	require.Zero(t, taken(45_000), "far past its window before the service it was mixed for ends")
}

// A prep made from a prep keeps the earliest date of what went in.
func TestAPrepKeepsTheEarliestDate(t *testing.T) {
	k := open(t)
	k.rewrite("cut_offs:", `  pink:
    name: Pink sauce
    kind: prep
    class: sauce
    lines:
      sauce: 80 %
      cream: 20 %
    mix: {first: 10 min}
    yield: 98 %
    steps:
      - {step: cool, min: 60 min, max: 2 h}
      - {step: pack, bench: bench, heads: 1, min: 5 min, wait: 1 h}
      - {step: hold}

cut_offs:`, "formulas:\n", "  cream: {name: Cream, kind: other, allergens: [milk], pack: 1 kg}\n\nformulas:\n", "items:\n", `items:
  pink-1kg:
    name: Pink sauce 1 kg
    kind: pack
    formula: pink
    mass: 1 kg
    window: {min: 0 h, best: 24 h, band: 18 h, max: 168 h}
    container: pail
    per_box: 1
    zone: prep
    ship: {bake_after: 1, deliver_before: 0}
    cut_off: prep
    shelf: prep
`)
	k.clock.Set(at("2026-11-26T15:00:00-05:00"))
	_, err := k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
		{LotCode: "LOOSE", FormulaId: "sauce", MassMg: 60_000_000, MadeTime: stamp(at("2026-11-24T09:00:00-05:00"))}}})
	require.NoError(t, err)
	uses := func(lot string) []commissary.Use { return []commissary.Use{{Lot: lot, Mass: 8 * quantity.Kilogram}} }
	pink := func(number int, change func(*v1.FinishBatchRequest)) *v1.Lot {
		out, err := k.made(number, "pink", "kettle", "pink-1kg", 9, quantity.Kilogram+100*quantity.Gram, uses("LOOSE"), change)
		require.NoError(t, err)
		return out.GetLots()[0]
	}
	// The sauce keeps 96 h, by its item: until the 28th, 09:00. The pink sauce alone would keep a week.
	first := pink(1, nil)
	require.Equal(t, at("2026-11-28T09:00:00-05:00").UTC(), first.GetNotAfterTime().AsTime())
	require.Equal(t, first.GetNotAfterTime().AsTime(), first.GetUseByTime().AsTime())
	// An opened pack is not outlived either.
	k.receive("cream", "C-1", 50, func(r *v1.ReceiveLotRequest) { r.UseByDate = "2026-11-27" })
	_, err = k.use("cream", "C-1", v1.InUseKind_IN_USE_KIND_OPENED)
	require.NoError(t, err)
	require.Equal(t, at("2026-11-28T00:00:00-05:00").UTC(), pink(2, nil).GetUseByTime().AsTime())
	// The dispatch does not send it beyond that.
	_, err = k.submit(east, "", line("pink-1kg", 5))
	require.NoError(t, err)
	got, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
	require.NoError(t, err)
	for _, p := range got.GetDispatch().GetPicks() {
		require.False(t, p.GetUseByTime().AsTime().After(first.GetNotAfterTime().AsTime()))
	}
	// What is past its time goes into nothing.
	k.clock.Set(at("2026-11-28T10:00:00-05:00"))
	_, err = k.made(3, "pink", "kettle", "pink-1kg", 9, quantity.Kilogram+100*quantity.Gram, uses("LOOSE"), nil)
	s, _, _ := refused(t, err, codes.FailedPrecondition, "NOT_THERE")
	require.Contains(t, s.Message(), "past its time")
}

// Dough worked in again carries its age and its trace, within the formula's
// share; what left the kitchen's care never comes back so.
func TestRework(t *testing.T) {
	k := open(t)
	k.stock()
	k.clock.Set(at("2026-11-26T15:00:00-05:00"))
	number := 0
	bake := func(again ...*v1.Reworked) (*v1.FinishBatchResponse, error) {
		number++
		return k.made(number, "dough", "mixer", "ball", 100, 254*quantity.Gram, nil, func(r *v1.FinishBatchRequest) {
			r.Actual = &v1.BatchActual{Reworked: again}
		})
	}
	for _, tc := range []struct {
		name   string
		again  []*v1.Reworked
		code   codes.Code
		reason string
	}{
		{"more than the share", []*v1.Reworked{{LotCode: "B-25A", Pieces: 11}}, codes.FailedPrecondition, "REWORK_TOO_MUCH"},
		{"no dough", []*v1.Reworked{{LotCode: "S-26", Pieces: 1}}, codes.InvalidArgument, "REWORK_INVALID"},
		{"twice", []*v1.Reworked{{LotCode: "B-25A", Pieces: 1}, {LotCode: "B-25A", Pieces: 1}}, codes.InvalidArgument, "REWORK_INVALID"},
		{"unknown", []*v1.Reworked{{LotCode: "X-1", Pieces: 1}}, codes.InvalidArgument, "REWORK_INVALID"},
	} {
		_, err := bake(tc.again...)
		s, _, _ := refused(t, err, tc.code, tc.reason)
		t.Log(tc.name, ":", s.Message())
	}
	out, err := bake(&v1.Reworked{LotCode: "B-25A", Pieces: 10})
	require.NoError(t, err)
	require.Contains(t, strings.Join(out.GetBatch().GetOutcomes()[0].GetNotes(), " "), "10 × Ball 250 g of lot B-25A were worked in")
	lot := out.GetLots()[0]
	oldest := at("2026-11-25T08:00:00-05:00").Add(72 * time.Hour).UTC()
	require.Equal(t, oldest, lot.GetNotAfterTime().AsTime())
	require.Equal(t, oldest, lot.GetUseByTime().AsTime(), "as old as the oldest dough in it")
	require.Equal(t, int64(50), k.lot("B-25A").GetLot().GetPieces())
	tr, err := k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: main + "/lots/B-25A"})
	require.NoError(t, err)
	require.Len(t, tr.GetLots(), 2)
	require.Equal(t, lot.GetCode(), tr.GetLots()[1].GetLot().GetCode())
	require.Equal(t, int64(10), tr.GetLots()[0].GetBalance().GetUsed())
	// A hold on it stops what it went into.
	_, err = k.lots.HoldLot(t.Context(), &v1.HoldLotRequest{Name: main + "/lots/B-25A", Reason: "smells", RequestId: id()})
	require.NoError(t, err)
	require.NotEmpty(t, k.lot(lot.GetCode()).GetLot().GetHeldReason())
	_, err = bake(&v1.Reworked{LotCode: "B-25A", Pieces: 1})
	refused(t, err, codes.FailedPrecondition, "LOT_HELD")
	_, err = k.lots.ReleaseLot(t.Context(), &v1.ReleaseLotRequest{Name: main + "/lots/B-25A", Reason: "it does not", RequestId: id()})
	require.NoError(t, err)
	// Corrected: less went in. The record before stays.
	fixed, err := k.batches.CorrectBatch(t.Context(), &v1.CorrectBatchRequest{Name: out.GetBatch().GetName(), Etag: out.GetBatch().GetEtag(), RequestId: id(), Reason: "miscounted",
		Actual: &v1.BatchActual{Reworked: []*v1.Reworked{{LotCode: "B-25A", Pieces: 4}}}})
	require.NoError(t, err)
	require.Len(t, fixed.GetBatch().GetOutcomes(), 2)
	require.Equal(t, int64(56), k.lot("B-25A").GetLot().GetPieces())
	// Refused food waits among the returns and goes nowhere but into the bin.
	require.NoError(t, k.move("B-25B", "", "van/round/east", 20, ""))
	require.NoError(t, k.move("B-25B", "van/round/east", "returns", 20, "refused: lid off"))
	_, err = bake(&v1.Reworked{LotCode: "B-25B", Pieces: 1})
	refused(t, err, codes.FailedPrecondition, "LOT_OVERDRAWN")
	refused(t, k.move("B-25B", "returns", "kitchen", 20, "looks fine"), codes.FailedPrecondition, "MOVE_REFUSED")
	// Past its own time it is not worked in again.
	k.clock.Set(at("2026-11-28T09:00:00-05:00"))
	_, err = bake(&v1.Reworked{LotCode: "B-25A", Pieces: 1})
	refused(t, err, codes.FailedPrecondition, "LOT_EXPIRED")
}

// Without a share in the book nothing is worked in again.
func TestReworkNeedsTheBook(t *testing.T) {
	k := open(t)
	k.rewrite("    rework: 10 %\n", "")
	k.stock()
	_, err := k.made(1, "dough", "mixer", "ball", 100, 254*quantity.Gram, nil, func(r *v1.FinishBatchRequest) {
		r.Actual = &v1.BatchActual{Reworked: []*v1.Reworked{{LotCode: "B-25A", Pieces: 1}}}
	})
	refused(t, err, codes.FailedPrecondition, "REWORK_TOO_MUCH")
}

// A correction books anew what went in: the sums of the movements are right
// after it, and every record before it is there still.
func TestACorrectionBooksIngredientsAnew(t *testing.T) {
	k := open(t)
	k.clock.Set(at("2026-11-26T15:00:00-05:00"))
	k.receive("flour", "F-1", 500, nil)
	k.receive("flour", "F-2", 500, nil)
	_, err := k.use("flour", "F-1", v1.InUseKind_IN_USE_KIND_OPENED)
	require.NoError(t, err)
	out, err := k.made(1, "dough", "mixer", "ball", 100, 254*quantity.Gram, nil, nil)
	require.NoError(t, err)
	batch := out.GetBatch()
	state := func(code string) (used, drawn int64, sure bool, moves int) {
		tr, err := k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: main + "/lots/flour." + code})
		require.NoError(t, err)
		for _, d := range tr.GetDraws() {
			if d.GetLotCode() == "flour."+code {
				drawn, sure = d.GetMassMg(), !d.GetPossible()
			}
		}
		b := tr.GetLots()[0].GetBalance()
		require.Equal(t, b.GetCameIn(), b.GetOnHand()+b.GetUsed())
		return b.GetUsed(), drawn, sure, len(k.lot("flour." + code).GetMovements())
	}
	usual, drawn, sure, rows := state("F-1")
	require.Positive(t, usual)
	require.Equal(t, usual, drawn)
	require.True(t, sure)
	require.Equal(t, 2, rows)
	correct := func(a *v1.BatchActual) {
		r, err := k.batches.CorrectBatch(t.Context(), &v1.CorrectBatchRequest{Name: batch.GetName(), Etag: batch.GetEtag(), RequestId: id(), Reason: "misread", Confirm: true, Actual: a})
		require.NoError(t, err)
		batch = r.GetBatch()
	}
	// Half as much went through the mixer: half comes back.
	correct(&v1.BatchActual{MassMg: batch.GetMassMg() / 2, Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: 50}}})
	used, drawn, _, rows := state("F-1")
	require.InDelta(t, usual/2, used, 1)
	require.Equal(t, used, drawn)
	require.Equal(t, 3, rows, "the finish stays")
	// It was the other sack: the first stays as possible, for it was written down once.
	correct(&v1.BatchActual{LotCodes: []string{"flour.F-2"}})
	used, drawn, sure, _ = state("F-1")
	require.Zero(t, used)
	require.Zero(t, drawn)
	require.False(t, sure)
	used, drawn, sure, _ = state("F-2")
	require.InDelta(t, usual/2, used, 1)
	require.Equal(t, used, drawn)
	require.True(t, sure)
	// A correction of the pieces alone moves no flour.
	_, _, _, rows = state("F-2")
	correct(&v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: 49}}})
	_, _, _, again := state("F-2")
	require.Equal(t, rows, again)
	require.Len(t, batch.GetOutcomes(), 4)
	// A lot nobody received, or of something that does not go in, is refused.
	for _, code := range []string{"flour.F-9", "tomato.T-1"} {
		if code == "tomato.T-1" {
			k.receive("tomato", "T-1", 5, nil)
		}
		_, err := k.batches.CorrectBatch(t.Context(), &v1.CorrectBatchRequest{Name: batch.GetName(), Etag: batch.GetEtag(), RequestId: id(), Reason: "misread", Confirm: true, Actual: &v1.BatchActual{LotCodes: []string{code}}})
		refused(t, err, codes.InvalidArgument, "LOT_UNKNOWN")
	}
}

// A hold or an allergen that comes to light after the release shows on every
// page that is asked for from then on.
func TestAHoldReachesReleasedPages(t *testing.T) {
	k, _ := baking(t)
	draft, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
	require.NoError(t, err)
	d := draft.GetDispatch()
	_, err = k.dispatches.ReleaseDispatch(t.Context(), &v1.ReleaseDispatchRequest{Night: night, DraftTime: d.GetDraftTime(), InputHash: d.GetInputHash(), RequestId: id()})
	require.NoError(t, err)
	const lot = "B-25A"
	onReceipts := func() map[string]bool {
		found := map[string]bool{}
		for _, order := range []string{east, west} {
			for _, l := range k.receipt(order) {
				for _, p := range l.GetParts() {
					if p.GetHeldReason() != "" {
						require.Equal(t, lot, p.GetLotCode())
						found[p.GetHeldReason()] = true
					}
				}
			}
		}
		return found
	}
	held := func() (onPicks, onManifest, onDispatch, onList int) {
		got, err := k.dispatches.GetDispatch(t.Context(), &v1.GetDispatchRequest{Name: night + "/dispatches/1"})
		require.NoError(t, err)
		for _, p := range got.GetDispatch().GetPicks() {
			if p.GetHeldReason() != "" {
				require.Equal(t, lot, p.GetLotCode())
				onDispatch++
			}
		}
		list, err := k.dispatches.GetPickList(t.Context(), &v1.GetPickListRequest{Dispatch: night + "/dispatches/1"})
		require.NoError(t, err)
		for _, r := range list.GetPickList().GetRuns() {
			for _, p := range r.GetPicks() {
				if p.GetHeldReason() != "" {
					require.Equal(t, lot, p.GetLotCode())
					onPicks++
				}
			}
		}
		count := func(m *v1.Manifest) (n int) {
			for _, s := range m.GetStops() {
				for _, l := range s.GetLines() {
					if l.GetHeldReason() != "" {
						require.Equal(t, lot, l.GetLotCode())
						n++
					}
				}
			}
			return n
		}
		m, err := k.dispatches.GetManifest(t.Context(), &v1.GetManifestRequest{Name: night + "/manifests/round"})
		require.NoError(t, err)
		all, err := k.dispatches.ListManifests(t.Context(), &v1.ListManifestsRequest{Night: night})
		require.NoError(t, err)
		for _, m := range all.GetManifests() {
			onList += count(m)
		}
		return onPicks, count(m.GetManifest()), onDispatch, onList
	}
	none, _, _, _ := held()
	require.Zero(t, none)
	require.Empty(t, onReceipts())
	_, err = k.lots.HoldLot(t.Context(), &v1.HoldLotRequest{Name: main + "/lots/" + lot, Reason: "metal in the sifter", RequestId: id()})
	require.NoError(t, err)
	a, b, c, l := held()
	require.Positive(t, a)
	require.Equal(t, []int{a, a, a}, []int{b, c, l})
	require.Equal(t, map[string]bool{"metal in the sifter": true}, onReceipts(), "the shop reads it too")
	refused(t, k.move(lot, "van/round/east", "east", 1, ""), codes.FailedPrecondition, "LOT_HELD")
	_, err = k.lots.ReleaseLot(t.Context(), &v1.ReleaseLotRequest{Name: main + "/lots/" + lot, Reason: "magnet found nothing", RequestId: id()})
	require.NoError(t, err)
	none, _, _, _ = held()
	require.Zero(t, none)
	require.Empty(t, onReceipts())

	// A sack that declares more.
	odd := k.receive("flour", "L-2", 500, func(r *v1.ReceiveLotRequest) { r.AllergensRead, r.Allergens = true, []string{"wheat", "soy"} })
	_, err = k.lots.SettleLot(t.Context(), &v1.SettleLotRequest{Name: odd.GetName(), Reason: "labels and shops told", RequestId: id()})
	require.NoError(t, err)
	_, err = k.use("flour", "L-2", v1.InUseKind_IN_USE_KIND_OPENED)
	require.NoError(t, err)
	m, err := k.dispatches.GetManifest(t.Context(), &v1.GetManifestRequest{Name: night + "/manifests/round"})
	require.NoError(t, err)
	for _, s := range m.GetManifest().GetStops() {
		require.Contains(t, s.GetAllergens(), "soy")
		require.Equal(t, []string{"soy"}, s.GetNewAllergens())
	}
}

// A substitute that the book names may be taken into use, and what it declares
// is on the sheet from then on.
func TestASubstituteIsDeclared(t *testing.T) {
	k := open(t)
	k.rewrite("flour: {name: Pizza flour, kind: flour, allergens: [wheat], pack: 25 kg}",
		"flour: {name: Pizza flour, kind: flour, allergens: [wheat], pack: 25 kg, substitutes: [blend]}\n  blend: {name: Wheat and rye, kind: flour, allergens: [wheat, rye, soy], pack: 25 kg}")
	k.clock.Set(at("2026-11-26T15:00:00-05:00"))
	k.receive("blend", "R-1", 500, nil)
	_, err := k.use("flour", "R-1", v1.InUseKind_IN_USE_KIND_OPENED)
	require.NoError(t, err)
	out, err := k.made(1, "dough", "mixer", "ball", 100, 254*quantity.Gram, nil, nil)
	require.NoError(t, err)
	require.Empty(t, out.GetBatch().GetOutcomes()[0].GetNotes())
	require.Negative(t, k.lot("blend.R-1").GetLot().GetMassMg()-500_000_000)
	got, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: out.GetBatch().GetName()})
	require.NoError(t, err)
	require.Contains(t, strings.Join(got.GetSheet().GetWarnings(), " "), "ALLERGENS CHANGED: Pizza flour, lot blend.R-1")
	require.Len(t, got.GetSheet().GetAllergens(), 2, "wheat, and soy")
	k.receive("tomato", "T-1", 5, nil)
	_, err = k.use("flour", "tomato.T-1", v1.InUseKind_IN_USE_KIND_OPENED)
	refused(t, err, codes.InvalidArgument, "CHANGE_INVALID")
}
