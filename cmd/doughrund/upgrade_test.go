package main

import (
	"bytes"
	"context"
	"database/sql"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/config"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/testdata"
)

// onStage starts a service at the demo's night, half past ten, with the demo's
// book as text and as nouns. The returned function stops it and returns its log.
func onStage(t *testing.T, change func(*config.Service)) (s *stage, source []byte, b commissary.Book, address string, stop func() string) {
	t.Helper()
	s = &stage{ctx: t.Context(), talk: t.Output()}
	source, err := testdata.Files.ReadFile("kitchen.yaml")
	require.NoError(t, err)
	b, err = book.Read("kitchen.yaml", source)
	require.NoError(t, err)
	s.night, err = civil.ParseDate(demoNight)
	require.NoError(t, err)
	s.zone, err = civil.LoadZone(b.Kitchen.Zone)
	require.NoError(t, err)
	require.NoError(t, s.turn("22:30"))
	settings := config.Service{Listen: "127.0.0.1:0", Database: filepath.Join(t.TempDir(), "p.db"), CallLimit: time.Minute, StopLimit: 10 * time.Second,
		LogLevel: "error", LogFormat: "text"}
	change(&settings)
	serving, end := context.WithCancel(t.Context())
	heard, served := make(chan net.Addr, 1), make(chan error, 1)
	var log bytes.Buffer
	go func() {
		served <- serve(serving, settings, func() time.Time { return time.Unix(s.now.Load(), 0) }, logger(settings, &log), func(a net.Addr) { heard <- a })
	}()
	address = (<-heard).String()
	s.conn, err = grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(end)
	return s, source, b, address, func() string {
		s.conn.Close()
		end()
		require.NoError(t, <-served)
		return log.String()
	}
}

// earlier builds the command line of the commit that testdata names.
func earlier(t *testing.T) string {
	t.Helper()
	if os.Getenv("CASES") != "full" {
		t.Skip("SKIPPED: to build it takes a quarter of a minute; it runs in the full form (CASES=full)")
	}
	text, err := os.ReadFile("testdata/earlier-commit")
	require.NoError(t, err)
	commit := strings.TrimSpace(string(text))
	git := func(args ...string) ([]byte, error) { return exec.Command("git", args...).Output() }
	if _, err := git("cat-file", "-e", commit+"^{commit}"); err != nil {
		shallow, err := git("rev-parse", "--is-shallow-repository")
		if os.Getenv("CI") == "true" && !(err == nil && strings.TrimSpace(string(shallow)) == "true") {
			t.Fatalf("commit %s is not in the history of this repository", commit)
		}
		t.Skipf("SKIPPED: this clone has no commit %s, whose command line is tried", commit)
	}
	top, err := git("rev-parse", "--show-toplevel")
	require.NoError(t, err)
	dir := t.TempDir()
	archive := exec.Command("git", "-C", strings.TrimSpace(string(top)), "archive", commit)
	unpack := exec.Command("tar", "-x", "-C", dir)
	unpack.Stdin, err = archive.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, archive.Start())
	require.NoError(t, unpack.Run())
	require.NoError(t, archive.Wait())
	build := exec.Command("go", "build", "-buildvcs=false", "-o", "doughrun", "./cmd/doughrun")
	build.Dir = dir
	out, err := build.CombinedOutput()
	require.NoError(t, err, string(out))
	return filepath.Join(dir, "doughrun")
}

// Shops and kitchens are not upgraded on one day: the command line of an
// earlier commit orders, plans and prints against this service.
func TestEarlierCommandLine(t *testing.T) {
	program := earlier(t)
	s, source, b, address, stop := onStage(t, func(*config.Service) {})
	home := t.TempDir()
	doughrun := func(args ...string) string {
		cmd := exec.Command(program, append(args, "--address", address, "--night", demoNight)...)
		cmd.Env = []string{"HOME=" + home, "PATH=/usr/bin:/bin"}
		var talk bytes.Buffer
		cmd.Stderr = &talk
		out, err := cmd.Output()
		if code := cmd.ProcessState.ExitCode(); code != 10 { // done, but look
			require.NoError(t, err, "%v: %s", args, talk.String())
		}
		return string(out)
	}
	night := &played{lotsBefore: map[string]int64{}, ledger: map[string]*v1.GetLotResponse{}}
	require.NoError(t, s.open(source, b, night))
	require.NoError(t, s.turn("23:40"))
	require.Contains(t, doughrun("order", "submit", "--shop", "harbor", "--line", "house-280=96", "--line", "sauce-3kg=4"), "96")
	require.NoError(t, s.turn("02:05"))
	doughrun("night", "close")
	draft := filepath.Join(home, "draft.json")
	require.NoError(t, os.WriteFile(draft, []byte(doughrun("plan", "draft", "--steps", "100", "--output", "json")), 0o600))
	require.Contains(t, doughrun("plan", "release", "--draft", draft), "House dough")
	require.NoError(t, s.bake(night))
	require.NoError(t, s.turn("06:10"))
	doughrun("dispatch", "release")
	manifest := doughrun("manifest", "show")
	require.Contains(t, manifest, "Harbor")
	require.Contains(t, manifest, "96")
	require.Empty(t, stop())
}

// A service is not put back to an older version on a database that a newer one
// has written: it says so, and what helps.
func TestDowngradeIsRefused(t *testing.T) {
	file := filepath.Join(t.TempDir(), "facts.db")
	serving(t, file, func(*grpc.ClientConn) {})
	db, err := sql.Open("sqlite", file)
	require.NoError(t, err)
	_, err = db.Exec("INSERT INTO schema_versions (version_id, is_applied) VALUES (9999, 1)")
	require.NoError(t, err)
	require.NoError(t, db.Close())
	var talk bytes.Buffer
	require.NotEqual(t, exitDone, run(t.Context(), []string{"serve", "--listen", "127.0.0.1:0", "--database", file}, nil, &talk, &talk))
	require.Contains(t, talk.String(), "its schema is number 9999")
	require.Contains(t, talk.String(), "start the newer program, or restore a backup from before the upgrade")
}
