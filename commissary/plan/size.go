package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// taped names the batches that share the one sheet taped to a vessel: of one
// recipe, on one vessel, on one day.
type taped struct {
	recipe, vessel int
	day            civil.Date
}

func (s *search) tapedOf(p *placed) taped {
	return taped{p.recipe, s.k.recipes[p.recipe].modes[p.mode].vessel, s.k.zone.Date(instant(p.load))}
}

// even gives all batches that share a sheet one mass, but for at most one odd
// one: it spreads what they serve over them. Preferments keep the mass of the
// mix they feed.
func (s *search) even() {
	groups := map[taped][]*placed{}
	var order []taped
	for _, p := range s.fl.batches {
		if len(p.fills) == 0 {
			continue
		}
		key := s.tapedOf(p)
		if groups[key] == nil {
			order = append(order, key)
		}
		groups[key] = append(groups[key], p)
	}
	slices.SortFunc(order, func(a, b taped) int {
		return cmp.Or(a.day.Compare(b.day), cmp.Compare(a.recipe, b.recipe), cmp.Compare(a.vessel, b.vessel))
	})
	for _, key := range order {
		group := groups[key]
		slices.SortFunc(group, func(a, b *placed) int { return cmp.Or(cmp.Compare(a.mixEnd, b.mixEnd), cmp.Compare(a.unit, b.unit)) })
		for len(group) > 0 && !s.respread(group) && !alike(group) {
			// No common mass fits the floor: let the last one go.
			last := group[len(group)-1]
			s.drop(last)
			group = group[:len(group)-1]
		}
	}
}

// alike reports whether batches have one mass but for at most one, and marks that one.
func alike(group []*placed) bool {
	count := map[quantity.Mass]int{}
	for _, p := range group {
		count[p.mass]++
	}
	common := group[0].mass
	for _, p := range group {
		if n := count[p.mass]; n > count[common] || n == count[common] && p.mass > common {
			common = p.mass
		}
	}
	for _, p := range group {
		p.odd = p.mass != common
	}
	return len(group)-count[common] <= 1
}

// respread shares what a group serves anew over its batches at one mass and
// books them again at the same times; it reports whether that worked.
func (s *search) respread(group []*placed) bool {
	rec := &s.k.recipes[group[0].recipe]
	mode := &rec.modes[group[0].mode]
	var net quantity.Mass
	for _, p := range group {
		for _, f := range p.fills {
			net += rec.each[s.classes[f.class].item] * quantity.Mass(f.pieces)
		}
	}
	n := quantity.Mass(len(group))
	least := slices.Min(rec.each)
	// The common size is the mean, or a little more where whole pieces or windows do not come out even.
	for room := max((net+n-1)/n, min(rec.netOf(mode.min), net)); room <= rec.netOf(mode.max); room += least {
		if sizes := s.spread(rec, group, room); sizes != nil {
			if s.rebook(rec, group, sizes) {
				return true
			}
		}
	}
	return false
}

// spread fills the batches of a group in order of time up to room, the class
// that closes first in front; nil when it does not all find place.
func (s *search) spread(rec *recipe, group []*placed, room quantity.Mass) [][]fill {
	type part struct {
		class  int
		pieces quantity.Pieces
		off    bool // some of it is outside its good band already
	}
	var parts []part
	for _, p := range group {
		for _, f := range p.fills {
			at := slices.IndexFunc(parts, func(q part) bool { return q.class == f.class })
			if at < 0 {
				at = len(parts)
				parts = append(parts, part{class: f.class})
			}
			cl := &s.classes[f.class]
			parts[at].pieces += f.pieces
			parts[at].off = parts[at].off || p.mixEnd < cl.goodFrom || p.mixEnd > cl.goodTo
		}
	}
	slices.SortStableFunc(parts, func(a, b part) int {
		return cmp.Or(cmp.Compare(s.classes[a.class].goodTo, s.classes[b.class].goodTo), cmp.Compare(a.class, b.class))
	})
	sizes := make([][]fill, len(group))
	for i, p := range group {
		left := room
		for j := range parts {
			q := &parts[j]
			cl := &s.classes[q.class]
			from, to := cl.window(!q.off)
			if p.mixEnd < from || p.mixEnd > to || p.done > cl.ready {
				continue
			}
			if n := min(q.pieces, quantity.Pieces(left/rec.each[cl.item])); n > 0 {
				sizes[i] = append(sizes[i], fill{q.class, n})
				q.pieces -= n
				left -= rec.each[cl.item] * quantity.Mass(n)
			}
		}
	}
	for _, q := range parts {
		if q.pieces > 0 {
			return nil
		}
	}
	return sizes
}

// rebook books a group again with new fills at the same times. All get the
// largest mass that one of them needs, but for one that may be smaller.
func (s *search) rebook(rec *recipe, group []*placed, sizes [][]fill) bool {
	mode := &rec.modes[group[0].mode]
	masses := make([]quantity.Mass, len(group))
	pieces := make([][]quantity.Pieces, len(group))
	for i := range group {
		pieces[i] = make([]quantity.Pieces, len(rec.items))
		for _, f := range sizes[i] {
			pieces[i][s.classes[f.class].item] += f.pieces
		}
		mass, err := s.k.massFor(rec, pieces[i])
		if err != nil || mass > mode.max || len(sizes[i]) == 0 {
			return false
		}
		masses[i] = max(mass, mode.min)
	}
	common := slices.Max(masses)
	odd := slices.Index(masses, slices.Min(masses))
	at := len(s.fl.journal)
	for _, p := range group {
		s.fl.lift(p)
	}
	again := make([]*placed, len(group))
	for i, p := range group {
		w := p.want
		w.from, w.to, w.mass, w.pieces = p.mixEnd, p.mixEnd, common, pieces[i]
		if i == odd {
			w.mass = masses[i]
		}
		w.ready, w.leaves = s.classes[sizes[i][0].class].ready, 0
		for _, f := range sizes[i] {
			w.ready, w.leaves = min(w.ready, s.classes[f.class].ready), max(w.leaves, s.classes[f.class].ready)
		}
		s.surplus(rec, &w)
		if again[i], _ = s.fl.put(w); again[i] == nil {
			s.fl.back(at)
			return false
		}
		again[i].fills = sizes[i]
		again[i].odd = w.mass != common
	}
	return true
}
