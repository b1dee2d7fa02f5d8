// Package sheet writes what people look at: plans, batch sheets, pick lists,
// manifests, receipts and lists, as plain text for paper and terminal. A line
// is at most 80 columns wide and uses no colour. Every function takes messages
// of the contract and returns the whole text; what a message does not say is
// printed as "-" and never refused, for half a sheet is better than none at
// four in the morning.
package sheet

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/width"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// columns is how wide a page is.
const columns = 80

// nothing stands where a message says nothing.
const nothing = "-"

// page is a text in the making, with the kitchen's way of showing things.
type page struct {
	text  strings.Builder
	zone  *civil.Zone
	units quantity.System
}

// newPage begins a page of a kitchen: its name on the left, what the page is
// on the right.
func newPage(site *v1.Site, what string) *page {
	p := blankPage(site)
	p.ends(either(site.GetKitchenName(), site.GetKitchenId()), what)
	p.rule('=')
	if site.GetTimeZone() != "" && p.zone.Name() != site.GetTimeZone() {
		p.put(0, "The time zone "+site.GetTimeZone()+" is unknown here: all times are UTC.")
	}
	return p
}

// blankPage is a page without a head.
func blankPage(site *v1.Site) *page {
	p := &page{}
	if site.GetUnits() == v1.UnitSystem_UNIT_SYSTEM_US {
		p.units = quantity.US
	}
	var err error
	if p.zone, err = civil.LoadZone(site.GetTimeZone()); err != nil {
		p.zone, _ = civil.LoadZone("UTC")
	}
	return p
}

// String returns the page.
func (p *page) String() string { return p.text.String() }

// raw writes one line as it is, without blanks at its end.
func (p *page) raw(line string) {
	p.text.WriteString(strings.TrimRight(line, " "))
	p.text.WriteByte('\n')
}

func (p *page) blank() { p.raw("") }

func (p *page) rule(c rune) { p.raw(strings.Repeat(string(c), columns)) }

// put writes a paragraph from a column on, folded to the page.
func (p *page) put(indent int, text string) { p.item(indent, "", text) }

// item writes a paragraph that hangs behind a mark, such as a check box.
func (p *page) item(indent int, mark, text string) {
	if mark != "" {
		mark += " "
	}
	hang := indent + cells(mark)
	for i, line := range fold(text, columns-hang) {
		if i > 0 {
			mark = strings.Repeat(" ", cells(mark))
		}
		p.raw(strings.Repeat(" ", indent) + mark + line)
	}
}

// ends writes one line with something at either end, or two where both do not fit.
func (p *page) ends(left, right string) {
	left, right = clean(left), clean(right)
	gap := columns - cells(left) - cells(right)
	if gap < 2 {
		p.put(0, left)
		left, gap = "", max(columns-cells(right), 0)
	}
	p.raw(left + strings.Repeat(" ", gap) + right)
}

// section begins a part of the page under a line of its own.
func (p *page) section(title, right string) {
	p.blank()
	if right == "" {
		p.put(0, title)
	} else {
		p.ends(title, right)
	}
	p.rule('-')
}

// column is one column of a table: what does not fit is folded.
type column struct {
	head  string
	width int
	right bool // numbers
}

// table writes rows under the heads of their columns, a blank apart.
func (p *page) table(indent int, cols []column, rows [][]string) {
	heads := make([]string, len(cols))
	for i, c := range cols {
		heads[i] = c.head
	}
	if strings.Join(heads, "") != "" {
		p.row(indent, cols, heads)
	}
	for _, r := range rows {
		p.row(indent, cols, r)
	}
}

func (p *page) row(indent int, cols []column, row []string) {
	folded := make([][]string, len(cols))
	tall := 1
	for i, c := range cols {
		folded[i] = fold(row[i], c.width)
		tall = max(tall, len(folded[i]))
	}
	for n := range tall {
		line := strings.Repeat(" ", indent)
		for i, c := range cols {
			cell := ""
			if n < len(folded[i]) {
				cell = folded[i][n]
			}
			fill := strings.Repeat(" ", max(c.width-cells(cell), 0))
			if c.right {
				cell = fill + cell
			} else {
				cell += fill
			}
			if i > 0 {
				line += " "
			}
			line += cell
		}
		p.raw(line)
	}
}

// cells is how many columns a text takes on a terminal: characters of East
// Asian scripts take two, marks over other characters none.
func cells(s string) int {
	n := 0
	for _, r := range s {
		n += cell(r)
	}
	return n
}

func cell(r rune) int {
	switch kind := width.LookupRune(r).Kind(); {
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case kind == width.EastAsianWide, kind == width.EastAsianFullwidth:
		return 2
	}
	return 1
}

// clean takes out of a text from outside what could move the cursor.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case !unicode.IsPrint(r) && !unicode.In(r, unicode.Mn, unicode.Me):
			return -1
		}
		return r
	}, s)
}

// fold breaks a text into lines of at most wide columns: between words where
// it can, otherwise after a dash, otherwise anywhere. An empty text is one
// empty line.
func fold(s string, wide int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(clean(s)) {
		if line != "" && cells(line)+1+cells(word) > wide {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
		for cells(line) > wide {
			head := fitting(line, wide)
			lines = append(lines, head)
			line = line[len(head):]
		}
	}
	return append(lines, line)
}

// fitting returns the beginning of a word that fits: up to its last dash where
// there is one, and one character at least.
func fitting(word string, wide int) string {
	used, end, dash := 0, 0, 0
	for i, r := range word {
		if used += cell(r); used > wide && i > 0 {
			break
		}
		end = i + utf8.RuneLen(r)
		if r == '-' {
			dash = end
		}
	}
	if dash > 0 {
		end = dash
	}
	return word[:end]
}

// at shows an instant as Fri 27 Nov 04:30.
func (p *page) at(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	return p.zone.Date(t.AsTime()).Short() + " " + p.zone.Clock(t.AsTime()).String()
}

// mark shows an instant in twelve columns, as Fri 27 04:30: weekday, day of
// the month and time.
func (p *page) mark(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	d := p.zone.Date(t.AsTime())
	return fmt.Sprintf("%s %02d %s", d.Weekday().String()[:3], d.Day, p.zone.Clock(t.AsTime()))
}

// exact shows an instant with its offset from UTC, as Fri 27 Nov 04:30 -05:00.
func (p *page) exact(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	return p.zone.Long(t.AsTime())
}

// clock shows the time of day of an instant.
func (p *page) clock(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	return p.zone.Clock(t.AsTime()).String()
}

// on is the civil date of an instant in the kitchen.
func (p *page) on(t *timestamppb.Timestamp) civil.Date {
	if t == nil {
		return civil.Date{}
	}
	return p.zone.Date(t.AsTime())
}

// day shows a date of the contract as Fri 27 Nov.
func day(s string) string {
	d, err := civil.ParseDate(s)
	if err != nil {
		return either(s, nothing)
	}
	return d.Short()
}

// longDay shows a date of the contract as Fri 27 Nov 2026.
func longDay(s string) string {
	d, err := civil.ParseDate(s)
	if err != nil {
		return either(s, nothing)
	}
	return d.Long()
}

func (p *page) mass(mg int64) string { return p.units.Mass(quantity.Mass(mg)) }

// about shows a mass in one unit and to no more than anybody needs who weighs
// nothing: hundredths of a kilogram, or tenths of a pound.
func (p *page) about(mg int64) string {
	if p.units == quantity.US {
		tenths, err := quantity.MulDiv(mg, 1000, 45_359_237, quantity.Nearest)
		if err != nil {
			return p.mass(mg)
		}
		return decimals(tenths, 10, 1) + " lb"
	}
	rounded := quantity.Mass(mg).RoundTo(10*quantity.Gram, quantity.Nearest)
	return decimals(int64(rounded), int64(quantity.Kilogram), 2) + " kg"
}

func (p *page) temp(millicelsius int32) string { return p.units.Temp(quantity.Temp(millicelsius)) }

// onScale shows a mass the way its scale does. The division tells which: one
// that is a whole number of thousandths of an ounce belongs to a scale in
// pounds; of the others, those from 10 g up show kilograms.
func onScale(mg, division int64) string {
	if division <= 0 {
		return quantity.Mass(mg).String()
	}
	const poundIn = 45_359_237 // milligrams in a hundred pounds; 16,000 thousandths of an ounce in each
	thousandths, err := quantity.MulDiv(division, 1_600_000, poundIn, quantity.Nearest)
	back, err2 := quantity.MulDiv(thousandths, poundIn, 1_600_000, quantity.Nearest)
	if err == nil && err2 == nil && thousandths > 0 && back == division {
		return quantity.US.Mass(quantity.Mass(mg))
	}
	switch gram := int64(quantity.Gram); {
	case division >= 10*gram:
		return decimals(mg, int64(quantity.Kilogram), digits(division, int64(quantity.Kilogram))) + " kg"
	case mg >= int64(quantity.Kilogram) && division >= gram:
		return decimals(mg, int64(quantity.Kilogram), 3) + " kg"
	default:
		return decimals(mg, gram, digits(division, gram)) + " g"
	}
}

// digits is how many decimals of a unit a scale's division needs.
func digits(division, unit int64) int {
	n := 0
	for ; n < 6 && division%unit != 0; n++ {
		unit /= 10
	}
	return n
}

// decimals writes v÷unit with n decimals; what is beyond them is cut off.
func decimals(v, unit int64, n int) string {
	s := fmt.Sprint(v / unit)
	if n == 0 {
		return s
	}
	rest := v % unit
	for range n {
		unit /= 10
	}
	return s + fmt.Sprintf(".%0*d", n, rest/unit)
}

// lasting shows a length of time.
func lasting(seconds int64) string { return quantity.Seconds(seconds).String() }

// word writes a value of an enumeration as a person would: its name without
// the prefix.
func word(e fmt.Stringer, prefix string) string {
	s := strings.TrimPrefix(e.String(), prefix)
	if s == "UNSPECIFIED" {
		return nothing
	}
	return s
}

func either(name, id string) string {
	if name == "" {
		return id
	}
	return name
}

// counted writes a number with its noun.
func counted(n int64, noun string) string {
	switch {
	case n == 1:
		return "1 " + noun
	case strings.HasSuffix(noun, "ch"):
		return fmt.Sprintf("%d %ses", n, noun)
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func person(n int32) string {
	if n == 1 {
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}
