package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// checkRides keeps rides as they stand, and lets none come back.
func checkRides(t *testing.T, s commissary.Store) {
	list := func(date civil.Date) []commissary.Ride {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Ride, error) { return tx.Rides(here).List(date) })
	}
	loading := func() (names []string) {
		for _, r := range read(t, s, func(tx commissary.Tx) ([]commissary.Ride, error) { return tx.Rides(here).Loading() }) {
			names = append(names, r.Night.String()+" "+r.Run)
		}
		return names
	}
	put := func(r commissary.Ride) func(commissary.Tx) error {
		return func(tx commissary.Tx) error { return tx.Rides(here).Put(r) }
	}
	require.Empty(t, list(night))
	ride := commissary.Ride{Night: night, Run: "south", State: commissary.RideLoading, Since: []commissary.PageSince{{Shop: "harbor", Revision: 1}},
		Picked: []commissary.PickedLine{{Shop: "harbor", Item: "ball", BakeDate: night.AddDays(1), Lot: "L1", Listed: 12, Pieces: 9, Cause: commissary.Damaged, Note: "lid off", At: noon, By: "dock"}}}
	other := commissary.Ride{Night: night, Run: "north", State: commissary.RideLoading}
	update(t, s, put(ride))
	update(t, s, put(other))
	update(t, s, put(commissary.Ride{Night: night.AddDays(-1), Run: "south", State: commissary.RideLoading}))
	require.Equal(t, []commissary.Ride{other, ride}, list(night))
	require.Equal(t, []string{"2026-11-25 south", "2026-11-26 north", "2026-11-26 south"}, loading())
	ride.State, ride.Left = commissary.RideDeparted, commissary.Departure{At: noon, Kept: noon.Add(time.Minute), By: "driver", Probes: []commissary.Probe{{Lot: "L1", Temp: 3_500}}}
	update(t, s, put(ride))
	require.Equal(t, []string{"2026-11-25 south", "2026-11-26 north"}, loading())
	back := ride
	back.State = commissary.RideLoading
	refuses(t, s, commissary.Internal, "STORE_REFUSED", put(back))
	ride.State, ride.Drops = commissary.RideClosed, []commissary.Drop{{Shop: "harbor", State: commissary.StopDiffers, At: noon, Kept: noon, By: "driver", Signed: "K. 7",
		Lines: []commissary.DropLine{{Item: "ball", Lot: "L1", Listed: 9, Missing: 1, Refused: 2, Why: "soft"}}, Empties: []commissary.Empties{{Container: "box", Count: 4}}}}
	update(t, s, put(ride))
	require.Equal(t, []commissary.Ride{other, ride}, list(night))
	require.Empty(t, read(t, s, func(tx commissary.Tx) ([]commissary.Ride, error) { return tx.Rides(there).List(night) }))
}
