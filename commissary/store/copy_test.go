package store

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/store/storetest"
)

// A table that is forgotten here would be missing from every backup.
func TestEveryTableIsCopied(t *testing.T) {
	s := opened(t, filepath.Join(t.TempDir(), "facts.db"), Options{})
	defer s.Close()
	var want []string
	for _, of := range tables {
		want = append(want, of.name)
	}
	want = append(want, "moved", "recorded", "schema_versions", "sqlite_sequence")
	var have []string
	require.NoError(t, s.View(t.Context(), func(tx commissary.Tx) (err error) {
		have, err = list(sqlOf(tx), func(s scan) (n string, err error) { return n, s(&n) }, `SELECT name FROM sqlite_master WHERE type = 'table'`)
		return err
	}))
	require.ElementsMatch(t, want, have)
}

// One fact more, less or other shows in the hash, a table at a time.
func TestExtentTellsFactsApart(t *testing.T) {
	s := opened(t, filepath.Join(t.TempDir(), "facts.db"), Options{})
	defer s.Close()
	storetest.Fill(t, s)
	seen := map[string]string{}
	look := func(what string) {
		e, err := s.Extent(t.Context())
		require.NoError(t, err)
		require.Empty(t, seen[e.Hash], "%s looks like %s", what, seen[e.Hash])
		seen[e.Hash] = what
	}
	look("all")
	for _, of := range tables {
		var n int
		require.NoError(t, s.readers.QueryRow("SELECT count(*) FROM "+of.name).Scan(&n))
		require.NotZero(t, n, "no row of %s is copied by the tests", of.name)
	}
	for _, change := range []string{
		"UPDATE nights SET closed_at = coalesce(closed_at, 0) + 1 WHERE state <> 'OPEN'",
		"UPDATE order_lines SET pieces = pieces + 1",
		"UPDATE draws SET possible = 1 - possible",
		"DELETE FROM credentials",
		"UPDATE replies SET answer = x'00'",
		"UPDATE lots SET not_after = CASE WHEN not_after IS NULL THEN 0 END",
	} {
		_, err := s.writer.Exec(change)
		require.NoError(t, err, change)
		look(change)
	}
}

func TestCopyBetweenDatabases(t *testing.T) {
	sqlite, postgres := opener(t), postgresOpener(t)
	for _, c := range []struct {
		name     string
		from, to func(*testing.T) commissary.Store
	}{{"SQLite to PostgreSQL", sqlite, postgres}, {"PostgreSQL to SQLite", postgres, sqlite}, {"PostgreSQL to PostgreSQL", postgres, postgres}} {
		t.Run(c.name, func(t *testing.T) {
			var from, to *Store
			t.Run("from", func(t *testing.T) { from = c.from(t).(*Store) })
			t.Run("to", func(t *testing.T) { to = c.to(t).(*Store) })
			defer from.Close()
			defer to.Close()
			storetest.Fill(t, from)
			e, err := Copy(t.Context(), from, to)
			require.NoError(t, err)
			require.Positive(t, e.Rows)
			there, err := to.Extent(t.Context())
			require.NoError(t, err)
			require.Equal(t, e, there)
			// The copy goes on where the original was.
			storetest.GoOn(t, from)
			storetest.GoOn(t, to)
			a, err := from.Extent(t.Context())
			require.NoError(t, err)
			b, err := to.Extent(t.Context())
			require.NoError(t, err)
			require.Equal(t, a, b)
			require.NotEqual(t, e, a)
			// Facts are never mixed with others.
			_, err = Copy(t.Context(), from, to)
			require.ErrorContains(t, err, "holds facts already")
		})
	}
}

// Copies are taken while others write; each is a state that was.
func TestBackupUnderLoad(t *testing.T) {
	t.Run("SQLite", func(t *testing.T) { backupUnderLoad(t, opener(t)(t).(*Store)) })
	t.Run("PostgreSQL", func(t *testing.T) { backupUnderLoad(t, postgresOpener(t)(t).(*Store)) })
}

func backupUnderLoad(t *testing.T, s *Store) {
	defer s.Close()
	dir := t.TempDir()
	storetest.Fill(t, s)
	var wg sync.WaitGroup
	ctx, stop := context.WithCancel(t.Context())
	// So many writes each may come before the next copy: where copying is slower than writing, as under the race
	// detector, every copy would else be some times as large as the one before.
	var allowed atomic.Int64
	written := make([]int, 4)
	for i := range written {
		wg.Go(func() {
			for ctx.Err() == nil {
				if int64(written[i]) >= allowed.Load() {
					time.Sleep(time.Millisecond)
				} else if appendChange(s, fmt.Sprintf("writer %d, %d", i, written[i])) == nil {
					written[i]++
				}
			}
		})
	}
	var rows int64
	for i := range 5 {
		allowed.Add(25)
		time.Sleep(time.Duration(rand.N(20)) * time.Millisecond) // anywhere among the writes
		file := filepath.Join(dir, fmt.Sprintf("%d.backup", i))
		e, err := Backup(t.Context(), s, file)
		require.NoError(t, err)
		require.GreaterOrEqual(t, e.Rows, rows, "time goes forward")
		rows = e.Rows
		info, err := os.Stat(file)
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode().Perm())
		to := opened(t, filepath.Join(dir, fmt.Sprintf("%d.db", i)), Options{})
		back, err := Restore(t.Context(), file, to, Copy)
		require.NoError(t, err)
		require.Equal(t, e, back)
		require.NoError(t, to.Verify(t.Context()))
		require.NoError(t, to.Close())
		require.NoFileExists(t, file+"-wal")
		_, err = Backup(t.Context(), s, file)
		require.ErrorContains(t, err, "never overwritten")
		require.Equal(t, commissary.Precondition, commissary.KindOf(err))
	}
	stop()
	wg.Wait()
	for i, n := range written {
		require.Positive(t, n, "writer %d stood still", i)
	}
	left, err := filepath.Glob(filepath.Join(dir, ".doughrun-*"))
	require.NoError(t, err)
	require.Empty(t, left)
}

// A backup whose record of changes was altered is not restored.
func TestAlteredBackupIsRefused(t *testing.T) {
	dir := t.TempDir()
	s := opened(t, filepath.Join(dir, "facts.db"), Options{})
	defer s.Close()
	storetest.Fill(t, s)
	file := filepath.Join(dir, "night.backup")
	_, err := Backup(t.Context(), s, file)
	require.NoError(t, err)
	altered := opened(t, file, Options{})
	_, err = altered.writer.Exec("DROP TRIGGER changes_unchanged; UPDATE changes SET who = 'nobody' WHERE seq = 1")
	require.NoError(t, err)
	require.NoError(t, altered.Close())
	to := opened(t, filepath.Join(dir, "other.db"), Options{})
	defer to.Close()
	_, err = Restore(t.Context(), file, to, Copy)
	require.ErrorContains(t, err, "was altered at row 1")
	_, err = Restore(t.Context(), filepath.Join(dir, "facts.db"), to, Copy)
	require.ErrorContains(t, err, "a database in use")
	e, err := to.Extent(t.Context())
	require.NoError(t, err)
	require.Zero(t, e.Rows, "nothing of it is kept")
}

// After a move there is one truth: the old database takes no change, not even
// from a service that was running.
func TestMoved(t *testing.T) {
	for _, c := range []struct{ name, database string }{
		{"SQLite", filepath.Join(t.TempDir(), "facts.db")}, {"PostgreSQL", storetest.StartPostgres(t).Database(t)},
	} {
		t.Run(c.name, func(t *testing.T) {
			running, from := opened(t, c.database, Options{}), opened(t, c.database, Options{})
			defer running.Close()
			storetest.Fill(t, from)
			to := opened(t, filepath.Join(t.TempDir(), "facts.db"), Options{})
			defer to.Close()
			e, err := Move(t.Context(), from, to, "the new one")
			require.NoError(t, err)
			there, err := to.Extent(t.Context())
			require.NoError(t, err)
			require.Equal(t, e, there)
			require.NoError(t, from.Close())
			require.Error(t, appendChange(running, "too late"))
			require.NoError(t, appendChange(to, "in time"))
			_, err = Open(t.Context(), c.database, Options{})
			require.ErrorContains(t, err, "moved to the new one")
		})
	}
}

// A backup of which a row was altered is not restored as it is; its record of
// changes gives what was saved.
func TestAlteredRowsAreRebuilt(t *testing.T) {
	dir := t.TempDir()
	s := opened(t, filepath.Join(dir, "facts.db"), Options{})
	defer s.Close()
	storetest.Fill(t, s)
	file := filepath.Join(dir, "night.backup")
	want, err := Backup(t.Context(), s, file)
	require.NoError(t, err)
	altered := opened(t, file, Options{})
	_, err = altered.writer.Exec("UPDATE order_lines SET pieces = pieces + 16 WHERE shop = 'north'")
	require.NoError(t, err)
	require.NoError(t, altered.Close())
	to := opened(t, filepath.Join(dir, "other.db"), Options{})
	defer to.Close()
	_, err = Restore(t.Context(), file, to, Copy)
	require.ErrorContains(t, err, "order_lines main, 2026-11-26, north, 2, 1 is not as the record has it")
	got, err := Restore(t.Context(), file, to, Rebuild)
	require.NoError(t, err)
	require.Equal(t, want, got)
}
