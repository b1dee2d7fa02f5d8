package formula

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Method names how a water temperature was worked out.
type Method string

// The methods.
const (
	ByFactor  Method = "factor"  // equal weights: see Factors
	ByBalance Method = "balance" // mass × specific heat: see Balance
	ByTap     Method = "tap"     // the formula has no target: water as it comes
)

// Water is the formula water of one batch.
type Water struct {
	Method  Method
	Needed  quantity.Temp // what the water must have; below the tap's it is cooled with ice
	Tap     quantity.Temp
	Ice     quantity.PPM // part of the formula water weighed as ice, the replacement form
	Assumed string       // what was not known and was assumed; empty: nothing
}

// Factors are the temperatures of the factor method. Friction is a difference,
// so that one of 35 °F is 19.4 °C.
type Factors struct {
	Target      quantity.Temp // wanted dough temperature
	Room        quantity.Temp
	Flour       quantity.Temp
	Preferments []quantity.Temp // one for each
	Friction    quantity.Temp   // the vessel's friction factor, counted with the same number of factors
}

// WaterTemp returns the water temperature by the factor method: n × target −
// (room + flour + preferments + friction), with n = 3 + the number of
// preferments (Lehmann, Pizza Today, June 2018, p. 29; with a preferment
// Cook's Illustrated, "Precise water temperature for the perfect loaf"). All
// factors weigh the same whatever their mass, which misleads where preferments
// are unusually large or small; Balance does better there.
func (f Factors) WaterTemp() quantity.Temp { return quantity.Temp(f.n()*int64(f.Target) - f.others()) }

// DoughTemp returns the dough temperature that water of a given temperature leads to.
func (f Factors) DoughTemp(water quantity.Temp) quantity.Temp {
	t, _ := quantity.MulDiv(f.others()+int64(water), 1, f.n(), quantity.Nearest)
	return quantity.Temp(t)
}

// n is the number of factors the target is multiplied by.
func (f Factors) n() int64 { return 3 + int64(len(f.Preferments)) }

func (f Factors) others() int64 {
	sum := int64(f.Room) + int64(f.Flour) + int64(f.Friction)
	for _, p := range f.Preferments {
		sum += int64(p)
	}
	return sum
}

// PlannedWater returns the formula water of a batch by the kitchen's method at
// its forecast temperatures: see PlannedFactors and WaterBy. A formula without
// a target takes tap water. It refuses a target that neither ice nor warm water
// reaches.
func PlannedWater(b commissary.Book, v commissary.Vessel, f commissary.Formula, second bool) (Water, error) {
	factors, assumed := PlannedFactors(b, v, f, second)
	w, err := WaterBy(b, f, factors)
	if f.Target != 0 {
		w.Assumed = assumed
	}
	return w, err
}

// PlannedFactors returns the factors of a batch at forecast temperatures, and
// what was assumed for them: preferments at room temperature, flour at its
// ingredient's temperature where the book states one. Where the vessel has a
// friction table without a row for the class and speed, its largest factor is
// assumed: colder water is the safe side for a mixer.
func PlannedFactors(b commissary.Book, v commissary.Vessel, f commissary.Formula, second bool) (factors Factors, assumed string) {
	factors = Factors{Target: f.Target, Room: b.Kitchen.RoomTemp, Flour: flourTemp(b, f)}
	for range f.Preferments {
		factors.Preferments = append(factors.Preferments, b.Kitchen.RoomTemp)
	}
	factors.Friction, assumed = friction(v, f.Class, second)
	return factors, assumed
}

// WaterBy returns the formula water for given factors by the kitchen's method,
// with the kitchen's ice. A formula without a target takes tap water. It
// refuses a target that neither ice nor warm water reaches.
func WaterBy(b commissary.Book, f commissary.Formula, factors Factors) (Water, error) {
	tap := b.Kitchen.TapWater
	switch {
	case f.Target == 0:
		return Water{Method: ByTap, Needed: tap, Tap: tap}, nil
	case Method(b.Kitchen.Water) == ByBalance:
		balance, err := BalanceOf(b, f, factors)
		if err != nil {
			return Water{}, err
		}
		return balance.water(b, f, "")
	}
	return Reach(f.ID, factors, tap, IceOf(b.Kitchen), UsualReaches())
}

// flourTemp returns the temperature of the formula's largest flour.
func flourTemp(b commissary.Book, f commissary.Formula) quantity.Temp {
	temp, most := b.Kitchen.FlourTemp, quantity.PPM(0)
	for _, l := range f.Lines {
		in, err := named(b, f, l)
		if err != nil || in.Kind != commissary.Flour || l.Share <= most {
			continue
		}
		if most, temp = l.Share, b.Kitchen.FlourTemp; in.Temp != 0 {
			temp = in.Temp
		}
	}
	return temp
}

func friction(v commissary.Vessel, class string, second bool) (factor quantity.Temp, assumed string) {
	for _, row := range v.Friction {
		if row.Class == class && row.Second == second {
			return row.Factor, ""
		}
		factor = max(factor, row.Factor)
	}
	if len(v.Friction) == 0 {
		return 0, ""
	}
	return factor, "the friction factor is the largest of vessel " + v.ID + ": it has none for this class and speed"
}
