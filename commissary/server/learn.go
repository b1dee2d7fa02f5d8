package server

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/forecast"
)

// fitLife is for how many days a stored fit is proposed from: it reaches
// farther, but what has been counted since should be learned by then.
const fitLife = 14

// LearnDue learns what shops have sold since it was learned last, and keeps
// it, so that proposals need not. It is to be called every so often.
func (s *Server) LearnDue(ctx context.Context) error { return s.core.learnDue(ctx) }

func (c *core) learnDue(ctx context.Context) error {
	ids, err := c.kitchens(ctx)
	if err != nil {
		return err
	}
	for _, id := range ids {
		var due []commissary.Fit
		err := c.view(ctx, func(tx commissary.Tx, at time.Time) error {
			k, err := c.kitchen(tx, id, 0)
			if err != nil {
				return err
			}
			due, err = tx.Counts(id).Unlearned(k.zone.Date(at).AddDays(1 - historyDays))
			return err
		})
		if err != nil {
			return err
		}
		for of := range byShop(due) {
			if err := c.learnShop(ctx, id, of); err != nil {
				return err
			}
		}
	}
	return nil
}

// byShop are the runs of fits of one shop.
func byShop(all []commissary.Fit) iter.Seq[[]commissary.Fit] {
	return func(yield func([]commissary.Fit) bool) {
		for len(all) > 0 {
			n := 1
			for n < len(all) && all[n].Shop == all[0].Shop {
				n++
			}
			if !yield(all[:n]) {
				return
			}
			all = all[n:]
		}
	}
}

// learnShop learns items of one shop. It reads, learns outside of any
// transaction, and keeps the fits in one.
func (c *core) learnShop(ctx context.Context, id string, due []commissary.Fit) error {
	series := make([]forecast.Series, len(due))
	err := c.view(ctx, func(tx commissary.Tx, at time.Time) error {
		k, err := c.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		shop, _ := k.shop(due[0].Shop)
		sales, err := tx.Counts(id).Sales(due[0].Shop, k.zone.Date(at).AddDays(1-historyDays))
		if err != nil {
			return err
		}
		byItem := map[string][]commissary.Sale{}
		for _, v := range sales {
			byItem[v.Item] = append(byItem[v.Item], v)
		}
		for i, f := range due {
			series[i] = k.history(shop, f.Through, byItem[f.Item])[f.Item]
		}
		return nil
	})
	if err != nil {
		return err
	}
	learned := slices.Clone(due)
	for i, s := range series {
		fit, err := forecast.Learn(s)
		if err != nil {
			return err
		}
		if learned[i].Text, err = json.Marshal(fit); err != nil {
			return err
		}
	}
	return c.store.Update(ctx, func(tx commissary.Tx) error {
		for _, f := range learned {
			if err := tx.Counts(id).PutFit(f); err != nil {
				return err
			}
		}
		w := &writing{Tx: tx, at: c.instant(), who: serviceItself, call: "LearnDue"}
		return w.record(id, "kitchens/"+id+"/shops/"+due[0].Shop, "learned how %d items sell", len(learned))
	})
}

// stored returns what was learned of a shop's items up to a night. What has
// sold of late and is not kept, or is of later days or too old, is learned on
// the spot.
func (k *kitchen) stored(tx commissary.Tx, shop commissary.Shop, night civil.Date, late map[string]forecast.Series) (map[string]forecast.Fit, error) {
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
	lacking := false
	for item := range late {
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
