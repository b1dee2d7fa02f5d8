package book

import (
	"fmt"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// judge queues the checks of the book as a whole.
func (r *reader) judge() {
	r.checks = append(r.checks, r.judgeCycles, r.judgeRuns)
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
				r.fault(r.names["formula"].line[id], "formula %q needs itself on the same day (%s); take one of them out, or set days_before to 1 for a preferment kept from the day before",
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

// judgeVessels checks that some vessel can make the formula, that a batch
// holds at least one piece, and that its batches can be weighed.
func (r *reader) judgeVessels(f *commissary.Formula) {
	line := r.names["formula"].line[f.ID]
	if f.Class == "" || f.Kind == "" {
		return
	}
	total, counted := r.flourWater(f)
	var rows, usable int
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
			if mix := f.MixFirst + f.MixSecond; c.MaxMix > 0 && mix > c.MaxMix {
				r.fault(line, "formula %q mixes for %v, longer than the %v that vessel %q allows for class %q", f.ID, mix, c.MaxMix, v.ID, f.Class)
				return
			}
			usable++
			most := c.Max
			if c.Basis == commissary.OfFlourWater {
				if m, err := quantity.Scale(c.Max, int64(total), int64(counted), quantity.Down); err == nil {
					most = m
				}
			}
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
	case usable == 0:
		r.fault(line, "formula %q mixes at second speed, which every vessel forbids for class %q; leave out \"second\", or write \"second: yes\" in the row where the maker allows it", f.ID, f.Class)
	case largest > 0 && total > 0:
		r.judgePieces(f, largest)
		r.judgeScales(f, line, total, smallest, largest)
	}
}

// flourWater is the sum of a formula's lines, and of those that are flour or water.
func (r *reader) flourWater(f *commissary.Formula) (total, counted quantity.PPM) {
	for _, l := range f.Lines {
		total += l.Share
		if in, ok := r.ingredient(l.Ingredient); ok && (in.Kind == commissary.Flour || in.Kind == commissary.Water) {
			counted += l.Share
		}
	}
	return total, counted
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
			r.fault(r.names["item"].line[it.ID], "item %q weighs %s, more than the %s that the largest batch of %q gives", it.ID, r.mass(it.Mass), r.about(net), f.ID)
		}
	}
}

// judgeScales checks the lines weighed for the smallest and the largest
// batch: a scale holds them, and its division moves none by more than 1 %.
func (r *reader) judgeScales(f *commissary.Formula, line int, total quantity.PPM, smallest, largest quantity.Mass) {
	if r.badScales {
		return
	}
	for _, l := range f.Lines {
		share := l.Share - r.preferred(f, l)
		if share <= 0 {
			continue
		}
		in, _ := r.ingredient(l.Ingredient)
		for _, batch := range []quantity.Mass{smallest, largest} {
			m, err := quantity.Scale(batch, int64(share), int64(total), quantity.Nearest)
			if err != nil {
				continue
			}
			if text := r.weigh(in, m); text != "" {
				r.fault(line, "formula %q: a batch of %s takes %s of %s, and %s", f.ID, r.about(batch), r.about(m), l.Ingredient+l.Prep, text)
				break
			}
		}
	}
}

// about prints a mass as closely as a baker would say it.
func (r *reader) about(m quantity.Mass) string {
	step := quantity.Gram / 10
	if m >= quantity.Kilogram {
		step = 10 * quantity.Gram
	}
	return r.mass(m.RoundTo(step, quantity.Nearest))
}

// weigh says why a mass cannot be weighed well; empty when it can.
func (r *reader) weigh(in *commissary.Ingredient, m quantity.Mass) string {
	s, ok := r.scaleFor(in, m)
	switch {
	case !ok && in != nil && in.Scale != "" && s.ID == "":
		return "" // there is no such scale, which is reported already
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
// or the finest that holds it; false when it holds less or there is none.
func (r *reader) scaleFor(in *commissary.Ingredient, m quantity.Mass) (commissary.Scale, bool) {
	var best commissary.Scale
	for _, s := range r.book.Scales {
		switch {
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
