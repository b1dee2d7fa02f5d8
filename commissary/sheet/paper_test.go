package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// printTime is when the tests print.
var printTime = time.Date(2026, 11, 27, 7, 20, 0, 0, time.UTC)

// program skips a test, with a line that is seen, where a program is not
// installed; a gate that has everything fails.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("SKIPPED: %s is not installed", name)
	return ""
}

// run runs a program and returns what it writes.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	var out, said bytes.Buffer
	cmd := exec.CommandContext(t.Context(), program(t, name), args...)
	cmd.Stdout, cmd.Stderr = &out, &said
	require.NoError(t, cmd.Run(), "%s %s: %s", name, strings.Join(args, " "), said.String())
	return out.String()
}

// chromium returns the arguments of a browser that touches nothing of the user's.
func chromium(t *testing.T, args ...string) []string {
	return append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
		"--disable-sync", "--hide-scrollbars", "--user-data-dir=" + t.TempDir()}, args...)
}

func file(t *testing.T, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, b, 0o644))
	return path
}

// limits are those of the kitchen in testdata.
func limits() Limits {
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 11, day, hour+5, minute, 0, 0, time.UTC) }
	lim := Limits{Places: 900}
	for d := 26; d < 30; d++ {
		lim.Crew = append(lim.Crew, Shift{at(d, 4, 0), at(d, 13, 0), 6}, Shift{at(d, 8, 30), at(d, 9, 0), -6}, Shift{at(d, 15, 0), at(d, 18, 0), 2})
	}
	return lim
}

func lotCode(batch string, n int) string { return fmt.Sprintf("%s-%dX", batch, n) }

// papers are every document of the night in testdata.
func papers(t *testing.T) []Paper {
	plan := read(t, "plan.json", &v1.Plan{})
	batches := []*v1.GetBatchResponse{read(t, "batch.json", &v1.GetBatchResponse{})}
	d := read(t, "dispatch.json", &v1.Dispatch{})
	if len(d.GetManifests()) == 0 {
		d.Manifests = []*v1.Manifest{read(t, "manifest.json", &v1.Manifest{})}
	}
	return []Paper{PlanPaper(plan, limits()), BatchPaper(plan, batches), LabelPaper(plan, batches, lotCode),
		PickPaper(d, read(t, "picks.json", &v1.PickList{})), ManifestPaper(d)}
}

func TestPapersForLooking(t *testing.T) {
	dir := os.Getenv("PAPERS")
	if dir == "" {
		t.Skip("SKIPPED: PAPERS names no directory to write the papers into")
	}
	for _, p := range papers(t) {
		page, err := p.HTML(printTime)
		require.NoError(t, err)
		pdf, err := p.PDF(printTime, A4)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(dir, p.Kind+".html"), []byte(page), 0o644))
		require.NoError(t, os.WriteFile(filepath.Join(dir, p.Kind+".pdf"), pdf, 0o644))
		require.NoError(t, os.WriteFile(filepath.Join(dir, p.Kind+".txt"), []byte(p.Text()), 0o644))
	}
	_ = errors.Is
}
