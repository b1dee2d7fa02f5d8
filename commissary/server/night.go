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

type nights struct {
	v1.UnsafeNightServiceServer
	*core
}

func (s nights) GetNight(ctx context.Context, req *v1.GetNightRequest) (*v1.GetNightResponse, error) {
	id, date, err := wire.ParseNight(req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &v1.GetNightResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		n, err := night(tx, id, date)
		if err != nil {
			return err
		}
		resp.Night = k.Night(n)
		resp.Night.SilentShops, err = k.silent(tx, n)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (s nights) ListNights(ctx context.Context, req *v1.ListNightsRequest) (*v1.ListNightsResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListNightsResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		rows, next, err := page(ctx, req, []string{id}, func(after string, limit int) ([]commissary.Night, error) {
			var before civil.Date
			if err := before.UnmarshalText([]byte(after)); err != nil {
				return nil, err
			}
			return tx.Nights(id).List(before, limit)
		}, func(n commissary.Night) string { return n.Date.String() })
		resp.Nights, resp.NextPageToken = nil, next
		for _, n := range rows {
			resp.Nights = append(resp.Nights, k.Night(n))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (s nights) CloseNight(ctx context.Context, req *v1.CloseNightRequest) (*v1.CloseNightResponse, error) {
	id, date, err := wire.ParseNight(req.GetName())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.CloseNightResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		n, err := night(w.Tx, id, date)
		if err != nil {
			return nil, err
		}
		if n.State != commissary.NightOpen {
			e := commissary.Refuse(commissary.Precondition, "NIGHT_CLOSED", "the night of %s was closed %s; there is nothing to close", date.Long(), k.zone.Long(n.Closed))
			e.Meta = map[string]string{"night": date.String(), "state": string(n.State)}
			return nil, e
		}
		n.State, n.Closed = commissary.NightClosed, w.at
		if err := w.Nights(id).Put(n); err != nil {
			return nil, err
		}
		resp := &v1.CloseNightResponse{Night: k.Night(n)}
		if resp.Night.SilentShops, err = k.silent(w.Tx, n); err != nil {
			return nil, err
		}
		return resp, w.record(id, wire.NightName(id, date), "closed, %d shops silent", len(resp.GetNight().GetSilentShops()))
	})
}

// silent is the call list: the shops that have said nothing for a night.
func (k *kitchen) silent(tx commissary.Tx, n commissary.Night) ([]*v1.SilentShop, error) {
	orders, err := tx.Orders(k.id()).List(n.Date, "", 0)
	if err != nil {
		return nil, err
	}
	var list []*v1.SilentShop
	for _, s := range k.Shops {
		if slices.ContainsFunc(orders, func(o commissary.Order) bool { return o.Shop == s.ID && o.State != commissary.OrderCancelled }) {
			continue
		}
		d := desk{kitchen: k, night: n.Date, shop: s}
		silent := &v1.SilentShop{ShopId: s.ID, ShopName: s.Name, Phone: s.Phone, NightPhone: s.NightPhone}
		for _, pieces := range d.standing() {
			silent.StandingPieces += int64(pieces)
		}
		list = append(list, silent)
	}
	return list, nil
}
