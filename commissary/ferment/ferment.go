// Package ferment says how far a dough or a preferment has come: how fast it
// ferments at a temperature, what a history of temperatures amounts to, how
// much yeast a wanted hour needs, and from when until when a lot may be used
// in a given walk-in.
//
// Everything here is an estimate of quality, never of safety. The published
// rules disagree, most of all in the cold, so results carry what the other
// rules would have said, and the kitchen book's window is the contract: no
// model moves its hard maximum, which is counted on the clock.
//
// Formulas are computed in floating point with operations that give the same
// bits on every machine, and are rounded to whole seconds or parts per million
// before they leave.
package ferment

import (
	"math"

	"doughrun/commissary/quantity"
)

// Model names a published rule for how the rate of fermentation follows the
// temperature. Only ratios of rates are used, so each model has its own unit.
// The empty or an unknown name is the Chart.
type Model string

// The models.
const (
	// Chart interpolates the hours of a published yeast chart: hours at
	// 0.1 % instant yeast, log-linear between its rows from 35 to 86 °F and
	// continued with the slope of the outer rows. TXCraig1, pizzamaking.com
	// topic 26831. Its author warns of large errors in the cold.
	Chart Model = "chart"
	// Cardinal is the cardinal-temperature model with inflection (Rosso et
	// al. 1995, AEM 61:610; the formula from memory) with the optimum 32.3 °C
	// and maximum 45.4 °C of S. cerevisiae (Salvadó et al. 2011, AEM 77:2292)
	// and the minimum 2.8 °C (from memory; 1.3 to 4.3 °C are published for the
	// genus). Below 10 °C that span alone moves the rate by more than half, so
	// there it gives way to the Chart.
	Cardinal Model = "cardinal"
	// Q10Pizza, Q10Bread and Q10Sourdough multiply the rate by a constant for
	// every 10 °C: doubling per 5.5 °C (analysis of the Chart), tripling per
	// 9 °C (Hamelman, Bread, 2nd ed., p. 89, as quoted in a secondary note)
	// and doubling per 7 °F (Carl's Friends, Sourdough FAQ 37, for 40–75 °F).
	Q10Pizza     Model = "q10_pizza"
	Q10Bread     Model = "q10_bread"
	Q10Sourdough Model = "q10_sourdough"
	// SourdoughYeast and SourdoughLactic are the growth rates per hour of C.
	// milleri and L. sanfranciscensis (Gänzle et al. 1998, AEM 64:2616; the
	// constants as quoted by TXCraig1, pizzamaking.com topic 22649), for
	// starters. They give way to the Chart outside 2–35 and 2–40 °C.
	SourdoughYeast  Model = "sourdough_yeast"
	SourdoughLactic Model = "sourdough_lactic"
)

// Models returns every model, the default first.
func Models() []Model {
	return []Model{Chart, Cardinal, Q10Pizza, Q10Bread, Q10Sourdough, SourdoughYeast, SourdoughLactic}
}

// Rate returns the rate at a temperature in the model's own unit, in parts
// per million: growth per hour for the sourdough models, the share of the
// optimum for Cardinal, the share of the rate at 20 °C for the Q10 rules, and
// the share of a dough with 0.1 % instant yeast done in an hour for the Chart.
// It is at most quantity.MaxPPM.
func (m Model) Rate(t quantity.Temp) quantity.PPM {
	r, _, _ := m.curve()
	share := mul(r(celsius(t)), float64(quantity.Whole))
	if share > float64(quantity.MaxPPM) {
		return quantity.MaxPPM
	}
	return quantity.PPM(math.Floor(share + 0.5))
}

// curve is a rate against degrees Celsius.
type curve func(c float64) float64

// curve returns the model's rate and the degrees between which it may be asked.
func (m Model) curve() (rate curve, coldest, hottest float64) {
	switch m {
	case Cardinal:
		return func(c float64) float64 { return cardinal(c, 2.8, 32.3, 45.4) }, 10, 44
	case Q10Pizza:
		return every(2, 5.5), math.Inf(-1), math.Inf(1)
	case Q10Bread:
		return every(3, 9), math.Inf(-1), math.Inf(1)
	case Q10Sourdough:
		return every(2, 7.0*5/9), math.Inf(-1), math.Inf(1)
	case SourdoughYeast:
		return func(c float64) float64 { return growth(c, 0.0124, 36, 2.981, -0.3355) }, 2, 35
	case SourdoughLactic:
		return func(c float64) float64 { return growth(c, 0.1267, 41, 1.5404, -0.1931) }, 2, 40
	}
	return func(c float64) float64 { return 1 / chartHours(c) }, math.Inf(-1), math.Inf(1)
}

// over returns the model itself, or the Chart when one of the temperatures is
// beyond the model.
func (m Model) over(temps ...quantity.Temp) Model {
	_, coldest, hottest := m.curve()
	for _, t := range temps {
		if c := celsius(t); c < coldest || c > hottest {
			return Chart
		}
	}
	return m
}

// cardinal is γ(T) = (T−Tmax)(T−Tmin)² ÷ {(Topt−Tmin)[(Topt−Tmin)(T−Topt) −
// (Topt−Tmax)(Topt+Tmin−2T)]} between Tmin and Tmax, 0 outside, 1 at Topt.
func cardinal(c, least, best, most float64) float64 {
	if c <= least || c >= most {
		return 0
	}
	above, span := c-least, best-least
	bracket := mul(span, c-best) - mul(best-most, best+least-mul(2, c))
	return mul(c-most, mul(above, above)) / mul(span, bracket)
}

// growth is r = a·(Tmax−T)^b·exp(k·(Tmax−T)) in 1/h, 0 from Tmax up.
func growth(c, a, most, b, k float64) float64 {
	below := most - c
	return mul(a, mul(pow(below, b), exp(mul(k, below))))
}

// every multiplies the rate by factor for every so many degrees, 1 at 20 °C.
func every(factor, degrees float64) curve {
	return func(c float64) float64 { return pow(factor, (c-20)/degrees) }
}
