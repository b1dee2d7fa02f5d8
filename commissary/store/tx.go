package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"doughrun/commissary"
)

// tx is the one door to SQL for the nouns.
type tx struct {
	ctx     context.Context
	sql     *sql.Tx
	dialect dialect
	writes  bool
	over    atomic.Bool
	failed  error // of the first statement the database refused; it dooms the transaction
	broken  error // set when the database itself failed, or its disk is full
	again   bool  // it met another transaction and may be run again

	wrote   map[string][]byte // the rows as they were left, by kitchen: see facts.go
	entered []entry           // in the record of changes
	ends    ends              // of the record, those of the commit's turns before it included

	scope, scoped string // the kitchen of the next statement, and the one the database holds to
}

func newTx(ctx context.Context, began *sql.Tx, d dialect, writes bool) *tx {
	return &tx{ctx: ctx, sql: began, dialect: d, writes: writes}
}

func (t *tx) run(f func(commissary.Tx) error) error {
	defer t.over.Store(true)
	if err := f(t); err != nil {
		return err
	}
	if t.failed != nil || !t.writes {
		return t.failed
	}
	return t.enter()
}

// everyKitchen is the scope of what looks at all kitchens.
const everyKitchen = "*"

// in narrows the statements that follow to the rows of one kitchen, where the
// database can hold to it.
func (t *tx) in(kitchen string) *tx {
	t.scope = kitchen
	return t
}

func (t *tx) Books(kitchen string) commissary.Books     { return books{t.in(kitchen), kitchen} }
func (t *tx) Nights(kitchen string) commissary.Nights   { return nights{t.in(kitchen), kitchen} }
func (t *tx) Orders(kitchen string) commissary.Orders   { return orders{t.in(kitchen), kitchen} }
func (t *tx) Counts(kitchen string) commissary.Counts   { return counts{t.in(kitchen), kitchen} }
func (t *tx) Plans(kitchen string) commissary.Plans     { return plans{t.in(kitchen), kitchen} }
func (t *tx) Batches(kitchen string) commissary.Batches { return batches{t.in(kitchen), kitchen} }
func (t *tx) Lots(kitchen string) commissary.Lots       { return lots{t.in(kitchen), kitchen} }
func (t *tx) Dispatches(kitchen string) commissary.Dispatches {
	return dispatches{t.in(kitchen), kitchen}
}
func (t *tx) Rides(kitchen string) commissary.Rides     { return rides{t.in(kitchen), kitchen} }
func (t *tx) Outages(kitchen string) commissary.Outages { return outages{t.in(kitchen), kitchen} }
func (t *tx) Replies(caller string) commissary.Replies  { return replies{t, caller} }
func (t *tx) Changes(kitchen string) commissary.Changes { return changes{t.in(kitchen), kitchen} }
func (t *tx) Credentials() commissary.Credentials       { return credentials{t} }

// exec runs a statement that writes facts, keeps for the record how it left
// every row, and returns how many it touched.
func (t *tx) exec(query string, args ...any) (n int64, err error) {
	if err := t.ready(true); err != nil {
		return 0, err
	}
	verb, rest, _ := strings.Cut(query, " ") // INSERT INTO, DELETE FROM or UPDATE
	of, _, _ := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(rest, "INTO "), "FROM "), " ")
	rows, err := t.sql.QueryContext(t.ctx, query+" RETURNING *", args...)
	if err != nil {
		return 0, t.fault(err)
	}
	defer rows.Close() // after the last row it has been done, with its error in rows.Err
	columns, err := rows.Columns()
	if err != nil {
		return 0, t.fault(err)
	}
	order := byName(columns)
	values, dest := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		dest[i] = &values[i]
	}
	for ; rows.Next(); n++ {
		if err := rows.Scan(dest...); err != nil {
			return 0, t.fault(err)
		}
		if err := t.keep(of, verb == "DELETE", columns, values, order); err != nil {
			return 0, err
		}
	}
	if err := rows.Err(); err != nil {
		return 0, t.fault(err)
	}
	return n, nil
}

// keep holds a row for the record of its kitchen.
func (t *tx) keep(table string, gone bool, columns []string, values []any, order []int) error {
	kitchen := ""
	if i := slices.Index(columns, "kitchen"); i >= 0 {
		kitchen, _ = values[i].(string)
	}
	image, err := appendImage(t.wrote[kitchen], table, gone, columns, values, order)
	if err != nil {
		return t.fault(err)
	}
	if t.wrote == nil {
		t.wrote = map[string][]byte{}
	}
	t.wrote[kitchen] = image
	return nil
}

// insert writes rows whole: the arguments are all columns of the table, row
// after row, and from says how they become rows. The record takes them as they
// are; to ask the database for them, as exec does, takes as long as to write
// them. It returns how many rows are new, which is all of them or none.
func (t *tx) insert(table, whole, from string, args ...any) (int64, error) {
	n, err := t.raw("INSERT INTO "+table+" ("+whole+") "+from, args...)
	if err != nil || n == 0 {
		return n, err
	}
	columns := strings.Split(whole, ", ")
	order := byName(columns)
	values := make([]any, len(args))
	for i, a := range args {
		if values[i], err = driver.DefaultParameterConverter.ConvertValue(a); err != nil {
			return 0, t.fault(err)
		}
	}
	for row := range slices.Chunk(values, len(columns)) {
		if err := t.keep(table, false, columns, row, order); err != nil {
			return 0, err
		}
	}
	return n, nil
}

// listed is the values of so many rows of so many columns, as insert takes them.
func listed(rows, columns int) string {
	var b strings.Builder
	b.WriteString("VALUES ")
	for i := range rows * columns {
		switch {
		case i == 0:
			b.WriteString("(")
		case i%columns == 0:
			b.WriteString("), (")
		default:
			b.WriteString(", ")
		}
		b.WriteString("$" + strconv.Itoa(i+1))
	}
	return b.String() + ")"
}

// raw runs a statement that writes and that the record of changes does not hold.
func (t *tx) raw(query string, args ...any) (int64, error) {
	if err := t.ready(true); err != nil {
		return 0, err
	}
	r, err := t.sql.ExecContext(t.ctx, query, args...)
	if err != nil {
		return 0, t.fault(err)
	}
	n, err := r.RowsAffected()
	if err != nil {
		return 0, t.fault(err)
	}
	return n, nil
}

// scan reads the columns of one row.
type scan func(dest ...any) error

// take runs a statement that writes and reads the rows it returns.
func (t *tx) take(read func(scan) error, query string, args ...any) error {
	if err := t.ready(true); err != nil {
		return err
	}
	return t.each(read, query, args...)
}

// each reads every row of a query, in order. An error of read that is a
// refusal is passed on.
func (t *tx) each(read func(scan) error, query string, args ...any) error {
	if err := t.ready(false); err != nil {
		return err
	}
	rows, err := t.sql.QueryContext(t.ctx, query, args...)
	if err != nil {
		return t.fault(err)
	}
	defer rows.Close() // after the last row it has been done, with its error in rows.Err
	for rows.Next() {
		if err := read(rows.Scan); err != nil {
			var refusal *commissary.Error
			if errors.As(err, &refusal) {
				return err
			}
			return t.fault(err)
		}
	}
	if err := rows.Err(); err != nil {
		return t.fault(err)
	}
	return nil
}

// list reads every row of a query into values.
func list[T any](t *tx, read func(scan) (T, error), query string, args ...any) ([]T, error) {
	var all []T
	err := t.each(func(s scan) error {
		v, err := read(s)
		all = append(all, v)
		return err
	}, query, args...)
	if err != nil {
		return nil, err
	}
	return all, nil
}

// one reads the first row of a query, or refuses with the reason when there is none.
func one[T any](t *tx, reason, what string, read func(scan) (T, error), query string, args ...any) (T, error) {
	all, err := list(t, read, query, args...)
	if err == nil && len(all) == 0 {
		err = commissary.Refuse(commissary.NotFound, reason, "there is no %s; check the name", what)
	}
	if err != nil {
		var none T
		return none, err
	}
	return all[0], nil
}

// follows refuses a revision that is not the newest, which the query gives, plus one.
func (t *tx) follows(what string, revision int, query string, args ...any) error {
	newest := 0
	if err := t.each(func(s scan) error { return s(&newest) }, query, args...); err != nil {
		return err
	}
	if revision == newest+1 {
		return nil
	}
	e := commissary.Refuse(commissary.Conflict, "STALE_REVISION",
		"%s is at revision %d, so revision %d cannot be saved; read it again and decide again", what, newest, revision)
	e.Meta = map[string]string{"newest": strconv.Itoa(newest), "revision": strconv.Itoa(revision)}
	return e
}

func (t *tx) ready(writing bool) error {
	if t.over.Load() {
		return commissary.Refuse(commissary.Internal, "STORE_MISUSED", "a transaction was used after its end")
	}
	if writing && !t.writes {
		return commissary.Refuse(commissary.Internal, "STORE_MISUSED", "a view was asked to write")
	}
	if t.failed == nil && t.dialect.scope != "" && t.scoped != t.scope {
		t.scoped = t.scope
		if _, err := t.sql.ExecContext(t.ctx, t.dialect.scope, t.scope); err != nil {
			return t.fault(err)
		}
	}
	return t.failed // which PostgreSQL would say in other words
}

// fault turns an error of the database into a refusal and remembers it.
func (t *tx) fault(err error) error {
	var e *commissary.Error
	switch kind := t.dialect.sort(err); {
	case t.ctx.Err() != nil:
		e = callEnded(err)
	case kind == busy:
		e = storeBusy(err)
	case kind == again:
		e = commissary.Refuse(commissary.Unavailable, "STORE_BUSY", "this met another change; try again in a moment")
		t.again = true
	case kind == taken:
		e = commissary.Refuse(commissary.Conflict, "TAKEN", "somebody else saved this first; read it again and decide again")
	case kind == dangling:
		e = commissary.Refuse(commissary.Precondition, "NOT_KEPT", "what this refers to is not kept, or something kept refers to it")
	case kind == full:
		t.broken = err
		e = storeFull(err)
	case kind == broken:
		t.broken = err
		e = commissary.Refuse(commissary.Internal, "STORE_FAILED", "the database failed")
	default:
		e = commissary.Refuse(commissary.Internal, "STORE_REFUSED", "the database refused a fact")
	}
	e.Cause = err
	if t.failed == nil {
		t.failed = e
	}
	return e
}

func storeBusy(err error) *commissary.Error {
	e := commissary.Refuse(commissary.Unavailable, "STORE_BUSY", "another program holds the database; try again in a moment")
	e.Cause, e.Retry = err, time.Second
	return e
}

func storeFull(err error) *commissary.Error {
	e := commissary.Refuse(commissary.Unavailable, "STORE_FULL", "the disk of the kitchen's service is full; nothing was changed, and it can be read but not written to; its operator must make room, then send again with the same request id")
	e.Cause, e.Retry = err, 30*time.Second
	return e
}

func callEnded(err error) *commissary.Error {
	e := commissary.Refuse(commissary.Unavailable, "CALL_ENDED", "the call ended before its turn came; nothing was changed")
	e.Cause = err
	return e
}
