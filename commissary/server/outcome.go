package server

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
	"doughrun/commissary/trace"
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

// ingredients returns what a batch took of the lots in use, or of the ones
// that were noted, and what the records do not say. A lot past its use-by is
// refused unless somebody gives a reason.
func (k *kitchen) ingredients(tx commissary.Tx, b commissary.PostedBatch, o commissary.Outcome, noted []string, expired string) ([]commissary.Draw, []string, error) {
	f, err := k.formula(b.Formula)
	if err != nil {
		return nil, nil, err
	}
	sheet, err := formula.Weigh(k.Book, f, b.Mass)
	if err != nil {
		return nil, nil, err
	}
	byIngredient := map[string][]trace.Carry{}
	for i, code := range noted {
		l, err := tx.Lots(k.id()).Get(code)
		if err == nil && l.Ingredient == "" || commissary.KindOf(err) == commissary.NotFound {
			e := commissary.Refuse(commissary.Invalid, "LOT_UNKNOWN", "lot %s was never received; receive it, or correct the code", code)
			e.Faults = []commissary.Fault{{Where: fmt.Sprintf("actual.lot_codes[%d]", i), Text: "it is no ingredient lot"}}
			return nil, nil, e
		}
		if err != nil {
			return nil, nil, err
		}
		byIngredient[l.Ingredient] = append(byIngredient[l.Ingredient], trace.Carry{Lot: code})
	}
	var taken []commissary.Draw
	var notes []string
	for _, line := range sheet.Lines {
		if line.Ingredient == "" || line.Kind == commissary.Water {
			continue
		}
		changes, err := tx.Lots(k.id()).Changes(line.Ingredient)
		if err != nil {
			return nil, nil, err
		}
		carried := byIngredient[line.Ingredient]
		if carried == nil {
			carried = trace.Carried(changes, weighedFrom(b), o.Made)
		}
		need := line.Mass
		if o.Mass != b.Mass && b.Mass > 0 {
			if need, err = quantity.Scale(line.Mass, int64(o.Mass), int64(b.Mass), quantity.Nearest); err != nil {
				return nil, nil, err
			}
		}
		for i, c := range carried {
			l, err := tx.Lots(k.id()).Get(c.Lot)
			if err != nil {
				return nil, nil, err
			}
			if expired == "" && !c.Possible {
				if err := k.inDate(l, changes, o.Made); err != nil {
					return nil, nil, err
				}
			}
			d := commissary.Draw{Batch: b.ID, Lot: c.Lot, Possible: c.Possible}
			if !c.Possible || i == len(carried)-1 {
				d.Mass = min(need, l.Mass)
				need -= d.Mass
			}
			taken = append(taken, d)
		}
		ingredient, _ := k.ingredient(line.Ingredient)
		switch u := k.Book.Kitchen.Units; {
		case len(carried) > 0 && need > 0:
			notes = append(notes, fmt.Sprintf("%s of %s went in that the records of its lots in use do not hold; count them", u.Mass(need), ingredient.Name))
		case len(carried) == 0 && (ingredient.Traced || len(changes) > 0):
			notes = append(notes, fmt.Sprintf("no lot of %s is recorded as in use", ingredient.Name))
		}
	}
	return taken, notes, nil
}

// weighedFrom is when the weighing up for a batch began: as long before its
// start as planned.
func weighedFrom(b commissary.PostedBatch) time.Time {
	var weigh, mix time.Time
	for _, s := range b.Steps {
		switch {
		case s.Step == commissary.StepWeigh && weigh.IsZero():
			weigh = s.From
		case s.Step == commissary.StepMix && mix.IsZero():
			mix = s.From
		}
	}
	if weigh.IsZero() || mix.Before(weigh) {
		return b.Started
	}
	return b.Started.Add(weigh.Sub(mix))
}

// inDate refuses an ingredient lot that is past its use-by, unless a reason was
// given when it was taken into use.
func (k *kitchen) inDate(l commissary.Lot, changes []commissary.InUse, at time.Time) error {
	use := l.Receipt.UseBy
	if use.IsZero() || k.zone.Date(at).Compare(use) <= 0 {
		return nil
	}
	if slices.ContainsFunc(changes, func(c commissary.InUse) bool { return c.Lot == l.Code && c.Why != "" }) {
		return nil
	}
	e := commissary.Refuse(commissary.Precondition, "LOT_EXPIRED", "lot %s was to be used by %s; take another, or give the reason why it is used all the same, which is kept", l.Code, use.Short())
	e.Meta = map[string]string{"lot": l.Code, "use_by": use.String()}
	return e
}

// usable refuses to begin a batch whose ingredient lots in use must not be used.
func (k *kitchen) usable(tx commissary.Tx, b commissary.Batch, at time.Time) error {
	f, err := k.formula(b.Formula)
	if err != nil {
		return err
	}
	for _, line := range f.Lines {
		if line.Ingredient == "" {
			continue
		}
		changes, err := tx.Lots(k.id()).Changes(line.Ingredient)
		if err != nil {
			return err
		}
		for _, c := range trace.Carried(changes, at, at) {
			l, err := tx.Lots(k.id()).Get(c.Lot)
			if err != nil {
				return err
			}
			if err := free(l); err != nil {
				return err
			}
			if err := k.inDate(l, changes, at); err != nil {
				return err
			}
		}
	}
	return nil
}

// free refuses a lot that is on hold, and one whose allergens are not settled.
func free(l commissary.Lot) error {
	var e *commissary.Error
	switch {
	case l.Held != "":
		e = commissary.Refuse(commissary.Precondition, "LOT_HELD", "lot %s is on hold (%s); take another", l.Code, l.Held)
	case l.Receipt.Differs != "":
		e = commissary.Refuse(commissary.Precondition, "ALLERGENS_DIFFER", "lot %s must not be used yet: %s; change sheets and labels, tell the shops, then settle it", l.Code, l.Receipt.Differs)
	default:
		return nil
	}
	e.Meta = map[string]string{"lot": l.Code}
	return e
}

// use keeps what a batch took, and takes it from the stock.
func (w *writing) use(id, batch string, taken []commissary.Draw) error {
	for _, d := range taken {
		if err := w.Lots(id).Draw(d); err != nil {
			return err
		}
		if d.Mass == 0 {
			continue
		}
		if err := w.Lots(id).Move(commissary.Movement{Lot: d.Lot, Kind: commissary.Used, Mass: -d.Mass, At: w.at, By: w.who, Ref: batch}); err != nil {
			return err
		}
	}
	return nil
}

// inherit puts a new lot on hold for everything that what it was made from is
// held for, and returns the first reason.
func (w *writing) inherit(id, code string, taken []commissary.Draw) (string, error) {
	why := ""
	for _, d := range taken {
		holds, err := w.Lots(id).Holds(d.Lot)
		if err != nil {
			return "", err
		}
		for _, h := range holds {
			h.Lot, h.At, h.By = code, w.at, w.who
			if err := w.Lots(id).Hold(h); err != nil {
				return "", err
			}
			if why == "" {
				why = h.Why
			}
		}
	}
	return why, nil
}

// lotsOf returns the lots of a batch by what is in force of it: one for each
// item it makes, or one of its mass, less what sticks to the tub.
func (k *kitchen) lotsOf(b commissary.PostedBatch) ([]commissary.Lot, error) {
	o, ok := b.Outcome()
	if !ok {
		o = planned(b, b.Finished)
	}
	lot := commissary.Lot{Formula: b.Formula, Made: o.Made, Place: o.Place, Batch: b.ID}
	if len(o.Makes) == 0 {
		f, err := k.formula(b.Formula)
		if err != nil {
			return nil, err
		}
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
