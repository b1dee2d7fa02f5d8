package wire

import (
	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

// BookRevision writes an adopted revision of a kitchen's book, without its text.
func BookRevision(kitchen string, r commissary.BookRevision) *v1.BookRevision {
	return &v1.BookRevision{
		Name:      BookName(kitchen, r.Revision),
		Revision:  int32(r.Revision),
		Etag:      etag(r.Revision),
		AdoptTime: instant(r.Adopted),
		AdoptedBy: r.By,
	}
}

// Catalogue writes the part of the book that clients need to show and print.
func (w *Writer) Catalogue() *v1.Catalogue {
	cutOffs := map[string]commissary.CutOff{}
	for _, c := range w.book.CutOffs {
		cutOffs[c.Class] = c
	}
	return &v1.Catalogue{
		Site:    w.Site(),
		Address: w.book.Kitchen.Address,
		Phone:   w.book.Kitchen.Phone,
		Shops: each(w.book.Shops, func(s commissary.Shop) *v1.CatalogueShop {
			return &v1.CatalogueShop{Id: s.ID, Name: s.Name, Address: s.Address, Phone: s.Phone}
		}),
		Items: each(w.book.Items, func(i commissary.Item) *v1.CatalogueItem {
			return &v1.CatalogueItem{
				Id:                 i.ID,
				Name:               i.Name,
				Kind:               enum[v1.ItemKind](i.Kind),
				FormulaId:          i.Formula,
				MassMg:             int64(i.Mass),
				ContainerId:        i.Container,
				ContainerName:      w.container(i.ID),
				PiecesPerContainer: int64(i.PerBox),
				ZoneId:             i.Zone,
				ZoneName:           either(w.zones[i.Zone], i.Zone),
				CutOffClass:        i.CutOff,
				CutOffSeconds:      int32(cutOffs[i.CutOff].At),
				CutOffDays:         int32(cutOffs[i.CutOff].Days),
				BakeAfterDays:      int32(i.Ship.BakeAfter),
				DeliverBeforeDays:  int32(i.Ship.DeliverBefore),
			}
		}),
		Formulas: each(w.book.Formulas, func(f commissary.Formula) *v1.CatalogueFormula {
			return &v1.CatalogueFormula{Id: f.ID, Name: f.Name, Kind: enum[v1.FormulaKind](f.Kind)}
		}),
	}
}
