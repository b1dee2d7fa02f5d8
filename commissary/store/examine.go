package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"doughrun/commissary"
)

// Finding is one thing that was looked at.
type Finding struct {
	What string `json:"what"`
	Well bool   `json:"well"`
	Text string `json:"text"` // what was found, and if it is not well, what to do
}

// Examine looks at the database itself: its version and settings, whether its
// pages and references are sound, whether every kitchen's record of changes
// verifies, and whether the clock is behind what was recorded. It reads
// everything and takes a while on a large database; the store goes on meanwhile.
func (s *Store) Examine(ctx context.Context, now time.Time) ([]Finding, error) {
	var all []Finding
	err := s.View(ctx, func(tx commissary.Tx) error {
		t := sqlOf(tx)
		all = nil
		for _, e := range s.dialect.examined {
			got, err := list(t, func(s scan) (v string, err error) { return v, s(&v) }, e.query)
			if err != nil {
				return err
			}
			f := Finding{What: e.what, Text: first(got)}
			f.Well = e.want == "" || len(got) == 1 && got[0] == e.want || e.want == none && len(got) == 0
			switch {
			case f.Well && len(got) == 0:
				f.Text = "none"
			case !f.Well:
				f.Text = fmt.Sprintf("%q, and should be %q; %s", f.Text, e.want, e.do)
			}
			all = append(all, f)
		}
		if s.dialect.name == sqliteDialect.name {
			f, err := t.schema()
			if err != nil {
				return err
			}
			all = append(all, f)
		}
		chain := Finding{What: "record of changes", Well: true, Text: "verifies for every kitchen"}
		var torn *commissary.Error
		if err := t.verifyAll(); errors.As(err, &torn) && torn.Kind == commissary.Precondition {
			chain.Well, chain.Text = false, torn.Text
		} else if err != nil {
			return err
		}
		all = append(all, chain)
		newest, err := t.Newest()
		if err != nil {
			return err
		}
		clock := Finding{What: "clock", Well: !newest.After(now.Add(time.Minute)), Text: now.Format(time.RFC3339)}
		if !clock.Well {
			clock.Text += " is behind the newest change, of " + newest.Format(time.RFC3339) + "; set the machine's clock before the service is started"
		}
		all = append(all, clock)
		return nil
	})
	return all, err
}

// schema compares the tables with those of a new file: they are in the same
// file as the facts, and a damaged name or rule shows nowhere else.
func (t *tx) schema() (Finding, error) {
	f := Finding{What: "tables", Well: true, Text: "as this program makes them"}
	have, err := t.tablesMade()
	if err != nil {
		return f, err
	}
	want, err := newTables()
	if !slices.Equal(have, want) {
		f.Well, f.Text = false, "not as this program makes them; stop the service, keep the file as it is, and restore the newest backup"
	}
	return f, err
}

func (t *tx) tablesMade() ([]string, error) {
	return list(t, func(s scan) (sql string, err error) { return sql, s(&sql) },
		`SELECT type || ' ' || name || ' ' || tbl_name || ' ' || coalesce(sql, '') FROM sqlite_schema
		WHERE tbl_name NOT IN ('schema_versions', 'sqlite_sequence') ORDER BY 1`)
}

// newTables are those of a new file. They are the same in every one.
var newTables = sync.OnceValues(func() (made []string, err error) {
	dir, err := os.MkdirTemp("", "doughrun-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir) // what is left is empty
	fresh, err := Open(context.Background(), filepath.Join(dir, "empty.db"), Options{Readers: 1})
	if err != nil {
		return nil, err
	}
	err = fresh.View(context.Background(), func(tx commissary.Tx) error {
		made, err = sqlOf(tx).tablesMade()
		return err
	})
	return made, errors.Join(err, fresh.Close())
})

// examination is a query and what it must give; an empty want takes all.
type examination struct{ what, query, want, do string }

// none as the want of an examination means no row.
const none = "no row"

func first(rows []string) string {
	if len(rows) == 0 {
		return ""
	}
	return rows[0]
}

var examinedInSQLite = []examination{
	{"SQLite", "SELECT sqlite_version()", "", ""},
	{"journal", "SELECT journal_mode FROM pragma_journal_mode", "wal", "keep the file on a local disk"},
	{"sync", "SELECT CAST(synchronous AS TEXT) FROM pragma_synchronous", "2", "keep the file on a local disk"},
	{"pages", "SELECT integrity_check FROM pragma_integrity_check", "ok", "stop the service, keep the file as it is, and restore the newest backup"},
	{"references", "SELECT 'a row of ' || \"table\" FROM pragma_foreign_key_check", none, "stop the service, keep the file as it is, and restore the newest backup"},
}

var examinedInPostgres = []examination{
	{"PostgreSQL", "SELECT current_setting('server_version')", "", ""},
	{"fsync", "SELECT current_setting('fsync')", "on", "set it in postgresql.conf: without it a power cut loses the database"},
	{"full_page_writes", "SELECT current_setting('full_page_writes')", "on", "set it in postgresql.conf: without it a power cut can tear pages"},
	{"synchronous_commit", "SELECT current_setting('synchronous_commit')", "on", "the service sets it; something else takes it back"},
	{"row security", "SELECT CASE WHEN rolsuper OR rolbypassrls THEN 'passed by' ELSE 'held' END FROM pg_roles WHERE rolname = current_user", "held", "let the service use a role that is no superuser, so that the database itself keeps kitchens apart"},
	{"encoding", "SELECT current_setting('server_encoding')", "UTF8", "make the database with ENCODING UTF8"},
}
