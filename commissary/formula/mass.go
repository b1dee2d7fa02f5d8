package formula

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// ToMix returns the mass to put through the vessel so that at least out comes
// out of it, rounded up to the milligram: out ÷ (1 − loss), and for a prep out
// ÷ yield as well. A yield of zero counts as 100 %.
func ToMix(f commissary.Formula, out quantity.Mass) (quantity.Mass, error) {
	num, den, err := left(f)
	if err != nil {
		return 0, err
	}
	return quantity.Scale(out, den, num, quantity.Up)
}

// ComesOut returns the mass that is left of a mixed mass, rounded down.
func ComesOut(f commissary.Formula, mixed quantity.Mass) (quantity.Mass, error) {
	num, den, err := left(f)
	if err != nil {
		return 0, err
	}
	return quantity.Scale(mixed, num, den, quantity.Down)
}

// MassForPieces returns the mass to put through the vessel for a number of
// balls or packs: pieces × each ÷ (1 − loss), rounded up to the milligram.
func MassForPieces(f commissary.Formula, n quantity.Pieces, each quantity.Mass) (quantity.Mass, error) {
	out, err := quantity.Scale(each, int64(n), 1, quantity.Up)
	if err != nil {
		return 0, err
	}
	return ToMix(f, out)
}

// PiecesFrom returns how many whole balls or packs a mixed mass gives.
func PiecesFrom(f commissary.Formula, mixed, each quantity.Mass) (quantity.Pieces, error) {
	out, err := ComesOut(f, mixed)
	if err != nil {
		return 0, err
	}
	if each <= 0 {
		return 0, refuse(f, "a piece of %s cannot be made", each)
	}
	return quantity.Pieces(out / each), nil
}

// left returns what is left of the mixed mass, as a ratio.
func left(f commissary.Formula) (num, den int64, err error) {
	if f.Loss < 0 || f.Loss >= quantity.Whole {
		return 0, 0, refuse(f, "the loss is %s; it must be at least 0 and below 100 %%", f.Loss)
	}
	yield := quantity.Whole
	if f.Kind == commissary.Prep && f.Yield != 0 {
		yield = f.Yield
	}
	if yield < 0 || yield > quantity.MaxPPM {
		return 0, 0, refuse(f, "the yield is %s; it must lie above 0 and up to %s", yield, quantity.MaxPPM)
	}
	return int64(quantity.Whole-f.Loss) * int64(yield), unit * unit, nil
}
