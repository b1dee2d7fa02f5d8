package server_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	"doughrun/commissary/sheet"
	v1 "doughrun/proto/doughrun/v1"
)

// One van goes out twice in a morning: each run is picked, loaded, driven and
// confirmed by itself, from one dispatch, and the second leaves once the first
// is back by the plan.
func TestASecondRunOfTheSameVan(t *testing.T) {
	const noon = night + "/manifests/noon"
	k := closed(t, "      - {shop: west, travel: 12 min, stay: 20 min}\n", `  noon:
    name: Second round
    vehicle: van
    days: Mon-Sat
    departs: 08:30
    stops:
      - {shop: west, travel: 20 min, stay: 20 min}
`)
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T05:30:00-05:00"))
	d := k.dispatch()
	adds(t, d)
	require.Len(t, d.GetManifests(), 2)
	first, second := d.GetManifests()[0], d.GetManifests()[1]
	require.Equal(t, []string{"round", "noon"}, []string{first.GetRunId(), second.GetRunId()})
	require.Equal(t, first.GetVehicleName(), second.GetVehicleName())
	require.False(t, first.GetBackTime().AsTime().After(second.GetDepartTime().AsTime()), "it is back before it leaves again")
	require.Equal(t, "Morning round", second.GetAfterRunName())
	require.Equal(t, first.GetBackTime().AsTime(), second.GetAfterBackTime().AsTime())
	require.Empty(t, first.GetAfterRunName())
	picks, err := k.dispatches.GetPickList(t.Context(), &v1.GetPickListRequest{Dispatch: d.GetName(), RunId: "noon"})
	require.NoError(t, err)
	require.Equal(t, "Morning round", picks.GetPickList().GetRuns()[0].GetAfterRunName())
	require.Contains(t, sheet.Manifest(second), "load it once it is back from MORNING ROUND")
	require.Contains(t, sheet.Picks(picks.GetPickList()), "stays in the cold")
	require.NotEmpty(t, rides(first, "east"))
	require.NotEmpty(t, rides(second, "west"))
	require.Empty(t, rides(first, "west"))

	record := func(manifest, shop string, m *v1.Manifest) {
		req := &v1.RecordPickRequest{Manifest: manifest, RequestId: id()}
		for _, l := range m.GetStops()[0].GetLines() {
			req.Lines = append(req.Lines, entry(shop, l.GetItemId(), l.GetLotCode(), l.GetPieces(), 0))
		}
		_, err := k.dispatches.RecordPick(t.Context(), req)
		require.NoError(t, err)
	}
	depart := func(manifest string) *v1.DepartRunResponse {
		r, err := k.dispatches.DepartRun(t.Context(), &v1.DepartRunRequest{Name: manifest, RequestId: id(),
			Probes: []*v1.Probe{{LotCode: "B-25A", TempMillicelsius: 3_900}}})
		require.NoError(t, err)
		return r
	}
	confirm := func(manifest, shop string) (*v1.ConfirmStopResponse, error) {
		return k.dispatches.ConfirmStop(t.Context(), &v1.ConfirmStopRequest{Manifest: manifest, ShopId: shop, SignedBy: "K 7",
			Probes: []*v1.Probe{{TempMillicelsius: 4_000}}, Empties: []*v1.Empties{{Count: 4}}, RequestId: id()})
	}
	record(round, "east", first)
	k.clock.Set(at("2026-11-27T07:00:00-05:00"))
	require.Empty(t, depart(round).GetNotes())
	// What the second run brings waits in the kitchen until it is picked.
	require.Positive(t, k.where(second.GetStops()[0].GetLines()[0].GetLotCode())["kitchen"])
	record(noon, "west", second)
	_, err = confirm(noon, "west")
	refused(t, err, codes.FailedPrecondition, "RUN_NOT_LEFT")

	// The first is not confirmed when the second leaves: that is said, and both go on.
	k.clock.Set(at("2026-11-27T08:31:00-05:00"))
	require.Equal(t, []string{"By the records the same vehicle is still on run round: confirm East Side, and see that nothing of it is left on the van."}, depart(noon).GetNotes())
	k.wait(10 * time.Minute)
	east, err := confirm(round, "east")
	require.NoError(t, err)
	require.Equal(t, v1.RideState_RIDE_STATE_CLOSED, east.GetManifest().GetRide().GetState())
	west, err := confirm(noon, "west")
	require.NoError(t, err)
	require.Equal(t, v1.RideState_RIDE_STATE_CLOSED, west.GetManifest().GetRide().GetState())
	for lot, pieces := range map[string]int64{"B-25A": 60, "B-25B": 20} {
		w := k.where(lot)
		require.Zero(t, w["van/round/east"]+w["van/noon/west"])
		require.Equal(t, pieces, w["kitchen"]+w["east"]+w["west"], lot)
	}
}
