package server

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
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
				e.Faults = []commissary.Fault{{Where: "ingredient_id", Text: k.noIngredient(ingredient.ID)}}
			}
			return nil, e
		}
		if req.GetAllergensRead() {
			receipt.Differs = differs(ingredient, receipt.Allergens)
		}
		notes := k.arrived(ingredient, receipt, w.at)
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
		before, err := w.Lots(id).Receipts([]string{code})
		if err != nil {
			return nil, err
		}
		for _, m := range before {
			if m.Ref == receipt.Document {
				note := "with no delivery note either"
				if m.Ref != "" {
					note = "by delivery note " + m.Ref + " too"
				}
				notes = append(notes, fmt.Sprintf("%s of this lot was received already, %s, %s; if that was this delivery, count what is there",
					k.Book.Kitchen.Units.Mass(m.Mass), k.zone.Long(m.At), note))
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
		if err := w.record(id, wire.LotName(id, code), "received %s from %s%s%s", m.Mass, receipt.Supplier, warn, strings.Join(append([]string{""}, notes...), "; ")); err != nil {
			return nil, err
		}
		l, err := k.lot(w.Tx, code)
		if err != nil {
			return nil, err
		}
		return &v1.ReceiveLotResponse{Lot: l, Notes: notes}, nil
	})
}

// arrived says what is wrong with a delivery as it arrives. It is taken in all the
// same: the goods are there, and whether they go back is for people.
func (k *kitchen) arrived(i commissary.Ingredient, r commissary.Receipt, at time.Time) []string {
	var notes []string
	if !r.UseBy.IsZero() && r.UseBy.Compare(k.zone.Date(at)) < 0 {
		notes = append(notes, "its use-by "+r.UseBy.Long()+" is over: send it back or throw it away")
	}
	// Herbs are chilled to the book's own temperature.
	if most := max(i.Temp, safety.ColdHold); i.Chilled && r.Probed && r.Temp > most {
		u := k.Book.Kitchen.Units
		notes = append(notes, fmt.Sprintf("it came at %s, and is to come at %s or colder (Food Code 2022, 3-202.11, unless the book or local code says otherwise): send it back, or hold it",
			u.Temp(r.Temp), u.Temp(most)))
	}
	return notes
}

// noIngredient says that the book has no such ingredient, and which it may be.
func (k *kitchen) noIngredient(id string) string {
	var near []string
	for _, i := range k.Ingredients {
		if strings.Contains(i.ID, id) || strings.Contains(strings.ToLower(i.Name), id) {
			near = append(near, i.ID)
		}
	}
	text := fmt.Sprintf("there is no ingredient %q in the kitchen's book", id)
	if len(near) > 0 {
		text += "; there is " + strings.Join(near, ", ")
	}
	return text
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
			if c.Lot == "" || replaced || c.At.After(at) {
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
