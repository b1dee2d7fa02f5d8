package wire

import (
	"time"

	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Batch writes a posted batch.
func (w *Writer) Batch(b commissary.PostedBatch) *v1.Batch {
	m := w.planned(b.Batch)
	m.Name = BatchName(w.kitchen(), b.ID)
	m.Etag = etag(b.Revision)
	m.NightDate = day(b.Night)
	m.PlanRevision = int32(b.Plan)
	m.Revision = int32(b.Revision)
	m.StartTime = instant(b.Started)
	m.FinishTime = instant(b.Finished)
	m.Outcomes = each(b.Outcomes, outcome)
	m.ScrappedBy, m.ScrapReason = b.ScrapBy, b.ScrapWhy
	return m
}

func outcome(o commissary.Outcome) *v1.BatchOutcome {
	m := &v1.BatchOutcome{
		RecordTime: instant(o.At),
		RecordedBy: o.By,
		MixEndTime: instant(o.Made),
		MassMg:     int64(o.Mass),
		Pieces: each(o.Makes, func(m commissary.Making) *v1.BatchPieces {
			return &v1.BatchPieces{ItemId: m.Item, Pieces: int64(m.Pieces)}
		}),
		Place:       o.Place,
		FarFromPlan: o.Far,
		Notes:       o.Notes,
		Reason:      o.Why,
	}
	if o.Probed {
		m.DoughTempMillicelsius = proto.Int32(int32(o.Temp))
	}
	return m
}

// Actual is what a baker noted of a batch: what was not said is zero.
type Actual struct {
	Temp   quantity.Temp
	Probed bool
	Mass   quantity.Mass
	Makes  []commissary.Making
	Made   time.Time
	Lots   []string
	Place  string
	Rework []Rework
}

// Rework is how many pieces of a lot were worked into a batch.
type Rework struct {
	Lot    string
	Pieces quantity.Pieces
}

// ReadActual reads what a baker noted. It refuses instants that do not exist.
func ReadActual(m *v1.BatchActual) (Actual, error) {
	var r reading
	a := Actual{
		Temp:   quantity.Temp(m.GetDoughTempMillicelsius()),
		Probed: m != nil && m.DoughTempMillicelsius != nil,
		Mass:   quantity.Mass(m.GetMassMg()),
		Makes: readEach(m.GetPieces(), "actual.pieces", func(_ string, m *v1.BatchPieces) commissary.Making {
			return commissary.Making{Item: m.GetItemId(), Pieces: quantity.Pieces(m.GetPieces())}
		}),
		Made:  r.instant("actual.mix_end_time", m.GetMixEndTime()),
		Lots:  m.GetLotCodes(),
		Place: m.GetPlace(),
		Rework: readEach(m.GetReworked(), "actual.reworked", func(_ string, m *v1.Reworked) Rework {
			return Rework{m.GetLotCode(), quantity.Pieces(m.GetPieces())}
		}),
	}
	return a, r.err()
}

// planned writes a batch as it stands in a plan.
func (w *Writer) planned(b commissary.Batch) *v1.Batch {
	return &v1.Batch{
		Id:          b.ID,
		FormulaId:   b.Formula,
		FormulaName: either(w.formulas[b.Formula], b.Formula),
		VesselId:    b.Vessel,
		VesselName:  either(w.places[b.Vessel], b.Vessel),
		VesselUnit:  int32(b.Unit),
		SecondSpeed: b.Second,
		State:       enum[v1.BatchState](b.State),
		FlourMassMg: int64(b.Flour),
		MassMg:      int64(b.Mass),
		Odd:         b.Odd,
		Steps:       each(b.Steps, w.step),
		MixEndTime:  instant(b.MixEnd),
		Makes: each(b.Makes, func(m commissary.Making) *v1.BatchMaking {
			return &v1.BatchMaking{ItemId: m.Item, ItemName: w.item(m.Item), Pieces: int64(m.Pieces)}
		}),
		Serves: each(b.Serves, w.serve),
		Uses: each(b.Uses, func(u commissary.Use) *v1.BatchUse {
			return &v1.BatchUse{LotCode: u.Lot, BatchId: u.Batch, MassMg: int64(u.Mass)}
		}),
	}
}

func (w *Writer) step(b commissary.Booking) *v1.BatchStep {
	return &v1.BatchStep{
		Kind:           enum[v1.StepKind](b.Step),
		ResourceId:     b.Resource,
		ResourceName:   either(w.places[b.Resource], b.Resource),
		StartTime:      instant(b.From),
		EndTime:        instant(b.To),
		Heads:          int32(b.Heads),
		ContainerSlots: int32(b.Slots),
	}
}

func (w *Writer) serve(s commissary.Serve) *v1.BatchServe {
	return &v1.BatchServe{
		ShopId:   s.Shop,
		ShopName: w.shop(s.Shop),
		ItemId:   s.Item,
		ItemName: w.item(s.Item),
		BakeDate: day(s.BakeDate),
		Pieces:   int64(s.Pieces),
		Source:   enum[v1.Source](s.Source),
	}
}

// batch reads a batch of a plan. What it became once posted is the store's.
func (r *reading) batch(where string, m *v1.Batch) commissary.Batch {
	return commissary.Batch{
		ID:      m.GetId(),
		Formula: m.GetFormulaId(),
		Vessel:  m.GetVesselId(),
		Unit:    int(m.GetVesselUnit()),
		Second:  m.GetSecondSpeed(),
		State:   word[commissary.BatchState](r, where+".state", m.GetState(), false),
		Flour:   quantity.Mass(m.GetFlourMassMg()),
		Mass:    quantity.Mass(m.GetMassMg()),
		Odd:     m.GetOdd(),
		Steps:   readEach(m.GetSteps(), where+".steps", r.step),
		MixEnd:  r.instant(where+".mix_end_time", m.GetMixEndTime()),
		Makes: readEach(m.GetMakes(), where+".makes", func(_ string, m *v1.BatchMaking) commissary.Making {
			return commissary.Making{Item: m.GetItemId(), Pieces: quantity.Pieces(m.GetPieces())}
		}),
		Serves: readEach(m.GetServes(), where+".serves", r.serve),
		Uses: readEach(m.GetUses(), where+".uses", func(_ string, m *v1.BatchUse) commissary.Use {
			return commissary.Use{Lot: m.GetLotCode(), Batch: m.GetBatchId(), Mass: quantity.Mass(m.GetMassMg())}
		}),
	}
}

func (r *reading) step(where string, m *v1.BatchStep) commissary.Booking {
	return commissary.Booking{
		Step:     word[commissary.StepKind](r, where+".kind", m.GetKind(), true),
		Resource: m.GetResourceId(),
		From:     r.instant(where+".start_time", m.GetStartTime()),
		To:       r.instant(where+".end_time", m.GetEndTime()),
		Heads:    int(m.GetHeads()),
		Slots:    int(m.GetContainerSlots()),
	}
}

func (r *reading) serve(where string, m *v1.BatchServe) commissary.Serve {
	return commissary.Serve{
		Shop:     m.GetShopId(),
		Item:     m.GetItemId(),
		BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
		Pieces:   quantity.Pieces(m.GetPieces()),
		Source:   word[commissary.Source](r, where+".source", m.GetSource(), false),
	}
}
