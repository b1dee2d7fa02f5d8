package server

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
	"doughrun/commissary/trace"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s lots) ReceiveLot(ctx context.Context, req *v1.ReceiveLotRequest) (*v1.ReceiveLotResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	receipt, err := wire.ReadReceipt(req)
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.ReceiveLotResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		ingredient, ok := k.ingredient(req.GetIngredientId())
		code := commissary.IngredientLotCode(ingredient.ID, receipt.Printed)
		if !ok || strings.HasSuffix(code, ".") || len(code) > 64 {
			e := commissary.Refuse(commissary.Invalid, "RECEIPT_INVALID", "the delivery cannot be taken in; correct the field named here")
			if ok {
				e.Faults = []commissary.Fault{{Where: "printed_code", Text: fmt.Sprintf("%q gives no lot code; write letters and digits, at most %d", receipt.Printed, 63-len(ingredient.ID))}}
			} else {
				e.Faults = []commissary.Fault{{Where: "ingredient_id", Text: fmt.Sprintf("there is no ingredient %q in the kitchen's book", ingredient.ID)}}
			}
			return nil, e
		}
		if req.GetAllergensRead() {
			receipt.Differs = differs(ingredient, receipt.Allergens)
		}
		was, err := w.Lots(id).Get(code)
		switch {
		case err != nil && commissary.KindOf(err) != commissary.NotFound:
			return nil, err
		case err != nil:
			l := commissary.Lot{Code: code, Ingredient: ingredient.ID, Made: w.at, Receipt: receipt}
			if err := w.Lots(id).Create(l); err != nil {
				return nil, err
			}
		case was.Receipt.Supplier != receipt.Supplier || was.Receipt.UseBy != receipt.UseBy:
			e := commissary.Refuse(commissary.Precondition, "LOT_DIFFERS", "lot %s was received from %s with use-by %q before; correct this delivery, or add a letter to its code",
				code, was.Receipt.Supplier, was.Receipt.UseBy)
			e.Meta = map[string]string{"lot": code}
			return nil, e
		case receipt.Differs != "" && was.Receipt.Settled == "":
			was.Receipt.Differs, was.Receipt.Allergens = receipt.Differs, receipt.Allergens
			if err := w.Lots(id).Amend(was); err != nil {
				return nil, err
			}
		}
		m := commissary.Movement{Lot: code, Kind: commissary.Received, Mass: quantity.Mass(req.GetMassMg()), At: w.at, By: w.who, Ref: receipt.Document}
		if err := w.Lots(id).Move(m); err != nil {
			return nil, err
		}
		warn := ""
		if receipt.Differs != "" {
			warn = "; use blocked: " + receipt.Differs
		}
		if err := w.record(id, wire.LotName(id, code), "received %s from %s%s", m.Mass, receipt.Supplier, warn); err != nil {
			return nil, err
		}
		l, err := k.lot(w.Tx, code)
		if err != nil {
			return nil, err
		}
		return &v1.ReceiveLotResponse{Lot: l}, nil
	})
}

// differs says how declared allergens differ from those of the book.
func differs(i commissary.Ingredient, declared []commissary.Allergen) string {
	list := func(a, b []commissary.Allergen) string {
		var names []string
		for _, x := range a {
			if !slices.Contains(b, x) && x != commissary.RefinedSoyOil {
				names = append(names, string(x))
			}
		}
		slices.Sort(names)
		return strings.Join(slices.Compact(names), ", ")
	}
	var parts []string
	if more := list(declared, i.Allergens); more != "" {
		parts = append(parts, "it declares "+more+", which the book does not have")
	}
	if less := list(i.Allergens, declared); less != "" {
		parts = append(parts, "it does not declare "+less+", which the book has")
	}
	return strings.Join(parts, "; ")
}

func (s lots) SettleLot(ctx context.Context, req *v1.SettleLotRequest) (*v1.SettleLotResponse, error) {
	id, code, err := wire.ParseLot(req.GetName())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.SettleLotResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		l, err := w.Lots(id).Get(code)
		if err != nil {
			return nil, err
		}
		if l.Receipt.Differs == "" {
			e := commissary.Refuse(commissary.Precondition, "NOTHING_DIFFERS", "lot %s does not differ from the book, or is settled already", code)
			e.Meta = map[string]string{"lot": code}
			return nil, e
		}
		was := l.Receipt.Differs
		l.Receipt.Differs, l.Receipt.Settled = "", w.who+": "+req.GetReason()
		if err := w.Lots(id).Amend(l); err != nil {
			return nil, err
		}
		if err := w.record(id, wire.LotName(id, code), "allergens settled (%s): %s", was, req.GetReason()); err != nil {
			return nil, err
		}
		now, err := k.lot(w.Tx, code)
		if err != nil {
			return nil, err
		}
		return &v1.SettleLotResponse{Lot: now}, nil
	})
}

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
		return invalid("ingredient_id", "there is no ingredient %q in the kitchen's book", c.Ingredient)
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
	l, err := w.Lots(k.id()).Get(c.Lot)
	// People type what is printed on the sack.
	for _, of := range append([]string{c.Ingredient}, ingredient.Substitutes...) {
		if commissary.KindOf(err) == commissary.NotFound {
			l, err = w.Lots(k.id()).Get(commissary.IngredientLotCode(of, c.Lot))
		}
	}
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
		f, err := k.formula(b.Formula)
		if err != nil {
			return nil, err
		}
		sheet, err := formula.Weigh(k.Book, f, b.Mass)
		if err != nil {
			return nil, err
		}
		for _, l := range sheet.Lines {
			if l.Ingredient == "" || l.Kind == commissary.Water {
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

// declaredFor is how long what a lot declares beyond the book counts after
// another replaced it: what was made with it has left by then.
const declaredFor = 14 * 24 * time.Hour

// declaring returns the kitchen with its ingredients declaring, beside what
// the book says, what the lots in use of late declare, and a sentence for each
// difference by ingredient. Sheets, labels, plans and manifests made with it
// say the same.
func (k *kitchen) declaring(tx commissary.Tx, at time.Time) (*kitchen, map[string]string, error) {
	changed := map[string]string{}
	wide := *k
	for i, ingredient := range k.Ingredients {
		changes, err := tx.Lots(k.id()).Changes(ingredient.ID)
		if err != nil {
			return nil, nil, err
		}
		for n, c := range changes {
			replaced := n+1 < len(changes) && changes[n+1].At.Before(at.Add(-declaredFor))
			if c.Lot == "" || replaced {
				continue
			}
			l, err := tx.Lots(k.id()).Get(c.Lot)
			if err != nil {
				return nil, nil, err
			}
			declared := l.Receipt.Allergens
			if l.Ingredient != ingredient.ID {
				substitute, _ := k.ingredient(l.Ingredient)
				declared = append(slices.Clone(declared), substitute.Allergens...)
				slices.Sort(declared)
				declared = slices.Compact(declared)
			}
			for _, a := range declared {
				if slices.Contains(wide.Ingredients[i].Allergens, a) {
					continue
				}
				if len(changed) == 0 {
					wide.Ingredients = slices.Clone(k.Ingredients)
				}
				wide.Ingredients[i].Allergens = append(slices.Clone(wide.Ingredients[i].Allergens), a)
				slices.Sort(wide.Ingredients[i].Allergens)
				changed[ingredient.ID] = fmt.Sprintf("ALLERGENS CHANGED: %s, lot %s, declares %s.", ingredient.Name, l.Code, list(declared))
			}
		}
	}
	return &wide, changed, nil
}

func list(allergens []commissary.Allergen) string {
	var names []string
	for _, a := range allergens {
		names = append(names, string(a))
	}
	return strings.Join(names, ", ")
}
