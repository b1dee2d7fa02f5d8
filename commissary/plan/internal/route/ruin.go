package route

import (
	"cmp"
	"slices"
)

// begin starts a step that restore can take back.
func (s *search) begin() {
	for _, v := range s.touched {
		s.mark[v] = false
	}
	s.touched = s.touched[:0]
	s.out = append(s.out[:0], s.now.absent...)
}

// touch saves a tour before its first change in this step.
func (s *search) touch(v int) {
	if !s.mark[v] {
		s.mark[v] = true
		s.touched = append(s.touched, int32(v))
		s.saved[v].set(&s.now.tours[v])
	}
}

// restore takes the step back.
func (s *search) restore() {
	f, p := s.now, s.p
	for _, i := range f.absent {
		f.price -= p.skip[i]
	}
	for _, v := range s.touched {
		t := &f.tours[v]
		f.price += s.saved[v].price - t.price
		if t.empty() != s.saved[v].empty() {
			if t.empty() {
				f.used++
			} else {
				f.used--
			}
		}
		t.set(&s.saved[v])
		for _, i := range t.stops() {
			f.where[i] = v
		}
	}
	f.absent = append(f.absent[:0], s.out...)
	for _, i := range f.absent {
		f.where[i] = -1
		f.price += p.skip[i]
	}
}

// ruin takes strings of stops out of the tours near a stop drawn.
func (s *search) ruin() {
	s.begin()
	f := s.now
	served := len(s.p.data.Stops) - len(f.absent)
	longest := min(longString, 1+served/max(1, f.used))
	strings := 1 + s.below(max(2, 4*min(meanRemoved, 1+served/3)/(1+longest)-1))
	for _, i := range s.near[s.below(len(s.near))] {
		v := f.where[i]
		if v < 0 || s.mark[v] {
			continue
		}
		s.touch(int(v))
		s.string(int(v), i, longest)
		if strings--; strings == 0 {
			break
		}
	}
}

// string takes a string holding stop i out of its tour; every second time it
// leaves some stops inside the string where they are.
func (s *search) string(v int, i int32, longest int) {
	stops := s.now.tours[v].stops()
	size := len(stops)
	length := 1 + s.below(min(size, longest))
	at := slices.Index(stops, i)
	stay := 0
	if length < size && length > 1 && s.below(2) == 0 {
		for stay = 1; length+stay < size && s.below(blink) == 0; {
			stay++
		}
	}
	span := length + stay
	lowest, highest := max(0, at-span+1), min(at, size-span)
	from := lowest + s.below(highest-lowest+1)
	hole := span
	if stay > 0 {
		hole = 1 + s.below(length-1)
	}
	s.p.remove(s.now, v, func(k int) bool {
		k -= 1 + from
		return k >= 0 && k < span && (k < hole || k >= hole+stay)
	})
}

// recreate inserts the absent stops one by one, each where it costs least;
// what has no place, or is cheaper to leave out, stays absent. With chance,
// some places and vehicles are overlooked, so that what pays only after a
// dearer beginning is found too.
func (s *search) recreate(chance bool) {
	f, p := s.now, s.p
	s.blink, s.only = blink, -1
	if chance {
		switch s.below(rough) {
		case 0:
			s.blink = roughBlink
		case 1:
			s.only = s.below(len(f.tours))
		}
	}
	s.unseen = s.gap()
	s.order(f.absent)
	queue := f.absent
	f.absent = nil
	var rest []int32
	for _, i := range queue {
		limit := p.skip[i]
		if p.data.Stops[i].Optional && s.below(16) == 0 {
			limit = p.perLeft // so that several which pay only together come in
		}
		if spot, ok := s.spot(i, limit); ok {
			s.touch(spot.vehicle)
			p.insert(f, i, spot.vehicle, spot.position)
		} else {
			rest = append(rest, i)
		}
	}
	f.absent = append(append(queue[:0], rest...), f.absent...)
}

// order sorts stops by a key drawn: at random, the largest share of a
// vehicle, the farthest or nearest, the shortest, first opening or first
// closing windows.
func (s *search) order(stops []int32) {
	p := s.p
	for k := len(stops) - 1; k > 0; k-- {
		j := s.below(k + 1)
		stops[k], stops[j] = stops[j], stops[k]
	}
	var key func(i int32) int64
	first := func(i int32) Time {
		if w := p.data.Stops[i].Windows; len(w) > 0 {
			return w[0].Open
		}
		return 0
	}
	switch draw := s.below(16); {
	case draw < 4:
		return
	case draw < 8:
		key = func(i int32) int64 { return -p.share[i] }
	case draw < 10:
		key = func(i int32) int64 { return -int64(p.leg(p.start[0], i).time) }
	case draw < 11:
		key = func(i int32) int64 { return int64(p.leg(p.start[0], i).time) }
	case draw < 13:
		key = func(i int32) int64 { return int64(p.last[i] - first(i)) }
	case draw < 14:
		key = func(i int32) int64 { return int64(first(i)) }
	default:
		key = func(i int32) int64 { return int64(p.last[i]) }
	}
	slices.SortStableFunc(stops, func(a, b int32) int { return cmp.Compare(key(a), key(b)) })
}

// spot finds the cheapest place for a stop that costs less than the limit.
func (s *search) spot(i int32, limit Price) (spot, bool) {
	p, f := s.p, s.now
	best, found := spot{price: limit}, false
	demand := p.data.Stops[i].Demand
	last := p.last[i]
	perFinish, moves := p.data.Objective.PerFinish, p.data.Objective.PerMoved > 0
	var first, second Time // the two latest returns
	if perFinish > 0 {
		for v := range f.tours {
			if t := f.tours[v].finish(); t >= first {
				first, second = t, first
			} else {
				second = max(second, t)
			}
		}
	}
	opened := -1 // the class of the empty vehicle tried last
tours:
	for v := range f.tours {
		t := &f.tours[v]
		if !p.may[v][i] {
			continue
		}
		for d, l := range demand {
			if t.load[d]+l > p.data.Vehicles[v].Capacity[d] {
				continue tours
			}
		}
		var base Price
		if t.empty() {
			if f.used >= s.vehicles || p.class[v] == opened || s.only >= 0 && s.only != v {
				continue
			}
			opened = p.class[v]
			base = p.perVehicle + p.data.Vehicles[v].Price
		}
		for k := range len(t.nodes) - 1 {
			if t.starts[k] > last {
				break
			}
			if s.unseen--; s.unseen < 0 {
				s.unseen = s.gap()
				continue
			}
			a, b := t.nodes[k], t.nodes[k+1]
			to, on := p.leg(a, i), p.leg(i, b)
			price := base + to.price + on.price
			if !t.empty() {
				price -= p.leg(a, b).price
			}
			if moves {
				price = base + p.price(v, a, i) + p.price(v, i, b)
				if !t.empty() {
					price -= p.price(v, a, b)
				}
			}
			if price >= best.price {
				continue
			}
			start := t.starts[k] + to.time
			if start > last {
				continue
			}
			start = p.opens(i, start)
			if start+on.time > t.latest[k+1] {
				continue
			}
			if perFinish > 0 {
				others := first
				if t.finish() == first {
					others = second
				}
				price += perFinish * Price(max(others, p.delay(t, i, k, start))-first)
				if price >= best.price {
					continue
				}
			}
			best, found = spot{vehicle: v, position: k, price: price}, true
		}
	}
	return best, found
}
