package server

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/forecast"
)

// fitLife is for how many days a stored fit is proposed from: it reaches
// farther, but what has been counted since should be learned by then.
const fitLife = 14

// learnAtOnce is how many items are learned between two looks at the clock of
// whoever waits for the store.
const learnAtOnce = 60

// LearnDue learns what shops have sold since it was learned last, and keeps
// it, so that proposals need not. It is to be called every so often.
func (s *Server) LearnDue(ctx context.Context) error { return s.core.learnDue(ctx) }

func (c *core) learnDue(ctx context.Context) error {
	var ids []string
	err := c.view(ctx, func(tx commissary.Tx, _ time.Time) (err error) {
		ids, err = tx.Kitchens()
		return err
	})
	if err != nil {
		return err
	}
	for _, id := range ids {
		for {
			n, err := c.learnSome(ctx, id)
			if err != nil {
				return err
			}
			if n == 0 {
				break
			}
		}
	}
	return nil
}

// learnSome learns a few items of a kitchen and returns how many. It reads,
// learns outside of any transaction, and keeps the fits in one.
func (c *core) learnSome(ctx context.Context, id string) (int, error) {
	var due []commissary.Fit
	var learned []forecast.Series
	err := c.view(ctx, func(tx commissary.Tx, at time.Time) error {
		due, learned = nil, nil
		k, err := c.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		since := k.zone.Date(at).AddDays(1 - historyDays)
		if due, err = tx.Counts(id).Unlearned(since, learnAtOnce); err != nil {
			return err
		}
		var shop string
		var sales []commissary.Sale
		for _, f := range due {
			if f.Shop != shop {
				shop = f.Shop
				if sales, err = tx.Counts(id).Sales(shop, since); err != nil {
					return err
				}
			}
			of, _ := k.shop(shop)
			var own []commissary.Sale
			for _, v := range sales {
				if v.Item == f.Item {
					own = append(own, v)
				}
			}
			learned = append(learned, k.history(of, f.Through, own)[f.Item])
		}
		return nil
	})
	if err != nil || len(due) == 0 {
		return 0, err
	}
	for i, s := range learned {
		fit, err := forecast.Learn(s)
		if err != nil {
			return 0, err
		}
		if due[i].Text, err = json.Marshal(fit); err != nil {
			return 0, err
		}
	}
	return len(due), c.store.Update(ctx, func(tx commissary.Tx) error {
		for _, f := range due {
			if err := tx.Counts(id).PutFit(f); err != nil {
				return err
			}
		}
		return nil
	})
}

// stored returns what was learned of a shop's items up to a night. What is not
// kept, is of later days or too old is learned on the spot.
func (k *kitchen) stored(tx commissary.Tx, shop commissary.Shop, night civil.Date) (map[string]forecast.Fit, error) {
	kept, err := tx.Counts(k.id()).Fits(shop.ID)
	if err != nil {
		return nil, err
	}
	fits := map[string]forecast.Fit{}
	for _, f := range kept {
		if f.Through.Compare(night) > 0 || night.Days(f.Through) > fitLife {
			continue
		}
		var fit forecast.Fit
		if err := json.Unmarshal(f.Text, &fit); err != nil {
			return nil, fmt.Errorf("what was learned of %s at %s cannot be read: %w", f.Item, shop.ID, err)
		}
		fits[f.Item] = fit
	}
	sold, err := tx.Counts(k.id()).Sold(shop.ID, night.AddDays(1-historyDays), night)
	if err != nil {
		return nil, err
	}
	lacking := false
	for _, item := range sold {
		_, have := fits[item]
		lacking = lacking || !have
	}
	if !lacking {
		return fits, nil
	}
	sales, err := tx.Counts(k.id()).Sales(shop.ID, night.AddDays(1-historyDays))
	if err != nil {
		return nil, err
	}
	for item, s := range k.history(shop, night, sales) {
		if _, have := fits[item]; have {
			continue
		}
		if fits[item], err = forecast.Learn(s); err != nil {
			return nil, err
		}
	}
	return fits, nil
}
