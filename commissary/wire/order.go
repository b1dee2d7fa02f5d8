package wire

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Order writes an order.
func (w *Writer) Order(o commissary.Order) *v1.Order {
	m := &v1.Order{
		Name:        OrderName(w.kitchen(), o.Night, o.Shop),
		Etag:        etag(o.Revision),
		NightDate:   day(o.Night),
		ShopId:      o.Shop,
		ShopName:    w.shop(o.Shop),
		Revision:    int32(o.Revision),
		State:       enum[v1.OrderState](o.State),
		Lines:       OrderLines(o.Lines),
		Closed:      o.Closed,
		SubmittedBy: o.By,
		SubmitTime:  instant(o.Submitted),
		LateBy:      o.LateBy,
		LateReason:  o.LateWhy,
		Site:        w.Site(),
		PhonedBy:    o.Phoned,
	}
	for _, l := range m.Lines {
		l.ItemName = w.item(l.ItemId)
	}
	return m
}

// OrderLines writes the lines of an order as a request carries them, without
// names for people.
func OrderLines(lines []commissary.OrderLine) []*v1.OrderLine {
	return each(lines, func(l commissary.OrderLine) *v1.OrderLine {
		return &v1.OrderLine{ItemId: l.Item, Pieces: int64(l.Pieces), BakeDate: day(l.BakeDate)}
	})
}

// ReadOrderLines reads the lines of a request. A line without a bake date
// keeps the zero Date. It refuses dates that are not in the calendar.
func ReadOrderLines(lines []*v1.OrderLine) ([]commissary.OrderLine, error) {
	var r reading
	list := readEach(lines, "lines", func(where string, m *v1.OrderLine) commissary.OrderLine {
		return commissary.OrderLine{
			Item:     m.GetItemId(),
			Pieces:   quantity.Pieces(m.GetPieces()),
			BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
		}
	})
	return list, r.err()
}
