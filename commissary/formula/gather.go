package formula

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Gather turns a written final dough, in which preferments stand as
// ingredients beside the rest, into a formula of total flour: the flour,
// water and all else in the preferments is counted back in. Lines of the
// result stand in the order they first appear; flour shares add up to exactly
// 100 %, all others are rounded to the part per million.
func Gather(b commissary.Book, id string, final []Line) (commissary.Formula, error) {
	f := commissary.Formula{ID: id, Kind: commissary.Dough}
	var lines []Line
	add := func(l Line) {
		for i := range lines {
			if lines[i].ID() == l.ID() {
				lines[i].Mass += l.Mass
				return
			}
		}
		lines = append(lines, l)
	}
	type part struct {
		id    string
		flour quantity.Mass
	}
	var parts []part
	for _, l := range final {
		if l.Mass < 0 || l.Mass > quantity.MaxMass {
			return f, refuse(f, "%s of %s cannot be weighed", l.Mass, l.ID())
		}
		if l.Preferment == "" {
			in, err := named(b, f, commissary.FormulaLine{Ingredient: l.Ingredient, Prep: l.Prep})
			if err != nil {
				return f, err
			}
			l.Kind = in.Kind
			add(l)
			continue
		}
		p, ok := find(b, l.Preferment)
		if !ok || p.Kind == commissary.Prep {
			return f, refuse(f, "it uses %q, which is no preferment of the book", l.Preferment)
		}
		whole, err := Split(b, p, l.Mass)
		if err != nil {
			return f, err
		}
		for _, q := range whole.Total {
			add(q)
		}
		parts = append(parts, part{l.Preferment, whole.Flour})
	}

	var flours []quantity.Mass
	for _, l := range lines {
		if l.Kind == commissary.Flour {
			flours = append(flours, l.Mass)
		}
	}
	flour, err := quantity.Sum(flours...)
	if err != nil || flour == 0 {
		return f, refuse(f, "it has no flour to count shares of")
	}
	ofFlour, err := quantity.Apportion(quantity.Mass(quantity.Whole), flours)
	if err != nil {
		return f, err
	}
	for _, l := range lines {
		var share quantity.PPM
		if l.Kind == commissary.Flour {
			share, ofFlour = quantity.PPM(ofFlour[0]), ofFlour[1:]
		} else if share, err = shareOf(l.Mass, flour); err != nil {
			return f, err
		}
		f.Lines = append(f.Lines, commissary.FormulaLine{Ingredient: l.Ingredient, Prep: l.Prep, Share: share})
	}
	for _, p := range parts {
		share, err := shareOf(p.flour, flour)
		if err != nil {
			return f, err
		}
		f.Preferments = append(f.Preferments, commissary.PrefermentShare{Formula: p.id, Flour: share})
	}
	return f, nil
}

func shareOf(m, of quantity.Mass) (quantity.PPM, error) {
	v, err := quantity.MulDiv(int64(m), unit, int64(of), quantity.Nearest)
	return quantity.PPM(v), err
}
