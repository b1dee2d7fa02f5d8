package server

import (
	"cmp"
	"context"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type dispatches struct {
	v1.UnsafeDispatchServiceServer
	*core
}

func (s dispatches) DraftDispatch(ctx context.Context, req *v1.DraftDispatchRequest) (*v1.DraftDispatchResponse, error) {
	k, in, err := s.load(ctx, req.GetNight(), func(tx commissary.Tx, k *kitchen, date civil.Date, _ time.Time) error {
		n, err := night(tx, k.id(), date)
		if err == nil && n.State == commissary.NightDispatched {
			err = sent(date)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	d, err := plan.Dispatch(in)
	if err != nil {
		return nil, err
	}
	return &v1.DraftDispatchResponse{Dispatch: k.dispatched(d, nil)}, nil
}

// sent refuses to allot the goods of a night once more.
func sent(date civil.Date) error {
	return commissary.Refuse(commissary.Precondition, "NIGHT_DISPATCHED", "the goods of the night of %s are released already; pick by that dispatch", date.Long())
}

func (s dispatches) CheckDispatch(ctx context.Context, req *v1.CheckDispatchRequest) (*v1.CheckDispatchResponse, error) {
	d, err := wire.ReadDispatch(req.GetDispatch())
	if err != nil {
		return nil, err
	}
	_, in, err := s.load(ctx, req.GetNight())
	if err != nil {
		return nil, err
	}
	if !d.At.IsZero() {
		in.At = d.At
	}
	return &v1.CheckDispatchResponse{Reasons: wire.Reasons(plan.CheckDispatch(in, d))}, nil
}

func (s dispatches) ReleaseDispatch(ctx context.Context, req *v1.ReleaseDispatchRequest) (*v1.ReleaseDispatchResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	drafted := req.GetDraftTime().AsTime()
	load := func(tx commissary.Tx, at time.Time) (*kitchen, plan.Input, error) {
		k, in, err := s.loadNight(tx, id, date, drafted)
		if err != nil {
			return nil, in, err
		}
		n, err := night(tx, id, date)
		if err != nil {
			return nil, in, err
		}
		switch n.State {
		case commissary.NightOpen, commissary.NightClosed:
			return nil, in, commissary.Refuse(commissary.Precondition, "NIGHT_NOT_PLANNED", "the night of %s has no released plan; release one first", date.Long())
		case commissary.NightDispatched:
			return nil, in, sent(date)
		}
		if err := k.fresh(drafted, at); err != nil {
			return nil, in, err
		}
		return k, in, unchanged(in, req.GetInputHash())
	}

	var in plan.Input
	var kept *v1.ReleaseDispatchResponse
	found := false
	err = s.view(ctx, func(tx commissary.Tx, at time.Time) error {
		var err error
		if kept, found, err = resent[*v1.ReleaseDispatchResponse](ctx, tx, req); err != nil || found {
			return err
		}
		_, in, err = load(tx, at)
		return err
	})
	if err != nil || found {
		return kept, err
	}
	d, err := plan.Dispatch(in)
	if err != nil {
		return nil, err
	}
	if broken := plan.CheckDispatch(in, d); len(broken) > 0 {
		return nil, brokenBy("dispatch", broken)
	}
	released, err := update(ctx, s.core, req, func(w *writing) (*v1.ReleaseDispatchResponse, error) {
		k, _, err := load(w.Tx, w.at)
		if err != nil {
			return nil, err
		}
		released := d
		released.Revision, released.State = 1, commissary.PlanReleased
		if err := w.Dispatches(id).Append(released); err != nil {
			return nil, err
		}
		rides := ridesOf(released)
		for _, r := range rides {
			if err := w.Rides(id).Put(r); err != nil {
				return nil, err
			}
		}
		n, err := night(w.Tx, id, date)
		if err != nil {
			return nil, err
		}
		n.State = commissary.NightDispatched
		if err := w.Nights(id).Put(n); err != nil {
			return nil, err
		}
		if err := w.record(id, wire.DispatchName(id, date, released.Revision), "dispatch released, inputs %s", released.InputHash); err != nil {
			return nil, err
		}
		return &v1.ReleaseDispatchResponse{Dispatch: k.dispatched(released, rides)}, nil
	})
	if err == nil && !req.GetValidateOnly() {
		s.released(id, date)
	}
	return released, err
}

func (s dispatches) GetDispatch(ctx context.Context, req *v1.GetDispatchRequest) (*v1.GetDispatchResponse, error) {
	k, d, now, err := s.inForce(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	m := k.dispatched(d, now.rides)
	now.picks(m.GetPicks())
	now.manifests(m.GetManifests()...)
	return &v1.GetDispatchResponse{Dispatch: m}, nil
}

func (s dispatches) GetPickList(ctx context.Context, req *v1.GetPickListRequest) (*v1.GetPickListResponse, error) {
	k, d, now, err := s.inForce(ctx, req.GetDispatch())
	if err != nil {
		return nil, err
	}
	list, err := k.pickList(d, req.GetRunId(), now.rides)
	if err != nil {
		return nil, err
	}
	for _, r := range list.GetRuns() {
		now.picks(r.GetPicks())
	}
	return &v1.GetPickListResponse{PickList: list}, nil
}

func (s dispatches) GetManifest(ctx context.Context, req *v1.GetManifestRequest) (*v1.GetManifestResponse, error) {
	id, date, run, err := wire.ParseManifest(req.GetName())
	if err != nil {
		return nil, err
	}
	k, d, now, err := s.inForce(ctx, wire.DispatchName(id, date, 0))
	if err != nil {
		return nil, err
	}
	for _, m := range k.manifests(d, now.rides) {
		if m.GetRunId() == run {
			now.manifests(m)
			return &v1.GetManifestResponse{Manifest: m}, nil
		}
	}
	return nil, noRun(run, date)
}

func (s dispatches) ListManifests(ctx context.Context, req *v1.ListManifestsRequest) (*v1.ListManifestsResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	k, d, now, err := s.inForce(ctx, wire.DispatchName(id, date, 0))
	if err != nil {
		return nil, err
	}
	// The key keeps the order of departure.
	key := func(m *v1.Manifest) string {
		return m.GetDepartTime().AsTime().Format(time.RFC3339) + " " + m.GetRunId()
	}
	all := k.manifests(d, now.rides)
	now.manifests(all...)
	slices.SortFunc(all, func(a, b *v1.Manifest) int { return cmp.Compare(key(a), key(b)) })
	rows, next, err := page(ctx, req, []string{id, date.String()}, func(after string, limit int) ([]*v1.Manifest, error) {
		var rows []*v1.Manifest
		for _, m := range all {
			if key(m) > after && len(rows) < limit {
				rows = append(rows, m)
			}
		}
		return rows, nil
	}, key)
	if err != nil {
		return nil, err
	}
	return &v1.ListManifestsResponse{Manifests: rows, NextPageToken: next}, nil
}

// inForce returns a dispatch by its name, and what stands of it now.
func (s dispatches) inForce(ctx context.Context, name string) (k *kitchen, d commissary.Dispatch, now standing, err error) {
	id, date, revision, err := wire.ParseDispatch(name)
	if err != nil {
		return nil, d, now, err
	}
	err = s.view(ctx, func(tx commissary.Tx, at time.Time) error {
		get := tx.Dispatches(id).Newest
		if revision > 0 {
			get = func(date civil.Date) (commissary.Dispatch, error) { return tx.Dispatches(id).Get(date, revision) }
		}
		var err error
		if d, err = get(date); err != nil {
			return err
		}
		if k, err = s.kitchen(tx, id, 0); err != nil {
			return err
		}
		if now, err = k.standingOf(tx, d, at); err != nil {
			return err
		}
		now.rides, err = tx.Rides(id).List(date)
		return err
	})
	return k, d, now, err
}
