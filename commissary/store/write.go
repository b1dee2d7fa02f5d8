package store

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"math/rand/v2"
	"runtime/debug"
	"time"

	"doughrun/commissary"
)

// groupMost is how many closures share one commit at most, so that the first
// of a group does not wait for ever.
const groupMost = 128

// turn is one Update waiting for the writer, which runs its closure itself: to
// wake its caller for every closure would take longer than most of them.
type turn struct {
	ctx     context.Context
	f       func(commissary.Tx) error
	outcome chan error // buffered: nil once the group is on the disk

	// Set by the writer before the outcome.
	err      error // of the closure
	again    bool  // the closure met another transaction and may be run again
	panicked any   // the closure did, with this
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
	w := &turn{ctx: ctx, f: f, outcome: make(chan error, 1)}
	select {
	case s.queue <- w:
	case <-s.stop:
		return false, s.why
	case <-ctx.Done():
		return false, callEnded(ctx.Err())
	}
	// A refusal waits too: what it rests on may be a neighbour's work, which
	// is no fact before the commit.
	lost := <-w.outcome
	if w.panicked != nil {
		panic(w.panicked)
	}
	if lost != nil {
		return false, lost
	}
	return w.err != nil && w.again, w.err
}

// run carries out the closure. When it panics, that is its caller's, with the
// place where it happened.
func (w *turn) run(t *tx) (kept bool) {
	ended := false
	defer func() {
		if p := recover(); p != nil {
			w.panicked = fmt.Sprintf("%v\n%s", p, debug.Stack())
		} else if !ended { // a test gave up in it, and the writer ends with it
			w.outcome <- commissary.Refuse(commissary.Internal, "STORE_MISUSED", "a closure ended its goroutine")
		}
	}()
	if err := w.ctx.Err(); err != nil {
		w.err = callEnded(err)
	} else {
		w.err, w.again = t.run(w.f), t.again
	}
	ended = true
	return w.err == nil
}

// write is the one writer. It leaves when the store stops, or when the
// database is broken.
func (s *Store) write() {
	var fatal error
	defer func() {
		s.halt(commissary.Refuse(commissary.Internal, "STORE_MISUSED", "a closure ended the writer")) // nothing where it was halted
		close(s.done)
		if fatal != nil && s.onFatal != nil {
			s.onFatal(fatal)
		}
	}()
	for fatal == nil {
		select {
		case w := <-s.queue:
			fatal = s.group(w)
		case <-s.stop:
			return
		}
	}
}

// group gives a turn to w and to whoever comes meanwhile, and commits them
// together. Its error says that the database is broken.
func (s *Store) group(w *turn) error {
	began, err := s.writer.BeginTx(context.Background(), nil)
	if err == nil && s.dialect.gate != "" {
		_, err = began.Exec(s.dialect.gate)
	}
	if began == nil && s.dialect.recovers {
		e := commissary.Refuse(commissary.Unavailable, "STORE_DOWN", "the database does not answer; try again in a moment")
		e.Cause, e.Retry = err, time.Second
		w.outcome <- e
		return nil
	}
	if err != nil && s.dialect.sort(err) == busy {
		if began != nil {
			began.Rollback() // it has not begun to write
		}
		w.outcome <- storeBusy(err)
		return nil
	}
	var turns []*turn
	longer := ends{}
	for w != nil {
		turns = append(turns, w)
		if err != nil {
			break
		}
		err = s.give(began, w, longer)
		w = nil
		if err == nil && len(turns) < groupMost {
			select {
			case w = <-s.queue:
			default:
			}
		}
	}
	if err == nil {
		err = longer.move(began)
	}
	switch {
	case began == nil:
	case err == nil:
		err = began.Commit()
	default:
		began.Rollback() // the error before it is the one to report
	}
	var answer error
	isFull := err != nil && s.dialect.sort(err) == full
	switch {
	case isFull: // a commit is the last that is written, so that it was not
		answer = storeFull(err)
	case err != nil:
		// An error does not mean that nothing was kept: only opening the file
		// afresh tells.
		if !s.dialect.recovers {
			s.halt(commissary.Refuse(commissary.Unavailable, "STORE_DOWN", "the database failed and the service must be started again; then send again with the same request id"))
		}
		unknown := commissary.Refuse(commissary.Unavailable, "OUTCOME_UNKNOWN", "the database failed while this was being saved, and it is not known whether it was; send again with the same request id")
		unknown.Cause, unknown.Retry = err, time.Second
		answer = unknown
	}
	if isFull {
		// Without room not even the end of the transaction may have been
		// written; where it was taken back already, there is none to end.
		_, _ = s.writer.Exec("ROLLBACK")
	}
	for _, w := range turns {
		w.outcome <- answer
	}
	if s.dialect.recovers || isFull {
		return nil
	}
	return err
}

// give runs one closure in a savepoint, from where the turns before it have
// left the record of changes. The closure's statements do not end
// with its caller's context: an interrupted one would take the neighbours'
// work with it.
func (s *Store) give(began *sql.Tx, w *turn, longer ends) error {
	if _, err := began.Exec("SAVEPOINT turn"); err != nil {
		return err
	}
	t := newTx(context.Background(), began, s.dialect, true)
	t.ends = maps.Clone(longer)
	if !w.run(t) {
		if t.broken != nil {
			return t.broken
		}
		if _, err := began.Exec("ROLLBACK TO turn"); err != nil {
			return err
		}
	} else {
		maps.Copy(longer, t.ends)
	}
	_, err := began.Exec("RELEASE turn")
	return err
}
