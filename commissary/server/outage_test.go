package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

func (k *kitchen) draftAgain() *v1.DraftPlanResponse {
	k.t.Helper()
	r, err := k.plans.DraftPlan(k.t.Context(), &v1.DraftPlanRequest{Night: night, Seed: 7, Steps: steps()})
	require.NoError(k.t, err)
	checked, err := k.plans.CheckPlan(k.t.Context(), &v1.CheckPlanRequest{Night: night, Plan: r.GetPlan()})
	require.NoError(k.t, err)
	require.Empty(k.t, checked.GetReasons())
	return r
}

// mixes are the batches of a plan on the mixer, by the time they are loaded.
func mixes(p *v1.Plan) []*v1.Batch {
	var all []*v1.Batch
	for _, b := range p.GetBatches() {
		if b.GetVesselId() == "mixer" {
			all = append(all, b)
		}
	}
	slices.SortFunc(all, func(a, b *v1.Batch) int { return loaded(a).Compare(loaded(b)) })
	return all
}

func loaded(b *v1.Batch) time.Time {
	for _, s := range b.GetSteps() {
		if s.GetKind() == v1.StepKind_STEP_KIND_MIX {
			return s.GetStartTime().AsTime()
		}
	}
	return time.Time{}
}

func TestReplanAfterAnOutage(t *testing.T) {
	k := closed(t)
	first := k.draftAgain()
	require.Empty(t, first.GetChanges(), "no plan is in force")
	_, err := k.plans.ReleasePlan(t.Context(), release(first.GetPlan()))
	require.NoError(t, err)
	again := k.draftAgain()
	require.Empty(t, again.GetChanges(), "nothing has happened")

	// The mixer breaks down from the planning instant until half an hour after the start of its first mix.
	was := mixes(first.GetPlan())
	require.NotEmpty(t, was)
	back := loaded(was[0]).Add(30 * time.Minute)
	report := &v1.ReportOutageRequest{Kitchen: main, ResourceId: "mixer", EndTime: stamp(back), Reason: "belt torn", RequestId: id()}
	got, err := k.plans.ReportOutage(t.Context(), report)
	require.NoError(t, err)
	o := got.GetOutage()
	require.Equal(t, main+"/outages/1", o.GetName())
	require.Equal(t, "Spiral mixer", o.GetResourceName())
	require.Equal(t, k.clock.Now().UTC(), o.GetStartTime().AsTime(), "from now on")
	resent, err := k.plans.ReportOutage(t.Context(), report)
	require.NoError(t, err)
	same(t, got, resent)
	_, err = k.plans.ReleasePlan(t.Context(), release(again.GetPlan()))
	refused(t, err, codes.Aborted, "INPUTS_CHANGED")

	second := k.draftAgain()
	require.NotEmpty(t, second.GetChanges())
	require.True(t, slices.ContainsFunc(second.GetChanges(), func(c string) bool {
		return strings.Contains(c, was[0].GetId()) && (strings.HasPrefix(c, "CHANGED ") || strings.HasPrefix(c, "LEFT OUT "))
	}), "%v", second.GetChanges())
	for _, b := range mixes(second.GetPlan()) {
		require.False(t, loaded(b).Before(back), "%s", b.GetId())
	}
	// What did not have to move did not.
	stood := 0
	for _, b := range was {
		if !loaded(b).Before(back) && slices.ContainsFunc(mixes(second.GetPlan()), func(c *v1.Batch) bool { return loaded(c).Equal(loaded(b)) }) {
			stood++
		}
	}
	require.Positive(t, stood, "%q", second.GetChanges())
	released, err := k.plans.ReleasePlan(t.Context(), release(second.GetPlan()))
	require.NoError(t, err)
	require.Equal(t, int32(2), released.GetPlan().GetRevision())

	// It works again at once.
	end := &v1.EndOutageRequest{Name: o.GetName(), RequestId: id()}
	ended, err := k.plans.EndOutage(t.Context(), end)
	require.NoError(t, err)
	require.Equal(t, k.clock.Now().UTC(), ended.GetOutage().GetEndTime().AsTime())
	require.NotEmpty(t, ended.GetOutage().GetEndedBy())
	_, err = k.plans.EndOutage(t.Context(), &v1.EndOutageRequest{Name: o.GetName(), RequestId: id()})
	refused(t, err, codes.FailedPrecondition, "OUTAGE_OVER")
	require.NotNil(t, k.draftAgain())

	_, err = k.plans.ReportOutage(t.Context(), &v1.ReportOutageRequest{Kitchen: main, ResourceId: "cold", Reason: "compressor", RequestId: id()})
	require.NoError(t, err)
	list, err := k.plans.ListOutages(t.Context(), &v1.ListOutagesRequest{Kitchen: main, PageSize: 1})
	require.NoError(t, err)
	require.Len(t, list.GetOutages(), 1)
	require.Equal(t, main+"/outages/2", list.GetOutages()[0].GetName())
	require.Nil(t, list.GetOutages()[0].GetEndTime(), "until further notice")
	list, err = k.plans.ListOutages(t.Context(), &v1.ListOutagesRequest{Kitchen: main, PageSize: 1, PageToken: list.GetNextPageToken()})
	require.NoError(t, err)
	require.Equal(t, o.GetName(), list.GetOutages()[0].GetName())
	require.Empty(t, list.GetNextPageToken())
}

func TestOutagesAreRefused(t *testing.T) {
	k := open(t)
	now := k.clock.Now()
	for name, change := range map[string]func(*v1.ReportOutageRequest){
		"nothing the book has":  func(r *v1.ReportOutageRequest) { r.ResourceId = "oven" },
		"a shop":                func(r *v1.ReportOutageRequest) { r.ResourceId = "east" },
		"ends before it begins": func(r *v1.ReportOutageRequest) { r.EndTime = stamp(now.Add(-time.Hour)) },
		"ends when it begins":   func(r *v1.ReportOutageRequest) { r.StartTime, r.EndTime = stamp(now), stamp(now) },
	} {
		req := &v1.ReportOutageRequest{Kitchen: main, ResourceId: "mixer", Reason: "belt torn", RequestId: id()}
		change(req)
		_, err := k.plans.ReportOutage(t.Context(), req)
		require.Error(t, err, name)
		refused(t, err, codes.InvalidArgument, "OUTAGE_INVALID")
	}
	_, err := k.plans.EndOutage(t.Context(), &v1.EndOutageRequest{Name: main + "/outages/1", RequestId: id()})
	refused(t, err, codes.NotFound, "OUTAGE_NOT_FOUND")
	got, err := k.plans.ReportOutage(t.Context(), &v1.ReportOutageRequest{Kitchen: main, ResourceId: "bench", Reason: "wet", RequestId: id()})
	require.NoError(t, err)
	_, err = k.plans.EndOutage(t.Context(), &v1.EndOutageRequest{Name: got.GetOutage().GetName(), EndTime: stamp(now.Add(-time.Hour)), RequestId: id()})
	refused(t, err, codes.InvalidArgument, "OUTAGE_INVALID")
}

// What a shop sells counts where neither its order nor a standing order speaks.
func TestAForecastIsPlannedWhereNobodySpoke(t *testing.T) {
	k := closed(t)
	of := func(p *v1.Plan) *v1.Need {
		i := slices.IndexFunc(p.GetNeeds(), func(n *v1.Need) bool {
			return n.GetShopId() == "west" && n.GetItemId() == "sauce-3kg" && n.GetBakeDate() == "2026-11-28"
		})
		if i < 0 {
			return nil
		}
		return p.GetNeeds()[i]
	}
	before := k.draftAgain().GetPlan()
	require.Nil(t, of(before))
	sell := func(days int) {
		require.NoError(t, k.store.Update(t.Context(), func(tx commissary.Tx) error {
			for d := range days {
				s := commissary.Sale{Shop: "west", Item: "sauce-3kg", Day: civil.Date{Year: 2026, Month: time.November, Day: 26}.AddDays(-d), Pieces: quantity.Pieces(3), Kind: commissary.SaleOrdinary}
				if err := tx.Counts("main").PutSale(s); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	sell(13)
	require.Nil(t, of(k.draftAgain().GetPlan()), "too little history to believe")
	sell(28)
	after := k.draftAgain().GetPlan()
	n := of(after)
	require.NotNil(t, n)
	require.Equal(t, int64(3), n.GetPieces())
	require.Equal(t, v1.Source_SOURCE_FORECAST, n.GetSource())
	require.NotEqual(t, before.GetInputHash(), after.GetInputHash())
}
