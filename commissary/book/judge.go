package book

import (
	"fmt"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// judge queues the checks of the book as a whole.
func (r *reader) judge() {
	r.checks = append(r.checks, r.judgeCycles, r.judgeRuns, r.judgeUse)
	for i := range r.book.Formulas {
		r.checks = append(r.checks, func() { r.judgeVessels(&r.book.Formulas[i]) })
	}
}

// judgeCycles refuses formulas that need themselves on the same day. Round
// trips with a day between are the trade: a starter is fed from itself.
func (r *reader) judgeCycles() {
	state := map[string]int{} // 1: on the way, 2: done
	var path []string
	var visit func(f *commissary.Formula)
	visit = func(f *commissary.Formula) {
		state[f.ID] = 1
		path = append(path, f.ID)
		for _, id := range sameDay(f) {
			next, ok := r.formula(id)
			switch {
			case !ok || state[id] == 2:
			case state[id] == 1:
				start := 0
				for path[start] != id {
					start++
				}
				round := append(append([]string{}, path[start:]...), id)
				if len(round) > 8 {
					round = append(round[:6], "...", id)
				}
				r.fault(r.names["formula"].line[id], "formula %q needs itself on the same day (%s); take one of them out, or set days_before to 1 where it is kept from the day before",
					id, strings.Join(round, " needs "))
			default:
				visit(next)
			}
		}
		path = path[:len(path)-1]
		state[f.ID] = 2
	}
	for i := range r.book.Formulas {
		if f := &r.book.Formulas[i]; state[f.ID] == 0 {
			visit(f)
		}
	}
}

// sameDay is what a formula needs made on its own day or any day before.
func sameDay(f *commissary.Formula) []string {
	var all []string
	for _, p := range f.Preferments {
		if p.DaysBefore == 0 {
			all = append(all, p.Formula)
		}
	}
	for _, l := range f.Lines {
		if l.Prep != "" {
			all = append(all, l.Prep)
		}
	}
	return all
}

// judgeRuns refuses a shop that no van visits.
func (r *reader) judgeRuns() {
	visited := map[string]bool{}
	for _, run := range r.book.Runs {
		for _, s := range run.Stops {
			visited[s.Shop] = true
		}
	}
	for _, shop := range r.book.Shops {
		if !visited[shop.ID] {
			r.fault(r.names["shop"].line[shop.ID], "shop %q is on no run; add it to the stops of one", shop.ID)
		}
	}
}

// judgeUse refuses a formula that nothing is made from.
func (r *reader) judgeUse() {
	used := map[string]bool{}
	for _, it := range r.book.Items {
		used[it.Formula] = true
	}
	for _, f := range r.book.Formulas {
		for _, p := range f.Preferments {
			used[p.Formula] = used[p.Formula] || p.Formula != f.ID
		}
		for _, l := range f.Lines {
			used[l.Prep] = true
		}
	}
	for _, f := range r.book.Formulas {
		if !used[f.ID] {
			r.fault(r.names["formula"].line[f.ID], "formula %q is used by no item and no other formula; add the item that is made from it, or remove it", f.ID)
		}
	}
}

// judgeVessels checks that some vessel can make the formula, that a batch
// holds at least one piece, and that the smallest batch can be weighed.
func (r *reader) judgeVessels(f *commissary.Formula) {
	line := r.names["formula"].line[f.ID]
	if f.Class == "" || f.Kind == "" {
		return
	}
	var rows, allowed, usable int
	var largest, smallest quantity.Mass
	for _, v := range r.book.Vessels {
		for _, c := range v.Capacity {
			if c.Class != f.Class {
				continue
			}
			rows++
			if f.MixSecond > 0 && !c.Second {
				continue
			}
			allowed++
			if mix := f.MixFirst + f.MixSecond; c.MaxMix > 0 && mix > c.MaxMix {
				r.fault(line, "formula %q mixes for %v, longer than the %v that vessel %q allows for class %q", f.ID, mix, c.MaxMix, v.ID, f.Class)
				continue
			}
			usable++
			most := doughMass(f, r, c)
			least, err := quantity.Share(most, v.SmallestPPM, quantity.Up)
			if err != nil || v.SmallestPPM == 0 {
				least = most
			}
			largest = max(largest, most)
			if smallest == 0 || least < smallest {
				smallest = least
			}
		}
	}
	switch {
	case rows == 0:
		r.fault(line, "formula %q: no vessel can mix class %q; add a row for it to a vessel's capacity%s", f.ID, f.Class, among(r.classes()))
	case allowed == 0:
		r.fault(line, "formula %q mixes at second speed, which every vessel forbids for class %q; leave out \"second\", or write \"second: yes\" in the row where the maker allows it", f.ID, f.Class)
	case usable > 0 && largest > 0:
		r.judgePieces(f, largest)
		r.judgeScales(f, line, smallest, largest)
	}
}

// classes are the product classes that vessels mix.
func (r *reader) classes() []string {
	var all []string
	seen := map[string]bool{}
	for _, v := range r.book.Vessels {
		for _, c := range v.Capacity {
			if c.Class != "" && !seen[c.Class] {
				seen[c.Class] = true
				all = append(all, c.Class)
			}
		}
	}
	return all
}

// doughMass is the whole mass that a row of a capacity table allows.
func doughMass(f *commissary.Formula, r *reader, c commissary.CapacityRow) quantity.Mass {
	if c.Basis != commissary.OfFlourWater {
		return c.Max
	}
	var total, counted quantity.PPM
	for _, l := range f.Lines {
		total += l.Share
		if in, ok := r.ingredient(l.Ingredient); ok && (in.Kind == commissary.Flour || in.Kind == commissary.Water) {
			counted += l.Share
		}
	}
	m, err := quantity.Scale(c.Max, int64(total), int64(counted), quantity.Down)
	if err != nil {
		return c.Max
	}
	return m
}

// judgePieces refuses a piece heavier than the largest batch yields.
func (r *reader) judgePieces(f *commissary.Formula, largest quantity.Mass) {
	left := quantity.Whole - f.Loss
	if f.Kind == commissary.Prep {
		left = f.Yield
	}
	net, err := quantity.Share(largest, left, quantity.Down)
	if err != nil {
		return
	}
	for _, it := range r.book.Items {
		if it.Formula == f.ID && it.Mass > net {
			r.fault(r.names["item"].line[it.ID], "item %q weighs %s, more than the %s that the largest batch of %q gives", it.ID, r.mass(it.Mass), r.mass(net), f.ID)
		}
	}
}

// judgeScales checks the lines weighed for the smallest and the largest
// batch: a scale holds them, and its division moves none by more than 1 %.
func (r *reader) judgeScales(f *commissary.Formula, line int, smallest, largest quantity.Mass) {
	var total quantity.PPM
	for _, l := range f.Lines {
		total += l.Share
	}
	for _, l := range f.Lines {
		share := l.Share - r.preferred(f, l)
		if share <= 0 || total <= 0 {
			continue
		}
		in, _ := r.ingredient(l.Ingredient)
		for _, batch := range []quantity.Mass{smallest, largest} {
			m, err := quantity.Scale(batch, int64(share), int64(total), quantity.Nearest)
			if err != nil {
				continue
			}
			if text := r.weigh(in, m); text != "" {
				r.fault(line, "formula %q: a batch of %s takes %s of %s, and %s", f.ID, r.mass(batch.RoundTo(10*quantity.Gram, quantity.Nearest)),
					r.mass(m.RoundTo(quantity.Gram/100, quantity.Nearest)), l.Ingredient+l.Prep, text)
				break
			}
		}
	}
}

// weigh says why a mass cannot be weighed well; empty when it can.
func (r *reader) weigh(in *commissary.Ingredient, m quantity.Mass) string {
	s, ok := r.scaleFor(in, m)
	switch {
	case !ok && in != nil && in.Scale != "":
		return fmt.Sprintf("scale %q, which it must be weighed on, holds %s", in.Scale, r.mass(s.Holds))
	case !ok:
		return "no scale holds that much"
	case s.Division > m/50: // rounding moves it by half a division
		return fmt.Sprintf("scale %q shows steps of %s, which can move it by more than 1 %%; a finer scale is needed", s.ID, r.mass(s.Division))
	}
	return ""
}

// preferred is the part of a line that comes in with preferments.
func (r *reader) preferred(f *commissary.Formula, l commissary.FormulaLine) quantity.PPM {
	var sum quantity.PPM
	for _, p := range f.Preferments {
		made, ok := r.formula(p.Formula)
		if !ok {
			continue
		}
		for _, x := range made.Lines {
			if x.Ingredient == l.Ingredient && x.Prep == l.Prep {
				part, err := quantity.Share(p.Flour, x.Share, quantity.Nearest)
				if err == nil {
					sum += part
				}
			}
		}
	}
	return sum
}

// scaleFor is the scale a line is weighed on: the one its ingredient names,
// or the finest that holds it.
func (r *reader) scaleFor(in *commissary.Ingredient, m quantity.Mass) (commissary.Scale, bool) {
	var best commissary.Scale
	for _, s := range r.book.Scales {
		switch {
		case s.Division <= 0:
		case in != nil && in.Scale != "":
			if s.ID == in.Scale {
				return s, s.Holds >= m
			}
		case s.Holds >= m && (best.ID == "" || s.Division < best.Division):
			best = s
		}
	}
	return best, best.ID != ""
}
