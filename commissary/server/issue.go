package server

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
	"doughrun/commissary/trace"
	v1 "doughrun/proto/doughrun/v1"
)

func (s lots) GetIssueSheet(ctx context.Context, req *v1.GetIssueSheetRequest) (*v1.GetIssueSheetResponse, error) {
	var p commissary.Plan
	var batches []commissary.Batch
	var shelf stock
	k, in, err := s.load(ctx, req.GetNight(), func(tx commissary.Tx, k *kitchen, date civil.Date, at time.Time) (err error) {
		if p, err = tx.Plans(k.id()).Newest(date); err != nil && commissary.KindOf(err) != commissary.NotFound {
			return err
		}
		posted, err := tx.Batches(k.id()).List(date, "", 0)
		if err != nil {
			return err
		}
		batches = nil
		for _, b := range posted {
			batches = append(batches, b.Batch)
		}
		shelf, err = k.stock(tx, at)
		return err
	})
	if err != nil {
		return nil, err
	}
	if p.Revision == 0 {
		if p, err = s.makePlan(ctx, in); err != nil {
			return nil, err
		}
		batches = post(p)
	}
	lines, err := k.issue(batches, shelf)
	return &v1.GetIssueSheetResponse{Site: k.Site(), PlanRevision: int32(p.Revision), Lines: lines}, err
}

// stock is what there is of ingredients, and which lots are in use.
type stock struct {
	at    time.Time
	lots  []commissary.Lot
	inUse map[string][]string // by ingredient
}

func (k *kitchen) stock(tx commissary.Tx, at time.Time) (stock, error) {
	s := stock{at: at, inUse: map[string][]string{}}
	var err error
	if s.lots, err = tx.Lots(k.id()).OnHand(); err != nil {
		return s, err
	}
	for _, i := range k.Ingredients {
		changes, err := tx.Lots(k.id()).Changes(i.ID)
		if err != nil {
			return s, err
		}
		for _, c := range trace.Carried(changes, at, at) {
			s.inUse[i.ID] = append(s.inUse[i.ID], c.Lot)
		}
	}
	return s, nil
}

// issue adds up what posted batches need that are not begun, beside what there
// is. What is in the vessels is booked when it comes out, but it is not there
// any more.
func (k *kitchen) issue(batches []commissary.Batch, s stock) ([]*v1.IssueLine, error) {
	needs, taken := map[string]*v1.IssueLine{}, map[string]int64{}
	for _, b := range batches {
		if b.State != commissary.BatchPosted && b.State != commissary.BatchMixing {
			continue
		}
		_, sheet, err := k.bought(b)
		if err != nil {
			return nil, err
		}
		for _, l := range sheet {
			if b.State == commissary.BatchMixing {
				taken[l.Ingredient] += int64(l.Mass)
				continue
			}
			n := needs[l.Ingredient]
			if n == nil {
				n = &v1.IssueLine{}
				needs[l.Ingredient] = n
			}
			n.NeededMassMg += int64(l.Mass)
			n.BatchIds = append(n.BatchIds, b.ID)
		}
	}
	var lines []*v1.IssueLine
	for _, i := range k.Ingredients {
		n := needs[i.ID]
		if n == nil {
			continue
		}
		n.IngredientId, n.IngredientName, n.Chilled, n.PackMassMg, n.LotCodes = i.ID, i.Name, i.Chilled, int64(i.Pack), s.inUse[i.ID]
		slices.Sort(n.BatchIds)
		if i.Pack > 0 {
			n.Packs = (n.NeededMassMg + int64(i.Pack) - 1) / int64(i.Pack)
		}
		for _, l := range s.lots {
			if l.Ingredient != i.ID || l.Place != commissary.AtKitchen {
				continue
			}
			n.Counted = true
			if free(l) != nil || k.inDate(l, nil, s.at) != nil {
				n.BlockedMassMg += int64(l.Mass)
			} else {
				n.OnHandMassMg += int64(l.Mass)
			}
		}
		n.OnHandMassMg = max(n.OnHandMassMg-taken[i.ID], 0)
		if n.Counted || len(n.LotCodes) > 0 {
			n.Counted = true
			n.ShortMassMg = max(n.NeededMassMg-n.OnHandMassMg, 0)
			n.Low = n.OnHandMassMg-n.NeededMassMg < max(int64(i.Pack), 1)
		}
		lines = append(lines, n)
	}
	// What is brought from the cooler stands together.
	slices.SortStableFunc(lines, func(a, b *v1.IssueLine) int { return cmp.Compare(chilled(a), chilled(b)) })
	return lines, nil
}

// scarce says of which ingredients too little is there for posted batches, or
// hardly enough.
func (k *kitchen) scarce(batches []commissary.Batch, s stock) ([]string, error) {
	lines, err := k.issue(batches, s)
	u := k.Book.Kitchen.Units
	var words []string
	for _, l := range lines {
		switch {
		case l.GetShortMassMg() > 0:
			words = append(words, fmt.Sprintf("%s is short: %s needed, %s there", l.GetIngredientName(), u.Mass(quantity.Mass(l.GetNeededMassMg())), u.Mass(quantity.Mass(l.GetOnHandMassMg()))))
		case l.GetLow():
			words = append(words, fmt.Sprintf("%s is low: less than a pack is left over", l.GetIngredientName()))
		}
	}
	return words, err
}

func chilled(l *v1.IssueLine) int {
	if l.GetChilled() {
		return 1
	}
	return 0
}

func (s lots) SuggestSurplus(ctx context.Context, req *v1.SuggestSurplusRequest) (*v1.SuggestSurplusResponse, error) {
	k, in, err := s.load(ctx, req.GetNight())
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
