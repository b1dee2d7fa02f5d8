package plan

import (
	"math/rand/v2"
	"slices"

	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// manner is how a build treats the good bands.
type manner int

const (
	bandsFirst   manner = iota // all bands, then what is left anywhere in its window
	bandsInTurn                // each class in its band or else in its window, the window that closes first in front
	windowsOnly                // as if there were no bands
	largestFirst               // as in turn, on the largest vessel that can be had, as early as it can be had
	manners
)

// build adds batches until nothing open can be served any more. With a random
// source it varies the order and the vessels.
func (s *search) build(m manner, rng *rand.Rand) {
	if m == bandsFirst {
		s.pass(true, []bool{true}, rng)
	}
	s.largest = m == largestFirst
	if m == bandsInTurn {
		s.pass(false, []bool{true, false}, rng)
	} else {
		s.pass(false, []bool{false}, rng)
	}
}

// pass grows batches for the class that closes first by its band or by its
// window, trying the given kinds of window in turn.
func (s *search) pass(byBand bool, tries []bool, rng *rand.Rand) {
	stuck := make(map[int]bool)
	for {
		r := s.urgent(byBand, stuck, rng)
		if r < 0 {
			return
		}
		seed := s.foremost(r, byBand, stuck, rng)
		ok := false
		for _, band := range tries {
			var what bound
			if what, ok = s.grow(r, seed, band, rng); ok {
				break
			}
			if !band {
				s.classes[seed].what = what
			}
		}
		stuck[seed] = !ok
	}
}

// foremost returns the open class of a recipe that closes first, -1 if none; with
// a random source now and then any of them.
func (s *search) foremost(r int, band bool, stuck map[int]bool, rng *rand.Rand) int {
	if rng != nil && rng.IntN(4) == 0 {
		var open []int
		for _, c := range s.of[r] {
			if s.classes[c].open > 0 && !stuck[c] {
				open = append(open, c)
			}
		}
		if len(open) > 0 {
			return open[rng.IntN(len(open))]
		}
	}
	best := -1
	for _, c := range s.of[r] {
		if s.classes[c].open == 0 || stuck[c] {
			continue
		}
		if band {
			return c
		}
		if best < 0 || s.classes[c].to < s.classes[best].to {
			best = c
		}
	}
	return best
}

// urgent picks the recipe to go on with: the one whose first open class
// closes first, or with a random source one of those near it.
func (s *search) urgent(band bool, stuck map[int]bool, rng *rand.Rand) int {
	best, closes := -1, int64(0)
	for r := range s.of {
		c := s.foremost(r, band, stuck, nil)
		if c < 0 {
			continue
		}
		_, to := s.classes[c].window(band)
		if !s.largest { // whose order is by due time alone
			to -= s.classes[c].lead
		}
		if rng != nil {
			to += rng.Int64N(s.sway)
		}
		if best < 0 || to < closes {
			best, closes = r, to
		}
	}
	return best
}

// grow places one more batch of a recipe for its first open class and for
// what else the batch can serve. When it cannot, it says what bound.
func (s *search) grow(r, seed int, band bool, rng *rand.Rand) (what bound, ok bool) {
	rec := &s.k.recipes[r]
	what = bound{kind: limitWindow}
	from, to := s.classes[seed].window(band)
	from = max(from, s.fl.start)
	switch {
	case len(rec.modes) == 0:
		return bound{kind: limitClass}, false
	case from > to:
		return what, false
	}
	if s.topUp(rec, r, seed, band, rng) {
		return bound{}, true
	}
	if s.largest {
		return s.growLargest(r, seed)
	}
	for _, v := range s.venues(rec, r, band, from, to, rng) {
		for _, at := range s.starts(rec, r, v, band, rng) {
			p, fills, b := s.fit(r, v, band, at, rec.modes[v.mode].max, rng)
			if p != nil {
				s.serve(p, fills)
				return bound{}, true
			}
			if b.kind != "" && b.nearer(what) {
				what = b
			}
		}
	}
	return what, false
}

// growLargest opens a batch for a class on the largest vessel that can be had,
// in its band or else in its window, as early as it can be had with room for a
// full one.
func (s *search) growLargest(r, seed int) (what bound, ok bool) {
	rec := &s.k.recipes[r]
	what = bound{kind: limitWindow}
	for i, m := range rec.modes {
		if i > 0 && m.max == rec.modes[i-1].max {
			continue
		}
		for _, band := range []bool{true, false} {
			at, mode, b := s.soonestFull(rec, r, seed, band, m.max)
			if b.kind != "" {
				what = b
			}
			if mode < 0 {
				continue
			}
			if p, fills, _ := s.fit(r, venue{mode: mode, from: at, to: at}, band, at, rec.modes[mode].max, nil); p != nil {
				s.serve(p, fills)
				return bound{}, true
			}
		}
	}
	return what, false
}

// soonestFull is the earliest end of mixing of a batch of a mass for a class,
// and the way to make it; -1 where there is none.
func (s *search) soonestFull(rec *recipe, r, seed int, band bool, mass quantity.Mass) (at int64, mode int, what bound) {
	cl := &s.classes[seed]
	at, mode = sched.Never, -1
	w := want{recipe: r, mass: mass, ready: cl.ready, leaves: cl.ready}
	w.from, w.to = cl.window(band)
	for i, m := range rec.modes {
		if m.max < mass {
			break
		}
		w.mode, w.pieces = i, make([]quantity.Pieces, len(rec.items))
		w.pieces[cl.item] = 1
		s.surplus(rec, &w)
		mark := len(s.fl.journal)
		p, b := s.fl.put(w)
		if p == nil {
			what = b
		} else if p.mixEnd < at {
			at, mode = p.mixEnd, i
		}
		s.fl.back(mark)
	}
	return at, mode, what
}

// fit places a batch of at most one vessel full that ends mixing at or soon
// after an instant. What is full sized may be too much for the cold, the bench
// or the hands: then it is the largest found that is not.
func (s *search) fit(r int, v venue, band bool, at int64, most quantity.Mass, rng *rand.Rand) (*placed, []fill, bound) {
	rec := &s.k.recipes[r]
	mode := &rec.modes[v.mode]
	var pause idle
	if rng != nil && s.unusual && rng.IntN(3) == 0 {
		pause = idle{rng.Int64N(3), rng.Int64N(3)}
	}
	put := func(most quantity.Mass) (*placed, want, []fill, bound) {
		w, fills := s.size(r, v.mode, band, at, most)
		if len(fills) == 0 {
			return nil, w, nil, bound{}
		}
		w.from, w.to, w.idle = at, min(w.to, v.to), pause
		p, b := s.fl.put(w)
		return p, w, fills, b
	}
	if rng != nil && rng.IntN(6) == 0 {
		most = mode.min + (mode.max-mode.min)*quantity.Mass(rng.IntN(100))/100
	}
	s.loose = rng != nil && rng.IntN(8) == 0
	defer func() { s.loose = false }()
	p, w, fills, what := put(most)
	if p != nil || !what.sized {
		return p, fills, what
	}
	// What does not fit at its smallest does not fit at all.
	mark, high := len(s.fl.journal), w.mass // high does not fit
	if p, w, fills, _ = put(s.smallest(rec, mode, fills)); p == nil {
		return nil, nil, what
	}
	for high-w.mass > 1 && rec.netOf(high-w.mass) > slices.Min(rec.each) {
		most = w.mass + (high-w.mass)/2
		s.fl.back(mark)
		if q, w2, f2, _ := put(most); q != nil && w2.mass > w.mass {
			p, w, fills = q, w2, f2
			continue
		}
		s.fl.back(mark)
		high = most
		if p, _, _, _ = put(w.mass); p == nil {
			return nil, nil, what // cannot be: it fitted before
		}
	}
	return p, fills, bound{}
}

// smallest is the least mass of a batch that gives a piece to one that it is to serve.
func (s *search) smallest(rec *recipe, mode *mode, fills []fill) quantity.Mass {
	least := quantity.MaxMass
	for _, f := range fills {
		one := make([]quantity.Pieces, len(rec.items))
		one[s.classes[f.class].item] = 1
		if mass, err := s.k.massFor(rec, one); err == nil {
			least = min(least, mass)
		}
	}
	return max(least, mode.min)
}

// topUp gives the open pieces of a class to a batch that stands and has room,
// with a random source to any of them.
func (s *search) topUp(rec *recipe, r, class int, band bool, rng *rand.Rand) bool {
	cl := &s.classes[class]
	from, to := cl.window(band)
	stand, first := s.fl.of[r], 0
	if rng != nil && len(stand) > 0 {
		first = rng.IntN(len(stand))
	}
	for i := range stand {
		p := stand[(first+i)%len(stand)]
		if len(p.fills) == 0 || p.mixEnd < from || p.mixEnd > to || p.done > cl.ready {
			continue
		}
		room := s.room(r, p.mode, p.mixEnd) - s.netOf(p.fills)
		n := min(cl.open, quantity.Pieces(room/rec.each[cl.item]))
		if s.habit(r, p.mode, p.mixEnd).whole {
			n -= (s.made(p, cl.item) + n) % max(s.k.items[rec.items[cl.item]].PerBox, 1)
		}
		if n <= 0 || s.refill(p, added(p.fills, class, n)) == nil {
			continue
		}
		s.give(class, -n)
		return true
	}
	return false
}

// made is how many pieces of an item a batch gives.
func (s *search) made(p *placed, item int) (n quantity.Pieces) {
	for _, f := range p.fills {
		if s.classes[f.class].item == item {
			n += f.pieces
		}
	}
	return n
}

// refill places a batch again, at the same time, for what it gives from now
// on. It returns nil, and leaves the floor as it was, when it does not fit.
func (s *search) refill(p *placed, fills []fill) *placed {
	rec := &s.k.recipes[p.recipe]
	w := s.asked(p, fills)
	mass, err := s.k.massFor(rec, w.pieces)
	if err != nil || mass > s.most(p.recipe, p.mode, p.mixEnd) {
		return nil
	}
	w.mass = max(mass, rec.modes[p.mode].min)
	w.from, w.to = p.mixEnd, p.mixEnd
	s.surplus(rec, &w)
	at := len(s.fl.journal)
	s.fl.lift(p)
	q, _ := s.fl.put(w)
	if u, _, _ := s.fl.unclean(); q == nil || u != nil {
		s.fl.back(at)
		return nil
	}
	q.fills = fills
	s.touched[s.tapedOf(q)] = true
	return q
}

// asked is what a batch must be if it gives something else: its pieces, when
// they must be ready and when they leave.
func (s *search) asked(p *placed, fills []fill) want {
	w := p.want
	w.pieces = make([]quantity.Pieces, len(w.pieces))
	w.ready, w.leaves, w.goes = sched.Never, 0, s.goes(fills)
	for _, f := range fills {
		cl := &s.classes[f.class]
		w.pieces[cl.item] += f.pieces
		w.ready, w.leaves = min(w.ready, cl.ready), max(w.leaves, cl.ready)
	}
	return w
}

// noSooner is what a batch must be if it gives something else, at the time it
// stood or later that day, as long as its pieces stay where they were: in the
// band or out of it.
func (s *search) noSooner(p *placed, fills []fill) want {
	w := s.asked(p, fills)
	w.from, w.to = p.mixEnd, s.k.dayEnd(p.load, 0)
	for _, f := range fills {
		_, to := s.classes[f.class].window(s.inBand(p, f.class))
		w.to = min(w.to, to)
	}
	return w
}

// netOf is the mass of the pieces that a batch gives.
func (s *search) netOf(fills []fill) (net quantity.Mass) {
	for _, f := range fills {
		cl := &s.classes[f.class]
		net += s.k.recipes[cl.recipe].each[cl.item] * quantity.Mass(f.pieces)
	}
	return net
}

// added is what a batch gives with so many pieces more, or fewer, for a class.
func added(fills []fill, class int, pieces quantity.Pieces) []fill {
	fills = slices.Clone(fills)
	at := slices.IndexFunc(fills, func(f fill) bool { return f.class == class })
	if at < 0 {
		return append(fills, fill{class, pieces})
	}
	if fills[at].pieces += pieces; fills[at].pieces == 0 {
		fills = slices.Delete(fills, at, at+1)
	}
	return fills
}
