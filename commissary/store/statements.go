package store

import (
	"context"
	"database/sql/driver"
)

// sqliteConn is what the driver's connections can do.
type sqliteConn interface {
	driver.Conn
	driver.ConnPrepareContext
	driver.ExecerContext
	driver.QueryerContext
	driver.SessionResetter
	driver.Validator
}

// keeping is a connection that keeps its statements: in SQLite preparing one
// takes longer than running it, and the store has few. (PostgreSQL's driver
// does so by itself.) A statement runs to its end even when its call is over,
// for a watch over each would cost more than most of them; the call ends with it.
type keeping struct {
	sqliteConn
	kept map[string]statement
}

type statement interface {
	driver.Stmt
	driver.StmtExecContext
	driver.StmtQueryContext
}

// mostKept bounds the statements kept; the store has fewer.
const mostKept = 300

// take returns a statement that nobody else uses meanwhile.
func (k *keeping) take(ctx context.Context, query string) (statement, error) {
	if s, ok := k.kept[query]; ok {
		delete(k.kept, query)
		return s, nil
	}
	s, err := k.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	return s.(statement), nil
}

// give keeps a statement that ran well for the next time.
func (k *keeping) give(query string, s statement, err error) error {
	if _, twice := k.kept[query]; err != nil || twice || len(k.kept) >= mostKept {
		if closing := s.Close(); err == nil {
			err = closing
		}
		return err
	}
	k.kept[query] = s
	return nil
}

func (k *keeping) ExecContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Result, error) {
	ctx = context.WithoutCancel(ctx)
	s, err := k.take(ctx, query)
	if err != nil {
		return nil, err
	}
	r, err := s.ExecContext(ctx, args)
	return r, k.give(query, s, err)
}

func (k *keeping) QueryContext(ctx context.Context, query string, args []driver.NamedValue) (driver.Rows, error) {
	ctx = context.WithoutCancel(ctx)
	s, err := k.take(ctx, query)
	if err != nil {
		return nil, err
	}
	rows, err := s.QueryContext(ctx, args)
	if err != nil {
		return nil, k.give(query, s, err)
	}
	return &keptRows{rows, func(err error) error { return k.give(query, s, err) }}, nil
}

// keptRows gives its statement back when it is closed.
type keptRows struct {
	driver.Rows
	done func(error) error
}

func (r *keptRows) Close() error { return r.done(r.Rows.Close()) }

// BeginTx begins a transaction that has the file to itself, unless it only reads.
func (k *keeping) BeginTx(ctx context.Context, o driver.TxOptions) (driver.Tx, error) {
	begin := "BEGIN IMMEDIATE"
	if o.ReadOnly {
		begin = "BEGIN"
	}
	_, err := k.ExecContext(ctx, begin, nil)
	return keptTx{k}, err
}

type keptTx struct{ *keeping }

func (t keptTx) Commit() error {
	_, err := t.ExecContext(context.Background(), "COMMIT", nil)
	if err != nil {
		_ = t.Rollback() // the connection goes back without a transaction; what failed is the commit
	}
	return err
}

func (t keptTx) Rollback() error {
	_, err := t.ExecContext(context.Background(), "ROLLBACK", nil)
	return err
}

func (k *keeping) Close() error {
	for query, s := range k.kept {
		delete(k.kept, query)
		_ = s.Close() // the connection goes with it
	}
	return k.sqliteConn.Close()
}
