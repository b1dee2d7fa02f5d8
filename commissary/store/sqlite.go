package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"

	"github.com/pressly/goose/v3"
	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

var sqliteDialect = dialect{
	name: goose.DialectSQLite3, folder: "migrations/sqlite", sort: sortSQLite,
	texts:    func(p string) string { return "SELECT value FROM json_each(" + p + ")" },
	examined: examinedInSQLite,
}

// oldestSQLite is the first version in which two connections that write or
// checkpoint at once can no longer corrupt a WAL database.
var oldestSQLite = [3]int{3, 51, 3}

// sqlitePragmas are set on every connection in this order and read back: some
// are ignored in silence when they cannot be had.
var sqlitePragmas = []pragma{
	{"busy_timeout", "10000"}, // milliseconds
	{"journal_mode", "wal"},
	{"synchronous", "2"}, // FULL: a commit is on the disk when it returns
	{"fullfsync", "1"},   // where fsync alone does not reach the disk
	{"checkpoint_fullfsync", "1"},
	{"foreign_keys", "1"},
	{"trusted_schema", "0"},
	{"temp_store", "2"},            // in memory: what a savepoint would undo is no fact
	{"cache_size", "-16384"},       // KiB; a group of writes stays in memory until its commit
	{"wal_autocheckpoint", "4000"}, // pages; what is written again and again is copied into the file once
}

type pragma struct{ name, value string }

// openSQLite opens one pool on the database file; one that only reads cannot write.
func openSQLite(path string, connections int, writes bool) *sql.DB {
	pragmas := sqlitePragmas
	if !writes {
		pragmas = append(pragmas[:len(pragmas):len(pragmas)], pragma{"query_only", "1"})
	}
	d := &sqlite.Driver{}
	d.RegisterConnectionHook(func(c sqlite.ExecQuerierContext, _ string) error {
		return prepareSQLite(c, pragmas)
	})
	dsn := "file:" + (&url.URL{Path: path}).EscapedPath() + "?_defensive=1&_dqs=0"
	db := sql.OpenDB(connector{d, dsn})
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db
}

type connector struct {
	driver *sqlite.Driver
	dsn    string
}

func (c connector) Connect(context.Context) (driver.Conn, error) {
	conn, err := c.driver.Open(c.dsn)
	if err != nil {
		return nil, err
	}
	return &keeping{conn.(sqliteConn), map[string]statement{}}, nil
}
func (c connector) Driver() driver.Driver { return c.driver }

func prepareSQLite(c sqlite.ExecQuerierContext, pragmas []pragma) error {
	version, err := readSQLite(c, "SELECT sqlite_version()")
	if err != nil {
		return err
	}
	if err := checkSQLiteVersion(version); err != nil {
		return err
	}
	for _, p := range pragmas {
		if _, err := readSQLite(c, "PRAGMA "+p.name+" = "+p.value); err != nil {
			return err
		}
		got, err := readSQLite(c, "PRAGMA "+p.name)
		if err != nil {
			return err
		}
		if got != p.value {
			return fmt.Errorf("the database does not take the setting %s = %s, it stays at %q; keep the file on a local disk of this machine", p.name, p.value, got)
		}
	}
	return nil
}

// readSQLite returns the first value a statement gives, empty when it gives none.
func readSQLite(c sqlite.ExecQuerierContext, query string) (_ string, err error) {
	rows, err := c.QueryContext(context.Background(), query, nil)
	if err != nil {
		return "", fmt.Errorf("%s: %w", query, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	values := make([]driver.Value, len(rows.Columns()))
	if len(values) == 0 || rows.Next(values) != nil {
		return "", nil
	}
	return fmt.Sprint(values[0]), nil
}

func checkSQLiteVersion(version string) error {
	var v [3]int
	_, err := fmt.Sscanf(version, "%d.%d.%d", &v[0], &v[1], &v[2])
	for i := range v {
		if err == nil && v[i] > oldestSQLite[i] {
			return nil
		}
		if err != nil || v[i] < oldestSQLite[i] {
			return fmt.Errorf("the program was built with SQLite %s, which can corrupt a database; build it with %d.%d.%d or later",
				version, oldestSQLite[0], oldestSQLite[1], oldestSQLite[2])
		}
	}
	return nil
}

// prepareFile makes the database file, readable by its owner only, or checks
// that it is so. It never opens a file that is there: closing it would drop
// the locks this process holds on it.
func prepareFile(path string) error {
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
		if err != nil {
			return fmt.Errorf("the database cannot be made: %w; make its folder first", err)
		}
		return f.Close()
	}
	if err != nil {
		return fmt.Errorf("the database cannot be reached: %w", err)
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%s is not a file; name the database file, for example %s", path, filepath.Join(path, "doughrun.db"))
	}
	if info.Mode().Perm()&0o077 != 0 {
		return fmt.Errorf("%s may be read or written by others (mode %#o); run chmod 600 on it", path, info.Mode().Perm())
	}
	return nil
}

// syncFolder puts the names of the database's files on the disk. SQLite asks
// for it too, but does not report when it fails.
func syncFolder(path string) error {
	d, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

func sortSQLite(err error) trouble {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		if errors.Is(err, sql.ErrTxDone) || errors.Is(err, sql.ErrConnDone) || errors.Is(err, driver.ErrBadConn) {
			return broken
		}
		return refused
	}
	switch e.Code() {
	case sqlite3.SQLITE_CONSTRAINT_UNIQUE, sqlite3.SQLITE_CONSTRAINT_PRIMARYKEY:
		return taken
	case sqlite3.SQLITE_CONSTRAINT_FOREIGNKEY:
		return dangling
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return busy
	case sqlite3.SQLITE_FULL:
		return full
	case sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_RANGE,
		sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_MISUSE:
		return refused
	}
	return broken
}
