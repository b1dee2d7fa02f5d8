package plan

import (
	"math"
	"slices"

	"doughrun/commissary/quantity"
)

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

// choice is one way to make a piece: a vessel, the stretch of work, and the
// seconds and the mass of pieces of a batch.
type choice struct {
	vessel, stretch int
	seconds         float64
	net             quantity.Mass
	first, last     int64 // when its mixing can end
}

// bound returns values that no plan of the day can go below, component by
// component of the objective; each holds for plans that reach the components
// before it, which reached tells of. They are computed from the needs and the resources alone, never
// from the search.
//
// Short pieces and batches come from the Lagrangian dual of the relaxation
// that only asks every vessel to work no longer than the shifts are long:
// whatever prices the vessels' time has, the dual value is a bound. See M. L.
// Fisher, "The Lagrangian Relaxation Method for Solving Integer Programming
// Problems", Management Science 27(1), 1981, section 2 (from memory).
func (s *search) bound(reached cost) cost {
	var b cost
	time := s.vesselTime()
	short := reached[costShort] - s.beyond
	if reached[costShort] > 0 { // what is none already has no bound to look for
		b[costShort] = s.missedBound(time, false)
	}
	if reached[costOff] > 0 {
		b[costOff] = max(s.forcedOff(short), s.missedBound(time, true)-short)
	}
	missing, spared := max(short-s.never(), 0), s.spared(short, reached[costOff])
	b[costBatches] = s.batchBound(time, true, spared)
	if spared > missing { // what is outside its band is made in its window all the same
		b[costBatches] = max(b[costBatches], s.batchBound(time, false, missing))
	}
	if reached[costShort] == 0 {
		b[costSurplus] = s.surplusBound()
		b[costDeviation], b[costFinish] = s.timeBound()
	}
	return b
}

// capacity is how many seconds each vessel can work in each stretch, and how
// many of them it is given on top in whichever stretch that helps most.
type capacity struct {
	time  [][]float64
	extra []float64
}

// vesselTime counts a cleaning before every batch; the first batch of each unit,
// and one behind what no formula of the book is, needs none.
func (s *search) vesselTime() capacity {
	c := capacity{make([][]float64, len(s.fl.vessels)), make([]float64, len(s.fl.vessels))}
	for v, row := range s.fl.vessels {
		c.time[v] = make([]float64, len(s.spans))
		for i, w := range s.spans {
			c.time[v][i] = float64(w.to-w.from) * float64(len(row.units))
		}
		clean := len(row.units)
		for _, u := range row.units {
			for _, e := range u.Entries() {
				if e.Family == -1 && !e.Idle {
					clean++
				}
			}
		}
		c.extra[v] = float64(s.k.book.Vessels[v].Scrape) * float64(clean)
	}
	return c
}

// paid is what all of it is worth at given prices.
func (c capacity) paid(price [][]float64) (v float64) {
	for j := range price {
		for k := range price[j] {
			v += price[j][k] * c.time[j][k]
		}
		if len(price[j]) > 0 && c.extra[j] > 0 {
			v += slices.Max(price[j]) * c.extra[j]
		}
	}
	return v
}

// never is how many pieces nobody can mix in their window: no plan has them.
func (s *search) never() (pieces int64) {
	for _, c := range s.classes {
		if len(s.choices(c.recipe, c.from, c.to)) == 0 {
			pieces += int64(c.pieces)
		}
	}
	return pieces
}

// spared is how many pieces may be missing from the bands that the bound of
// batches counts on, in a plan with so many short and outside their bands. What
// no plan has in its band counts in its window there.
func (s *search) spared(short, off int64) int64 {
	return max(short-s.never()+off-s.forcedOff(short), 0)
}

// choicesOf lists the ways to make a class: in its band if it is to be, and as
// far as anybody can mix then, or else in its window.
func (s *search) choicesOf(c *class, band bool) []choice {
	if band {
		if choice := s.choices(c.recipe, c.goodFrom, c.goodTo); len(choice) > 0 {
			return choice
		}
	}
	return s.choices(c.recipe, c.from, c.to)
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
			first, last := max(w.from+m.load+m.mix, from), min(w.to-m.unload, to)
			if first <= last && m.net > 0 {
				all = append(all, choice{m.vessel, i, float64(m.load + m.mix + m.unload + int64(scrape)), m.net, first, last})
			}
		}
	}
	return all
}

// climb raises a concave dual function in large steps first, for what is far too
// dear or too cheap, then in small ones: where hundreds of batches share the
// vessels, large steps alone lead past every price.
func climb(price [][]float64, all capacity, step float64, rounds int, value func(price [][]float64, used [][]float64) float64) float64 {
	return math.Max(ascend(price, all, step, rounds/4, value), ascend(price, all, step/8, rounds-rounds/4, value))
}

// ascend raises a concave dual function of the vessels' prices by subgradient
// steps. value returns the dual value and how many seconds each vessel works.
func ascend(price [][]float64, all capacity, step float64, rounds int, value func(price [][]float64, used [][]float64) float64) float64 {
	best, time := math.Inf(-1), all.time
	p, used := grid(price), grid(price)
	for i := range rounds {
		for j := range used {
			clear(used[j])
		}
		v := value(p, used) - all.paid(p)
		for j := range p {
			if len(p[j]) > 0 && all.extra[j] > 0 {
				used[j][slices.Index(p[j], slices.Max(p[j]))] -= all.extra[j]
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

// missedBound is how many pieces are not made in their windows, or with band in
// their bands: each is either missed, at cost 1, or takes its share of some
// vessel's time at the price of that time.
func (s *search) missedBound(time capacity, band bool) int64 {
	var never int64
	type part struct {
		pieces float64
		each   quantity.Mass
		choice []choice
	}
	var parts []part
	for _, c := range s.classes {
		from, to := c.window(band)
		p := part{float64(c.pieces), s.k.recipes[c.recipe].each[c.item], s.choices(c.recipe, from, to)}
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
	return never + max(0, int64(math.Ceil(ascend(zeros(time.time), time, 0.1, 200, value)-1e-6)))
}

// forcedOff counts the pieces whose good band holds no instant at which
// anybody could mix, though the window does; those that are short may be
// among them.
func (s *search) forcedOff(short int64) int64 {
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
