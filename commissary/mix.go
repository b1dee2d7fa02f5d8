package commissary

import "doughrun/commissary/quantity"

// Mix is what was measured on one finished mixing: what a vessel's friction is
// learnt from.
type Mix struct {
	Vessel      string
	Class       string
	Second      bool          // second speed was used
	Fill        quantity.PPM  // of the vessel's largest fill
	Target      quantity.Temp // of the dough
	Actual      quantity.Temp // at the end of mixing
	Room        quantity.Temp
	Flour       quantity.Temp
	Water       quantity.Temp // with ice: the temperature that both stood for
	Preferments []quantity.Temp
}
