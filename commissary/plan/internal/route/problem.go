// Package route finds rounds: which vehicle visits which stop, in which
// order, inside the stops' time windows and the vehicles' limits.
//
// Problem, objective and routes are three things. A Problem is validated
// wholly by New and never changes afterwards. Routes are plain lists of stop
// numbers, one list per vehicle, whether Solve made them or a person; Check
// says which limits they break and CostOf what they cost. Solve is
// deterministic: problem, seed and number of steps give the routes, and more
// steps never give worse ones.
//
// All arithmetic is in whole numbers of units the caller chooses.
package route

import "slices"

// Time is an instant or a duration in the caller's whole unit, for example
// seconds since midnight. Distance is a length, Load an amount of one of the
// things vehicles carry, Price what the objective adds up.
type (
	Time     int64
	Distance int64
	Load     int64
	Price    int64
)

// Limits of a problem. They keep every sum inside 64 bits; what exceeds them
// is refused by New.
const (
	MaxStops    = 1000
	MaxVehicles = 200
	MaxPlaces   = 2000
	MaxValue    = 1 << 40 // the largest time, distance, load or price given
	maxTotal    = 1 << 54 // the largest sum the objective may reach
)

// Window is when a service may begin, both ends included.
type Window struct{ Open, Close Time }

// Stop is one visit.
type Stop struct {
	Place    int      // row of the matrices
	Windows  []Window // ascending and apart; none means at any time
	Service  Time     // spent at the stop, after the window has let it begin
	Demand   []Load   // one per dimension of load
	Vehicles []int    // the vehicles that may serve it; none means all
	Optional bool     // may be left out
	Skip     Price    // what leaving an optional stop out costs
}

// Vehicle makes at most one round; a second round is a second vehicle with a
// later shift.
type Vehicle struct {
	Start, End int    // places
	Shift      Window // leaves Start at Open at the earliest, is at End by Close
	Capacity   []Load // one per dimension of load
	Price      Price  // once, if it serves any stop
}

// Objective is what a set of routes is ranked by: first the fewest required
// stops left out, then, with FewestVehicles, the fewest vehicles used, then
// the least sum of the prices named here, of the prices of the vehicles used
// and of the optional stops left out.
type Objective struct {
	FewestVehicles bool
	PerDistance    Price
	PerTravel      Price // per unit of time on the road, waiting and service apart
	PerFinish      Price // per unit of the instant the last vehicle is back
	PerMoved       Price // per stop that rides another vehicle or follows another stop than in Before
}

// Data is a problem as the caller states it.
type Data struct {
	Travel    [][]Time     // by place and place
	Distance  [][]Distance // by place and place
	Dimension int          // how many dimensions of load there are
	Stops     []Stop
	Vehicles  []Vehicle
	Objective Objective
	Before    [][]int // earlier routes to stay close to, by vehicle; stops not in them are new
}

// Problem is Data found valid, with the tables the search works on.
type Problem struct {
	data Data // a deep copy: what Check and CostOf read

	legs   []leg // by node and node; nodes are the stops, then the distinct depots
	nodes  int
	depots []int   // the place of each depot node
	start  []int32 // by vehicle: its first node
	end    []int32 // and its last
	ways   ways

	may      [][]bool // by vehicle and stop: allowed, light enough and, alone, in time
	hopeless []bool   // no vehicle may
	last     []Time   // by stop: when its last window closes
	skip     []Price  // by stop: what leaving it out weighs
	share    []int64  // by stop: the largest part of any capacity it takes, in millionths of the largest vehicle's
	class    []int    // by vehicle: the first one that is the same in everything
	before   []earlier

	perVehicle Price // weight of one vehicle more under FewestVehicles
	perLeft    Price // weight of one required stop left out: more than all else together
}

// leg is the way from one node to another: what it adds to the objective and
// how long after the start of service at its tail the head is reached.
type leg struct {
	price Price
	time  Time
}

// earlier is where a stop was in Before: its vehicle (-1 when it is new) and
// the stop it followed (-1 for the first).
type earlier struct{ vehicle, after int32 }

// New validates the data wholly and builds the problem. The error joins one
// message per fault, each naming the field and the index.
func New(data Data) (*Problem, error) {
	if err := data.faults(); err != nil {
		return nil, err
	}
	p := &Problem{data: data.clone()}
	if err := p.weigh(); err != nil {
		return nil, err
	}
	p.tabulate()
	return p, nil
}

func (d *Data) clone() Data {
	c := *d
	c.Travel = clone2(d.Travel)
	c.Distance = clone2(d.Distance)
	c.Before = clone2(d.Before)
	c.Stops = slices.Clone(d.Stops)
	for i := range c.Stops {
		s := &c.Stops[i]
		s.Windows, s.Demand, s.Vehicles = slices.Clone(s.Windows), slices.Clone(s.Demand), slices.Clone(s.Vehicles)
	}
	c.Vehicles = slices.Clone(d.Vehicles)
	for v := range c.Vehicles {
		c.Vehicles[v].Capacity = slices.Clone(c.Vehicles[v].Capacity)
	}
	return c
}

func clone2[T any](rows [][]T) [][]T {
	c := slices.Clone(rows)
	for i := range c {
		c[i] = slices.Clone(c[i])
	}
	return c
}

// tabulate builds the tables of the search.
func (p *Problem) tabulate() {
	d := &p.data
	n := len(d.Stops)
	depot := func(place int) int32 {
		k := slices.Index(p.depots, place)
		if k < 0 {
			k = len(p.depots)
			p.depots = append(p.depots, place)
		}
		return int32(n + k)
	}
	for _, v := range d.Vehicles {
		p.start, p.end = append(p.start, depot(v.Start)), append(p.end, depot(v.End))
	}
	p.nodes = n + len(p.depots)
	p.legs = make([]leg, p.nodes*p.nodes)
	for a := range p.nodes {
		var service Time
		if a < n {
			service = d.Stops[a].Service
		}
		from := p.place(a)
		for b := range p.nodes {
			to := p.place(b)
			p.legs[a*p.nodes+b] = leg{
				price: d.Objective.PerDistance*Price(d.Distance[from][to]) + d.Objective.PerTravel*Price(d.Travel[from][to]),
				time:  service + d.Travel[from][to],
			}
		}
	}
	p.last, p.skip, p.share = make([]Time, n), make([]Price, n), make([]int64, n)
	largest := make([]Load, d.Dimension)
	for _, v := range d.Vehicles {
		for k, l := range v.Capacity {
			largest[k] = max(largest[k], l)
		}
	}
	p.before = make([]earlier, n)
	for i, s := range d.Stops {
		p.last[i] = MaxValue
		if len(s.Windows) > 0 {
			p.last[i] = s.Windows[len(s.Windows)-1].Close
		}
		p.skip[i] = p.perLeft
		if s.Optional {
			p.skip[i] = s.Skip
		}
		p.before[i] = earlier{vehicle: -1}
		for k, l := range s.Demand {
			if l <= largest[k] && l > 0 {
				p.share[i] = max(p.share[i], int64(ratio(uint64(l), 1_000_000, uint64(largest[k]))))
			}
		}
	}
	for v, route := range d.Before {
		after := int32(-1)
		for _, i := range route {
			p.before[i] = earlier{vehicle: int32(v), after: after}
			after = int32(i)
		}
	}
	p.may = make([][]bool, len(d.Vehicles))
	for v := range d.Vehicles {
		p.may[v] = make([]bool, n)
	}
	p.hopeless = make([]bool, n)
	p.ways = p.measure()
	for i := range n {
		p.hopeless[i] = true
		for v := range d.Vehicles {
			p.may[v][i] = p.obstacle(v, i).kind == fits
			p.hopeless[i] = p.hopeless[i] && !p.may[v][i]
		}
	}
	p.class = make([]int, len(d.Vehicles))
	for v := range d.Vehicles {
		p.class[v] = v
		for w := range v {
			if p.alike(v, w) {
				p.class[v] = w
				break
			}
		}
	}
}

// alike reports whether two vehicles are the same in everything that matters.
func (p *Problem) alike(v, w int) bool {
	a, b := p.data.Vehicles[v], p.data.Vehicles[w]
	return len(p.data.Before) == 0 && a.Start == b.Start && a.End == b.End && a.Shift == b.Shift && a.Price == b.Price &&
		slices.Equal(a.Capacity, b.Capacity) && slices.Equal(p.may[v], p.may[w])
}

func (p *Problem) place(node int) int {
	if n := len(p.data.Stops); node >= n {
		return p.depots[node-n]
	}
	return p.data.Stops[node].Place
}

// leg is the way between two nodes.
func (p *Problem) leg(a, b int32) *leg { return &p.legs[int(a)*p.nodes+int(b)] }

// price is what vehicle v going from node a to node b adds to the objective.
func (p *Problem) price(v int, a, b int32) Price {
	price := p.leg(a, b).price
	if p.data.Objective.PerMoved > 0 && p.moved(v, a, b) {
		price += p.data.Objective.PerMoved
	}
	return price
}

// moved reports whether stop b, reached by vehicle v from node a, is elsewhere than before.
func (p *Problem) moved(v int, a, b int32) bool {
	n := int32(len(p.before))
	if b >= n || p.before[b].vehicle < 0 {
		return false
	}
	if a >= n {
		a = -1
	}
	return p.before[b] != earlier{vehicle: int32(v), after: a}
}

// opens is the first instant not before t at which service may begin at stop i, or never.
func (p *Problem) opens(i int32, t Time) Time {
	windows := p.data.Stops[i].Windows
	if len(windows) == 0 {
		return t
	}
	for k := range windows {
		if t <= windows[k].Close {
			return max(t, windows[k].Open)
		}
	}
	return never
}

// begun is the last instant not after t at which service may begin at stop i, or -1.
func (p *Problem) begun(i int32, t Time) Time {
	windows := p.data.Stops[i].Windows
	if len(windows) == 0 {
		return t
	}
	for k := len(windows) - 1; k >= 0; k-- {
		if t >= windows[k].Open {
			return min(t, windows[k].Close)
		}
	}
	return -1
}

const never Time = 1 << 60 // later than any sum of times
