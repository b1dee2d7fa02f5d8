package route_test

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/plan/internal/route"
)

// One vehicle with windows: every optimum is found and proved within the
// budget; the processor time is printed. Objectives and values as in best_known.csv: travel
// time without waiting for the Dumas sets, makespan for Langevin's.
func TestTravellingWithWindows(t *testing.T) {
	for _, row := range table(t, filepath.Join(folder(t, "tsptw"), "best_known.csv")) {
		t.Run(row["file"], func(t *testing.T) {
			data := tsptw(t, row["file"])
			switch row["objective"] {
			case "makespan":
				data.Objective.PerFinish = 1
			case "travel_time":
				data.Objective.PerTravel = 1
			default:
				t.Fatalf("unknown objective %q", row["objective"])
			}
			p, err := route.New(data)
			require.NoError(t, err)
			began := cpu(t)
			r := route.Solve(p, route.Options{Seed: 1, Steps: 4000})
			took := cpu(t) - began
			require.Empty(t, route.Check(p, r.Routes))
			require.Equal(t, tenths(t, row["value"]), int64(r.Cost.Rank.Price))
			require.True(t, r.Proved)
			require.Equal(t, r.Cost.Rank, r.Bound)
			t.Logf("%d stops, %d steps, %v of processor time", len(data.Stops), r.Steps, took.Round(time.Millisecond))
		})
	}
}
