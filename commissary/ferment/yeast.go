package ferment

import (
	"fmt"
	"math"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Yeast is a type of baker's yeast. Doses in this package are of Instant
// unless a type is named, as shares of total flour.
type Yeast string

// The types.
const (
	Fresh     Yeast = "fresh"
	ActiveDry Yeast = "active_dry"
	Instant   Yeast = "instant"
)

// Convention names a published table of what one type of yeast is worth in
// another. They disagree, so the sheet names the one it used.
type Convention string

// The conventions.
const (
	// ChartHeads are the column heads of the Chart: 0.300 fresh, 0.126 active
	// dry and 0.096 instant are alike.
	ChartHeads Convention = "chart_heads"
	// OneThird takes any dry yeast as a third of fresh (AVPN rules).
	OneThird Convention = "one_third"
)

// Convert returns the dose of one type of yeast that does the work of a dose
// of another, to the nearest part per million. It refuses unknown names.
func Convert(c Convention, dose quantity.PPM, from, to Yeast) (quantity.PPM, error) {
	alike := map[Convention]map[Yeast]int64{
		ChartHeads: {Fresh: 300, ActiveDry: 126, Instant: 96},
		OneThird:   {Fresh: 3, ActiveDry: 1, Instant: 1},
	}[c]
	if alike[from] == 0 || alike[to] == 0 {
		return 0, commissary.Refuse(commissary.Invalid, "YEAST_UNKNOWN",
			"no yeast conversion %q from %q to %q; name a convention (%s, %s) and two of %s, %s, %s",
			c, from, to, ChartHeads, OneThird, Fresh, ActiveDry, Instant)
	}
	converted, err := quantity.Scale(dose, alike[to], alike[from], quantity.Nearest)
	if err != nil {
		return 0, commissary.Refuse(commissary.Invalid, "YEAST_TOO_LARGE", "a yeast dose of %s is beyond any dough", dose)
	}
	return converted, nil
}

// chart holds, row by row, the hours to ready at 0.1 % instant yeast. Each
// figure is ours, chosen so that the fit of hours ∝ yeast^−0.728 rounds to
// every whole hour printed in its row, the low doses included. The heads of
// those are exact as fresh yeast (0.01, 0.02, 0.03 %: 0.0032, 0.0064, 0.0096 %
// instant) and rounded as instant yeast.
var chart = []struct{ fahrenheit, hours float64 }{
	{35, 162.3}, {37, 129.3}, {39, 104.5}, {41, 85.3}, {45, 58.3}, {50, 37.73},
	{60, 17.42}, {65, 12.40}, {70, 8.09}, {75, 5.30}, {80, 3.67}, {86, 2.60},
}

const (
	chartDose     = 1000 // parts per million of flour
	chartExponent = 0.728
	leastDose     = 32 * quantity.PPM(1)
	mostDose      = 5120 * quantity.PPM(1)
)

// chartHours interpolates between the rows, linear in the logarithm of hours.
func chartHours(c float64) float64 {
	f := mul(c, 9)/5 + 32
	i := 1
	for i < len(chart)-1 && chart[i].fahrenheit < f {
		i++
	}
	part := (f - chart[i-1].fahrenheit) / (chart[i].fahrenheit - chart[i-1].fahrenheit)
	return exp(chartLogs[i-1] + mul(part, chartLogs[i]-chartLogs[i-1]))
}

// chartLogs are the logarithms of the chart's hours.
var chartLogs = func() (logs []float64) {
	for _, row := range chart {
		logs = append(logs, ln(row.hours))
	}
	return logs
}()

// slower is how many times the hours at chartDose a dose takes.
func slower(dose float64) float64 { return pow(dose/chartDose, -chartExponent) }

// chartRate is the chart as work per second: 1 makes a dough of chartDose ready.
func chartRate(c float64) float64 { return 1 / mul(chartHours(c), float64(quantity.Hour)) }

// Life returns how long a dough with a dose of instant yeast takes to be ready
// at one temperature, by the Chart and its fit hours ∝ yeast^−0.728; at most
// quantity.MaxSeconds, which also stands for never.
func Life(yeast quantity.PPM, at quantity.Temp) quantity.Seconds {
	if yeast <= 0 {
		return quantity.MaxSeconds
	}
	return whole(slower(float64(yeast)) / chartRate(celsius(at)))
}

// Ready returns when a dough with a dose of instant yeast is ready, counted
// from the end of mixing, when it goes through the stages and then stays at a
// temperature. At most quantity.MaxSeconds, which also stands for never.
func Ready(yeast quantity.PPM, past []Stage, then quantity.Temp) quantity.Seconds {
	if yeast <= 0 {
		return quantity.MaxSeconds
	}
	return ready(float64(yeast), past, then)
}

func ready(yeast float64, past []Stage, then quantity.Temp) quantity.Seconds {
	return curve(chartRate).along(past, then).reach(slower(yeast))
}

// Dose returns the dose of instant yeast that makes a dough ready at the end
// of the stages, to the nearest part per million. It refuses stages whose dose
// is outside the chart, 0.0032 to 0.512 %.
func Dose(stages []Stage) (quantity.PPM, error) {
	exact := dose(stages)
	if !(exact >= float64(leastDose) && exact <= float64(mostDose)) {
		which := "colder or shorter"
		if exact > float64(mostDose) {
			which = "warmer or longer"
		}
		return 0, commissary.Refuse(commissary.Invalid, "DOSE_BEYOND_CHART",
			"the yeast chart has no dose for %s at these temperatures: it reaches from %s to %s instant yeast; make the stages %s",
			length(stages), leastDose, mostDose, which)
	}
	return quantity.PPM(math.Floor(exact + 0.5)), nil
}

// dose is Dose before rounding: infinite for stages of no length.
func dose(stages []Stage) float64 {
	work := curve(chartRate).total(stages)
	if work <= 0 {
		return math.Inf(1)
	}
	return mul(chartDose, pow(work, -1/chartExponent))
}

func length(stages []Stage) (sum quantity.Seconds) {
	for _, s := range stages {
		sum += s.For
	}
	return sum
}

// Part is one stage of a dough's life: how long it lasts, and how long the
// dough would take to be ready if all its life were like it.
type Part struct {
	For, Life quantity.Seconds
}

// Parts returns the arithmetic of the stage rule for a dose of instant yeast,
// stage by stage. A stage of cooling has the life of the constant temperature
// that does the same.
func Parts(yeast quantity.PPM, stages []Stage) []Part {
	var parts []Part
	for _, s := range stages {
		p := Part{s.For, Life(yeast, s.At)}
		if work := curve(chartRate).work(s, s.For); s.Mass > 0 && yeast > 0 && work > 0 {
			p.Life = whole(mul(float64(s.For), slower(float64(yeast))) / work)
		}
		parts = append(parts, p)
	}
	return parts
}

// Done is the stage rule Σ t/life: the whole when the dough is ready (TXCraig1,
// pizzamaking.com topic 22649). Each part is rounded to a part per million; a
// part whose life never ends counts as nothing, and the sum stops at
// quantity.MaxPPM.
func Done(parts []Part) quantity.PPM {
	var sum quantity.PPM
	for _, p := range parts {
		if p.Life >= quantity.MaxSeconds {
			continue
		}
		share, err := quantity.MulDiv(int64(p.For), int64(quantity.Whole), int64(p.Life), quantity.Nearest)
		if err != nil { // no life at all
			return quantity.MaxPPM
		}
		sum = min(quantity.MaxPPM, sum+quantity.PPM(share))
	}
	return sum
}

// Overdone is what the sheet warns of: by the stage rule the dough is done
// before its stages end. The book's window stands all the same.
type Overdone struct {
	Done quantity.PPM     // Σ t/life at the end of the stages, above the whole
	At   quantity.Seconds // when it passes the whole, from the end of mixing
	Text string           // for the sheet
}

// Warn checks a dose of instant yeast against the stages up to the age the
// book calls best (see Process), and reports false when the sum of the stages
// does not pass 1.
func Warn(yeast quantity.PPM, stages []Stage) (Overdone, bool) {
	done := Done(Parts(yeast, stages))
	if done <= quantity.Whole || len(stages) == 0 {
		return Overdone{}, false
	}
	o := Overdone{Done: done, At: Ready(yeast, stages, stages[len(stages)-1].At)}
	o.Text = fmt.Sprintf("By the yeast chart this dough is ready after %s of its %s. The book's window stands: look at the dough and use it early.",
		minutes(o.At), minutes(length(stages)))
	if less, err := Dose(stages); err == nil {
		o.Text += fmt.Sprintf(" The chart would take %s instant yeast instead of %s.", less, yeast)
	}
	return o, true
}

// minutes rounds for people.
func minutes(d quantity.Seconds) quantity.Seconds {
	return (d + quantity.Minute/2) / quantity.Minute * quantity.Minute
}
