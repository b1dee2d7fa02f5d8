package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/store/storetest"
)

// opener opens the store of a test, in one file for each name.
func opener(t *testing.T) func(t *testing.T) commissary.Store {
	dir := t.TempDir()
	return func(t *testing.T) commissary.Store {
		return opened(t, filepath.Join(dir, strings.ReplaceAll(t.Name(), "/", "-")+".db"), Options{})
	}
}

func opened(t testing.TB, path string, o Options) *Store {
	s, err := Open(t.Context(), path, o)
	require.NoError(t, err)
	return s
}

func TestSQLite(t *testing.T) { storetest.Run(t, opener(t)) }

func TestSQLiteRunningTwice(t *testing.T) {
	open := opener(t)
	storetest.Run(t, func(t *testing.T) commissary.Store { return storetest.Twice(open(t)) })
}

var now = time.UnixMicro(1_795_694_400_000_001).UTC()

func appendChange(s *Store, detail string) error {
	return s.Update(context.Background(), func(tx commissary.Tx) error {
		return tx.Changes("main").Append(commissary.Change{At: now, Who: "baker", Call: "CloseNight", Subject: "kitchens/main/nights/2026-11-26", Detail: detail})
	})
}

func verify(s *Store) (rows int64, err error) {
	err = s.View(context.Background(), func(tx commissary.Tx) error {
		var err error
		rows, err = tx.Changes("main").Verify()
		return err
	})
	return rows, err
}

// raw opens the file beside the store, as somebody with other tools would.
func raw(t *testing.T, path string) *sql.DB {
	db := openSQLite(path, 1, true)
	t.Cleanup(func() { require.NoError(t, db.Close()) })
	return db
}

func TestRefusesWhatIsNotItsFile(t *testing.T) {
	dir := t.TempDir()
	wide := filepath.Join(dir, "wide.db")
	require.NoError(t, os.WriteFile(wide, nil, 0o640))
	require.NoError(t, os.Chmod(wide, 0o640))
	text := filepath.Join(dir, "text.db")
	require.NoError(t, os.WriteFile(text, []byte(strings.Repeat("flour, water, salt\n", 100)), 0o600))
	for _, c := range []struct{ path, want string }{
		{dir, "is not a file"},
		{filepath.Join(dir, "nowhere", "a.db"), "make its folder first"},
		{wide, "run chmod 600"},
		{text, "not a database"},
	} {
		_, err := Open(t.Context(), c.path, Options{})
		require.ErrorContains(t, err, c.want)
	}
}

func TestFilesBelongToTheirOwnerAlone(t *testing.T) {
	path := filepath.Join(t.TempDir(), "odd ?#%name.db")
	s := opened(t, path, Options{})
	require.NoError(t, appendChange(s, ""))
	files, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, files, 3, "the database, its log and the log's index")
	for _, f := range files {
		require.True(t, strings.HasPrefix(f.Name(), filepath.Base(path)), f.Name())
		info, err := f.Info()
		require.NoError(t, err)
		require.Equal(t, os.FileMode(0o600), info.Mode().Perm(), f.Name())
	}
	require.NoError(t, s.Close())
	files, err = os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, files, 1)
}

func TestRefusesADatabaseFromANewerProgram(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	require.NoError(t, opened(t, path, Options{}).Close())
	_, err := raw(t, path).Exec(`INSERT INTO schema_versions (version_id, is_applied) VALUES (900, 1)`)
	require.NoError(t, err)
	_, err = Open(t.Context(), path, Options{})
	require.ErrorContains(t, err, "schema is number 900")
	require.ErrorContains(t, err, "start the newer program")
}

func TestRefusesAnOldLibrary(t *testing.T) {
	for _, v := range []string{"3.51.3", "3.51.10", "3.54.1", "4.0.0"} {
		require.NoError(t, checkSQLiteVersion(v), v)
	}
	for _, v := range []string{"3.51.2", "3.7.0", "3.40.1", "2.99.9", "", "new"} {
		require.ErrorContains(t, checkSQLiteVersion(v), "build it with 3.51.3 or later", v)
	}
}

// What the promise of Update rests on, said once more apart from the table of settings.
func TestSettings(t *testing.T) {
	s := opened(t, filepath.Join(t.TempDir(), "a.db"), Options{})
	for _, c := range []struct{ setting, writer, reader string }{
		{"journal_mode", "wal", "wal"},
		{"synchronous", "2", "2"},
		{"fullfsync", "1", "1"},
		{"checkpoint_fullfsync", "1", "1"},
		{"foreign_keys", "1", "1"},
		{"query_only", "0", "1"},
	} {
		var writer, reader string
		require.NoError(t, s.writer.QueryRow(`PRAGMA `+c.setting).Scan(&writer))
		require.NoError(t, s.readers.QueryRow(`PRAGMA `+c.setting).Scan(&reader))
		require.Equal(t, c.writer, writer, c.setting)
		require.Equal(t, c.reader, reader, c.setting)
	}
	_, err := s.readers.Exec(`DELETE FROM nights`)
	require.ErrorContains(t, err, "readonly")

	require.NoError(t, s.Close())
}

func TestRefusesASettingThatDoesNotTake(t *testing.T) {
	before := sqlitePragmas
	t.Cleanup(func() { sqlitePragmas = before })
	sqlitePragmas = append(before[:len(before):len(before)], pragma{"synchronous", "9"})
	_, err := Open(t.Context(), filepath.Join(t.TempDir(), "a.db"), Options{})
	require.ErrorContains(t, err, "does not take the setting synchronous = 9")
}

// A foreign key that is checked late fails in COMMIT itself.
func TestFailedCommitEndsTheStore(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	var fatal []error
	told := make(chan struct{})
	s := opened(t, path, Options{OnFatal: func(err error) {
		fatal = append(fatal, err)
		close(told)
	}})
	require.NoError(t, appendChange(s, "kept"))

	var e *commissary.Error
	err := s.Update(t.Context(), func(f commissary.Tx) error {
		tx := f.(*tx)
		if _, err := tx.raw(`PRAGMA defer_foreign_keys = ON`); err != nil {
			return err
		}
		_, err := tx.raw(`INSERT INTO order_lines (kitchen, night, shop, revision, line, item, pieces, bake_date)
			VALUES ('main', '2026-11-26', 'north', 1, 1, 'round-280', 1, '2026-11-28')`)
		return err
	})
	require.ErrorAs(t, err, &e)
	require.Equal(t, "OUTCOME_UNKNOWN", e.Reason)
	require.Equal(t, commissary.Unavailable, e.Kind)
	require.Contains(t, e.Text, "same request id")
	<-told
	require.Len(t, fatal, 1)
	require.ErrorContains(t, fatal[0], "FOREIGN KEY")

	for _, err := range []error{
		appendChange(s, "after"),
		s.View(t.Context(), func(commissary.Tx) error { return nil }),
	} {
		require.ErrorAs(t, err, &e)
		require.Equal(t, "STORE_DOWN", e.Reason)
		require.Equal(t, commissary.Unavailable, e.Kind)
	}
	require.NoError(t, s.Close())

	s = opened(t, path, Options{})
	rows, err := verify(s)
	require.NoError(t, err)
	require.Equal(t, int64(1), rows)
	require.NoError(t, s.Close())
}

// share runs two closures in one group: the second waits for its turn while
// the first still runs. It returns what both callers were answered.
func share(s *Store, first, second func(commissary.Tx) error) (answers [2]error) {
	inside, enough := make(chan struct{}), make(chan struct{})
	var wg sync.WaitGroup
	wg.Go(func() {
		answers[0] = s.Update(context.Background(), func(tx commissary.Tx) error {
			close(inside)
			<-enough
			return first(tx)
		})
	})
	<-inside
	wg.Go(func() { answers[1] = s.Update(context.Background(), second) })
	synctest.Wait()
	close(enough)
	wg.Wait()
	return answers
}

func createLot(tx commissary.Tx) error {
	return tx.Lots("main").Create(commissary.Lot{Code: "A", Formula: "direct", Made: now})
}

func TestGroupsShareCommits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := opened(t, filepath.Join(t.TempDir(), "a.db"), Options{})
		seen := errors.New("the neighbour's work is in the same transaction")
		answers := share(s, createLot, func(tx commissary.Tx) error {
			if _, err := tx.Lots("main").Get("A"); err != nil {
				return err
			}
			return s.View(context.Background(), func(tx commissary.Tx) error {
				if _, err := tx.Lots("main").Get("A"); commissary.KindOf(err) == commissary.NotFound {
					return seen
				}
				return errors.New("it was committed before")
			})
		})
		require.NoError(t, answers[0])
		require.Equal(t, seen, answers[1])
		require.NoError(t, s.Close())
	})
}

// A transaction that broke takes everybody in it along, refusals included:
// they may rest on what was lost.
func TestBrokenTransactionEndsTheStore(t *testing.T) {
	refuse := func(commissary.Tx) error { return errors.New("on purpose") }
	gone := func(f commissary.Tx) error { // the database gave the transaction up
		_, err := f.(*tx).raw(`ROLLBACK`)
		return err
	}
	failed := func(f commissary.Tx) error { return f.(*tx).fault(driver.ErrBadConn) }
	for _, c := range []struct {
		name          string
		first, second func(commissary.Tx) error
	}{
		{"kept, gone", createLot, gone},
		{"refused, gone", refuse, gone},
		{"kept, failed", createLot, failed},
		{"refused, failed", refuse, failed},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				told := make(chan error, 1)
				s := opened(t, filepath.Join(t.TempDir(), "a.db"), Options{OnFatal: func(err error) { told <- err }})
				for _, err := range share(s, c.first, c.second) {
					var e *commissary.Error
					require.ErrorAs(t, err, &e)
					require.Equal(t, "OUTCOME_UNKNOWN", e.Reason)
				}
				require.Error(t, <-told)
				require.NoError(t, s.Close())
			})
		})
	}
}

func TestAnotherProgramHoldsTheDatabase(t *testing.T) {
	before := sqlitePragmas
	t.Cleanup(func() { sqlitePragmas = before })
	sqlitePragmas = append([]pragma{{"busy_timeout", "20"}}, before[1:]...)
	path := filepath.Join(t.TempDir(), "a.db")
	s := opened(t, path, Options{OnFatal: func(err error) { t.Error(err) }})
	other, err := raw(t, path).Begin()
	require.NoError(t, err)
	var e *commissary.Error
	require.ErrorAs(t, appendChange(s, ""), &e)
	require.Equal(t, "STORE_BUSY", e.Reason)
	require.Equal(t, commissary.Unavailable, e.Kind)
	require.NoError(t, other.Rollback())
	require.NoError(t, appendChange(s, ""), "the store goes on once the other has left")
	require.NoError(t, s.Close())
}

func TestAppendedRowsStay(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	s := opened(t, path, Options{})
	require.NoError(t, appendChange(s, "kept"))
	require.NoError(t, s.Update(t.Context(), createLot))
	require.NoError(t, s.Update(t.Context(), func(tx commissary.Tx) error {
		return tx.Lots("main").Move(commissary.Movement{Lot: "A", Kind: commissary.Made, Pieces: 1, At: now})
	}))
	db := raw(t, path)
	for _, statement := range []string{
		`UPDATE changes SET who = 'x'`, `DELETE FROM changes`, `UPDATE movements SET pieces = 0`, `DELETE FROM movements`,
	} {
		_, err := db.Exec(statement)
		require.ErrorContains(t, err, "appended, never", statement)
	}
	require.NoError(t, s.Close())
}

// Whatever bit of a row is turned, the chain shows it, at that row. Every
// alteration is made in a transaction of its own and undone.
func TestVerifyFindsEveryAlteration(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.db")
	s := opened(t, path, Options{})
	for n := range 3 {
		require.NoError(t, appendChange(s, fmt.Sprint("change ", n+1)))
	}
	require.NoError(t, s.Close())
	db := raw(t, path)
	_, err := db.Exec(`DROP TRIGGER changes_unchanged; DROP TRIGGER changes_undeleted`)
	require.NoError(t, err)

	alter := func(seq int, statement string, args ...any) {
		t.Helper()
		began, err := db.Begin()
		require.NoError(t, err)
		defer began.Rollback()
		r, err := began.Exec(statement, args...)
		require.NoError(t, err, statement)
		n, err := r.RowsAffected()
		require.NoError(t, err)
		require.NotZero(t, n, statement)
		rows, err := newTx(t.Context(), began, sqliteDialect, false).Changes("main").Verify()
		var e *commissary.Error
		require.ErrorAs(t, err, &e, "%s %v", statement, args)
		require.Equal(t, "CHAIN_BROKEN", e.Reason)
		require.Equal(t, commissary.Precondition, e.Kind)
		require.Equal(t, fmt.Sprint(seq), e.Meta["seq"], "%s %v", statement, args)
		require.Equal(t, int64(seq-1), rows, "%s %v", statement, args)
	}

	turned := 0
	for _, column := range []string{"at", "who", "call", "subject", "detail", "hash"} {
		for seq := 1; seq <= 3; seq++ {
			var kept any
			require.NoError(t, db.QueryRow(`SELECT `+column+` FROM changes WHERE seq = $1`, seq).Scan(&kept))
			turn := func(bytes []byte, value func([]byte) any) {
				for bit := range len(bytes) * 8 {
					bytes[bit/8] ^= 1 << (bit % 8)
					alter(seq, `UPDATE changes SET `+column+` = $1 WHERE seq = $2`, value(bytes), seq)
					bytes[bit/8] ^= 1 << (bit % 8)
					turned++
				}
			}
			switch v := kept.(type) {
			case int64:
				turn(binary.BigEndian.AppendUint64(nil, uint64(v)), func(b []byte) any { return int64(binary.BigEndian.Uint64(b)) })
			case string:
				turn([]byte(v), func(b []byte) any { return string(b) })
			case []byte:
				turn(v, func(b []byte) any { return b })
			}
		}
	}
	require.Greater(t, turned, 2000)

	for _, c := range []struct {
		seq       int
		statement string
	}{
		{1, `DELETE FROM changes WHERE seq = 1`},
		{2, `DELETE FROM changes WHERE seq = 2`},
		{3, `DELETE FROM changes WHERE seq = 3`}, // from the end
		{1, `DELETE FROM changes`},
		{3, `UPDATE changes SET seq = 9 WHERE seq = 3`},
		{1, `UPDATE changes SET (seq, detail) = (SELECT 11 - seq, detail)`},
		{3, `UPDATE changes SET kitchen = 'annexe' WHERE seq = 3`},
		{1, `UPDATE changes SET kitchen = 'annexe'`},
		{4, `UPDATE chains SET hash = zeroblob(32)`},
		{4, `UPDATE chains SET seq = 4`},
		{4, `UPDATE chains SET seq = 2`},
		{4, `DELETE FROM chains`},
	} {
		alter(c.seq, c.statement)
	}
	s = opened(t, path, Options{})
	rows, err := verify(s)
	require.NoError(t, err, "everything was undone")
	require.Equal(t, int64(3), rows)
	require.NoError(t, s.Close())
}

// The hash was computed outside this program, from the bytes that link
// describes: what is once chained must verify for ever.
func TestCanonicalBytes(t *testing.T) {
	got := link(make([]byte, 32), "k", commissary.Change{Seq: 1, At: time.UnixMicro(2), Who: "w", Call: "c", Subject: "s", Detail: "ü"}, nil)
	require.Equal(t, "89fcf6901d8eb0be0777d4d9d5f66f71b03339e690295d3232af335f39644b72", fmt.Sprintf("%x", got))
}

// BenchmarkGroupCommit appends changes, alone and from 64 callers, and reports
// rows a second of both and their ratio.
func BenchmarkGroupCommit(b *testing.B) {
	s := opened(b, filepath.Join(b.TempDir(), "a.db"), Options{})
	b.StopTimer()
	rate := func(callers int) float64 {
		var left atomic.Int64
		left.Store(int64(b.N))
		var wg sync.WaitGroup
		before := b.Elapsed()
		b.StartTimer()
		for range callers {
			wg.Go(func() {
				for left.Add(-1) >= 0 {
					if err := appendChange(s, "benchmark"); err != nil {
						b.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		b.StopTimer()
		return float64(b.N) / (b.Elapsed() - before).Seconds()
	}
	alone, together := rate(1), rate(64)
	b.ReportMetric(alone, "rows/s-alone")
	b.ReportMetric(together, "rows/s-of-64")
	b.ReportMetric(together/alone, "ratio")
	require.NoError(b, s.Close())
}
