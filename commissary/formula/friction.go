package formula

import (
	"slices"

	"doughrun/commissary/quantity"
)

// Mixed is what was measured on one finished batch.
type Mixed struct {
	Room        quantity.Temp
	Flour       quantity.Temp
	Water       quantity.Temp // with ice: Ice.Blend of what was weighed
	Preferments []quantity.Temp
	Dough       quantity.Temp // at the end of mixing
	Fill        quantity.PPM  // of the vessel's largest fill
}

// Friction returns the friction factor that the batch shows: n × dough − (room
// + flour + water + preferments), the factor method turned round.
func (m Mixed) Friction() quantity.Temp {
	known := Factors{Target: m.Dough, Room: m.Room, Flour: m.Flour, Preferments: m.Preferments}
	return known.WaterTemp() - m.Water
}

// band returns the fill band of a batch. A small batch warms otherwise than a
// full one, so that each band learns by itself. The limits are a choice, no
// source.
func band(fill quantity.PPM) int {
	switch {
	case fill < 50*quantity.Percent:
		return 0
	case fill < 80*quantity.Percent:
		return 1
	}
	return 2
}

// How many batches are learnt from: at most, and at least.
const (
	learnFrom  = 10
	learnLeast = 3
)

// Learn returns the friction factor of one vessel, class and speed for batches
// of about the given fill: the median over the last ten batches of the same
// fill band (below 50 %, below 80 %, up to full), which one wrong thermometer
// reading does not move. Batches are given oldest first. Below three batches
// in the band it has learnt nothing and returns false.
func Learn(batches []Mixed, fill quantity.PPM) (quantity.Temp, bool) {
	var seen []quantity.Temp
	for _, m := range slices.Backward(batches) {
		if band(m.Fill) == band(fill) && len(seen) < learnFrom {
			seen = append(seen, m.Friction())
		}
	}
	if len(seen) < learnLeast {
		return 0, false
	}
	slices.Sort(seen)
	low, high := seen[(len(seen)-1)/2], seen[len(seen)/2]
	return low + (high-low)/2, true
}
