package server

import (
	"cmp"
	"context"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/plan"
	"doughrun/commissary/trace"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s lots) GetIssueSheet(ctx context.Context, req *v1.GetIssueSheetRequest) (*v1.GetIssueSheetResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	var k *kitchen
	var in plan.Input
	var p commissary.Plan
	var lots []commissary.Lot
	inUse := map[string][]string{}
	err = s.view(ctx, func(tx commissary.Tx, at time.Time) error {
		if k, in, err = s.loadNight(tx, id, date, nextMinute(at)); err != nil {
			return err
		}
		if p, err = tx.Plans(id).Newest(date); err != nil && commissary.KindOf(err) != commissary.NotFound {
			return err
		}
		if lots, err = tx.Lots(id).OnHand(); err != nil {
			return err
		}
		for _, i := range k.Ingredients {
			changes, err := tx.Lots(id).Changes(i.ID)
			if err != nil {
				return err
			}
			inUse[i.ID] = nil
			for _, c := range trace.Carried(changes, at, at) {
				inUse[i.ID] = append(inUse[i.ID], c.Lot)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if p.Revision == 0 {
		if p, err = plan.Make(in); err != nil {
			return nil, err
		}
	}
	return k.issue(p, lots, inUse, in.At)
}

// issue adds up what the batches of a plan need that are still to be made.
func (k *kitchen) issue(p commissary.Plan, lots []commissary.Lot, inUse map[string][]string, at time.Time) (*v1.GetIssueSheetResponse, error) {
	needs := map[string]*v1.IssueLine{}
	for _, b := range p.Batches {
		if b.State != commissary.BatchPlanned && b.State != commissary.BatchPosted {
			continue
		}
		_, sheet, err := k.bought(b)
		if err != nil {
			return nil, err
		}
		for _, l := range sheet {
			n := needs[l.Ingredient]
			if n == nil {
				n = &v1.IssueLine{}
				needs[l.Ingredient] = n
			}
			n.NeededMassMg += int64(l.Mass)
			n.BatchIds = append(n.BatchIds, b.ID)
		}
	}
	resp := &v1.GetIssueSheetResponse{Site: k.Site(), PlanRevision: int32(p.Revision)}
	for _, i := range k.Ingredients {
		n := needs[i.ID]
		if n == nil {
			continue
		}
		n.IngredientId, n.IngredientName, n.Chilled, n.PackMassMg, n.LotCodes = i.ID, i.Name, i.Chilled, int64(i.Pack), inUse[i.ID]
		slices.Sort(n.BatchIds)
		if i.Pack > 0 {
			n.Packs = (n.NeededMassMg + int64(i.Pack) - 1) / int64(i.Pack)
		}
		for _, l := range lots {
			if l.Ingredient != i.ID || l.Place != commissary.AtKitchen {
				continue
			}
			n.Counted = true
			if free(l) != nil || k.inDate(l, nil, at) != nil {
				n.BlockedMassMg += int64(l.Mass)
			} else {
				n.OnHandMassMg += int64(l.Mass)
			}
		}
		if n.Counted || len(n.LotCodes) > 0 {
			n.Counted = true
			n.ShortMassMg = max(n.NeededMassMg-n.OnHandMassMg, 0)
			n.Low = n.OnHandMassMg-n.NeededMassMg < max(int64(i.Pack), 1)
		}
		resp.Lines = append(resp.Lines, n)
	}
	// What is brought from the cooler stands together.
	slices.SortStableFunc(resp.Lines, func(a, b *v1.IssueLine) int { return cmp.Compare(chilled(a), chilled(b)) })
	return resp, nil
}

func chilled(l *v1.IssueLine) int {
	if l.GetChilled() {
		return 1
	}
	return 0
}

func (s lots) SuggestSurplus(ctx context.Context, req *v1.SuggestSurplusRequest) (*v1.SuggestSurplusResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	var k *kitchen
	var in plan.Input
	err = s.view(ctx, func(tx commissary.Tx, at time.Time) (err error) {
		k, in, err = s.loadNight(tx, id, date, nextMinute(at))
		return err
	})
	if err != nil {
		return nil, err
	}
	d, err := plan.Dispatch(in)
	if err != nil {
		return nil, err
	}
	spares, err := plan.Surplus(in, d)
	if err != nil {
		return nil, err
	}
	resp := &v1.SuggestSurplusResponse{Site: k.Site()}
	for _, x := range spares {
		resp.Surpluses = append(resp.Surpluses, k.Surplus(x.Lot, x.Item, x.Pieces, x.BakeDate, x.Shop))
	}
	return resp, nil
}
