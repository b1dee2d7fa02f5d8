package trace

import (
	"doughrun/commissary"
)

// Balance accounts for a lot, in pieces or, where it is weighed, in
// milligrams. What came in is delivered, on hand, used, wasted or unknown.
type Balance struct {
	CameIn    int64 // made, received or first counted, corrections included
	Delivered int64 // reached shops and did not come back
	OnHand    int64 // at the kitchen, on vans and among the returns
	Used      int64 // went into batches
	Wasted    int64 // thrown away by the kitchen
	Unknown   int64 // found missing by counts; below zero: too much was found
}

// Closes reports whether everything that came in is accounted for.
func (b Balance) Closes() bool {
	return b.CameIn == b.Delivered+b.OnHand+b.Used+b.Wasted+b.Unknown
}

// Account adds up the movements of one lot, oldest first.
func Account(moves []commissary.Movement) Balance {
	var b Balance
	for i, m := range moves {
		n := int64(m.Pieces) + int64(m.Mass) // one of them is zero
		if ours(m.Place) {
			b.OnHand += n
		}
		if m.To != "" && ours(m.To) {
			b.OnHand -= n
		}
		switch {
		case m.Kind == commissary.Made, m.Kind == commissary.Received, m.Kind == commissary.Corrected, m.Kind == commissary.Counted && i == 0:
			b.CameIn += n
			if !ours(m.Place) {
				b.Delivered += n // counted in where it stood
			}
		case m.To != "":
			switch {
			case ours(m.Place) && !ours(m.To):
				b.Delivered -= n
			case !ours(m.Place) && ours(m.To):
				b.Delivered += n
			}
		case !ours(m.Place): // what a shop bakes, counts and throws away was delivered
		case m.Kind == commissary.Used:
			b.Used -= n
		case m.Kind == commissary.Wasted:
			b.Wasted -= n
		default:
			b.Unknown -= n
		}
	}
	return b
}

// ours reports whether a place is in the kitchen's care.
func ours(place string) bool {
	_, _, van := commissary.VanOf(place)
	return van || place == "" || place == commissary.AtKitchen || place == commissary.AtReturns
}
