package server_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// stock counts in what was made on earlier days: the balls that tonight's
// orders are served from, sauce, and a tub of poolish for today's dough.
func (k *kitchen) stock() {
	k.t.Helper()
	_, err := k.lots.CountStock(k.t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
		{LotCode: "B-25A", ItemId: "ball", Pieces: 60, MadeTime: stamp(at("2026-11-25T08:00:00-05:00"))},
		{LotCode: "B-25B", ItemId: "ball", Pieces: 20, MadeTime: stamp(at("2026-11-25T10:00:00-05:00"))},
		{LotCode: "S-26", ItemId: "sauce-3kg", Pieces: 4, MadeTime: stamp(at("2026-11-26T09:00:00-05:00"))},
		{LotCode: "P-26", FormulaId: "poolish", MassMg: 10_000_000, MadeTime: stamp(at("2026-11-26T16:30:00-05:00"))},
	}})
	require.NoError(k.t, err)
}

// steps is the work budget of a draft: a small one under the race detector,
// which makes planning ten times slower.
func steps() int64 {
	if testing.Short() {
		return 400
	}
	return 0
}

func (k *kitchen) draft() *v1.Plan {
	k.t.Helper()
	r, err := k.plans.DraftPlan(k.t.Context(), &v1.DraftPlanRequest{Night: night, Seed: 7, Steps: steps()})
	require.NoError(k.t, err)
	return r.GetPlan()
}

func release(p *v1.Plan) *v1.ReleasePlanRequest {
	return &v1.ReleasePlanRequest{Night: night, PlanTime: p.GetPlanTime(), Seed: 7, Steps: p.GetSteps(), InputHash: p.GetInputHash(), RequestId: id()}
}

func (k *kitchen) posted() map[string]*v1.Batch {
	k.t.Helper()
	r, err := k.batches.ListBatches(k.t.Context(), &v1.ListBatchesRequest{Night: night})
	require.NoError(k.t, err)
	all := map[string]*v1.Batch{}
	for _, b := range r.GetBatches() {
		all[b.GetId()] = b
	}
	return all
}

// closed returns a kitchen whose night is closed with both shops' orders in, its
// book with words replaced.
func closed(t *testing.T, pairs ...string) *kitchen {
	k := open(t)
	if len(pairs) > 0 {
		k.rewrite(pairs...)
	}
	k.stock()
	_, err := k.submit(east, "", line("ball", 48), line("sauce-3kg", 3))
	require.NoError(t, err)
	_, err = k.submit(west, "", line("ball", 40), &v1.OrderLine{ItemId: "ball", Pieces: 32, BakeDate: "2026-11-28"})
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T01:10:00-05:00"))
	k.close()
	return k
}

func TestReleasePlan(t *testing.T) {
	k := open(t)
	k.stock()
	preview := k.draft()
	require.Equal(t, v1.PlanState_PLAN_STATE_DRAFT, preview.GetState())
	_, err := k.plans.ReleasePlan(t.Context(), release(preview))
	refused(t, err, codes.FailedPrecondition, "NIGHT_OPEN")

	k = closed(t)
	p := k.draft()
	require.True(t, proto.Equal(p, k.draft()), "the same draft again")
	checked, err := k.plans.CheckPlan(t.Context(), &v1.CheckPlanRequest{Night: night, Plan: p})
	require.NoError(t, err)
	require.Empty(t, checked.GetReasons())

	for _, tc := range []struct {
		name   string
		change func(*v1.ReleasePlanRequest)
		code   codes.Code
		reason string
	}{
		{"other seed", func(r *v1.ReleasePlanRequest) { r.Seed = 8 }, codes.Aborted, "INPUTS_CHANGED"},
		{"other steps", func(r *v1.ReleasePlanRequest) { r.Steps = 1999 }, codes.Aborted, "INPUTS_CHANGED"},
		{"other hash", func(r *v1.ReleasePlanRequest) { r.InputHash = "00" }, codes.Aborted, "INPUTS_CHANGED"},
		{"ahead", func(r *v1.ReleasePlanRequest) { r.PlanTime = stamp(p.GetPlanTime().AsTime().Add(time.Minute)) }, codes.FailedPrecondition, "DRAFT_TOO_OLD"},
		{"long ago", func(r *v1.ReleasePlanRequest) { r.PlanTime = stamp(p.GetPlanTime().AsTime().Add(-time.Hour)) }, codes.FailedPrecondition, "DRAFT_TOO_OLD"},
		{"no instant", func(r *v1.ReleasePlanRequest) { r.PlanTime = nil }, codes.InvalidArgument, "FIELDS_INVALID"},
	} {
		req := release(p)
		tc.change(req)
		_, err := k.plans.ReleasePlan(t.Context(), req)
		refused(t, err, tc.code, tc.reason)
	}
	dry := release(p)
	dry.ValidateOnly = true
	would, err := k.plans.ReleasePlan(t.Context(), dry)
	require.NoError(t, err)
	_, err = k.plans.GetPlan(t.Context(), &v1.GetPlanRequest{Name: night + "/plans/newest"})
	refused(t, err, codes.NotFound, "PLAN_NOT_FOUND")

	req := release(p)
	released, err := k.plans.ReleasePlan(t.Context(), req)
	require.NoError(t, err)
	same(t, would, released)
	require.Equal(t, night+"/plans/1", released.GetPlan().GetName())
	require.Equal(t, v1.PlanState_PLAN_STATE_RELEASED, released.GetPlan().GetState())
	again, err := k.plans.ReleasePlan(t.Context(), req)
	require.NoError(t, err, "though the inputs are others now")
	same(t, released, again)
	n, err := k.nights.GetNight(t.Context(), &v1.GetNightRequest{Name: night})
	require.NoError(t, err)
	require.Equal(t, v1.NightState_NIGHT_STATE_PLANNED, n.GetNight().GetState())

	// Posted is what begins before the next plan, and nothing else.
	posted := k.posted()
	require.NotEmpty(t, posted)
	for _, b := range released.GetPlan().GetBatches() {
		if b.GetSteps()[0].GetStartTime().AsTime().Before(p.GetPlanTime().AsTime().Add(24 * time.Hour)) {
			require.Contains(t, posted, b.GetId())
		}
		_, is := posted[b.GetId()]
		require.Equal(t, is, b.GetState() == v1.BatchState_BATCH_STATE_POSTED, b.GetId())
	}
	for name, b := range posted {
		got, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: b.GetName()})
		require.NoError(t, err)
		same(t, b, got.GetBatch())
		var sum int64
		for _, l := range got.GetSheet().GetLines() {
			sum += l.GetMassMg()
			require.Zero(t, l.GetMassMg()%l.GetScaleDivisionMg(), "%s %s", name, l.GetId())
			require.NotEmpty(t, l.GetName())
		}
		require.Equal(t, got.GetSheet().GetMixedMassMg(), sum, name)
		require.NotEmpty(t, got.GetSheet().GetCautions())
	}
}

func TestReleasePlanAgain(t *testing.T) {
	k := closed(t)
	first, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	// One of its batches is begun: it stays whatever comes.
	var begun *v1.Batch
	for _, b := range k.posted() {
		if len(b.GetUses()) == 0 && (begun == nil || b.GetId() < begun.GetId()) {
			begun = b
		}
	}
	require.NotNil(t, begun)
	started, err := k.batches.StartBatch(t.Context(), &v1.StartBatchRequest{Name: begun.GetName(), Etag: begun.GetEtag(), RequestId: id()})
	require.NoError(t, err)

	_, err = k.orders.AdmitLateOrder(t.Context(), &v1.AdmitLateOrderRequest{Name: west, Etag: "1", LateReason: "phone was down", RequestId: id(),
		Lines: []*v1.OrderLine{line("ball", 40), {ItemId: "ball", Pieces: 120, BakeDate: "2026-11-28"}}})
	require.NoError(t, err)
	stale := release(first.GetPlan())
	_, err = k.plans.ReleasePlan(t.Context(), stale)
	refused(t, err, codes.Aborted, "INPUTS_CHANGED")

	second, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	require.Equal(t, int32(2), second.GetPlan().GetRevision())
	posted := k.posted()
	same(t, started.GetBatch(), posted[begun.GetId()])
	for name, b := range posted {
		if name != begun.GetId() {
			require.Equal(t, int32(2), b.GetPlanRevision(), name)
		}
	}
	list, err := k.plans.ListPlans(t.Context(), &v1.ListPlansRequest{Night: night})
	require.NoError(t, err)
	require.Len(t, list.GetPlans(), 2)
	require.Equal(t, v1.PlanState_PLAN_STATE_RELEASED, list.GetPlans()[0].GetState())
	require.Equal(t, v1.PlanState_PLAN_STATE_SUPERSEDED, list.GetPlans()[1].GetState())
}

func TestBatchesMoveForwardOnly(t *testing.T) {
	k := closed(t)
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	begin := func(b *v1.Batch) (*v1.Batch, error) {
		r, err := k.batches.StartBatch(t.Context(), &v1.StartBatchRequest{Name: b.GetName(), Etag: b.GetEtag(), RequestId: id()})
		return r.GetBatch(), err
	}
	finish := func(b *v1.Batch) (*v1.FinishBatchResponse, error) {
		return k.batches.FinishBatch(t.Context(), &v1.FinishBatchRequest{Name: b.GetName(), Etag: b.GetEtag(), RequestId: id()})
	}
	_, err = begin(&v1.Batch{Name: main + "/batches/20261126-99", Etag: "1"})
	refused(t, err, codes.NotFound, "BATCH_NOT_FOUND")

	doughs, uses := 0, int64(0)
	for _, b := range k.posted() {
		for _, u := range b.GetUses() {
			if u.GetBatchId() != "" {
				_, err := begin(b)
				_, info, _ := refused(t, err, codes.FailedPrecondition, "NOT_THERE")
				require.Equal(t, b.GetId(), info.GetMetadata()["batch"])
				continue
			}
			require.Equal(t, "P-26", u.GetLotCode())
			doughs++
			_, err = finish(b)
			refused(t, err, codes.FailedPrecondition, "BATCH_POSTED")
			begun, err := begin(b)
			require.NoError(t, err)
			require.Equal(t, v1.BatchState_BATCH_STATE_MIXING, begun.GetState())
			_, err = begin(begun)
			refused(t, err, codes.FailedPrecondition, "BATCH_MIXING")
			_, err = finish(b)
			refused(t, err, codes.Aborted, "ETAG_STALE")
			began := k.clock.Now()
			k.clock.Set(began.Add(3 * time.Hour))
			_, err = finish(begun)
			refused(t, err, codes.FailedPrecondition, "FAR_FROM_PLAN") // it was to be mixed hours later
			out, err := k.batches.FinishBatch(t.Context(), &v1.FinishBatchRequest{Name: begun.GetName(), Etag: begun.GetEtag(), RequestId: id(), Confirm: true})
			require.NoError(t, err)
			require.Len(t, out.GetBatch().GetOutcomes()[0].GetFarFromPlan(), 1)
			require.Equal(t, v1.BatchState_BATCH_STATE_OUT, out.GetBatch().GetState())
			require.Len(t, out.GetLots(), len(b.GetMakes()))
			lot := out.GetLots()[0]
			require.Equal(t, b.GetMakes()[0].GetPieces(), lot.GetPieces())
			// Loading takes 8 minutes, mixing 10: age zero.
			require.Equal(t, began.UTC().Add(18*time.Minute), lot.GetMadeTime().AsTime())
			require.Equal(t, b.GetId(), lot.GetBatchId())
			uses += u.GetMassMg()
		}
	}
	require.Positive(t, doughs, "the poolish in the tub is for today's dough")
	tub, err := k.lots.GetLot(t.Context(), &v1.GetLotRequest{Name: main + "/lots/P-26"})
	require.NoError(t, err)
	require.Equal(t, 10_000_000-uses, tub.GetLot().GetMassMg())
	require.Equal(t, v1.MovementKind_MOVEMENT_KIND_USED, tub.GetMovements()[1].GetKind())

	// A poolish of tonight's plan becomes a lot of its mass, for its dough.
	for _, b := range k.posted() {
		if b.GetFormulaId() == "poolish" {
			begun, err := begin(b)
			require.NoError(t, err)
			out, err := k.batches.FinishBatch(t.Context(), &v1.FinishBatchRequest{Name: begun.GetName(), Etag: begun.GetEtag(), RequestId: id(), Confirm: true})
			require.NoError(t, err)
			require.Len(t, out.GetLots(), 1)
			require.Less(t, out.GetLots()[0].GetMassMg(), b.GetMassMg(), "some sticks to the tub")
			require.Greater(t, out.GetLots()[0].GetMassMg(), b.GetMassMg()*98/100)
			require.Empty(t, out.GetLots()[0].GetItemId())
		}
	}
	for _, b := range k.posted() {
		if b.GetState() == v1.BatchState_BATCH_STATE_POSTED && len(b.GetUses()) > 0 {
			_, err := begin(b)
			require.NoError(t, err, b.GetId())
		}
	}
}

func TestDispatch(t *testing.T) {
	k := closed(t)
	draft := func() *v1.Dispatch {
		r, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
		require.NoError(t, err)
		return r.GetDispatch()
	}
	ask := func(d *v1.Dispatch) *v1.ReleaseDispatchRequest {
		return &v1.ReleaseDispatchRequest{Night: night, DraftTime: d.GetDraftTime(), InputHash: d.GetInputHash(), RequestId: id()}
	}
	_, err := k.dispatches.ReleaseDispatch(t.Context(), ask(draft()))
	refused(t, err, codes.FailedPrecondition, "NIGHT_NOT_PLANNED")
	_, err = k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)

	k.clock.Set(at("2026-11-27T05:30:00-05:00"))
	d := draft()
	checked, err := k.dispatches.CheckDispatch(t.Context(), &v1.CheckDispatchRequest{Night: night, Dispatch: d})
	require.NoError(t, err)
	require.Empty(t, checked.GetReasons())
	_, err = k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
		{LotCode: "B-25B", ItemId: "ball", Pieces: 18, MadeTime: stamp(at("2026-11-25T10:00:00-05:00"))}}})
	require.NoError(t, err)
	_, err = k.dispatches.ReleaseDispatch(t.Context(), ask(d))
	refused(t, err, codes.Aborted, "INPUTS_CHANGED")
	d = draft()
	k.clock.Set(at("2026-11-27T06:00:00-05:00"))
	_, err = k.dispatches.ReleaseDispatch(t.Context(), ask(d))
	refused(t, err, codes.FailedPrecondition, "DRAFT_TOO_OLD")
	req := ask(draft())
	r, err := k.dispatches.ReleaseDispatch(t.Context(), req)
	require.NoError(t, err)
	again, err := k.dispatches.ReleaseDispatch(t.Context(), req)
	require.NoError(t, err)
	same(t, r, again)
	req.RequestId = id()
	_, err = k.dispatches.ReleaseDispatch(t.Context(), req)
	refused(t, err, codes.FailedPrecondition, "NIGHT_DISPATCHED")

	// Ordered is picked or short; what is picked left its lot and rides.
	released := r.GetDispatch()
	picked, rides := map[string]int64{}, map[string]int64{}
	for _, l := range released.GetLines() {
		require.Equal(t, l.GetOrderedPieces(), l.GetPickedPieces()+l.GetShortPieces())
	}
	list, err := k.dispatches.GetPickList(t.Context(), &v1.GetPickListRequest{Dispatch: night + "/dispatches/newest"})
	require.NoError(t, err)
	for _, run := range list.GetPickList().GetRuns() {
		for _, p := range run.GetPicks() {
			picked[p.GetLotCode()] += p.GetPieces()
		}
	}
	require.Equal(t, int64(78), picked["B-25A"]+picked["B-25B"], "all 78 balls, of 88 ordered")
	manifests, err := k.dispatches.ListManifests(t.Context(), &v1.ListManifestsRequest{Night: night})
	require.NoError(t, err)
	for _, m := range manifests.GetManifests() {
		one, err := k.dispatches.GetManifest(t.Context(), &v1.GetManifestRequest{Name: m.GetName()})
		require.NoError(t, err)
		same(t, m, one.GetManifest())
		for _, s := range m.GetStops() {
			for _, l := range s.GetLines() {
				rides[l.GetLotCode()] += l.GetPieces()
			}
		}
	}
	require.Equal(t, picked, rides)
	for _, m := range manifests.GetManifests() {
		require.Equal(t, v1.RideState_RIDE_STATE_LOADING, m.GetRide().GetState())
		_, err := k.dispatches.RecordPick(t.Context(), &v1.RecordPickRequest{Manifest: m.GetName(), RequestId: id()})
		require.NoError(t, err)
	}
	for code, pieces := range picked {
		lot, err := k.lots.GetLot(t.Context(), &v1.GetLotRequest{Name: main + "/lots/" + code})
		require.NoError(t, err)
		var sum int64
		for _, m := range lot.GetMovements() {
			sum += m.GetPieces()
			if m.GetKind() == v1.MovementKind_MOVEMENT_KIND_PICKED {
				pieces += m.GetPieces()
			}
		}
		require.Zero(t, pieces, code)
		require.Equal(t, lot.GetLot().GetPieces(), sum)
	}

	_, err = k.dispatches.GetManifest(t.Context(), &v1.GetManifestRequest{Name: night + "/manifests/sunday"})
	refused(t, err, codes.NotFound, "RUN_NOT_FOUND")
	_, err = k.dispatches.GetPickList(t.Context(), &v1.GetPickListRequest{Dispatch: night + "/dispatches/1", RunId: "sunday"})
	refused(t, err, codes.NotFound, "RUN_NOT_FOUND")
	_, err = k.dispatches.GetDispatch(t.Context(), &v1.GetDispatchRequest{Name: night + "/dispatches/2"})
	refused(t, err, codes.NotFound, "DISPATCH_NOT_FOUND")
	_, err = k.orders.AdmitLateOrder(t.Context(), &v1.AdmitLateOrderRequest{Name: west, Etag: "1", Lines: []*v1.OrderLine{line("ball", 1)}, LateReason: "too late", RequestId: id()})
	refused(t, err, codes.FailedPrecondition, "NIGHT_DISPATCHED")
	v, err := k.audit.VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
	require.NoError(t, err)
	require.Zero(t, v.GetBrokenSequence())
}
