package formula

import (
	"fmt"
	"strings"

	"doughrun/commissary/quantity"
)

// Working is the arithmetic of the factor method on one line, in the given
// units: 4 × 24 °C − (room 22 + flour 20 + preferment 22 + friction 11) = 21 °C.
func (f Factors) Working(u quantity.System) []string {
	terms := []string{"room " + bare(u, f.Room), "flour " + bare(u, f.Flour)}
	for _, p := range f.Preferments {
		terms = append(terms, "preferment "+bare(u, p))
	}
	terms = append(terms, "friction "+difference(u, f.Friction))
	return []string{fmt.Sprintf("%d × %s − (%s) = %s", f.n(), u.Temp(f.Target), strings.Join(terms, " + "), u.Temp(f.WaterTemp()))}
}

// Working is the arithmetic of the heat balance, part by part, in the given
// units. A part counts as so much water as takes up the same heat.
func (b Balance) Working(u quantity.System) []string {
	var lines []string
	for _, p := range b.Parts {
		as, err := quantity.Share(p.Mass, p.Heat, quantity.Nearest)
		if err != nil {
			continue
		}
		lines = append(lines, fmt.Sprintf("%s: %s × %s = %s of water at %s", p.ID, roughly(u, p.Mass), ratio(p.Heat), roughly(u, as), u.Temp(p.Temp)))
	}
	needed, err := b.WaterTemp()
	if err != nil {
		return lines
	}
	return append(lines, fmt.Sprintf("mixing warms the dough by %s°, so that all must come to %s before", difference(u, b.Rise), u.Temp(b.Target-b.Rise)),
		fmt.Sprintf("%s of water at %s brings the whole there", roughly(u, b.Water), u.Temp(needed)))
}

// Working says how a part of the water becomes ice, in the given units: the
// replacement form, water × (tap − needed) ÷ (tap + what melting takes up).
func (w Water) Working(ice Ice, u quantity.System) []string {
	switch {
	case w.Method == ByTap:
		return []string{"no target temperature: water as it comes, " + u.Temp(w.Tap)}
	case w.Ice > 0:
		// In °F the zero of the scale lies 32 below freezing: 144 − 32 = 112.
		melt := quantity.Temp(ice.takes())
		taken := difference(u, melt)
		if u == quantity.US {
			taken = bare(quantity.US, melt-64*quantity.Degree*5/9)
		}
		return []string{fmt.Sprintf("ice: (tap %s − %s) ÷ (%s + %s) = %s of the water", bare(u, w.Tap), bare(u, w.Needed), bare(u, w.Tap), taken, (w.Ice+500)/1000*1000)}
	case w.Needed > w.Tap:
		return []string{fmt.Sprintf("warm the water: the tap's has %s", u.Temp(w.Tap))}
	}
	return nil
}

// bare is a temperature without its unit.
func bare(u quantity.System, t quantity.Temp) string {
	number, _, _ := strings.Cut(u.Temp(t), " ")
	return number
}

// difference is a difference of temperatures without its unit.
func difference(u quantity.System, t quantity.Temp) string {
	if u == quantity.US {
		return bare(u, t-32*quantity.Degree*5/9)
	}
	return bare(u, t)
}

// ratio is a share as a plain number: 0.421.
func ratio(p quantity.PPM) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%d.%06d", p/quantity.Whole, p%quantity.Whole), "0"), ".")
}

// roughly shows a mass as closely as the arithmetic is followed by hand.
func roughly(u quantity.System, m quantity.Mass) string {
	return u.Mass(m.RoundTo(10*quantity.Gram, quantity.Nearest))
}
