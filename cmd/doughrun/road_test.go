package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// dispatched is a service with the demo night released to the dock.
func dispatched(t *testing.T) *service {
	t.Helper()
	s := serve(t)
	s.at(t, "2026-11-27T00:40:00-05:00")
	on := func(args ...string) []string { return append(args, "--night", demoNight) }
	s.must(t, exitDone, "kitchen", "adopt", kitchenFile)
	s.must(t, exitDone, "lot", "count", "--file", lotsFile)
	s.must(t, exitDone, on("order", "submit", "--file", ordersFile)...)
	s.at(t, "2026-11-27T02:05:00-05:00")
	s.must(t, exitDone, on("night", "close")...)
	s.must(t, exitExceptions, on("plan", "release")...)
	s.at(t, "2026-11-27T06:10:00-05:00")
	s.do(t, on("dispatch", "release")...)
	return s
}

// What a phone shows fits one.
func onAPhone(t *testing.T, text string) {
	t.Helper()
	for _, line := range strings.Split(text, "\n") {
		require.LessOrEqual(t, utf8.RuneCountInString(line), narrow, line)
	}
}

// From the dock to the doors: picked, short, departed, confirmed, with a link.
func TestDockAndRoad(t *testing.T) {
	s := dispatched(t)
	text := s.must(t, exitDone, "pick", "record", "north")
	require.Contains(t, text, "0 to pick")
	onAPhone(t, text)

	list := tell(t, s, &v1.GetPickListResponse{}, "pick", "show", "--night", demoNight, "--run", "south").GetPickList()
	var k *v1.Pick
	for _, p := range list.GetRuns()[0].GetPicks() {
		if p.GetShopId() == "harbor" && p.GetFullContainers() > 1 {
			k = p
		}
	}
	require.NotNil(t, k)
	line := k.GetItemId() + "/" + k.GetLotCode() + "=1b"
	r := s.do(t, "pick", "record", "south", "harbor", "--line", line)
	require.Equal(t, exitRefused, r.code)
	require.Contains(t, r.stderr, "say why")
	r = s.do(t, "pick", "record", "south", "harbor", "--line", line+":damaged", "--because", "crushed", "--page", "1")
	require.Equal(t, exitExceptions, r.code, r.stderr)
	require.Contains(t, r.stdout, "THE LIST HAS CHANGED")
	onAPhone(t, r.stdout)
	require.Contains(t, s.must(t, exitDone, "pick", "show", "--night", demoNight, "--run", "south"), "picked already")
	require.Contains(t, s.must(t, exitDone, "pick", "show", "--night", demoNight, "--run", "north"), "[x]")
	r = s.do(t, "manifest", "depart", "south", "--page", "1")
	require.Equal(t, exitRefused, r.code)
	require.Contains(t, r.stderr, "waste paper")

	require.Contains(t, s.do(t, "stop", "confirm", "station").stderr, "has not left")
	// A stop behind a departure that was refused waits for the next one.
	r = s.do(t, "stop", "confirm", "harbor")
	require.Equal(t, exitRefused, r.code)
	require.Contains(t, r.stderr, "the departure of its run was refused")
	text = s.must(t, exitDone, "manifest", "depart", "south", "--temp", "3.8")
	require.Contains(t, text, "SOUTH ROUND LEFT")
	require.Contains(t, text, "NEXT: "+firstStop(t, s, "south"))
	onAPhone(t, text)
	require.Contains(t, s.must(t, exitDone, "stop", "status"), "ACCEPTED stop harbor")
	s.must(t, exitDone, "manifest", "depart", "north", "--temp", "3.8")
	text = s.must(t, exitDone, "stop", "confirm", "station")
	require.Contains(t, text, "STATION ARCADE:\nDELIVERED AS ON THE MANIFEST")
	require.Contains(t, text, "NEXT: ")
	onAPhone(t, text)
	r = s.do(t, "stop", "confirm", "harbor")
	require.Equal(t, exitRefused, r.code)
	require.Contains(t, r.stderr, "confirmed already")
	r = s.do(t, "stop", "confirm", "market", "--temp", "7")
	require.Equal(t, exitRefused, r.code)
	require.Contains(t, r.stderr, "Local code decides")
	r = s.do(t, "stop", "confirm", "market", "--temp", "4.4", "--signed", "R 2", "--empties", "9", "--refused", "sauce-3kg=1", "--because", "lid open")
	require.Equal(t, exitExceptions, r.code, r.stderr)
	require.Contains(t, r.stdout, "GO BACK")
	onAPhone(t, r.stdout)
	text = s.must(t, exitDone, "order", "receipt", "--night", demoNight, "--shop", "market")
	require.Contains(t, text, "1 went back: lid open")
	onAPhone(t, text)
	// Set aside as too warm at the door: the shop reads it beside each line.
	require.Equal(t, exitExceptions, s.do(t, "stop", "confirm", "river", "--temp", "9", "--warm", "hold", "--signed", "P").code)
	text = s.must(t, exitDone, "order", "receipt", "--night", demoNight, "--shop", "river")
	require.Contains(t, text, "*** TOO WARM AT THE DROP")
	onAPhone(t, text)
	text = s.must(t, exitDone, "manifest", "show", "south")
	for _, want := range []string{"LEFT", "DELIVERED", "DIFFERS", "signed R 2", "lid open"} {
		require.Contains(t, text, want)
	}
}

// With no link: what was seen is enough to confirm, nothing is lost, and once
// there is a link it is told in order and only once.
func TestTheRoadHasNoLink(t *testing.T) {
	s := dispatched(t)
	s.must(t, exitDone, "manifest", "show", "south")
	away := func(args ...string) result {
		return do(t, append(args, "--address", "127.0.0.1:1", "--timeout", "300ms", "--outbox", s.outbox)...)
	}
	require.Contains(t, away("manifest", "show", "south").stdout, "HARBOR ROW")
	r := away("manifest", "depart", "south")
	require.Equal(t, exitUnavailable, r.code)
	require.Contains(t, r.stderr, "kept on this machine")
	require.Equal(t, exitUnavailable, away("stop", "confirm", "harbor").code)
	require.Equal(t, exitUnavailable, away("stop", "confirm", "market", "--missing", "sauce-3kg=1").code)
	r = away("stop", "status")
	require.Equal(t, exitExceptions, r.code)
	require.Equal(t, 3, strings.Count(r.stdout, "WAITING"))
	onAPhone(t, r.stdout)
	require.Contains(t, s.must(t, exitDone, "manifest", "show", "south"), "LOADING", "the kitchen knows nothing yet")
	require.Contains(t, s.must(t, exitDone, "stop", "send"), "ACCEPTED stop harbor")
	require.Contains(t, s.must(t, exitDone, "stop", "send"), "Nothing waits here.")
	m := tell(t, s, &v1.GetManifestResponse{}, "manifest", "show", "south").GetManifest()
	require.Len(t, m.GetRide().GetDrops(), 2)
	require.Equal(t, v1.StopState_STOP_STATE_DIFFERS, m.GetRide().GetDrops()[1].GetState())
	entries, err := os.ReadDir(filepath.Join(s.outbox, "road"))
	require.NoError(t, err)
	require.NotEmpty(t, entries)
}

// firstStop is the shop that a run goes to first.
func firstStop(t *testing.T, s *service, run string) string {
	t.Helper()
	return tell(t, s, &v1.GetManifestResponse{}, "manifest", "show", run).GetManifest().GetStops()[0].GetShopName()
}

// A driver's own order is laid beside the manifest's; nothing is kept.
func TestADriversOwnOrder(t *testing.T) {
	s := dispatched(t)
	var stops []string
	for _, x := range tell(t, s, &v1.GetManifestResponse{}, "manifest", "show", "south").GetManifest().GetStops() {
		stops = append(stops, x.GetShopId())
	}
	require.Len(t, stops, 3)
	ask := func(stops ...string) result {
		return s.do(t, "manifest", "order", "--night", demoNight, "--run", "south", "--stops", strings.Join(stops, ","))
	}
	same := ask(stops...)
	require.Equal(t, exitDone, same.code, same.stderr)
	require.Contains(t, same.stdout, "Asked against manifest: +0 min driving, +0")
	other := ask(stops[2], stops[1], stops[0])
	require.Contains(t, []int{exitDone, exitExceptions}, other.code, other.stderr)
	require.Equal(t, other.code == exitExceptions, strings.Contains(other.stdout, "TOO LATE"))
	require.Contains(t, other.stdout, "AS ON THE MANIFEST")
	require.Contains(t, other.stdout, "Measured: ")
	for _, wrong := range [][]string{stops[:2], {stops[0], stops[0], stops[1]}} {
		r := ask(wrong...)
		require.Equal(t, exitRefused, r.code)
		require.Contains(t, r.stderr, strings.Join(stops, ", "), "it names the stops there are")
	}
	require.Equal(t, exitRefused, s.do(t, "manifest", "order", "--night", demoNight, "--run", "east", "--stops", "harbor").code)
}
