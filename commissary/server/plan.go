package server

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/trace"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type plans struct {
	v1.UnsafePlanServiceServer
	*core
}

// planEvery is the time until a night is planned anew: what begins before
// that is posted by a release, the rest stays a draft.
const planEvery = 24 * time.Hour

func (s plans) DraftPlan(ctx context.Context, req *v1.DraftPlanRequest) (*v1.DraftPlanResponse, error) {
	var shelf stock
	k, in, err := s.load(ctx, req.GetNight(), func(tx commissary.Tx, k *kitchen, _ civil.Date, at time.Time) (err error) {
		shelf, err = k.stock(tx, at)
		return err
	})
	if err != nil {
		return nil, err
	}
	in.Seed, in.Steps = req.GetSeed(), req.GetSteps()
	p, err := s.makePlan(ctx, in)
	if err != nil {
		return nil, err
	}
	p = plan.Explain(in, p)
	resp := &v1.DraftPlanResponse{Plan: k.Plan(p)}
	if len(in.Before) > 0 {
		if resp.Changes, err = plan.Changes(in.Book, in.Before, p.Batches); err != nil {
			return nil, err
		}
	}
	resp.Scarce, err = k.scarce(post(p), shelf)
	return resp, err
}

// makePlan is the longest part of a call, and the one that depends on the night.
func (c *core) makePlan(ctx context.Context, in plan.Input) (commissary.Plan, error) {
	_, span := c.tracer.Start(ctx, "plan", trace.WithAttributes(
		attribute.String("doughrun.kitchen", in.Book.Kitchen.ID), attribute.String("doughrun.night", in.Night.String()), attribute.Int("doughrun.orders", len(in.Orders))))
	defer span.End()
	p, err := plan.Make(in)
	span.SetAttributes(attribute.Int("doughrun.batches", len(p.Batches)), attribute.Int("doughrun.exceptions", len(p.Exceptions)))
	return p, err
}

func (s plans) CheckPlan(ctx context.Context, req *v1.CheckPlanRequest) (*v1.CheckPlanResponse, error) {
	p, err := wire.ReadPlan(req.GetPlan())
	if err != nil {
		return nil, err
	}
	_, in, err := s.load(ctx, req.GetNight())
	if err != nil {
		return nil, err
	}
	// It is judged as of the instant it was made for.
	in.Seed = p.Seed
	if !p.At.IsZero() {
		in.At = p.At
	}
	return &v1.CheckPlanResponse{Reasons: wire.Reasons(plan.Check(in, p))}, nil
}

// load reads a night's inputs as they stand now, and what else is wanted of the
// same instant.
func (c *core) load(ctx context.Context, name string, also ...func(tx commissary.Tx, k *kitchen, date civil.Date, at time.Time) error) (k *kitchen, in plan.Input, err error) {
	id, date, err := wire.ParseNight(name)
	if err != nil {
		return nil, in, err
	}
	err = c.view(ctx, func(tx commissary.Tx, at time.Time) error {
		var err error
		k, in, err = c.loadNight(tx, id, date, nextMinute(at))
		for _, read := range also {
			if err == nil {
				err = read(tx, k, date, at)
			}
		}
		return err
	})
	return k, in, err
}

func (s plans) ReleasePlan(ctx context.Context, req *v1.ReleasePlanRequest) (*v1.ReleasePlanResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	planned := req.GetPlanTime().AsTime()
	load := func(tx commissary.Tx, at time.Time) (*kitchen, plan.Input, error) {
		k, in, err := s.loadNight(tx, id, date, planned)
		if err != nil {
			return nil, in, err
		}
		in.Seed, in.Steps = req.GetSeed(), req.GetSteps()
		n, err := night(tx, id, date)
		if err != nil {
			return nil, in, err
		}
		switch n.State {
		case commissary.NightOpen:
			return nil, in, commissary.Refuse(commissary.Precondition, "NIGHT_OPEN", "the night of %s still takes orders; close it first", date.Long())
		case commissary.NightDispatched:
			return nil, in, commissary.Refuse(commissary.Precondition, "NIGHT_DISPATCHED", "the goods of the night of %s are released already; plan the next night", date.Long())
		}
		if err := k.fresh(planned, at); err != nil {
			return nil, in, err
		}
		return k, in, unchanged(in, req.GetInputHash())
	}

	// The work is done outside the transaction that keeps it, and the inputs
	// are compared again inside.
	var in plan.Input
	var kept *v1.ReleasePlanResponse
	found := false
	err = s.view(ctx, func(tx commissary.Tx, at time.Time) error {
		var err error
		if kept, found, err = resent[*v1.ReleasePlanResponse](ctx, tx, req); err != nil || found {
			return err
		}
		_, in, err = load(tx, at)
		return err
	})
	if err != nil || found {
		return kept, err
	}
	p, err := s.makePlan(ctx, in)
	if err != nil {
		return nil, err
	}
	if broken := plan.Check(in, p); len(broken) > 0 {
		return nil, brokenBy("plan", broken)
	}
	p = plan.Explain(in, p)
	released, err := update(ctx, s.core, req, func(w *writing) (*v1.ReleasePlanResponse, error) {
		k, _, err := load(w.Tx, w.at)
		if err != nil {
			return nil, err
		}
		released := p
		if released.Revision, err = nextPlan(w.Tx, id, date); err != nil {
			return nil, err
		}
		released.State = commissary.PlanReleased
		released.Batches = post(p)
		if err := w.Plans(id).Append(released); err != nil {
			return nil, err
		}
		if err := repost(w.Tx, id, released); err != nil {
			return nil, err
		}
		if err := retract(w.Tx, id, in.Before, released); err != nil {
			return nil, err
		}
		n, err := night(w.Tx, id, date)
		if err != nil {
			return nil, err
		}
		n.State = commissary.NightPlanned
		if err := w.Nights(id).Put(n); err != nil {
			return nil, err
		}
		if err := w.record(id, wire.PlanName(id, date, released.Revision), "plan released, inputs %s", released.InputHash); err != nil {
			return nil, err
		}
		return &v1.ReleasePlanResponse{Plan: k.Plan(released)}, nil
	})
	if err == nil && !req.GetValidateOnly() {
		s.released(id, date)
	}
	return released, err
}

// brokenBy refuses to release what does not pass its own check.
func brokenBy(what string, broken []commissary.Reason) error {
	e := commissary.Refuse(commissary.Precondition, strings.ToUpper(what)+"_BROKEN", "the %s does not pass its check, so it is not released; ask for a draft and have it judged", what)
	for i, r := range broken {
		e.Faults = append(e.Faults, commissary.Fault{Where: fmt.Sprintf("%s.%s[%d]", what, r.Code, i), Text: r.Text})
	}
	return e
}

func nextPlan(tx commissary.Tx, id string, date civil.Date) (int, error) {
	newest, err := tx.Plans(id).List(date, 0, 1)
	if err != nil || len(newest) == 0 {
		return 1, err
	}
	return newest[0].Revision + 1, nil
}

// post returns a plan's batches with those POSTED that begin, their
// preferments and preps included, before the next plan is made. What they
// take and whatever else takes from that goes with them.
func post(p commissary.Plan) []commissary.Batch {
	until := p.At.Add(planEvery)
	posted := map[string]bool{}
	for _, b := range p.Batches {
		for _, s := range b.Steps {
			posted[b.ID] = posted[b.ID] || s.From.Before(until)
		}
	}
	for grown := true; grown; {
		grown = false
		for _, b := range p.Batches {
			for _, u := range b.Uses {
				if u.Batch != "" && posted[b.ID] != posted[u.Batch] {
					posted[b.ID], posted[u.Batch], grown = true, true, true
				}
			}
		}
	}
	batches := make([]commissary.Batch, len(p.Batches))
	for i, b := range p.Batches {
		if posted[b.ID] {
			b.State = commissary.BatchPosted
		}
		batches[i] = b
	}
	return batches
}

// repost makes a released plan's posted batches facts, instead of those that
// an earlier plan of the night posted and nobody has started.
func repost(tx commissary.Tx, id string, p commissary.Plan) error {
	before, err := tx.Batches(id).List(p.Night, "", 0)
	if err != nil {
		return err
	}
	revisions := map[string]int{}
	for _, b := range before {
		if b.State == commissary.BatchPosted {
			revisions[b.ID] = b.Revision
		}
	}
	for _, b := range p.Batches {
		if b.State != commissary.BatchPosted {
			continue
		}
		fact := commissary.PostedBatch{Batch: b, Night: p.Night, Plan: p.Revision, Revision: revisions[b.ID] + 1}
		if err := tx.Batches(id).Put(fact); err != nil {
			return err
		}
		delete(revisions, b.ID)
	}
	for _, b := range before {
		if _, gone := revisions[b.ID]; gone {
			if err := tx.Batches(id).Delete(b.ID); err != nil {
				return err
			}
		}
	}
	return nil
}

// retract takes back what earlier nights posted and an outage moved: the plan
// makes it anew.
func retract(tx commissary.Tx, id string, moved []commissary.Batch, p commissary.Plan) error {
	for _, b := range moved {
		kept, err := tx.Batches(id).Get(b.ID)
		if commissary.KindOf(err) == commissary.NotFound || err == nil && (kept.State != commissary.BatchPosted || kept.Night == p.Night) {
			continue
		}
		if err == nil {
			err = tx.Batches(id).Delete(b.ID)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (s plans) GetPlan(ctx context.Context, req *v1.GetPlanRequest) (*v1.GetPlanResponse, error) {
	id, date, revision, err := wire.ParsePlan(req.GetName())
	if err != nil {
		return nil, err
	}
	return answered(ctx, s.core, id, req, func(tx commissary.Tx) (*v1.GetPlanResponse, error) {
		get := tx.Plans(id).Newest
		if revision > 0 {
			get = func(date civil.Date) (commissary.Plan, error) { return tx.Plans(id).Get(date, revision) }
		}
		p, err := get(date)
		if err != nil {
			return nil, err
		}
		k, err := s.kitchen(tx, id, p.BookRev)
		if err != nil {
			return nil, err
		}
		return &v1.GetPlanResponse{Plan: k.Plan(p)}, nil
	})
}

func (s plans) ListPlans(ctx context.Context, req *v1.ListPlansRequest) (*v1.ListPlansResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListPlansResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		rows, next, err := page(ctx, req, []string{id, date.String()}, func(after string, limit int) ([]commissary.Plan, error) {
			return tx.Plans(id).List(date, revisionIn(after), limit)
		}, func(p commissary.Plan) string { return strconv.Itoa(p.Revision) })
		resp.Plans, resp.NextPageToken = nil, next
		for _, p := range rows {
			resp.Plans = append(resp.Plans, k.PlanSummary(p))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
