package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// Lots through the command line, from the delivery to the recall.
func TestLots(t *testing.T) {
	s := serve(t)
	s.at(t, "2026-11-27T02:05:00-05:00")
	s.must(t, exitDone, "kitchen", "adopt", kitchenFile)
	s.must(t, exitDone, "lot", "count", "--file", lotsFile)
	const lot = "20261125-01-house-280"

	// Ingredients come in, and one that declares more than the book is blocked.
	receive := []string{"lot", "receive", "pizza-flour", "--lot", "W 48/2", "--supplier", "Hollow Mill", "--quantity", "500 kg", "--use-by", "2027-03-31", "--temp", "14 °C", "--document", "DN 7"}
	require.Contains(t, s.must(t, exitDone, append(receive, "--allergens", "wheat")...), "pizza-flour.W-48-2")
	require.Contains(t, s.must(t, exitExceptions, "lot", "receive", "olive-oil", "--lot", "OO1", "--supplier", "Grove", "--quantity", "50 kg", "--allergens", "soy"), "BLOCKED")
	require.Contains(t, s.do(t, "lot", "open", "olive-oil", "OO1").stderr, "must not be used yet")
	s.must(t, exitDone, "lot", "settle", "olive-oil.OO1", "--reason", "sheets and shops told")
	s.must(t, exitDone, "lot", "open", "olive-oil", "OO1", "--top-up")
	require.Contains(t, s.must(t, exitDone, "lot", "open", "pizza-flour", "W 48/2"), "pizza-flour.W-48-2")
	s.must(t, exitRefused, "lot", "receive", "pizza-flour", "--lot", "x", "--supplier", "y", "--quantity", "many")
	require.Contains(t, s.do(t, "lot", "receive", "flour", "--lot", "x", "--supplier", "y", "--quantity", "5 kg").stderr, "there is pizza-flour, strong-flour")
	warm := s.do(t, "lot", "receive", "mozzarella", "--lot", "M9", "--supplier", "Plains Dairy", "--quantity", "200 kg", "--temp", "48 °F", "--use-by", "2026-11-20")
	require.Equal(t, exitExceptions, warm.code)
	for _, want := range []string{"use-by Fri 20 Nov 2026 is over", "is to come at 5 °C or colder"} {
		require.Contains(t, warm.stderr, want)
	}
	require.Contains(t, s.do(t, "lot", "receive", "mozzarella", "--lot", "M9", "--supplier", "Plains Dairy", "--quantity", "200 kg", "--use-by", "2026-11-20").stderr, "received already")
	s.must(t, exitRefused, "lot", "receive", "pizza-flour", "--lot", "x", "--supplier", "y", "--quantity", "5 kg", "--allergens", "moonstone")
	shown := s.must(t, exitDone, "lot", "show", "pizza-flour.W-48-2")
	for _, want := range []string{"Hollow Mill", "W 48/2", "14 °C", "31 Mar 2027", "received", "DN 7"} {
		require.Contains(t, shown, want)
	}

	require.Contains(t, s.must(t, exitDone, "lot", "trace", "W 48/2"), "pizza-flour.W-48-2", "by what is printed on the sack")

	// A box goes to a shop, and one ball is thrown away.
	s.must(t, exitDone, "lot", "move", lot, "--to", "van/south/harbor", "--quantity", "24", "--reference", "m1")
	s.must(t, exitDone, "lot", "move", lot, "--from", "van/south/harbor", "--to", "harbor", "--quantity", "23")
	s.must(t, exitRefused, "lot", "move", lot, "--from", "harbor", "--to", "kitchen", "--quantity", "3")
	s.must(t, exitRefused, "lot", "move", lot, "--to", "waste", "--quantity", "1")
	s.must(t, exitDone, "lot", "move", lot, "--to", "waste", "--quantity", "1", "--reason", "dropped")
	require.Contains(t, s.must(t, exitDone, "lot", "list", "--place", "harbor"), lot)

	// Hold, trace, recall.
	require.Contains(t, s.must(t, exitDone, "lot", "hold", lot, "--reason", "a shop found metal"), "HOLD")
	require.Contains(t, s.must(t, exitDone, "lot", "show", lot), "a shop found metal")
	require.Contains(t, s.do(t, "lot", "move", lot, "--from", "van/south/harbor", "--to", "harbor", "--quantity", "1").stderr, "on hold")
	require.Contains(t, s.must(t, exitDone, "lot", "trace", lot), "WHAT BECAME OF THEM")
	folder := filepath.Join(t.TempDir(), "recall")
	page := s.must(t, exitDone, "lot", "recall", lot, "--folder", folder)
	require.Contains(t, page, "Harbor Row")
	require.Equal(t, page, read(t, filepath.Join(folder, "recall.txt")))
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	var files []string
	for _, e := range entries {
		files = append(files, e.Name())
	}
	require.Subset(t, files, []string{"recall.html", "recall.txt", "receiving.csv", "shipping.csv", "shops.csv", "transforming.csv"})
	require.Contains(t, read(t, filepath.Join(folder, "shipping.csv")), "24 pieces")
	require.Contains(t, s.do(t, "lot", "recall", lot, "--folder", folder).stderr, "name another folder", "nothing is overwritten")
	require.Contains(t, s.must(t, exitDone, "lot", "recall", "--drill"), "AN EXERCISE")
	s.must(t, exitRefused, "lot", "recall")
	s.must(t, exitRefused, "lot", "trace", "20261125-01-1A")
	s.must(t, exitRefused, "lot", "trace", "nowhere")
	s.must(t, exitDone, "lot", "release", lot, "--reason", "it was the shop's own knife")
	s.must(t, exitDone, "lot", "destroy", lot, "--reason", "to be sure", "--place", "harbor")
	require.Contains(t, s.do(t, "lot", "label", lot, "--last", "2026-11-28").stderr, "gtin")

	// What to bring for a night that is not planned yet.
	m := tell(t, s, &v1.GetIssueSheetResponse{}, "lot", "issue", "--night", demoNight)
	require.Zero(t, m.GetPlanRevision())
	require.NotEmpty(t, m.GetLines())
	require.Contains(t, s.do(t, "lot", "issue", "--night", demoNight).stdout, "FROM THE COOLER")
	require.Contains(t, s.must(t, exitDone, "lot", "surplus", "--night", demoNight), "keep for")
	require.Contains(t, s.must(t, exitDone, "batch", "variance", "--from", demoNight), "No batch came out")
	require.Contains(t, s.must(t, exitDone, "batch", "variance", "--from", demoNight, "--csv"), "planned_pieces")
	require.Contains(t, s.must(t, exitDone, "audit", "verify"), "It holds")
}

// A drill takes the lot of the last week that reached most shops, and says how
// long the answer took.
func TestRecallDrill(t *testing.T) {
	s := serve(t)
	s.at(t, "2026-11-27T02:05:00-05:00")
	s.must(t, exitDone, "kitchen", "adopt", kitchenFile)
	require.Contains(t, s.do(t, "lot", "recall", "--drill").stderr, "no lot to exercise with")
	s.must(t, exitDone, "lot", "count", "--file", write(t, "lots.csv", `code,item,formula,quantity,made,held
OLD,onion-1kg,,30,2026-11-18 01:00,
ONE,house-280,,48,2026-11-25 05:10,
TWO,house-280,,48,2026-11-25 06:10,
`))
	s.must(t, exitDone, "lot", "receive", "pizza-flour", "--lot", "W1", "--supplier", "Hollow Mill", "--quantity", "500 kg")
	for lot, shops := range map[string][]string{"OLD": {"harbor", "market", "river"}, "ONE": {"harbor"}, "TWO": {"harbor", "market"}} {
		for _, shop := range shops {
			van := "van/south/" + shop
			s.must(t, exitDone, "lot", "move", lot, "--to", van, "--quantity", "8")
			s.must(t, exitDone, "lot", "move", lot, "--from", van, "--to", shop, "--quantity", "8")
		}
	}
	drill := s.do(t, "lot", "recall", "--drill")
	require.Equal(t, exitDone, drill.code)
	require.Contains(t, drill.stderr, "drill on lot TWO, which reached 2 shops", "OLD is older than a week, and nothing was made of the flour yet")
	require.Regexp(t, `answered after [0-9.]+m?s`, drill.stderr)
	for _, want := range []string{"RECALL DRILL: AN EXERCISE", "Harbor Row", "Market Square", "555-0102"} {
		require.Contains(t, drill.stdout, want)
	}
	folder := filepath.Join(t.TempDir(), "drill")
	written := s.do(t, "lot", "recall", "--drill", "--folder", folder)
	require.Regexp(t, `[0-9] files in .* after [0-9.]+m?s`, written.stderr)
	require.Contains(t, read(t, filepath.Join(folder, "recall.txt")), "AN EXERCISE")
}
