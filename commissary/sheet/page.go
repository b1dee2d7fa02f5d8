// Package sheet writes what people look at: plans, batch sheets, pick lists,
// manifests, receipts and lists, as plain text for paper and terminal. A line
// is at most 80 columns wide and uses no colour. Every function takes messages
// of the contract and returns the whole text; what a message does not say is
// printed as "-" and never refused, for half a sheet is better than none at
// four in the morning.
package sheet

import (
	"slices"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// columns is how wide a page is.
const columns = 80

// nothing stands where a message says nothing.
const nothing = "-"

// page is one page in the making, with the kitchen's way of showing things. It
// keeps what stands on it, block by block; text.go, html.go and pdf.go set it.
type page struct {
	blocks []block
	zone   *civil.Zone
	units  quantity.System
}

// kind says what a block is.
type kind int

const (
	blankLine kind = iota
	ruled          // a line across, of the character in left
	titled         // the kitchen and what the page is
	ended          // something at either end of a line
	sectioned      // a part of the page, with a line below
	parted         // a part that begins a sheet of its own
	written        // a paragraph, hanging behind a mark where there is one
	headed         // the heads of a table
	rowed          // a row of a table
	asIs           // a line that is kept as it is: blanks to be filled in
	drawn          // a line of a picture made of characters
	pictured       // a picture: on a terminal its characters stand for it
)

// block is one thing on a page.
type block struct {
	kind        kind
	indent      int
	left, right string // a paragraph's mark and text
	cols        []column
	cells       []string
	picture     *drawing
	onlyText    bool // stands for a picture where there are none
}

// newPage begins a page of a kitchen: its name on the left, what the page is
// on the right.
func newPage(site *v1.Site, what string) *page {
	p := blankPage(site)
	p.add(block{kind: titled, left: either(site.GetKitchenName(), site.GetKitchenId()), right: what})
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

func (p *page) add(b block) { p.blocks = append(p.blocks, b) }

// raw writes one line as it is, without blanks at its end.
func (p *page) raw(line string) { p.add(block{kind: asIs, left: line}) }

func (p *page) blank() { p.add(block{kind: blankLine}) }

func (p *page) rule(c rune) { p.add(block{kind: ruled, left: string(c)}) }

// put writes a paragraph from a column on, folded to the page.
func (p *page) put(indent int, text string) { p.item(indent, "", text) }

// item writes a paragraph that hangs behind a mark, such as a check box.
func (p *page) item(indent int, mark, text string) {
	p.add(block{kind: written, indent: indent, left: mark, right: text})
}

// ends writes one line with something at either end, or two where both do not fit.
func (p *page) ends(left, right string) { p.add(block{kind: ended, left: left, right: right}) }

// section begins a part of the page under a line of its own.
func (p *page) section(title, right string) {
	p.add(block{kind: sectioned, left: title, right: right})
}

// part begins what is handed to somebody on a sheet of its own.
func (p *page) part(left, right, below, belowRight string) {
	p.add(block{kind: parted, left: left, right: right, cells: []string{below, belowRight}})
}

// column is one column of a table: what does not fit is folded.
type column struct {
	head  string
	width int
	right bool // numbers
}

// table writes rows under the heads of their columns, a blank apart.
func (p *page) table(indent int, cols []column, rows [][]string) {
	if slices.ContainsFunc(cols, func(c column) bool { return c.head != "" }) {
		p.add(block{kind: headed, indent: indent, cols: cols})
	}
	for _, r := range rows {
		p.row(indent, cols, r)
	}
}

func (p *page) row(indent int, cols []column, row []string) {
	p.add(block{kind: rowed, indent: indent, cols: cols, cells: row})
}
