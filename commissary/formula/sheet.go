package formula

import (
	"fmt"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Sheet is what is weighed for one batch, in adding order.
type Sheet struct {
	Formula string
	Mass    quantity.Mass // what goes through the vessel: the sum of the lines
	Surplus quantity.Mass // Mass minus what was asked for
	Flour   quantity.Mass // total flour, preferments included, to the nearest milligram
	Lines   []SheetLine
}

// SheetLine is one thing to weigh; a preferment or a prep is one line.
type SheetLine struct {
	Line
	Exact     quantity.Mass // what the formula says before rounding to the scale
	Scale     string
	Division  quantity.Mass // 0: the book has no scale
	Weighings int           // more than 1 when the scale cannot hold the line at once
}

// Weigh returns the sheet of a batch of at least the given mass. Every line is
// a whole number of divisions of its own scale, and the lines sum to the
// sheet's mass.
//
// The rounding lands on the largest flour tipped in the final mix, else on
// the largest water, never on another line (in a prep: on the largest line,
// which is what the prep is made of). That line is stepped up to its scale, or
// where the formula asks for it to whole sacks, and the mass of the batch
// follows. A mass that came out of Weigh goes back in unchanged: its surplus
// is zero.
//
// It refuses a sheet on which rounding moves any line by more than 1 %.
func Weigh(b commissary.Book, f commissary.Formula, wanted quantity.Mass) (Sheet, error) {
	if wanted <= 0 || wanted > quantity.MaxMass {
		return Sheet{}, refuse(f, "a batch of %s cannot be weighed; it must lie above 0 and up to %s", wanted, quantity.MaxMass)
	}
	r, err := take(b, f)
	if err != nil {
		return Sheet{}, err
	}
	all := r.portions(f.Order)
	lead := leading(f, all)
	if lead < 0 {
		return Sheet{}, refuse(f, "neither flour nor water is left for the final mix, so that nothing may take the rounding; preferment less flour")
	}

	mass := wanted
	// Every round steps the leading line up and recomputes the others, which
	// grow with the mass but slower than it does.
	for range 10_000 {
		lines, others, err := weighed(b, all, r.total, mass, lead)
		if err != nil {
			return Sheet{}, err
		}
		step := lines[lead].Division
		if f.Sack > 0 && lines[lead].Kind == commissary.Flour {
			step = f.Sack
		}
		lines[lead].Mass = (mass - others).RoundTo(step, quantity.Up)
		if next := lines[lead].Mass + others; next != mass {
			mass = next
			continue
		}
		if err := judge(f, lines, mass); err != nil {
			return Sheet{}, err
		}
		flour, err := FlourFor(b, f, mass)
		if err != nil {
			return Sheet{}, err
		}
		return Sheet{f.ID, mass, mass - wanted, flour, lines}, nil
	}
	return Sheet{}, refuse(f, "no batch of about %s can be weighed to the scales' divisions; use finer scales", wanted)
}

// portions returns what is tipped in the final mix in adding order: by the
// given ids; otherwise preferments, then the formula's lines.
func (r recipe) portions(order []string) []portion {
	var all []portion
	for _, p := range r.preferments {
		all = append(all, portion{Line{Preferment: p.share.Formula, Kind: commissary.Other}, p.weight})
	}
	for _, p := range r.final {
		if p.weight > 0 {
			all = append(all, p)
		}
	}
	if len(order) == 0 {
		return all
	}
	place := func(p portion) int {
		switch i := slices.Index(order, p.ID()); {
		case i >= 0:
			return i
		case p.Preferment != "":
			return -1
		default:
			return len(order)
		}
	}
	slices.SortStableFunc(all, func(a, b portion) int { return place(a) - place(b) })
	return all
}

// leading returns the line that takes the rounding, or -1.
func leading(f commissary.Formula, all []portion) int {
	rank := func(p portion) int {
		switch {
		case f.Kind == commissary.Prep:
			return 1
		case p.Kind == commissary.Flour:
			return 2
		case p.Kind == commissary.Water:
			return 1
		}
		return 0
	}
	best := -1
	for i, p := range all {
		switch {
		case rank(p) == 0:
		case best < 0, rank(p) > rank(all[best]), rank(p) == rank(all[best]) && p.weight > all[best].weight:
			best = i
		}
	}
	return best
}

// weighed returns all lines of a batch with every line but the leading one
// rounded to its scale, and the sum of those.
func weighed(b commissary.Book, all []portion, total int64, mass quantity.Mass, lead int) (lines []SheetLine, others quantity.Mass, err error) {
	for i, p := range all {
		exact, err := quantity.Scale(mass, p.weight, total, quantity.Nearest)
		if err != nil {
			return nil, 0, err
		}
		s := scaleFor(b, p.Ingredient, exact)
		line := SheetLine{Line: p.Line, Exact: exact, Scale: s.ID, Division: s.Division, Weighings: 1}
		if s.Holds > 0 {
			line.Weighings = max(1, int((exact+s.Holds-1)/s.Holds))
		}
		if i != lead {
			line.Mass = exact.RoundTo(s.Division, quantity.Nearest)
			others += line.Mass
		}
		lines = append(lines, line)
	}
	return lines, others, nil
}

// scaleFor returns the scale that the ingredient names, else the finest that
// holds the mass, else the one that holds most; the zero Scale when the book
// has none.
func scaleFor(b commissary.Book, ingredient string, mass quantity.Mass) commissary.Scale {
	for _, in := range b.Ingredients {
		if in.ID != ingredient || in.Scale == "" {
			continue
		}
		for _, s := range b.Scales {
			if s.ID == in.Scale {
				return s
			}
		}
	}
	holds := func(s commissary.Scale) bool { return s.Holds == 0 || s.Holds >= mass }
	var best commissary.Scale
	for i, s := range b.Scales {
		switch {
		case i == 0,
			holds(s) && !holds(best),
			holds(s) && s.Division < best.Division,
			!holds(s) && !holds(best) && s.Holds > best.Holds:
			best = s
		}
	}
	return best
}

// judge refuses lines that their rounding moved by more than 1 %.
func judge(f commissary.Formula, lines []SheetLine, mass quantity.Mass) error {
	var faults []commissary.Fault
	least := mass
	for _, l := range lines {
		moved := l.Mass - l.Exact
		if moved < 0 {
			moved = -moved
		}
		if moved*100 <= l.Exact {
			continue
		}
		faults = append(faults, commissary.Fault{Where: l.ID(), Text: fmt.Sprintf(
			"the scale %q, in steps of %s, turns %s into %s", l.Scale, l.Division, l.Exact, l.Mass)})
		// From fifty divisions up, half a division is within 1 %.
		at, err := quantity.Scale(mass, 50*int64(l.Division), int64(max(l.Exact, 1)), quantity.Up)
		if err != nil {
			return err
		}
		least = max(least, at)
	}
	if faults == nil {
		return nil
	}
	advice := "weigh on finer scales or make a larger batch"
	if least > mass {
		advice = "weigh on finer scales, or make about " + least.RoundTo(quantity.Kilogram, quantity.Up).String() + " or more"
	}
	e := commissary.Refuse(commissary.Invalid, "ROUNDING_TOO_COARSE",
		"formula %s: in a batch of %s rounding to the scales moves lines by more than 1 %%; %s", f.ID, mass, advice)
	e.Faults = faults
	return e
}
