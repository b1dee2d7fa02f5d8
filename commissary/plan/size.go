package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// habit is how an unusual build fills the batches of one sheet.
type habit struct {
	unused int  // percent between the smallest and the largest fill
	whole  bool // boxes only
}

// habit is that of a sheet, drawn when it is asked for first. The batch that is
// to be the odd one has none.
func (s *search) habit(r, m int, at int64) habit {
	if s.habits == nil || s.loose {
		return habit{}
	}
	sheet := taped{r, s.k.recipes[r].modes[m].vessel, s.k.zone.Date(instant(at))}
	h, ok := s.habits[sheet]
	if !ok {
		h = habit{s.rng.IntN(2) * s.rng.IntN(101), s.fullBoxes || s.rng.IntN(3) == 0}
		s.habits[sheet] = h
	}
	return h
}

// most is the largest mass of a batch of a mode that this build makes, or what
// posted batches have taped to the vessel on that day.
func (s *search) most(r, m int, at int64) quantity.Mass {
	mode := &s.k.recipes[r].modes[m]
	if len(s.posted) > 0 {
		if t, ok := s.posted[taped{r, mode.vessel, s.k.zone.Date(instant(at))}]; ok {
			return min(mode.max, t.mass)
		}
	}
	return mode.max - (mode.max-mode.min)*quantity.Mass(s.habit(r, m, at).unused)/100
}

// room is the mass of pieces that a batch of a mode may give in this build.
func (s *search) room(r, m int, at int64) quantity.Mass {
	mode := &s.k.recipes[r].modes[m]
	if most := s.most(r, m, at); most < mode.max {
		return s.k.recipes[r].netOf(most)
	}
	return mode.net
}

// size fills a batch for an end of mixing from at on: the classes that close
// first in front, as many whole pieces as the vessel holds, at least its
// smallest fill and at most the given mass.
func (s *search) size(r, m int, band bool, at int64, most quantity.Mass) (want, []fill) {
	rec := &s.k.recipes[r]
	mode := &rec.modes[m]
	w := want{recipe: r, mode: m, pieces: make([]quantity.Pieces, len(rec.items)), to: sched.Never, ready: sched.Never}
	if most = min(most, s.most(r, m, at)); most < mode.min {
		return w, nil
	}
	room := rec.netOf(most)
	var fills []fill
	take := func(c int) {
		cl := &s.classes[c]
		if n := min(cl.open, quantity.Pieces(room/rec.each[cl.item])); n > 0 {
			fills = append(fills, fill{c, n})
			w.pieces[cl.item] += n
			room -= rec.each[cl.item] * quantity.Mass(n)
			_, to := cl.window(band)
			w.to, w.ready, w.leaves = min(w.to, to), min(w.ready, cl.ready), max(w.leaves, cl.ready)
		}
	}
	for _, c := range s.of[r] {
		if f, t := s.classes[c].window(band); s.classes[c].open > 0 && f <= at && at <= t {
			take(c)
		}
	}
	if s.habit(r, m, at).whole {
		fills = s.trimmed(rec, &w, fills)
	}
	for len(fills) > 0 {
		mass, err := s.k.massFor(rec, w.pieces)
		if err != nil {
			return w, nil
		}
		if w.mass = max(mass, mode.min); w.mass <= most {
			break
		}
		// The scales' divisions took it over the vessel: one piece less.
		last := &fills[len(fills)-1]
		last.pieces--
		w.pieces[s.classes[last.class].item]--
		if last.pieces == 0 {
			fills = fills[:len(fills)-1]
		}
	}
	s.surplus(rec, &w)
	w.goes = s.goes(fills)
	return w, fills
}

// trimmed takes from a batch what would stand in boxes that are not full, but
// for an item that does not fill one.
func (s *search) trimmed(rec *recipe, w *want, fills []fill) []fill {
	for i := len(fills) - 1; i >= 0; i-- {
		item := s.classes[fills[i].class].item
		per := max(s.k.items[rec.items[item]].PerBox, 1)
		if over := min(w.pieces[item]%per, fills[i].pieces); w.pieces[item] > per {
			w.pieces[item] -= over
			fills[i].pieces -= over
		}
	}
	return slices.DeleteFunc(fills, func(f fill) bool { return f.pieces == 0 })
}

// goes is what of a batch's pieces leaves when.
func (s *search) goes(fills []fill) []going {
	goes := make([]going, len(fills))
	for i, f := range fills {
		c := &s.classes[f.class]
		goes[i] = going{c.item, min(f.pieces, c.loose()), leaving{c.ready, f.pieces}}
	}
	slices.SortStableFunc(goes, func(a, b going) int { return cmp.Compare(a.at, b.at) })
	return goes
}

// surplus turns what a batch mass makes above the pieces wanted into more of
// the item wanted most, and returns how many.
func (s *search) surplus(rec *recipe, w *want) quantity.Pieces {
	most := 0
	for i, n := range w.pieces {
		if n > w.pieces[most] {
			most = i
		}
	}
	extra := max(quantity.Pieces((rec.netOf(w.mass)-s.k.massOf(rec, w.pieces))/rec.each[most]), 0)
	w.pieces[most] += extra
	return extra
}
