package wire

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// ReadCount reads what was counted and when; At is zero where that is not
// said. A label that was not read is the zero Date.
func ReadCount(m *v1.SubmitCountRequest) (commissary.Count, error) {
	var r reading
	c := commissary.Count{Shop: m.GetShopId(), At: r.instant("count_time", m.GetCountTime())}
	c.Lines = readEach(m.GetLines(), "lines", func(where string, m *v1.CountLine) commissary.CountLine {
		return commissary.CountLine{Item: m.GetItemId(), Made: r.day(where+".made_date", m.GetMadeDate()), Pieces: quantity.Pieces(m.GetPieces())}
	})
	return c, r.err()
}

var saleKinds = map[v1.SaleKind]commissary.SaleKind{
	v1.SaleKind_SALE_KIND_UNSPECIFIED: commissary.SaleOrdinary,
	v1.SaleKind_SALE_KIND_SOLD_OUT:    commissary.SaleSoldOut,
	v1.SaleKind_SALE_KIND_CLOSED:      commissary.SaleClosed,
	v1.SaleKind_SALE_KIND_EVENT:       commissary.SaleEvent,
}

// Sale writes a day's sale.
func Sale(s commissary.Sale) *v1.Sale {
	m := &v1.Sale{ShopId: s.Shop, ItemId: s.Item, Date: day(s.Day), Pieces: int64(s.Pieces)}
	for kind, of := range saleKinds {
		if of == s.Kind {
			m.Kind = kind
		}
	}
	return m
}

// ReadSales reads sales of days gone by.
func ReadSales(sales []*v1.Sale) ([]commissary.Sale, error) {
	var r reading
	list := readEach(sales, "sales", func(where string, m *v1.Sale) commissary.Sale {
		return commissary.Sale{Shop: m.GetShopId(), Item: m.GetItemId(), Day: r.day(where+".date", m.GetDate()),
			Pieces: quantity.Pieces(m.GetPieces()), Kind: saleKinds[m.GetKind()]}
	})
	return list, r.err()
}

// ReadAdjustments reads what holidays and events do to sales.
func ReadAdjustments(list []*v1.Adjustment) ([]commissary.Adjustment, error) {
	var r reading
	all := readEach(list, "adjustments", func(where string, m *v1.Adjustment) commissary.Adjustment {
		return commissary.Adjustment{Name: m.GetName(), From: r.day(where+".from_date", m.GetFromDate()), To: r.day(where+".to_date", m.GetToDate()),
			Items: oneOrNone(m.GetItemId()), Change: quantity.PPM(m.GetChangePpm()), Pieces: quantity.Pieces(m.GetPieces())}
	})
	return all, r.err()
}

func oneOrNone(id string) []string {
	if id == "" {
		return nil
	}
	return []string{id}
}

// Instant writes an instant.
func Instant(t time.Time) *timestamppb.Timestamp { return instant(t) }
