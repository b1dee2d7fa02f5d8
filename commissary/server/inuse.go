package server

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/trace"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s lots) ChangeLotInUse(ctx context.Context, req *v1.ChangeLotInUseRequest) (*v1.ChangeLotInUseResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	sent, err := wire.ReadInUse(req)
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.ChangeLotInUseResponse, error) {
		c := sent
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		c.By = w.who
		if c.At.IsZero() {
			c.At = w.at
		}
		before, err := w.Lots(id).Changes(c.Ingredient)
		if err != nil {
			return nil, err
		}
		if err := k.judgeChange(w, &c, before); err != nil {
			return nil, err
		}
		if err := w.Lots(id).Change(c); err != nil {
			return nil, err
		}
		after, err := w.Lots(id).Changes(c.Ingredient)
		if err != nil {
			return nil, err
		}
		resp := &v1.ChangeLotInUseResponse{}
		if resp.PossibleBatchIds, err = k.retrace(w, c, before, after); err != nil {
			return nil, err
		}
		for _, carried := range trace.Carried(after, w.at, w.at) {
			l, err := k.lot(w.Tx, carried.Lot)
			if err != nil {
				return nil, err
			}
			resp.Lots = append(resp.Lots, l)
		}
		subject := wire.KitchenName(id)
		if c.Lot != "" {
			subject = wire.LotName(id, c.Lot)
		}
		if err := w.record(id, subject, "%s: %s at %s, possible in %d batches%s", c.Ingredient, strings.ToLower(string(c.Kind)), c.At.Format(time.RFC3339),
			len(resp.PossibleBatchIds), because(c.Why)); err != nil {
			return nil, err
		}
		return resp, nil
	})
}

// judgeChange refuses a change of use that cannot be, and completes the lot's code.
func (k *kitchen) judgeChange(w *writing, c *commissary.InUse, before []commissary.InUse) error {
	invalid := func(field, format string, args ...any) error {
		e := commissary.Refuse(commissary.Invalid, "CHANGE_INVALID", "the change cannot be; correct the field named here")
		e.Faults = []commissary.Fault{{Where: field, Text: fmt.Sprintf(format, args...)}}
		return e
	}
	ingredient, ok := k.ingredient(c.Ingredient)
	switch {
	case !ok:
		return invalid("ingredient_id", "%s", k.noIngredient(c.Ingredient))
	case c.At.After(w.at):
		return invalid("change_time", "%s is still to come", k.zone.Long(c.At))
	case len(before) > 0 && c.At.Before(before[len(before)-1].At):
		return invalid("change_time", "a later change is recorded already, at %s; changes are told in their order", k.zone.Long(before[len(before)-1].At))
	case c.Kind == commissary.CleanedOut && c.Lot != "":
		return invalid("lot_code", "a bin that was cleaned out holds no lot; tell the next lot as opened")
	case c.Kind == commissary.CleanedOut:
		return nil
	case c.Lot == "":
		return invalid("lot_code", "it is missing; write the code of the lot that is in use")
	}
	l, err := called(w.Lots(k.id()), c.Lot, append([]string{c.Ingredient}, ingredient.Substitutes...)...)
	if err != nil {
		return err
	}
	if c.Lot = l.Code; l.Ingredient != c.Ingredient && !slices.Contains(ingredient.Substitutes, l.Ingredient) {
		return invalid("lot_code", "lot %s is not of %s, nor of a substitute that the book names", l.Code, ingredient.Name)
	}
	if c.Kind == commissary.Found {
		return nil // it is in use whatever it is; holds cascade to what was made
	}
	if err := free(l); err != nil {
		return err
	}
	return k.inDate(l, append(before, *c), c.At)
}

// retrace keeps which batches carry a lot that only now is known to be in use,
// and puts their lots on hold where the lot is. It returns the batches that
// possibly carry it.
func (k *kitchen) retrace(w *writing, c commissary.InUse, before, after []commissary.InUse) ([]string, error) {
	if c.Lot == "" {
		return nil, nil
	}
	l, err := w.Lots(k.id()).Get(c.Lot)
	if err != nil {
		return nil, err
	}
	since := c.At
	if c.Kind == commissary.Found {
		// Not before it was there.
		since = l.Made
		if len(before) > 0 && before[len(before)-1].At.After(since) {
			since = before[len(before)-1].At
		}
	}
	var possible []string
	for date := k.zone.Date(since).AddDays(-k.lookBack()); date.Compare(k.zone.Date(w.at)) <= 0; date = date.AddDays(1) {
		batches, err := w.Batches(k.id()).List(date, "", 0)
		if err != nil {
			return nil, err
		}
		for _, b := range batches {
			o, out := b.Outcome()
			f, err := k.formula(b.Formula)
			if !out || err != nil || o.Made.Before(since) || !slices.ContainsFunc(f.Lines, func(x commissary.FormulaLine) bool { return x.Ingredient == c.Ingredient }) {
				continue
			}
			for _, carried := range trace.Carried(after, weighedFrom(b), o.Made) {
				if carried.Lot != c.Lot {
					continue
				}
				d := commissary.Draw{Batch: b.ID, Lot: c.Lot, Possible: carried.Possible}
				if err := w.Lots(k.id()).Draw(d); err != nil {
					return nil, err
				}
				made, err := w.Lots(k.id()).MadeBy([]string{b.ID})
				if err != nil {
					return nil, err
				}
				for _, m := range made {
					if _, err := w.inherit(k.id(), m.Code, []commissary.Draw{d}); err != nil {
						return nil, err
					}
				}
				if carried.Possible {
					possible = append(possible, b.ID)
				}
			}
		}
	}
	slices.Sort(possible)
	return possible, nil
}

// lookBack is how many nights before a day the plan that posted a batch of
// that day may be.
func (k *kitchen) lookBack() int { return max(k.Book.Kitchen.PlanDays, 1) + outDays }
