package sheet

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// at shows an instant as Fri 27 Nov 04:30.
func (p *page) at(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	return p.zone.Date(t.AsTime()).Short() + " " + p.zone.Clock(t.AsTime()).String()
}

// mark shows an instant in twelve columns, as Fri 27 04:30: weekday, day of
// the month and time.
func (p *page) mark(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	d := p.zone.Date(t.AsTime())
	return fmt.Sprintf("%s %02d %s", d.Weekday().String()[:3], d.Day, p.zone.Clock(t.AsTime()))
}

// exact shows an instant with its offset from UTC, as Fri 27 Nov 04:30 -05:00.
func (p *page) exact(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	return p.zone.Long(t.AsTime())
}

// clock shows the time of day of an instant.
func (p *page) clock(t *timestamppb.Timestamp) string {
	if t == nil {
		return nothing
	}
	return p.zone.Clock(t.AsTime()).String()
}

// on is the civil date of an instant in the kitchen.
func (p *page) on(t *timestamppb.Timestamp) civil.Date {
	if t == nil {
		return civil.Date{}
	}
	return p.zone.Date(t.AsTime())
}

// day shows a date of the contract as Fri 27 Nov.
func day(s string) string {
	d, err := civil.ParseDate(s)
	if err != nil {
		return either(s, nothing)
	}
	return d.Short()
}

// longDay shows a date of the contract as Fri 27 Nov 2026.
func longDay(s string) string {
	d, err := civil.ParseDate(s)
	if err != nil {
		return either(s, nothing)
	}
	return d.Long()
}

func (p *page) mass(mg int64) string { return p.units.Mass(quantity.Mass(mg)) }

// about shows a mass in one unit and to no more than anybody needs who weighs
// nothing: hundredths of a kilogram, or tenths of a pound.
func (p *page) about(mg int64) string {
	if p.units == quantity.US {
		tenths, err := quantity.MulDiv(mg, 1000, 45_359_237, quantity.Nearest)
		if err != nil {
			return p.mass(mg)
		}
		return decimals(tenths, 10, 1) + " lb"
	}
	rounded := quantity.Mass(mg).RoundTo(10*quantity.Gram, quantity.Nearest)
	return decimals(int64(rounded), int64(quantity.Kilogram), 2) + " kg"
}

func (p *page) temp(millicelsius int32) string { return p.units.Temp(quantity.Temp(millicelsius)) }

// onScale shows a mass the way its scale does. The division tells which: one
// that is a whole number of thousandths of an ounce belongs to a scale in
// pounds; of the others, those from 10 g up show kilograms.
func onScale(mg, division int64) string {
	if division <= 0 {
		return quantity.Mass(mg).String()
	}
	const poundIn = 45_359_237 // milligrams in a hundred pounds; 16,000 thousandths of an ounce in each
	thousandths, err := quantity.MulDiv(division, 1_600_000, poundIn, quantity.Nearest)
	back, err2 := quantity.MulDiv(thousandths, poundIn, 1_600_000, quantity.Nearest)
	if err == nil && err2 == nil && thousandths > 0 && back == division {
		return quantity.US.Mass(quantity.Mass(mg))
	}
	switch gram := int64(quantity.Gram); {
	case division >= 10*gram:
		return decimals(mg, int64(quantity.Kilogram), digits(division, int64(quantity.Kilogram))) + " kg"
	case mg >= int64(quantity.Kilogram) && division >= gram:
		return decimals(mg, int64(quantity.Kilogram), 3) + " kg"
	default:
		return decimals(mg, gram, digits(division, gram)) + " g"
	}
}

// digits is how many decimals of a unit a scale's division needs.
func digits(division, unit int64) int {
	n := 0
	for ; n < 6 && division%unit != 0; n++ {
		unit /= 10
	}
	return n
}

// decimals writes v÷unit with n decimals; what is beyond them is cut off.
func decimals(v, unit int64, n int) string {
	s := fmt.Sprint(v / unit)
	if n == 0 {
		return s
	}
	rest := v % unit
	for range n {
		unit /= 10
	}
	return s + fmt.Sprintf(".%0*d", n, rest/unit)
}

// lasting shows a length of time.
func lasting(seconds int64) string { return quantity.Seconds(seconds).String() }

// word writes a value of an enumeration as a person would: its name without
// the prefix.
func word(e fmt.Stringer, prefix string) string {
	s := strings.TrimPrefix(e.String(), prefix)
	if s == "UNSPECIFIED" {
		return nothing
	}
	return s
}

func either(name, id string) string {
	if name == "" {
		return id
	}
	return name
}

func person(n int32) string {
	if n == 1 {
		return "1 person"
	}
	return fmt.Sprintf("%d people", n)
}
