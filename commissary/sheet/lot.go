package sheet

import (
	"fmt"
	"strings"

	v1 "doughrun/proto/doughrun/v1"
)

// Lots lists lots.
func Lots(site *v1.Site, list []*v1.Lot) string {
	p := newPage(site, "LOTS")
	p.lots(list)
	return p.String()
}

func (p *page) lots(list []*v1.Lot) {
	var rows [][]string
	for _, l := range list {
		rows = append(rows, []string{l.GetCode(), either(either(l.GetItemName(), l.GetItemId()), either(l.GetFormulaName(), l.GetFormulaId())), p.left(l), p.at(l.GetMadeTime()), place(l)})
	}
	p.table(0, []column{{"LOT", 27, false}, {"WHAT", 20, false}, {"LEFT", 8, true}, {"MADE", 16, false}, {"", 5, false}}, rows)
	if len(list) == 0 {
		p.put(0, "None.")
	}
}

// left is what is on hand: pieces of an item, mass of anything else.
func (p *page) left(l *v1.Lot) string {
	if l.GetItemId() != "" {
		return fmt.Sprint(l.GetPieces())
	}
	return p.mass(l.GetMassMg())
}

// place is where a lot is when it is not where it is made.
func place(l *v1.Lot) string {
	switch {
	case l.GetHeldReason() != "":
		return "HOLD"
	case l.GetPlace() == "kitchen":
		return ""
	}
	return l.GetPlace()
}

// Lot is one lot and how it came to what it is.
func Lot(site *v1.Site, l *v1.Lot, movements []*v1.Movement) string {
	p := newPage(site, "LOT")
	p.lots([]*v1.Lot{l})
	if l.GetHeldReason() != "" {
		p.put(0, "*** ON HOLD, do not use: "+l.GetHeldReason()+" ***")
	}
	if l.GetBatchId() != "" {
		p.put(0, "Came out of batch "+l.GetBatchId()+".")
	}
	p.section("MOVEMENTS", "")
	var rows [][]string
	for _, m := range movements {
		amount := fmt.Sprintf("%+d", m.GetPieces())
		if l.GetItemId() == "" {
			amount = p.mass(m.GetMassMg())
			if m.GetMassMg() > 0 {
				amount = "+" + amount
			}
		}
		rows = append(rows, []string{p.at(m.GetMoveTime()), strings.ToLower(word(m.GetKind(), "MOVEMENT_KIND_")), amount, m.GetMovedBy(), m.GetReference()})
	}
	p.table(0, []column{{"WHEN", 16, false}, {"", 8, false}, {"HOW MUCH", 10, true}, {"BY", 14, false}, {"FOR", 28, false}}, rows)
	return p.String()
}
