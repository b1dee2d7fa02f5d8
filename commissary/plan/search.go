package plan

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
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
	loose        quantity.Pieces // of these, not ordered yet
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
	hands   *sched.Free // heads on shift, whatever is booked
	posted  map[taped]tape
	spans   []stretch
	price   [][]float64 // of a second of each vessel in each stretch, in batches
	banned  int         // a vessel that this build does without, to see where that leads; -1 none
	now     cost
	beyond  int64 // pieces that no search can help
	sway    int64 // by how many seconds a varied build may judge urgency otherwise
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
	s := &search{k: k, fl: fl, of: make([][]int, len(k.recipes)), hands: k.crew(), posted: postedTapes(k), rng: rand.New(rand.NewPCG(k.in.Seed, 0x5ca1ab1e))}
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
			if len(rec.modes) == 0 {
				s.classes[c].what.kind = limitClass
			}
		}
		s.classes[c].pieces += open[i]
		s.classes[c].open += open[i]
		s.classes[c].needs = append(s.classes[c].needs, i)
		if n.Source != commissary.FromOrder {
			s.classes[c].loose += open[i]
		}
	}
	// The order of classes must not hang on the names of shops.
	slices.SortStableFunc(s.classes, func(x, y class) int {
		return cmp.Or(cmp.Compare(x.goodTo, y.goodTo), cmp.Compare(x.to, y.to), cmp.Compare(x.goodFrom, y.goodFrom), cmp.Compare(x.from, y.from),
			cmp.Compare(x.ready, y.ready), x.bake.Compare(y.bake), cmp.Compare(x.recipe, y.recipe), cmp.Compare(x.item, y.item))
	})
	for c := range s.classes {
		cl := &s.classes[c]
		s.of[cl.recipe] = append(s.of[cl.recipe], c)
		if most := s.mostPieces(cl); cl.pieces > most {
			s.beyond += int64(cl.pieces - most)
			cl.pieces, cl.open = most, most
		}
	}
	return s
}

// mostPieces is more of a class than its vessels could make in a week of
// nothing else: what is wanted above that is short whatever is planned, and
// masses stay small enough to add up.
func (s *search) mostPieces(cl *class) quantity.Pieces {
	rec := &s.k.recipes[cl.recipe]
	var net quantity.Mass
	for _, m := range rec.modes {
		batches := 7 * int64(quantity.Day) / max(m.load+m.mix+m.unload, 60) * int64(len(s.fl.vessels[m.vessel].units))
		all, err := quantity.Scale(rec.netOf(m.max), batches, 1, quantity.Down)
		if err != nil {
			all = quantity.MaxMass
		}
		net = min(net+all, quantity.MaxMass)
	}
	return quantity.Pieces(net/rec.each[cl.item]) + 1
}

// run spends the work budget and leaves the best finished plan it saw on the
// floor. It finishes a plan whenever the work done passes a power of two, so
// that a larger budget never ends worse.
func (s *search) run(budget int64) {
	s.spans = s.stretches()
	s.price = s.bound(cost{}).price
	s.start()
	best := s.finished()
	for check := int64(1); check <= budget && len(s.fl.batches) > 0; {
		if s.fl.steps < check {
			s.improve()
			continue
		}
		for check <= s.fl.steps {
			check *= 2
		}
		if f := s.finished(); f.cost.compare(best.cost) < 0 {
			best = f
		}
	}
	s.restore(best)
}

// start builds the first plan: what can stay as it was, then by urgency. If
// pieces stay short, it sees whether fewer do when bands do not count.
func (s *search) start() {
	s.fl.mark()
	s.keepBefore()
	s.banned = -1
	s.build(bandsFirst, nil)
	s.now = s.measure()
	if s.now[costShort] > s.beyond {
		s.startAgain(bandsInTurn)
		s.startAgain(windowsOnly)
	}
	s.fl.mark()
}

// startAgain builds everything anew in another manner, and keeps it if it is better.
func (s *search) startAgain(m manner) {
	at := len(s.fl.journal)
	for _, p := range slices.Clone(s.fl.batches) {
		if len(p.fills) > 0 && s.stands(p) {
			s.drop(p)
		}
	}
	s.keepBefore()
	s.build(m, nil)
	if c := s.measure(); c.compare(s.now) < 0 {
		s.now = c
		s.intoBand()
	} else {
		s.fl.back(at)
	}
}

// intoBand takes away what serves pieces outside their band and builds it
// again with the bands in force, if that is better.
func (s *search) intoBand() {
	at := len(s.fl.journal)
	for _, p := range slices.Clone(s.fl.batches) {
		off := slices.ContainsFunc(p.fills, func(f fill) bool {
			cl := &s.classes[f.class]
			return p.mixEnd < cl.goodFrom || p.mixEnd > cl.goodTo
		})
		if off && s.stands(p) {
			s.drop(p)
		}
	}
	s.build(bandsFirst, nil)
	if c := s.measure(); c.compare(s.now) < 0 {
		s.now = c
	} else {
		s.fl.back(at)
	}
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
			p.fills = fills
			for _, f := range fills {
				s.give(f.class, -f.pieces)
			}
		}
	}
}

// finished is a plan whose batches share sheets as they must, as it stood on the floor.
type finished struct {
	cost    cost
	batches map[*placed]*placed // by what stood on the floor, a copy that nothing changes
	order   []*placed
	tubs    []*tub
	left    []quantity.Mass
	open    []quantity.Pieces
	what    []bound
}

// finished makes the plan on the floor fit to be posted, notes it, and takes
// that back again. Its work is not counted: it is in proportion to the search.
func (s *search) finished() finished {
	steps := s.fl.steps
	s.fl.mark()
	s.even()
	f := finished{cost: s.measure(), batches: map[*placed]*placed{}, tubs: s.fl.tubs}
	for _, p := range s.fl.batches {
		c := *p
		f.batches[p] = &c
		f.order = append(f.order, &c)
	}
	for _, t := range f.tubs {
		f.left = append(f.left, t.left)
	}
	for _, c := range s.classes {
		f.open = append(f.open, c.open)
		f.what = append(f.what, c.what)
	}
	s.fl.back(0)
	s.fl.steps = steps
	return f
}

// restore puts a finished plan on the floor in place of what stands there.
func (s *search) restore(f finished) {
	for _, p := range slices.Clone(s.fl.batches) {
		s.fl.clear(p)
	}
	for _, p := range f.order {
		s.fl.stand(p)
	}
	s.fl.tubs = f.tubs
	for i, t := range f.tubs {
		t.left, t.batch = f.left[i], f.batches[t.batch]
	}
	for i := range s.classes {
		s.classes[i].open, s.classes[i].what = f.open[i], f.what[i]
	}
	s.now = f.cost
	s.fl.mark()
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
	if c := s.anyOpen(); c != nil && s.rng.IntN(2) == 0 {
		// What stands in the way of a short piece.
		var near []*placed
		for _, p := range mains {
			if p.mixEnd >= c.from-2*3600 && p.mixEnd <= c.to+2*3600 {
				near = append(near, p)
			}
		}
		if len(near) > 0 {
			victim = near[s.rng.IntN(len(near))]
		}
	}
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
	n := 1 + s.rng.IntN(6)
	if s.rng.IntN(8) == 0 {
		n = 1 + s.rng.IntN(24)
	}
	for _, p := range mains[:min(n, len(mains))] {
		if s.stands(p) {
			s.drop(p)
		}
	}
	s.rebuild()
	if after := s.measure(); s.better(after) {
		s.now = after
	} else {
		s.fl.back(0)
	}
	s.fl.steps = max(s.fl.steps, before+1)
}

// better reports whether a cost is as good as the one reached. Where a plan is
// in force nothing moves for less than a piece or a batch.
func (s *search) better(c cost) bool {
	if len(s.k.in.Before) > 0 {
		return slices.Compare(c[:costDeviation], s.now[:costDeviation]) < 0
	}
	return c.compare(s.now) <= 0
}

// anyOpen is a class with open pieces that could be made, nil when there is none.
func (s *search) anyOpen() *class {
	var open []*class
	for c := range s.classes {
		if cl := &s.classes[c]; cl.open > 0 && cl.to >= s.fl.start {
			open = append(open, cl)
		}
	}
	if len(open) == 0 {
		return nil
	}
	return open[s.rng.IntN(len(open))]
}

// drop takes a batch away and opens again what it served. What cannot be
// cleaned for any more without it goes too.
func (s *search) drop(p *placed) {
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
func (s *search) stands(p *placed) bool { return slices.Contains(s.fl.batches, p) }

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
	if s.now[costShort] > s.beyond {
		m = manner(s.rng.IntN(3))
	}
	s.build(m, s.rng)
	if s.banned >= 0 {
		s.banned = -1
		s.build(m, s.rng)
	}
}

// manner is how a build treats the good bands.
type manner int

const (
	bandsFirst  manner = iota // all bands, then what is left anywhere in its window
	bandsInTurn               // each class in its band or else in its window, the window that closes first in front
	windowsOnly               // as if there were no bands
)

// build adds batches until nothing open can be served any more. With a random
// source it varies the order and the vessels.
func (s *search) build(m manner, rng *rand.Rand) {
	if m == bandsFirst {
		s.pass(true, []bool{true}, rng)
	}
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
		seed := s.first(r, byBand, stuck, rng)
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

// first returns the open class of a recipe that closes first, -1 if none; with
// a random source now and then any of them.
func (s *search) first(r int, band bool, stuck map[int]bool, rng *rand.Rand) int {
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
		c := s.first(r, band, stuck, nil)
		if c < 0 {
			continue
		}
		_, to := s.classes[c].window(band)
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
	what = s.classes[seed].what
	from, to := s.classes[seed].window(band)
	from = max(from, s.fl.start)
	if from > to || len(rec.modes) == 0 {
		return what, false
	}
	if s.topUp(rec, r, seed, band) {
		return bound{}, true
	}
	for _, v := range s.venues(rec, r, band, from, to, rng) {
		at, _ := s.fullest(r, band, v.from, v.to, rec.netOf(rec.modes[v.mode].max))
		if rng != nil && rng.IntN(6) == 0 {
			at = v.from + rng.Int64N(v.to-v.from+1)/300*300
		}
		starts := []int64{at, v.from}
		if at == v.from {
			starts = starts[:1]
		}
		for _, at := range starts {
			// What is full sized may be too much for the cold, the bench or the hands.
			for most := rec.modes[v.mode].max; ; {
				w, fills := s.size(r, v.mode, band, at, most)
				if len(fills) == 0 {
					break
				}
				w.from, w.to = at, min(w.to, v.to)
				p, b := s.fl.put(w)
				if p != nil {
					p.fills = fills
					for _, f := range fills {
						s.give(f.class, -f.pieces)
					}
					return bound{}, true
				}
				what = b
				if !b.sized {
					break
				}
				if most = w.mass * 4 / 5; rng != nil {
					most = w.mass * quantity.Mass(50+rng.IntN(49)) / 100
				}
			}
		}
	}
	return what, false
}

// topUp gives the open pieces of a class to a batch that stands and has room.
func (s *search) topUp(rec *recipe, r, class int, band bool) bool {
	cl := &s.classes[class]
	from, to := cl.window(band)
	for _, p := range s.fl.batches {
		if p.recipe != r || len(p.fills) == 0 || p.mixEnd < from || p.mixEnd > to || p.done > cl.ready {
			continue
		}
		wanted := make([]quantity.Pieces, len(rec.items))
		for _, f := range p.fills {
			wanted[s.classes[f.class].item] += f.pieces
		}
		most := s.most(r, p.mode, p.mixEnd)
		room := rec.netOf(most) - s.k.massOf(rec, wanted)
		n := min(cl.open, quantity.Pieces(room/rec.each[cl.item]))
		if n <= 0 {
			continue
		}
		wanted[cl.item] += n
		mass, err := s.k.massFor(rec, wanted)
		if err != nil || mass > most {
			continue
		}
		fills := slices.Clone(p.fills)
		if i := slices.IndexFunc(fills, func(f fill) bool { return f.class == class }); i >= 0 {
			fills[i].pieces += n
		} else {
			fills = append(fills, fill{class, n})
		}
		at := len(s.fl.journal)
		s.fl.lift(p)
		w := p.want
		w.goes = s.goes(fills)
		w.pieces, w.mass = wanted, max(mass, rec.modes[p.mode].min)
		w.from, w.to, w.ready, w.leaves = p.mixEnd, p.mixEnd, min(p.ready, cl.ready), max(p.leaves, cl.ready)
		s.surplus(rec, &w)
		q, _ := s.fl.put(w)
		if u, _, _ := s.fl.unclean(); q == nil || u != nil {
			s.fl.back(at)
			continue
		}
		q.fills = fills
		s.give(class, -n)
		return true
	}
	return false
}

// most is the largest mass of a batch of a mode, or what posted batches have
// taped to the vessel on that day.
func (s *search) most(r, m int, at int64) quantity.Mass {
	mode := &s.k.recipes[r].modes[m]
	if t, ok := s.posted[taped{r, mode.vessel, s.k.zone.Date(instant(at))}]; ok {
		return min(mode.max, t.mass)
	}
	return mode.max
}

// venue is a vessel and the part of a stretch of work in which a batch's
// mixing may end.
type venue struct {
	mode     int
	from, to int64
	dear     float64
}

// alikeDear is how much dearer a venue may be and still count as equal: among
// equals the earlier one is taken, so that no vessel stands idle while work
// piles up behind it.
const alikeDear = 1.04

// venues orders the ways to make the next batch by what a gram in it costs:
// one batch, and the time of the vessel at its price.
func (s *search) venues(rec *recipe, r int, band bool, from, to int64, rng *rand.Rand) []venue {
	var all []venue
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
			v.dear = sway * (1 + s.price[m.vessel][j]*float64(m.load+m.mix+m.unload)) / float64(max(min(rec.netOf(m.max), fits[j]), 1))
			all = append(all, v)
		}
	}
	least := math.Inf(1)
	for _, v := range all {
		least = math.Min(least, v.dear)
	}
	for i := range all {
		// Steps of a few percent, counted from the cheapest.
		all[i].dear = math.Floor(math.Log(all[i].dear/least) / math.Log(alikeDear))
	}
	slices.SortStableFunc(all, func(a, b venue) int {
		return cmp.Or(cmp.Compare(a.dear, b.dear), cmp.Compare(a.from, b.from), cmp.Compare(a.mode, b.mode))
	})
	return all
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

// size fills a batch for an end of mixing from at on: the classes that close
// first in front, as many whole pieces as the vessel holds, at least its
// smallest fill and at most the given mass.
func (s *search) size(r, m int, band bool, at int64, most quantity.Mass) (want, []fill) {
	rec := &s.k.recipes[r]
	mode := &rec.modes[m]
	w := want{recipe: r, mode: m, pieces: make([]quantity.Pieces, len(rec.items)), to: sched.Never, ready: sched.Never}
	if most = min(most, s.most(r, m, at)); most < mode.min {
		return w, nil
	}
	room := rec.netOf(most)
	var fills []fill
	take := func(c int) {
		cl := &s.classes[c]
		if n := min(cl.open, quantity.Pieces(room/rec.each[cl.item])); n > 0 {
			fills = append(fills, fill{c, n})
			w.pieces[cl.item] += n
			room -= rec.each[cl.item] * quantity.Mass(n)
			_, to := cl.window(band)
			w.to, w.ready, w.leaves = min(w.to, to), min(w.ready, cl.ready), max(w.leaves, cl.ready)
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
		if w.mass = max(mass, mode.min); w.mass <= most {
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
	w.goes = s.goes(fills)
	return w, fills
}

// goes is what of a batch's pieces leaves when.
func (s *search) goes(fills []fill) []going {
	goes := make([]going, len(fills))
	for i, f := range fills {
		c := &s.classes[f.class]
		goes[i] = going{c.item, min(f.pieces, c.loose), leaving{c.ready, f.pieces}}
	}
	slices.SortStableFunc(goes, func(a, b going) int { return cmp.Compare(a.at, b.at) })
	return goes
}

// surplus turns what a batch mass makes above the pieces wanted into more of
// the item wanted most, and returns how many.
func (s *search) surplus(rec *recipe, w *want) quantity.Pieces {
	most := 0
	for i, n := range w.pieces {
		if n > w.pieces[most] {
			most = i
		}
	}
	extra := max(quantity.Pieces((rec.netOf(w.mass)-s.k.massOf(rec, w.pieces))/rec.each[most]), 0)
	w.pieces[most] += extra
	return extra
}

// measure returns the objective of what stands on the floor.
func (s *search) measure() cost {
	c := cost{costShort: s.beyond}
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
