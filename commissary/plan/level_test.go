package plan

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// shortDay is a day whose one mixer and one hour of hands make far less than
// is ordered, for shops whose windows close minutes apart. All order as much.
func shortDay(t testing.TB, shops int) Input {
	t.Helper()
	in := generate(dayShape{shops: shops, items: 1, formulas: 1, vessels: 1, days: 1, load: 0.5, crew: 4}, 1)
	b := &in.Book
	for i := range b.Shops {
		open := civil.Clock(11*3600 + 300*i)
		b.Shops[i].Service[0].Hours = commissary.Hours{From: open, To: open + 10*3600}
	}
	b.Shifts = []commissary.Shift{{ID: "day", Days: civil.EveryDay, From: 9 * 3600, To: 9*3600 + 3600, Heads: 4}}
	b.Items[0].Window.Min, b.Items[0].Window.Best, b.Items[0].Window.Band = 24*quantity.Hour, 30*quantity.Hour, 6*quantity.Hour
	b.Items[0].Window.Max = 72 * quantity.Hour
	for i := range in.Orders {
		in.Orders[i].Lines = []commissary.OrderLine{{Item: b.Items[0].ID, Pieces: 400, BakeDate: in.Night.AddDays(2)}}
	}
	return in
}

// What batches make too little of is short at every shop that they could have
// served, not at the one whose window closes last.
func TestAShortBatchIsShared(t *testing.T) {
	in := shortDay(t, 3)
	p, err := Make(in)
	require.NoError(t, err)
	require.Empty(t, brokenRules(Check(in, p)))
	got := map[string]quantity.Pieces{}
	for _, b := range p.Batches {
		for _, s := range b.Serves {
			got[s.Shop] += s.Pieces
		}
	}
	var all quantity.Pieces
	for _, n := range got {
		all += n
	}
	require.NotZero(t, all)
	require.Less(t, all, quantity.Pieces(3*400), "the day is not short")
	for _, s := range in.Book.Shops {
		require.InDelta(t, float64(all)/3, float64(got[s.ID]), 1, "%s of %v", s.ID, got)
	}
}
