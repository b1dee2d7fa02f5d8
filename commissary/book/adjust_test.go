package book

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func TestAdjustments(t *testing.T) {
	text, err := os.ReadFile("../../testdata/kitchen.yaml")
	require.NoError(t, err)
	read := func(section string) (commissary.Book, error) { return Read("k.yaml", append(text, section...)) }
	day := func(s string) civil.Date {
		d, err := civil.ParseDate(s)
		require.NoError(t, err)
		return d
	}
	b, err := read(`
adjustments:
  fair:
    name: Street fair
    from: 2026-12-05
    to: 2026-12-06
    shops: [harbor, market]
    change: +25 %
  eve: {name: Christmas Eve, from: 2026-12-24, items: [house-280], change: -50 %, pieces: -10}
`)
	require.NoError(t, err)
	require.Equal(t, []commissary.Adjustment{
		{Name: "Street fair", From: day("2026-12-05"), To: day("2026-12-06"), Shops: []string{"harbor", "market"}, Change: 25 * quantity.Percent},
		{Name: "Christmas Eve", From: day("2026-12-24"), To: day("2026-12-24"), Items: []string{"house-280"}, Change: -50 * quantity.Percent, Pieces: -10},
	}, b.Adjustments[len(b.Adjustments)-2:])

	for section, want := range map[string]string{
		"{name: Fair, from: 2026-12-06, to: 2026-12-05, change: 5 %}":    "before its first",
		"{name: Fair, from: 2026-12-05, change: -101 %}":                 "more than 100 %",
		"{name: Fair, from: 2026-12-05}":                                 "changes nothing",
		"{name: Fair, from: 2026-12-05, shops: [habor], change: 5 %}":    `did you mean "harbor"`,
		"{name: Fair, from: 2026-12-05, items: [house-28], change: 5 %}": `did you mean "house-280"`,
		"{name: Fair, from: 2026-13-05, change: 5 %}":                    "2026-13-05",
		"{name: Fair, from: 2026-12-05, change: lots}":                   "is not a percentage",
		"{name: Fair, from: 2026-12-05, pieces: 2.5}":                    "pieces are whole",
		"{name: Fair, from: 2026-12-05, change: 5 %, weather: bad}":      `no key "weather"`,
		"{from: 2026-12-05, change: 5 %}":                                `lacks "name"`,
	} {
		_, err := read("\nadjustments:\n  fair: " + section + "\n")
		require.ErrorContains(t, err, want, section)
		require.ErrorContains(t, err, "k.yaml:", section)
	}
	require.NotContains(t, strings.Join(strings.Fields(string(text)), " "), "adjustments:", "the tests above add the section")
}
