package plan

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
	"sort"

	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// venue is a vessel and the part of a stretch of work in which a batch's
// mixing may end.
type venue struct {
	mode     int
	from, to int64
	dear     float64
}

// alikeDear is how much dearer, in batches, a venue may be and still count as
// equal: among equals the earlier one is taken, so that no vessel stands idle while work
// piles up behind it.
const alikeDear = 0.04

// venues orders the ways to make the next batch by what it and the batches for
// the rest come to: each one batch, and the time of its vessel at its price.
// So the last of many is not left nearly empty where a mix of sizes comes out.
func (s *search) venues(rec *recipe, r int, band bool, from, to int64, rng *rand.Rand) []venue {
	var all []venue
	var most quantity.Mass                      // that is open in one of them
	fits := make([]quantity.Mass, len(s.spans)) // what a batch in each stretch could serve
	for j, w := range s.spans {
		if max(from, w.from) <= min(to, w.to) {
			_, fits[j] = s.fullest(r, band, max(from, w.from), min(to, w.to), quantity.MaxMass)
		}
	}
	for i, m := range rec.modes {
		if m.vessel == s.banned {
			continue
		}
		sway := 1.0
		if rng != nil {
			sway += 0.2 * rng.Float64()
		}
		for j, w := range s.spans {
			v := venue{mode: i, from: max(from, w.from+m.load+m.mix), to: min(to, w.to-m.unload)}
			if v.from > v.to {
				continue
			}
			v.dear = sway * (1 + s.price[m.vessel][j]*float64(m.load+m.mix+m.unload+s.cleaning(r, m, w)))
			all = append(all, v)
			most = max(most, fits[j])
		}
	}
	if rng != nil && rng.IntN(8) == 0 {
		rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		return all
	}
	s.lookAhead(rec, all, most)
	least := math.Inf(1)
	for _, v := range all {
		least = min(least, v.dear)
	}
	for i := range all {
		all[i].dear = math.Floor((all[i].dear - least) / alikeDear)
	}
	slices.SortStableFunc(all, func(a, b venue) int {
		return cmp.Or(cmp.Compare(a.dear, b.dear), cmp.Compare(a.from, b.from), cmp.Compare(a.mode, b.mode))
	})
	return all
}

// cleaning is the least time that is cleaned more on a vessel in a stretch of work
// for one more batch of a recipe.
func (s *search) cleaning(r int, m mode, w stretch) int64 {
	row, least := &s.fl.vessels[m.vessel], sched.Never
	for _, u := range row.units {
		all := u.Entries()
		i := sort.Search(len(all), func(i int) bool { return all[i].From >= w.from })
		before, ready := -1, w.from
		if i > 0 {
			before, ready = all[i-1].Family, max(ready, all[i-1].To)
		}
		for ; i < len(all) && all[i].From < w.to; i++ {
			e := &all[i]
			if e.Idle {
				ready = max(ready, e.To)
				continue
			}
			one, two := row.setup(before, r), row.setup(r, e.Family)
			if ready+one+m.load+m.mix+m.unload+two <= e.From {
				least = min(least, one+two-e.Setup)
			}
			before, ready = e.Family, e.To
		}
		if one := row.setup(before, r); ready+one+m.load+m.mix+m.unload <= w.to {
			least = min(least, one)
		}
	}
	if least == sched.Never {
		return 0
	}
	return least
}

// lookAhead adds to what each venue costs the least that the rest of so much
// open mass can be made for. Of very much only the last few batches count.
func (s *search) lookAhead(rec *recipe, all []venue, open quantity.Mass) {
	largest := rec.modes[0].net
	unit := max(largest/40, 1)
	if few := 6 * largest; open > few {
		open = few + open%largest
	}
	holds, cost := make([]int, len(all)), make([]float64, len(all))
	for i, v := range all {
		holds[i], cost[i] = max(int(rec.modes[v.mode].net/unit), 1), v.dear
	}
	n := int((open + unit - 1) / unit)
	rest := cover(n, holds, cost)
	for i := range all {
		all[i].dear += rest[max(n-holds[i], 0)]
	}
}

// cover tells for every amount up to n what the cheapest batches cost that
// hold it, each of some size at some cost.
func cover(n int, holds []int, cost []float64) []float64 {
	// Of each size only the cheapest way counts.
	var size []int
	var cheap []float64
	for i, h := range holds {
		if at := slices.Index(size, h); at < 0 {
			size, cheap = append(size, h), append(cheap, cost[i])
		} else {
			cheap[at] = min(cheap[at], cost[i])
		}
	}
	least := make([]float64, n+1)
	for i := 1; i <= n; i++ {
		best := math.Inf(1)
		for k, h := range size {
			best = min(best, cheap[k]+least[max(i-h, 0)])
		}
		least[i] = best
	}
	return least
}

// starts are the ends of mixing to try in a venue: where it is filled first, as
// early as it can be, or once what closes before it has closed; with a random source now and then just before
// something that stands, as late as it can be, or anywhere.
func (s *search) starts(rec *recipe, r int, v venue, band bool, rng *rand.Rand) []int64 {
	if rng != nil {
		switch rng.IntN(8) {
		case 0:
			return []int64{v.from + rng.Int64N(v.to-v.from+1)/300*300, v.from}
		case 1, 2:
			return []int64{s.flush(rec, v, rng), v.from}
		}
	}
	starts := []int64{v.from}
	if at, _ := s.fullest(r, band, v.from, v.to, rec.modes[v.mode].net); at > v.from {
		starts = []int64{at, v.from}
	}
	// What closes first is served in front, and the batch must be in time for it.
	late := v.from
	for _, c := range s.of[r] {
		if f, t := s.classes[c].window(band); s.classes[c].open > 0 && f <= v.to && t < v.to {
			late = max(late, t+1)
		}
	}
	if !slices.Contains(starts, late) {
		starts = append(starts, late)
	}
	return starts
}

// flush is an end of mixing from which a batch is off its vessel just when a
// batch that stands is cleaned for or loaded, or the last one of the venue.
func (s *search) flush(rec *recipe, v venue, rng *rand.Rand) int64 {
	at, n := v.to, 1
	for _, p := range s.fl.batches {
		if t := p.load - p.setup - rec.modes[v.mode].unload; t >= v.from && t < v.to {
			if n++; rng.IntN(n) == 0 {
				at = t
			}
		}
	}
	return at
}

// fullest is the earliest end of mixing in [from, to] at which the open
// classes fill the room, else the one at which they fill it most, and how much.
func (s *search) fullest(r int, band bool, from, to int64, room quantity.Mass) (int64, quantity.Mass) {
	rec := &s.k.recipes[r]
	points := []int64{from}
	for _, c := range s.of[r] {
		if f, _ := s.classes[c].window(band); s.classes[c].open > 0 && f > from && f <= to && !slices.Contains(points, f) && len(points) < 12 {
			points = append(points, f)
		}
	}
	slices.Sort(points)
	best, most := from, quantity.Mass(-1)
	for _, p := range points {
		var mass quantity.Mass
		for _, c := range s.of[r] {
			cl := &s.classes[c]
			if f, t := cl.window(band); cl.open > 0 && f <= p && p <= t {
				mass += rec.each[cl.item] * quantity.Mass(cl.open)
			}
		}
		if mass >= room {
			return p, mass
		}
		if mass > most {
			best, most = p, mass
		}
	}
	return best, most
}
