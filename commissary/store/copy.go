package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
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
			_, err = sqlOf(tx).exec(`INSERT INTO moved (destination) VALUES ($1)`, destination)
		}
		return err
	})
	return e, err
}

// sqlOf is the door to SQL behind a transaction of this room.
func sqlOf(t commissary.Tx) *tx { return t.(*tx) }

func copyFacts(ctx context.Context, from *tx, to *Store) (Extent, error) {
	var there Extent
	err := to.Update(ctx, func(tx commissary.Tx) error {
		t := sqlOf(tx)
		have, err := t.extent()
		if err != nil {
			return err
		}
		if have.Rows > 0 {
			return commissary.Refuse(commissary.Precondition, "NOT_EMPTY", "the database holds facts already (%d rows), and they are not mixed with others; name an empty one", have.Rows)
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

// Extent reads all facts.
func (s *Store) Extent(ctx context.Context) (e Extent, err error) {
	err = s.View(ctx, func(tx commissary.Tx) (err error) {
		e, err = sqlOf(tx).extent()
		return err
	})
	return e, err
}

// Verify recomputes every kitchen's record of changes.
func (s *Store) Verify(ctx context.Context) error {
	return s.View(ctx, func(tx commissary.Tx) error { return sqlOf(tx).verifyAll() })
}

func (t *tx) verifyAll() error {
	kitchens, err := list(t, func(s scan) (k string, err error) { return k, s(&k) }, `SELECT kitchen FROM chains ORDER BY kitchen`)
	for _, k := range kitchens {
		if err == nil {
			_, err = changes{t, k}.Verify()
		}
	}
	return err
}

func (t *tx) extent() (Extent, error) {
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
func (t *tx) rows(of table, sum hash.Hash, read func(columns []string, values []any) error) error {
	columns, err := t.columns(of)
	if err != nil {
		return err
	}
	query := "SELECT " + strings.Join(names(columns), ", ") + " FROM " + of.name
	if of.only != "" {
		query += " WHERE " + of.only
	}
	text(sum, of.name)
	values, dest := make([]any, len(columns)), make([]any, len(columns))
	for i := range values {
		dest[i] = &values[i]
	}
	return t.each(func(s scan) error {
		if err := s(dest...); err != nil {
			return err
		}
		for i, v := range values {
			text(sum, columns[i].name)
			if err := write(sum, v); err != nil {
				return fmt.Errorf("%s.%s: %w", of.name, columns[i].name, err)
			}
		}
		return read(names(columns), values)
	}, query+" ORDER BY "+of.key)
}

// fill copies a table and returns how many rows it has.
func (t *tx) fill(of table, from *tx, sum hash.Hash) (n int64, err error) {
	mine, err := t.columns(of)
	if err != nil {
		return 0, err
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
	err = from.rows(of, sum, func(columns []string, values []any) error {
		n++
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
			}
		}
		_, err := t.exec(insert, row...)
		return err
	})
	if err == nil && of.numbered && t.dialect.renumber != "" {
		_, err = t.exec(fmt.Sprintf(t.dialect.renumber, of.name))
	}
	return n, err
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

// write adds a value to the sum so that no two values look alike.
func write(sum hash.Hash, v any) error {
	switch v := v.(type) {
	case nil:
		sum.Write([]byte{0})
	case bool:
		n := int64(0)
		if v {
			n = 1
		}
		return write(sum, n)
	case int64:
		sum.Write(binary.BigEndian.AppendUint64([]byte{1}, uint64(v)))
	case string:
		sum.Write([]byte{2})
		text(sum, v)
	case []byte:
		sum.Write([]byte{3})
		text(sum, string(v))
	default:
		return fmt.Errorf("a %T is no fact", v)
	}
	return nil
}

func text(sum hash.Hash, s string) {
	sum.Write(binary.BigEndian.AppendUint64(nil, uint64(len(s))))
	sum.Write([]byte(s))
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
