package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"doughrun/commissary"
)

// table is one table of facts: the columns that name a row, and what of it is
// copied and how.
type table struct {
	name, key string
	// only is a condition on the rows that count.
	only string
	// follows says that the database itself fills the table from another.
	follows bool
	// numbered says that the database numbers new rows in seq.
	numbered bool
}

// tables holds every table of facts, what is referred to before what refers.
var tables = []table{
	{name: "books", key: "kitchen, revision"},
	{name: "nights", key: "kitchen, night"},
	{name: "orders", key: "kitchen, night, shop, revision"},
	{name: "order_lines", key: "kitchen, night, shop, revision, line"},
	{name: "counts", key: "kitchen, night, shop"},
	{name: "count_lines", key: "kitchen, night, shop, item, made"},
	{name: "sales", key: "kitchen, shop, item, day"},
	{name: "fits", key: "kitchen, shop, item"},
	{name: "plans", key: "kitchen, night, revision"},
	{name: "batches", key: "kitchen, id"},
	{name: "mixes", key: "kitchen, batch"},
	{name: "lots", key: "kitchen, code"},
	{name: "movements", key: "seq", numbered: true},
	{name: "stocks", key: "kitchen, lot, place", only: "pieces > 0 OR mass > 0", follows: true},
	{name: "holds", key: "seq", numbered: true},
	{name: "draws", key: "kitchen, batch, lot"},
	{name: "in_use", key: "seq", numbered: true},
	{name: "dispatches", key: "kitchen, night, revision"},
	{name: "rides", key: "kitchen, night, run"},
	{name: "outages", key: "kitchen, number"},
	{name: "replies", key: "caller, request_id"},
	{name: "changes", key: "kitchen, seq"},
	{name: "chains", key: "kitchen"},
	{name: "credentials", key: "id"},
}

// Extent is all facts of a database, told in short. Two databases with the
// same Extent hold the same facts, whatever kind of database they are.
type Extent struct {
	Rows int64
	Hash string // SHA-256 over every row of every table, in hexadecimal
}

// Copy puts all facts of a store, as they are at one instant, into another one
// that holds none yet. It reads the copy back, and keeps it only when it is the
// same, row by row, and every kitchen's record of changes verifies. The store
// copied from goes on meanwhile.
func Copy(ctx context.Context, from, to *Store) (Extent, error) {
	var e Extent
	err := from.View(ctx, func(tx commissary.Tx) (err error) {
		e, err = copyFacts(ctx, sqlOf(tx), to)
		return err
	})
	return e, err
}

// Move is Copy, and leaves the store moved from without a further change: from
// then on it refuses every one, and to be opened, naming the destination.
func Move(ctx context.Context, from, to *Store, destination string) (Extent, error) {
	var e Extent
	err := from.Update(ctx, func(tx commissary.Tx) (err error) {
		if e, err = copyFacts(ctx, sqlOf(tx), to); err == nil {
			_, err = sqlOf(tx).raw(`INSERT INTO moved (destination) VALUES ($1)`, destination)
		}
		return err
	})
	return e, err
}

// sqlOf is the door to SQL behind a transaction of this room.
func sqlOf(t commissary.Tx) *tx { return t.(*tx) }

func copyFacts(ctx context.Context, from *tx, to *Store) (Extent, error) {
	var there Extent
	from.in(everyKitchen)
	err := to.Update(ctx, func(tx commissary.Tx) error {
		t := sqlOf(tx).in(everyKitchen)
		if err := t.empty(); err != nil {
			return err
		}
		sum := sha256.New()
		for _, of := range tables {
			n, err := t.fill(of, from, sum)
			if err != nil {
				return fmt.Errorf("copying %s: %w", of.name, err)
			}
			there.Rows += n
		}
		there.Hash = hex.EncodeToString(sum.Sum(nil))
		copied, err := t.extent()
		if err != nil {
			return err
		}
		if copied != there {
			return commissary.Refuse(commissary.Internal, "COPY_DIFFERS", "what was copied (%d rows, %s) reads back differently (%d rows, %s); nothing was kept", there.Rows, there.Hash, copied.Rows, copied.Hash)
		}
		return t.verifyAll()
	})
	return there, err
}

// Rebuild puts all facts of a store into another one that holds none yet, as
// they follow from the record of changes, for a database whose rows were altered
// while its record verifies.
func Rebuild(ctx context.Context, from, to *Store) (Extent, error) {
	var e Extent
	err := from.View(ctx, func(tx commissary.Tx) error {
		f := sqlOf(tx).in(everyKitchen)
		return to.Update(ctx, func(tx commissary.Tx) error {
			t := sqlOf(tx).in(everyKitchen)
			if err := t.empty(); err != nil {
				return err
			}
			stands, err := f.recordedRows()
			if err != nil {
				return err
			}
			for _, of := range tables {
				put, err := t.filling(of)
				switch {
				case err != nil:
				case of.recorded():
					for _, row := range stands[of.name] {
						if err == nil {
							err = put(row.columns, row.values)
						}
					}
					if err == nil {
						err = t.filled(of)
					}
				default:
					_, err = t.fill(of, f, io.Discard)
				}
				if err != nil {
					return fmt.Errorf("rebuilding %s: %w", of.name, err)
				}
			}
			if e, err = t.extent(); err != nil {
				return err
			}
			return t.verifyAll()
		})
	})
	return e, err
}

// empty refuses a database that holds facts.
func (t *tx) empty() error {
	have, err := t.extent()
	if err == nil && have.Rows > 0 {
		err = commissary.Refuse(commissary.Precondition, "NOT_EMPTY", "the database holds facts already (%d rows), and they are not mixed with others; name an empty one", have.Rows)
	}
	return err
}

// Extent reads all facts.
func (s *Store) Extent(ctx context.Context) (e Extent, err error) {
	err = s.View(ctx, func(tx commissary.Tx) (err error) {
		e, err = sqlOf(tx).extent()
		return err
	})
	return e, err
}

// Verify recomputes every kitchen's record of changes, and from it all facts.
func (s *Store) Verify(ctx context.Context) error {
	return s.View(ctx, func(tx commissary.Tx) error { return sqlOf(tx).verifyAll() })
}

func (t *tx) verifyAll() error {
	t.in(everyKitchen)
	kitchens, err := list(t, func(s scan) (k string, err error) { return k, s(&k) }, `SELECT kitchen FROM chains ORDER BY kitchen`)
	for _, k := range kitchens {
		if err == nil {
			_, err = changes{t, k}.chained()
		}
	}
	if err == nil {
		err = t.whole("")
	}
	return err
}

func (t *tx) extent() (Extent, error) {
	t.in(everyKitchen)
	e, sum := Extent{}, sha256.New()
	for _, of := range tables {
		err := t.rows(of, sum, func([]string, []any) error { e.Rows++; return nil })
		if err != nil {
			return Extent{}, err
		}
	}
	e.Hash = hex.EncodeToString(sum.Sum(nil))
	return e, nil
}

// rows reads every row of a table in the order of its key, columns by name, and adds it to the sum.
func (t *tx) rows(of table, sum io.Writer, read func(columns []string, values []any) error) error {
	columns, err := t.columns(of)
	if err != nil {
		return err
	}
	query := "SELECT " + strings.Join(names(columns), ", ") + " FROM " + of.name
	if of.only != "" {
		query += " WHERE " + of.only
	}
	sum.Write(appendText(nil, of.name))
	var b []byte
	values, dest := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		dest[i] = &values[i]
	}
	return t.each(func(s scan) error {
		if err := s(dest...); err != nil {
			return err
		}
		for i, v := range values {
			if b, err = appendValue(appendText(b, columns[i].name), v); err != nil {
				return fmt.Errorf("%s.%s: %w", of.name, columns[i].name, err)
			}
		}
		sum.Write(b)
		b = b[:0]
		return read(names(columns), values)
	}, query+" ORDER BY "+of.key)
}

// fill copies a table and returns how many rows it has.
func (t *tx) fill(of table, from *tx, sum io.Writer) (n int64, err error) {
	put, err := t.filling(of)
	if err != nil {
		return 0, err
	}
	err = from.rows(of, sum, func(columns []string, values []any) error {
		n++
		return put(columns, values)
	})
	if err == nil {
		err = t.filled(of)
	}
	return n, err
}

// filled lets the database number a table's new rows after those it was filled with.
func (t *tx) filled(of table) (err error) {
	if of.numbered && t.dialect.renumber != "" {
		_, err = t.raw(fmt.Sprintf(t.dialect.renumber, of.name))
	}
	return err
}

// filling returns what puts a row into a table as it was elsewhere.
func (t *tx) filling(of table) (put func(columns []string, values []any) error, err error) {
	mine, err := t.columns(of)
	if err != nil {
		return nil, err
	}
	places := make([]string, len(mine))
	for i := range places {
		places[i] = fmt.Sprintf("$%d", i+1)
	}
	numbering := ""
	if of.numbered {
		numbering = t.dialect.numbering
	}
	insert := "INSERT INTO " + of.name + " (" + strings.Join(names(mine), ", ") + ")" + numbering + " VALUES (" + strings.Join(places, ", ") + ")"
	return func(columns []string, values []any) error {
		if !slices.Equal(columns, names(mine)) {
			return fmt.Errorf("its columns are %v there and %v here", columns, names(mine))
		}
		if of.follows {
			return nil
		}
		row := slices.Clone(values)
		for i, v := range row {
			if number, ok := v.(int64); ok && mine[i].truth {
				row[i] = number != 0
			} else if b, ok := v.([]byte); ok {
				row[i] = bytes(b)
			}
		}
		_, err := t.raw(insert, row...)
		return err
	}, nil
}

type column struct {
	name  string
	truth bool // a BOOLEAN, which SQLite keeps as a number
}

func names(columns []column) []string {
	all := make([]string, len(columns))
	for i, c := range columns {
		all[i] = c.name
	}
	return all
}

// columns returns the columns of a table by name.
func (t *tx) columns(of table) ([]column, error) {
	if err := t.ready(false); err != nil {
		return nil, err
	}
	rows, err := t.sql.QueryContext(t.ctx, "SELECT * FROM "+of.name+" WHERE 1 = 0")
	if err != nil {
		return nil, t.fault(err)
	}
	types, err := rows.ColumnTypes()
	if err := errors.Join(err, rows.Close()); err != nil {
		return nil, t.fault(err)
	}
	var all []column
	for _, c := range types {
		all = append(all, column{c.Name(), c.DatabaseTypeName() == "BOOL"})
	}
	slices.SortFunc(all, func(a, b column) int { return strings.Compare(a.name, b.name) })
	return all, nil
}

// stays refuses a database whose facts have moved.
func (s *Store) stays(ctx context.Context) error {
	var destination string
	err := s.readers.QueryRowContext(ctx, `SELECT destination FROM moved`).Scan(&destination)
	if errors.Is(err, sql.ErrNoRows) {
		return nil
	}
	if err == nil {
		err = fmt.Errorf("its facts have moved to %s; set that as the database, and keep this one as it is", destination)
	}
	return err
}
