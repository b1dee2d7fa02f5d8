package store

import (
	"context"
	"database/sql"
	"math/rand/v2"
	"time"

	"doughrun/commissary"
)

// groupMost is how many closures share one commit at most, so that the first
// of a group does not wait for ever.
const groupMost = 128

// turn is one Update waiting for the writer. The closure runs where Update
// was called, so that its panics end up there, while the writer stands still.
type turn struct {
	tx      chan *tx   // carries the transaction; closed without one when it could not begin
	keep    chan bool  // whether the closure's work stays
	outcome chan error // buffered: nil once the group is on the disk
}

// Update runs f in a transaction and returns when its facts are on the disk.
// Closures of other callers may share the commit, each on its own: when one
// fails, the others stay. A closure must not wait for anything and must not
// call the store; one whose statement the database refused fails even if it
// returns nil. Update gives up when ctx ends before f has begun, never after.
func (s *Store) Update(ctx context.Context, f func(commissary.Tx) error) error {
	for try := 1; ; try++ {
		met, err := s.update(ctx, f)
		if !met || try == mostTries || pause(ctx, try) != nil {
			return err
		}
	}
}

// mostTries is how often a transaction that met another is run.
const mostTries = 6

// pause waits for a random time that doubles with every try.
func pause(ctx context.Context, try int) error {
	t := time.NewTimer(rand.N(time.Millisecond << try))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// update is one try; met says that it met another transaction and changed nothing.
func (s *Store) update(ctx context.Context, f func(commissary.Tx) error) (met bool, err error) {
	w := &turn{tx: make(chan *tx), keep: make(chan bool), outcome: make(chan error, 1)}
	select {
	case s.queue <- w:
	case <-s.stop:
		return false, s.why
	case <-ctx.Done():
		return false, callEnded(ctx.Err())
	}
	t, ok := <-w.tx
	if !ok {
		return false, <-w.outcome
	}
	err = w.run(ctx, t, f)
	// A refusal waits too: what it rests on may be a neighbour's work, which
	// is no fact before the commit.
	if lost := <-w.outcome; lost != nil {
		return false, lost
	}
	return err != nil && t.again, err
}

// run gives the transaction back to the writer however f ends.
func (w *turn) run(ctx context.Context, t *tx, f func(commissary.Tx) error) error {
	kept := false
	defer func() { w.keep <- kept }()
	if err := ctx.Err(); err != nil {
		return callEnded(err)
	}
	err := t.run(f)
	kept = err == nil
	return err
}

// write is the one writer. It leaves when the store stops, or when the
// database is broken.
func (s *Store) write() {
	var fatal error
	for fatal == nil {
		select {
		case w := <-s.queue:
			fatal = s.group(w)
		case <-s.stop:
			close(s.done)
			return
		}
	}
	close(s.done)
	if s.onFatal != nil {
		s.onFatal(fatal)
	}
}

// group gives a turn to w and to whoever comes meanwhile, and commits them
// together. Its error says that the database is broken.
func (s *Store) group(w *turn) error {
	s.kept.prepare(context.Background(), s.writer)
	began, err := s.writer.BeginTx(context.Background(), nil)
	if err == nil && s.dialect.gate != "" {
		_, err = began.Exec(s.dialect.gate)
	}
	if began == nil && s.dialect.recovers {
		e := commissary.Refuse(commissary.Unavailable, "STORE_DOWN", "the database does not answer; try again in a moment")
		e.Cause = err
		close(w.tx)
		w.outcome <- e
		return nil
	}
	if err != nil && s.dialect.sort(err) == busy {
		close(w.tx)
		w.outcome <- storeBusy(err)
		return nil
	}
	var turns []*turn
	for w != nil {
		turns = append(turns, w)
		if err != nil {
			close(w.tx)
			break
		}
		err = s.give(began, w)
		w = nil
		if err == nil && len(turns) < groupMost {
			select {
			case w = <-s.queue:
			default:
			}
		}
	}
	switch {
	case began == nil:
	case err == nil:
		err = began.Commit()
	default:
		began.Rollback() // the error before it is the one to report
	}
	var answer error
	if err != nil {
		// An error does not mean that nothing was kept: only opening the file
		// afresh tells.
		if !s.dialect.recovers {
			s.halt(commissary.Refuse(commissary.Unavailable, "STORE_DOWN", "the database failed and the service must be started again; then send again with the same request id"))
		}
		unknown := commissary.Refuse(commissary.Unavailable, "OUTCOME_UNKNOWN", "the database failed while this was being saved, and it is not known whether it was; send again with the same request id")
		unknown.Cause = err
		answer = unknown
	}
	for _, w := range turns {
		w.outcome <- answer
	}
	if s.dialect.recovers {
		return nil
	}
	return err
}

// give runs one closure in a savepoint. The closure's statements do not end
// with its caller's context: an interrupted one would take the neighbours'
// work with it.
func (s *Store) give(began *sql.Tx, w *turn) error {
	if _, err := began.Exec("SAVEPOINT turn"); err != nil {
		close(w.tx)
		return err
	}
	t := newTx(context.Background(), began, s.dialect, true)
	t.kept = &s.kept
	w.tx <- t
	if kept := <-w.keep; !kept {
		if t.broken != nil {
			return t.broken
		}
		if _, err := began.Exec("ROLLBACK TO turn"); err != nil {
			return err
		}
	}
	_, err := began.Exec("RELEASE turn")
	return err
}
