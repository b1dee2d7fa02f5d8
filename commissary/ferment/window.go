package ferment

import (
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Keeping says how a lot is kept, from the end of mixing on.
type Keeping struct {
	// Cold is the kitchen's cold store: the temperature the book's window is
	// stated at. WalkIn is where the lot stays after Past.
	Cold, WalkIn quantity.Temp
	// Usual are the warm stages that the window already counts, as Process
	// gives them; what follows them is at Cold. Leave it and the same stages
	// of Past out where the lot went the usual way.
	Usual []Stage
	// Past is what the lot goes through until it stands in the walk-in: time
	// in the kitchen's cold store, the van, a warm bench. Time at Cold counts
	// as the clock does, warmer time counts for more.
	Past []Stage
}

// Usable is a book's window for one lot in one place. From ≤ GoodFrom ≤ Best
// ≤ GoodTo ≤ By, and By is never after the book's hard maximum on the clock.
type Usable struct {
	From, GoodFrom, Best, GoodTo, By time.Time
	// Unsure is how far From, Best or By would move under another of the
	// published rules: print it beside them as ±. It is 0 where the lot goes
	// the book's own way at the book's own temperature.
	Unsure quantity.Seconds
	// Unripe says that by the model the lot is not ready before its hard
	// maximum; From is then By.
	Unripe bool
	// Model is the one used: the Chart where a temperature is beyond the one asked for.
	Model Model
}

// conflicting are the published rules that the uncertainty is taken over.
var conflicting = []Model{Chart, Q10Bread, Q10Sourdough}

// UseWindow converts a book's window for a lot whose mixing ended at made to
// the place where it is kept. In a lot that goes the usual way and stays at
// the cold store's temperature it is the book's window to the second.
func UseWindow(made time.Time, w commissary.Window, k Keeping, m Model) Usable {
	all := append(append(temps(k.Usual), temps(k.Past)...), k.Cold, k.WalkIn)
	m = m.over(all...)
	ages, unripe := m.convert(w, k)
	u := Usable{Unripe: unripe, Model: m}
	for i, at := range []*time.Time{&u.From, &u.GoodFrom, &u.Best, &u.GoodTo, &u.By} {
		*at = made.Add(time.Duration(ages[i]) * time.Second)
	}
	for _, other := range conflicting {
		theirs, _ := other.convert(w, k)
		for _, i := range []int{0, 2, 4} {
			u.Unsure = max(u.Unsure, ages[i]-theirs[i], theirs[i]-ages[i])
		}
	}
	return u
}

// Ahead returns how much further on than usual a lot is whose dough came out
// warmer than its target, as a time at the cold store's temperature; below
// zero for a colder one. Usual are the stages of the usual way, as Process
// gives them: the warm ones and the beginning of the cooling are warmer by as
// much. The model gives way to the Chart where a temperature is beyond it.
func (m Model) Ahead(cold quantity.Temp, usual []Stage, warmer quantity.Temp) quantity.Seconds {
	past := make([]Stage, len(usual))
	for i, s := range usual {
		if s.Mass > 0 {
			s.From += warmer
		} else {
			s.At += warmer
		}
		past[i] = s
	}
	m = m.over(append(append(temps(usual), temps(past)...), cold)...)
	return m.Age(cold, past) - m.Age(cold, usual)
}

// convert returns the ages on the clock at which the lot has come as far as
// the book's ages say, cut to the hard maximum, and whether Min was cut.
func (m Model) convert(w commissary.Window, k Keeping) (ages [5]quantity.Seconds, unripe bool) {
	rate, _, _ := m.curve()
	usual, past := rate.along(k.Usual, k.Cold), rate.along(k.Past, k.WalkIn)
	for i, age := range []quantity.Seconds{w.Min, max(w.Min, w.Best-w.Band), w.Best, min(w.Max, w.Best+w.Band), w.Max} {
		ages[i] = past.reach(usual.at(age))
	}
	unripe = ages[0] > w.Max
	for i := range ages {
		ages[i] = min(ages[i], w.Max)
	}
	return ages, unripe
}
