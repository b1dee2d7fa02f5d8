package wire

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Reasons writes what is not as somebody wanted it.
func Reasons(list []commissary.Reason) []*v1.Reason {
	return each(list, func(r commissary.Reason) *v1.Reason {
		return &v1.Reason{
			Code:         string(r.Code),
			Text:         r.Text,
			Limit:        r.Limit,
			ShopId:       r.Shop,
			ItemId:       r.Item,
			BatchId:      r.Batch,
			BakeDate:     day(r.BakeDate),
			Pieces:       int64(r.Pieces),
			Over:         r.Over,
			EarliestTime: instant(r.Earliest),
			Relax:        r.Relax,
		}
	})
}

func (r *reading) reason(where string, m *v1.Reason) commissary.Reason {
	return commissary.Reason{
		Code:     commissary.ReasonCode(m.GetCode()),
		Text:     m.GetText(),
		Limit:    m.GetLimit(),
		Shop:     m.GetShopId(),
		Item:     m.GetItemId(),
		Batch:    m.GetBatchId(),
		BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
		Pieces:   quantity.Pieces(m.GetPieces()),
		Over:     m.GetOver(),
		Earliest: r.instant(where+".earliest_time", m.GetEarliestTime()),
		Relax:    m.GetRelax(),
	}
}
