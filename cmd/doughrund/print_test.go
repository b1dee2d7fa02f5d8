package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/config"
	v1 "doughrun/proto/doughrun/v1"
)

// With a folder to print into, the service writes a night's papers at the
// release of its plan and of its dispatch, and again when the dock changes it;
// all of them are there once it has stopped.
func TestTheServicePrintsByItself(t *testing.T) {
	dir := t.TempDir()
	s, source, b, _, stop := onStage(t, func(c *config.Service) { c.PrintDir, c.Paper = dir, "a4" })
	night := &played{lotsBefore: map[string]int64{}, ledger: map[string]*v1.GetLotResponse{}}
	require.NoError(t, s.open(source, b, night))
	require.NoError(t, s.order(b, night))
	folder := filepath.Join(dir, demoKitchen, demoNight)
	require.Eventually(t, func() bool { _, err := os.Stat(filepath.Join(folder, "plan.pdf")); return err == nil }, time.Minute, 20*time.Millisecond)
	require.NoError(t, s.bake(night))
	require.NoError(t, s.send(night))
	require.NoError(t, s.drive(night))
	require.Empty(t, stop())
	for _, name := range []string{"plan.pdf", "batches.html", "labels.pdf", "picks.pdf", "manifests.html", "manifests.pdf"} {
		info, err := os.Stat(filepath.Join(folder, name))
		require.NoError(t, err)
		require.Greater(t, info.Size(), int64(500), name)
	}
	text, err := os.ReadFile(filepath.Join(folder, "picks.txt"))
	require.NoError(t, err)
	require.Contains(t, string(text), "DISPATCH REVISION 2", "what the dock changed is printed again")
	require.False(t, strings.Contains(string(text), "DISPATCH REVISION 1"))
}
