package commissary

import (
	"time"

	"doughrun/commissary/quantity"
)

// Lot is what really came out of a batch, or was counted in. Its quantity is
// the sum of its movements; Pieces and Mass are what is on hand where the lot
// was read from the store.
type Lot struct {
	Code    string
	Item    string          // balls and packs
	Formula string          // always set; preferments have no item
	Pieces  quantity.Pieces // on hand, of an item
	Mass    quantity.Mass   // on hand, of a preferment
	Made    time.Time       // end of mixing: age zero
	Place   string          // kitchen, or a shop id
	Batch   string          // empty for a counted-in lot
	Held    string          // why it must not be used; empty: free
}

// MovementKind says why a lot's quantity changed.
type MovementKind string

// The kinds. Further ones come with the verbs that make them.
const (
	Made    MovementKind = "MADE"
	Counted MovementKind = "COUNTED"
	Used    MovementKind = "USED"   // a preferment or prep that went into a batch
	Picked  MovementKind = "PICKED" // released to a run
)

// Movement is one change of a lot's quantity. Movements are appended, never changed.
type Movement struct {
	Lot    string
	Kind   MovementKind
	Pieces quantity.Pieces // signed
	Mass   quantity.Mass   // signed
	At     time.Time
	By     string
	Ref    string // the batch, run or count it belongs to
}
