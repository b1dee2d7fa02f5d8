// Package formula is the arithmetic of bakers' percentages: overall shares
// with preferments counted in, taking a formula apart into preferments and
// final dough, batch sheets rounded to the kitchen's scales, the mass a piece
// needs, what a vessel holds, and the water and ice that bring a dough to its
// temperature. Everything is computed in whole numbers and can be followed by
// hand.
package formula

import (
	"fmt"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Shares is an overall formula: parts per million of total flour, the flour,
// water, yeast and salt of preferments counted in. For a prep the shares are
// of the input mass.
type Shares struct {
	Lines        []commissary.FormulaLine
	Total        quantity.PPM // of all lines
	Flour        quantity.PPM // of the flour lines: 100 % except in a prep
	Water        quantity.PPM // hydration: water ÷ flour; oil, milk and other liquids are not water
	Prefermented quantity.PPM // flour in preferments ÷ total flour
	Strong       bool         // some of the flour is high-gluten flour
}

// Overall returns the overall shares of f. The notation, and the share of
// flour prefermented as the link between its parts, are those of "Formatting
// Guild Formulas" (Faber, Ponsford, Yankellow, 2009). It refuses unknown names,
// shares out of range, and flour lines of a dough (all lines of a prep) that
// do not add up to 100 %.
func Overall(b commissary.Book, f commissary.Formula) (Shares, error) {
	s := Shares{Lines: f.Lines}
	for _, l := range f.Lines {
		in, err := named(b, f, l)
		if err != nil {
			return Shares{}, err
		}
		if l.Share < 0 || l.Share > quantity.MaxPPM {
			return Shares{}, refuse(f, "the share of %s is %s; it must lie between 0 and %s", in.ID, l.Share, quantity.MaxPPM)
		}
		s.Total += l.Share
		switch in.Kind {
		case commissary.Flour:
			s.Flour += l.Share
			s.Strong = s.Strong || in.Strong && l.Share > 0
		case commissary.Water:
			s.Water += l.Share
		}
	}
	for _, p := range f.Preferments {
		if p.Flour < 0 || p.Flour > quantity.Whole {
			return Shares{}, refuse(f, "%s of the flour is to be prefermented in %s; it must lie between 0 and 100 %%", p.Flour, p.Formula)
		}
		s.Prefermented += p.Flour
	}
	switch {
	case f.Kind == commissary.Prep && s.Total != quantity.Whole:
		return Shares{}, refuse(f, "the lines of a prep are shares of its input mass and must add up to 100 %%; they add up to %s", s.Total)
	case f.Kind != commissary.Prep && s.Flour != quantity.Whole:
		return Shares{}, refuse(f, "the flour lines must add up to 100 %%; they add up to %s", s.Flour)
	}
	return s, nil
}

// named returns the ingredient a line names; a prep counts as an ingredient of
// kind other.
func named(b commissary.Book, f commissary.Formula, l commissary.FormulaLine) (commissary.Ingredient, error) {
	if l.Prep != "" {
		if p, ok := find(b, l.Prep); !ok || p.Kind != commissary.Prep {
			return commissary.Ingredient{}, refuse(f, "it uses %q, which is no prep of the book", l.Prep)
		}
		return commissary.Ingredient{ID: l.Prep, Kind: commissary.Other}, nil
	}
	for _, in := range b.Ingredients {
		if in.ID == l.Ingredient {
			return in, nil
		}
	}
	return commissary.Ingredient{}, refuse(f, "it uses %q, which is no ingredient of the book", l.Ingredient)
}

func find(b commissary.Book, id string) (commissary.Formula, bool) {
	for _, f := range b.Formulas {
		if f.ID == id {
			return f, true
		}
	}
	return commissary.Formula{}, false
}

func refuse(f commissary.Formula, format string, args ...any) *commissary.Error {
	return commissary.Refuse(commissary.Invalid, "FORMULA_INVALID", "formula %s: %s", f.ID, fmt.Sprintf(format, args...))
}
