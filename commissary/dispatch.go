package commissary

import (
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Dispatch is one revision of picks and manifests for the deliveries of the
// morning after a night.
type Dispatch struct {
	Night      civil.Date
	Delivery   civil.Date
	Revision   int
	State      PlanState
	At         time.Time // the instant it was made at: lots past their maximum by then stay
	InputHash  string
	Lines      []DispatchLine
	Picks      []Pick
	Manifests  []Manifest
	Exceptions []Reason
}

// DispatchLine is one shop's need of one item and what becomes of it:
// Ordered = Picked + Short, always.
type DispatchLine struct {
	Shop     string
	Item     string
	BakeDate civil.Date
	Source   Source
	Ordered  quantity.Pieces
	Picked   quantity.Pieces
	Short    quantity.Pieces
	Why      string // why it is short; empty when it is not
}

// Pick is which lot goes to which shop on which run, in containers. One
// container never mixes lots.
type Pick struct {
	Run      string
	Shop     string
	Item     string
	BakeDate civil.Date
	Lot      string
	Zone     string
	Pieces   quantity.Pieces
	Full     int             // whole containers
	Loose    quantity.Pieces // pieces in the last, split one
	UseFrom  time.Time       // for this shop, whose walk-in it is kept in
	Best     time.Time
	UseBy    time.Time
	Unsure   quantity.Seconds // how far these may move under another of the published rules
}

// Manifest is what rides on one run, stop by stop.
type Manifest struct {
	Run     string
	Vehicle string
	Departs time.Time
	Stops   []ManifestStop // in driving order; loading is the other way round
	Boxes   int
	Mass    quantity.Mass // containers included
}

// ManifestStop is one shop on a manifest.
type ManifestStop struct {
	Shop      string
	Arrives   time.Time
	Boxes     int
	Mass      quantity.Mass
	Allergens []Allergen
	Lines     []ManifestLine
}

// ManifestLine is one item of one lot at one stop.
type ManifestLine struct {
	Item    string
	Lot     string
	Pieces  quantity.Pieces
	Boxes   int
	UseFrom time.Time
	Best    time.Time
	UseBy   time.Time
	Unsure  quantity.Seconds
}

// Boxes is how many containers the pick fills, the split one included.
func (p Pick) Boxes() int {
	if p.Loose > 0 {
		return p.Full + 1
	}
	return p.Full
}
