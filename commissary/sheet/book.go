package sheet

import (
	"fmt"
	"strings"

	v1 "doughrun/proto/doughrun/v1"
)

// Book is what shops and kitchen need to know of the kitchen book; the
// revision is nil for a book that is not adopted.
func Book(c *v1.Catalogue, r *v1.BookRevision) string {
	p := newPage(c.GetSite(), "KITCHEN BOOK")
	if r == nil {
		p.put(0, "Not adopted.")
	} else {
		p.put(0, fmt.Sprintf("Revision %d, adopted %s by %s", r.GetRevision(), p.exact(r.GetAdoptTime()), either(r.GetAdoptedBy(), nothing)))
	}
	p.section("ITEMS", "ids as orders name them")
	var rows [][]string
	for _, it := range c.GetItems() {
		rows = append(rows, []string{it.GetId(), either(it.GetName(), it.GetId()), p.mass(it.GetMassMg()), fmt.Sprint(it.GetPiecesPerContainer()), p.bakes(it), cutOff(it)})
	}
	p.table(0, []column{{"ITEM", 16, false}, {"NAME", 21, false}, {"MASS", 11, true}, {"PER BOX", 7, true}, {"FOR", 9, false}, {"CUT-OFF", 11, false}}, rows)
	p.section("SHOPS", "")
	rows = nil
	for _, s := range c.GetShops() {
		rows = append(rows, []string{s.GetId(), either(s.GetName(), s.GetId()), s.GetPhone(), s.GetAddress()})
	}
	p.table(0, []column{{"SHOP", 12, false}, {"NAME", 20, false}, {"PHONE", 14, false}, {"ADDRESS", 31, false}}, rows)
	p.section("FORMULAS", "")
	rows = nil
	for _, f := range c.GetFormulas() {
		rows = append(rows, []string{f.GetId(), either(f.GetName(), f.GetId()), strings.ToLower(word(f.GetKind(), "FORMULA_KIND_"))})
	}
	p.table(0, []column{{"FORMULA", 24, false}, {"NAME", 40, false}, {"", 12, false}}, rows)
	return p.String()
}

// bakes is the day an order line is meant for unless it says otherwise.
func (p *page) bakes(it *v1.CatalogueItem) string {
	if it.GetBakeAfterDays() == 1 {
		return "next day"
	}
	return fmt.Sprintf("in %d days", it.GetBakeAfterDays())
}

// cutOff is the last moment for a line of tonight's order.
func cutOff(it *v1.CatalogueItem) string {
	const dayLength = 86_400
	s := it.GetCutOffSeconds()
	text := fmt.Sprintf("%02d:%02d", s%dayLength/3600, s%3600/60)
	if s >= dayLength {
		text += " after"
	}
	if it.GetCutOffDays() > 0 {
		text += fmt.Sprintf(", %d nights before", it.GetCutOffDays())
	}
	return text
}
