package store

import (
	buffer "bytes"
	"cmp"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"doughrun/commissary"
)

// The record of changes holds every row of facts as a change left it, so that
// the facts can be computed from the record, and a row that was altered beside
// the program shows. An image is one row:
//
//	1 for a row that stands or 0 for one that is gone, the table's name, the
//	number of columns, and by name every column's name and value
//
// with texts, numbers of things and values as appendText and appendValue write
// them. Many of them together, as of a plan, are packed behind a 2.

// byName is the order in which an image has its columns.
func byName(columns []string) []int {
	order := make([]int, len(columns))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int { return strings.Compare(columns[i], columns[j]) })
	return order
}

// appendImage puts a row that a statement has left, or removed, behind the others.
func appendImage(b []byte, table string, gone bool, columns []string, values []any, order []int) ([]byte, error) {
	stands := byte(1)
	if gone {
		stands = 0
	}
	b = binary.AppendUvarint(appendText(append(b, stands), table), uint64(len(columns)))
	var err error
	for _, i := range order {
		if b, err = appendValue(appendText(b, columns[i]), values[i]); err != nil {
			return nil, fmt.Errorf("%s.%s: %w", table, columns[i], err)
		}
	}
	return b, nil
}

// appendText writes a text or bytes with their length before them.
func appendText[T string | []byte](b []byte, s T) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// appendValue writes a value of a column so that no two look alike.
func appendValue(b []byte, v any) ([]byte, error) {
	switch v := v.(type) {
	case nil:
		return append(b, 0), nil
	case bool:
		n := int64(0)
		if v {
			n = 1
		}
		return appendValue(b, n)
	case int64:
		return binary.AppendVarint(append(b, 1), v), nil
	case string:
		return appendText(append(b, 2), v), nil
	case []byte:
		return appendText(append(b, 3), v), nil
	}
	return nil, fmt.Errorf("a %T is no fact", v)
}

// image is one row as the record holds it.
type image struct {
	table   string
	gone    bool
	columns []string
	values  []any
	bytes   []byte // as they are written, without the first
}

// packFrom is how many bytes of images are worth packing.
const packFrom = 16 << 10

// pack makes many images smaller (RFC 1951).
func pack(images []byte) ([]byte, error) {
	if len(images) < packFrom {
		return images, nil
	}
	packed := buffer.NewBuffer([]byte{2})
	w, err := flate.NewWriter(packed, flate.BestSpeed)
	if err == nil {
		_, err = w.Write(images)
		err = errors.Join(err, w.Close())
	}
	return packed.Bytes(), err
}

var errNoImage = errors.New("the rows in the record of changes cannot be read")

// readImages reads what appendImage wrote.
func readImages(b []byte, take func(image) error) error {
	if len(b) > 0 && b[0] == 2 {
		var err error
		if b, err = io.ReadAll(flate.NewReader(buffer.NewReader(b[1:]))); err != nil {
			return errNoImage
		}
	}
	number := func() uint64 {
		n, size := binary.Uvarint(b)
		if size <= 0 {
			b = nil
			return 0
		}
		b = b[size:]
		return n
	}
	text := func() []byte {
		n := number()
		if n > uint64(len(b)) {
			b = nil
			return nil
		}
		s := b[:n]
		b = b[n:]
		return s
	}
	value := func() any {
		if len(b) == 0 {
			return nil
		}
		kind := b[0]
		b = b[1:]
		switch kind {
		case 1:
			n, size := binary.Varint(b)
			if size <= 0 {
				b = nil
				return nil
			}
			b = b[size:]
			return n
		case 2:
			return string(text())
		case 3:
			return append([]byte{}, text()...)
		}
		return nil
	}
	for len(b) > 0 {
		row := image{gone: b[0] == 0}
		b = b[1:]
		from := b
		row.table = string(text())
		n := number()
		if n == 0 || n > uint64(len(b)) {
			return errNoImage
		}
		for range n {
			row.columns = append(row.columns, string(text()))
			row.values = append(row.values, value())
		}
		if b == nil {
			return errNoImage
		}
		row.bytes = from[:len(from)-len(b)]
		if err := take(row); err != nil {
			return err
		}
	}
	return nil
}

// of returns a column's value.
func (row image) of(column string) any {
	if i := slices.Index(row.columns, column); i >= 0 {
		return row.values[i]
	}
	return nil
}

// name tells a row from all others, in words: its table and key.
func (row image) name() string {
	var b strings.Builder
	b.WriteString(row.table)
	for _, of := range tables {
		if of.name == row.table {
			for i, column := range strings.Split(of.key, ", ") {
				fmt.Fprintf(&b, "%s %v", map[bool]string{true: "", false: ","}[i == 0], row.of(column))
			}
		}
	}
	return b.String()
}

// recorded says that the record of changes holds the table's rows. It does not
// hold itself, nor what the database computes from other rows.
func (of table) recorded() bool {
	return !of.follows && of.name != "changes" && of.name != "chains"
}

// kitchen returns the kitchen that a row belongs to; empty for the kept answers, which are of none.
func (row image) kitchen() string {
	kitchen, _ := row.of("kitchen").(string)
	return kitchen
}

// difference is a row that is not as the record of changes has it.
type difference struct {
	row  image
	what string
}

// differences compares the facts with the record of changes. With a kitchen it
// looks at that kitchen's alone, and leaves out the kept answers.
func (t *tx) differences(kitchen string) (all []difference, err error) {
	t.in(kitchen)
	if kitchen == "" {
		t.in(everyKitchen)
	}
	type sum [sha256.Size]byte
	stands := map[string]sum{}
	err = t.each(func(s scan) error {
		var facts []byte
		if err := s(&facts); err != nil {
			return err
		}
		return readImages(facts, func(row image) error {
			if name := row.name(); row.gone {
				delete(stands, name)
			} else if kitchen == "" || row.kitchen() == kitchen {
				stands[name] = sha256.Sum256(row.bytes)
			}
			return nil
		})
	}, `SELECT facts FROM changes WHERE kitchen = $1 OR $1 = '' ORDER BY kitchen, seq`, kitchen)
	if err != nil {
		return nil, err
	}
	for _, of := range tables {
		if !of.recorded() || kitchen != "" && of.name == "replies" {
			continue
		}
		if kitchen != "" {
			of.only = "kitchen = '" + strings.ReplaceAll(kitchen, "'", "''") + "'"
		}
		err := t.rows(of, io.Discard, func(columns []string, values []any) error {
			b, err := appendImage(nil, of.name, false, columns, values, byName(columns))
			if err != nil {
				return err
			}
			row := image{table: of.name, columns: columns, values: slices.Clone(values), bytes: b[1:]}
			name := row.name()
			want, ok := stands[name]
			delete(stands, name)
			switch {
			case !ok:
				all = append(all, difference{row, name + " is not in the record"})
			case want != sha256.Sum256(b[1:]):
				all = append(all, difference{row, name + " is not as the record has it"})
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	if len(stands) == 0 {
		return all, nil
	}
	return all, t.each(func(s scan) error {
		var facts []byte
		if err := s(&facts); err != nil {
			return err
		}
		return readImages(facts, func(row image) error {
			if name := row.name(); stands[name] == sha256.Sum256(row.bytes) && !row.gone {
				delete(stands, name)
				row.gone = true
				all = append(all, difference{row, name + " is gone"})
			}
			return nil
		})
	}, `SELECT facts FROM changes WHERE kitchen = $1 OR $1 = '' ORDER BY kitchen, seq`, kitchen)
}

// recordedRows computes every row from the record of changes, by table and in the order of its key.
func (t *tx) recordedRows() (map[string][]image, error) {
	stands := map[string]image{}
	err := t.each(func(s scan) error {
		var facts []byte
		if err := s(&facts); err != nil {
			return err
		}
		return readImages(facts, func(row image) error {
			if row.gone {
				delete(stands, row.name())
			} else {
				stands[row.name()] = row
			}
			return nil
		})
	}, `SELECT facts FROM changes ORDER BY kitchen, seq`)
	all := map[string][]image{}
	for _, row := range stands {
		all[row.table] = append(all[row.table], row)
	}
	for _, of := range tables {
		slices.SortFunc(all[of.name], func(a, b image) int {
			for _, column := range strings.Split(of.key, ", ") {
				x, number := a.of(column).(int64)
				y, _ := b.of(column).(int64)
				if !number {
					if c := strings.Compare(fmt.Sprint(a.of(column)), fmt.Sprint(b.of(column))); c != 0 {
						return c
					}
				} else if x != y {
					return cmp.Compare(x, y)
				}
			}
			return 0
		})
	}
	return all, err
}

// enterAsItStands enters every row that is not as the record has it, some
// thousands with one change.
func (t *tx) enterAsItStands(schema int64) error {
	all, err := t.differences("")
	if err != nil {
		return err
	}
	for len(all) > 0 {
		size, n := 0, 0
		kitchens := map[string]bool{}
		for ; n < len(all) && size < 1<<20; n++ {
			row := all[n].row
			image, err := appendImage(t.wrote[row.kitchen()], row.table, row.gone, row.columns, row.values, byName(row.columns))
			if err != nil {
				return err
			}
			size += len(row.bytes)
			if t.wrote == nil {
				t.wrote = map[string][]byte{}
			}
			t.wrote[row.kitchen()] = image
			kitchens[row.kitchen()] = true
		}
		all = all[n:]
		for _, k := range slices.Sorted(maps.Keys(kitchens)) {
			e := untold(k)
			e.change.Call, e.change.Detail = "upgrade", fmt.Sprintf("rows as they stood when the database came to schema %d", schema)
			t.entered = append(t.entered, e)
		}
		if err := t.enter(); err != nil {
			return err
		}
		t.wrote, t.entered = nil, nil
	}
	return nil
}

// unsummed selects the places at which a lot's quantity is not the sum of its movements.
const unsummed = `SELECT kitchen, lot, place FROM (
	SELECT kitchen, lot, place, pieces, mass FROM movements
	UNION ALL SELECT kitchen, lot, to_place, -pieces, -mass FROM movements WHERE to_place <> ''
	UNION ALL SELECT kitchen, lot, place, -pieces, -mass FROM stocks) AS m
	WHERE kitchen = $1 OR $1 = '' GROUP BY kitchen, lot, place HAVING sum(pieces) <> 0 OR sum(mass) <> 0
	ORDER BY kitchen, lot, place`

// whole refuses facts that are not as the record of changes has them.
func (t *tx) whole(kitchen string) error {
	all, err := t.differences(kitchen)
	if err != nil && !errors.Is(err, errNoImage) {
		return err
	}
	var altered []string
	if err != nil {
		altered = append(altered, err.Error())
	}
	for _, d := range all {
		altered = append(altered, d.what)
	}
	// What lots hold is the sum of their movements.
	sums, err := list(t, func(s scan) (name string, err error) {
		var at [3]string
		err = s(&at[0], &at[1], &at[2])
		return "stocks " + strings.Join(at[:], ", ") + " is not the sum of the movements", err
	}, unsummed, kitchen)
	if altered = append(altered, sums...); err != nil || len(altered) == 0 {
		return err
	}
	e := commissary.Refuse(commissary.Precondition, "FACTS_ALTERED",
		"rows were altered beside the program (%d): %s; keep this database as it is, and restore the newest backup that verifies",
		len(altered), strings.Join(altered[:min(len(altered), 5)], "; "))
	for _, row := range altered[:min(len(altered), 20)] {
		e.Faults = append(e.Faults, commissary.Fault{Where: "facts", Text: row})
	}
	return e
}
