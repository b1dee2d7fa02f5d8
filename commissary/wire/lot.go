package wire

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Lot writes a lot, with what is left of it at each place.
func (w *Writer) Lot(l commissary.Lot, at ...commissary.Lot) *v1.Lot {
	m := &v1.Lot{
		Name:           LotName(w.kitchen(), l.Code),
		Code:           l.Code,
		ItemId:         l.Item,
		ItemName:       w.item(l.Item),
		FormulaId:      l.Formula,
		FormulaName:    either(w.formulas[l.Formula], l.Formula),
		IngredientId:   l.Ingredient,
		IngredientName: either(w.ingredients[l.Ingredient], l.Ingredient),
		Pieces:         int64(l.Pieces),
		MassMg:         int64(l.Mass),
		MadeTime:       instant(l.Made),
		Place:          l.Place,
		BatchId:        l.Batch,
		HeldReason:     l.Held,
		Stocks: each(at, func(l commissary.Lot) *v1.Stock {
			return &v1.Stock{Place: l.Place, Pieces: int64(l.Pieces), MassMg: int64(l.Mass)}
		}),
	}
	if l.Ingredient != "" {
		m.Receipt = receipt(l.Receipt)
	}
	if l.Off != 0 {
		m.TempOffMillicelsius = proto.Int32(int32(l.Off))
	}
	m.NotAfterTime = instant(l.NotAfter)
	return m
}

func receipt(r commissary.Receipt) *v1.Receipt {
	m := &v1.Receipt{
		Supplier:    r.Supplier,
		PrintedCode: r.Printed,
		Document:    r.Document,
		UseByDate:   day(r.UseBy),
		Differs:     r.Differs,
		Settled:     r.Settled,
	}
	if r.Probed {
		m.TempMillicelsius = proto.Int32(int32(r.Temp))
	}
	for _, a := range r.Allergens {
		m.Allergens = append(m.Allergens, string(a))
	}
	return m
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
		Place:     m.Place,
		ToPlace:   m.To,
		Reason:    m.Why,
	}
}

// Surplus writes some of a lot that is left, for a shop or for none.
func (w *Writer) Surplus(lot, item string, pieces quantity.Pieces, bake civil.Date, shop string) *v1.Surplus {
	return &v1.Surplus{LotCode: lot, ItemId: item, ItemName: w.item(item), Pieces: int64(pieces), BakeDate: day(bake), ShopId: shop, ShopName: w.shop(shop)}
}

// Hold writes what keeps a lot from being used.
func Hold(h commissary.Hold) *v1.Hold {
	return &v1.Hold{CauseCode: h.Cause, Reason: h.Why, HoldTime: instant(h.At), HeldBy: h.By}
}

// ReadInUse reads how an ingredient lot came into use; an instant left out is zero.
func ReadInUse(m *v1.ChangeLotInUseRequest) (commissary.InUse, error) {
	var r reading
	c := commissary.InUse{
		Ingredient: m.GetIngredientId(),
		Lot:        m.GetLotCode(),
		Kind:       word[commissary.InUseKind](&r, "kind", m.GetKind(), false),
		At:         r.instant("change_time", m.GetChangeTime()),
		Why:        m.GetExpiredReason(),
	}
	return c, r.err()
}

// ReadReceipt reads what was noted of a delivery.
func ReadReceipt(m *v1.ReceiveLotRequest) (commissary.Receipt, error) {
	var r reading
	c := commissary.Receipt{
		Supplier: m.GetSupplier(),
		Printed:  m.GetPrintedCode(),
		Document: m.GetDocument(),
		Probed:   m.TempMillicelsius != nil,
		Temp:     quantity.Temp(m.GetTempMillicelsius()),
	}
	if m.GetUseByDate() != "" {
		c.UseBy = r.day("use_by_date", m.GetUseByDate())
	}
	for i, a := range m.GetAllergens() {
		if !commissary.Allergen(a).Known() {
			r.fault(fmt.Sprintf("allergens[%d]", i), "%q is no allergen that a book may name; write it as the book does, for example \"milk\"", a)
		}
		c.Allergens = append(c.Allergens, commissary.Allergen(a))
	}
	return c, r.err()
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
		if l.Place != commissary.AtKitchen {
			m.Place = l.Place
		}
		switch {
		case l.Ingredient != "":
			m.IngredientId = l.Ingredient
		case l.Item == "":
			m.FormulaId = l.Formula
		}
		return m
	})
}

// ReadCounts reads what was counted as lots that stand where they were counted. A lot
// of an item gets the formula that the book names. It refuses items and
// formulas that the book does not have, and instants that do not exist.
func ReadCounts(b commissary.Book, counts []*v1.StockCount) ([]commissary.Lot, error) {
	var r reading
	w := For(b)
	list := readEach(counts, "counts", func(where string, m *v1.StockCount) commissary.Lot {
		l := commissary.Lot{
			Code:       m.GetLotCode(),
			Item:       m.GetItemId(),
			Formula:    m.GetFormulaId(),
			Ingredient: m.GetIngredientId(),
			Pieces:     quantity.Pieces(m.GetPieces()),
			Mass:       quantity.Mass(m.GetMassMg()),
			Made:       r.instant(where+".made_time", m.GetMadeTime()),
			Place:      either(m.GetPlace(), commissary.AtKitchen),
			Held:       m.GetHeldReason(),
		}
		if l.Ingredient != "" {
			if _, known := w.ingredients[l.Ingredient]; !known {
				r.fault(where+".ingredient_id", "%q is no ingredient of the kitchen's book; use an id from the book", l.Ingredient)
			}
		} else if l.Item != "" {
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
