package wire

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Ride writes what happens on a run.
func (w *Writer) Ride(r commissary.Ride) *v1.Ride {
	m := &v1.Ride{
		State:  enum[v1.RideState](r.State),
		Picked: each(r.Picked, PickedLine),
		Drops:  each(r.Drops, w.Drop),
		Pages: each(r.Since, func(s commissary.PageSince) *v1.PageSince {
			return &v1.PageSince{ShopId: s.Shop, DispatchRevision: int32(s.Revision)}
		}),
	}
	if !r.Left.Kept.IsZero() {
		m.Departure = &v1.Departure{
			DepartTime: instant(r.Left.At),
			RecordTime: instant(r.Left.Kept),
			RecordedBy: r.Left.By,
			Probes:     each(r.Left.Probes, probe),
			WarmAction: enum[v1.WarmAction](r.Left.Action),
			Note:       r.Left.Note,
		}
	}
	return m
}

// PickedLine writes what was picked of one lot for one service.
func PickedLine(l commissary.PickedLine) *v1.PickedLine {
	return &v1.PickedLine{
		ShopId:           l.Shop,
		ItemId:           l.Item,
		BakeDate:         day(l.BakeDate),
		LotCode:          l.Lot,
		ListedPieces:     int64(l.Listed),
		Pieces:           int64(l.Pieces),
		Cause:            enum[v1.ShortCause](l.Cause),
		Note:             l.Note,
		RecordTime:       instant(l.At),
		RecordedBy:       l.By,
		DispatchRevision: int32(l.Revision),
	}
}

func probe(p commissary.Probe) *v1.Probe {
	return &v1.Probe{LotCode: p.Lot, TempMillicelsius: int32(p.Temp)}
}

// Drop writes what became of a stop.
func (w *Writer) Drop(d commissary.Drop) *v1.Drop {
	return &v1.Drop{
		ShopId:     d.Shop,
		State:      enum[v1.StopState](d.State),
		DropTime:   instant(d.At),
		RecordTime: instant(d.Kept),
		RecordedBy: d.By,
		Lines: each(d.Lines, func(l commissary.DropLine) *v1.DropLine {
			return &v1.DropLine{
				ItemId:          l.Item,
				ItemName:        w.item(l.Item),
				LotCode:         l.Lot,
				ListedPieces:    int64(l.Listed),
				DeliveredPieces: int64(l.Delivered()),
				MissingPieces:   int64(l.Missing),
				RefusedPieces:   int64(l.Refused),
				Reason:          l.Why,
			}
		}),
		Empties: each(d.Empties, func(e commissary.Empties) *v1.Empties {
			return &v1.Empties{ContainerId: e.Container, Count: int32(e.Count)}
		}),
		Probes:     each(d.Probes, probe),
		WarmAction: enum[v1.WarmAction](d.Action),
		SignedBy:   d.Signed,
		Left:       d.Left,
		Note:       d.Note,
	}
}

// ReadPicked reads what somebody says was picked. Listed is the service's. It
// refuses containers that do not come to the pieces.
func ReadPicked(book commissary.Book, entries []*v1.PickEntry) ([]commissary.PickedLine, error) {
	var r reading
	lines := readEach(entries, "lines", func(where string, m *v1.PickEntry) commissary.PickedLine {
		l := commissary.PickedLine{
			Shop:     m.GetShopId(),
			Item:     m.GetItemId(),
			BakeDate: r.day(where+".bake_date", m.GetBakeDate()),
			Lot:      m.GetLotCode(),
			Pieces:   quantity.Pieces(m.GetPieces()),
			Cause:    word[commissary.ShortCause](&r, where+".cause", m.GetCause(), false),
			Note:     m.GetNote(),
		}
		for _, item := range book.Items {
			per := max(item.PerBox, 1)
			counted := quantity.Pieces(m.GetFullContainers())*per + quantity.Pieces(m.GetLoosePieces())
			if item.ID == l.Item && counted > 0 && counted != l.Pieces {
				r.fault(where+".pieces", "%d full containers of %d and %d loose come to %d, not %d; count again", m.GetFullContainers(), per, m.GetLoosePieces(), counted, l.Pieces)
			}
		}
		return l
	})
	return lines, r.err()
}

// ReadDeparture reads how a run left.
func ReadDeparture(m *v1.DepartRunRequest) (commissary.Departure, error) {
	var r reading
	d := commissary.Departure{
		At:     r.instant("depart_time", m.GetDepartTime()),
		Probes: r.probes(m.GetProbes()),
		Action: word[commissary.WarmAction](&r, "warm_action", m.GetWarmAction(), false),
		Note:   m.GetNote(),
	}
	return d, r.err()
}

// ReadDrop reads what became of a stop; its lines are what differs.
func ReadDrop(m *v1.ConfirmStopRequest) (commissary.Drop, error) {
	var r reading
	d := commissary.Drop{
		Shop: m.GetShopId(),
		At:   r.instant("drop_time", m.GetDropTime()),
		Lines: readEach(m.GetDifferences(), "differences", func(where string, m *v1.Difference) commissary.DropLine {
			if m.GetMissingPieces()+m.GetRefusedPieces() == 0 {
				r.fault(where, "it says neither what is missing nor what was refused; leave it out, or say how many pieces")
			}
			if m.GetRefusedPieces() > 0 && m.GetReason() == "" {
				r.fault(where+".reason", "say why it was refused")
			}
			return commissary.DropLine{Item: m.GetItemId(), Lot: m.GetLotCode(), Missing: quantity.Pieces(m.GetMissingPieces()), Refused: quantity.Pieces(m.GetRefusedPieces()), Why: m.GetReason()}
		}),
		Empties: readEach(m.GetEmpties(), "empties", func(_ string, m *v1.Empties) commissary.Empties {
			return commissary.Empties{Container: m.GetContainerId(), Count: int(m.GetCount())}
		}),
		Probes: r.probes(m.GetProbes()),
		Action: word[commissary.WarmAction](&r, "warm_action", m.GetWarmAction(), false),
		Signed: m.GetSignedBy(),
		Left:   m.GetLeft(),
		Note:   m.GetNote(),
	}
	if m.GetAllRefused() && m.GetNote() == "" {
		r.fault("note", "say why everything goes back")
	}
	return d, r.err()
}

func (r *reading) probes(list []*v1.Probe) []commissary.Probe {
	var probes []commissary.Probe
	for _, p := range list {
		probes = append(probes, commissary.Probe{Lot: p.GetLotCode(), Temp: quantity.Temp(p.GetTempMillicelsius())})
	}
	return probes
}
