package forecast

import "math"

// A model takes a series day by day and says at any moment what the days
// ahead will sell. Weekdays count from 0; a model only needs them to be the
// same for the same day of the week. Numbers are pieces. After the same days
// it is in the same state, on every machine: products are rounded by a
// conversion, which the language defines to keep compilers from fusing them
// with a sum.
type model interface {
	// take learns from one counted day.
	take(weekday int, sold float64)
	// pass lets one day go by that has no count to learn from.
	pass(weekday int)
	// ahead returns the expected sale of the day h days after the last one,
	// which falls on the given weekday.
	ahead(weekday, h int) float64
}

func mul(a, b float64) float64 { return float64(a * b) }

// towards returns a moved by the share w of the way to b.
func towards(a, b, w float64) float64 { return a + mul(w, b-a) }

// lastWeek is the seasonal naive method: a weekday sells what it sold last time.
type lastWeek struct {
	last [7]float64
	seen [7]bool
	mean start
}

func (m *lastWeek) take(weekday int, sold float64) {
	m.last[weekday], m.seen[weekday] = sold, true
	m.mean.take(sold)
}
func (m *lastWeek) pass(int) {}
func (m *lastWeek) ahead(weekday, _ int) float64 {
	if !m.seen[weekday] {
		return m.mean.value()
	}
	return m.last[weekday]
}

// start is the mean of what has been seen so far, for models that do not know
// a weekday yet.
type start struct {
	sum float64
	n   int
}

func (s *start) take(sold float64) { s.sum += sold; s.n++ }
func (s *start) value() float64 {
	if s.n == 0 {
		return 0
	}
	return s.sum / float64(s.n)
}

// sameWeekday is the mean, or the median, of the last counts of a weekday.
type sameWeekday struct {
	weeks  int // so many counts at most
	median bool
	counts [7][]float64 // oldest first
	mean   start
}

func (m *sameWeekday) take(weekday int, sold float64) {
	m.mean.take(sold)
	c := append(m.counts[weekday], sold)
	if len(c) > m.weeks {
		copy(c, c[1:])
		c = c[:m.weeks]
	}
	m.counts[weekday] = c
}
func (m *sameWeekday) pass(int) {}
func (m *sameWeekday) ahead(weekday, _ int) float64 {
	c := m.counts[weekday]
	switch {
	case len(c) == 0:
		return m.mean.value()
	case m.median:
		return median(c)
	}
	return mean(c)
}

// simple is simple exponential smoothing, without a season. The level starts
// at the first count.
type simple struct {
	alpha float64
	level float64
	begun bool
}

func (m *simple) take(_ int, sold float64) {
	if !m.begun {
		m.level, m.begun = sold, true
		return
	}
	m.level = towards(m.level, sold, m.alpha)
}
func (m *simple) pass(int)               {}
func (m *simple) ahead(int, int) float64 { return m.level }

// seasonal is additive Holt-Winters with weekday season: the form of Winters,
// "Forecasting sales by exponentially weighted moving averages", Management
// Science 6 (1960) 324-342, whose season is corrected against the new level.
// A damping below 1 makes the trend fade (Gardner and McKenzie, "Forecasting
// trends in time series", Management Science 31 (1985) 1237-1246). It starts
// after two weeks, by classical decomposition of those.
type seasonal struct {
	alpha, beta, gamma, damping float64
	level, trend                float64
	season                      [7]float64
	first                       []float64 // the first two weeks, NaN where not counted
	weekdays                    [14]int8
	begun                       bool
	mean                        start
}

func (m *seasonal) take(weekday int, sold float64) {
	if !m.begun {
		m.mean.take(sold)
		m.gather(weekday, sold)
		return
	}
	m.correct(weekday, sold)
}

func (m *seasonal) correct(weekday int, sold float64) {
	before, expected := m.level, m.level+mul(m.damping, m.trend)
	m.level = towards(expected, sold-m.season[weekday], m.alpha)
	m.trend = towards(mul(m.damping, m.trend), m.level-before, m.beta)
	m.season[weekday] = towards(m.season[weekday], sold-m.level, m.gamma)
}

func (m *seasonal) pass(weekday int) {
	if !m.begun {
		m.gather(weekday, math.NaN())
		return
	}
	m.trend = mul(m.damping, m.trend)
	m.level += m.trend
}

func (m *seasonal) ahead(weekday, h int) float64 {
	if !m.begun {
		return m.mean.value()
	}
	run, fade := 0.0, 1.0
	for range h {
		fade = mul(fade, m.damping)
		run += fade
	}
	return m.level + mul(run, m.trend) + m.season[weekday]
}

// gather keeps the first two weeks and then starts: the trend is the moving
// average over a week, level and slope are its straight line at the first
// day, the season is what is left per weekday, summing to zero. The second
// week is then learned from again, as usual.
func (m *seasonal) gather(weekday int, sold float64) {
	if m.first == nil {
		m.first = make([]float64, 0, 14)
	}
	m.weekdays[len(m.first)] = int8(weekday)
	m.first = append(m.first, sold)
	if len(m.first) < 14 {
		return
	}
	y := make([]float64, 14)
	for i, v := range m.first {
		if math.IsNaN(v) { // stands for itself in the other week, else for the mean
			v = m.first[(i+7)%14]
		}
		if math.IsNaN(v) {
			v = m.mean.value()
		}
		y[i] = v
	}
	var average [8]float64 // of the days 3 to 10
	for i := range average {
		average[i] = mean(y[i : i+7])
	}
	// A straight line through eight points at 1 to 8: sum of squares about their mean is 42.
	middle, slope := mean(average[:]), 0.0
	for i, a := range average {
		slope += mul(float64(i)-3.5, a) / 42
	}
	m.level, m.trend = middle-mul(4.5, slope), slope
	for i := range 7 {
		// Day i+3 of the weeks; the only weekday with two averages is that of days 3 and 10.
		left := y[i+3] - average[i]
		if i == 0 {
			left = (left + y[10] - average[7]) / 2
		}
		m.season[m.weekdays[i+3]] = left
	}
	mid := mean(m.season[:])
	for i := range m.season {
		m.season[i] -= mid
	}
	again, weekdays := m.first[7:], m.weekdays[7:]
	m.begun, m.first = true, nil
	for i, v := range again {
		if math.IsNaN(v) {
			m.pass(int(weekdays[i]))
		} else {
			m.correct(int(weekdays[i]), v)
		}
	}
}

// profile is a level times a weekday's share of it. Both are ratios of
// discounted sums, so that zeros and closed weekdays do no harm: the level is
// what was sold over what the shares alone would have given, a weekday's share
// what it sold over the levels of those days.
type profile struct {
	forget, forgetShare float64 // weight of the day, and of the week, before
	sold, base          float64
	daySold, dayBase    [7]float64
	mean                start
}

func (m *profile) level() float64 {
	if m.base <= 0 {
		return m.mean.value()
	}
	return m.sold / m.base
}

func (m *profile) share(weekday int) float64 {
	if m.dayBase[weekday] <= 0 {
		return 1
	}
	return m.daySold[weekday] / m.dayBase[weekday]
}

func (m *profile) take(weekday int, sold float64) {
	m.mean.take(sold)
	level, share := m.level(), m.share(weekday)
	m.sold = mul(m.forget, m.sold) + sold
	m.base = mul(m.forget, m.base) + share
	m.daySold[weekday] = mul(m.forgetShare, m.daySold[weekday]) + sold
	m.dayBase[weekday] = mul(m.forgetShare, m.dayBase[weekday]) + level
}
func (m *profile) pass(int) {}
func (m *profile) ahead(weekday, _ int) float64 {
	return mul(m.level(), m.share(weekday))
}

// sparse is for items that many days do not sell at all: the chance of a day
// with a sale and the size of one are smoothed apart (Teunter, Syntetos and
// Babai, "Intermittent demand: linking forecasting to inventory
// obsolescence", European Journal of Operational Research 214 (2011) 606-615).
// Unlike Croston's method it comes down when an item stops selling.
type sparse struct {
	alpha, beta  float64 // of the size, of the chance
	size, chance float64
	begun        bool
	days         int
}

func (m *sparse) take(_ int, sold float64) {
	m.days++
	switch {
	case sold == 0:
		m.chance = towards(m.chance, 0, m.beta)
	case !m.begun: // the days before the first sale say how often there is one
		m.size, m.chance, m.begun = sold, 1/float64(m.days), true
	default:
		m.size, m.chance = towards(m.size, sold, m.alpha), towards(m.chance, 1, m.beta)
	}
}
func (m *sparse) pass(int)               {}
func (m *sparse) ahead(int, int) float64 { return mul(m.size, m.chance) }

// steady keeps outliers from pulling a model: a count further from what the
// model expected than so many times the usual miss is cut to that (Gelper,
// Fried and Croux, "Robust forecasting with exponential and Holt-Winters
// smoothing", Journal of Forecasting 29 (2010) 285-300; theirs smooths a
// bounded square, this one the bounded absolute miss).
type steady struct {
	model
	within float64
	miss   float64
	days   int
}

// settled is how many counted days pass before steady cuts anything.
const settled = 28

func (m *steady) take(weekday int, sold float64) {
	off := sold - m.ahead(weekday, 1)
	far := mul(m.within, m.miss)
	if m.days >= settled && math.Abs(off) > far {
		sold += math.Copysign(far, off) - off
		off = math.Copysign(far, off)
	}
	if m.days++; m.days > settled/2 {
		w := max(0.03, 1/float64(m.days-settled/2))
		m.miss = towards(m.miss, math.Abs(off), w)
	}
	m.model.take(weekday, sold)
}
