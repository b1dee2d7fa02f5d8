package ferment

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Stage is a stretch of a dough's life at one temperature, or cooling or
// warming towards it.
type Stage struct {
	For quantity.Seconds
	At  quantity.Temp // of the dough; of the air when Mass is set
	// Mass is that of one piece that starts at From and nears At as a
	// first-order lag; 0: the dough is at At throughout.
	Mass quantity.Mass
	From quantity.Temp
}

// The lag's time constant follows the mass to the power 2/3, as conduction in
// bodies of one shape does, from 1.22 h at 13 oz. Lehmann (PMQ Think Tank,
// "Cold fermentation, how fast from 80 to 35") gives about 2 h for 12–14 oz
// and about 3 h for 22 oz to reach 45 °F inside, in cross-stacked boxes and a
// walk-in of 36–38 °F: 1.1–1.4 h and 1.7–2.2 h. Nested or lidded boxes cool
// much more slowly.
const (
	lagHours = 1.22
	lagMass  = 13 * 28.349523125 // grams
)

func lag(m quantity.Mass) float64 {
	grams := float64(m) / float64(quantity.Gram)
	return mul(lagHours*float64(quantity.Hour), pow(grams/lagMass, 2.0/3))
}

// CoolTime returns how long a piece of a mass takes from one core temperature
// to another in air, and false when it never gets there. It is a planning
// figure for dough, never a substitute for a thermometer.
func CoolTime(mass quantity.Mass, from, to, air quantity.Temp) (quantity.Seconds, bool) {
	if from == to {
		return 0, true
	}
	left := (celsius(to) - celsius(air)) / (celsius(from) - celsius(air))
	if mass <= 0 || !(left > 0 && left < 1) {
		return 0, false
	}
	return whole(mul(lag(mass), -ln(left))), true
}

// Process returns the stages that an item's book window already counts, from
// the end of mixing until the given age: warm at the finished dough
// temperature until the formula wants its last piece in the cold (or for its
// shortest steps before the chill), then cooling and staying in the cold
// store. The item's formula must be in the book, otherwise it is all cold.
func Process(b commissary.Book, it commissary.Item, until quantity.Seconds) []Stage {
	cold := b.ColdStore.Temp
	for _, f := range b.Formulas {
		if f.ID != it.Formula {
			continue
		}
		warm := f.ColdWithin
		for i := 0; f.ColdWithin == 0 && i < len(f.Steps) && f.Steps[i].Kind != commissary.StepChill && f.Steps[i].Kind != commissary.StepHold; i++ {
			if k := f.Steps[i].Kind; k == commissary.StepRest || k == commissary.StepDivide {
				warm += f.Steps[i].Min
			}
		}
		warm = min(warm, until)
		return []Stage{{For: warm, At: f.Target}, {For: until - warm, At: cold, Mass: it.Mass, From: f.Target}}
	}
	return []Stage{{For: until, At: cold}}
}

// Age returns what the stages amount to at a reference temperature: how long
// a dough held there would take to come as far.
func (m Model) Age(reference quantity.Temp, stages []Stage) quantity.Seconds {
	m = m.over(append(temps(stages), reference)...)
	rate, _, _ := m.curve()
	return whole(rate.total(stages) / rate(celsius(reference)))
}

func temps(stages []Stage) (all []quantity.Temp) {
	for _, s := range stages {
		all = append(all, s.At)
		if s.Mass > 0 {
			all = append(all, s.From)
		}
	}
	return all
}

// total is the work done in the stages: rate × seconds.
func (r curve) total(stages []Stage) float64 {
	sum := 0.0
	for _, s := range stages {
		sum += r.work(s, s.For)
	}
	return sum
}

// work is the work done in the first part of a stage.
func (r curve) work(s Stage, part quantity.Seconds) float64 {
	air := celsius(s.At)
	if part <= 0 {
		return 0
	}
	if s.Mass <= 0 || s.From == s.At {
		return mul(float64(part), r(air))
	}
	// Simpson's rule while the lag matters; after eight time constants the
	// piece is within a thousandth of the way.
	const steps = 96
	constant := lag(s.Mass)
	lagging := min(float64(part), mul(8, constant))
	h := lagging / steps
	at := func(i int) float64 {
		return r(air + mul(celsius(s.From)-air, exp(-mul(float64(i), h)/constant)))
	}
	sum := at(0) + at(steps)
	for i := 1; i < steps; i++ {
		sum += mul(float64(2+2*(i%2)), at(i))
	}
	return mul(sum, h/3) + mul(float64(part)-lagging, r(air))
}

// path is a dough's life: stages, then staying at a temperature, with the work
// of each stage done once.
type path struct {
	rate   curve
	stages []Stage
	works  []float64
	then   float64 // the rate there
}

func (r curve) along(stages []Stage, then quantity.Temp) path {
	p := path{r, stages, nil, r(celsius(then))}
	for _, s := range stages {
		p.works = append(p.works, r.work(s, s.For))
	}
	return p
}

// at returns the work done until a moment of the clock.
func (p path) at(clock quantity.Seconds) float64 {
	done := 0.0
	for i, s := range p.stages {
		if clock < s.For {
			return done + p.rate.work(s, clock)
		}
		done += p.works[i]
		clock -= s.For
	}
	return done + mul(float64(clock), p.then)
}

// reach returns when the work done reaches a goal, at most quantity.MaxSeconds.
func (p path) reach(goal float64) quantity.Seconds {
	var clock quantity.Seconds
	for i, s := range p.stages {
		if p.works[i] < goal {
			goal -= p.works[i]
			clock += s.For
			continue
		}
		if s.Mass <= 0 || s.From == s.At {
			return clock + min(s.For, whole(goal/p.rate(celsius(s.At))))
		}
		// The first whole second at which the work is done, but for the last bits of the sums.
		low, high := quantity.Seconds(0), s.For
		for low < high {
			if middle := (low + high) / 2; p.rate.work(s, middle) < mul(goal, 1-1e-12) {
				low = middle + 1
			} else {
				high = middle
			}
		}
		return clock + low
	}
	return min(quantity.MaxSeconds, clock+whole(goal/p.then))
}
