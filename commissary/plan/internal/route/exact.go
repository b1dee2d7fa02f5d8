package route

import (
	"math/bits"
	"slices"
)

const (
	maxTabled  = 64      // stops of the largest table, one bit each
	maxLabels  = 1 << 20 // labels of the largest table; past them the search goes on without it
	labelsStep = 256     // labels that count as one step of work
)

// label is a partial round of the only vehicle: which stops it has served,
// where it stands, when service begins there, what it has cost.
type label struct {
	served  uint64
	start   Time
	price   Price // legs and vehicle so far
	reduced Price // what these legs cost beyond the duals
	from    int32 // the label before, -1 for none
	next    int32 // another label of the same state, -1 for none
	at      int8
	dead    bool // another label is as early and as cheap
}

// exact settles a problem with one vehicle by a table over sets of stops,
// after Dumas, Desrosiers, Gélinas and Solomon, "An Optimal Algorithm for the
// Traveling Salesman Problem with Time Windows", Operations Research 43
// (1995). A label falls when another of the same set and place is as early
// and as cheap, or when the duals of the assignment show that it cannot lead
// below the best routes known. It reports whether the table was completed:
// then the best state is an optimum.
func (s *search) exact(d duals) bool {
	p := s.p
	n := len(p.data.Stops)
	short := p.detours()
	base := Price(0) // the assignment's value, as far as duals go
	for i := range d.row {
		base += d.row[i] + d.column[i]
	}
	perFinish := p.data.Objective.PerFinish
	light := p.fitsSet(1<<n - 1) // then any set fits
	// worth reports whether the label may still lead below the best known.
	worth := func(l *label) bool {
		bound := base + l.reduced
		at := int(l.at)
		bound += perFinish * Price(l.start+p.data.Stops[at].Service+short[at*p.nodes+int(p.end[0])])
		if bound >= s.least {
			return false
		}
		for i := range n {
			if l.served&(1<<i) == 0 && (p.hopeless[i] || l.start+p.data.Stops[at].Service+short[at*p.nodes+i] > p.last[i]) {
				if bound += p.skip[i] - d.row[i] - d.column[i]; bound >= s.least {
					return false
				}
			}
		}
		return true
	}

	var labels []label
	sets := make(map[uint64]int32) // of the layer now built: where a set's heads begin
	var heads []int32              // by set and stop: the label added last, -1 for none
	add := func(l label) {
		if !worth(&l) {
			return
		}
		begin, known := sets[l.served]
		if !known {
			begin = int32(len(heads))
			sets[l.served] = begin
			for range n {
				heads = append(heads, -1)
			}
		}
		head := &heads[int(begin)+int(l.at)]
		for k := *head; k >= 0; k = labels[k].next {
			other := &labels[k]
			if other.dead {
				continue
			}
			if other.start <= l.start && other.price <= l.price {
				return
			}
			if l.start <= other.start && l.price <= other.price {
				other.dead = true
			}
		}
		l.next = *head
		*head = int32(len(labels))
		labels = append(labels, l)
	}
	// extend adds the label that goes on to stop i.
	extend := func(l label, ready Time, i int, price Price, row int) {
		begin := p.opens(int32(i), ready)
		if begin == never || begin+p.data.Stops[i].Service+short[i*p.nodes+int(p.end[0])] > p.data.Vehicles[0].Shift.Close || !light && !p.fitsSet(l.served|1<<i) {
			return
		}
		l.served |= 1 << i
		l.at, l.start = int8(i), begin
		l.price += price
		l.reduced += price - d.row[row] - d.column[i]
		add(l)
	}
	// finish offers the round that ends with the label as the best.
	finish := func(k int32) {
		l := &labels[k]
		back := l.start + p.leg(int32(l.at), p.end[0]).time
		if back > p.data.Vehicles[0].Shift.Close {
			return
		}
		sum := l.price + p.leg(int32(l.at), p.end[0]).price + perFinish*Price(back)
		for i := range n {
			if l.served&(1<<i) == 0 {
				sum += p.skip[i]
			}
		}
		if sum < s.least {
			s.adopt(labels, k)
		}
	}

	start := p.data.Vehicles[0]
	for i := range n {
		if p.may[0][i] {
			price := p.perVehicle + start.Price + p.price(0, p.start[0], int32(i))
			extend(label{from: -1}, start.Shift.Open+p.leg(p.start[0], int32(i)).time, i, price, n)
		}
	}
	for first, layer := 0, len(labels); first < layer; first, layer = layer, len(labels) {
		clear(sets)
		heads = heads[:0]
		for k := first; k < layer; k++ {
			if (k+1)%labelsStep == 0 && !s.step() || len(labels) > maxLabels {
				return false
			}
			if labels[k].dead {
				continue
			}
			finish(int32(k))
			l := labels[k]
			l.from = int32(k)
			for i := range n {
				if l.served&(1<<i) == 0 && p.may[0][i] {
					extend(l, l.start+p.leg(int32(l.at), int32(i)).time, i, p.price(0, int32(l.at), int32(i)), int(l.at))
				}
			}
		}
	}
	return true
}

// adopt makes the round that ends with a label the best.
func (s *search) adopt(labels []label, k int32) {
	f := s.p.fleet()
	var stops []int32
	for ; k >= 0; k = labels[k].from {
		stops = append(stops, int32(labels[k].at))
	}
	slices.Reverse(stops)
	t := &f.tours[0]
	t.nodes = slices.Insert(t.nodes, 1, stops...)
	for _, i := range stops {
		f.where[i] = 0
		f.price -= s.p.skip[i]
	}
	f.absent = slices.DeleteFunc(f.absent, func(i int32) bool { return f.where[i] >= 0 })
	s.p.replace(f, 0, 0, true)
	s.now.set(f)
	s.keep(s.p.sum(f))
}

// detours are the shortest times between nodes through any others, by Floyd's
// method, without the service at the tail.
func (p *Problem) detours() []Time {
	short := make([]Time, p.nodes*p.nodes)
	for a := range p.nodes {
		for b := range p.nodes {
			short[a*p.nodes+b] = p.data.Travel[p.place(a)][p.place(b)]
		}
	}
	for c := range p.nodes {
		for a := range p.nodes {
			for b := range p.nodes {
				short[a*p.nodes+b] = min(short[a*p.nodes+b], short[a*p.nodes+c]+short[c*p.nodes+b])
			}
		}
	}
	return short
}

// fitsSet reports whether the only vehicle can carry a set of stops.
func (p *Problem) fitsSet(set uint64) bool {
	for k, most := range p.data.Vehicles[0].Capacity {
		for rest := set; rest != 0; rest &= rest - 1 {
			if most -= p.data.Stops[bits.TrailingZeros64(rest)].Demand[k]; most < 0 {
				return false
			}
		}
	}
	return true
}
