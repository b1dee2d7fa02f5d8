package formula

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Balance is the heat balance of one batch, the alternative to the factor
// method: what every part brings by its mass and specific heat, and what
// mixing adds, must leave the dough at its target. Heat that bowl and air take
// is left out.
type Balance struct {
	Target quantity.Temp
	Water  quantity.Mass // formula water
	Parts  []Warmth      // all the rest
	Rise   quantity.Temp // by which mixing warms the whole dough: friction, and hydration if it is known
}

// Warmth is one part of a dough.
type Warmth struct {
	ID   string // of the ingredient, prep or preferment
	Mass quantity.Mass
	Temp quantity.Temp
	Heat quantity.PPM // specific heat relative to water
}

// dryHeat is the specific heat of flour relative to water: 1.76 ÷ 4.18 kJ/(kg
// K), from Çengel and Boles, Thermodynamics: An Engineering Approach, 8th
// edition, problem 5-157. Salt, yeast and all else that is not water count
// alike: they are few.
const dryHeat quantity.PPM = 421_000

// WaterTemp returns the temperature the formula water must have:
// (Σ m c × (target − rise) − Σ parts m c T) ÷ m of water.
func (b Balance) WaterTemp() (quantity.Temp, error) {
	capacity, heat, err := b.parts()
	if err != nil || b.Water <= 0 {
		return 0, quantity.ErrOverflow
	}
	needed, err := quantity.MulDiv(int64(capacity+b.Water), int64(b.Target)-int64(b.Rise), 1, quantity.Down)
	if err != nil {
		return 0, err
	}
	t, err := quantity.MulDiv(needed-heat, 1, int64(b.Water), quantity.Nearest)
	if err != nil || t < minTemp || t > maxTemp {
		return 0, quantity.ErrOverflow
	}
	return quantity.Temp(t), nil
}

// Temperatures beyond these are not computed with: water of a batch with
// hardly any water in it would have to be absurdly hot or cold.
const minTemp, maxTemp = -1_000_000, 1_000_000

// DoughTemp returns the dough temperature that water of a given temperature
// leads to.
func (b Balance) DoughTemp(water quantity.Temp) quantity.Temp {
	capacity, heat, err := b.parts()
	if err != nil || capacity+b.Water <= 0 {
		return 0
	}
	t, _ := quantity.MulDiv(heat+int64(b.Water)*int64(water), 1, int64(capacity+b.Water), quantity.Nearest)
	return quantity.Temp(t) + b.Rise
}

// parts returns Σ m c and Σ m c T of all but the water, in milligrams of water
// and their thousandths of a degree.
func (b Balance) parts() (capacity quantity.Mass, heat int64, err error) {
	for _, p := range b.Parts {
		c, err := quantity.Share(p.Mass, p.Heat, quantity.Nearest)
		if err != nil {
			return 0, 0, err
		}
		h, err := quantity.MulDiv(int64(c), int64(p.Temp), 1, quantity.Nearest)
		if err != nil {
			return 0, 0, err
		}
		if capacity, err = quantity.Sum(capacity, c); err != nil {
			return 0, 0, err
		}
		if heat, err = quantity.Sum(heat, h); err != nil {
			return 0, 0, err
		}
	}
	return capacity, heat, nil
}

// BalancedWater returns the formula water of the sheet of a batch by the heat
// balance, at the same temperatures as PlannedWater and with the same
// assumption about an unknown friction factor.
func BalancedWater(b commissary.Book, v commissary.Vessel, f commissary.Formula, s Sheet, second bool) (Water, error) {
	if f.Target == 0 {
		return PlannedWater(b, v, f, second)
	}
	factors, assumed := PlannedFactors(b, v, f, second)
	var lines []Line
	for _, l := range s.Lines {
		lines = append(lines, l.Line)
	}
	balance, err := balanceOf(b, f, lines, factors)
	if err != nil {
		return Water{}, err
	}
	return balance.water(b, f, assumed)
}

// BalanceOf returns the heat balance of a hundred kilograms of a dough for
// given factors. The friction factor counts as a rise of the whole dough by
// factor ÷ n.
func BalanceOf(b commissary.Book, f commissary.Formula, factors Factors) (Balance, error) {
	parts, err := Split(b, f, 100*quantity.Kilogram)
	if err != nil {
		return Balance{}, err
	}
	lines := parts.Final
	for _, p := range parts.Preferments {
		lines = append(lines, Line{Preferment: p.Formula, Kind: commissary.Other, Mass: p.Mass})
	}
	return balanceOf(b, f, lines, factors)
}

func balanceOf(b commissary.Book, f commissary.Formula, lines []Line, factors Factors) (Balance, error) {
	rise, err := quantity.MulDiv(int64(factors.Friction), 1, factors.n(), quantity.Nearest)
	if err != nil {
		return Balance{}, err
	}
	balance := Balance{Target: factors.Target, Rise: quantity.Temp(rise)}
	for _, l := range lines {
		part := Warmth{ID: l.ID(), Mass: l.Mass, Temp: factors.Room, Heat: dryHeat}
		switch {
		case l.Kind == commissary.Water:
			balance.Water += l.Mass
			continue
		case l.Kind == commissary.Flour:
			part.Temp = factors.Flour
		case l.Preferment != "":
			for i, p := range f.Preferments {
				if p.Formula == l.Preferment && i < len(factors.Preferments) {
					part.Temp = factors.Preferments[i]
				}
			}
			p, _ := find(b, l.Preferment)
			shares, err := Overall(b, p)
			if err != nil {
				return Balance{}, err
			}
			wet, err := quantity.Scale(quantity.Whole-dryHeat, int64(shares.Water), int64(shares.Total), quantity.Nearest)
			if err != nil {
				return Balance{}, err
			}
			part.Heat += wet
		default:
			if in, err := named(b, f, commissary.FormulaLine{Ingredient: l.Ingredient, Prep: l.Prep}); err == nil && in.Temp != 0 {
				part.Temp = in.Temp
			}
		}
		balance.Parts = append(balance.Parts, part)
	}
	return balance, nil
}

func (b Balance) water(book commissary.Book, f commissary.Formula, assumed string) (Water, error) {
	needed, err := b.WaterTemp()
	if err != nil {
		return Water{}, refuse(f, "the final mix has too little water to bring the dough to its temperature; leave more of it out of the preferments")
	}
	w := Water{Method: ByBalance, Needed: needed, Tap: book.Kitchen.TapWater, Assumed: assumed}
	return w.reach(f.ID, b.Target, b.DoughTemp, IceOf(book.Kitchen), UsualReaches())
}
