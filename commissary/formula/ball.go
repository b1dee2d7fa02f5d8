package formula

import "doughrun/commissary/quantity"

// Width is the diameter of a stretched piece in micrometres.
type Width int64

// Widths people name pieces by.
const (
	Millimetre Width = 1_000
	Inch       Width = 25_400
)

// Density is a dough density: milligrams of dough per square metre of the
// stretched piece. The method, the mass of a piece in proportion to its area,
// is Lehmann's (Pizza Today, October 2019).
type Density int64

// π as 355/113, which is right to one part in ten million.
const piNum, piDen = 355, 113

// maxWidth keeps the square of a width in micrometres small: ten metres.
const maxWidth = 10_000 * Millimetre

// DensityOf returns the dough density of a piece of known mass and width, to
// the nearest milligram per square metre.
func DensityOf(m quantity.Mass, w Width) (Density, error) {
	if w <= 0 || w > maxWidth || m < 0 || m > quantity.MaxMass {
		return 0, quantity.ErrOverflow
	}
	// m ÷ (π/4 w²), with w in micrometres: 4×10¹² mm² in a square metre of them.
	perSquare, err := quantity.MulDiv(int64(m)*4, 1_000_000*1_000_000, int64(w)*int64(w), quantity.Nearest)
	if err != nil {
		return 0, err
	}
	d, err := quantity.MulDiv(perSquare, piDen, piNum, quantity.Nearest)
	return Density(d), err
}

// BallMass returns the mass of a piece of the given width and density, to the
// nearest milligram.
func BallMass(w Width, d Density) (quantity.Mass, error) {
	if w <= 0 || w > maxWidth || d < 0 {
		return 0, quantity.ErrOverflow
	}
	// π first: its quotient is the larger number and loses least to rounding.
	perSquare, err := quantity.MulDiv(int64(d), piNum, piDen, quantity.Nearest)
	if err != nil {
		return 0, err
	}
	m, err := quantity.MulDiv(perSquare, int64(w)*int64(w), 4*1_000_000*1_000_000, quantity.Nearest)
	return quantity.Mass(m), err
}
