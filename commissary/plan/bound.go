package plan

import (
	"cmp"
	"math"
	"slices"

	"doughrun/commissary/quantity"
)

// bounds are values that no plan of the day can go below, component by
// component of the objective; each holds for plans that reach the components
// before it. They are computed from the needs and the resources alone, never
// from the search.
//
// Short pieces and batches come from the Lagrangian dual of the relaxation
// that only asks every vessel to work no longer than the shifts are long:
// whatever prices the vessels' time has, the dual value is a bound. See M. L.
// Fisher, "The Lagrangian Relaxation Method for Solving Integer Programming
// Problems", Management Science 27(1), 1981, section 2 (from memory).
type bounds struct {
	cost  cost
	price [][]float64 // of a second of each vessel in each stretch of work, in batches
}

// stretch is a time with hands on shift throughout. A batch is loaded, mixed
// and unloaded inside one.
type stretch struct{ from, to int64 }

// stretches lists when anybody works, from the planning instant to the end of
// the last window.
func (s *search) stretches() []stretch {
	end := s.fl.start
	for _, c := range s.classes {
		end = max(end, c.to)
	}
	var all []stretch
	s.hands.Spans(s.fl.start, end+int64(quantity.Day), func(from, to, free int64) {
		switch n := len(all); {
		case free <= 0 || from > end:
		case n > 0 && all[n-1].to == from:
			all[n-1].to = to
		default:
			all = append(all, stretch{from, to})
		}
	})
	return all
}

// lump is the pieces of a recipe that must be mixed inside one stretch of
// time, apart from the recipe's other lumps.
type lump struct {
	recipe int
	net    quantity.Mass // of the pieces themselves
	choice []choice
}

// choice is one way to make a piece: a vessel, the stretch of work, and the
// seconds and the mass of pieces of a batch.
type choice struct {
	vessel, stretch int
	seconds         float64
	net             quantity.Mass
}

// bound computes the bounds; reached is what the plan reaches, for the
// components behind others.
func (s *search) bound(reached cost) bounds {
	var b bounds
	time := make([][]float64, len(s.fl.vessels))
	b.price = make([][]float64, len(s.fl.vessels))
	for v, row := range s.fl.vessels {
		time[v], b.price[v] = make([]float64, len(s.spans)), make([]float64, len(s.spans))
		for i, w := range s.spans {
			time[v][i] = float64(w.to-w.from) * float64(len(row.units))
		}
		if len(s.spans) > 0 {
			// The first batch of each unit needs no cleaning before it.
			time[v][0] += float64(s.k.book.Vessels[v].Scrape) * float64(len(row.units))
		}
	}
	b.cost[costShort] = s.shortBound(time)
	b.cost[costOff] = s.offBound(reached[costShort])
	b.cost[costBatches] = s.batchBound(time, b.price, reached[costShort]+reached[costOff])
	if reached[costShort] == 0 {
		b.cost[costSurplus] = s.surplusBound()
		b.cost[costDeviation], b.cost[costFinish] = s.timeBound()
	}
	return b
}

// choices lists the ways to make a piece that must be mixed by the recipe
// with its mixing ended in [from, to].
func (s *search) choices(recipe int, from, to int64) []choice {
	r := &s.k.recipes[recipe]
	var all []choice
	for _, m := range r.modes {
		scrape := s.k.book.Vessels[m.vessel].Scrape
		for i, w := range s.spans {
			// Loaded, mixed and unloaded inside the stretch, mixing ended inside the window.
			if end := max(w.from+m.load+m.mix, from); end <= min(w.to-m.unload, to) {
				all = append(all, choice{m.vessel, i, float64(m.load + m.mix + m.unload + int64(scrape)), r.netOf(m.max)})
			}
		}
	}
	return all
}

// ascend raises a concave dual function of the vessels' prices by subgradient
// steps. value returns the dual value and how many seconds each vessel works.
func ascend(price, time [][]float64, value func(price [][]float64, used [][]float64) float64) float64 {
	best := math.Inf(-1)
	p, used := grid(price), grid(price)
	step := 0.1
	for i := range 200 {
		for j := range used {
			clear(used[j])
		}
		v := value(p, used)
		for j := range p {
			for k := range p[j] {
				v -= p[j][k] * time[j][k]
			}
		}
		if v > best {
			best = v
			for j := range p {
				copy(price[j], p[j])
			}
		} else if i%8 == 7 {
			step *= 0.75
		}
		var norm float64
		for j := range used {
			for k := range used[j] {
				used[j][k] = (used[j][k] - time[j][k]) / math.Max(time[j][k], 1)
				if used[j][k] > 0 || p[j][k] > 0 {
					norm += used[j][k] * used[j][k]
				}
			}
		}
		if norm < 1e-12 {
			break
		}
		move := step * math.Max(math.Abs(v), 1) / math.Sqrt(norm)
		for j := range p {
			for k := range p[j] {
				p[j][k] = math.Max(0, p[j][k]+move*used[j][k]/math.Max(time[j][k], 1))
			}
		}
	}
	return best
}

// grid copies the shape and values of a table.
func grid(t [][]float64) [][]float64 {
	c := make([][]float64, len(t))
	for i := range t {
		c[i] = slices.Clone(t[i])
	}
	return c
}

// shortBound: a piece is either short, at cost 1, or takes its share of some
// vessel's time at the price of that time.
func (s *search) shortBound(time [][]float64) int64 {
	var never int64
	type part struct {
		pieces float64
		each   quantity.Mass
		choice []choice
	}
	var parts []part
	for _, c := range s.classes {
		p := part{float64(c.pieces), s.k.recipes[c.recipe].each[c.item], s.choices(c.recipe, c.from, c.to)}
		if len(p.choice) == 0 {
			never += int64(c.pieces)
			continue
		}
		parts = append(parts, p)
	}
	value := func(price, used [][]float64) float64 {
		var v float64
		for _, p := range parts {
			least, at := 1.0, -1
			for i, c := range p.choice {
				if x := price[c.vessel][c.stretch] * c.seconds * float64(p.each) / float64(c.net); x < least {
					least, at = x, i
				}
			}
			v += least * p.pieces
			if at >= 0 {
				c := p.choice[at]
				used[c.vessel][c.stretch] += c.seconds * float64(p.each) / float64(c.net) * p.pieces
			}
		}
		return v
	}
	price := grid(time)
	for v := range price {
		clear(price[v])
	}
	return never + max(0, int64(math.Ceil(ascend(price, time, value)-1e-6)))
}

// offBound counts the pieces whose good band holds no instant at which
// anybody could mix, though the window does; those that are short may be
// among them.
func (s *search) offBound(short int64) int64 {
	var off, never int64
	for _, c := range s.classes {
		switch {
		case len(s.choices(c.recipe, c.from, c.to)) == 0:
			never += int64(c.pieces)
		case len(s.choices(c.recipe, c.goodFrom, c.goodTo)) == 0:
			off += int64(c.pieces)
		}
	}
	return max(off-max(short-never, 0), 0)
}

// lumps parts each recipe's classes into stretches of time that do not
// overlap, so that no batch serves two of them inside its window.
func (s *search) lumps() []lump {
	var lumps []lump
	for r := range s.of {
		rec := &s.k.recipes[r]
		type piece struct {
			class    int
			from, to int64
		}
		var pieces []piece
		for _, c := range s.of[r] {
			cl := &s.classes[c]
			from, to := cl.window(true)
			if len(s.choices(r, from, to)) == 0 {
				if from, to = cl.window(false); len(s.choices(r, from, to)) == 0 {
					continue
				}
			}
			pieces = append(pieces, piece{c, from, to})
		}
		slices.SortFunc(pieces, func(a, b piece) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.class, b.class)) })
		start, end := int64(0), int64(math.MinInt64)
		for _, p := range pieces {
			if p.from > end {
				lumps = append(lumps, lump{recipe: r})
				start = p.from
			}
			end = max(end, p.to)
			l, cl := &lumps[len(lumps)-1], &s.classes[p.class]
			l.net += rec.each[cl.item] * quantity.Mass(cl.pieces)
			l.choice = s.choices(r, start, end)
		}
	}
	return lumps
}

// batchBound: every class is covered by its share of batches, each at cost 1
// and the price of the time it takes; that is the linear relaxation, whose
// best prices are found. At these prices every lump is covered once more, by
// whole batches. Pieces that the plan leaves short or outside their band may
// be left out where that spares most.
func (s *search) batchBound(time, price [][]float64, spared int64) int64 {
	type part struct {
		net, heavy float64
		choice     []choice
	}
	var parts []part
	for _, c := range s.classes {
		rec := &s.k.recipes[c.recipe]
		choice := s.choices(c.recipe, c.goodFrom, c.goodTo)
		if len(choice) == 0 {
			choice = s.choices(c.recipe, c.from, c.to)
		}
		if len(choice) > 0 {
			parts = append(parts, part{float64(rec.each[c.item]) * float64(c.pieces), float64(rec.each[c.item]), choice})
		}
	}
	value := func(price, used [][]float64) float64 {
		var v float64
		for _, p := range parts {
			best, at := math.Inf(1), choice{}
			for _, c := range p.choice {
				if x := (1 + price[c.vessel][c.stretch]*c.seconds) / float64(c.net); x < best {
					best, at = x, c
				}
			}
			v += best * p.net
			used[at.vessel][at.stretch] += p.net / float64(at.net) * at.seconds
		}
		return v
	}
	linear := ascend(price, time, value)
	if spared > 0 {
		var most float64
		for _, p := range parts {
			for _, c := range p.choice {
				most = math.Max(most, (1+price[c.vessel][c.stretch]*c.seconds)*p.heavy/float64(c.net))
			}
		}
		return max(0, int64(math.Ceil(linear-most*float64(spared)-1e-6)))
	}
	var v float64
	for j := range price {
		for k := range price[j] {
			v -= price[j][k] * time[j][k]
		}
	}
	for _, l := range s.lumps() {
		v += l.cover(price)
	}
	return max(0, int64(math.Ceil(math.Max(v, linear)-1e-6)))
}

// coverUnits is into how many units a lump is cut for its cover; masses are
// rounded so that the cover costs no more than the exact one.
const coverUnits = 400

// cover is the least cost of whole batches that hold the lump.
func (l lump) cover(price [][]float64) float64 {
	unit := max(l.net/coverUnits, 1)
	holds, cost := make([]int, len(l.choice)), make([]float64, len(l.choice))
	for i, c := range l.choice {
		holds[i], cost[i] = int((c.net+unit-1)/unit), 1+price[c.vessel][c.stretch]*c.seconds
	}
	n := int(l.net / unit)
	return cover(n, holds, cost)[n]
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
			cheap[at] = math.Min(cheap[at], cost[i])
		}
	}
	least := make([]float64, n+1)
	for i := 1; i <= n; i++ {
		least[i] = math.Inf(1)
		for k, h := range size {
			least[i] = math.Min(least[i], cheap[k]+least[max(i-h, 0)])
		}
	}
	return least
}

// surplusBound: a recipe wanted for less than its smallest fill makes the
// difference too much.
func (s *search) surplusBound() int64 {
	var surplus int64
	for r := range s.of {
		rec := &s.k.recipes[r]
		var net quantity.Mass
		var heavy quantity.Mass
		for _, c := range s.of[r] {
			net += rec.each[s.classes[c].item] * quantity.Mass(s.classes[c].pieces)
			heavy = max(heavy, rec.each[s.classes[c].item])
		}
		if net == 0 || len(rec.modes) == 0 {
			continue
		}
		least := rec.netOf(rec.modes[0].min)
		for _, m := range rec.modes {
			least = min(least, rec.netOf(m.min))
		}
		if least > net {
			surplus += int64((least - net) / heavy)
		}
	}
	return surplus
}

// timeBound: every piece is at least as far from its best age as the nearest
// instant at which anybody works, and the last class cannot be through before
// its window opens.
func (s *search) timeBound() (deviation, finish int64) {
	for _, c := range s.classes {
		r := &s.k.recipes[c.recipe]
		near, first := int64(math.MaxInt64), int64(math.MaxInt64)
		for _, m := range r.modes {
			lead := m.load + m.mix
			s.hands.Spans(max(s.fl.start, c.from-lead), c.to, func(from, to, free int64) {
				if free <= 0 {
					return
				}
				from, to = max(from+lead, c.from), min(to, c.to)
				if from > to {
					return
				}
				first = min(first, from)
				near = min(near, max(from-c.best, c.best-to, 0))
			})
		}
		if first < math.MaxInt64 {
			deviation += int64(c.pieces) * (near / 60)
			finish = max(finish, (first+r.after-s.fl.start)/60)
		}
	}
	return deviation, finish
}
