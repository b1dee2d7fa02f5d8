package server

import (
	"archive/zip"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// zones are the names of the zone database that travels with the program.
func zones(t *testing.T) []string {
	t.Helper()
	root, err := exec.Command("go", "env", "GOROOT").Output()
	require.NoError(t, err)
	z, err := zip.OpenReader(filepath.Join(strings.TrimSpace(string(root)), "lib", "time", "zoneinfo.zip"))
	require.NoError(t, err)
	defer z.Close() // it was only read
	var names []string
	for _, f := range z.File {
		if !strings.HasSuffix(f.Name, "/") {
			names = append(names, f.Name)
		}
	}
	return names
}

// A cut-off set a second before, at and after every change of clocks, and in
// the middle of its gap or fold, is the first instant at which a clock on the
// wall shows it or more: a line is in time then, and late a second after.
func TestCutOffsAtEveryChangeOfClocks(t *testing.T) {
	first, last := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
	changes, cases, changing := 0, 0, 0
	for _, name := range zones(t) {
		zone, err := civil.LoadZone(name)
		require.NoError(t, err, name)
		location, err := time.LoadLocation(name)
		require.NoError(t, err, name)
		// wall is what a clock on the wall shows, as if it were UTC.
		wall := func(at time.Time) time.Time {
			_, offset := at.In(location).Zone()
			return at.Add(time.Duration(offset) * time.Second)
		}
		before := changes
		for at := first; at.Before(last); {
			_, end := at.In(location).ZoneBounds()
			if end.IsZero() || !end.Before(last) {
				break
			}
			at = end.UTC()
			old, new := wall(at.Add(-time.Second)).Add(time.Second), wall(at)
			if old.Equal(new) {
				continue // another name, the same time
			}
			changes++
			middle := old.Add(new.Sub(old) / 2)
			for _, shown := range []time.Time{old.Add(-time.Second), old, old.Add(time.Second), middle, new.Add(-time.Second), new, new.Add(time.Second)} {
				cases++
				shown = shown.Truncate(time.Second)
				checkCutOff(t, name, zone, wall, shown, at)
			}
		}
		if changes > before {
			changing++
		}
	}
	t.Logf("%d changes of clocks in %d zones, %d cut-offs", changes, changing, cases)
	require.Greater(t, changes, 500)
}

func checkCutOff(t *testing.T, name string, zone *civil.Zone, wall func(time.Time) time.Time, shown, change time.Time) {
	t.Helper()
	night := civil.Date{Year: shown.Year(), Month: shown.Month(), Day: shown.Day()}
	clock := civil.Clock(shown.Hour()*3600 + shown.Minute()*60 + shown.Second())
	if clock < 12*3600 { // the morning belongs to the evening before
		night, clock = night.AddDays(-1), clock.NextDay()
	}
	item := commissary.Item{ID: "ball", CutOff: "dough", Ship: commissary.ShipPolicy{BakeAfter: 2}}
	b := commissary.Book{CutOffs: []commissary.CutOff{{Class: "dough", At: clock}}}
	d := desk{kitchen: &kitchen{Book: b, zone: zone}, night: night}
	got := d.cutOff(item, night.AddDays(2))

	if wall(got).Before(shown) {
		t.Fatalf("%s, change at %s: the cut-off %s is %s on the wall, before %s", name, change, got, wall(got), shown)
	}
	for _, back := range []time.Duration{time.Second, time.Minute, 30 * time.Minute, time.Hour, time.Hour + time.Second, 2 * time.Hour, 3 * time.Hour, 24 * time.Hour} {
		if earlier := got.Add(-back); !wall(earlier).Before(shown) {
			t.Fatalf("%s, change at %s: the wall showed %s at %s already, before the cut-off %s", name, change, shown, earlier, got)
		}
	}
}
