package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary"
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

// tape is the mass on a sheet that posted batches have taped to a vessel, and
// whether one of them is the odd one already.
type tape struct {
	mass quantity.Mass
	odd  bool
}

// postedTapes lists the sheets of the posted batches.
func postedTapes(k *kitchen) map[taped]tape {
	tapes := map[taped]tape{}
	for _, b := range k.in.Posted {
		r, known := k.byID[b.Formula]
		v, ok := k.vessel[b.Vessel]
		if !known || !ok || len(b.Makes) == 0 || b.State == commissary.BatchScrapped {
			continue
		}
		for _, s := range b.Steps {
			if s.Step == commissary.StepMix {
				key := taped{r, v, k.zone.Date(s.From)}
				t, seen := tapes[key]
				if b.Odd {
					t.odd = true
				}
				if !b.Odd || !seen {
					t.mass = b.Mass
				}
				tapes[key] = t
			}
		}
	}
	return tapes
}

// even gives all batches that share a sheet one mass, but for at most one odd
// one, where anything changed. What that leaves over is built again, a few
// times over.
func (s *search) even() {
	for range 4 {
		if s.evenOnce() {
			return
		}
		s.build(bandsFirst, nil)
	}
	s.evenOnce()
}

// evenOnce spreads what the batches that share a sheet serve over them. Where
// no common mass fits the floor it lets batches go and reports false.
// Preferments keep the mass of the mix they feed.
func (s *search) evenOnce() bool {
	whole := true
	groups := s.sheets(func(key taped) bool { return s.touched[key] })
	clear(s.touched)
	for _, group := range groups {
		group = slices.DeleteFunc(group, func(p *placed) bool { return !s.stands(p) })
		for len(group) > 0 && !(s.alike(group) && s.exact(group)) && !s.respread(group) && !s.alike(group) {
			// The smallest leads to the fewest pieces to find another place for.
			last := slices.IndexFunc(group, func(p *placed) bool {
				return p.mass == slices.MinFunc(group, func(a, b *placed) int { return cmp.Compare(a.mass, b.mass) }).mass
			})
			s.drop(group[last])
			group = slices.DeleteFunc(group, func(p *placed) bool { return !s.stands(p) })
			whole = false
		}
	}
	return whole
}

// sheets lists the batches that share a sheet, sheet by sheet, in order of time.
func (s *search) sheets(which func(key taped) bool) [][]*placed {
	groups := map[taped][]*placed{}
	var order []taped
	for _, p := range s.fl.batches {
		if len(p.fills) == 0 {
			continue
		}
		key := s.tapedOf(p)
		if !which(key) {
			continue
		}
		if groups[key] == nil {
			order = append(order, key)
		}
		groups[key] = append(groups[key], p)
	}
	slices.SortFunc(order, func(a, b taped) int {
		return cmp.Or(a.day.Compare(b.day), cmp.Compare(a.recipe, b.recipe), cmp.Compare(a.vessel, b.vessel))
	})
	all := make([][]*placed, len(order))
	for i, key := range order {
		all[i] = groups[key]
		slices.SortFunc(all[i], func(a, b *placed) int { return cmp.Or(cmp.Compare(a.mixEnd, b.mixEnd), cmp.Compare(a.unit, b.unit)) })
	}
	return all
}

// exact reports whether a group makes nothing too much.
func (s *search) exact(group []*placed) bool {
	var over quantity.Pieces
	for _, p := range group {
		for _, n := range p.pieces {
			over += n
		}
		for _, f := range p.fills {
			over -= f.pieces
		}
	}
	return over == 0
}

// alike reports whether batches have one mass but for at most one, and marks that one.
func (s *search) alike(group []*placed) bool {
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
	most := 1
	if posted, ok := s.posted[s.tapedOf(group[0])]; ok {
		if common = posted.mass; posted.odd {
			most = 0
		}
	}
	for _, p := range group {
		p.odd = p.mass != common
	}
	return len(group)-count[common] <= most
}

// respread gives a group one mass: as it stands where that makes nothing too
// much, else with what it serves shared anew, else as it stands after all. It
// reports whether one of these fits the floor.
func (s *search) respread(group []*placed) bool {
	rec := &s.k.recipes[group[0].recipe]
	mode := &rec.modes[group[0].mode]
	asIs := make([][]fill, len(group))
	var net quantity.Mass
	for i, p := range group {
		asIs[i] = p.fills
		for _, f := range p.fills {
			net += rec.each[s.classes[f.class].item] * quantity.Mass(f.pieces)
		}
	}
	at := len(s.fl.journal)
	surplus, ok := s.rebook(rec, group, asIs)
	if ok && surplus == 0 {
		return true
	}
	s.fl.back(at)
	n := quantity.Mass(len(group))
	least := slices.Min(rec.each)
	// try books a way to share what the group serves, if it makes no more too much than less would do.
	try := func(sizes [][]fill, less quantity.Pieces) (quantity.Pieces, bool) {
		if sizes == nil {
			return 0, false
		}
		again, fits := s.rebook(rec, group, sizes)
		if fits && again > less {
			s.fl.back(at)
			return again, false
		}
		return again, fits
	}
	most := quantity.MaxPieces
	if ok {
		most = surplus
	}
	// The common size is the mean, or a little more where whole pieces or windows do not come out even.
	rooms := make([]quantity.Mass, len(group))
	top := mode.net
	room, last := max((net+n-1)/n, min(rec.netOf(mode.min), net)), quantity.Mass(0)
	for step := least; room <= top && room > last; room, last, step = min(room+step, top), room, step*2 {
		for i := range rooms {
			rooms[i] = room
		}
		sizes := s.spread(rec, group, rooms)
		again, fits := try(sizes, most)
		if !fits {
			continue
		}
		if again == 0 || n < 3 {
			return true
		}
		// Or a little less than the mean, and the odd one is larger.
		s.fl.back(at)
		for odd := range rooms {
			for i := range rooms {
				rooms[i] = max(net/n/least*least, rec.netOf(mode.min))
			}
			rooms[odd] = top
			if _, fits := try(s.spread(rec, group, rooms), again-1); fits {
				return true
			}
		}
		_, fits = try(sizes, most)
		return fits
	}
	if ok {
		_, ok = s.rebook(rec, group, asIs)
	}
	return ok
}

// spread fills the batches of a group in order of time up to the room of each, the
// class that closes first in front; nil when it does not all find place.
func (s *search) spread(rec *recipe, group []*placed, rooms []quantity.Mass) [][]fill {
	type part struct {
		class  int
		pieces quantity.Pieces
		off    bool // outside its good band already
	}
	var parts []part
	for _, p := range group {
		for _, f := range p.fills {
			off := !s.inBand(p, f.class)
			at := slices.IndexFunc(parts, func(q part) bool { return q.class == f.class && q.off == off })
			if at < 0 {
				at = len(parts)
				parts = append(parts, part{class: f.class, off: off})
			}
			parts[at].pieces += f.pieces
		}
	}
	slices.SortStableFunc(parts, func(a, b part) int {
		return cmp.Or(cmp.Compare(s.classes[a.class].goodTo, s.classes[b.class].goodTo), cmp.Compare(a.class, b.class))
	})
	sizes := make([][]fill, len(group))
	for i, p := range group {
		left := rooms[i]
		for j := range parts {
			q := &parts[j]
			cl := &s.classes[q.class]
			from, to := cl.window(!q.off)
			if p.mixEnd < from || p.mixEnd > to || p.done > cl.ready {
				continue
			}
			if n := min(q.pieces, quantity.Pieces(left/rec.each[cl.item])); n > 0 {
				sizes[i] = added(sizes[i], q.class, n)
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

// rebook books a group again with new fills, each no sooner than it stood. All get the
// largest mass that one of them needs, but for one that may be smaller, or larger where
// that makes less. It returns the pieces that makes too much.
func (s *search) rebook(rec *recipe, group []*placed, sizes [][]fill) (surplus quantity.Pieces, ok bool) {
	mode := &rec.modes[group[0].mode]
	posted, taped := s.posted[s.tapedOf(group[0])]
	masses := make([]quantity.Mass, len(group))
	wants := make([]want, len(group))
	for i := range group {
		wants[i] = s.noSooner(group[i], sizes[i])
		mass, err := s.k.massFor(rec, wants[i].pieces)
		if err != nil || mass > mode.max || len(sizes[i]) == 0 {
			return 0, false
		}
		masses[i] = max(mass, mode.min)
	}
	common, odd := alikeBut(masses)
	if taped {
		common = slices.Max(masses)
		odd = slices.Index(masses, slices.Min(masses))
		if common > posted.mass {
			return 0, false
		}
		if common = posted.mass; posted.odd {
			odd = -1
		}
	}
	at := len(s.fl.journal)
	for _, p := range group {
		s.fl.lift(p)
	}
	again := make([]*placed, len(group))
	for i := range group {
		w := wants[i]
		w.mass = common
		if i == odd {
			w.mass = masses[i]
		}
		surplus += s.surplus(rec, &w)
		if again[i], _ = s.fl.put(w); again[i] == nil {
			s.fl.back(at)
			return 0, false
		}
		again[i].fills = sizes[i]
		again[i].odd = w.mass != common
	}
	if q, _, _ := s.fl.unclean(); q != nil {
		s.fl.back(at)
		return 0, false
	}
	return surplus, true
}

// alikeBut is the mass that batches get that need so much each, and which one of
// them does not: the smallest, or the largest where that makes less in all.
func alikeBut(masses []quantity.Mass) (common quantity.Mass, odd int) {
	common, odd = slices.Max(masses), slices.Index(masses, slices.Min(masses))
	if len(masses) < 3 {
		return common, odd
	}
	ordered := slices.Sorted(slices.Values(masses))
	n := quantity.Mass(len(ordered))
	second := ordered[n-2]
	if second*(n-1)+common < common*(n-1)+ordered[0] {
		return second, slices.Index(masses, common)
	}
	return common, odd
}
