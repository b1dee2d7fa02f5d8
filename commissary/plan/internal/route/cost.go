package route

import "cmp"

// Rank is what routes are compared by, level by level.
type Rank struct {
	Left     int // required stops left out
	Vehicles int // vehicles used; 0 unless the objective is FewestVehicles
	Price    Price
}

// Compare is negative when r is better than other, 0 when equal.
func (r Rank) Compare(other Rank) int {
	return cmp.Or(cmp.Compare(r.Left, other.Left), cmp.Compare(r.Vehicles, other.Vehicles), cmp.Compare(r.Price, other.Price))
}

// rank takes the weighted sum of the search apart into its levels.
func (p *Problem) rank(sum Price) Rank {
	r := Rank{Left: int(sum / p.perLeft), Price: sum % p.perLeft}
	if p.perVehicle > 0 {
		r.Vehicles, r.Price = int(r.Price/p.perVehicle), r.Price%p.perVehicle
	}
	return r
}

// Cost is what routes cost, component by component.
type Cost struct {
	Rank     Rank
	Served   int
	Left     int   // required stops left out
	Skipped  Price // of the optional stops left out
	Vehicles int   // used
	Fleet    Price // of the vehicles used
	Distance Distance
	Travel   Time // on the road, waiting and service apart
	Wait     Time // at stops, for a window to open
	Finish   Time // when the last vehicle is back; 0 when none leaves
	Moved    int  // stops that ride another vehicle or follow another stop than in Before
}

// CostOf costs any routes, by vehicle, with stops numbered from 0, whether
// they keep the limits or not. Stops and vehicles that do not exist are passed
// over; Check reports them.
func CostOf(p *Problem, routes [][]int) Cost {
	d := &p.data
	var c Cost
	served := make([]bool, len(d.Stops))
	for v := range min(len(routes), len(d.Vehicles)) {
		round := Drive(p, v, routes[v])
		if len(round.Visits) == 0 {
			continue
		}
		c.Vehicles++
		c.Fleet += d.Vehicles[v].Price
		c.Distance += round.Distance
		c.Travel += round.Travel
		c.Finish = max(c.Finish, round.Finish)
		after := len(d.Stops) // stands for the depot
		for _, visit := range round.Visits {
			c.Wait += visit.Start - visit.Arrive
			if p.moved(v, int32(after), int32(visit.Stop)) {
				c.Moved++
			}
			after = visit.Stop
			served[visit.Stop] = true
		}
	}
	for i, stop := range d.Stops {
		switch {
		case served[i]:
			c.Served++
		case stop.Optional:
			c.Skipped += stop.Skip
		default:
			c.Left++
		}
	}
	o := d.Objective
	c.Rank = Rank{Left: c.Left, Price: c.Skipped + c.Fleet + o.PerDistance*Price(c.Distance) + o.PerTravel*Price(c.Travel) +
		o.PerFinish*Price(c.Finish) + o.PerMoved*Price(c.Moved)}
	if o.FewestVehicles {
		c.Rank.Vehicles = c.Vehicles
	}
	return c
}

// Round is one vehicle's route with its clock.
type Round struct {
	Depart   Time // as late as leaves the first start of service where it is
	Visits   []Visit
	Finish   Time // back at the end place
	Distance Distance
	Travel   Time
}

// Visit is one stop of a round. Service begins at Start and ends at Leave;
// Late is by how much Start is past the last window, 0 when in time.
type Visit struct {
	Stop                 int
	Arrive, Start, Leave Time
	Late                 Time
}

// Drive gives the times of a route, whether it keeps the limits or not: past
// its last window a stop is served on arrival. Stops that do not exist are
// passed over; an empty route does not leave.
func Drive(p *Problem, v int, route []int) Round {
	d := &p.data
	vehicle := d.Vehicles[v]
	r := Round{Depart: vehicle.Shift.Open}
	at, now := vehicle.Start, vehicle.Shift.Open
	for _, i := range route {
		if i < 0 || i >= len(d.Stops) {
			continue
		}
		stop := d.Stops[i]
		r.Distance += d.Distance[at][stop.Place]
		r.Travel += d.Travel[at][stop.Place]
		visit := Visit{Stop: i, Arrive: now + d.Travel[at][stop.Place]}
		visit.Start = visit.Arrive
		if len(stop.Windows) > 0 {
			visit.Late = max(0, visit.Arrive-stop.Windows[len(stop.Windows)-1].Close)
		}
		for _, w := range stop.Windows {
			if visit.Arrive <= w.Close {
				visit.Start = max(visit.Arrive, w.Open)
				break
			}
		}
		if len(r.Visits) == 0 {
			r.Depart += visit.Start - visit.Arrive
			visit.Arrive = visit.Start
		}
		visit.Leave = visit.Start + stop.Service
		at, now = stop.Place, visit.Leave
		r.Visits = append(r.Visits, visit)
	}
	if len(r.Visits) == 0 {
		return r
	}
	r.Distance += d.Distance[at][vehicle.End]
	r.Travel += d.Travel[at][vehicle.End]
	r.Finish = now + d.Travel[at][vehicle.End]
	return r
}
