package server

import (
	"context"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s plans) ReportOutage(ctx context.Context, req *v1.ReportOutageRequest) (*v1.ReportOutageResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.ReportOutageResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, noBook(err)
		}
		o := commissary.ReportedOutage{Number: 1, By: w.who, Reported: w.at,
			Outage: commissary.Outage{Resource: req.GetResourceId(), Why: req.GetReason(), From: timeOr(req.GetStartTime(), w.at), To: timeOr(req.GetEndTime(), time.Time{})}}
		if !k.has(o.Resource) {
			return nil, faulty("OUTAGE_INVALID", "resource_id", "the book has no vessel or bench \""+o.Resource+"\"; write one of those, or cold for the cold store")
		}
		if !o.To.IsZero() && !o.From.Before(o.To) {
			return nil, faulty("OUTAGE_INVALID", "end_time", "it ends before it begins; leave the end out while nobody knows it")
		}
		newest, err := w.Outages(id).List(0, 1)
		if err != nil {
			return nil, err
		}
		if len(newest) > 0 {
			o.Number = newest[0].Number + 1
		}
		if err := w.Outages(id).Append(o); err != nil {
			return nil, err
		}
		until := "until further notice"
		if !o.To.IsZero() {
			until = "until " + o.To.Format(time.RFC3339)
		}
		if err := w.record(id, wire.OutageName(id, o.Number), "%s out of order from %s %s: %s", o.Resource, o.From.Format(time.RFC3339), until, o.Why); err != nil {
			return nil, err
		}
		return &v1.ReportOutageResponse{Outage: k.Outage(o)}, nil
	})
}

func (s plans) EndOutage(ctx context.Context, req *v1.EndOutageRequest) (*v1.EndOutageResponse, error) {
	id, number, err := wire.ParseOutage(req.GetName())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.EndOutageResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, noBook(err)
		}
		o, err := w.Outages(id).Get(number)
		if err != nil {
			return nil, err
		}
		if !o.To.IsZero() && !w.at.Before(o.To) {
			return nil, commissary.Refuse(commissary.Precondition, "OUTAGE_OVER", "that outage was over at %s; report another if it is out of order again", k.zone.Long(o.To))
		}
		end := timeOr(req.GetEndTime(), w.at)
		if end.Before(o.From) {
			return nil, faulty("OUTAGE_INVALID", "end_time", "it would end before it begins, at "+k.zone.Long(o.From))
		}
		o.To, o.EndedBy = end, w.who
		if err := w.Outages(id).Amend(o); err != nil {
			return nil, err
		}
		if err := w.record(id, req.GetName(), "%s works again from %s", o.Resource, end.Format(time.RFC3339)); err != nil {
			return nil, err
		}
		return &v1.EndOutageResponse{Outage: k.Outage(o)}, nil
	})
}

func (s plans) ListOutages(ctx context.Context, req *v1.ListOutagesRequest) (*v1.ListOutagesResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListOutagesResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return noBook(err)
		}
		rows, next, err := page(ctx, req, []string{id}, func(after string, limit int) ([]commissary.ReportedOutage, error) {
			return tx.Outages(id).List(revisionIn(after), limit)
		}, func(o commissary.ReportedOutage) string { return strconv.Itoa(o.Number) })
		resp.Outages, resp.NextPageToken, resp.Site = nil, next, k.Site()
		for _, o := range rows {
			resp.Outages = append(resp.Outages, k.Outage(o))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// has reports whether something that can be out of order is the book's.
func (k *kitchen) has(resource string) bool {
	return resource == "cold" || slices.ContainsFunc(k.Book.Vessels, func(v commissary.Vessel) bool { return v.ID == resource }) ||
		slices.ContainsFunc(k.Book.Benches, func(b commissary.Bench) bool { return b.ID == resource })
}

// timeOr is an instant of a request in whole seconds, or another where it has none.
func timeOr(t *timestamppb.Timestamp, otherwise time.Time) time.Time {
	if t == nil {
		return otherwise
	}
	return t.AsTime().Truncate(time.Second)
}

// faulty refuses one field of a request.
func faulty(reason, field, text string) error {
	e := commissary.Refuse(commissary.Invalid, reason, "%s", text)
	e.Faults = []commissary.Fault{{Where: field, Text: text}}
	return e
}
