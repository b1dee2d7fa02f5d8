package route

import (
	"fmt"
	"slices"
)

// Breach names a limit that routes break.
type Breach int

// The limits. By is how far each is exceeded, in its own unit.
const (
	UnknownVehicle Breach = iota + 1 // more routes than vehicles
	UnknownStop                      // a number that is no stop
	Twice                            // a stop served more than once; By counts the visits too many
	Forbidden                        // a stop on a vehicle it may not ride on
	Overload                         // a vehicle over its capacity in Dimension
	Late                             // a service begins after the stop's last window
	Overtime                         // a vehicle is back after its shift
	LeftOut                          // a required stop is in no route
)

// Violation is one limit broken. Vehicle and Stop are -1 where none is meant.
type Violation struct {
	Breach    Breach
	Vehicle   int
	Stop      int
	Dimension int
	By        int64
}

// String says the breach in words; stops and vehicles are numbers from 0.
func (v Violation) String() string {
	switch v.Breach {
	case UnknownVehicle:
		return fmt.Sprintf("route %d: there is no such vehicle", v.Vehicle)
	case UnknownStop:
		return fmt.Sprintf("vehicle %d: there is no stop %d", v.Vehicle, v.Stop)
	case Twice:
		return fmt.Sprintf("stop %d: %d visits too many", v.Stop, v.By)
	case Forbidden:
		return fmt.Sprintf("stop %d: may not ride on vehicle %d", v.Stop, v.Vehicle)
	case Overload:
		return fmt.Sprintf("vehicle %d: %d too much in dimension %d", v.Vehicle, v.By, v.Dimension)
	case Late:
		return fmt.Sprintf("stop %d: vehicle %d is %d too late", v.Stop, v.Vehicle, v.By)
	case Overtime:
		return fmt.Sprintf("vehicle %d: back %d after its shift", v.Vehicle, v.By)
	default:
		return fmt.Sprintf("stop %d: left out", v.Stop)
	}
}

// Check judges any routes, by vehicle, with stops numbered from 0. It shares
// nothing with the search but the data and the clock of Drive. Nothing found
// means every limit is kept and every required stop served.
func Check(p *Problem, routes [][]int) []Violation {
	d := &p.data
	var list []Violation
	visits := make([]int, len(d.Stops))
	for v, route := range routes {
		if v >= len(d.Vehicles) {
			list = append(list, Violation{Breach: UnknownVehicle, Vehicle: v, Stop: -1})
			continue
		}
		vehicle := d.Vehicles[v]
		for _, i := range route {
			if i < 0 || i >= len(d.Stops) {
				list = append(list, Violation{Breach: UnknownStop, Vehicle: v, Stop: i})
			}
		}
		load := make([]Load, d.Dimension)
		round := Drive(p, v, route)
		for _, visit := range round.Visits {
			stop := d.Stops[visit.Stop]
			visits[visit.Stop]++
			if len(stop.Vehicles) > 0 && !slices.Contains(stop.Vehicles, v) {
				list = append(list, Violation{Breach: Forbidden, Vehicle: v, Stop: visit.Stop})
			}
			if visit.Late > 0 {
				list = append(list, Violation{Breach: Late, Vehicle: v, Stop: visit.Stop, By: int64(visit.Late)})
			}
			for k, l := range stop.Demand {
				load[k] += l
			}
		}
		for k, l := range load {
			if l > vehicle.Capacity[k] {
				list = append(list, Violation{Breach: Overload, Vehicle: v, Stop: -1, Dimension: k, By: int64(l - vehicle.Capacity[k])})
			}
		}
		if round.Finish > vehicle.Shift.Close {
			list = append(list, Violation{Breach: Overtime, Vehicle: v, Stop: -1, By: int64(round.Finish - vehicle.Shift.Close)})
		}
	}
	for i, stop := range d.Stops {
		if visits[i] > 1 {
			list = append(list, Violation{Breach: Twice, Vehicle: -1, Stop: i, By: int64(visits[i] - 1)})
		}
		if visits[i] == 0 && !stop.Optional {
			list = append(list, Violation{Breach: LeftOut, Vehicle: -1, Stop: i})
		}
	}
	return list
}
