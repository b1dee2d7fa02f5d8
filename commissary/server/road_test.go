package server_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	v1 "doughrun/proto/doughrun/v1"
)

// aFreeRound makes the round's order free. The last way is what the two
// directions differ by.
func aFreeRound(home string) []string {
	return []string{
		"    departs: 07:00\n    stops:\n      - {shop: east, travel: 15 min, stay: 20 min}\n      - {shop: west, travel: 12 min, stay: 20 min}",
		"    departs: 07:00\n    back_by: 09:00\n    sequence: free\n    stops:\n      - {shop: east, stay: 20 min}\n      - {shop: west, stay: 20 min}",
		"vehicles:\n",
		"roads:\n  ways:\n" +
			"    kitchen: {east: \"15 min, 8 km\", west: \"15 min, 8 km\"}\n" +
			"    east: {west: \"12 min, 6 km\", kitchen: \"15 min, 8 km\"}\n" +
			"    west: {east: \"12 min, 6 km\", kitchen: \"" + home + ", 8 km\"}\nvehicles:\n",
	}
}

// onTheRoad is a kitchen whose dispatch is released with the round's order free.
func onTheRoad(t *testing.T, home string) (*kitchen, *v1.Dispatch) {
	k := closed(t, aFreeRound(home)...)
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T05:30:00-05:00"))
	return k, k.dispatch()
}

// stopsOf is in which order a dispatch's round drives.
func stopsOf(d *v1.Dispatch) []string {
	var shops []string
	for _, s := range d.GetManifests()[0].GetStops() {
		shops = append(shops, s.GetShopId())
	}
	return shops
}

// A driver's own order is laid beside the manifest's, to the minute.
func TestCompareOrder(t *testing.T) {
	k, d := onTheRoad(t, "45 min")
	require.Equal(t, []string{"west", "east"}, stopsOf(d), "the way home from west is long")
	compare := func(shops ...string) (*v1.CompareOrderResponse, error) {
		return k.dispatches.CompareOrder(t.Context(), &v1.CompareOrderRequest{Manifest: round, ShopIds: shops})
	}
	m, err := compare("east", "west")
	require.NoError(t, err)
	// 07:00, east 07:15 to 07:35, west 07:47 to 08:07, home at 08:52; against home from east at 08:22.
	ours, asked := m.GetOurs(), m.GetAsked()
	require.Equal(t, []int64{72 * 60, 42 * 60}, []int64{asked.GetDriveSeconds(), ours.GetDriveSeconds()})
	require.Equal(t, []int64{22_000, 22_000}, []int64{asked.GetRoadM(), ours.GetRoadM()})
	require.True(t, asked.GetBackTime().AsTime().Equal(at("2026-11-27T08:52:00-05:00")))
	require.True(t, asked.GetStops()[1].GetArriveTime().AsTime().Equal(at("2026-11-27T07:47:00-05:00")))
	require.Zero(t, asked.GetOvertimeSeconds())
	require.Equal(t, "3 ways as listed in the book", m.GetMeasured())
	require.Equal(t, []string{"west", "east"}, stopsOf(k.newest()), "asking changes nothing")

	for _, shops := range [][]string{{"east"}, {"east", "east"}, {"east", "west", "north"}} {
		_, err = compare(shops...)
		s, _, _ := refused(t, err, codes.InvalidArgument, "STOPS_DIFFER")
		require.Contains(t, s.Message(), "west, east")
	}
	_, err = k.dispatches.CompareOrder(t.Context(), &v1.CompareOrderRequest{Manifest: night + "/manifests/sunday", ShopIds: []string{"east"}})
	require.Error(t, err)
}

// Once released, a dispatch is not drafted again from what is left: nearly all
// would look short.
func TestAReleasedDispatchIsNotDraftedAgain(t *testing.T) {
	k, _ := loading(t)
	_, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
	s, _, _ := refused(t, err, codes.FailedPrecondition, "NIGHT_DISPATCHED")
	require.Contains(t, s.Message(), "pick by that dispatch")
}

// What went out on one day is expected back on the next, by the released
// dispatch and not by a new reckoning.
func TestEmptiesOfTheDayBeforeAreExpected(t *testing.T) {
	k, d := loading(t)
	sent := map[string]int32{}
	for _, p := range d.GetPicks() {
		if p.GetItemId() == "ball" {
			sent[p.GetShopId()] += p.GetFullContainers()
			if p.GetLoosePieces() > 0 {
				sent[p.GetShopId()]++
			}
		}
	}
	require.NotEmpty(t, sent)
	const next = main + "/nights/2026-11-27"
	k.clock.Set(at("2026-11-28T01:10:00-05:00"))
	_, err := k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
		{LotCode: "B-26A", ItemId: "ball", Pieces: 120, MadeTime: stamp(at("2026-11-26T08:00:00-05:00"))}}})
	require.NoError(t, err)
	_, err = k.nights.CloseNight(t.Context(), &v1.CloseNightRequest{Name: next, RequestId: id()})
	require.NoError(t, err)
	draft, err := k.plans.DraftPlan(t.Context(), &v1.DraftPlanRequest{Night: next, Seed: 7, Steps: steps()})
	require.NoError(t, err)
	req := release(draft.GetPlan())
	req.Night = next
	_, err = k.plans.ReleasePlan(t.Context(), req)
	require.NoError(t, err)
	k.clock.Set(at("2026-11-28T05:30:00-05:00"))
	today, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: next})
	require.NoError(t, err)
	back := map[string]int32{}
	for _, s := range today.GetDispatch().GetManifests()[0].GetStops() {
		for _, e := range s.GetExpectedEmpties() {
			require.Equal(t, "box", e.GetContainerId())
			back[s.GetShopId()] += e.GetContainers()
		}
	}
	require.Equal(t, sent, back)
}
