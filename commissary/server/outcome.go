package server

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
	"doughrun/commissary/wire"
)

// planned is the outcome of a batch that goes as planned. Age zero is the end
// of mixing: as long after the start as it was planned, and no later than now.
func planned(b commissary.PostedBatch, at time.Time) commissary.Outcome {
	made := at
	for _, s := range b.Steps {
		if s.Step != commissary.StepMix {
			continue
		}
		if t := b.Started.Add(b.MixEnd.Sub(s.From)); t.Before(made) {
			made = t
		}
		break
	}
	return commissary.Outcome{Made: made, Mass: b.Mass, Makes: b.Makes, Place: commissary.AtKitchen}
}

// outcome is what a baker noted, laid over what was planned or recorded
// before. It refuses what cannot be, and, unless it is confirmed, what is far
// from the plan.
func (k *kitchen) outcome(w *writing, b commissary.PostedBatch, before commissary.Outcome, a wire.Actual, confirmed bool) (commissary.Outcome, error) {
	o := before
	o.At, o.By, o.Why, o.Far, o.Notes = w.at, w.who, "", nil, nil
	o.Makes = slices.Clone(before.Makes)
	if a.Probed {
		o.Temp, o.Probed = a.Temp, true
	}
	if a.Mass > 0 {
		o.Mass = a.Mass
	}
	if !a.Made.IsZero() {
		o.Made = a.Made.Truncate(time.Second)
	}
	if a.Place != "" {
		o.Place = a.Place
	}
	var faults []commissary.Fault
	fault := func(where, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: "actual." + where, Text: fmt.Sprintf(format, args...)})
	}
	for i, m := range a.Makes {
		item, ok := k.item(m.Item)
		if !ok || item.Formula != b.Formula {
			fault(fmt.Sprintf("pieces[%d].item_id", i), "%q is not made from %s", m.Item, b.Formula)
			continue
		}
		if slices.ContainsFunc(a.Makes[:i], func(x commissary.Making) bool { return x.Item == m.Item }) {
			fault(fmt.Sprintf("pieces[%d].item_id", i), "%q stands twice; write one number", m.Item)
			continue
		}
		if j := slices.IndexFunc(o.Makes, func(x commissary.Making) bool { return x.Item == m.Item }); j >= 0 {
			o.Makes[j].Pieces = m.Pieces
		} else {
			o.Makes = append(o.Makes, m)
		}
	}
	if o.Made.Before(b.Started) || o.Made.After(w.at) {
		fault("mix_end_time", "%s is not between the start, %s, and now, %s", k.zone.Long(o.Made), k.zone.Long(b.Started), k.zone.Long(w.at))
	}
	if _, ok := k.shop(o.Place); !ok && o.Place != commissary.AtKitchen {
		fault("place", "%q is neither the kitchen nor a shop of the book", o.Place)
	}
	if len(faults) > 0 {
		e := commissary.Refuse(commissary.Invalid, "OUTCOME_INVALID", "what was noted of batch %s cannot be; correct the fields named here", b.ID)
		e.Faults = faults
		return o, e
	}
	if err := k.given(b, o); err != nil {
		return o, err
	}
	o.Far = k.far(b, o)
	if len(o.Far) > 0 && !confirmed {
		e := commissary.Refuse(commissary.Precondition, "FAR_FROM_PLAN", "batch %s is far from its plan: %s. If it is so, confirm it", b.ID, strings.Join(o.Far, "; "))
		e.Meta = map[string]string{"batch": b.ID}
		return o, e
	}
	return o, nil
}

// given refuses more pieces than the dough can give, each at the low edge of
// its tolerance and nothing lost.
func (k *kitchen) given(b commissary.PostedBatch, o commissary.Outcome) error {
	var need quantity.Mass
	var pieces quantity.Pieces
	for _, m := range o.Makes {
		item, ok := k.item(m.Item)
		if !ok {
			return commissary.Refuse(commissary.Precondition, "ITEM_GONE", "batch %s makes %q, which the kitchen book no longer has: adopt a book that has it, then finish the batch", b.ID, m.Item)
		}
		least, err := quantity.Scale(item.Mass, int64(quantity.Whole-item.Tolerance), int64(quantity.Whole), quantity.Down)
		if err != nil {
			return err
		}
		all, err := quantity.Scale(least, int64(m.Pieces), 1, quantity.Down)
		if err != nil {
			return err
		}
		need, pieces = need+all, pieces+m.Pieces
	}
	if need <= o.Mass {
		return nil
	}
	u := k.Book.Kitchen.Units
	e := commissary.Refuse(commissary.Precondition, "TOO_MANY_PIECES", "%d pieces need %s at the least, and %s went through the vessel of batch %s; count again, or write down the mass",
		pieces, u.Mass(need), u.Mass(o.Mass), b.ID)
	e.Meta = map[string]string{"batch": b.ID}
	return e
}

// far says what of an outcome is far from its plan.
func (k *kitchen) far(b commissary.PostedBatch, o commissary.Outcome) []string {
	var far []string
	u := k.Book.Kitchen.Units
	f, _ := k.formula(b.Formula)
	if off := o.Temp - f.Target; o.Probed && f.Target != 0 && max(off, -off) > commissary.FarTemp {
		far = append(far, fmt.Sprintf("the dough is at %s, %s is the target", u.Temp(o.Temp), u.Temp(f.Target)))
	}
	if off := o.Made.Sub(b.MixEnd); off.Abs() > commissary.FarTime {
		far = append(far, fmt.Sprintf("mixing ended %s, planned was %s", k.zone.Short(o.Made), k.zone.Short(b.MixEnd)))
	}
	if beyond(int64(o.Mass), int64(b.Mass), commissary.FarMass) {
		far = append(far, fmt.Sprintf("%s went through the vessel, planned were %s", u.Mass(o.Mass), u.Mass(b.Mass)))
	}
	for _, m := range o.Makes {
		var want quantity.Pieces
		for _, p := range b.Makes {
			if p.Item == m.Item {
				want = p.Pieces
			}
		}
		if beyond(int64(m.Pieces), int64(want), commissary.FarPieces) {
			item, _ := k.item(m.Item)
			far = append(far, fmt.Sprintf("%d × %s came out, planned were %d", m.Pieces, item.Name, want))
		}
	}
	return far
}

// beyond reports whether a number is further from the planned one than a share of it.
func beyond(is, planned int64, share quantity.PPM) bool {
	off := is - planned
	most, err := quantity.MulDiv(planned, int64(share), int64(quantity.Whole), quantity.Down)
	return err != nil || max(off, -off) > most
}

func sentences(far []string) string {
	if len(far) == 0 {
		return ""
	}
	return "; confirmed: " + strings.Join(far, "; ")
}

// lotsOf returns the lots of a batch by what is in force of it: one for each
// item it makes, or one of its mass, less what sticks to the tub.
func (k *kitchen) lotsOf(b commissary.PostedBatch) ([]commissary.Lot, error) {
	o, ok := b.Outcome()
	if !ok {
		o = planned(b, b.Finished)
	}
	f, err := k.formula(b.Formula)
	if err != nil {
		return nil, err
	}
	lot := commissary.Lot{Formula: b.Formula, Made: o.Made, Place: o.Place, Batch: b.ID}
	if o.Probed && f.Kind == commissary.Dough {
		lot.Off = o.Temp - f.Target
	}
	if len(o.Makes) == 0 {
		out, err := formula.ComesOut(f, o.Mass)
		if err != nil {
			return nil, err
		}
		lot.Code, lot.Mass = commissary.LotCode(b.ID, 0), out
		return []commissary.Lot{lot}, nil
	}
	var lots []commissary.Lot
	for i, m := range o.Makes {
		lot.Code, lot.Item, lot.Pieces = commissary.LotCode(b.ID, i+1), m.Item, m.Pieces
		lots = append(lots, lot)
	}
	return lots, nil
}

func (k *kitchen) formula(id string) (commissary.Formula, error) {
	i := slices.IndexFunc(k.Formulas, func(f commissary.Formula) bool { return f.ID == id })
	if i < 0 {
		return commissary.Formula{}, commissary.Refuse(commissary.Precondition, "FORMULA_GONE", "the kitchen book no longer has formula %q: adopt a book that has it, then go on", id)
	}
	return k.Formulas[i], nil
}

func (k *kitchen) ingredient(id string) (commissary.Ingredient, bool) {
	i := slices.IndexFunc(k.Ingredients, func(x commissary.Ingredient) bool { return x.ID == id })
	if i < 0 {
		return commissary.Ingredient{ID: id, Name: id}, false
	}
	return k.Ingredients[i], true
}
