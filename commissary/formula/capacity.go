package formula

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Fill is what one vessel holds of one formula.
type Fill struct {
	Largest  quantity.Mass // of the whole dough or prep
	Smallest quantity.Mass // a share of the largest before deratings: the hook's reach does not change with the water
	Row      commissary.CapacityRow
	Cuts     []Cut // what lowered the row, in the order applied
}

// Cut is one thing that lowers a row of the maker's table.
type Cut struct {
	Name   string       // cold_water, strong_flour, low_absorption or rise
	Factor quantity.PPM // what is left
}

// Names of the cuts that are not deratings of the vessel.
const (
	CutLowAbsorption = "low_absorption" // drier than the row is listed for
	CutRise          = "rise"           // the tub would run over when ripe
)

// stirred is the density that a preferment is taken to have when stirred, in
// milligrams per millilitre: that of water. An assumption, no source; flour and
// water without bubbles are a little denser, so that it keeps to the safe side.
const stirred = 1000

// Capacity returns what a vessel holds of a formula, with second speed or
// without, mixed with the given water. The row of the formula's class and
// speed is looked up and never interpolated: makers' charts are not monotone
// in absorption. A figure for flour + water is turned into dough by the
// formula's own shares (Varimixer AR100 manual: solids = capacity × 100 ÷
// (absorption + 100)). Cuts multiply, each rounded down; makers do not say how
// they combine, so that this is a choice.
//
// Absorption is overall water ÷ total flour, preferments included. A tub with
// a volume also keeps the ripe preferment below it; a tub without a table is
// bound by its volume alone.
//
// It refuses, with the reasons CLASS_NOT_ALLOWED and SPEED_NOT_ALLOWED, what
// the table does not list.
func Capacity(b commissary.Book, v commissary.Vessel, f commissary.Formula, second bool, water Water) (Fill, error) {
	s, err := Overall(b, f)
	if err != nil {
		return Fill{}, err
	}
	var fill Fill
	if len(v.Capacity) > 0 || v.Volume == 0 {
		if fill.Row, err = row(v, f, second); err != nil {
			return Fill{}, err
		}
		fill.Largest = fill.Row.Max
		if fill.Row.Basis == commissary.OfFlourWater {
			if s.Flour+s.Water == 0 {
				return Fill{}, refuse(f, "vessel %s states %s of flour and water, and it has neither", v.ID, fill.Row.Max)
			}
			if fill.Largest, err = quantity.Scale(fill.Row.Max, int64(s.Total), int64(s.Flour+s.Water), quantity.Down); err != nil {
				return Fill{}, err
			}
		}
	}
	if v.Volume > 0 {
		rise := max(f.Rise, quantity.Whole)
		most, err := quantity.Scale(quantity.Mass(stirred), v.Volume, 1, quantity.Down)
		if err != nil {
			return Fill{}, err
		}
		ripe, err := quantity.Scale(most, unit, int64(rise), quantity.Down)
		if err != nil {
			return Fill{}, err
		}
		if fill.Largest == 0 {
			fill.Largest = most
		}
		if ripe < fill.Largest {
			left, err := shareOf(ripe, fill.Largest)
			if err != nil {
				return Fill{}, err
			}
			fill.Largest, fill.Cuts = ripe, append(fill.Cuts, Cut{CutRise, left})
		}
	}
	if fill.Smallest, err = quantity.Share(fill.Largest, v.SmallestPPM, quantity.Up); err != nil {
		return Fill{}, err
	}

	cut := func(name string, num, den quantity.PPM) (err error) {
		fill.Largest, err = quantity.Scale(fill.Largest, int64(num), int64(den), quantity.Down)
		left, _ := quantity.MulDiv(int64(num), unit, int64(den), quantity.Nearest)
		fill.Cuts = append(fill.Cuts, Cut{name, quantity.PPM(left)})
		return err
	}
	for _, d := range v.Deratings {
		cold := d.Cause == commissary.ColdWater && (water.Needed < d.Below || water.Ice > 0)
		strong := d.Cause == commissary.StrongFlour && s.Strong
		if cold || strong {
			if err := cut(string(d.Cause), d.Factor, quantity.Whole); err != nil {
				return Fill{}, err
			}
		}
	}
	if s.Water < fill.Row.Listed {
		if err := cut(CutLowAbsorption, s.Water, fill.Row.Listed); err != nil {
			return Fill{}, err
		}
	}
	return fill, nil
}

// row finds the row of a formula's class and speed. A row for second speed
// holds for first speed too unless the class has a row of its own for that.
func row(v commissary.Vessel, f commissary.Formula, second bool) (commissary.CapacityRow, error) {
	var found commissary.CapacityRow
	var listed, allowed bool
	for _, r := range v.Capacity {
		if r.Class != f.Class {
			continue
		}
		listed = true
		if second && !r.Second || allowed && (second || r.Second) {
			continue
		}
		found, allowed = r, true
	}
	switch {
	case !listed:
		return found, commissary.Refuse(commissary.Invalid, string(commissary.BrokenClass),
			"vessel %s has no capacity row for the class %q of formula %s; use another vessel, or add the row from the maker's table", v.ID, f.Class, f.ID)
	case !allowed:
		return found, commissary.Refuse(commissary.Invalid, string(commissary.BrokenSpeed),
			"vessel %s must not run the class %q of formula %s at second speed; mix it at first speed only", v.ID, f.Class, f.ID)
	}
	return found, nil
}
