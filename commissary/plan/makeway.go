package plan

import (
	"maps"
	"slices"
	"sort"

	"doughrun/commissary/plan/internal/sched"
)

// guest looks for a place: a batch that stands, or pieces that no batch gives, whose
// mass is 0 for as much as there is room for.
type guest struct {
	*placed        // nil for pieces
	seeks   want   // what it is made of, and when its mixing may end
	host    *guest // nil for the first; whoever comes before it takes its place
	takes   want   // what that one is there
}

// ways is how many ways are tried to make way for pieces of one class.
const ways = 3

// makeWay finds places for pieces that are short or outside their band where
// batches stand that could as well be made elsewhere: each gives its place to the
// one before it, and the last goes where there is room. It stops after so much
// work, or once nothing gets better by it.
func (s *search) makeWay(work int64) {
	until := s.fl.steps + work
	stuck := map[*placed]bool{} // batches that have no room but where they stand
	for better := true; better; {
		better = false
		for c := range s.classes {
			for s.fl.steps < until {
				at := len(s.fl.journal)
				bands := s.misplaced(c)
				if !slices.ContainsFunc(bands, func(band bool) bool { return s.placeByWay(c, band, stuck) }) {
					s.fl.back(at)
					break
				}
				better = true
				clear(stuck)
			}
		}
	}
	s.fl.mark()
}

// misplaced takes the pieces of a class that are outside their band from the
// batches that give them, and tells where places should be looked for: in the band, then
// for what was short before also in the window. It is nil where nothing is amiss.
func (s *search) misplaced(c int) (bands []bool) {
	cl := &s.classes[c]
	if cl.open > 0 {
		bands = []bool{true, false}
	}
	for _, p := range slices.Clone(s.fl.of[cl.recipe]) {
		if n := given(p.fills, c); n > 0 && !s.inBand(p, c) && s.stands(p) && s.takeFrom(p, c, n) {
			bands = []bool{true}
		}
	}
	return bands
}

// placeByWay makes room for a batch of a class, the shortest ways first, and
// reports whether the plan got better by it; if not, the floor is as it was.
func (s *search) placeByWay(c int, band bool, stuck map[*placed]bool) bool {
	cl := &s.classes[c]
	first := &guest{seeks: want{recipe: cl.recipe}}
	first.seeks.from, first.seeks.to = cl.window(band)
	mains, touched := s.mains(), maps.Clone(s.touched)
	seen := make([]bool, len(mains))
	queue, tried := []*guest{first}, 0
	for i := 0; i < len(queue) && tried < ways; i++ {
		g := queue[i]
		s.fl.steps++
		if g.placed != nil && !stuck[g.placed] {
			if s.hasRoom(g.seeks) {
				at := len(s.fl.journal)
				if s.follow(g, c, band) {
					s.build(bandsFirst, nil)
					if s.keepIfBetter(at) {
						return true
					}
				}
				s.fl.back(at)
				s.touched = maps.Clone(touched)
				tried++
				continue
			}
			stuck[g.placed] = true
		}
		for j, q := range mains {
			if seen[j] || q == g.placed || q.load > g.seeks.to || s.fl.heldUntil(q) < g.seeks.from {
				continue
			}
			if takes, ok := s.inPlaceOf(q, g.seeks); ok {
				seen[j] = true
				queue = append(queue, &guest{placed: q, seeks: s.anytime(q, band), host: g, takes: takes})
			}
		}
	}
	return false
}

// anytime is a batch as it stands, whenever its pieces can be made: with band
// those inside their bands inside them.
func (s *search) anytime(p *placed, band bool) want {
	w := p.want
	w.from, w.to = s.fl.start, sched.Never
	for _, f := range p.fills {
		from, to := s.classes[f.class].window(band && s.inBand(p, f.class))
		w.from, w.to = max(w.from, from), min(w.to, to)
	}
	return w
}

// inPlaceOf is what something that seeks a place has to be to be made where a
// batch stands; ok is false where it cannot.
func (s *search) inPlaceOf(q *placed, w want) (_ want, ok bool) {
	v := s.fl.vesselOf(q)
	modes := s.k.recipes[w.recipe].modes
	w.mode = slices.IndexFunc(modes, func(m mode) bool { return m.vessel == v })
	span := slices.IndexFunc(s.spans, func(w stretch) bool { return w.from <= q.load && q.load < w.to })
	if w.mode < 0 || span < 0 || w.mass > modes[w.mode].max || w.mass > 0 && w.mass < modes[w.mode].min {
		return w, false
	}
	m, row := &modes[w.mode], &s.fl.vessels[v]
	all := row.units[q.unit].Entries()
	at := sort.Search(len(all), func(i int) bool { return all[i].From >= q.load })
	from, before := s.spans[span].from, -1
	for i := at - 1; i >= 0; i-- {
		from = max(from, all[i].To)
		if !all[i].Idle {
			before = all[i].Family
			break
		}
	}
	to := s.spans[span].to
	if at+1 < len(all) {
		next := all[at+1]
		to = min(to, next.From-max(next.Setup, row.setup(w.recipe, next.Family)))
	}
	w.from = max(w.from, from+row.setup(before, w.recipe)+m.load+m.mix)
	w.to = min(w.to, to-m.unload)
	return w, w.from <= w.to
}

// hasRoom reports whether a batch fits somewhere beside all that stands.
func (s *search) hasRoom(w want) bool {
	for i, m := range s.k.recipes[w.recipe].modes {
		if w.mass > m.max || w.mass < m.min {
			continue
		}
		w.mode = i
		at := len(s.fl.journal)
		p, _ := s.fl.put(w)
		s.fl.back(at)
		if p != nil {
			return true
		}
	}
	return false
}

// follow takes a way: every batch on it leaves its place to the one before, and
// what the last one gives is open. It reports whether all fits.
func (s *search) follow(last *guest, c int, band bool) bool {
	for g := last; g.host != nil; g = g.host {
		if s.stands(g.placed) {
			s.drop(g.placed)
		}
	}
	for g := last; g.host != nil; g = g.host {
		if who := g.host.placed; who != nil {
			p, _ := s.fl.put(g.takes)
			if p == nil {
				return false
			}
			s.serve(p, who.fills)
			continue
		}
		w := g.takes
		p, fills, _ := s.fit(w.recipe, venue{mode: w.mode, from: w.from, to: w.to}, band, w.from, s.k.recipes[w.recipe].modes[w.mode].max, nil)
		if p == nil {
			return false
		}
		s.serve(p, fills)
	}
	return true
}
