package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestOutage(t *testing.T) {
	s := serve(t)
	s.at(t, "2026-11-27T00:40:00-05:00")
	s.must(t, exitDone, "kitchen", "adopt", kitchenFile)
	require.Contains(t, s.must(t, exitDone, "outage", "list"), "Nothing was reported.")
	text := s.must(t, exitDone, "outage", "report", "kettle", "--reason", "no gas", "--from", "2026-11-27 05:00", "--to", "2026-11-27 08:30")
	require.Regexp(t, `1 +Tilting kettle 80 L +Fri 27 Nov 05:00 +Fri 27 Nov 08:30 +no gas`, text)
	s.must(t, exitDone, "outage", "report", "cold", "--reason", "compressor")
	require.Regexp(t, `2 +Cold store +Fri 27 Nov 00:40 +further notice +compressor`, s.must(t, exitDone, "outage", "list"))
	require.Regexp(t, `2 +Cold store +Fri 27 Nov 00:40 +Fri 27 Nov 02:00 +compressor`, s.must(t, exitDone, "outage", "end", "2", "--at", "2026-11-27 02:00"))
	r := s.do(t, "outage", "report", "oven", "--reason", "cold")
	require.Equal(t, exitRefused, r.code)
	require.Contains(t, r.stderr, `no vessel or bench "oven"`)
	r = s.do(t, "outage", "report", "kettle", "--reason", "cold", "--from", "five")
	require.NotEqual(t, exitDone, r.code)
	require.Contains(t, r.stderr, "--from")
}

// What nobody ordered and no standing order covers is planned by the file.
func TestRehearseWithAForecast(t *testing.T) {
	text, err := os.ReadFile(kitchenFile)
	require.NoError(t, err)
	const hilltop = "      pan-520: {Mon-Thu: 18, Fri-Sat: 30, Sun: 18}\n"
	require.Equal(t, 1, strings.Count(string(text), hilltop))
	dir := t.TempDir()
	kitchen, forecast := filepath.Join(dir, "kitchen.yaml"), filepath.Join(dir, "forecast.csv")
	require.NoError(t, os.WriteFile(kitchen, []byte(strings.Replace(string(text), hilltop, "", 1)), 0o600))
	require.NoError(t, os.WriteFile(forecast, []byte("shop,item,bake_date,quantity\nhilltop,pan-520,2026-11-30,31\n"), 0o600))
	args := []string{"plan", "rehearse", "--kitchen", kitchen, "--orders", ordersFile, "--lots", lotsFile, "--night", demoNight, "--at", demoAt}
	plain := do(t, args...)
	guessed := do(t, append(args, "--forecast", forecast)...)
	require.NotContains(t, plain.stdout, "by forecast")
	require.Contains(t, guessed.stdout, "31 by forecast", guessed.stderr)
}
