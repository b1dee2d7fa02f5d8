package quantity

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// System is the way a kitchen reads quantities.
type System int8

// The two systems: grams and degrees Celsius, or pounds, ounces and degrees Fahrenheit.
const (
	Metric System = iota
	US
)

// String returns the name used in the kitchen book.
func (s System) String() string {
	if s == US {
		return "us"
	}
	return "metric"
}

// unit is how many base units one unit is, as an exact ratio.
type unit struct{ num, den int64 }

// One avoirdupois pound is 0.45359237 kg exactly (NIST Handbook 44, Appendix C).
var massUnits = map[string]unit{
	"mg": {1, 1}, "g": {1000, 1}, "kg": {1_000_000, 1}, "t": {1_000_000_000, 1},
	"lb": {45_359_237, 100}, "oz": {45_359_237, 1600},
}

var timeUnits = map[string]unit{
	"s": {1, 1}, "min": {60, 1}, "h": {3600, 1}, "d": {86400, 1},
}

// ParseMass reads a mass such as "57.2 kg", "120 g" or "2 lb 3 oz". A unit is
// required; the result is rounded to the milligram.
func ParseMass(s string) (Mass, error) {
	v, err := parseSum(s, massUnits, int64(MaxMass))
	if err != nil {
		return 0, fmt.Errorf("%q is not a mass: %w; write for example \"250 g\", \"12.5 kg\" or \"2 lb 3 oz\"", s, err)
	}
	return Mass(v), nil
}

// ParseSeconds reads a length of time such as "90 min", "1 h 30 min" or "2 d".
// A unit is required.
func ParseSeconds(s string) (Seconds, error) {
	v, err := parseSum(s, timeUnits, int64(MaxSeconds))
	if err != nil {
		return 0, fmt.Errorf("%q is not a length of time: %w; write for example \"90 min\", \"48 h\" or \"1 h 30 min\"", s, err)
	}
	return Seconds(v), nil
}

// ParsePPM reads a percentage such as "62", "62 %" or "0.35%".
func ParsePPM(s string) (PPM, error) {
	number := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(s), "%"))
	v, err := scaled(number, unit{int64(Percent), 1})
	if err == nil && (v < 0 || v > int64(MaxPPM)) {
		err = fmt.Errorf("it is not between 0 and %d %%", MaxPPM/Percent)
	}
	if err != nil {
		return 0, fmt.Errorf("%q is not a percentage: %w; write for example \"62\" or \"0.35 %%\"", s, err)
	}
	return PPM(v), nil
}

// ParsePieces reads a count: digits only.
func ParsePieces(s string) (Pieces, error) {
	v, err := scaled(strings.TrimSpace(s), unit{1, 1})
	switch {
	case err == nil && strings.ContainsAny(s, ".,"):
		err = fmt.Errorf("pieces are whole")
	case err == nil && (v < 0 || v > int64(MaxPieces)):
		err = fmt.Errorf("it is not between 0 and %d", MaxPieces)
	}
	if err != nil {
		return 0, fmt.Errorf("%q is not a count: %w; write digits only, for example \"24\"", s, err)
	}
	return Pieces(v), nil
}

// ParseTemp reads a temperature such as "24 °C", "24 C" or "75.2 °F".
func ParseTemp(s string) (Temp, error) {
	v, fahrenheit, err := degrees(s)
	if err == nil && fahrenheit {
		v, err = MulDiv(v-32_000, 5, 9, Nearest)
	}
	return Temp(v), err
}

// ParseTempDifference reads a difference between temperatures, such as a
// friction factor: "36 °F" is 20 °C, for no freezing point is taken off.
func ParseTempDifference(s string) (Temp, error) {
	v, fahrenheit, err := degrees(s)
	if err == nil && fahrenheit {
		v, err = MulDiv(v, 5, 9, Nearest)
	}
	return Temp(v), err
}

// degrees reads a number of degrees, in thousandths.
func degrees(s string) (v int64, fahrenheit bool, err error) {
	text := strings.TrimSpace(s)
	number, fahrenheit := strings.CutSuffix(text, "F")
	if !fahrenheit {
		var celsius bool
		if number, celsius = strings.CutSuffix(text, "C"); !celsius {
			return 0, false, fmt.Errorf("%q is not a temperature: the unit is missing; write for example \"24 °C\" or \"75 °F\"", s)
		}
	}
	number = strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(number), "°"))
	v, err = scaled(number, unit{1000, 1})
	if err == nil && (v < -300_000 || v > 1_000_000) {
		err = fmt.Errorf("it is beyond any kitchen")
	}
	if err != nil {
		return 0, false, fmt.Errorf("%q is not a temperature: %w; write for example \"24 °C\" or \"75 °F\"", s, err)
	}
	return v, fahrenheit, nil
}

// parseSum reads one or more "number unit" pairs and adds them up.
func parseSum(s string, units map[string]unit, most int64) (int64, error) {
	rest := strings.TrimSpace(s)
	if rest == "" {
		return 0, fmt.Errorf("it is empty")
	}
	total := new(big.Rat)
	for rest != "" {
		cut := strings.IndexFunc(rest, func(r rune) bool { return (r < '0' || r > '9') && r != '.' })
		if cut < 0 {
			return 0, fmt.Errorf("the unit is missing")
		}
		if cut == 0 {
			return 0, fmt.Errorf("a number is missing before %q", rest)
		}
		number := rest[:cut]
		rest = strings.TrimLeft(rest[cut:], " ")
		cut = strings.IndexAny(rest, " 0123456789")
		if cut < 0 {
			cut = len(rest)
		}
		u, ok := units[rest[:cut]]
		if !ok {
			return 0, fmt.Errorf("the unit %q is unknown", rest[:cut])
		}
		rest = strings.TrimLeft(rest[cut:], " ")
		v, err := exact(number, u)
		if err != nil {
			return 0, err
		}
		total.Add(total, v)
	}
	v, err := nearest(total)
	if err == nil && v > most {
		err = fmt.Errorf("it is too large")
	}
	return v, err
}

// scaled reads a plain decimal number and returns it in base units, rounded
// to the nearest whole one.
func scaled(number string, u unit) (int64, error) {
	v, err := exact(number, u)
	if err != nil {
		return 0, err
	}
	return nearest(v)
}

// exact reads a plain decimal number and returns it in base units.
func exact(number string, u unit) (*big.Rat, error) {
	digits := strings.TrimPrefix(number, "-")
	whole, fraction, _ := strings.Cut(digits, ".")
	if digits == "" || len(digits) > 30 || strings.HasSuffix(digits, ".") || whole == "" ||
		strings.Trim(whole, "0123456789") != "" || strings.Trim(fraction, "0123456789") != "" {
		return nil, fmt.Errorf("%q is not a number", number)
	}
	v, ok := new(big.Rat).SetString(number)
	if !ok {
		return nil, fmt.Errorf("%q is not a number", number)
	}
	return v.Mul(v, big.NewRat(u.num, u.den)), nil
}

// nearest rounds halves away from zero.
func nearest(v *big.Rat) (int64, error) {
	n, ok := new(big.Int).SetString(v.FloatString(0), 10)
	if !ok || !n.IsInt64() {
		return 0, fmt.Errorf("it is too large")
	}
	return n.Int64(), nil
}

// decimal prints v÷base rounded to the given number of digits, without
// trailing zeros.
func decimal(v, base int64, digits int) string {
	s := big.NewRat(v, base).FloatString(digits)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		s = "0"
	}
	return s
}

// Mass prints m as a scale of the system would show it: kilograms from 1 kg
// up and grams below, or pounds and ounces.
func (s System) Mass(m Mass) string {
	if s == Metric {
		if m >= Kilogram || m <= -Kilogram {
			return decimal(int64(m), int64(Kilogram), 6) + " kg"
		}
		return decimal(int64(m), int64(Gram), 3) + " g"
	}
	if m < 0 {
		return "-" + s.Mass(max(-m, 0)) // the one mass without an opposite prints as none
	}
	if m < 0 {
		return "-" + s.Mass(-max(m, -math.MaxInt64)) // the lowest number has no opposite
	}
	// Hundredths of an ounce, so that rounding carries into the pound.
	cents, _ := MulDiv(int64(m), 160_000, 45_359_237, Nearest)
	lb, oz := cents/1600, cents%1600
	switch {
	case lb == 0:
		return decimal(oz, 100, 2) + " oz"
	case oz == 0:
		return fmt.Sprintf("%d lb", lb)
	}
	return fmt.Sprintf("%d lb %s oz", lb, decimal(oz, 100, 2))
}

// Temp prints t to a tenth of a degree.
func (s System) Temp(t Temp) string {
	if s == US {
		return decimal(int64(t)*9+160_000, 5000, 1) + " °F"
	}
	return decimal(int64(t), 1000, 1) + " °C"
}

// Road prints a length of road in metres to a tenth of a kilometre or mile.
func (s System) Road(metres int64) string {
	if s == US {
		// One mile is 1609.344 m exactly (NIST Handbook 44, Appendix C).
		tenths, _ := MulDiv(metres, 10_000, 1_609_344, Nearest)
		return decimal(tenths, 10, 1) + " mi"
	}
	return decimal(metres, 1000, 1) + " km"
}

// String prints m in metric units.
func (m Mass) String() string { return Metric.Mass(m) }

// String prints t in degrees Celsius.
func (t Temp) String() string { return Metric.Temp(t) }

// String prints p as a percentage.
func (p PPM) String() string { return decimal(int64(p), int64(Percent), 4) + " %" }

// String prints d in days, hours, minutes and seconds, leaving out zeros;
// days only from three days up, since windows are read in hours.
func (d Seconds) String() string {
	if d == 0 {
		return "0 min"
	}
	if d < 0 {
		return "-" + (-max(d, -math.MaxInt64)).String() // the lowest number has no opposite
	}
	if d >= 3*Day && d%Day == 0 {
		return fmt.Sprintf("%d d", d/Day)
	}
	var parts []string
	for _, p := range []struct {
		size Seconds
		name string
	}{{Hour, "h"}, {Minute, "min"}, {Second, "s"}} {
		if n := d / p.size; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, p.name))
			d %= p.size
		}
	}
	return strings.Join(parts, " ")
}

// Counted writes a number with its noun: 1 batch, 2 batches, 0 lines.
func Counted[N ~int | ~int32 | ~int64](n N, noun string) string {
	switch {
	case n == 1:
		return "1 " + noun
	case strings.HasSuffix(noun, "ch"):
		noun += "e"
	}
	return strconv.FormatInt(int64(n), 10) + " " + noun + "s"
}
