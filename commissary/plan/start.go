package plan

import "slices"

// first builds the first plan: what can stay as it was, then by urgency.
func (s *search) first() {
	s.fl.mark()
	s.keepBefore()
	s.build(bandsFirst, nil)
	s.now = s.settled()
	s.fl.mark()
}

// others sees whether a plan built in another manner does better where the
// first, mended, leaves pieces short, or outside their bands.
func (s *search) others(budget int64) {
	s.mend()
	for _, m := range []manner{bandsInTurn, largestFirst, windowsOnly} {
		if s.now[costShort] > s.beyond || m == largestFirst && s.now[costOff] > 0 {
			s.startAgain(m)
			s.mend()
		}
	}
	s.squeeze(s.fl.steps + budget/4)
	s.fl.mark()
}

// mends is how many changes are tried on a plan that leaves pieces short before
// it is built in another manner.
const mends = 60

// mend looks for changes to the plan that make what it leaves short: few pieces
// often need few changes, where another manner moves thousands out of their bands.
func (s *search) mend() {
	for i := 0; i < mends && s.now[costShort] > s.beyond && len(s.fl.batches) > 0; i++ {
		s.improve()
	}
	s.fl.mark()
}

// startAgain builds everything anew in another manner, and keeps it if it is better.
func (s *search) startAgain(m manner) {
	at := len(s.fl.journal)
	s.dropAll(func(p *placed) bool { return len(p.fills) > 0 })
	s.keepBefore()
	s.build(m, nil)
	if s.keepIfBetter(at) {
		// What serves pieces outside their band is built again with the bands in force.
		at = len(s.fl.journal)
		s.dropAll(s.outside)
		s.build(bandsFirst, nil)
		s.keepIfBetter(at)
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

func (s *search) dropAll(which func(p *placed) bool) {
	for _, p := range slices.Clone(s.fl.batches) {
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
		w, fills := s.size(r, m, true, at, b.Mass)
		if len(fills) == 0 {
			if w, fills = s.size(r, m, false, at, b.Mass); len(fills) == 0 {
				continue
			}
		}
		w.from, w.to = at, at
		if p, _ := s.fl.put(w); p != nil {
			s.serve(p, fills)
		}
	}
}

// serve notes what a batch that was just placed gives to whom.
func (s *search) serve(p *placed, fills []fill) {
	p.fills = fills
	s.touched[s.tapedOf(p)] = true
	for _, f := range fills {
		s.give(f.class, -f.pieces)
	}
}
