package book

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Limits of an order line: how far ahead a bake date may lie, in days, and
// how many pieces one line may want. Beyond them somebody mistyped.
const (
	farthest   = 90
	mostPieces = 100_000
)

// row is one line of a CSV file after its header.
type row struct {
	line   int
	fields []string
}

// rows reads a CSV file with the given header. A byte order mark, blank lines
// and either line ending are fine.
func (r *reader) rows(data []byte, header ...string) []row {
	if !r.readable(data) {
		return nil
	}
	c := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\uFEFF"))))
	c.FieldsPerRecord = -1
	c.TrimLeadingSpace = true
	var all []row
	for first := true; ; first = false {
		fields, err := c.Read()
		var broken *csv.ParseError
		switch {
		case errors.Is(err, io.EOF):
			if first {
				r.fault(1, "the file is empty; the first line is \"%s\"", strings.Join(header, ","))
			}
			return all
		case errors.As(err, &broken):
			r.fault(broken.Line, "this is not CSV: %v; look at the quotes and commas on this line", broken.Err)
			return all
		case err != nil:
			r.fault(1, "the file cannot be read: %v", err)
			return all
		}
		line, _ := c.FieldPos(0)
		for i := range fields {
			fields[i] = strings.TrimSpace(fields[i])
		}
		switch {
		case first && !slices.Equal(fields, header):
			r.fault(line, "the header is %q; it must be \"%s\"", show(strings.Join(fields, ",")), strings.Join(header, ","))
			return nil
		case first:
		case len(fields) != len(header):
			r.fault(line, "%s where the header has %d (%s)", count(len(fields), "value"), len(header), strings.Join(header, ", "))
		default:
			all = append(all, row{line, fields})
		}
	}
}

// known finds a name among those of the book.
func (r *reader) known(line int, noun, id string, list []string) bool {
	if slices.Contains(list, id) {
		return true
	}
	if id == "" {
		r.fault(line, "the %s is missing", noun)
		return false
	}
	r.slip(line, id, list, "there is no %s %q in the kitchen book", noun, show(id))
	return false
}

// ReadOrders reads one night's orders from CSV with the header
// shop,item,quantity,bake_date, one line of an order per row. An empty bake
// date is the item's default for the night. What comes out does not depend on
// the order of the rows: orders by shop, lines by item and bake date. The
// error is a *commissary.Error of kind Invalid and reason ORDERS_INVALID with
// faults at file:line.
func ReadOrders(file string, data []byte, b commissary.Book, night civil.Date) ([]commissary.Order, error) {
	r := &reader{file: file, what: "the order file", reason: "ORDERS_INVALID"}
	shops, items := shopNames(b), itemNames(b)
	type key struct {
		shop, item string
		bake       civil.Date
	}
	at := map[key]int{}
	byShop := map[string]*commissary.Order{}
	for _, row := range r.rows(data, "shop", "item", "quantity", "bake_date") {
		shop, item := row.fields[0], row.fields[1]
		fine := r.known(row.line, "shop", shop, shops)
		i := slices.Index(items, item)
		fine = r.known(row.line, "item", item, items) && fine
		pieces, err := orderPieces(row.fields[2])
		if err != nil {
			r.fault(row.line, "quantity: %v", err)
			fine = false
		}
		if i < 0 {
			continue
		}
		bake, err := bakeDate(row.fields[3], b.Items[i], night)
		if err != nil {
			r.fault(row.line, "bake_date: %v", err)
			continue
		}
		if !fine {
			continue
		}
		k := key{shop, item, bake}
		if first, ok := at[k]; ok {
			r.fault(row.line, "shop %q orders %q for %s twice, first on line %d; write one line with the sum", shop, item, bake.Long(), first)
			continue
		}
		at[k] = row.line
		o := byShop[shop]
		if o == nil {
			o = &commissary.Order{Night: night, Shop: shop, Revision: 1, State: commissary.OrderAccepted, By: "file"}
			byShop[shop] = o
		}
		o.Lines = append(o.Lines, commissary.OrderLine{Item: item, Pieces: pieces, BakeDate: bake})
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	orders := make([]commissary.Order, 0, len(byShop))
	for _, o := range byShop {
		slices.SortFunc(o.Lines, func(a, b commissary.OrderLine) int {
			return cmp.Or(cmp.Compare(a.Item, b.Item), a.BakeDate.Compare(b.BakeDate))
		})
		orders = append(orders, *o)
	}
	slices.SortFunc(orders, func(a, b commissary.Order) int { return cmp.Compare(a.Shop, b.Shop) })
	return orders, nil
}

// ReadForecast reads what shops are expected to sell from CSV with the header
// shop,item,bake_date,quantity. It comes out by bake date, item and shop. The
// error is a *commissary.Error of kind Invalid and reason FORECAST_INVALID with
// faults at file:line.
func ReadForecast(file string, data []byte, b commissary.Book) ([]commissary.Expected, error) {
	r := &reader{file: file, what: "the forecast file", reason: "FORECAST_INVALID"}
	shops, items := shopNames(b), itemNames(b)
	at := map[commissary.Expected]int{}
	var all []commissary.Expected
	for _, row := range r.rows(data, "shop", "item", "bake_date", "quantity") {
		since := r.wrong
		e := commissary.Expected{Shop: row.fields[0], Item: row.fields[1]}
		r.known(row.line, "shop", e.Shop, shops)
		r.known(row.line, "item", e.Item, items)
		bake, err := civil.ParseDate(row.fields[2])
		if err != nil {
			r.fault(row.line, "bake_date: %q is not a date; write year-month-day, for example 2026-11-27", show(row.fields[2]))
		}
		e.BakeDate = bake
		if first, ok := at[e]; ok {
			r.fault(row.line, "shop %q is forecast to sell %q on %s twice, first on line %d; keep one", e.Shop, e.Item, bake.Long(), first)
		}
		at[e] = row.line
		pieces, err := whole(0, mostPieces)(row.fields[3])
		if err != nil {
			r.fault(row.line, "quantity: %v", err)
		}
		if e.Pieces = quantity.Pieces(pieces); r.wrong == since {
			all = append(all, e)
		}
	}
	slices.SortFunc(all, func(a, b commissary.Expected) int {
		return cmp.Or(a.BakeDate.Compare(b.BakeDate), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Shop, b.Shop))
	})
	return all, r.err()
}

func shopNames(b commissary.Book) []string {
	var all []string
	for _, s := range b.Shops {
		all = append(all, s.ID)
	}
	return all
}

func itemNames(b commissary.Book) []string {
	var all []string
	for _, it := range b.Items {
		all = append(all, it.ID)
	}
	return all
}

func orderPieces(s string) (quantity.Pieces, error) {
	if s == "" {
		return 0, errors.New("it is missing; write how many pieces, for example 24")
	}
	v, err := quantity.ParsePieces(s)
	switch {
	case err != nil && strings.ContainsFunc(s, unicode.IsLetter):
		return 0, fmt.Errorf("%q has a unit; orders count pieces, so write digits only, for example 24", show(s))
	case err == nil && v == 0:
		return 0, errors.New("an order for zero pieces; leave the line out")
	case err != nil || v > mostPieces:
		return 0, fmt.Errorf("%q is not a whole number from 1 to %d", show(s), mostPieces)
	}
	return v, nil
}

// bakeDate reads a bake date, or takes the item's default. The earliest is
// the one whose delivery is on the morning after the night.
func bakeDate(s string, it commissary.Item, night civil.Date) (civil.Date, error) {
	if s == "" {
		return night.AddDays(it.Ship.BakeAfter), nil
	}
	d, err := civil.ParseDate(s)
	if err != nil {
		return d, fmt.Errorf("%q is not a date; write year-month-day, for example 2026-11-27", show(s))
	}
	earliest := night.AddDays(1 + it.Ship.DeliverBefore)
	switch {
	case d.Compare(earliest) < 0:
		return d, fmt.Errorf("%s is too early; what is ordered on the night of %s can be baked from %s on", d.Long(), night.Long(), earliest.Long())
	case d.Days(night) > farthest:
		return d, fmt.Errorf("%s is more than %d days after the night of %s; check the year", d.Long(), farthest, night.Long())
	}
	return d, nil
}

var codePattern = regexp.MustCompile(`^[A-Za-z0-9]+([.-][A-Za-z0-9]+)*$`)

// ReadLots reads the lots on hand at the kitchen from CSV with the header
// code,item,formula,quantity,made,held. quantity is a count for an item, and
// a mass such as "18 kg" for a preferment or loose prep, which has no item;
// formula may be empty beside an item. made is the end of mixing, as an
// RFC 3339 instant or as "2026-11-25 05:10" on the kitchen's clock. held says
// why a lot must not be used. Lots come out by code. The error is a
// *commissary.Error of kind Invalid and reason LOTS_INVALID with faults at
// file:line.
func ReadLots(file string, data []byte, b commissary.Book) ([]commissary.Lot, error) {
	r := &reader{file: file, what: "the lot file", reason: "LOTS_INVALID"}
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	if err != nil {
		return nil, commissary.Refuse(commissary.Invalid, r.reason, "%s cannot be read: %v", r.what, err)
	}
	at := map[string]int{}
	var lots []commissary.Lot
	for _, row := range r.rows(data, "code", "item", "formula", "quantity", "made", "held") {
		since := r.wrong
		l := commissary.Lot{Code: row.fields[0], Item: row.fields[1], Formula: row.fields[2], Place: "kitchen", Held: row.fields[5]}
		if len(l.Code) > 64 || !codePattern.MatchString(l.Code) {
			r.fault(row.line, "code %q is not a lot code; use up to 64 letters, digits, single dashes and dots", show(l.Code))
		} else if first, ok := at[l.Code]; ok {
			r.fault(row.line, "lot %q stands twice, first on line %d; one line for each lot", l.Code, first)
		} else {
			at[l.Code] = row.line
		}
		r.lotOf(row, b, &l)
		if l.Made, err = madeAt(row.fields[4], zone); err != nil {
			r.fault(row.line, "made: %v", err)
		}
		if utf8.RuneCountInString(l.Held) > maxText || strings.ContainsFunc(l.Held, func(c rune) bool { return !unicode.IsPrint(c) }) {
			r.fault(row.line, "held: write the reason on one line of at most %d characters", maxText)
		}
		if r.wrong == since {
			lots = append(lots, l)
		}
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	slices.SortFunc(lots, func(a, b commissary.Lot) int { return cmp.Compare(a.Code, b.Code) })
	return lots, nil
}

// lotOf reads what a lot is and how much.
func (r *reader) lotOf(row row, b commissary.Book, l *commissary.Lot) {
	text := row.fields[3]
	if l.Item != "" {
		if !r.known(row.line, "item", l.Item, itemNames(b)) {
			return
		}
		it := b.Items[slices.Index(itemNames(b), l.Item)]
		if l.Formula == "" {
			l.Formula = it.Formula
		} else if l.Formula != it.Formula {
			r.fault(row.line, "item %q is made from formula %q, not %q; correct it or leave it empty", l.Item, it.Formula, show(l.Formula))
		}
		pieces, err := orderPieces(text)
		if err != nil {
			r.fault(row.line, "quantity: %q is not a count of %q; write digits only, for example 24", show(text), l.Item)
		}
		l.Pieces = pieces
		return
	}
	var names []string
	for _, f := range b.Formulas {
		names = append(names, f.ID)
	}
	if !r.known(row.line, "formula", l.Formula, names) {
		return
	}
	if f := b.Formulas[slices.Index(names, l.Formula)]; f.Kind == commissary.Dough {
		r.fault(row.line, "a lot of dough %q is counted in pieces; name the item", l.Formula)
	}
	mass, err := above(quantity.ParseMass)(text)
	if err != nil {
		r.fault(row.line, "quantity: %q is not a mass of %q; write for example \"18 kg\"", show(text), l.Formula)
	}
	l.Mass = mass
}

// madeAt reads an instant, or a date and time of day on the kitchen's clock.
func madeAt(s string, zone *civil.Zone) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil && t.Year() >= 2000 && t.Year() < 2200 {
		return t.UTC().Truncate(time.Second), nil
	}
	day, clock, _ := strings.Cut(s, " ")
	d, err := civil.ParseDate(day)
	if err == nil {
		var c civil.Clock
		if c, err = civil.ParseClock(clock); err == nil {
			return zone.Instant(d, c), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a time; write for example \"2026-11-25 05:10\", or \"2026-11-25T05:10:00-05:00\"", show(s))
}
