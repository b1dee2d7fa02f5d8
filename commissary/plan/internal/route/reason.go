package route

import "fmt"

// Why names the reason a stop was left out.
type Why int

// The reasons, from the plainest to the one that needs a look at the whole.
const (
	NoVehicle Why = iota + 1 // there is no vehicle, or none it may ride on
	TooMuch                  // Need of dimension Dimension; the largest allowed vehicle takes Have
	TooLate                  // even going there first, Need is the earliest arrival and Have the last close
	NoReturn                 // even serving it alone, the vehicle is back at Need and its shift ends at Have
	Crowded                  // it would fit alone, but not beside the others in the routes found
	NotWorth                 // optional, and cheaper to leave out in the routes found

	fits Why = 0
)

// Unserved is one stop left out.
type Unserved struct {
	Stop       int
	Why        Why
	Vehicle    int // the vehicle that comes closest; -1 where the reason names none
	Dimension  int // of load, for TooMuch
	Need, Have int64
}

// String says the reason in words; stops and vehicles are numbers from 0.
func (u Unserved) String() string {
	switch u.Why {
	case NoVehicle:
		return fmt.Sprintf("stop %d: no vehicle may serve it", u.Stop)
	case TooMuch:
		return fmt.Sprintf("stop %d: needs %d in dimension %d, vehicle %d takes %d", u.Stop, u.Need, u.Dimension, u.Vehicle, u.Have)
	case TooLate:
		return fmt.Sprintf("stop %d: vehicle %d arrives at %d at the earliest, it closes at %d", u.Stop, u.Vehicle, u.Need, u.Have)
	case NoReturn:
		return fmt.Sprintf("stop %d: vehicle %d is back at %d at the earliest, its shift ends at %d", u.Stop, u.Vehicle, u.Need, u.Have)
	case Crowded:
		return fmt.Sprintf("stop %d: fits alone, but no room was found beside the others", u.Stop)
	default:
		return fmt.Sprintf("stop %d: leaving it out costs less than serving it", u.Stop)
	}
}

// obstacle is what keeps a vehicle from serving a stop even alone.
type obstacle struct {
	kind       Why
	dimension  int
	need, have int64
}

// ways holds, by depot, the shortest times from it to every node and to it
// from every node. They pass through other nodes, without their service:
// nothing says a matrix keeps the triangle inequality, and only what cannot
// be done by any detour is impossible.
type ways struct{ from, to [][]Time }

func (p *Problem) measure() ways {
	var w ways
	for k := range p.depots {
		depot := len(p.data.Stops) + k
		w.from = append(w.from, p.shortest(depot, func(a, b int) Time { return p.data.Travel[p.place(a)][p.place(b)] }))
		w.to = append(w.to, p.shortest(depot, func(a, b int) Time { return p.data.Travel[p.place(b)][p.place(a)] }))
	}
	return w
}

// shortest is Dijkstra's method on a full graph.
func (p *Problem) shortest(source int, time func(a, b int) Time) []Time {
	dist, done := make([]Time, p.nodes), make([]bool, p.nodes)
	for i := range dist {
		dist[i] = never
	}
	dist[source] = 0
	for range p.nodes {
		next := -1
		for i := range dist {
			if !done[i] && (next < 0 || dist[i] < dist[next]) {
				next = i
			}
		}
		done[next] = true
		for i := range dist {
			dist[i] = min(dist[i], dist[next]+time(next, i))
		}
	}
	return dist
}

func (p *Problem) obstacle(v, i int) obstacle {
	stop, vehicle := &p.data.Stops[i], &p.data.Vehicles[v]
	allowed := len(stop.Vehicles) == 0
	for _, a := range stop.Vehicles {
		allowed = allowed || a == v
	}
	if !allowed {
		return obstacle{kind: NoVehicle}
	}
	for k, need := range stop.Demand {
		if have := vehicle.Capacity[k]; need > have {
			return obstacle{kind: TooMuch, dimension: k, need: int64(need), have: int64(have)}
		}
	}
	n := len(p.data.Stops)
	arrive := vehicle.Shift.Open + p.ways.from[int(p.start[v])-n][i]
	begin := p.opens(int32(i), arrive)
	if begin == never {
		return obstacle{kind: TooLate, need: int64(arrive), have: int64(p.last[i])}
	}
	if back := begin + stop.Service + p.ways.to[int(p.end[v])-n][i]; back > vehicle.Shift.Close {
		return obstacle{kind: NoReturn, need: int64(back), have: int64(vehicle.Shift.Close)}
	}
	return obstacle{}
}

// unserved gives the reasons of the stops that are in none of the routes, by
// the vehicle that comes closest to serving each.
func (p *Problem) unserved(routes [][]int) []Unserved {
	served := make([]bool, len(p.data.Stops))
	for _, route := range routes {
		for _, i := range route {
			served[i] = true
		}
	}
	var list []Unserved
	for i, stop := range p.data.Stops {
		if served[i] {
			continue
		}
		u := Unserved{Stop: i, Why: NoVehicle, Vehicle: -1}
		switch {
		case !p.hopeless[i] && stop.Optional:
			u.Why = NotWorth
		case !p.hopeless[i]:
			u.Why = Crowded
		default:
			for v := range p.data.Vehicles {
				o := p.obstacle(v, i)
				if o.kind > u.Why || o.kind == u.Why && o.need-o.have < u.Need-u.Have {
					u.Why, u.Vehicle, u.Dimension, u.Need, u.Have = o.kind, v, o.dimension, o.need, o.have
				}
			}
			if u.Why == NoVehicle {
				u.Vehicle = -1
			}
		}
		list = append(list, u)
	}
	return list
}
