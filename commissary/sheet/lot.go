package sheet

import (
	"fmt"
	"strings"

	"doughrun/commissary/quantity"
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
		rows = append(rows, []string{l.GetCode(), whatOf(l), p.left(l), p.at(l.GetMadeTime()), place(l)})
	}
	p.table(0, []column{{"LOT", 27, false}, {"WHAT", 18, false}, {"LEFT", 8, true}, {"MADE", 16, false}, {"", 7, false}}, rows)
	if len(list) == 0 {
		p.put(0, "None.")
	}
}

// left is what is on hand: pieces of an item, mass of anything else.
func (p *page) left(l *v1.Lot) string { return p.amount(l, l.GetPieces(), l.GetMassMg()) }

// whatOf is what a lot is, for people.
func whatOf(l *v1.Lot) string {
	return either(either(l.GetItemName(), l.GetItemId()), either(either(l.GetFormulaName(), l.GetFormulaId()), either(l.GetIngredientName(), l.GetIngredientId())))
}

// place is where a lot is when it is not where it is made, and what stops it.
func place(l *v1.Lot) string {
	switch {
	case l.GetHeldReason() != "":
		return "HOLD"
	case l.GetReceipt().GetDiffers() != "":
		return "BLOCKED"
	case l.GetPlace() == "kitchen":
		return ""
	}
	return l.GetPlace()
}

// Lot is one lot and how it came to what it is.
func Lot(site *v1.Site, l *v1.Lot, movements []*v1.Movement, holds ...*v1.Hold) string {
	p := newPage(site, "LOT")
	p.lots([]*v1.Lot{l})
	if l.GetHeldReason() != "" && len(holds) == 0 {
		p.put(0, "*** ON HOLD, do not use: "+l.GetHeldReason()+" ***")
	}
	for _, h := range holds {
		p.put(0, fmt.Sprintf("*** ON HOLD, do not use: %s *** since %s, by %s", h.GetReason(), p.at(h.GetHoldTime()), either(h.GetHeldBy(), nothing)))
	}
	if l.GetBatchId() != "" {
		p.put(0, "Came out of batch "+l.GetBatchId()+".")
	}
	if r := l.GetReceipt(); r != nil {
		p.put(0, fmt.Sprintf("Received from %s as %s.", r.GetSupplier(), r.GetPrintedCode()))
		if r.GetUseByDate() != "" {
			p.put(0, "Use by "+longDay(r.GetUseByDate())+".")
		}
		if r.TempMillicelsius != nil {
			p.put(0, "It came at "+p.temp(r.GetTempMillicelsius())+".")
		}
		if r.GetDiffers() != "" {
			p.put(0, "*** ALLERGENS CHANGED, do not use yet: "+r.GetDiffers()+" ***")
		}
		if r.GetSettled() != "" {
			p.put(0, "Allergens settled by "+r.GetSettled())
		}
	}
	if len(l.GetStocks()) > 0 {
		p.section("WHERE IT IS", "")
		var rows [][]string
		for _, s := range l.GetStocks() {
			rows = append(rows, []string{s.GetPlace(), p.amount(l, s.GetPieces(), s.GetMassMg())})
		}
		p.table(0, []column{{"PLACE", 40, false}, {"LEFT", 12, true}}, rows)
	}
	p.section("MOVEMENTS", "")
	var rows [][]string
	for _, m := range movements {
		amount := p.amount(l, m.GetPieces(), m.GetMassMg())
		if m.GetPieces() > 0 || m.GetMassMg() > 0 {
			amount = "+" + amount
		}
		where := m.GetPlace()
		if m.GetToPlace() != "" {
			where += " to " + m.GetToPlace()
		}
		for _, more := range []string{reference(m.GetReference()), m.GetReason()} {
			if more != "" {
				where += ", " + more
			}
		}
		rows = append(rows, []string{p.at(m.GetMoveTime()), strings.ToLower(word(m.GetKind(), "MOVEMENT_KIND_")), amount, m.GetMovedBy(), strings.TrimPrefix(where, ", ")})
	}
	p.table(0, []column{{"WHEN", 16, false}, {"", 9, false}, {"HOW MUCH", 9, true}, {"BY", 10, false}, {"WHERE, FOR", 32, false}}, rows)
	return p.String()
}

// amount is so much of a lot: pieces of an item, mass of anything else.
func (p *page) amount(l *v1.Lot, pieces, mass int64) string {
	if l.GetItemId() != "" {
		return fmt.Sprint(pieces)
	}
	return p.weight(mass)
}

// weight is a mass of a lot, to no more than a list has room for.
func (p *page) weight(mg int64) string {
	if mg < int64(quantity.Kilogram) && mg > -int64(quantity.Kilogram) {
		return p.mass(mg)
	}
	return p.about(mg)
}

// reference is the paper of a movement, as people call it.
func reference(s string) string {
	if rest, ok := strings.CutPrefix(s, "count "); ok && len(rest) == len("00000000-0000-0000-0000-000000000000") {
		return "count" // whose id says nothing to anybody
	}
	_, rest, ok := strings.Cut(s, "/nights/")
	night, run, ok2 := strings.Cut(rest, "/manifests/")
	if !ok || !ok2 {
		return s
	}
	return "run " + run + " of the night of " + day(night)
}
