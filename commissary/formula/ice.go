package formula

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Ice is what ice takes up, in degrees of the same mass of water.
type Ice struct {
	Temp quantity.Temp // of the ice, zero or below
	Melt quantity.Temp // latent heat: 144 BTU/lb is 80 °C of water
	Heat quantity.PPM  // specific heat of ice relative to water
}

// MeltingIce is ice at zero degrees, as from an ice machine's bin. The latent
// heat of 144 BTU/lb is from "Pro tip: how to keep things cool this summer",
// Baking Business.
func MeltingIce() Ice { return Ice{Melt: 80 * quantity.Degree, Heat: 500_000} }

// IceOf is the kitchen's ice.
func IceOf(k commissary.Kitchen) Ice {
	i := MeltingIce()
	i.Temp = min(k.Ice.Temp, 0)
	return i
}

// takes returns what ice takes up until it is water of zero degrees.
func (i Ice) takes() int64 {
	warm, _ := quantity.MulDiv(-int64(i.Temp), int64(i.Heat), unit, quantity.Nearest)
	return int64(i.Melt) + warm
}

// Replace returns the mass of ice that replaces a part of the formula water,
// so that water and ice together weigh the formula's water and come to the
// needed temperature: water × (tap − needed) ÷ (tap + 80 °C), in °F water ×
// (tap − needed) ÷ (tap + 112 °F). It is zero when the tap is cold enough and
// is rounded to the milligram. Needed may lie below freezing: it is then the
// heat that melting takes from the dough.
func (i Ice) Replace(water quantity.Mass, tap, needed quantity.Temp) (quantity.Mass, error) {
	return i.part(water, tap, needed, tap)
}

// Add returns the mass of ice that is added to water already weighed, so that
// the whole comes to the needed temperature: water × (tap − needed) ÷ (needed
// + 80 °C). It makes the dough wetter by the ice, so that it is no answer for a
// formula's water; published examples confuse the two forms.
func (i Ice) Add(water quantity.Mass, tap, needed quantity.Temp) (quantity.Mass, error) {
	return i.part(water, tap, needed, needed)
}

// Blend returns the temperature that liquid water and ice come to together, or
// below freezing the one they stand for.
func (i Ice) Blend(liquid quantity.Mass, tap quantity.Temp, ice quantity.Mass) (quantity.Temp, error) {
	whole, err := quantity.Sum(liquid, ice)
	if err != nil || whole <= 0 {
		return 0, quantity.ErrOverflow
	}
	warm, err := quantity.MulDiv(int64(liquid), int64(tap), 1, quantity.Nearest)
	if err != nil {
		return 0, err
	}
	cold, err := quantity.MulDiv(int64(ice), i.takes(), 1, quantity.Nearest)
	if err != nil {
		return 0, err
	}
	t, err := quantity.MulDiv(warm-cold, 1, int64(whole), quantity.Nearest)
	return quantity.Temp(t), err
}

func (i Ice) part(water quantity.Mass, tap, needed, from quantity.Temp) (quantity.Mass, error) {
	if needed >= tap {
		return 0, nil
	}
	if i.takes()+int64(from) <= 0 {
		return 0, quantity.ErrOverflow
	}
	return quantity.Scale(water, int64(tap)-int64(needed), i.takes()+int64(from), quantity.Nearest)
}

// Reaches bounds what can be done to the formula water.
type Reaches struct {
	MostIce quantity.PPM  // part of the formula water
	Hottest quantity.Temp // warm water
}

// UsualReaches are the usual bounds. Koerner Co.'s ice table ends at 0.573 lb of ice
// in a pound of formula water. 50 °C is common practice, no source: hotter
// water harms yeast before it is mixed in.
func UsualReaches() Reaches { return Reaches{MostIce: 573_000, Hottest: 50 * quantity.Degree} }

// Reach turns a dough temperature into water: warm water, tap water or tap
// water with ice. It refuses a target out of reach with the reason
// DOUGH_TEMPERATURE_OUT_OF_REACH and the coldest and hottest dough that can be
// had; name says which formula is meant.
func Reach(name string, f Factors, tap quantity.Temp, ice Ice, limits Reaches) (Water, error) {
	w := Water{Method: ByFactor, Needed: f.WaterTemp(), Tap: tap}
	return w.reach(name, f.Target, f.DoughTemp, ice, limits)
}

// reach works out the ice and refuses what cannot be had; dough tells the
// dough temperature from the water's.
func (w Water) reach(name string, target quantity.Temp, dough func(quantity.Temp) quantity.Temp, ice Ice, limits Reaches) (Water, error) {
	part, err := ice.Replace(quantity.Mass(unit), w.Tap, w.Needed)
	if err != nil {
		return w, err
	}
	w.Ice = quantity.PPM(part)
	if w.Ice <= limits.MostIce && w.Needed <= max(limits.Hottest, w.Tap) {
		return w, nil
	}
	down, err := quantity.Share(ice.takes()+int64(w.Tap), limits.MostIce, quantity.Down)
	if err != nil {
		return w, err
	}
	coldest, hottest := dough(w.Tap-quantity.Temp(down)), dough(max(limits.Hottest, w.Tap))
	e := commissary.Refuse(commissary.Invalid, "DOUGH_TEMPERATURE_OUT_OF_REACH",
		"formula %s: a dough of %s needs water of %s; with tap water of %s, at most %s of it as ice and none warmer than %s, the dough can be had from %s to %s; cool or warm the flour or the room, or change the target",
		name, target, w.Needed, w.Tap, limits.MostIce, limits.Hottest, coldest, hottest)
	e.Meta = map[string]string{"coldest": coldest.String(), "hottest": hottest.String(), "needed": w.Needed.String()}
	return w, e
}

// Split divides a line of formula water into liquid water and ice, the ice to
// the nearest division of the scale that the line is weighed on. They sum to
// the line.
func (w Water) Split(line, division quantity.Mass) (liquid, ice quantity.Mass, err error) {
	ice, err = quantity.Share(line, w.Ice, quantity.Nearest)
	if err != nil {
		return 0, 0, err
	}
	ice = min(ice.RoundTo(division, quantity.Nearest), line)
	return line - ice, ice, nil
}
