package plan

import (
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// first builds the first plan: what can stay as it was, then by urgency.
func (s *search) first() {
	s.fl.mark()
	s.keepBefore()
	s.build(bandsFirst, nil)
	s.now = s.settled()
	s.built = s.fl.steps
	s.fl.mark()
}

// others sees whether a plan built in another manner does better where the
// first, mended, leaves pieces short, or outside their bands.
//
// No stage hangs on the work budget, so that a larger one follows the same path
// further; each takes no more than about what the first build took.
func (s *search) others() {
	s.makeWay(s.built / 4)
	s.hasten()
	s.loosen()
	s.makeWay(s.built)
	s.mend()
	for _, m := range []manner{bandsInTurn, largestFirst, windowsOnly} {
		if s.replans() && s.fl.steps+2*s.built > DefaultSteps {
			break // planning anew takes no more steps than a first plan does
		}
		if s.now[costShort] > s.beyond {
			s.startAgain(m)
			s.mend()
			s.makeWay(s.built)
		}
	}
	s.squeeze(s.built)
	if s.built > DefaultSteps*3/4 && !s.replans() {
		s.sweep()
		s.squeeze(s.built)
	}
	s.fl.mark()
}

// sweep plans half a stretch of work after the other anew, with the rest as it
// stands. It is for days so large that the first plan alone takes most of a usual
// budget: what is tried at random then changes too little.
func (s *search) sweep() {
	for _, w := range s.spans {
		middle := (w.from + w.to) / 2
		for _, half := range []stretch{{w.from, middle}, {middle, w.to}} {
			s.anew(func(p *placed) bool { return p.load >= half.from && p.load < half.to })
		}
	}
}

// hurry is how much sooner it is the turn of what came out short when a plan is
// built again.
const hurry = 6 * 3600

// hasten builds the plan again with what came out short, or outside its band,
// before its turn: what fewer vessels can make must not wait until those are full.
func (s *search) hasten() {
	if s.replans() || !s.forward() {
		return
	}
	if !s.anew(func(*placed) bool { return true }) {
		s.inTurn()
	}
	s.fl.mark()
}

// inTurn has all classes wait for their turn again.
func (s *search) inTurn() {
	for c := range s.classes {
		s.classes[c].lead = 0
	}
}

// forward brings classes forward that are short of what the vessels could make,
// or outside their bands, and reports whether there are any.
func (s *search) forward() bool {
	late := map[int]bool{}
	for c := range s.classes {
		if s.classes[c].open > 0 {
			late[c] = true
		}
	}
	for _, p := range s.fl.batches {
		for _, f := range p.fills {
			if !s.inBand(p, f.class) {
				late[f.class] = true
			}
		}
	}
	for c := range late {
		s.classes[c].lead += hurry
	}
	return len(late) > 0
}

// loosen plans anew what the plan in force had near in time to batches that could
// not stay: a little first, then more, as long as pieces are short or outside
// their bands. All at once would move what need not move.
func (s *search) loosen() {
	until := s.fl.steps + s.built
	for _, by := range []int64{3600, 3 * 3600, 9 * 3600} {
		if len(s.lost) == 0 || s.fl.steps >= until || s.now[costShort] == s.beyond && s.now[costOff] == 0 {
			return
		}
		s.forward()
		s.anew(func(p *placed) bool {
			return slices.ContainsFunc(s.lost, func(at int64) bool { return max(p.mixEnd-at, at-p.mixEnd) <= by })
		})
	}
}

// mends is how many changes are tried on a plan that leaves pieces short before
// it is built in another manner, within as many steps as the first build took.
const mends = 60

// mend looks for changes to the plan that make what it leaves short: few pieces
// often need few changes, where another manner moves thousands out of their bands.
func (s *search) mend() {
	until := s.fl.steps + s.built
	for i := 0; i < mends && s.fl.steps < until && s.now[costShort] > s.beyond && len(s.fl.batches) > 0; i++ {
		s.improve()
	}
	s.fl.mark()
}

// startAgain builds everything anew in another manner, and keeps it if it is better.
func (s *search) startAgain(m manner) {
	at := len(s.fl.journal)
	s.dropAll(func(*placed) bool { return true })
	s.keepBefore()
	s.build(m, nil)
	if s.keepIfBetter(at) {
		// What serves pieces outside their band is built again with the bands in force.
		s.anew(s.outside)
	}
}

// keepIfBetter makes the plan fit to be posted and keeps it if it is better
// than the one before; it is taken back to where the journal had the given
// length otherwise.
func (s *search) keepIfBetter(at int) bool {
	c := s.settled()
	if c.compare(s.now) >= 0 {
		s.fl.back(at)
		return false
	}
	s.now = c
	return true
}

// anew plans some of the batches that serve needs anew, all bands first and with the
// rest as it stands, and keeps what comes of it if it is better.
func (s *search) anew(which func(p *placed) bool) bool {
	at := len(s.fl.journal)
	s.dropAll(which)
	s.build(bandsFirst, nil)
	return s.keepIfBetter(at)
}

// dropAll takes away some of the batches that serve needs.
func (s *search) dropAll(which func(p *placed) bool) {
	for _, p := range s.mains() {
		if which(p) && s.stands(p) {
			s.drop(p)
		}
	}
}

// outside reports whether a batch serves pieces outside their good band.
func (s *search) outside(p *placed) bool {
	return slices.ContainsFunc(p.fills, func(f fill) bool { return !s.inBand(p, f.class) })
}

// keepBefore puts the batches of the plan in force where they were, as far as
// they still serve what is open.
func (s *search) keepBefore() {
	s.lost = nil
	for _, b := range s.k.in.Before {
		r, known := s.k.byID[b.Formula]
		v, there := s.k.vessel[b.Vessel]
		if !known || !there || len(b.Makes) == 0 {
			continue
		}
		m := slices.IndexFunc(s.k.recipes[r].modes, func(m mode) bool { return m.vessel == v })
		if m < 0 {
			continue
		}
		at := b.MixEnd.Unix()
		w, fills := s.asBefore(r, m, b)
		if len(fills) == 0 {
			continue
		}
		w.from, w.to = at, at
		if p, _ := s.fl.put(w); p != nil {
			s.serve(p, fills)
			continue
		}
		s.lost = append(s.lost, at)
	}
}

// asBefore is a batch of the plan in force as far as what it served is open still.
func (s *search) asBefore(r, m int, b commissary.Batch) (want, []fill) {
	rec := &s.k.recipes[r]
	w := want{recipe: r, mode: m, pieces: make([]quantity.Pieces, len(rec.items)), ready: sched.Never}
	var fills []fill
	for _, v := range b.Serves {
		c, ok := s.classOf[service{v.Shop, v.Item, v.BakeDate}]
		if !ok {
			continue
		}
		if n := min(v.Pieces, s.classes[c].open-given(fills, c)); n > 0 {
			fills = added(fills, c, n)
			w.pieces[s.classes[c].item] += n
		}
	}
	w = s.asked(&placed{want: w}, fills)
	mass, err := s.k.massFor(rec, w.pieces)
	mode := &rec.modes[m]
	if w.mass = max(mass, mode.min); err != nil || w.mass > min(b.Mass, mode.max) {
		return w, nil
	}
	s.surplus(rec, &w)
	return w, fills
}

// serve notes what a batch that was just placed gives to whom.
func (s *search) serve(p *placed, fills []fill) {
	p.fills = fills
	s.touched[s.tapedOf(p)] = true
	for _, f := range fills {
		s.give(f.class, -f.pieces)
	}
}
