package server

import (
	"context"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/trace"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s lots) HoldLot(ctx context.Context, req *v1.HoldLotRequest) (*v1.HoldLotResponse, error) {
	id, code, err := wire.ParseLot(req.GetName())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.HoldLotResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		l, err := k.called(w.Tx, code)
		if err != nil {
			return nil, err
		}
		code := l.Code
		t, err := trace.Follow(w.Lots(id), code)
		if err != nil {
			return nil, err
		}
		resp := &v1.HoldLotResponse{}
		for _, n := range t.Down() {
			why := req.GetReason()
			if n.Side != trace.Itself {
				why += " (made from " + code + ")"
			}
			if n.Possible {
				why = strings.TrimSuffix(why, "(made from "+code+")") + "(possibly made from " + code + ")"
			}
			if err := w.Lots(id).Hold(commissary.Hold{Lot: n.Code, Cause: code, Why: why, At: w.at, By: w.who}); err != nil {
				return nil, err
			}
			l, err := k.lot(w.Tx, n.Code)
			if err != nil {
				return nil, err
			}
			resp.Lots = append(resp.Lots, l)
		}
		if err := w.record(id, wire.LotName(id, code), "on hold, with %d lots made from it: %s", len(resp.Lots)-1, req.GetReason()); err != nil {
			return nil, err
		}
		return resp, nil
	})
}

func (s lots) ReleaseLot(ctx context.Context, req *v1.ReleaseLotRequest) (*v1.ReleaseLotResponse, error) {
	id, code, err := wire.ParseLot(req.GetName())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.ReleaseLotResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		if _, err := w.Lots(id).Get(code); err != nil {
			return nil, err
		}
		codes, err := w.Lots(id).Free(code, req.GetReason(), w.who, w.at)
		if err != nil {
			return nil, err
		}
		resp := &v1.ReleaseLotResponse{}
		for _, c := range codes {
			l, err := k.lot(w.Tx, c)
			if err != nil {
				return nil, err
			}
			resp.Lots = append(resp.Lots, l)
		}
		if err := w.record(id, wire.LotName(id, code), "released from hold, with %d lots: %s", len(codes), req.GetReason()); err != nil {
			return nil, err
		}
		return resp, nil
	})
}

func (s lots) DestroyLot(ctx context.Context, req *v1.DestroyLotRequest) (*v1.DestroyLotResponse, error) {
	id, code, err := wire.ParseLot(req.GetName())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.DestroyLotResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		if _, err := w.Lots(id).Get(code); err != nil {
			return nil, err
		}
		at, err := w.Lots(id).At(code)
		if err != nil {
			return nil, err
		}
		destroyed := 0
		for _, l := range at {
			if req.GetPlace() != "" && l.Place != req.GetPlace() {
				continue
			}
			destroyed++
			m := commissary.Movement{Lot: code, Kind: commissary.Wasted, Pieces: -l.Pieces, Mass: -l.Mass, Place: l.Place, At: w.at, By: w.who, Ref: "destroyed", Why: req.GetReason()}
			if err := w.Lots(id).Move(m); err != nil {
				return nil, err
			}
			if err := w.record(id, wire.LotName(id, code), "destroyed at %s: %d pieces, %s: %s", l.Place, l.Pieces, l.Mass, req.GetReason()); err != nil {
				return nil, err
			}
		}
		if destroyed == 0 {
			place := req.GetPlace()
			if place == "" {
				place = "any place"
			}
			e := commissary.Refuse(commissary.Precondition, "NOTHING_THERE", "by the records nothing of lot %s is at %s; count it first", code, place)
			e.Meta = map[string]string{"lot": code}
			return nil, e
		}
		l, err := k.lot(w.Tx, code)
		if err != nil {
			return nil, err
		}
		return &v1.DestroyLotResponse{Lot: l}, nil
	})
}
