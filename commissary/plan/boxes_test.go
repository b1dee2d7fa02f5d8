package plan

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// What a timeline shows of boxes and dollies, reckoned by hand: ten pieces in
// boxes of four, two boxes to a dolly, a box out for two days and three hours washed.
func TestFilledBy(t *testing.T) {
	at := func(day, hour int) time.Time { return time.Date(2026, 6, day, hour, 0, 0, 0, time.UTC) }
	b := commissary.Book{
		Containers: []commissary.Container{{ID: "box", Owned: 30, DaysOut: 2, WashAndDry: 3 * quantity.Hour, Dollies: 5, PerDolly: 2}, {ID: "pail"}},
		Items: []commissary.Item{{ID: "ball", Container: "box", PerBox: 4, Window: commissary.Window{Max: 72 * quantity.Hour}},
			{ID: "sauce", Container: "pail", PerBox: 1}},
	}
	p := commissary.Plan{
		Needs: []commissary.Need{{Shop: "late", Item: "ball", Departs: at(7, 6)}, {Shop: "soon", Item: "ball", Departs: at(6, 6)}},
		Batches: []commissary.Batch{{ID: "1", MixEnd: at(5, 9), Makes: []commissary.Making{{Item: "ball", Pieces: 10}, {Item: "sauce", Pieces: 3}},
			Steps:  []commissary.Booking{{Step: commissary.StepMix, From: at(5, 8), To: at(5, 9)}, {Step: commissary.StepDivide, Resource: "bench", From: at(5, 10), To: at(5, 11)}},
			Serves: []commissary.Serve{{Shop: "late", Item: "ball", Pieces: 3}, {Shop: "soon", Item: "ball", Pieces: 5}}}},
	}
	require.Equal(t, []Filled{
		{"box", false, at(5, 10), at(8, 9), 1},  // five leave on the 6th: of three boxes one is empty then
		{"box", false, at(5, 10), at(9, 9), 1},  // three on the 7th
		{"box", false, at(5, 10), at(8, 12), 1}, // two that nobody takes, until their hard maximum
		{"box", true, at(5, 10), at(8, 6), 1},   // two dollies at first
		{"box", true, at(5, 10), at(8, 9), 1},
	}, FilledBy(b, p))
}
