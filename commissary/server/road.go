package server

import (
	"context"
	"slices"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/plan"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s dispatches) CompareOrder(ctx context.Context, req *v1.CompareOrderRequest) (*v1.CompareOrderResponse, error) {
	id, date, run, err := wire.ParseManifest(req.GetManifest())
	if err != nil {
		return nil, err
	}
	k, d, _, err := s.inForce(ctx, wire.DispatchName(id, date, 0))
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(d.Manifests, func(m commissary.Manifest) bool { return m.Run == run })
	if i < 0 {
		e := commissary.Refuse(commissary.NotFound, "RUN_NOT_FOUND", "run %q carries nothing the morning after the night of %s; list the manifests to see which do", run, date.Long())
		e.Meta = map[string]string{"run": run}
		return nil, e
	}
	var ours []string
	for _, stop := range d.Manifests[i].Stops {
		ours = append(ours, stop.Shop)
	}
	if !slices.Equal(slices.Sorted(slices.Values(ours)), slices.Sorted(slices.Values(req.GetShopIds()))) {
		e := commissary.Refuse(commissary.Invalid, "STOPS_DIFFER", "an order names every stop of the run once: %s, each in its place", strings.Join(ours, ", "))
		e.Meta = map[string]string{"run": run}
		return nil, e
	}
	planned, err := plan.Drive(k.Book, d.Delivery, run, ours)
	if err != nil {
		return nil, err
	}
	asked, err := plan.Drive(k.Book, d.Delivery, run, req.GetShopIds())
	if err != nil {
		return nil, err
	}
	return &v1.CompareOrderResponse{Ours: k.Driven(planned), Asked: k.Driven(asked), Measured: asked.Measured, Site: k.Site()}, nil
}
