package wire

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Plan writes a plan: a draft has no name.
func (w *Writer) Plan(p commissary.Plan) *v1.Plan {
	m := &v1.Plan{
		NightDate:    day(p.Night),
		Revision:     int32(p.Revision),
		State:        enum[v1.PlanState](p.State),
		BookRevision: int32(p.BookRev),
		PlanTime:     instant(p.At),
		InputHash:    p.InputHash,
		Seed:         p.Seed,
		Steps:        p.Steps,
		Needs:        each(p.Needs, w.need),
		Takes:        each(p.Takes, w.take),
		Batches:      each(p.Batches, w.planned),
		Scores: each(p.Scores, func(s commissary.Score) *v1.Score {
			return &v1.Score{Component: s.Name, Value: s.Value, Bound: s.Bound}
		}),
		Exceptions: Reasons(p.Exceptions),
		Site:       w.Site(),
	}
	if p.Revision > 0 {
		m.Name = PlanName(w.kitchen(), p.Night, p.Revision)
	}
	return m
}

// PlanSummary writes a released plan in short.
func (w *Writer) PlanSummary(p commissary.Plan) *v1.PlanSummary {
	return &v1.PlanSummary{
		Name:           PlanName(w.kitchen(), p.Night, p.Revision),
		Revision:       int32(p.Revision),
		State:          enum[v1.PlanState](p.State),
		BookRevision:   int32(p.BookRev),
		PlanTime:       instant(p.At),
		InputHash:      p.InputHash,
		BatchCount:     int32(len(p.Batches)),
		ExceptionCount: int32(len(p.Exceptions)),
	}
}

func (w *Writer) need(n commissary.Need) *v1.Need {
	return &v1.Need{
		ShopId:             n.Shop,
		ShopName:           w.shop(n.Shop),
		ItemId:             n.Item,
		ItemName:           w.item(n.Item),
		BakeDate:           day(n.BakeDate),
		Pieces:             int64(n.Pieces),
		Source:             enum[v1.Source](n.Source),
		RunId:              n.Run,
		RunName:            either(w.runs[n.Run], n.Run),
		DepartTime:         instant(n.Departs),
		EarliestMixEndTime: instant(n.MadeFrom),
		LatestMixEndTime:   instant(n.MadeTo),
		GoodFromTime:       instant(n.GoodFrom),
		GoodToTime:         instant(n.GoodTo),
	}
}

func (w *Writer) take(t commissary.Take) *v1.Take {
	return &v1.Take{
		LotCode:  t.Lot,
		BatchId:  t.Batch,
		ShopId:   t.Shop,
		ShopName: w.shop(t.Shop),
		ItemId:   t.Item,
		ItemName: w.item(t.Item),
		BakeDate: day(t.BakeDate),
		Pieces:   int64(t.Pieces),
	}
}

// ReadPlan reads a plan that somebody wants judged. It refuses dates and
// instants that do not exist and enum values that the contract does not have.
func ReadPlan(m *v1.Plan) (commissary.Plan, error) {
	var r reading
	const where = "plan"
	p := commissary.Plan{
		Night:     r.day(where+".night_date", m.GetNightDate()),
		Revision:  int(m.GetRevision()),
		State:     word[commissary.PlanState](&r, where+".state", m.GetState(), false),
		BookRev:   int(m.GetBookRevision()),
		At:        r.instant(where+".plan_time", m.GetPlanTime()),
		InputHash: m.GetInputHash(),
		Seed:      m.GetSeed(),
		Steps:     m.GetSteps(),
		Needs:     readEach(m.GetNeeds(), where+".needs", r.need),
		Takes:     readEach(m.GetTakes(), where+".takes", r.take),
		Batches:   readEach(m.GetBatches(), where+".batches", r.batch),
		Scores: readEach(m.GetScores(), where+".scores", func(_ string, m *v1.Score) commissary.Score {
			return commissary.Score{Name: m.GetComponent(), Value: m.GetValue(), Bound: m.GetBound()}
		}),
		Exceptions: readEach(m.GetExceptions(), where+".exceptions", r.reason),
	}
	return p, r.err()
}

func (r *reading) need(where string, m *v1.Need) commissary.Need {
	return commissary.Need{
		Shop:     m.GetShopId(),
		Item:     m.GetItemId(),
		BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
		Pieces:   quantity.Pieces(m.GetPieces()),
		Source:   word[commissary.Source](r, where+".source", m.GetSource(), false),
		Run:      m.GetRunId(),
		Departs:  r.instant(where+".depart_time", m.GetDepartTime()),
		MadeFrom: r.instant(where+".earliest_mix_end_time", m.GetEarliestMixEndTime()),
		MadeTo:   r.instant(where+".latest_mix_end_time", m.GetLatestMixEndTime()),
		GoodFrom: r.instant(where+".good_from_time", m.GetGoodFromTime()),
		GoodTo:   r.instant(where+".good_to_time", m.GetGoodToTime()),
	}
}

func (r *reading) take(where string, m *v1.Take) commissary.Take {
	return commissary.Take{
		Lot:      m.GetLotCode(),
		Batch:    m.GetBatchId(),
		Shop:     m.GetShopId(),
		Item:     m.GetItemId(),
		BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
		Pieces:   quantity.Pieces(m.GetPieces()),
	}
}
