package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

func TestDemoAddsUp(t *testing.T) {
	var talk bytes.Buffer
	play := func(args ...string) string {
		var out bytes.Buffer
		talk.Reset()
		code := run(t.Context(), append([]string{"demo"}, args...), nil, &out, &talk)
		require.Equal(t, exitDone, code, talk.String())
		return out.String()
	}
	stdout := play()
	require.Contains(t, stdout, "Does it add up?")
	require.NotContains(t, stdout, "  NO   ")
	for _, page := range []string{"BATCH PLAN", "BATCH SHEET", "PICK LIST", "MANIFEST", "THE LIST HAS CHANGED", "GO BACK", "Every stop is confirmed.", "taken once", "amended once", "refused: the night of"} {
		require.Contains(t, stdout, page)
	}

	said := regexp.MustCompile(`(?m)^(Thu|Fri) \d\d:\d\d  `).FindAllString(talk.String(), -1)
	require.Greater(t, len(said), 8, talk.String())
	require.True(t, slices.IsSortedFunc(said, func(a, b string) int { return cmp.Or(strings.Compare(b[:1], a[:1]), strings.Compare(a, b)) }), "each thing at its time: %s", talk.String())

	var doc struct {
		Orders, Manifests []json.RawMessage
		Plan              struct{ Batches []json.RawMessage }
		Proof             []sum
	}
	require.NoError(t, json.Unmarshal([]byte(play("--output", "json")), &doc))
	require.Len(t, doc.Orders, 5)
	require.Len(t, doc.Manifests, 2)
	require.NotEmpty(t, doc.Plan.Batches)
	for _, s := range doc.Proof {
		require.True(t, s.Holds, s.Text)
	}
}

// A proof that cannot fail proves nothing: every sum notices its own mistake.
func TestDemoProofNoticesMistakes(t *testing.T) {
	night, err := playNight(t.Context(), t.Output())
	require.NoError(t, err)
	_, ok := night.proof()
	require.True(t, ok)
	failing := 0
	for _, mistake := range []struct {
		name  string
		spoil func()
	}{
		{"a need", func() { night.plan.Needs[0].Pieces++ }},
		{"a making", func() { night.plan.Batches[0].Makes[0].Pieces -= 1000 }},
		{"a lost line", func() { night.dispatch.Lines[0].ItemId = "nothing" }},
		{"a line", func() { night.dispatch.Lines[0].OrderedPieces++ }},
		{"a pick", func() { night.dispatch.Picks[0].Pieces++ }},
		{"a container", func() { night.manifests[0].Stops[0].Containers++ }},
		{"a lot", func() {
			for _, l := range night.ledger {
				l.Lot.Stocks = append(l.Lot.Stocks, &v1.Stock{Place: "kitchen", Pieces: 1})
			}
		}},
		{"a drop", func() { night.road.Ride.Drops[0].Lines[0].DeliveredPieces++ }},
		{"a lost receipt", func() { night.receipts = night.receipts[1:] }},
		{"the chain", func() { night.chain.BrokenSequence = 3 }},
	} {
		mistake.spoil()
		sums, ok := night.proof()
		require.False(t, ok, mistake.name)
		wrong := 0
		for _, s := range sums {
			if !s.Holds {
				wrong++
			}
		}
		failing = min(failing+1, 9)
		require.GreaterOrEqual(t, wrong, min(failing, len(sums)-1), mistake.name)
	}
}
