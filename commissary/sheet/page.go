// Package sheet writes what people look at: plans, batch sheets, pick lists,
// manifests, receipts and lists, as plain text for paper and terminal. A line
// is at most 80 columns wide and uses no colour. Every function takes messages
// of the contract and returns the whole text; what a message does not say is
// printed as "-" and never refused, for half a sheet is better than none at
// four in the morning.
package sheet

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/width"

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
