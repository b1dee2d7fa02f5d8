package server_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// shortFor is how many pieces a plan is short of, by what bound.
func shortFor(p *v1.Plan) map[string]int64 {
	short := map[string]int64{}
	for _, e := range p.GetExceptions() {
		if e.GetCode() == "SHORT" {
			short[e.GetLimit()] += e.GetPieces()
		}
	}
	return short
}

// boxesOf is how many boxes of eight balls a plan fills, none of them back in its days.
func boxesOf(p *v1.Plan) (boxes int64) {
	for _, b := range p.GetBatches() {
		for _, m := range b.GetMakes() {
			if m.GetItemId() == "ball" {
				boxes += (m.GetPieces() + 7) / 8
			}
		}
	}
	return boxes
}

// Boxes that a released dispatch took along are not at home: a plan that needs
// one more than are left goes short of what would have been in it.
func TestBoxesOnTheRoadAreNotFilled(t *testing.T) {
	plans := func(owned int64) (loading, left *v1.Plan, away int64) {
		k := closed(t, "owned: 300", fmt.Sprintf("owned: %d, days_out: 3, wash_and_dry: 12 h", owned))
		_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
		require.NoError(t, err)
		k.clock.Set(at("2026-11-27T05:30:00-05:00"))
		for _, p := range k.dispatch().GetPicks() {
			if p.GetItemId() == "ball" {
				away += (p.GetPieces() + 7) / 8
			}
		}
		k.clock.Set(at("2026-11-27T06:59:00-05:00")) // the round leaves at seven
		loading = k.draftAgain().GetPlan()
		k.clock.Set(at("2026-11-27T07:01:00-05:00"))
		return loading, k.draftAgain().GetPlan(), away
	}
	_, all, away := plans(300)
	require.Empty(t, shortFor(all))
	require.Positive(t, away)
	enough := boxesOf(all) + away

	_, all, _ = plans(enough)
	require.Empty(t, shortFor(all), "as many as ride and are filled")
	loading, less, _ := plans(enough - 1)
	require.Equal(t, map[string]int64{"boxes": 8}, shortFor(less), "one box less")
	require.Empty(t, shortFor(loading), "they are at home until the round leaves, and what the round is loading is no need any more")
}

// What an earlier night posted and an outage lies across is planned anew by the
// next one: its release takes the old batch back, and that batch alone.
func TestAPlanTakesBackWhatAnOutageMoved(t *testing.T) {
	k := closed(t)
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-28T01:10:00-05:00"))
	const next = main + "/nights/2026-11-27"
	_, err = k.nights.CloseNight(t.Context(), &v1.CloseNightRequest{Name: next, RequestId: id()})
	require.NoError(t, err)

	was := k.posted()
	var hit *v1.Batch
	for _, b := range was {
		if b.GetVesselId() == "mixer" && loaded(b).After(k.clock.Now()) && (hit == nil || loaded(b).Before(loaded(hit))) {
			hit = b
		}
	}
	require.NotNil(t, hit)
	_, err = k.plans.ReportOutage(t.Context(), &v1.ReportOutageRequest{Kitchen: main, ResourceId: "mixer", EndTime: stamp(loaded(hit).Add(time.Minute)), Reason: "belt torn", RequestId: id()})
	require.NoError(t, err)
	r, err := k.plans.DraftPlan(t.Context(), &v1.DraftPlanRequest{Night: next, Seed: 7, Steps: steps()})
	require.NoError(t, err)
	require.Len(t, k.posted(), len(was), "a draft takes nothing back")
	req := release(r.GetPlan())
	req.Night = next
	released, err := k.plans.ReleasePlan(t.Context(), req)
	require.NoError(t, err)
	require.Condition(t, func() bool {
		return slices.ContainsFunc(mixes(released.GetPlan()), func(b *v1.Batch) bool {
			return b.GetFormulaId() == hit.GetFormulaId() && loaded(b).After(loaded(hit))
		})
	}, "it is made later")
	delete(was, hit.GetId())
	left := k.posted()
	require.Len(t, left, len(was))
	for id, b := range was {
		require.NotNil(t, left[id], id)
		same(t, b, left[id])
	}
}
