package plan

import (
	"cmp"
	"math/rand/v2"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// class is needs that are alike to the planner: of one item, with the same
// instants.
type class struct {
	recipe, item int   // item: place among the recipe's items
	from, to     int64 // the end of mixing
	goodFrom     int64
	goodTo       int64
	best         int64 // end of mixing that meets the best age at mid-service
	ready        int64 // when its run departs
	bake         civil.Date
	pieces, open quantity.Pieces
	needs        []int
	what         bound // what kept it from being served in full
}

func (c *class) window(band bool) (from, to int64) {
	if band {
		return c.goodFrom, c.goodTo
	}
	return c.from, c.to
}

// search looks for batches that serve the classes: it builds a first plan by
// urgency, then takes parts of it away and builds them again in other ways as
// long as the work budget lasts, keeping what is not worse.
type search struct {
	k       *kitchen
	fl      *floor
	classes []class
	of      [][]int // classes of each recipe, the one that closes first in front
	rng     *rand.Rand
	now     cost
}

// cost is the objective, in order of weight.
type cost [7]int64

const (
	costShort = iota
	costOff
	costBatches
	costSurplus
	costDeviation
	costWashes
	costFinish
)

func (c cost) compare(d cost) int { return slices.Compare(c[:], d[:]) }

func newSearch(k *kitchen, fl *floor, needs []commissary.Need, open []quantity.Pieces) *search {
	s := &search{k: k, fl: fl, of: make([][]int, len(k.recipes)), rng: rand.New(rand.NewPCG(k.in.Seed, 0x5ca1ab1e))}
	type key struct {
		recipe, item                       int
		from, to, goodFrom, goodTo, leaves int64
		bake                               civil.Date
	}
	index := map[key]int{}
	for i, n := range needs {
		if open[i] == 0 {
			continue
		}
		item := k.items[n.Item]
		r := k.byID[item.Formula]
		rec := &k.recipes[r]
		at := slices.Index(rec.items, n.Item)
		leaves := n.Departs.Unix()
		key := key{r, at, n.MadeFrom.Unix(), n.MadeTo.Unix(), n.GoodFrom.Unix(), n.GoodTo.Unix(), leaves, n.BakeDate}
		c, ok := index[key]
		if !ok {
			c = len(s.classes)
			index[key] = c
			// The batch must be through its steps before the run departs.
			last := leaves - rec.after
			middle := n.GoodFrom.Unix() + (n.GoodTo.Unix()-n.GoodFrom.Unix())/2
			s.classes = append(s.classes, class{recipe: r, item: at, from: key.from, to: min(key.to, last),
				goodFrom: key.goodFrom, goodTo: min(key.goodTo, last), best: middle, ready: leaves, bake: n.BakeDate, what: bound{kind: limitWindow}})
			s.of[r] = append(s.of[r], c)
			if len(rec.modes) == 0 {
				s.classes[c].what.kind = limitClass
			}
		}
		s.classes[c].pieces += open[i]
		s.classes[c].open += open[i]
		s.classes[c].needs = append(s.classes[c].needs, i)
	}
	for _, of := range s.of {
		slices.SortStableFunc(of, func(a, b int) int {
			x, y := &s.classes[a], &s.classes[b]
			return cmp.Or(cmp.Compare(x.goodTo, y.goodTo), cmp.Compare(x.to, y.to), cmp.Compare(x.goodFrom, y.goodFrom), cmp.Compare(x.item, y.item), cmp.Compare(x.ready, y.ready))
		})
	}
	return s
}

// run spends the work budget.
func (s *search) run(budget int64) {
	s.build(nil)
	s.fl.mark()
	s.now = s.measure()
	for s.fl.steps < budget && len(s.fl.batches) > 0 {
		s.improve()
	}
}

// improve takes some batches away, builds again, and keeps the result when it
// is not worse.
func (s *search) improve() {
	s.fl.mark()
	before := s.fl.steps
	var mains []*placed
	for _, p := range s.fl.batches {
		if len(p.fills) > 0 {
			mains = append(mains, p)
		}
	}
	if len(mains) == 0 {
		s.fl.steps++
		return
	}
	victim := mains[s.rng.IntN(len(mains))]
	near := func(p *placed) int64 {
		d := max(p.mixEnd-victim.mixEnd, victim.mixEnd-p.mixEnd)
		if p.recipe != victim.recipe {
			d += 3 * 3600
		}
		if s.k.recipes[p.recipe].modes[p.mode].vessel != s.k.recipes[victim.recipe].modes[victim.mode].vessel {
			d += 3600
		}
		return d + s.rng.Int64N(4*3600)
	}
	slices.SortStableFunc(mains, func(a, b *placed) int { return cmp.Compare(near(a), near(b)) })
	for _, p := range mains[:min(1+s.rng.IntN(6), len(mains))] {
		s.drop(p)
	}
	s.build(s.rng)
	if after := s.measure(); after.compare(s.now) <= 0 {
		s.now = after
	} else {
		s.fl.back(0)
	}
	s.fl.steps = max(s.fl.steps, before+1)
}

// drop takes a batch away and opens again what it served.
func (s *search) drop(p *placed) {
	s.fl.lift(p)
	for _, f := range p.fills {
		s.give(f.class, f.pieces)
	}
}

func (s *search) give(class int, pieces quantity.Pieces) {
	s.classes[class].open += pieces
	s.fl.journal = append(s.fl.journal, func() { s.classes[class].open -= pieces })
}

// build adds batches until nothing open can be served any more: first inside
// the good bands, then anywhere in the windows. With a random source it
// varies the order and the vessels.
func (s *search) build(rng *rand.Rand) {
	for _, band := range []bool{true, false} {
		stuck := make(map[int]bool)
		for {
			r := s.urgent(band, stuck, rng)
			if r < 0 {
				break
			}
			if seed, what, ok := s.grow(r, band, stuck, rng); !ok {
				stuck[seed] = true
				if !band {
					s.classes[seed].what = what
				}
			}
		}
	}
}

// first returns the open class of a recipe that closes first, -1 if none.
func (s *search) first(r int, band bool, stuck map[int]bool) int {
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
		c := s.first(r, band, stuck)
		if c < 0 {
			continue
		}
		_, to := s.classes[c].window(band)
		if rng != nil {
			to += rng.Int64N(12 * 3600)
		}
		if best < 0 || to < closes {
			best, closes = r, to
		}
	}
	return best
}

// grow places one more batch of a recipe for its first open class and for
// what else the batch can serve. When it cannot, it says what bound.
func (s *search) grow(r int, band bool, stuck map[int]bool, rng *rand.Rand) (seed int, what bound, ok bool) {
	rec := &s.k.recipes[r]
	seed = s.first(r, band, stuck)
	what = s.classes[seed].what
	from, to := s.classes[seed].window(band)
	from = max(from, s.fl.start)
	if from > to || len(rec.modes) == 0 {
		return seed, what, false
	}
	for _, m := range s.modes(rec, r, band, from, to, rng) {
		at := s.release(r, m, band, from, to)
		w, fills := s.size(r, m, band, at)
		if len(fills) == 0 {
			continue
		}
		w.from, w.to = at, to
		p, b := s.fl.put(w)
		if p == nil && at > from {
			w.from = from
			if w2, f2 := s.size(r, m, band, from); len(f2) > 0 {
				w2.from, w2.to = from, to
				w, fills = w2, f2
				p, b = s.fl.put(w)
			}
		}
		if p == nil {
			what = b
			continue
		}
		p.fills = fills
		for _, f := range fills {
			s.give(f.class, -f.pieces)
		}
		return seed, bound{}, true
	}
	return seed, what, false
}

// modes orders the vessels for the next batch: the smallest that holds all
// that is open, else the largest first.
func (s *search) modes(rec *recipe, r int, band bool, from, to int64, rng *rand.Rand) []int {
	var open quantity.Mass
	for _, c := range s.of[r] {
		cl := &s.classes[c]
		if cf, ct := cl.window(band); cl.open > 0 && cf <= to && ct >= from {
			open += rec.each[cl.item] * quantity.Mass(cl.open)
		}
	}
	gross, err := formula.ToMix(rec.Formula, open)
	if err != nil {
		gross = quantity.MaxMass
	}
	order := make([]int, 0, len(rec.modes))
	for i := len(rec.modes) - 1; i >= 0; i-- { // smallest first
		if rec.modes[i].max >= gross {
			order = append(order, i)
		}
	}
	for i := range rec.modes {
		if rec.modes[i].max < gross {
			order = append(order, i)
		}
	}
	if rng != nil && len(order) > 1 && rng.IntN(3) == 0 {
		i := rng.IntN(len(order))
		order[0], order[i] = order[i], order[0]
	}
	return order
}

// release is the earliest end of mixing in [from, to] at which the open
// classes fill the batch, else the one at which they fill it most.
func (s *search) release(r, m int, band bool, from, to int64) int64 {
	rec := &s.k.recipes[r]
	room := rec.netOf(rec.modes[m].max)
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
			return p
		}
		if mass > most {
			best, most = p, mass
		}
	}
	return best
}

// size fills a batch for an end of mixing from at on: the classes that close
// first in front, as many whole pieces as the vessel holds, at least its
// smallest fill.
func (s *search) size(r, m int, band bool, at int64) (want, []fill) {
	rec := &s.k.recipes[r]
	mode := &rec.modes[m]
	w := want{recipe: r, mode: m, pieces: make([]quantity.Pieces, len(rec.items)), ready: sched.Never}
	room := rec.netOf(mode.max)
	var fills []fill
	take := func(c int) {
		cl := &s.classes[c]
		if n := min(cl.open, quantity.Pieces(room/rec.each[cl.item])); n > 0 {
			fills = append(fills, fill{c, n})
			w.pieces[cl.item] += n
			room -= rec.each[cl.item] * quantity.Mass(n)
			w.ready, w.leaves = min(w.ready, cl.ready), max(w.leaves, cl.ready)
		}
	}
	for _, c := range s.of[r] {
		if f, t := s.classes[c].window(band); s.classes[c].open > 0 && f <= at && at <= t {
			take(c)
		}
	}
	for len(fills) > 0 {
		mass, err := s.k.massFor(rec, w.pieces)
		if err != nil {
			return w, nil
		}
		if w.mass = max(mass, mode.min); w.mass <= mode.max {
			break
		}
		// The scales' divisions took it over the vessel: one piece less.
		last := &fills[len(fills)-1]
		last.pieces--
		w.pieces[s.classes[last.class].item]--
		if last.pieces == 0 {
			fills = fills[:len(fills)-1]
		}
	}
	s.surplus(rec, &w)
	return w, fills
}

// surplus turns what a batch mass makes above the pieces wanted into more of
// the item wanted most.
func (s *search) surplus(rec *recipe, w *want) {
	most := 0
	for i, n := range w.pieces {
		if n > w.pieces[most] {
			most = i
		}
	}
	if extra := quantity.Pieces((rec.netOf(w.mass) - s.k.massOf(rec, w.pieces)) / rec.each[most]); extra > 0 {
		w.pieces[most] += extra
	}
}

// measure returns the objective of what stands on the floor.
func (s *search) measure() cost {
	var c cost
	for i := range s.classes {
		c[costShort] += int64(s.classes[i].open)
	}
	c[costBatches] = int64(len(s.fl.batches))
	for _, p := range s.fl.batches {
		for _, n := range p.pieces {
			c[costSurplus] += int64(n)
		}
		for _, f := range p.fills {
			cl := &s.classes[f.class]
			n := int64(f.pieces)
			c[costSurplus] -= n
			if p.mixEnd < cl.goodFrom || p.mixEnd > cl.goodTo {
				c[costOff] += n
			}
			c[costDeviation] += n * (max(p.mixEnd-cl.best, cl.best-p.mixEnd) / 60)
		}
		if v := s.k.book.Vessels[s.k.recipes[p.recipe].modes[p.mode].vessel]; p.setup > 0 && p.setup == int64(v.Wash) && v.Wash != v.Scrape {
			c[costWashes]++
		}
		c[costFinish] = max(c[costFinish], (p.done-s.fl.start)/60)
	}
	return c
}
