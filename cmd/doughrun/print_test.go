package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// A whole night on paper, from the service.
func TestPrintNight(t *testing.T) {
	s := serve(t)
	s.at(t, "2026-11-27T00:40:00-05:00")
	on := func(args ...string) []string { return append(args, "--night", demoNight) }
	dir := t.TempDir()
	s.must(t, exitDone, "kitchen", "adopt", kitchenFile)
	s.must(t, exitDone, "lot", "count", "--file", lotsFile)
	s.must(t, exitDone, on("order", "submit", "--file", ordersFile)...)
	s.must(t, exitRefused, on("night", "print", "--dir", dir)...)
	require.Empty(t, names(t, dir), "a night that is not planned leaves nothing behind")
	s.at(t, "2026-11-27T02:05:00-05:00")
	s.must(t, exitDone, on("night", "close")...)
	s.must(t, exitExceptions, on("plan", "release")...)

	r := s.do(t, on("night", "print", "--dir", dir)...)
	require.Equal(t, exitDone, r.code, r.stderr)
	require.Contains(t, r.stderr, "no dispatch is released")
	require.Equal(t, []string{demoNight}, names(t, dir))
	before := names(t, filepath.Join(dir, demoNight))
	require.Contains(t, before, "plan.pdf")
	require.NotContains(t, before, "picks.pdf")
	text := read(t, filepath.Join(dir, demoNight, "batches.txt"))
	for _, b := range tell(t, s, &v1.ListBatchesResponse{}, on("batch", "list")...).GetBatches() {
		require.Contains(t, text, "BATCH "+b.GetId()+"  ")
	}

	s.at(t, "2026-11-27T05:10:00-05:00")
	s.do(t, on("dispatch", "release")...)
	s.must(t, exitDone, on("night", "print", "--dir", dir, "--paper", "letter")...)
	require.Equal(t, []string{demoNight}, names(t, dir), "the folder from before is replaced")
	for _, kind := range []string{"plan", "batches", "labels", "picks", "manifests"} {
		for ending, begins := range map[string]string{"pdf": "%PDF-", "html": "<!DOCTYPE html>", "txt": ""} {
			got := read(t, filepath.Join(dir, demoNight, kind+"."+ending))
			require.True(t, strings.HasPrefix(got, begins) && len(got) > 500, "%s.%s", kind, ending)
		}
	}
	require.Equal(t, s.must(t, exitDone, on("plan", "show", "--output", "json")...), "{\n  \"plan\": "+indented(read(t, filepath.Join(dir, demoNight, "plan.json")))+"\n}\n")
	require.Contains(t, s.must(t, exitDone, on("plan", "timeline")...), "People there")
	require.Equal(t, exitUsage, s.do(t, on("night", "print", "--dir", dir, "--paper", "a3")...).code)
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	list := []string{}
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

// indented is a JSON text one level further in.
func indented(s string) string { return strings.ReplaceAll(strings.TrimSpace(s), "\n", "\n  ") }

func TestRehearsalDrawsTheTimeline(t *testing.T) {
	dir := t.TempDir()
	r := do(t, rehearsal(ordersFile, lotsFile, demoNight, demoAt, "--output", "json", "--svg", filepath.Join(dir, "t.svg"))...)
	require.Equal(t, exitExceptions, r.code, r.stderr)
	require.Contains(t, names(t, dir), "t-2026-11-27.svg")
	plan := write(t, "plan.json", r.stdout)
	got := do(t, "plan", "timeline", "--plan", plan, "--kitchen", kitchenFile)
	require.Equal(t, exitDone, got.code, got.stderr)
	require.Contains(t, got.stdout, "People there        6")
	require.Contains(t, got.stdout, "of 900 places")
	require.Equal(t, exitUsage, do(t, "plan", "timeline").code)
}
