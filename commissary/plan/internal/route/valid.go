package route

import (
	"errors"
	"fmt"
	"math/bits"
)

const maxFaults = 20 // messages in one error; more would not be read

// faults collects what is wrong with the data.
func (d *Data) faults() error {
	var list []error
	bad := func(format string, args ...any) {
		if len(list) < maxFaults {
			list = append(list, fmt.Errorf("route: "+format, args...))
		}
	}
	inRange := func(value int64, format string, args ...any) {
		if value < 0 || value > MaxValue {
			bad("%s is %d, outside 0 to %d", fmt.Sprintf(format, args...), value, int64(MaxValue))
		}
	}
	places := len(d.Travel)
	if places > MaxPlaces || len(d.Stops) > MaxStops || len(d.Vehicles) > MaxVehicles {
		return fmt.Errorf("route: %d places, %d stops and %d vehicles; at most %d, %d and %d are planned",
			places, len(d.Stops), len(d.Vehicles), MaxPlaces, MaxStops, MaxVehicles)
	}
	if len(d.Distance) != places {
		bad("Distance has %d rows and Travel %d", len(d.Distance), places)
	}
	for i, row := range d.Travel {
		if len(row) != places {
			bad("Travel[%d] has %d entries for %d places", i, len(row), places)
		}
		for j, t := range row {
			if t < 0 || t > MaxValue {
				inRange(int64(t), "Travel[%d][%d]", i, j)
			}
		}
	}
	for i, row := range d.Distance {
		if len(row) != places {
			bad("Distance[%d] has %d entries for %d places", i, len(row), places)
		}
		for j, m := range row {
			if m < 0 || m > MaxValue {
				inRange(int64(m), "Distance[%d][%d]", i, j)
			}
		}
	}
	place := func(place int, format string, args ...any) {
		if place < 0 || place >= places {
			bad("%s is %d, and there are %d places", fmt.Sprintf(format, args...), place, places)
		}
	}
	window := func(w Window, format string, args ...any) {
		name := fmt.Sprintf(format, args...)
		inRange(int64(w.Open), "%s.Open", name)
		inRange(int64(w.Close), "%s.Close", name)
		if w.Close < w.Open {
			bad("%s closes at %d, before it opens at %d", name, w.Close, w.Open)
		}
	}
	loads := func(loads []Load, format string, args ...any) {
		name := fmt.Sprintf(format, args...)
		if len(loads) != d.Dimension {
			bad("%s has %d entries for %d dimensions", name, len(loads), d.Dimension)
		}
		for k, l := range loads {
			inRange(int64(l), "%s[%d]", name, k)
		}
	}
	for i, s := range d.Stops {
		place(s.Place, "Stops[%d].Place", i)
		for k, w := range s.Windows {
			window(w, "Stops[%d].Windows[%d]", i, k)
			if k > 0 && w.Open <= s.Windows[k-1].Close {
				bad("Stops[%d].Windows[%d] opens at %d, not after the one before it closes at %d", i, k, w.Open, s.Windows[k-1].Close)
			}
		}
		inRange(int64(s.Service), "Stops[%d].Service", i)
		inRange(int64(s.Skip), "Stops[%d].Skip", i)
		if s.Skip > 0 && !s.Optional {
			bad("Stops[%d].Skip is %d, but the stop is not optional", i, s.Skip)
		}
		loads(s.Demand, "Stops[%d].Demand", i)
		for k, v := range s.Vehicles {
			if v < 0 || v >= len(d.Vehicles) {
				bad("Stops[%d].Vehicles[%d] is %d, and there are %d vehicles", i, k, v, len(d.Vehicles))
			}
		}
	}
	for v, vehicle := range d.Vehicles {
		place(vehicle.Start, "Vehicles[%d].Start", v)
		place(vehicle.End, "Vehicles[%d].End", v)
		window(vehicle.Shift, "Vehicles[%d].Shift", v)
		loads(vehicle.Capacity, "Vehicles[%d].Capacity", v)
		inRange(int64(vehicle.Price), "Vehicles[%d].Price", v)
	}
	o := d.Objective
	inRange(int64(o.PerDistance), "Objective.PerDistance")
	inRange(int64(o.PerTravel), "Objective.PerTravel")
	inRange(int64(o.PerFinish), "Objective.PerFinish")
	inRange(int64(o.PerMoved), "Objective.PerMoved")
	if len(d.Before) > len(d.Vehicles) {
		bad("Before has %d routes for %d vehicles", len(d.Before), len(d.Vehicles))
	}
	seen := make([]bool, len(d.Stops))
	for v, route := range d.Before {
		for k, i := range route {
			switch {
			case i < 0 || i >= len(d.Stops):
				bad("Before[%d][%d] is %d, and there are %d stops", v, k, i, len(d.Stops))
			case seen[i]:
				bad("Before[%d][%d]: stop %d is there twice", v, k, i)
			default:
				seen[i] = true
			}
		}
	}
	return errors.Join(list...)
}

// weigh finds the weights that make one sum rank routes level by level, and
// refuses numbers with which that sum could overflow.
func (p *Problem) weigh() error {
	d := &p.data
	var farthest Distance
	var longest Time
	for i := range d.Travel {
		for j := range d.Travel[i] {
			farthest, longest = max(farthest, d.Distance[i][j]), max(longest, d.Travel[i][j])
		}
	}
	stops, vehicles := int64(len(d.Stops)), int64(len(d.Vehicles))
	var sum total
	sum.add(int64(d.Objective.PerDistance), int64(farthest), stops+vehicles)
	sum.add(int64(d.Objective.PerTravel), int64(longest), stops+vehicles)
	sum.add(int64(d.Objective.PerMoved), stops, 1)
	var opening Time // the last instant anything waits for
	for _, v := range d.Vehicles {
		sum.add(int64(v.Price), 1, 1)
		opening = max(opening, v.Shift.Close)
	}
	var finish total // of any one route, too late or not
	finish.add(int64(longest), stops+1, 1)
	for _, s := range d.Stops {
		sum.add(int64(s.Skip), 1, 1)
		finish.add(int64(s.Service), 1, 1)
		for _, w := range s.Windows {
			opening = max(opening, w.Open)
		}
	}
	finish.add(int64(opening), 1, 1)
	sum.add(int64(d.Objective.PerFinish), finish.value, 1)
	sum.over = sum.over || finish.over
	if d.Objective.FewestVehicles {
		p.perVehicle = Price(sum.value + 1)
		sum.add(int64(p.perVehicle), vehicles, 1)
	}
	p.perLeft = Price(sum.value + 1)
	sum.add(int64(p.perLeft), stops, 1)
	if sum.over {
		return fmt.Errorf("route: the objective could pass %d; use coarser units or smaller prices", int64(maxTotal))
	}
	return nil
}

// total adds products of numbers that are not negative and remembers if they passed maxTotal.
type total struct {
	value int64
	over  bool
}

func (t *total) add(a, b, c int64) {
	hi, lo := bits.Mul64(uint64(a), uint64(b))
	if hi == 0 {
		hi, lo = bits.Mul64(lo, uint64(c))
	}
	if hi != 0 || lo > maxTotal || t.value+int64(lo) > maxTotal {
		t.over = true
		return
	}
	t.value += int64(lo)
}
