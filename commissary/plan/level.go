package plan

import (
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// settled makes what stands fit to be posted, shares what is short and says
// what it costs.
func (s *search) settled() cost {
	s.even()
	c := s.measure()
	if c[costShort] == s.beyond || slices.Compare(c[:costDeviation], s.now[:costDeviation]) > 0 {
		return c // nothing to share, or it is not kept anyhow
	}
	s.level()
	return s.measure()
}

// level spreads what is short of an item for a date over all of its needs that
// the batches made could serve: the search serves the class that closes first
// in front, and shops' windows close minutes apart. Batches keep their times
// and masses, and no piece leaves its good band.
func (s *search) level() {
	for _, group := range s.sameService() {
		over := s.aboveShare(group)
		for _, to := range group {
			for _, from := range group {
				for _, p := range s.mains() {
					if over[from] <= 0 || over[to] >= 0 {
						break
					}
					n := min(over[from], -over[to], given(p.fills, from))
					if n > 0 && s.passOn(p, from, to, n) {
						over[from], over[to] = over[from]-n, over[to]+n
					}
				}
			}
		}
	}
}

// sameService lists the classes that are of one item and bake date, where
// there is more than one and something is short.
func (s *search) sameService() (groups [][]int) {
	type key struct {
		recipe, item int
		bake         civil.Date
	}
	at := map[key]int{}
	for c := range s.classes {
		cl := &s.classes[c]
		k := key{cl.recipe, cl.item, cl.bake}
		if _, ok := at[k]; !ok {
			at[k] = len(groups)
			groups = append(groups, nil)
		}
		groups[at[k]] = append(groups[at[k]], c)
	}
	return slices.DeleteFunc(groups, func(g []int) bool {
		return len(g) < 2 || !slices.ContainsFunc(g, func(c int) bool { return s.classes[c].open > 0 })
	})
}

// aboveShare says by how much each class of a group is served more than its
// share of what all of them are served.
func (s *search) aboveShare(group []int) map[int]quantity.Pieces {
	var all quantity.Pieces
	wants := make([][]quantity.Pieces, len(sources))
	over := map[int]quantity.Pieces{}
	for _, c := range group {
		cl := &s.classes[c]
		over[c] = cl.pieces - cl.open
		all += over[c]
		for turn, n := range cl.wants {
			wants[turn] = append(wants[turn], n)
		}
	}
	for a, n := range inTurn(all, wants) {
		over[group[a]] -= n
	}
	return over
}

// sources are served in this order where something does not reach for all.
var sources = [...]commissary.Source{commissary.FromOrder, commissary.FromStanding, commissary.FromForecast}

// inTurn shares a supply among claims, which are given by source: in
// proportion where it does not reach for all of one source.
func inTurn(left quantity.Pieces, wants [][]quantity.Pieces) (awards []quantity.Pieces) {
	awards = make([]quantity.Pieces, len(wants[0]))
	for _, claims := range wants {
		var total quantity.Pieces
		for _, n := range claims {
			total += n
		}
		parts, err := quantity.Apportion(min(left, total), claims)
		if err != nil {
			continue
		}
		for a, n := range parts {
			awards[a] += n
			left -= n
		}
	}
	return awards
}

// passOn lets a batch give pieces to another class than it did.
func (s *search) passOn(p *placed, from, to int, n quantity.Pieces) bool {
	cl := &s.classes[to]
	if p.mixEnd < cl.from || p.mixEnd > cl.to || p.done > cl.ready || s.inBand(p, from) && !s.inBand(p, to) {
		return false
	}
	fills := added(added(p.fills, from, -n), to, n)
	w := s.asked(p, fills)
	w.from, w.to = p.mixEnd, p.mixEnd
	s.surplus(&s.k.recipes[p.recipe], &w)
	at, before := len(s.fl.journal), s.measure()
	s.fl.lift(p)
	if q, _ := s.fl.put(w); q != nil {
		q.fills = fills
		s.give(from, n)
		s.give(to, -n)
		u, _, _ := s.fl.unclean()
		after := s.measure()
		if u == nil && slices.Compare(after[:costDeviation], before[:costDeviation]) <= 0 {
			return true
		}
	}
	s.fl.back(at)
	return false
}

// given is how many of the pieces are for a class.
func given(fills []fill, class int) quantity.Pieces {
	for _, f := range fills {
		if f.class == class {
			return f.pieces
		}
	}
	return 0
}
