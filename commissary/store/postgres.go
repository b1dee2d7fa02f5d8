package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
)

// postgresDialect writes one transaction after the other, whichever service of
// a cluster it comes from: the gate is an advisory lock that a transaction
// holds to its end. Each statement then sees all that was kept before (READ
// COMMITTED), so that what a closure reads stays so until it has written. Less
// would not let more through: the audit chain orders a kitchen's changes anyway.
var postgresDialect = dialect{
	name: goose.DialectPostgres, folder: "migrations/postgres", sort: sortPostgres,
	migrating: "SELECT pg_advisory_lock(7411)", migrated: "SELECT pg_advisory_unlock(7411)",
	texts:     func(p string) string { return "SELECT json_array_elements_text(" + p + "::json)" },
	snapshot:  sql.LevelRepeatableRead,
	gate:      "SELECT pg_advisory_xact_lock(7410)",
	scope:     "SELECT set_config('doughrun.kitchen', $1, true)",
	numbering: " OVERRIDING SYSTEM VALUE",
	renumber:  "SELECT setval(pg_get_serial_sequence('%[1]s', 'seq'), max(seq)) FROM %[1]s HAVING max(seq) > 0",
	examined:  examinedInPostgres,
	recovers:  true,
}

// writing is set on the connection that writes. A service that stands still in
// the middle of a transaction, with its machine or on its own, would hold the
// gate for ever: PostgreSQL ends its transaction, and the others go on.
var writing = map[string]string{"idle_in_transaction_session_timeout": "5s"}

// IsPostgres reports whether the name of a database is the URL of one in PostgreSQL.
func IsPostgres(database string) bool {
	return strings.HasPrefix(database, "postgres://") || strings.HasPrefix(database, "postgresql://")
}

func (s *Store) openPostgres(ctx context.Context, database string, readers int) error {
	c, err := pgx.ParseConfig(database)
	if err != nil {
		return errors.New("the URL of the database cannot be read; write postgres://USER@HOST/DATABASE, with the password in a file that PGPASSFILE names")
	}
	name := (&url.URL{Scheme: "postgres", User: url.User(c.User), Host: c.Host, Path: "/" + c.Database}).Redacted()
	if err := safe(&c.Config); err != nil {
		return fmt.Errorf("the database %s is not opened: %w", name, err)
	}
	// A commit is on the disk when it returns.
	c.RuntimeParams["synchronous_commit"] = "on"
	c.RuntimeParams["application_name"] = "doughrund"
	open := func(connections int, params map[string]string) *sql.DB {
		c := *c
		c.RuntimeParams = maps.Clone(c.RuntimeParams)
		maps.Copy(c.RuntimeParams, params)
		db := stdlib.OpenDB(c)
		db.SetMaxOpenConns(connections)
		db.SetMaxIdleConns(connections)
		return db
	}
	s.dialect = postgresDialect
	if err := s.begin(ctx, open(1, writing), open(readers, nil)); err != nil {
		return fmt.Errorf("the database %s cannot be opened: %w", name, err)
	}
	return nil
}

// safe refuses a connection that others could read or take over.
func safe(c *pgconn.Config) error {
	check := func(host string, verified bool) error {
		if strings.HasPrefix(host, "/") || host == "localhost" || net.ParseIP(host).IsLoopback() || verified {
			return nil
		}
		return fmt.Errorf("the connection to %s would not be checked; add sslmode=verify-full and sslrootcert=FILE to the URL", host)
	}
	if err := check(c.Host, c.TLSConfig != nil && !c.TLSConfig.InsecureSkipVerify); err != nil {
		return err
	}
	for _, f := range c.Fallbacks {
		if err := check(f.Host, f.TLSConfig != nil && !f.TLSConfig.InsecureSkipVerify); err != nil {
			return err
		}
	}
	return nil
}

// sortPostgres goes by the class of the error (PostgreSQL manual, appendix A).
func sortPostgres(err error) trouble {
	var e *pgconn.PgError
	if !errors.As(err, &e) {
		var net net.Error
		if errors.Is(err, sql.ErrTxDone) || errors.Is(err, sql.ErrConnDone) || errors.Is(err, driver.ErrBadConn) ||
			errors.As(err, &net) || pgconn.Timeout(err) || pgconn.SafeToRetry(err) {
			return broken
		}
		return refused
	}
	switch e.Code {
	case "23505":
		return taken
	case "23503":
		return dangling
	case "40001", "40P01":
		return again
	case "55P03", "53300":
		return busy
	}
	if e.Code == "53100" {
		return full
	}
	switch e.Code[:2] {
	case "08", "53", "57", "58", "XX":
		return broken
	}
	return refused
}
