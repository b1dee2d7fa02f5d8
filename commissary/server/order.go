package server

import (
	"context"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type orders struct {
	v1.UnsafeOrderServiceServer
	*core
}

func (s orders) SubmitOrder(ctx context.Context, req *v1.SubmitOrderRequest) (*v1.SubmitOrderResponse, error) {
	return update(ctx, s.core, req, func(w *writing) (*v1.SubmitOrderResponse, error) {
		d, err := s.desk(w.Tx, w.at, req.GetName())
		if err != nil {
			return nil, err
		}
		sent := d.readable(req.GetLines())
		if err := s.open(w.Tx, d, sent, whereOf(sent)); err != nil {
			return nil, err
		}
		if err := matches(req.GetEtag(), d.before.Revision, d.what()); err != nil {
			return nil, err
		}
		lines, err := d.lines(w.Tx, req.GetLines())
		if err != nil {
			return nil, err
		}
		if err := d.inTime(w.Tx, lines); err != nil {
			return nil, err
		}
		o := d.next(commissary.OrderAccepted, w)
		o.Lines, o.Closed, o.Phoned = lines, req.GetClosed(), req.GetPhonedBy()
		if err := s.keep(w, d, o, "submitted"); err != nil {
			return nil, err
		}
		return &v1.SubmitOrderResponse{Order: d.Order(o)}, nil
	})
}

func (s orders) CancelOrder(ctx context.Context, req *v1.CancelOrderRequest) (*v1.CancelOrderResponse, error) {
	return update(ctx, s.core, req, func(w *writing) (*v1.CancelOrderResponse, error) {
		d, err := s.desk(w.Tx, w.at, req.GetName())
		if err != nil {
			return nil, err
		}
		if d.before.Revision == 0 {
			_, err := w.Orders(d.id()).Get(d.night, d.shop.ID)
			return nil, err
		}
		if err := s.open(w.Tx, d, d.standingLines(), byName); err != nil {
			return nil, err
		}
		if err := matches(req.GetEtag(), d.before.Revision, d.what()); err != nil {
			return nil, err
		}
		if d.before.State == commissary.OrderCancelled {
			return nil, commissary.Refuse(commissary.Precondition, "ORDER_CANCELLED", "%s is cancelled already; submit it again to order after all", d.what())
		}
		if err := d.cancelInTime(w.Tx); err != nil {
			return nil, err
		}
		o := d.next(commissary.OrderCancelled, w)
		o.Lines, o.Closed = d.before.Lines, d.before.Closed
		if err := s.keep(w, d, o, "cancelled"); err != nil {
			return nil, err
		}
		return &v1.CancelOrderResponse{Order: d.Order(o)}, nil
	})
}

func (s orders) AdmitLateOrder(ctx context.Context, req *v1.AdmitLateOrderRequest) (*v1.AdmitLateOrderResponse, error) {
	return update(ctx, s.core, req, func(w *writing) (*v1.AdmitLateOrderResponse, error) {
		d, err := s.desk(w.Tx, w.at, req.GetName())
		if err != nil {
			return nil, err
		}
		n, err := night(w.Tx, d.id(), d.night)
		if err != nil {
			return nil, err
		}
		if n.State == commissary.NightOpen {
			return nil, commissary.Refuse(commissary.Precondition, "NIGHT_OPEN", "the night of %s is still open; submit the order instead, or close the night first", d.night.Long())
		}
		if err := matches(req.GetEtag(), d.before.Revision, d.what()); err != nil {
			return nil, err
		}
		lines, err := d.lines(w.Tx, req.GetLines())
		if err != nil {
			return nil, err
		}
		verdicts, err := s.afterClose(w.Tx, d, lines)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(verdicts, func(v verdict) bool { return !v.allowed() }) {
			e := commissary.Refuse(commissary.Precondition, "NIGHT_DISPATCHED", "the goods of the night of %s are released already; order on a later night", d.night.Long())
			if n.State != commissary.NightDispatched {
				e = commissary.Refuse(commissary.Precondition, "LINE_FROZEN", "part of %s is frozen; keep the lines named here as they were, or take what is spare; where more is there than was counted, count the stock first", d.what())
			}
			e.Meta = map[string]string{"night": d.night.String(), "state": string(n.State)}
			return nil, d.told(w.Tx, e, verdicts, whereOf(lines), false)
		}
		o := d.next(commissary.OrderLate, w)
		o.Lines, o.Closed, o.LateBy, o.LateWhy = lines, req.GetClosed(), w.who, req.GetLateReason()
		o.Phoned = req.GetPhonedBy()
		if err := s.keep(w, d, o, "admitted late ("+o.LateWhy+")"); err != nil {
			return nil, err
		}
		return &v1.AdmitLateOrderResponse{Order: d.Order(o)}, nil
	})
}

// keep appends the order, and touches the night so that it is listed.
func (s orders) keep(w *writing, d *desk, o commissary.Order, verb string) error {
	if err := w.Nights(d.id()).Touch(d.night); err != nil {
		return err
	}
	if err := w.Orders(d.id()).Append(o); err != nil {
		return err
	}
	if o.Phoned != "" {
		verb += ", phoned in by " + o.Phoned
	}
	return w.record(d.id(), wire.OrderName(d.id(), o.Night, o.Shop), "revision %d %s, %d lines", o.Revision, verb, len(o.Lines))
}

func (s orders) GetOrder(ctx context.Context, req *v1.GetOrderRequest) (*v1.GetOrderResponse, error) {
	id, date, shop, err := wire.ParseOrder(req.GetName())
	if err != nil {
		return nil, err
	}
	return answered(ctx, s.core, id, req, func(tx commissary.Tx) (*v1.GetOrderResponse, error) {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return nil, err
		}
		o, err := tx.Orders(id).Get(date, shop)
		if err != nil {
			return nil, err
		}
		return &v1.GetOrderResponse{Order: k.Order(o)}, nil
	})
}

func (s orders) ListOrders(ctx context.Context, req *v1.ListOrdersRequest) (*v1.ListOrdersResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListOrdersResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		rows, next, err := page(ctx, req, []string{id, date.String()}, func(after string, limit int) ([]commissary.Order, error) {
			return tx.Orders(id).List(date, after, limit)
		}, func(o commissary.Order) string { return o.Shop })
		resp.Orders, resp.NextPageToken = nil, next
		for _, o := range rows {
			resp.Orders = append(resp.Orders, k.Order(o))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// night returns a night; one that nobody touched is open.
func night(tx commissary.Tx, kitchen string, date civil.Date) (commissary.Night, error) {
	n, err := tx.Nights(kitchen).Get(date)
	if err != nil && commissary.KindOf(err) == commissary.NotFound {
		return commissary.Night{Date: date, State: commissary.NightOpen}, nil
	}
	return n, err
}
