package commissary

import (
	"strings"
	"time"

	"doughrun/commissary/quantity"
)

// Places of lots beside the shops, which go by their ids.
const (
	AtKitchen = "kitchen"
	// AtReturns is where what a shop sent back waits to be thrown away. Food
	// that left the kitchen's care is never sold again.
	AtReturns = "returns"
)

// vanPlace is how the places on vans begin.
const vanPlace = "van/"

// OnVan is the place of what rides on a run for a shop.
func OnVan(run, shop string) string { return vanPlace + run + "/" + shop }

// VanOf returns the run and the shop of a place on a van.
func VanOf(place string) (run, shop string, ok bool) {
	rest, ok := strings.CutPrefix(place, vanPlace)
	if !ok {
		return "", "", false
	}
	run, shop, ok = strings.Cut(rest, "/")
	return run, shop, ok
}

// MovementKind says why a lot's quantity changed.
type MovementKind string

// The kinds.
const (
	Made      MovementKind = "MADE"
	Received  MovementKind = "RECEIVED" // bought in
	Counted   MovementKind = "COUNTED"  // somebody found another quantity
	Corrected MovementKind = "CORRECTED"
	Used      MovementKind = "USED"      // went into a batch
	Picked    MovementKind = "PICKED"    // loaded for a run: it is on the van
	Delivered MovementKind = "DELIVERED" // from the van to a shop
	Moved     MovementKind = "MOVED"     // between two shops, or back off a van that has not left
	Returned  MovementKind = "RETURNED"  // sent back: it is never sold again
	Wasted    MovementKind = "WASTED"    // thrown away
)

// Movement is one change of a lot's quantity. Movements are appended, never
// changed. With To set as much comes in there as goes out at Place.
type Movement struct {
	Lot    string
	Kind   MovementKind
	Pieces quantity.Pieces // signed, at Place
	Mass   quantity.Mass   // signed, at Place
	Place  string          // empty: the kitchen
	To     string          // where it went; empty: nowhere
	At     time.Time
	By     string
	Ref    string // the batch, manifest, delivery note or count it belongs to
	Why    string // of a variance, a loss, a return or a correction
}

// Draw says that a batch took from a lot, or may have taken.
type Draw struct {
	Batch    string
	Lot      string
	Pieces   quantity.Pieces // of dough worked in again
	Mass     quantity.Mass   // 0 where it is not known how much
	Possible bool            // it may carry the lot; otherwise it does
}

// Hold keeps a lot from being used, for its own sake or that of a lot it was
// made from.
type Hold struct {
	Lot   string
	Cause string // the lot that was held first; Lot itself where it began
	Why   string
	At    time.Time
	By    string
}

// InUseKind says how an ingredient lot came into use.
type InUseKind string

// The kinds.
const (
	Opened     InUseKind = "OPENED"      // it replaced what was in use, now
	ToppedUp   InUseKind = "TOPPED_UP"   // it was tipped onto what was in the bin
	CleanedOut InUseKind = "CLEANED_OUT" // the bin was emptied and cleaned
	Found      InUseKind = "FOUND"       // it is in use, and nobody knows since when
)

// InUse is one change of what is in use of an ingredient. Changes are
// appended, never altered.
type InUse struct {
	Ingredient string
	Lot        string // empty when cleaned out
	Kind       InUseKind
	At         time.Time
	By         string
	Why        string // a lot past its use-by was opened all the same; empty otherwise
}
