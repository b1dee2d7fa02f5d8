package plan

import (
	"cmp"
	"math"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// part is one class as the linear relaxation sees it.
type part struct {
	net, heavy float64 // of its pieces, and of one
	choice     []choice
}

// parts lists the classes that somebody can mix.
func (s *search) parts(band bool) []part {
	var parts []part
	for i := range s.classes {
		c := &s.classes[i]
		if choice := s.choicesOf(c, band); len(choice) > 0 {
			heavy := float64(s.k.recipes[c.recipe].each[c.item])
			parts = append(parts, part{heavy * float64(c.pieces), heavy, choice})
		}
	}
	return parts
}

// coverage is what the day costs at least, in batches, at given prices of the
// vessels' time and of a piece left out. The time worked is added to used, and the
// pieces left out are counted.
type coverage func(price, used [][]float64, leave float64) (cost, left float64)

// linear covers every class by its share of batches, each at cost 1 and the
// price of the time it takes.
func linear(parts []part) coverage {
	return func(price, used [][]float64, leave float64) (cost, left float64) {
		for _, p := range parts {
			best, at := leave/p.heavy, choice{}
			for _, c := range p.choice {
				if x := (1 + price[c.vessel][c.stretch]*c.seconds) / float64(c.net); x < best {
					best, at = x, c
				}
			}
			cost += best * p.net
			if at.net == 0 {
				left += p.net / p.heavy
				continue
			}
			used[at.vessel][at.stretch] += p.net / float64(at.net) * at.seconds
		}
		return cost, left
	}
}

// whole covers every lump by whole batches.
func whole(lumps []lump) coverage {
	return func(price, used [][]float64, leave float64) (cost, left float64) {
		for i := range lumps {
			c, l := lumps[i].value(price, used, leave)
			cost, left = cost+c, left+l
		}
		return cost, left
	}
}

// complete leaves nothing out.
func (c coverage) complete(price, used [][]float64) float64 {
	cost, _ := c(price, used, math.Inf(1))
	return cost
}

// dual climbs from some prices on, and leaves them where it got to. As many pieces
// as are spared are left out where that helps most.
func (c coverage) dual(price [][]float64, time capacity, step float64, rounds int, spared int64) float64 {
	if spared == 0 {
		return climb(price, time, step, rounds, c.complete)
	}
	// What may be left out has a price like the vessels' time.
	n, all := len(price), capacity{append(slices.Clone(time.time), []float64{float64(spared)}), append(slices.Clone(time.extra), 0)}
	best := climb(append(slices.Clone(price), []float64{0}), all, step, rounds, func(price, used [][]float64) float64 {
		cost, left := c(price[:n], used[:n], price[n][0])
		used[n][0] += left
		return cost
	})
	return math.Max(best, c.without(spared, price)-time.paid(price))
}

// without is the least cost with so many pieces left out, at the best price of one.
// Its value is concave in that price, so it has one peak.
func (c coverage) without(pieces int64, price [][]float64) float64 {
	used := zeros(price)
	at := func(log float64) float64 {
		leave := math.Exp(log)
		cost, _ := c(price, used, leave)
		return cost - leave*float64(pieces)
	}
	low, high := math.Log(1e-6), math.Log(8)
	for range 25 {
		a, b := low+(high-low)*0.382, low+(high-low)*0.618
		if at(a) < at(b) {
			low = a
		} else {
			high = b
		}
	}
	return at((low + high) / 2)
}

// prices is what a second of each vessel in each stretch of work is worth, in
// batches, when all is made in its band.
func (s *search) prices() [][]float64 {
	time := s.vesselTime()
	price := zeros(time.time)
	climb(price, time, 0.1, 200, linear(s.parts(true)).complete)
	return price
}

// zeros is a table of the same shape with nothing in it.
func zeros(t [][]float64) [][]float64 {
	c := grid(t)
	for i := range c {
		clear(c[i])
	}
	return c
}

// batchBound is the better of two dual values: of the linear relaxation, and of
// the one in which every lump is held by whole batches, in the bands or only in the
// windows. As many pieces as are spared may be left out where that helps most; that
// has a price like the vessels' time. Batches that others take in come on top.
func (s *search) batchBound(time capacity, band bool, spared int64) int64 {
	price := zeros(time.time)
	best := linear(s.parts(band)).dual(price, time, 0.1, 200, spared)
	best = math.Max(best, whole(s.lumps(band)).dual(price, time, 0.02, 300, spared))
	return max(0, int64(math.Ceil(best-1e-6))) + s.inputBound(band, spared)
}

// lump is the pieces of a recipe that must be mixed inside one stretch of
// time, apart from the recipe's other lumps.
type lump struct {
	net    quantity.Mass // of the pieces themselves
	heavy  quantity.Mass // the heaviest piece
	wants  []claim
	fewest int // batches that hold it inside the windows of its pieces
	choice []choice
	size   []int // which of the sizes a choice has
	at     []int // the cheapest choice of each size
	holding
}

// lumps parts each recipe's classes into stretches of time that do not
// overlap, so that no batch serves two of them inside its window.
func (s *search) lumps(band bool) []lump {
	var lumps []lump
	for r := range s.of {
		rec := &s.k.recipes[r]
		wants := s.claims(r, band)
		slices.SortStableFunc(wants, func(a, b claim) int { return cmp.Compare(a.from, b.from) })
		for from := 0; from < len(wants); {
			to, end := from+1, wants[from].to
			for ; to < len(wants) && wants[to].from <= end; to++ {
				end = max(end, wants[to].to)
			}
			l := lump{wants: wants[from:to], choice: s.choices(r, wants[from].from, end), heavy: slices.Max(rec.each)}
			for _, w := range l.wants {
				l.net += w.net
			}
			for _, c := range l.choice {
				at := slices.Index(l.holds, c.net)
				if at < 0 {
					at = len(l.holds)
					l.holds = append(l.holds, c.net)
				}
				l.size = append(l.size, at)
			}
			l.fewest = fewest(l.wants, slices.Max(l.holds), nil)
			l.at, l.cost = make([]int, len(l.holds)), make([]float64, len(l.holds))
			lumps = append(lumps, l)
			from = to
		}
	}
	return lumps
}

// claim is a mass that batches must give whose mixing ends in [from, to].
type claim struct {
	from, to int64
	net      quantity.Mass
}

// claims lists what is wanted of a recipe, each class from the first to the
// last instant at which a batch of it can end.
func (s *search) claims(r int, band bool) []claim {
	var all []claim
	for _, c := range s.of[r] {
		cl := &s.classes[c]
		choice := s.choicesOf(cl, band)
		if len(choice) == 0 {
			continue
		}
		l := claim{choice[0].first, choice[0].last, s.k.recipes[r].each[cl.item] * quantity.Mass(cl.pieces)}
		for _, c := range choice {
			l.from, l.to = min(l.from, c.first), max(l.to, c.last)
		}
		all = append(all, l)
	}
	return all
}

// batchAt is what stands of a batch already.
type batchAt struct {
	mixEnd int64
	holds  quantity.Mass
}

// fewest is the least number of batches of a size that hold what is wanted,
// each piece inside its window, beside what stands already. A batch can wait
// for the first window that closes with something unserved in it, and is filled
// there by what closes next.
func fewest(wants []claim, size quantity.Mass, stand []batchAt) int {
	wants = slices.Clone(wants)
	slices.SortStableFunc(wants, func(a, b claim) int { return cmp.Compare(a.to, b.to) })
	fill := func(at int64, room quantity.Mass) {
		for i := range wants {
			if w := &wants[i]; w.from <= at && at <= w.to {
				part := min(room, w.net)
				w.net -= part
				room -= part
			}
		}
	}
	slices.SortStableFunc(stand, func(a, b batchAt) int { return cmp.Compare(a.mixEnd, b.mixEnd) })
	for _, b := range stand {
		fill(b.mixEnd, b.holds)
	}
	var n quantity.Mass
	for i := range wants {
		if left := wants[i].net; left > 0 {
			more := (left + size - 1) / size
			n += more
			fill(wants[i].to, more*size)
		}
	}
	return int(n)
}

// value is what whole batches that hold the lump cost at least, each 1 and the
// price of its time, with the time they take added to used. Every piece may be left
// out at a price.
func (l *lump) value(price, used [][]float64, leave float64) (cost, left float64) {
	for i := range l.cost {
		l.cost[i] = math.Inf(1)
	}
	timed, timedAt := math.Inf(1), 0 // the cheapest time for a unit of mass
	for i, c := range l.choice {
		x := price[c.vessel][c.stretch] * c.seconds
		if k := l.size[i]; 1+x < l.cost[k] {
			l.cost[k], l.at[k] = 1+x, i
		}
		if x /= float64(c.net); x < timed {
			timed, timedAt = x, i
		}
	}
	l.leave = leave / float64(l.heavy)
	l.solve(l.net)
	if v := float64(l.fewest) + timed*float64(l.net); math.IsInf(leave, 1) && v > l.least {
		c := l.choice[timedAt]
		used[c.vessel][c.stretch] += float64(l.net) / float64(c.net) * c.seconds
		return v, 0
	}
	rest := l.net
	for i, k := range l.order {
		c := l.choice[l.at[k]]
		used[c.vessel][c.stretch] += float64(l.best[i]) * c.seconds
		rest -= c.net * quantity.Mass(l.best[i])
	}
	return l.least, float64(max(rest, 0)) / float64(l.heavy)
}

// holding looks for the cheapest batches that hold a mass: exactly, or where
// that takes too long by no more than that.
type holding struct {
	holds []quantity.Mass // of each size of batch
	cost  []float64       // of each size of batch
	leave float64         // what it costs to leave out a unit of mass

	order     []int // sizes worth using, the cheapest for its mass in front
	now, best []int // batches of each of these
	least     float64
	nodes     int
}

// holdingNodes is after how many steps the rest is judged by its linear relaxation.
const holdingNodes = 2000

// solve finds the least cost of holding a mass.
func (h *holding) solve(mass quantity.Mass) {
	h.order, h.now, h.best = h.order[:0], h.now[:0], h.best[:0]
	for k := range h.holds {
		if h.rate(k) < h.leave {
			h.order, h.now, h.best = append(h.order, k), append(h.now, 0), append(h.best, 0)
		}
	}
	slices.SortFunc(h.order, func(a, b int) int { return cmp.Or(cmp.Compare(h.rate(a), h.rate(b)), cmp.Compare(a, b)) })
	h.least, h.nodes = math.Inf(1), 0
	h.hold(0, mass, 0)
}

func (h *holding) rate(k int) float64 { return h.cost[k] / float64(h.holds[k]) }

// hold goes on from the i-th size with so much to hold and so much paid.
func (h *holding) hold(i int, rest quantity.Mass, paid float64) {
	rate := h.leave // of the rest, at least
	if i < len(h.order) {
		rate = h.rate(h.order[i])
	}
	if h.nodes++; rest <= 0 || i == len(h.order) || h.nodes > holdingNodes {
		if rest > 0 {
			paid += rate * float64(rest)
		}
		if paid < h.least {
			h.least = paid
			copy(h.best, h.now)
		}
		return
	}
	k := h.order[i]
	for n := (rest + h.holds[k] - 1) / h.holds[k]; n >= 0; n-- {
		left, cost := max(rest-n*h.holds[k], 0), paid+float64(n)*h.cost[k]
		next := h.leave
		if i+1 < len(h.order) {
			next = h.rate(h.order[i+1])
		}
		if left > 0 && cost+next*float64(left) >= h.least {
			break // fewer of the cheapest size only make it dearer
		}
		h.now[i] = int(n)
		h.hold(i+1, left, cost)
		h.now[i] = 0
	}
}

// inputBound is how many batches of preferments and made preps the doughs take
// in at least: each dough batch draws its share from what was mixed long enough
// before it and not too long, from what stands or from new batches as large as
// can be. What is also sold is left to its own pieces, and what inputs take in
// themselves is not counted.
func (s *search) inputBound(band bool, spared int64) int64 {
	claims := map[int][]claim{} // on inputs
	for r := range s.k.recipes {
		rec := &s.k.recipes[r]
		for _, in := range rec.inputs {
			source := &s.k.recipes[in.recipe]
			if in.recipe == r || len(source.items) > 0 || len(source.modes) == 0 {
				continue
			}
			for _, c := range s.claims(r, band) {
				heavy := slices.Max(rec.each)
				if quantity.Mass(spared) > c.net/heavy {
					continue
				}
				c.net -= heavy * quantity.Mass(spared)
				if d, ok := s.drawn(rec, source, c); ok {
					claims[in.recipe] = append(claims[in.recipe], d)
				}
			}
		}
	}
	var n int64
	for r, all := range claims {
		if most := s.k.recipes[r].modes[0].net; most > 0 {
			n += int64(fewest(all, most, s.standing(r)))
		}
	}
	return n
}

// standing lists what is left in the tubs of a recipe, as it was before the plan.
func (s *search) standing(recipe int) []batchAt {
	var stand []batchAt
	for _, t := range s.fl.tubs {
		if t.recipe != recipe || t.batch != nil {
			continue
		}
		b := batchAt{t.made, t.left}
		for _, p := range s.fl.batches {
			for _, d := range p.draws {
				if d.tub == t {
					b.holds += d.mass
				}
			}
		}
		stand = append(stand, b)
	}
	return stand
}

// drawn is what is wanted of a preferment or prep for something that is wanted
// of a dough.
func (s *search) drawn(rec, source *recipe, w claim) (claim, bool) {
	gross, err := formula.ToMix(rec.Formula, w.net)
	if err != nil || len(rec.modes) == 0 {
		return claim{}, false
	}
	// Every line is weighed to a division of its scale: the smallest batch may
	// round the most away of its share.
	var division quantity.Mass
	for _, scale := range s.k.book.Scales {
		division = max(division, scale.Division)
	}
	share := math.Inf(1)
	d := claim{from: math.MaxInt64, to: math.MinInt64}
	for _, m := range rec.modes {
		sheet, err := s.k.sheet(rec, m.min)
		if err != nil {
			return claim{}, false
		}
		var mass quantity.Mass
		for _, l := range sheet.Lines {
			if l.Preferment == source.ID || l.Prep == source.ID {
				mass += l.Mass - 2*division
			}
		}
		share = math.Min(share, float64(mass)/float64(sheet.Mass))
		d.from = min(d.from, w.from-m.mix-m.load-int64(s.k.oldestInput(source)))
		youngest := source.Ripe.Min
		if source.Kind == commissary.Prep {
			youngest = 0
		}
		d.to = max(d.to, w.to-m.mix-m.load-int64(youngest))
	}
	d.net = quantity.Mass(share * float64(gross))
	return d, d.net > 0
}
