package main

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// A plant is a change of the source that a test makes for itself: the program
// that is shipped has no line for it. It does something only in a process
// whose environment names it in PLANTED.
type plant struct {
	name string
	file string // from the top of the module
	old  string // which stands in the file once
	new  string // uses planted(NAME) for what it does out of turn
}

// plantedHelp is added to every package that is changed.
const plantedHelp = `
import (
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

// planted reports whether the process was told to do this out of turn.
func planted(name string) bool { return os.Getenv("PLANTED") == name }

// dieAt ends the process as kill -9 does, when PLANTED is the name and how
// often it passes here, as "before commit#3".
func dieAt(name string) {
	at, nth, _ := strings.Cut(os.Getenv("PLANTED"), "#")
	if at != name {
		return
	}
	if n, err := strconv.Atoi(nth); err != nil || passed.Add(1) == int64(n) {
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		select {}
	}
}

var passed atomic.Int64

// clockNow reads the clock that a test sets, in the file PLANTED_CLOCK.
func clockNow() time.Time {
	text, err := os.ReadFile(os.Getenv("PLANTED_CLOCK"))
	if err != nil {
		return time.Now()
	}
	t, err := time.Parse(time.RFC3339, string(text))
	if err != nil {
		panic(err)
	}
	return t
}

// setting is what the test sets in the environment, or the usual.
func setting(name, usual string) string {
	if s := os.Getenv(name); s != "" {
		return s
	}
	return usual
}

var _, _, _, _ = planted, dieAt, clockNow, setting
`

// overlay writes the changed files into dir and returns the file that tells
// the go command of them.
func overlay(t testing.TB, dir string, plants []plant) string {
	t.Helper()
	top, err := filepath.Abs("../..")
	require.NoError(t, err)
	texts := map[string]string{}
	for _, p := range plants {
		path := filepath.Join(top, p.file)
		if texts[path] == "" {
			text, err := os.ReadFile(path)
			require.NoError(t, err)
			texts[path] = string(text)
		}
		require.Equal(t, 1, strings.Count(texts[path], p.old), "%s: %q must stand once in %s", p.name, p.old, p.file)
		texts[path] = strings.Replace(texts[path], p.old, p.new, 1)
		pkg, _, _ := strings.Cut(texts[path][strings.Index(texts[path], "\npackage ")+1:], "\n")
		texts[filepath.Join(filepath.Dir(path), "planted.go")] = pkg + "\n" + plantedHelp
	}
	replace := map[string]string{}
	for path, text := range texts {
		to := filepath.Join(dir, strings.ReplaceAll(strings.TrimPrefix(path, top), "/", "_"))
		require.NoError(t, os.WriteFile(to, []byte(text), 0o600))
		replace[path] = to
	}
	b, err := json.Marshal(map[string]any{"Replace": replace})
	require.NoError(t, err)
	file := filepath.Join(dir, "overlay.json")
	require.NoError(t, os.WriteFile(file, b, 0o600))
	return file
}

// The source moves on; every plant still finds its place in it, those too that
// only the full form builds.
func TestPlantsFindTheirPlace(t *testing.T) {
	overlay(t, t.TempDir(), ratioPlants)
	for _, s := range seeds {
		overlay(t, t.TempDir(), slices.Concat(syncPlants, clockPlants, killPlants, s.plants))
	}
}

// sown is the program with the plants of all tests in it, built once. With
// PLANTED empty it is the program that is shipped.
func sown(t *testing.T) string {
	t.Helper()
	apart(t)
	sowing.once.Do(func() {
		dir, err := os.MkdirTemp("", "doughrund-sown")
		require.NoError(t, err)
		sowing.dir, sowing.program = dir, filepath.Join(dir, "doughrund")
		out, err := exec.Command("go", "build", "-overlay", overlay(t, dir, slices.Concat(syncPlants, clockPlants, killPlants, seededPlants())), "-o", sowing.program, "doughrun/cmd/doughrund").CombinedOutput()
		require.NoError(t, err, string(out))
	})
	return sowing.program
}

var sowing struct {
	once         sync.Once
	dir, program string
}

func TestMain(m *testing.M) {
	code := m.Run()
	if sowing.dir != "" {
		os.RemoveAll(sowing.dir)
	}
	os.Exit(code)
}

// clockPlants let a test set the service's clock.
var clockPlants = []plant{{"clock", "cmd/doughrund/serve.go", "serve(cmd.Context(), settings, time.Now, logger", "serve(cmd.Context(), settings, clockNow, logger"}}

// setClock sets the clock of the processes that this test starts.
func setClock(t *testing.T, file, at string) {
	t.Helper()
	require.NoError(t, os.WriteFile(file+".new", []byte(at), 0o600))
	require.NoError(t, os.Rename(file+".new", file))
	t.Setenv("PLANTED_CLOCK", file)
}
