package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

func checkOutages(t *testing.T, s commissary.Store) {
	get := func(kitchen string, n int) func(commissary.Tx) (commissary.ReportedOutage, error) {
		return func(tx commissary.Tx) (commissary.ReportedOutage, error) { return tx.Outages(kitchen).Get(n) }
	}
	missing(t, s, "OUTAGE_NOT_FOUND", get(here, 1))
	report := func(n int, to time.Time) commissary.ReportedOutage {
		return commissary.ReportedOutage{Outage: commissary.Outage{Resource: "big-mixer", From: noon, To: to, Why: "belt torn"}, Number: n, By: "baker", Reported: noon}
	}
	all := []commissary.ReportedOutage{report(1, time.Time{}), report(2, noon.Add(time.Hour)), report(3, noon.Add(2*time.Hour))}
	for _, o := range all {
		update(t, s, func(tx commissary.Tx) error { return tx.Outages(here).Append(o) })
	}
	for _, wrong := range []int{0, 3, 5} {
		refuses(t, s, commissary.Conflict, "STALE_REVISION", func(tx commissary.Tx) error { return tx.Outages(here).Append(report(wrong, noon)) })
	}
	require.Equal(t, all[1], read(t, s, get(here, 2)))
	missing(t, s, "OUTAGE_NOT_FOUND", get(there, 2))
	open := func(at time.Time) (numbers []int) {
		for _, o := range read(t, s, func(tx commissary.Tx) ([]commissary.ReportedOutage, error) { return tx.Outages(here).NotOver(at) }) {
			numbers = append(numbers, o.Number)
		}
		return numbers
	}
	require.Equal(t, []int{1, 2, 3}, open(noon))
	require.Equal(t, []int{1, 3}, open(noon.Add(time.Hour)), "what ends at an instant is over then")
	require.Equal(t, []int{1}, open(noon.Add(1000*time.Hour)), "until further notice")

	ended := all[0]
	ended.To, ended.EndedBy = noon.Add(time.Minute), "fitter"
	update(t, s, func(tx commissary.Tx) error { return tx.Outages(here).Amend(ended) })
	require.Equal(t, ended, read(t, s, get(here, 1)))
	require.Empty(t, open(noon.Add(1000*time.Hour)))
	refuses(t, s, commissary.NotFound, "OUTAGE_NOT_FOUND", func(tx commissary.Tx) error { return tx.Outages(here).Amend(report(9, noon)) })

	for _, c := range []struct {
		before, limit int
		want          []int
	}{{0, 0, []int{3, 2, 1}}, {0, 2, []int{3, 2}}, {3, 1, []int{2}}, {1, 9, nil}} {
		var got []int
		for _, o := range read(t, s, func(tx commissary.Tx) ([]commissary.ReportedOutage, error) {
			return tx.Outages(here).List(c.before, c.limit)
		}) {
			got = append(got, o.Number)
		}
		require.Equal(t, c.want, got, "before %d limit %d", c.before, c.limit)
	}
}
