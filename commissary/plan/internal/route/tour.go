package route

import "slices"

// tour is one vehicle's route with what makes trying an insertion take
// constant time: the earliest start at every node, and the latest arrival
// with which the rest can still be served in time. Both exist for any set of
// windows, because arriving earlier never hurts.
type tour struct {
	nodes  []int32 // the start depot, the stops, the end depot
	starts []Time  // earliest start of service; at the end depot the return
	latest []Time  // latest arrival
	load   []Load
	price  Price // legs and vehicle; 0 when empty
}

func (t *tour) empty() bool    { return len(t.nodes) == 2 }
func (t *tour) stops() []int32 { return t.nodes[1 : len(t.nodes)-1] }
func (t *tour) set(from *tour) {
	t.nodes = append(t.nodes[:0], from.nodes...)
	t.starts = append(t.starts[:0], from.starts...)
	t.latest = append(t.latest[:0], from.latest...)
	t.load = append(t.load[:0], from.load...)
	t.price = from.price
}

// finish is when the vehicle is back; 0 when it does not leave.
func (t *tour) finish() Time {
	if t.empty() {
		return 0
	}
	return t.starts[len(t.starts)-1]
}

// refresh computes everything from the nodes and reports whether the limits are kept.
func (p *Problem) refresh(v int, t *tour) bool {
	k, n := len(t.nodes), int32(len(p.data.Stops))
	vehicle := &p.data.Vehicles[v]
	t.starts, t.latest = slices.Grow(t.starts[:0], k)[:k], slices.Grow(t.latest[:0], k)[:k]
	t.load = slices.Grow(t.load[:0], p.data.Dimension)[:p.data.Dimension]
	clear(t.load)
	t.price = 0
	if k > 2 {
		t.price = p.perVehicle + vehicle.Price
	}
	now := vehicle.Shift.Open
	t.starts[0] = now
	for i := 1; i < k; i++ {
		a, b := t.nodes[i-1], t.nodes[i]
		now += p.leg(a, b).time
		if b < n {
			if now = p.opens(b, now); now == never {
				return false
			}
			for d, l := range p.data.Stops[b].Demand {
				t.load[d] += l
			}
		}
		t.starts[i] = now
		if k > 2 {
			t.price += p.price(v, a, b)
		}
	}
	for d, l := range t.load {
		if l > vehicle.Capacity[d] {
			return false
		}
	}
	if k == 2 {
		now = 0 // stays where it is
	}
	late := vehicle.Shift.Close
	t.latest[k-1] = late
	for i := k - 2; i >= 0; i-- {
		late -= p.leg(t.nodes[i], t.nodes[i+1]).time
		if i > 0 {
			late = p.begun(t.nodes[i], late)
		}
		t.latest[i] = late
	}
	return now <= vehicle.Shift.Close
}

// fleet is a whole state of the search: every stop is in one tour or absent.
type fleet struct {
	tours  []tour
	where  []int32 // by stop: its vehicle, -1 when absent
	absent []int32
	used   int
	price  Price // of tours and absent stops, the finish apart
}

func (p *Problem) fleet() *fleet {
	f := &fleet{tours: make([]tour, len(p.data.Vehicles)), where: make([]int32, len(p.data.Stops))}
	for v := range f.tours {
		f.tours[v].nodes = []int32{p.start[v], p.end[v]}
		p.refresh(v, &f.tours[v])
	}
	for i := range f.where {
		f.where[i] = -1
		f.price += p.skip[i]
		if !p.hopeless[i] {
			f.absent = append(f.absent, int32(i))
		}
	}
	return f
}

func (f *fleet) set(from *fleet) {
	for v := range f.tours {
		f.tours[v].set(&from.tours[v])
	}
	copy(f.where, from.where)
	f.absent = append(f.absent[:0], from.absent...)
	f.used, f.price = from.used, from.price
}

// routes are the stops by vehicle.
func (f *fleet) routes() [][]int {
	routes := make([][]int, len(f.tours))
	for v := range f.tours {
		routes[v] = []int{}
		for _, i := range f.tours[v].stops() {
			routes[v] = append(routes[v], int(i))
		}
	}
	return routes
}

// sum is the whole objective of a state.
func (p *Problem) sum(f *fleet) Price {
	per := p.data.Objective.PerFinish
	if per == 0 {
		return f.price
	}
	var finish Time
	for v := range f.tours {
		finish = max(finish, f.tours[v].finish())
	}
	return f.price + per*Price(finish)
}

// replace gives vehicle v the nodes now in its tour, and empties the tour
// when they break a limit. That happens only where a matrix makes the way
// past a stop longer than the way through it.
func (p *Problem) replace(f *fleet, v int, old Price, wasEmpty bool) {
	t := &f.tours[v]
	if !p.refresh(v, t) {
		for _, i := range t.stops() {
			f.where[i] = -1
			f.absent = append(f.absent, i)
			f.price += p.skip[i]
		}
		t.nodes = append(t.nodes[:0], p.start[v], p.end[v])
		p.refresh(v, t)
	}
	f.price += t.price - old
	if wasEmpty != t.empty() {
		if wasEmpty {
			f.used++
		} else {
			f.used--
		}
	}
}

// insert puts an absent stop behind position k of vehicle v's tour. The
// caller takes it off the list of absent stops.
func (p *Problem) insert(f *fleet, i int32, v, k int) {
	t := &f.tours[v]
	old, wasEmpty := t.price, t.empty()
	t.nodes = slices.Insert(t.nodes, k+1, i)
	f.where[i] = int32(v)
	f.price -= p.skip[i]
	p.replace(f, v, old, wasEmpty)
}

// remove takes the marked positions out of vehicle v's tour.
func (p *Problem) remove(f *fleet, v int, marked func(k int) bool) {
	t := &f.tours[v]
	old, wasEmpty := t.price, t.empty()
	kept := t.nodes[:1]
	for k := 1; k < len(t.nodes); k++ {
		i := t.nodes[k]
		if k < len(t.nodes)-1 && marked(k) {
			f.where[i] = -1
			f.absent = append(f.absent, i)
			f.price += p.skip[i]
			continue
		}
		kept = append(kept, i)
	}
	t.nodes = kept
	p.replace(f, v, old, wasEmpty)
}

// spot is where a stop would go and what that would add.
type spot struct {
	vehicle, position int
	price             Price
}

// delay is when vehicle v would be back with stop i, starting at s, behind position k.
func (p *Problem) delay(t *tour, i int32, k int, s Time) Time {
	at := i
	for _, b := range t.nodes[k+1 : len(t.nodes)-1] {
		k++
		s = p.opens(b, s+p.leg(at, b).time)
		if s == t.starts[k] {
			return t.finish()
		}
		at = b
	}
	return s + p.leg(at, t.nodes[len(t.nodes)-1]).time
}
