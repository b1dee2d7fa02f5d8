package server

import (
	"context"
	"fmt"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type lots struct {
	v1.UnsafeLotServiceServer
	*core
}

func (s lots) CountStock(ctx context.Context, req *v1.CountStockRequest) (*v1.CountStockResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.CountStockResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		counted, err := wire.ReadCounts(k.Book, req.GetCounts())
		if err != nil {
			return nil, err
		}
		known, err := judgeCounts(w, id, counted)
		if err != nil {
			return nil, err
		}
		resp := &v1.CountStockResponse{}
		for i, l := range counted {
			was, ok := known[l.Code]
			if ok {
				l.Held, l.Batch, l.Place = was.Held, was.Batch, was.Place
			} else if err := w.Lots(id).Create(l); err != nil {
				return nil, err
			}
			m := commissary.Movement{Lot: l.Code, Kind: commissary.Counted, Pieces: l.Pieces - was.Pieces, Mass: l.Mass - was.Mass,
				At: w.at, By: w.who, Ref: "count " + req.GetRequestId()}
			if err := w.Lots(id).Move(m); err != nil {
				return nil, err
			}
			if err := w.record(id, wire.LotName(id, l.Code), "counted: %d pieces, %s; before %d pieces, %s", l.Pieces, l.Mass, was.Pieces, was.Mass); err != nil {
				return nil, err
			}
			counted[i] = l
			resp.Lots = append(resp.Lots, k.Lot(l))
		}
		return resp, nil
	})
}

// judgeCounts refuses counts that cannot be, and returns the lots among them
// that are known.
func judgeCounts(w *writing, id string, counted []commissary.Lot) (map[string]commissary.Lot, error) {
	known := map[string]commissary.Lot{}
	first := map[string]int{}
	var faults []commissary.Fault
	fault := func(i int, field, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: fmt.Sprintf("counts[%d]%s", i, field), Text: fmt.Sprintf(format, args...)})
	}
	for i, l := range counted {
		if j, twice := first[l.Code]; twice {
			fault(i, ".lot_code", "lot %s stands in counts[%d] already; write one line with the sum", l.Code, j)
			continue
		}
		first[l.Code] = i
		switch {
		case commissary.Misread(l.Code):
			fault(i, ".lot_code", "the check character of %s is wrong; read the label again", l.Code)
		case l.Item != "" && l.Mass != 0:
			fault(i, ".mass_mg", "an item is counted in pieces; leave the mass out")
		case l.Item == "" && l.Pieces != 0:
			fault(i, ".pieces", "a preferment is weighed; leave the pieces out")
		case l.Made.After(w.at):
			fault(i, ".made_time", "%s is still to come; write when its mixing ended", l.Made.Format(time.RFC3339))
		}
		was, err := w.Lots(id).Get(l.Code)
		if err != nil {
			if commissary.KindOf(err) == commissary.NotFound {
				continue
			}
			return nil, err
		}
		known[l.Code] = was
		switch {
		case was.Item != l.Item || was.Formula != l.Formula:
			fault(i, "", "lot %s is known as %s of formula %s; correct the line or the code", l.Code, what(was), was.Formula)
		case !was.Made.Equal(l.Made):
			fault(i, ".made_time", "lot %s is known to be of %s; correct the line or the code", l.Code, was.Made.Format(time.RFC3339))
		}
	}
	if len(faults) == 0 {
		return known, nil
	}
	e := commissary.Refuse(commissary.Invalid, "COUNT_INVALID", "the count cannot be taken; correct the lines named here")
	e.Faults = faults
	return nil, e
}

func what(l commissary.Lot) string {
	if l.Item == "" {
		return "a preferment"
	}
	return "item " + l.Item
}

func (s lots) GetLot(ctx context.Context, req *v1.GetLotRequest) (*v1.GetLotResponse, error) {
	id, code, err := wire.ParseLot(req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &v1.GetLotResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		l, err := tx.Lots(id).Get(code)
		if err != nil {
			return err
		}
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		moves, err := tx.Lots(id).Movements(code)
		if err != nil {
			return err
		}
		resp.Lot, resp.Movements = k.Lot(l), nil
		for _, m := range moves {
			resp.Movements = append(resp.Movements, wire.Movement(m))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (s lots) ListLots(ctx context.Context, req *v1.ListLotsRequest) (*v1.ListLotsResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListLotsResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		read := tx.Lots(id).List
		if req.GetOnHandOnly() {
			read = func(after string, limit int) ([]commissary.Lot, error) { return onHand(tx, id, after, limit) }
		}
		rows, next, err := page(ctx, req, []string{id, fmt.Sprint(req.GetOnHandOnly())}, read, func(l commissary.Lot) string { return l.Code })
		resp.Lots, resp.NextPageToken = nil, next
		for _, l := range rows {
			resp.Lots = append(resp.Lots, k.Lot(l))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// onHand is the part of the lots on hand that follows a code.
func onHand(tx commissary.Tx, id, after string, limit int) ([]commissary.Lot, error) {
	all, err := tx.Lots(id).OnHand()
	if err != nil {
		return nil, err
	}
	var rows []commissary.Lot
	for _, l := range all {
		if l.Code > after && len(rows) < limit {
			rows = append(rows, l)
		}
	}
	return rows, nil
}
