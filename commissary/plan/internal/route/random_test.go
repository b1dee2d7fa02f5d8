package route_test

import (
	"math/rand/v2"

	"doughrun/commissary/plan/internal/route"
)

// random draws a small problem that uses every feature now and then. With
// metric, places are points and the way through a third is never shorter.
func random(r *rand.Rand, stops, vehicles int, metric bool) route.Data {
	often := func(percent int) bool { return r.IntN(100) < percent }
	places := 1 + r.IntN(stops+2)
	var d route.Data
	x, y := make([]int, places), make([]int, places)
	for a := range places {
		x[a], y[a] = r.IntN(15), r.IntN(15)
	}
	for a := range places {
		var travel []route.Time
		var distance []route.Distance
		for b := range places {
			if metric {
				m := max(x[a]-x[b], x[b]-x[a]) + max(y[a]-y[b], y[b]-y[a])
				travel, distance = append(travel, route.Time(m)), append(distance, route.Distance(m))
			} else {
				travel, distance = append(travel, route.Time(r.IntN(30))), append(distance, route.Distance(r.IntN(30)))
			}
		}
		d.Travel, d.Distance = append(d.Travel, travel), append(d.Distance, distance)
	}
	d.Dimension = r.IntN(3)
	for range vehicles {
		v := route.Vehicle{Start: r.IntN(places), End: r.IntN(places), Price: route.Price(r.IntN(2) * r.IntN(30))}
		v.Shift.Open = route.Time(r.IntN(20))
		v.Shift.Close = v.Shift.Open + route.Time(r.IntN(150))
		for range d.Dimension {
			v.Capacity = append(v.Capacity, route.Load(2+r.IntN(12)))
		}
		if len(d.Vehicles) > 0 && often(50) {
			v = d.Vehicles[0]
		}
		d.Vehicles = append(d.Vehicles, v)
	}
	for range stops {
		s := route.Stop{Place: r.IntN(places), Service: route.Time(r.IntN(6))}
		for at := r.IntN(60); len(s.Windows) < 3 && often(60); at += 1 + r.IntN(20) {
			w := route.Window{Open: route.Time(at), Close: route.Time(at + r.IntN(40))}
			at = int(w.Close)
			s.Windows = append(s.Windows, w)
		}
		for range d.Dimension {
			s.Demand = append(s.Demand, route.Load(r.IntN(6)))
		}
		for v := range vehicles {
			if often(15) {
				s.Vehicles = append(s.Vehicles, v)
			}
		}
		if often(25) {
			s.Optional, s.Skip = true, route.Price(r.IntN(60))
		}
		d.Stops = append(d.Stops, s)
	}
	o := &d.Objective
	o.FewestVehicles = often(25)
	o.PerDistance = route.Price(r.IntN(3))
	o.PerTravel = route.Price(r.IntN(2))
	if often(30) {
		o.PerFinish = route.Price(r.IntN(3))
	}
	if often(40) && vehicles > 0 {
		o.PerMoved = route.Price(r.IntN(20))
		d.Before = make([][]int, vehicles)
		for _, i := range r.Perm(stops) {
			if v := r.IntN(vehicles + 1); v < vehicles {
				d.Before[v] = append(d.Before[v], i)
			}
		}
	}
	return d
}

// town draws a town of stops round one kitchen: seconds, metres, containers
// and grams, receiving hours in the morning.
func town(seed uint64, stops, vehicles int) route.Data {
	r := rand.New(rand.NewPCG(seed, 0))
	d := route.Data{Dimension: 2, Objective: route.Objective{PerDistance: 1}}
	x, y := []int64{10000}, []int64{10000}
	for range stops {
		x, y = append(x, r.Int64N(20000)), append(y, r.Int64N(20000))
	}
	for a := range x {
		var travel []route.Time
		var distance []route.Distance
		for b := range x {
			m := max(x[a]-x[b], x[b]-x[a]) + max(y[a]-y[b], y[b]-y[a])
			travel, distance = append(travel, route.Time(60+m/9)), append(distance, route.Distance(m))
		}
		travel[a] = 0
		d.Travel, d.Distance = append(d.Travel, travel), append(d.Distance, distance)
	}
	for i := range stops {
		open := route.Time(5*3600 + 1800*r.IntN(6))
		boxes := 4 + r.Int64N(10)
		d.Stops = append(d.Stops, route.Stop{
			Place: i + 1, Service: route.Time(240 + 20*boxes), Demand: []route.Load{route.Load(boxes), route.Load(boxes * 9500)},
			Windows: []route.Window{{Open: open, Close: open + 4*3600}},
		})
	}
	for range vehicles {
		d.Vehicles = append(d.Vehicles, route.Vehicle{
			Shift: route.Window{Open: 4 * 3600, Close: 13 * 3600}, Capacity: []route.Load{150, 1_200_000},
		})
	}
	return d
}
