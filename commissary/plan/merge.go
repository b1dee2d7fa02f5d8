package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary/quantity"
)

// squeeze does without as many batches as it can, of those with a tenth of their
// vessel empty the smallest first, as long as the plan gets better by it and for so
// much work at most.
func (s *search) squeeze(work int64) {
	until := s.fl.steps + work
	small := slices.DeleteFunc(s.mains(), func(p *placed) bool { return s.share(p) > 900_000 })
	slices.SortStableFunc(small, func(a, b *placed) int { return cmp.Compare(s.share(a), s.share(b)) })
	for _, p := range small {
		at := len(s.fl.journal)
		if s.fl.steps < until && s.stands(p) && s.merge(p) {
			s.keepIfBetter(at)
		}
	}
}

// mains are the batches that serve needs themselves.
func (s *search) mains() []*placed {
	var mains []*placed
	for _, p := range s.fl.batches {
		if len(p.fills) > 0 {
			mains = append(mains, p)
		}
	}
	return mains
}

// smallOf is the one of some batches, taken at random, that fills its vessel least.
func (s *search) smallOf(mains []*placed) *placed {
	small := mains[s.rng.IntN(len(mains))]
	for range 2 {
		if p := mains[s.rng.IntN(len(mains))]; s.share(p) < s.share(small) {
			small = p
		}
	}
	return small
}

// share is how many parts in a million of its vessel a batch fills.
func (s *search) share(p *placed) int64 {
	return int64(p.mass) / max(int64(s.k.recipes[p.recipe].modes[p.mode].max)/1_000_000, 1)
}

// merge takes a batch away and hands what it gives to the other batches of its
// recipe where and when they stand. Where one of them has no room it hands
// something on to the next. It reports whether all found a place; if not, the
// floor is as it was.
func (s *search) merge(victim *placed) bool {
	var others []*placed
	for _, q := range s.fl.of[victim.recipe] {
		if q != victim && len(q.fills) > 0 {
			others = append(others, q)
		}
	}
	h := s.handing(others)
	for _, f := range victim.fills {
		if !h.place(f.class, f.pieces, s.inBand(victim, f.class)) {
			return false
		}
	}
	at := len(s.fl.journal)
	served := victim.fills
	s.drop(victim)
	if slices.ContainsFunc(others, func(q *placed) bool { return !s.stands(q) }) || !s.rearrange(h) {
		s.fl.back(at)
		return false
	}
	for _, f := range served {
		s.give(f.class, -f.pieces)
	}
	return true
}

// handing is batches of one recipe between which pieces are handed on.
type handing struct {
	s     *search
	rec   *recipe
	among []*placed
	gives [][]fill
	room  []quantity.Mass // of the pieces that a batch could still take
	moved []bool
}

func (s *search) handing(among []*placed) *handing {
	h := &handing{s: s, among: among, gives: make([][]fill, len(among)), room: make([]quantity.Mass, len(among)), moved: make([]bool, len(among))}
	for i, p := range among {
		h.rec = &s.k.recipes[p.recipe]
		h.gives[i] = p.fills
		h.room[i] = s.room(p.recipe, p.mode, p.mixEnd) - s.netOf(p.fills)
	}
	return h
}

// link is one batch on the way that pieces take: what comes in, and from where on the way.
type link struct {
	batch, class int
	band         bool // the pieces that come in are inside their good band so far
	before       int  // place in the list of links, -1 for the first
}

// place finds room for pieces of a class, along the shortest ways first.
func (h *handing) place(class int, pieces quantity.Pieces, band bool) bool {
	for pieces > 0 {
		n := h.pass(class, pieces, band)
		if n == 0 {
			return false
		}
		pieces -= n
	}
	return true
}

// pass hands on as many pieces as the shortest way with room lets through.
func (h *handing) pass(class int, pieces quantity.Pieces, band bool) quantity.Pieces {
	var ways []link
	seen := make([]bool, len(h.among))
	reach := func(class int, band bool, before int) {
		for i := range h.among {
			if !seen[i] && h.takes(i, class, band) {
				seen[i] = true
				ways = append(ways, link{i, class, band, before})
			}
		}
	}
	reach(class, band, -1)
	for at := 0; at < len(ways); at++ {
		w := ways[at]
		if n := h.through(ways, at, pieces); n > 0 {
			h.carry(ways, at, n)
			return n
		}
		for _, f := range h.gives[w.batch] {
			reach(f.class, h.s.inBand(h.among[w.batch], f.class), at)
		}
	}
	return 0
}

// takes reports whether a batch can give pieces of a class, without taking them out of their band.
func (h *handing) takes(i, class int, band bool) bool {
	p, cl := h.among[i], &h.s.classes[class]
	from, to := cl.window(band)
	return p.mixEnd >= from && p.mixEnd <= to && p.done <= cl.ready
}

// through is how many of the pieces at the beginning of a way the room at its end lets through.
func (h *handing) through(ways []link, at int, pieces quantity.Pieces) quantity.Pieces {
	var freed quantity.Mass
	for {
		w := ways[at]
		n := quantity.Pieces((h.room[w.batch] + freed) / h.each(w.class))
		if w.before < 0 {
			return min(n, pieces)
		}
		from := ways[w.before].batch
		n = min(n, h.has(from, w.class))
		if freed = h.each(w.class) * quantity.Mass(n); n == 0 {
			return 0
		}
		at = w.before
	}
}

// carry hands n pieces on along a way.
func (h *handing) carry(ways []link, at int, n quantity.Pieces) {
	var way []link
	for ; at >= 0; at = ways[at].before {
		way = append(way, ways[at])
	}
	slices.Reverse(way)
	for i, w := range way {
		h.gives[w.batch] = added(h.gives[w.batch], w.class, n)
		h.room[w.batch] -= h.each(w.class) * quantity.Mass(n)
		h.moved[w.batch] = true
		if i+1 < len(way) {
			out := way[i+1].class
			n = quantity.Pieces((-h.room[w.batch] + h.each(out) - 1) / h.each(out))
			if n <= 0 {
				return
			}
			h.gives[w.batch] = added(h.gives[w.batch], out, -n)
			h.room[w.batch] += h.each(out) * quantity.Mass(n)
		}
	}
}

func (h *handing) each(class int) quantity.Mass { return h.rec.each[h.s.classes[class].item] }

func (h *handing) has(i, class int) quantity.Pieces { return given(h.gives[i], class) }

// inBand reports whether a batch is mixed inside the good band of a class.
func (s *search) inBand(p *placed, class int) bool {
	cl := &s.classes[class]
	return p.mixEnd >= cl.goodFrom && p.mixEnd <= cl.goodTo
}

// rearrange books the batches between which pieces were handed again, each no
// sooner than it stood. It reports whether they fit; if not, the floor has to be
// taken back.
func (s *search) rearrange(h *handing) bool {
	for i, p := range h.among {
		if h.moved[i] {
			s.touched[s.tapedOf(p)] = true
			s.fl.lift(p)
		}
	}
	for i, p := range h.among {
		if !h.moved[i] {
			continue
		}
		if len(h.gives[i]) == 0 {
			continue // it has handed on all it had
		}
		w := s.noSooner(p, h.gives[i])
		mass, err := s.k.massFor(h.rec, w.pieces)
		if err != nil || mass > s.most(p.recipe, p.mode, p.mixEnd) {
			return false
		}
		w.mass = max(mass, h.rec.modes[p.mode].min)
		s.surplus(h.rec, &w)
		q, _ := s.fl.put(w)
		if q == nil {
			return false
		}
		q.fills = h.gives[i]
		s.touched[s.tapedOf(q)] = true
	}
	q, _, _ := s.fl.unclean()
	return q == nil
}
