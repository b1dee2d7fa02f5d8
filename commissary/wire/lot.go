package wire

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Lot writes a lot.
func (w *Writer) Lot(l commissary.Lot) *v1.Lot {
	return &v1.Lot{
		Name:        LotName(w.kitchen(), l.Code),
		Code:        l.Code,
		ItemId:      l.Item,
		ItemName:    w.item(l.Item),
		FormulaId:   l.Formula,
		FormulaName: either(w.formulas[l.Formula], l.Formula),
		Pieces:      int64(l.Pieces),
		MassMg:      int64(l.Mass),
		MadeTime:    instant(l.Made),
		Place:       l.Place,
		BatchId:     l.Batch,
		HeldReason:  l.Held,
	}
}

// Movement writes a change of a lot's quantity.
func Movement(m commissary.Movement) *v1.Movement {
	return &v1.Movement{
		Kind:      enum[v1.MovementKind](m.Kind),
		Pieces:    int64(m.Pieces),
		MassMg:    int64(m.Mass),
		MoveTime:  instant(m.At),
		MovedBy:   m.By,
		Reference: m.Ref,
		LotCode:   m.Lot,
	}
}

// Counts writes lots on hand as a count carries them.
func Counts(lots []commissary.Lot) []*v1.StockCount {
	return each(lots, func(l commissary.Lot) *v1.StockCount {
		m := &v1.StockCount{
			LotCode:    l.Code,
			ItemId:     l.Item,
			Pieces:     int64(l.Pieces),
			MassMg:     int64(l.Mass),
			MadeTime:   instant(l.Made),
			HeldReason: l.Held,
		}
		if l.Item == "" {
			m.FormulaId = l.Formula
		}
		return m
	})
}

// ReadCounts reads what was counted as lots that stand in the kitchen. A lot
// of an item gets the formula that the book names. It refuses items and
// formulas that the book does not have, and instants that do not exist.
func ReadCounts(b commissary.Book, counts []*v1.StockCount) ([]commissary.Lot, error) {
	var r reading
	w := For(b)
	list := readEach(counts, "counts", func(where string, m *v1.StockCount) commissary.Lot {
		l := commissary.Lot{
			Code:    m.GetLotCode(),
			Item:    m.GetItemId(),
			Formula: m.GetFormulaId(),
			Pieces:  quantity.Pieces(m.GetPieces()),
			Mass:    quantity.Mass(m.GetMassMg()),
			Made:    r.instant(where+".made_time", m.GetMadeTime()),
			Place:   "kitchen",
			Held:    m.GetHeldReason(),
		}
		if l.Item != "" {
			item, known := w.items[l.Item]
			if !known {
				r.fault(where+".item_id", "%q is no item of the kitchen's book; use an id from the book", l.Item)
			}
			l.Formula = item.Formula
		} else if _, known := w.formulas[l.Formula]; !known {
			r.fault(where+".formula_id", "%q is no formula of the kitchen's book; use an id from the book", l.Formula)
		}
		return l
	})
	return list, r.err()
}
