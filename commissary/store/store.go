// Package store keeps a commissary's facts in a SQL database. It knows no
// rules but those the schema holds: keys, what refers to what, and that a lot
// is never overdrawn.
//
// Refusals carry a stable reason: for nothing there BOOK_NOT_FOUND,
// NIGHT_NOT_FOUND, ORDER_NOT_FOUND, COUNT_NOT_FOUND, PLAN_NOT_FOUND, BATCH_NOT_FOUND,
// LOT_NOT_FOUND, DISPATCH_NOT_FOUND, REPLY_NOT_FOUND and CREDENTIAL_NOT_FOUND; for
// conflicts STALE_REVISION, LOT_EXISTS, REQUEST_SETTLED, NAME_IN_USE,
// CREDENTIAL_EXISTS and TAKEN; for preconditions
// LOT_OVERDRAWN, BATCH_STARTED, NOT_KEPT, CHAIN_BROKEN, FACTS_ALTERED, NOT_EMPTY, FILE_EXISTS
// and FILE_IN_USE; LINE_TWICE for an
// order that names an item twice for one bake date. Unavailable are
// STORE_BUSY, STORE_CLOSED, STORE_DOWN, STORE_FULL, CALL_ENDED (nothing was changed) and
// OUTCOME_UNKNOWN (send again with the same request id). Internal are
// STORE_REFUSED, STORE_MISUSED, STORE_FAILED and COPY_DIFFERS.
//
// Instants are kept in UTC to the microsecond, inside plans, batches and
// dispatches as they are.
package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"sync"

	"github.com/pressly/goose/v3"

	"doughrun/commissary"
)

// Options are the settings of a Store. The zero value is usable.
type Options struct {
	// Readers is how many Views run at once; further ones wait. 0 means 4.
	Readers int
	// OnFatal is called once, after the callers concerned were answered, when
	// a commit failed or the database broke. Whether the last transactions
	// were kept is then unknown until the file is opened afresh, so the
	// process must exit. The Store refuses every call from then on.
	OnFatal func(error)
	// Warn is told, in words, of what the operator should know and what does
	// not keep the store from opening. May be nil.
	Warn func(string)
}

// Store is a commissary.Store over a SQL database.
type Store struct {
	dialect dialect
	writer  *sql.DB // one connection
	readers *sql.DB
	onFatal func(error)

	queue chan *turn    // from Update to the writer
	stop  chan struct{} // closed when no further call is let in
	done  chan struct{} // closed when the writer has left
	halts sync.Once
	why   *commissary.Error // set before stop is closed
	close func() error
}

var _ commissary.Store = (*Store)(nil)

// Open opens a database and brings it up to date. A name that begins with
// postgres:// is the URL of a PostgreSQL database, which must be there; every
// other is the path of an SQLite file, which is made when it is not there, must
// be on a local disk of this machine and belong to its owner alone (mode 0600).
// Open refuses a database that a newer version of the program has written. Its
// errors are for the operator and hold no password.
func Open(ctx context.Context, database string, o Options) (*Store, error) {
	if o.Readers < 1 {
		o.Readers = 4
	}
	s := &Store{
		onFatal: o.OnFatal,
		queue:   make(chan *turn),
		stop:    make(chan struct{}),
		done:    make(chan struct{}),
	}
	var err error
	if IsPostgres(database) {
		err = s.openPostgres(ctx, database, o.Readers)
	} else {
		err = s.openFile(ctx, database, o)
	}
	if err != nil {
		return nil, err
	}
	go s.write()
	return s, nil
}

func (s *Store) openFile(ctx context.Context, path string, o Options) error {
	if err := prepareFile(path); err != nil {
		return err
	}
	s.dialect = sqliteDialect
	cut, err := checkLog(path)
	if err == nil {
		err = s.begin(ctx, openSQLite(path, 1, true), openSQLite(path, o.Readers, false))
	}
	if err == nil {
		if err = syncFolder(path); err == nil && cut {
			// What is left of it must not be taken for a part of a later one.
			_, err = s.writer.ExecContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)")
		}
		if err != nil {
			err = errors.Join(err, s.close())
		}
	}
	if err == nil && cut && o.Warn != nil {
		o.Warn("the newest transaction in the log of " + path + " was not whole and was dropped: that is what a power cut leaves of one that nobody was told is saved; " +
			"had there been no power cut, the disk lost something, and callers should send again what they sent last")
	}
	if err != nil {
		return fmt.Errorf("the database %s cannot be opened: %w", path, err)
	}
	return nil
}

// begin takes the two pools and brings the database up to date.
func (s *Store) begin(ctx context.Context, writer, readers *sql.DB) error {
	s.writer, s.readers = writer, readers
	s.close = sync.OnceValue(func() error { return errors.Join(s.readers.Close(), s.writer.Close()) })
	err := s.migrate(ctx)
	if err == nil {
		err = s.stays(ctx)
	}
	if err != nil {
		return errors.Join(err, s.close())
	}
	return nil
}

func (s *Store) migrate(ctx context.Context) error {
	files, err := s.dialect.files()
	if err != nil {
		return err
	}
	if s.dialect.migrating != "" {
		c, err := s.readers.Conn(ctx)
		if err != nil {
			return err
		}
		defer c.Close() // back into its pool
		if _, err := c.ExecContext(ctx, s.dialect.migrating); err != nil {
			return err
		}
		// When the connection is lost meanwhile, so is the lock.
		defer c.ExecContext(context.WithoutCancel(ctx), s.dialect.migrated)
	}
	p, err := goose.NewProvider(s.dialect.name, s.writer, files,
		goose.WithTableName("schema_versions"), goose.WithDisableGlobalRegistry(true))
	if err != nil {
		return err
	}
	if s.dialect.scope != "" { // for what a migration makes of the rows that are there
		every := strings.Replace(s.dialect.scope, "true", "false", 1)
		if _, err := s.writer.ExecContext(ctx, every, everyKitchen); err != nil {
			return err
		}
		defer s.writer.ExecContext(context.WithoutCancel(ctx), every, "") // or the connection is lost
	}
	current, target, err := p.GetVersions(ctx)
	if err != nil {
		return err
	}
	if current > target {
		return fmt.Errorf("a newer version of the program has written it: its schema is number %d, this program knows up to %d; start the newer program, or restore a backup from before the upgrade", current, target)
	}
	_, err = p.Up(ctx)
	if err != nil {
		return err
	}
	return s.record(ctx, target)
}

// record brings the record of changes up to a schema: rows that a migration
// wrote, or that are older than the record, are entered as they stand.
func (s *Store) record(ctx context.Context, schema int64) error {
	began, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer began.Rollback() // after the commit there is nothing to take back
	if s.dialect.gate != "" {
		if _, err := began.Exec(s.dialect.gate); err != nil {
			return err
		}
	}
	t := newTx(ctx, began, s.dialect, true)
	var have int64
	if err := t.each(func(s scan) error { return s(&have) }, `SELECT schema FROM recorded`); err != nil || have == schema {
		return err
	}
	if err := t.enterAsItStands(schema); err != nil {
		return err
	}
	if _, err := t.raw(`UPDATE recorded SET schema = $1`, schema); err != nil {
		return err
	}
	if err := t.ends.move(began); err != nil {
		return err
	}
	return began.Commit()
}

// Close lets the running transactions end and closes the database. Later
// calls are refused with STORE_CLOSED.
func (s *Store) Close() error {
	s.halt(commissary.Refuse(commissary.Unavailable, "STORE_CLOSED", "the service is stopping; try again in a moment"))
	<-s.done
	return s.close()
}

// halt lets no further call in, and says why.
func (s *Store) halt(why *commissary.Error) {
	s.halts.Do(func() {
		s.why = why
		close(s.stop)
	})
}

// View runs f on a snapshot of the facts. It writes nothing.
func (s *Store) View(ctx context.Context, f func(commissary.Tx) error) error {
	began, err := s.readers.BeginTx(ctx, &sql.TxOptions{ReadOnly: true, Isolation: s.dialect.snapshot})
	if err == nil {
		defer began.Rollback() // there is nothing to keep
	}
	select {
	case <-s.stop: // looked at last, so that closing is never taken for a fault
		return s.why
	default:
	}
	t := newTx(ctx, began, s.dialect, false)
	if err != nil {
		return t.fault(err)
	}
	return t.run(f)
}
