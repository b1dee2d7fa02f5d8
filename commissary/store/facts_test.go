package store

import (
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	_ "github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/store/storetest"
)

// Every column of every row of facts that somebody alters by other tools, every
// row that is removed and every one put in shows, by its name.
func TestAlteredFactsAreFound(t *testing.T) {
	alone(t)
	t.Run("SQLite", func(t *testing.T) { alteredFacts(t, opener(t)(t).(*Store)) })
	t.Run("PostgreSQL", func(t *testing.T) {
		p := storetest.StartPostgres(t)
		p.Run(t, "postgres", "GRANT SET ON PARAMETER session_replication_role TO kitchens")
		alteredFacts(t, opened(t, p.Database(t), Options{}))
	})
}

// alone skips a test in which nothing runs at the same time where only the race detector is asked for.
func alone(t *testing.T) {
	if testing.Short() {
		t.Skip("nothing for the race detector; it runs in the full form")
	}
}

func alteredFacts(t *testing.T, s *Store) {
	defer s.Close()
	storetest.Fill(t, s)
	require.NoError(t, s.Verify(t.Context()))
	free := "PRAGMA defer_foreign_keys = 1"
	if s.dialect.name == postgresDialect.name {
		free = "SET LOCAL doughrun.kitchen = '*'; SET LOCAL session_replication_role = replica" // neither triggers nor references
	} else {
		for _, trigger := range []string{"changes_unchanged", "changes_undeleted", "movements_unchanged", "movements_undeleted", "in_use_unchanged", "in_use_undeleted", "rides_forward"} {
			_, err := s.writer.Exec("DROP TRIGGER " + trigger)
			require.NoError(t, err)
		}
	}
	tried := 0
	alter := func(of table, kitchen, statement string) {
		t.Helper()
		began, err := s.writer.BeginTx(t.Context(), nil)
		require.NoError(t, err)
		defer began.Rollback()
		_, err = began.Exec(free)
		require.NoError(t, err)
		_, err = began.Exec("SAVEPOINT a")
		require.NoError(t, err)
		r, err := began.Exec(statement)
		if err != nil {
			return // the schema refuses it
		}
		n, err := r.RowsAffected()
		require.NoError(t, err)
		if n == 0 {
			return
		}
		tried++
		tx := newTx(t.Context(), began, s.dialect, false)
		var e *commissary.Error
		require.ErrorAs(t, tx.verifyAll(), &e, statement)
		require.Contains(t, []string{"FACTS_ALTERED", "CHAIN_BROKEN"}, e.Reason)
		if of.recorded() {
			require.Contains(t, e.Text, of.name+" ", statement)
		}
		if kitchen != "" {
			_, err = tx.Changes(kitchen).Verify()
			require.ErrorAs(t, err, &e, statement)
		}
	}
	for _, of := range tables {
		var columns []column
		require.NoError(t, s.View(t.Context(), func(tx commissary.Tx) (err error) {
			columns, err = sqlOf(tx).columns(of)
			return err
		}))
		before := tried
		for _, c := range columns {
			for _, value := range []string{c.name + " + 1", c.name + " || 'x'", "NOT " + c.name, "1 - " + c.name, "'2027-01-01'", "NULL"} {
				alter(of, "", fmt.Sprintf("UPDATE %s SET %s = %s WHERE (%s IS NULL) <> ((%s) IS NULL) OR %s <> (%s)", of.name, c.name, value, c.name, value, c.name, value))
			}
		}
		require.Greater(t, tried, before, of.name)
		if of.name == "changes" || of.name == "chains" {
			continue
		}
		alter(of, "", "DELETE FROM "+of.name)
	}
	alter(tables[1], "main", "INSERT INTO nights (kitchen, night, state) VALUES ('main', '2031-01-01', 'OPEN')")
	alter(tables[1], "main", "UPDATE nights SET state = 'OPEN' WHERE kitchen = 'main'")
	t.Logf("%d alterations by SQL, every one found", tried)
	require.Greater(t, tried, 150)
	require.NoError(t, s.Verify(t.Context()), "everything was undone")
}

// What the record of changes holds is the facts: put into an empty database row
// by row, it gives the same ones.
func TestFactsFollowFromTheRecord(t *testing.T) {
	for _, open := range []func(*testing.T) commissary.Store{opener(t), postgresOpener(t)} {
		s := open(t).(*Store)
		storetest.Fill(t, s)
		require.NoError(t, s.Update(t.Context(), func(tx commissary.Tx) error { // large enough to be packed
			return tx.Books("main").Append(commissary.BookRevision{Revision: 2, Source: []byte(strings.Repeat("flour: 100 %\n", 3000)), Adopted: now, By: "baker"})
		}))
		var size int
		require.NoError(t, s.View(t.Context(), func(tx commissary.Tx) error {
			return sqlOf(tx).in("main").each(func(s scan) error { return s(&size) }, `SELECT length(facts) FROM changes WHERE kitchen = 'main' ORDER BY seq DESC LIMIT 1`)
		}))
		require.Less(t, size, 1000)
		storetest.GoOn(t, s)
		fresh := opened(t, filepath.Join(t.TempDir(), "again.db"), Options{})
		want, err := s.Extent(t.Context())
		require.NoError(t, err)
		got, err := Rebuild(t.Context(), s, fresh)
		require.NoError(t, err)
		require.Equal(t, want, got)
		require.NoError(t, fresh.Verify(t.Context()))
		require.NoError(t, fresh.Close())
		require.NoError(t, s.Close())
	}
}

// Bits flipped in the files of a database, in the midst of its work: what the
// database then says is what it said before, or the flip is found.
func TestFlippedBits(t *testing.T) {
	alone(t)
	flips := 40
	if os.Getenv("CASES") == "full" {
		flips = 1000
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	dir := t.TempDir()
	path := filepath.Join(dir, "facts.db")
	s := opened(t, path, Options{})
	storetest.Fill(t, s)
	for n := range 60 { // pages that are full
		require.NoError(t, s.Update(t.Context(), func(tx commissary.Tx) error {
			return tx.Counts("main").PutSale(commissary.Sale{Shop: "north", Item: fmt.Sprint("ball ", n), Day: civil.Date{Year: 2026, Month: 11, Day: 26}, Pieces: 4, Kind: commissary.SaleSoldOut})
		}))
	}
	_, err := s.writer.Exec("PRAGMA wal_checkpoint(TRUNCATE)") // the rest stays in the log
	require.NoError(t, err)
	for n := range 12 {
		require.NoError(t, appendChange(s, fmt.Sprint("change ", n)))
	}
	want, err := s.Extent(t.Context())
	require.NoError(t, err)
	files := map[string][]byte{}
	for _, name := range []string{"facts.db", "facts.db-wal"} {
		files[name], err = os.ReadFile(filepath.Join(dir, name))
		require.NoError(t, err)
		require.NotEmpty(t, files[name])
	}
	require.NoError(t, s.Close())
	outcome := map[string]int{}
	for i := range flips {
		name := []string{"facts.db", "facts.db-wal"}[i%2]
		at := t.TempDir()
		bit := random.IntN(len(files[name]) * 8)
		for files[name][bit/8] == 0 { // mostly room that is not used yet
			bit = random.IntN(len(files[name]) * 8)
		}
		for other, b := range files {
			b = append([]byte{}, b...)
			if other == name {
				b[bit/8] ^= 1 << (bit % 8)
			}
			require.NoError(t, os.WriteFile(filepath.Join(at, other), b, 0o600))
		}
		how := flipped(t, filepath.Join(at, "facts.db"), want)
		outcome[name+": "+how]++
		require.NotEqual(t, "NOT FOUND", how, "bit %d of byte %d of %s", bit%8, bit/8, name)
	}
	t.Logf("%d flips: %v", flips, outcome)
	require.Less(t, outcome["facts.db: harmless"], flips/2, "hardly a flip hit a fact: the run is void")
}

// flipped says what becomes of a database of which a bit was flipped.
func flipped(t *testing.T, path string, want Extent) string {
	warned := ""
	s, err := Open(t.Context(), path, Options{Warn: func(text string) { warned = text }})
	if err != nil {
		return "refused"
	}
	defer s.Close()
	all, err := s.Examine(t.Context(), now)
	if err != nil {
		return "examination failed"
	}
	for _, f := range all {
		if !f.Well {
			return "examined"
		}
	}
	got, err := s.Extent(t.Context())
	if err == nil && got == want {
		return "harmless"
	}
	if warned != "" {
		return "warned"
	}
	return "NOT FOUND"
}

// A database that is older than the record of rows gets them entered as they
// stand, once, and from then on an altered one is found.
func TestOlderFactsAreEntered(t *testing.T) {
	path, url := filepath.Join(t.TempDir(), "old.db"), storetest.StartPostgres(t).Database(t)
	prepared, err := sql.Open("pgx", url)
	require.NoError(t, err)
	for _, c := range []struct {
		dialect  dialect
		db       *sql.DB
		database string
	}{{sqliteDialect, openSQLite(path, 1, true), path}, {postgresDialect, prepared, url}} {
		if c.database == path {
			require.NoError(t, prepareFile(path))
		}
		files, err := c.dialect.files()
		require.NoError(t, err)
		old, err := goose.NewProvider(c.dialect.name, c.db, files, goose.WithTableName("schema_versions"), goose.WithDisableGlobalRegistry(true))
		require.NoError(t, err)
		_, err = old.UpTo(t.Context(), 21)
		require.NoError(t, err)
		change := commissary.Change{Seq: 1, At: now, Who: "till", Call: "SubmitOrder", Subject: "s", Detail: "d"}
		hash := link(make([]byte, 32), "main", change, nil)
		for _, statement := range []struct {
			text string
			args []any
		}{
			{`INSERT INTO nights (kitchen, night, state) VALUES ('main', '2026-11-26', 'OPEN')`, nil},
			{`INSERT INTO replies (caller, request_id, call, digest, answer, settled_at) VALUES ('till', 'r', 'c', $1, $2, 1)`, []any{[]byte{1}, []byte{}}},
			{`INSERT INTO chains (kitchen, seq, hash) VALUES ('main', 1, $1)`, []any{hash}},
			{`INSERT INTO changes (kitchen, seq, at, who, call, subject, detail, hash) VALUES ('main', 1, $1, 'till', 'SubmitOrder', 's', 'd', $2)`, []any{now.UnixMicro(), hash}},
		} {
			_, err := c.db.Exec(statement.text, statement.args...)
			require.NoError(t, err, statement.text)
		}
		require.NoError(t, c.db.Close())
		for range 2 { // entered once
			s := opened(t, c.database, Options{})
			require.NoError(t, s.Verify(t.Context()))
			rows, err := verify(s)
			require.NoError(t, err)
			require.Equal(t, int64(2), rows, "the old one, and the upgrade")
			require.NoError(t, s.Close())
		}
		s := opened(t, c.database, Options{})
		require.NoError(t, appendChange(s, "and on"))
		require.ErrorContains(t, s.Update(t.Context(), func(tx commissary.Tx) error {
			_, err := sqlOf(tx).in(everyKitchen).raw(`UPDATE nights SET state = 'CLOSED', closed_at = 1`)
			require.NoError(t, err)
			return sqlOf(tx).verifyAll()
		}), "nights main, 2026-11-26 is not as the record has it")
		require.NoError(t, s.Close())
	}
}
