package plan

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/quantity"
)

// Everything on hand that may be used is picked, kept for somebody or offered, once.
func TestSurplusLeavesNothingOut(t *testing.T) {
	in := demoNight(t)
	d, err := Dispatch(in)
	require.NoError(t, err)
	spares, err := Surplus(in, d)
	require.NoError(t, err)
	got := map[string]quantity.Pieces{}
	for _, p := range d.Picks {
		got[p.Lot] += p.Pieces
	}
	needs, _, err := Demand(in)
	require.NoError(t, err)
	later := 0
	for _, s := range spares {
		require.Positive(t, s.Pieces)
		got[s.Lot] += s.Pieces
		if s.BakeDate.IsZero() {
			continue
		}
		later++
		for _, n := range needs {
			if n.Shop == s.Shop && n.Item == s.Item && n.BakeDate == s.BakeDate {
				made := lotOf(&in, s.Lot).Made
				require.False(t, made.Before(n.MadeFrom) || made.After(n.MadeTo), "%v", s)
			}
		}
	}
	require.Positive(t, later, "Saturday is served from what is on hand")
	for _, l := range in.Lots {
		if l.Item != "" && l.Held == "" {
			require.Equal(t, l.Pieces, got[l.Code], l.Code)
		}
	}
	// A lot on hold is suggested to nobody.
	in.Lots[0].Held = "torn bag"
	d, err = Dispatch(in)
	require.NoError(t, err)
	spares, err = Surplus(in, d)
	require.NoError(t, err)
	for _, s := range spares {
		require.NotEqual(t, in.Lots[0].Code, s.Lot)
	}
}
