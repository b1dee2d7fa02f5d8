package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary/quantity"
)

// improve takes some batches away, builds again, and keeps the result when it
// is not worse.
func (s *search) improve() {
	s.fl.mark()
	before := s.fl.steps
	mains := s.mains()
	if len(mains) == 0 {
		s.fl.steps++
		return
	}
	clear(s.touched)
	s.resize()
	if s.rng.IntN(4) == 0 && s.now[costShort]+s.now[costOff]+s.now[costSurplus] > 0 {
		s.handOver(mains)
	} else if !(s.rng.IntN(4) == 0 && s.merge(s.smallOf(mains))) {
		gone := s.ruin(mains)
		if s.rng.IntN(2) == 0 {
			s.reorder(gone)
		}
		s.rebuild()
	}
	s.still++
	if after := s.settled(); s.better(after) {
		if after[costShort] < s.now[costShort] || after[costOff] < s.now[costOff] {
			s.still = 0
		}
		s.now = after
	} else {
		s.fl.back(0)
	}
	s.fl.steps = max(s.fl.steps, before+1)
}

// ruin takes away some batches that are near each other: in time, of one
// dough, on one vessel; now and then any.
func (s *search) ruin(mains []*placed) (gone []*placed) {
	victim := mains[s.rng.IntN(len(mains))]
	if p := s.trouble(mains); p != nil && s.rng.IntN(4) > 0 {
		victim = p
	}
	type apart struct {
		*placed
		by int64
		at int
	}
	spread := int64(4 * 3600)
	if s.rng.IntN(4) == 0 {
		spread = 14 * 86400 // wherever they are
	}
	near := make([]apart, len(mains))
	for i, p := range mains {
		by := max(p.mixEnd-victim.mixEnd, victim.mixEnd-p.mixEnd)
		if p.recipe != victim.recipe {
			by += 3 * 3600
		}
		if s.fl.vesselOf(p) != s.fl.vesselOf(victim) {
			by += 3600
		}
		near[i] = apart{p, by + s.rng.Int64N(spread), i}
	}
	n := 1 + s.rng.IntN(6)
	if s.unusual || s.rng.IntN(8) == 0 {
		n = 1 + s.rng.IntN(1+s.rng.IntN(24))
	}
	n = min(n, len(near))
	nearest(near, n, func(a, b apart) int { return cmp.Or(cmp.Compare(a.by, b.by), cmp.Compare(a.at, b.at)) })
	for _, p := range near[:n] {
		if s.stands(p.placed) {
			s.drop(p.placed)
			gone = append(gone, p.placed)
		}
	}
	return gone
}

// nearest brings the n least of all to the front, in order.
func nearest[T any](all []T, n int, compare func(a, b T) int) {
	for i := range all {
		x := all[i]
		if at, _ := slices.BinarySearchFunc(all[:min(i, n)], x, compare); at < n {
			copy(all[at+1:min(i, n-1)+1], all[at:])
			all[at] = x
		}
	}
}

// reorder makes some of the batches that were taken away again, on their
// vessels but in another order, each as early as it can be then.
func (s *search) reorder(gone []*placed) {
	s.rng.Shuffle(len(gone), func(i, j int) { gone[i], gone[j] = gone[j], gone[i] })
	for _, p := range gone[:1+s.rng.IntN(len(gone))] {
		for _, band := range []bool{true, false} {
			c := s.foremost(p.recipe, band, nil, s.rng)
			if c < 0 {
				break
			}
			from, to := s.classes[c].window(band)
			if from = max(from, s.fl.start); from > to {
				continue
			}
			if s.again(p, venue{mode: p.mode, from: from, to: to}, band) {
				break
			}
		}
	}
}

// again makes a batch in a venue, at most as large as it was.
func (s *search) again(p *placed, v venue, band bool) bool {
	for _, at := range s.starts(&s.k.recipes[p.recipe], p.recipe, v, band, nil) {
		if q, fills, _ := s.fit(p.recipe, v, band, at, p.mass, nil); q != nil {
			s.serve(q, fills)
			return true
		}
	}
	return false
}

// patience is how many builds may bring neither a piece more nor one more in its band.
const patience = 100

// resize now and then has the next build make smaller batches, or whole boxes
// only, and let some wait: where the cold, the boxes or the hands are what is
// short, more of them can give more. It does so once the usual builds bring no
// further.
func (s *search) resize() {
	s.unusual, s.habits, s.fullBoxes = false, nil, false
	if s.now[costShort] == s.beyond && s.now[costOff] == 0 || s.still < patience || s.rng.IntN(2) > 0 {
		return
	}
	s.unusual, s.habits, s.fullBoxes = true, map[taped]habit{}, s.rng.IntN(2) == 0
}

// handOver lets one batch give some pieces that another of its dough gives, or
// nobody: in place of what it makes too much, on top, or in place of others that
// are then to find a batch. A batch with nothing left goes.
func (s *search) handOver(mains []*placed) {
	p := mains[s.rng.IntN(len(mains))]
	rec := &s.k.recipes[p.recipe]
	q, f := s.offer(p, mains)
	cl := &s.classes[f.class]
	if f.pieces == 0 || p.mixEnd < cl.from || p.mixEnd > cl.to || p.done > cl.ready {
		return
	}
	n := f.pieces
	if s.rng.IntN(2) == 0 {
		n = 1 + quantity.Pieces(s.rng.Int64N(int64(n)))
	} else if room := (rec.netOf(p.mass) - s.netOf(p.fills)) / rec.each[cl.item]; room > 0 {
		n = min(n, quantity.Pieces(room))
	}
	gives, out := added(p.fills, f.class, n), fill{class: f.class}
	if over := s.netOf(gives) - s.room(p.recipe, p.mode, p.mixEnd); over > 0 {
		if out = p.fills[s.rng.IntN(len(p.fills))]; out.class == f.class {
			return
		}
		each := rec.each[s.classes[out.class].item]
		out.pieces = min(out.pieces, quantity.Pieces((over+each-1)/each))
		gives = added(gives, out.class, -out.pieces)
	}
	if q != nil && !s.takeFrom(q, f.class, n) {
		return
	}
	if s.stands(p) && s.refill(p, gives) != nil {
		s.give(f.class, -n)
		s.give(out.class, out.pieces)
	}
	s.build(bandsFirst, nil)
}

// takeFrom opens pieces of a class that a batch gives; a batch with nothing left
// goes. It reports false, and leaves the floor as it was, where what is left
// cannot be made there.
func (s *search) takeFrom(p *placed, class int, n quantity.Pieces) bool {
	left := added(p.fills, class, -n)
	switch {
	case len(left) == 0:
		s.drop(p)
	case s.refill(p, left) != nil:
		s.give(class, n)
	default:
		return false
	}
	return true
}

// offer takes at random something of a batch's dough that another batch gives,
// or that nobody does.
func (s *search) offer(p *placed, mains []*placed) (from *placed, f fill) {
	n := 0
	add := func(q *placed, g fill) {
		if n++; s.rng.IntN(n) == 0 {
			from, f = q, g
		}
	}
	for _, q := range mains {
		if q != p && q.recipe == p.recipe {
			for _, g := range q.fills {
				add(q, g)
			}
		}
	}
	for _, c := range s.of[p.recipe] {
		if open := s.classes[c].open; open > 0 {
			add(nil, fill{c, open})
		}
	}
	return from, f
}

// trouble is a batch that stands where something should be made that is not:
// in the window of a class with open pieces, or in the band of one whose
// pieces are outside it. It is nil where nothing is amiss.
func (s *search) trouble(mains []*placed) *placed {
	type hole struct{ from, to int64 }
	var holes []hole
	for c := range s.classes {
		if cl := &s.classes[c]; cl.open > 0 && cl.to >= s.fl.start {
			holes = append(holes, hole{cl.from, cl.to})
		}
	}
	if len(holes) == 0 || s.rng.IntN(3) == 0 {
		holes = holes[:0]
		for _, p := range mains {
			for _, f := range p.fills {
				if cl := &s.classes[f.class]; !s.inBand(p, f.class) {
					holes = append(holes, hole{cl.goodFrom, cl.goodTo}, hole{p.mixEnd, p.mixEnd})
				}
			}
		}
	}
	if len(holes) == 0 {
		return nil
	}
	h := holes[s.rng.IntN(len(holes))]
	var near []*placed
	for _, p := range mains {
		if p.mixEnd >= h.from-2*3600 && p.mixEnd <= h.to+2*3600 {
			near = append(near, p)
		}
	}
	if len(near) == 0 {
		return nil
	}
	return near[s.rng.IntN(len(near))]
}

// better reports whether a cost is as good as the one reached. Where a plan is
// in force nothing moves for less than a piece or a batch.
func (s *search) better(c cost) bool {
	if s.replans() {
		return slices.Compare(c[:costDeviation], s.now[:costDeviation]) < 0
	}
	return c.compare(s.now) <= 0
}

// drop takes a batch away and opens again what it served. What cannot be
// cleaned for any more without it goes too.
func (s *search) drop(p *placed) {
	s.touched[s.tapedOf(p)] = true
	s.fl.lift(p)
	for _, f := range p.fills {
		s.give(f.class, f.pieces)
	}
	for {
		q, setup, ok := s.fl.unclean()
		switch {
		case q == nil:
			return
		case ok:
			s.fl.clean(q, setup)
		default:
			s.drop(s.userOf(q))
		}
	}
}

// stands reports whether a batch is on the floor: dropping one can take others with it.
func (s *search) stands(p *placed) bool { return slices.Contains(s.fl.of[p.recipe], p) }

// userOf is the batch itself, or the one that a preferment or made prep feeds.
func (s *search) userOf(q *placed) *placed {
	for _, p := range s.fl.batches {
		if slices.ContainsFunc(p.draws, func(d draw) bool { return d.tub.batch == q }) {
			return s.userOf(p)
		}
	}
	return q
}

func (s *search) give(class int, pieces quantity.Pieces) {
	s.classes[class].open += pieces
	s.fl.journal = append(s.fl.journal, func() { s.classes[class].open -= pieces })
}

// rebuild builds again, now and then without a vessel or without bands: what
// is short weighs more than what is outside its band.
func (s *search) rebuild() {
	s.banned = -1
	if s.rng.IntN(4) == 0 {
		s.banned = s.rng.IntN(len(s.fl.vessels))
	}
	s.sway = 12 * 3600
	if s.rng.IntN(4) == 0 {
		s.sway = 14 * 86400
	}
	m := bandsFirst
	if s.now[costShort] > s.beyond || s.now[costOff] > 0 && s.rng.IntN(2) == 0 {
		m = manner(s.rng.IntN(int(manners)))
	}
	s.build(m, s.rng)
	if s.banned >= 0 {
		s.banned = -1
		s.build(m, s.rng)
	}
}
