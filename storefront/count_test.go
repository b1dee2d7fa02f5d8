package storefront

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/civil"
)

// thursday is the night of most tests.
var thursday = civil.Date{Year: 2026, Month: time.November, Day: 26}

func TestReadCount(t *testing.T) {
	wed, thu := thursday.AddDays(-1), thursday
	for _, tc := range []struct {
		text   string
		perBox int64
		want   []Heap
	}{
		{"29", 8, []Heap{{Pieces: 29}}},
		{"0", 8, []Heap{{}}},
		{"none", 8, nil},
		{"3 boxes + 5", 8, []Heap{{Pieces: 29}}},
		{"3b+5", 8, []Heap{{Pieces: 29}}},
		{" 1 Box ", 6, []Heap{{Pieces: 6}}},
		{"2.5 boxes", 8, []Heap{{Pieces: 20}}},
		{"Wed 3 boxes + 5, Thu 2 boxes", 8, []Heap{{wed, 29}, {thu, 16}}},
		{"wednesday 12 balls,thu 0", 8, []Heap{{wed, 12}, {thu, 0}}},
		{"25: 3b, 26: 12", 8, []Heap{{wed, 24}, {thu, 12}}},
		{"2026-11-25 4", 8, []Heap{{wed, 4}}},
		{"Fri 2 packs", 1, []Heap{{thursday.AddDays(-6), 2}}},
	} {
		got, err := ReadCount(tc.text, tc.perBox, thursday)
		require.NoError(t, err, tc.text)
		require.Equal(t, tc.want, got, tc.text)
	}
	for _, text := range []string{"", ",", "+", "3 +", "+ 3", "3 5", "-4", "3 crates", "1.5", "2.5 boxes x", "2.25 boxes", "Wed", "Wed 3, Wed 4",
		"99999999999", "9999999 boxes", "32: 4", "3 boxes + + 5", "many", "wedding 3"} {
		_, err := ReadCount(text, 8, thursday)
		require.Error(t, err, text)
	}
	_, err := ReadCount("0.5 boxes", 5, thursday)
	require.ErrorContains(t, err, "not whole pieces")
}

func FuzzReadCount(f *testing.F) {
	for _, s := range []string{"3 boxes + 5", "Wed 3b+5, Thu 2 boxes", "25: 12", "none", "2.5 boxes", "2026-11-25 4"} {
		f.Add(s, int64(8))
	}
	f.Fuzz(func(t *testing.T, s string, perBox int64) {
		heaps, err := ReadCount(s, perBox%1000, thursday)
		if err != nil {
			return
		}
		seen := map[civil.Date]bool{}
		for _, h := range heaps {
			require.True(t, h.Pieces >= 0 && h.Pieces <= mostCounted)
			require.False(t, seen[h.Made], "a label twice")
			seen[h.Made] = true
		}
	})
}
