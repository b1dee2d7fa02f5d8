package server

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// reworked returns what of dough on hand was worked into a batch, and a note
// of each. It takes no more than the formula's share, nothing that brings an
// allergen the batch has not, and nothing that is past its own time. drawn is
// what was recorded before, which a correction replaces.
func (k *kitchen) reworked(tx commissary.Tx, b commissary.PostedBatch, o commissary.Outcome, noted []wire.Rework, drawn []commissary.Draw) ([]commissary.Draw, []string, error) {
	if len(noted) == 0 {
		return nil, nil, nil
	}
	f, err := k.formula(b.Formula)
	if err != nil {
		return nil, nil, err
	}
	refuse := func(reason, lot, format string, args ...any) ([]commissary.Draw, []string, error) {
		e := commissary.Refuse(commissary.Precondition, reason, format, args...)
		e.Meta = map[string]string{"batch": b.ID, "lot": lot}
		return nil, nil, e
	}
	wide, _, err := k.declaring(tx, o.At)
	if err != nil {
		return nil, nil, err
	}
	has, err := safety.Allergens(wide.Book, b.Formula)
	if err != nil {
		return nil, nil, err
	}
	taken := map[string]commissary.Draw{}
	for _, d := range drawn {
		if d.Pieces > 0 {
			taken[d.Lot] = commissary.Draw{Batch: b.ID, Lot: d.Lot, Possible: true}
		}
	}
	var all quantity.Mass
	var notes []string
	for i, n := range noted {
		fault := func(text string) ([]commissary.Draw, []string, error) {
			e := commissary.Refuse(commissary.Invalid, "REWORK_INVALID", "lot %s cannot have been worked into batch %s; correct the field named here", n.Lot, b.ID)
			e.Faults = []commissary.Fault{{Where: fmt.Sprintf("actual.reworked[%d]", i), Text: text}}
			return nil, nil, e
		}
		l, err := tx.Lots(k.id()).Get(n.Lot)
		if err != nil && commissary.KindOf(err) != commissary.NotFound {
			return nil, nil, err
		}
		item, known := k.item(l.Item)
		switch {
		case err != nil:
			return fault("there is no such lot")
		case !known || item.Kind != commissary.Ball || f.Kind != commissary.Dough:
			return fault("only dough is worked in again, and only into dough")
		case l.Batch == b.ID:
			return fault("it came out of this batch")
		case slices.ContainsFunc(noted[:i], func(x wire.Rework) bool { return x.Lot == n.Lot }):
			return fault("it stands twice; write one number")
		}
		if n.Pieces == 0 {
			continue
		}
		if err := free(l); err != nil {
			return nil, nil, err
		}
		if by := k.keeps(l); !by.After(o.Made) {
			return refuse("LOT_EXPIRED", l.Code, "lot %s was to be used by %s; throw it away, it is not worked in again", l.Code, k.zone.Short(by))
		}
		brings, err := safety.Allergens(wide.Book, l.Formula)
		if err != nil {
			return nil, nil, err
		}
		if !safety.MayFollow(brings, has) {
			brings = slices.DeleteFunc(brings, func(a commissary.Allergen) bool { return slices.Contains(has, a) })
			return refuse("ALLERGENS_DIFFER", l.Code, "lot %s brings %s, which %s has not; it is not worked in again here", l.Code, list(brings), f.Name)
		}
		mass, err := quantity.Scale(item.Mass, int64(n.Pieces), 1, quantity.Nearest)
		if err != nil {
			return nil, nil, err
		}
		all += mass
		taken[l.Code] = commissary.Draw{Batch: b.ID, Lot: l.Code, Pieces: n.Pieces, Mass: mass}
		notes = append(notes, fmt.Sprintf("%d × %s of lot %s were worked in", n.Pieces, item.Name, l.Code))
	}
	most, err := quantity.Scale(o.Mass, int64(f.Rework), int64(quantity.Whole), quantity.Down)
	if err != nil {
		return nil, nil, err
	}
	if u := k.Book.Kitchen.Units; all > most {
		return refuse("REWORK_TOO_MUCH", "", "%s of dough worked in again is more than %s, which the book allows %s (its key \"rework\"); take less, and throw the rest away", u.Mass(all), u.Mass(most), f.Name)
	}
	var draws []commissary.Draw
	for _, d := range taken {
		draws = append(draws, d)
	}
	slices.SortFunc(draws, func(a, b commissary.Draw) int { return strings.Compare(a.Lot, b.Lot) })
	return draws, notes, nil
}

// keeps is until when a lot of what was made may be used at the kitchen, the
// shortest of the items made from it where it is none; zero for no limit.
func (k *kitchen) keeps(l commissary.Lot) time.Time {
	by := l.NotAfter
	for _, it := range k.Items {
		if it.ID != l.Item && (l.Item != "" || it.Formula != l.Formula) {
			continue
		}
		if at := plan.UseWindow(&k.Book, k.zone, l, it, commissary.Shop{}, l.Made).By; by.IsZero() || at.Before(by) {
			by = at
		}
	}
	return by
}

// notAfter is the end of the earliest use of what a batch took, which what
// came out of it must not outlive; zero for no limit. Dough worked in again and
// made preps bind everything; what was bought in binds preps only, as combined
// food keeps the earliest date of its ingredients (Food Code 2022, 3-501.17 D),
// and not where somebody gave a reason to use it past its date.
func (k *kitchen) notAfter(tx commissary.Tx, b commissary.PostedBatch, o commissary.Outcome, drawn []commissary.Draw) (time.Time, error) {
	f, err := k.formula(b.Formula)
	if err != nil {
		return time.Time{}, err
	}
	var first time.Time
	for _, d := range drawn {
		l, err := tx.Lots(k.id()).Get(d.Lot)
		if err != nil {
			return first, err
		}
		var by time.Time
		switch use := l.Receipt.UseBy; {
		case l.Ingredient != "":
			if f.Kind == commissary.Prep && !use.IsZero() && use.Compare(k.zone.Date(o.Made)) >= 0 {
				by = k.zone.Instant(use.AddDays(1), 0)
			}
		case l.Item != "" && d.Pieces == 0: // taken back by a correction
		default:
			if from, err := k.formula(l.Formula); err == nil && from.Kind != commissary.Preferment {
				by = k.keeps(l)
			}
		}
		if !by.IsZero() && (first.IsZero() || by.Before(first)) {
			first = by
		}
	}
	return first, nil
}

// windowed writes when a lot may be used, kept at the kitchen.
func (k *kitchen) windowed(m *v1.Lot, l commissary.Lot) *v1.Lot {
	if it, ok := k.item(l.Item); ok {
		u := plan.UseWindow(&k.Book, k.zone, l, it, commissary.Shop{}, l.Made)
		m.UseFromTime, m.BestTime, m.UseByTime = timestamppb.New(u.From), timestamppb.New(u.Best), timestamppb.New(u.By)
	}
	return m
}
