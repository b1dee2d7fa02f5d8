package formula

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Line is one ingredient, prep or preferment and its mass.
type Line struct {
	Ingredient string // exactly one of the three is set
	Prep       string
	Preferment string
	Kind       commissary.IngredientKind // other for preps and preferments
	Mass       quantity.Mass
}

// ID returns the one name that is set.
func (l Line) ID() string { return l.Ingredient + l.Prep + l.Preferment }

// Parts is a formula taken apart at one size. Line by line, total = final +
// what is in the preferments, to the milligram.
type Parts struct {
	Mass        quantity.Mass // of the whole dough
	Flour       quantity.Mass // total flour
	Total       []Line
	Preferments []Part
	Final       []Line // what is added to the preferments in the final mix
}

// Part is what one preferment brings.
type Part struct {
	Formula    string
	DaysBefore int
	Mass       quantity.Mass
	Flour      quantity.Mass
	Lines      []Line
}

// Split takes a dough of the given mass apart into its preferments and what
// is added in the final mix: final = total − Σ preferments, line by line. It
// refuses a formula whose preferments hold more of an ingredient than the
// total has, naming the ingredient and both amounts.
func Split(b commissary.Book, f commissary.Formula, dough quantity.Mass) (Parts, error) {
	r, err := take(b, f)
	if err != nil {
		return Parts{}, err
	}
	var weights []quantity.Mass
	for _, p := range r.final {
		weights = append(weights, quantity.Mass(p.weight))
	}
	for _, p := range r.preferments {
		for _, l := range p.lines {
			weights = append(weights, quantity.Mass(l.weight))
		}
	}
	masses, err := quantity.Apportion(dough, weights)
	if err != nil {
		return Parts{}, refuse(f, "a mass of %s cannot be split: %s", dough, err)
	}
	next := func() (m quantity.Mass) { m, masses = masses[0], masses[1:]; return m }

	parts := Parts{Mass: dough}
	total := map[string]quantity.Mass{}
	for _, p := range r.final {
		l := p.Line
		l.Mass = next()
		total[l.ID()] += l.Mass
		if l.Mass > 0 {
			parts.Final = append(parts.Final, l)
		}
	}
	for _, p := range r.preferments {
		part := Part{Formula: p.share.Formula, DaysBefore: p.share.DaysBefore}
		for _, q := range p.lines {
			l := q.Line
			l.Mass = next()
			total[l.ID()] += l.Mass
			part.Mass += l.Mass
			if l.Kind == commissary.Flour {
				part.Flour += l.Mass
			}
			part.Lines = append(part.Lines, l)
		}
		parts.Preferments = append(parts.Preferments, part)
	}
	for _, p := range r.final { // every ingredient of the total stands here, weight zero included
		l := p.Line
		l.Mass = total[l.ID()]
		if l.Kind == commissary.Flour {
			parts.Flour += l.Mass
		}
		parts.Total = append(parts.Total, l)
	}
	return parts, nil
}

// FlourFor returns the total flour in a mass of dough, preferments included,
// to the nearest milligram: dough × 100 ÷ Σ %.
func FlourFor(b commissary.Book, f commissary.Formula, dough quantity.Mass) (quantity.Mass, error) {
	s, err := Overall(b, f)
	if err != nil {
		return 0, err
	}
	if s.Total == 0 {
		return 0, refuse(f, "it has no lines")
	}
	return quantity.Scale(dough, int64(s.Flour), int64(s.Total), quantity.Nearest)
}

// DoughFor returns the mass of dough that a mass of total flour makes, to the
// nearest milligram: flour × Σ % ÷ 100.
func DoughFor(b commissary.Book, f commissary.Formula, flour quantity.Mass) (quantity.Mass, error) {
	s, err := Overall(b, f)
	if err != nil {
		return 0, err
	}
	if s.Flour == 0 {
		return 0, refuse(f, "it has no flour")
	}
	return quantity.Scale(flour, int64(s.Total), int64(s.Flour), quantity.Nearest)
}

// recipe is a formula taken apart, in exact weights: millionths of a millionth
// of the total flour (for preps, of the input mass). A share of prefermented
// flour times a share of the preferment is a whole number of them, so nothing
// is rounded before there are masses.
type recipe struct {
	final       []portion // in the formula's order; weight 0 where preferments hold everything
	preferments []preferment
	total       int64
}

type portion struct {
	Line
	weight int64
}

type preferment struct {
	share  commissary.PrefermentShare
	lines  []portion
	weight int64
}

const unit = int64(quantity.Whole)

func take(b commissary.Book, f commissary.Formula) (recipe, error) {
	if _, err := Overall(b, f); err != nil {
		return recipe{}, err
	}
	var r recipe
	for _, l := range f.Lines {
		in, err := named(b, f, l)
		if err != nil {
			return recipe{}, err
		}
		line := Line{Ingredient: l.Ingredient, Prep: l.Prep, Kind: in.Kind}
		r.final = append(r.final, portion{line, int64(l.Share) * unit})
	}
	for _, share := range f.Preferments {
		p, ok := find(b, share.Formula)
		if !ok || p.Kind == commissary.Prep {
			return recipe{}, refuse(f, "it uses %q, which is no preferment of the book", share.Formula)
		}
		if p.ID == f.ID && share.DaysBefore < 1 {
			return recipe{}, refuse(f, "it feeds from itself on the same day; say how many days before")
		}
		if _, err := Overall(b, p); err != nil {
			return recipe{}, err
		}
		part := preferment{share: share}
		for _, l := range p.Lines {
			in, err := named(b, p, l)
			if err != nil {
				return recipe{}, err
			}
			line := Line{Ingredient: l.Ingredient, Prep: l.Prep, Kind: in.Kind}
			q := portion{line, int64(share.Flour) * int64(l.Share)}
			part.lines = append(part.lines, q)
			part.weight += q.weight
			if err := r.draw(f, p, q); err != nil {
				return recipe{}, err
			}
		}
		r.preferments = append(r.preferments, part)
		r.total += part.weight
	}
	for i := range r.final {
		left := &r.final[i].weight
		if *left < -unit/2 {
			whole := int64(f.Lines[i].Share)
			return recipe{}, refuse(f, "its preferments hold %s of %s, but the total has only %s (of total flour); raise the total, or preferment less flour",
				quantity.PPM((whole*unit-*left)/unit), r.final[i].ID(), f.Lines[i].Share)
		}
		// Shares are written in whole parts per million; what is left within
		// half of one is their rounding, not an ingredient to be weighed.
		if *left <= unit/2 {
			*left = 0
		}
		r.total += *left
	}
	if r.total == 0 {
		return recipe{}, refuse(f, "it has no lines")
	}
	return r, nil
}

// draw takes what a preferment holds of one ingredient off the final mix.
func (r *recipe) draw(f, p commissary.Formula, q portion) error {
	for i := range r.final {
		if r.final[i].ID() == q.ID() {
			r.final[i].weight -= q.weight
			return nil
		}
	}
	if q.weight == 0 {
		return nil
	}
	return refuse(f, "its preferment %s holds %s of %s (of total flour), but the total has none; add a line for it", p.ID, quantity.PPM(q.weight/unit), q.ID())
}
