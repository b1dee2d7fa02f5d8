package server

import (
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
	"doughrun/commissary/trace"
)

// ingredients returns what a batch took of the lots in use, or of the ones
// that were noted, and what the records do not say. A lot past its use-by is
// refused unless somebody gives a reason.
func (k *kitchen) ingredients(tx commissary.Tx, b commissary.PostedBatch, o commissary.Outcome, noted []string, expired string) ([]commissary.Draw, []string, error) {
	lines, err := k.weighed(tx, b, o.Mass, noted)
	if err != nil {
		return nil, nil, err
	}
	var taken []commissary.Draw
	var notes []string
	for _, line := range lines {
		changes, err := tx.Lots(k.id()).Changes(line.ID)
		if err != nil {
			return nil, nil, err
		}
		carried := line.noted
		if carried == nil {
			carried = trace.Carried(changes, weighedFrom(b), o.Made)
		}
		need := line.need
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
		switch {
		case len(carried) > 0 && need > 0:
			notes = append(notes, k.unrecorded(need, line.ID))
		case len(carried) == 0 && (line.Traced || len(changes) > 0):
			notes = append(notes, fmt.Sprintf("no lot of %s is recorded as in use", line.Name))
		}
	}
	return taken, notes, nil
}

func (k *kitchen) unrecorded(mass quantity.Mass, ingredient string) string {
	i, _ := k.ingredient(ingredient)
	return fmt.Sprintf("%s of %s went in that the records of its lots in use do not hold; count them", k.Book.Kitchen.Units.Mass(mass), i.Name)
}

// weighed is one ingredient of a batch's sheet: how much of it went in, and
// which lots were noted.
type weighed struct {
	commissary.Ingredient
	need  quantity.Mass
	noted []trace.Carry
}

// weighed returns what a batch that came to a mass took of every ingredient
// but water, in the sheet's order, with the lots that were noted. A noted lot
// may be of a substitute that the book names.
func (k *kitchen) weighed(tx commissary.Tx, b commissary.PostedBatch, mass quantity.Mass, noted []string) ([]weighed, error) {
	f, sheet, err := k.bought(b.Batch)
	if err != nil {
		return nil, err
	}
	var lines []weighed
	for _, line := range sheet {
		need := line.Mass
		if mass != b.Mass && b.Mass > 0 {
			if need, err = quantity.Scale(line.Mass, int64(mass), int64(b.Mass), quantity.Nearest); err != nil {
				return nil, err
			}
		}
		ingredient, _ := k.ingredient(line.Ingredient)
		lines = append(lines, weighed{Ingredient: ingredient, need: need})
	}
	var of []string
	for _, line := range lines {
		of = append(append(of, line.ID), line.Substitutes...)
	}
	for i, code := range noted {
		unknown := func(text, why string, args ...any) error {
			e := commissary.Refuse(commissary.Invalid, "LOT_UNKNOWN", text, args...)
			e.Faults = []commissary.Fault{{Where: fmt.Sprintf("actual.lot_codes[%d]", i), Text: why}}
			return e
		}
		l, err := called(tx.Lots(k.id()), code, of...)
		if err == nil && l.Ingredient == "" || commissary.KindOf(err) == commissary.NotFound {
			return nil, unknown("lot %s was never received; receive it, or correct the code", "it is no ingredient lot", code)
		}
		if err != nil {
			return nil, err
		}
		at := slices.IndexFunc(lines, func(x weighed) bool { return x.ID == l.Ingredient })
		if at < 0 {
			at = slices.IndexFunc(lines, func(x weighed) bool { return slices.Contains(x.Substitutes, l.Ingredient) })
		}
		if at < 0 {
			return nil, unknown("lot %s is of %s, which %s has none of; correct the code", "it is of an ingredient that does not go in", code, l.Ingredient, f.Name)
		}
		lines[at].noted = append(lines[at].noted, trace.Carry{Lot: l.Code})
	}
	return lines, nil
}

// bought returns a batch's formula and, of its sheet, the ingredients but water.
func (k *kitchen) bought(b commissary.Batch) (commissary.Formula, []formula.SheetLine, error) {
	f, err := k.formula(b.Formula)
	if err != nil {
		return f, nil, err
	}
	sheet, err := formula.Weigh(k.Book, f, b.Mass)
	return f, slices.DeleteFunc(sheet.Lines, func(l formula.SheetLine) bool { return l.Ingredient == "" || l.Kind == commissary.Water }), err
}

// rebooked returns what a corrected batch took of ingredient lots where that
// is not what the record before says, and what the records do not say. Noted
// lots stand in for the ones recorded before, which stay as possible: what was
// once written down is not erased. drawn is what is recorded.
func (k *kitchen) rebooked(tx commissary.Tx, b commissary.PostedBatch, before, o commissary.Outcome, noted []string, drawn []commissary.Draw) ([]commissary.Draw, []string, error) {
	lines, err := k.weighed(tx, b, o.Mass, noted)
	if err != nil {
		return nil, nil, err
	}
	var taken []commissary.Draw
	var notes []string
	for _, line := range lines {
		if line.noted == nil && o.Mass == before.Mass {
			continue
		}
		var now []commissary.Draw
		left := map[string]quantity.Mass{} // beside what the batch has
		sure := false
		for _, d := range drawn {
			l, err := tx.Lots(k.id()).Get(d.Lot)
			if err != nil {
				return nil, nil, err
			}
			if l.Ingredient != line.ID && !slices.Contains(line.Substitutes, l.Ingredient) {
				continue
			}
			if line.noted != nil {
				d.Possible = !slices.ContainsFunc(line.noted, func(c trace.Carry) bool { return c.Lot == d.Lot })
			}
			left[d.Lot] = l.Mass
			sure = sure || !d.Possible
			now = append(now, d)
		}
		for _, c := range line.noted {
			if slices.ContainsFunc(now, func(d commissary.Draw) bool { return d.Lot == c.Lot }) {
				continue
			}
			l, err := tx.Lots(k.id()).Get(c.Lot)
			if err != nil {
				return nil, nil, err
			}
			left[c.Lot], sure = l.Mass, true
			now = append(now, commissary.Draw{Batch: b.ID, Lot: c.Lot})
		}
		// What it has stays where it is as far as it is needed; only lots that
		// surely went in give more.
		need := line.need
		for i := range now {
			has := now[i].Mass
			if now[i].Possible && line.noted != nil {
				has = 0
			}
			now[i].Mass = min(has, need)
			need -= now[i].Mass
		}
		for i := range now {
			if now[i].Possible && (sure || i < len(now)-1) {
				continue
			}
			more := min(left[now[i].Lot], need)
			now[i].Mass += more
			need -= more
		}
		taken = append(taken, now...)
		if need > 0 && len(now) > 0 {
			notes = append(notes, k.unrecorded(need, line.ID))
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
func (w *writing) use(id string, taken []commissary.Draw) error {
	for _, d := range taken {
		if err := w.Lots(id).Draw(d); err != nil {
			return err
		}
		if err := w.took(id, d, ""); err != nil {
			return err
		}
	}
	return nil
}

// reuse keeps what a batch took by a correction, and moves the difference to
// what was recorded before.
func (w *writing) reuse(id string, before, taken []commissary.Draw, why string) error {
	for _, d := range taken {
		if err := w.Lots(id).Redraw(d); err != nil {
			return err
		}
		if i := slices.IndexFunc(before, func(x commissary.Draw) bool { return x.Lot == d.Lot }); i >= 0 {
			d.Mass -= before[i].Mass
			d.Pieces -= before[i].Pieces
		}
		if err := w.took(id, d, why); err != nil {
			return err
		}
	}
	return nil
}

// took moves what a batch took, or gave back where it is below zero, out of the stock.
func (w *writing) took(id string, d commissary.Draw, why string) error {
	m := commissary.Movement{Lot: d.Lot, Kind: commissary.Used, Mass: -d.Mass, At: w.at, By: w.who, Ref: d.Batch, Why: why}
	if d.Pieces != 0 {
		m.Pieces, m.Mass = -d.Pieces, 0 // dough is counted
	}
	if m.Pieces == 0 && m.Mass == 0 {
		return nil
	}
	return w.Lots(id).Move(m)
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
