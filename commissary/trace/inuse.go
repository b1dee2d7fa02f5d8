// Package trace follows lots: what went into them, what was made from them,
// where they are and what became of them. It is pure: the records come from
// whoever keeps them.
package trace

import (
	"slices"
	"time"

	"doughrun/commissary"
)

// Carry is one ingredient lot that a batch carries.
type Carry struct {
	Lot      string
	Possible bool // it may; otherwise it does
}

// Carried returns the lots of one ingredient that a batch carries which was
// weighed and mixed between two instants, from the changes of use, oldest
// first. A batch across a change carries both lots. A lot that was found in
// use, with nobody knowing since when, is possible in every batch since the
// change before it. A bin that is topped up and never emptied carries every
// lot since it was last cleaned out.
func Carried(changes []commissary.InUse, from, to time.Time) []Carry {
	var out []Carry
	add := func(lot string, possible bool) {
		i := slices.IndexFunc(out, func(c Carry) bool { return c.Lot == lot })
		switch {
		case i < 0:
			out = append(out, Carry{lot, possible})
		case !possible:
			out[i].Possible = false
		}
	}
	bin := []Carry{} // what is in use after each change
	begins := time.Time{}
	for i, c := range changes {
		// What was in use from the change before up to this one.
		if c.At.After(from) && !begins.After(to) {
			for _, b := range bin {
				// Where the next lot was only found, it may have come in before the batch.
				add(b.Lot, b.Possible || c.Kind == commissary.Found)
			}
			if c.Kind == commissary.Found {
				add(c.Lot, true)
			}
		}
		switch c.Kind {
		case commissary.CleanedOut:
			bin = nil
		case commissary.ToppedUp:
			bin = append(slices.DeleteFunc(slices.Clone(bin), func(b Carry) bool { return b.Lot == c.Lot }), Carry{Lot: c.Lot})
		default:
			bin = []Carry{{Lot: c.Lot}}
		}
		begins = changes[i].At
	}
	if len(changes) > 0 && !begins.After(to) {
		for _, b := range bin {
			add(b.Lot, b.Possible)
		}
	}
	return out
}
