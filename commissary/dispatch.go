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

// Same reports whether two picks are of one lot for one service on one run, however many pieces.
func (p Pick) Same(q Pick) bool {
	return p.Run == q.Run && p.Shop == q.Shop && p.Item == q.Item && p.BakeDate == q.BakeDate && p.Lot == q.Lot
}

// Manifest is what rides on one run, stop by stop.
type Manifest struct {
	Run      string
	Vehicle  string
	Departs  time.Time
	Back     time.Time      // at the kitchen again; where the way home is not known, when the last stop is left
	Metres   int64          // of road, the way home included; 0: not known
	Measured string         // where times and distances come from, in words
	Stops    []ManifestStop // in driving order; loading is the other way round
	Load     []LoadedDolly  // in the order of loading: the first stands deepest
	Boxes    int
	Mass     quantity.Mass // containers included, dollies apart
}

// Round is a run's order of driving.
type Round struct {
	Run   string
	Shops []string
}

// Driven is one order of a run's stops with its clock, by the roads of the
// book, whether it keeps the limits or not.
type Driven struct {
	Departs  time.Time
	Stops    []DrivenStop
	Back     time.Time
	Drive    quantity.Seconds
	Wait     quantity.Seconds // for doors to open
	Metres   int64
	Overtime quantity.Seconds // back after the shift by so much; 0 when in time
	Measured string           // where times and distances come from, in words
}

// DrivenStop is one stop of a driven order.
type DrivenStop struct {
	Shop    string
	Arrives time.Time
	Late    quantity.Seconds // after the shop has stopped receiving; 0 when in time
}

// ManifestStop is one shop on a manifest.
type ManifestStop struct {
	Shop      string
	Arrives   time.Time
	Leaves    time.Time
	Boxes     int
	Mass      quantity.Mass
	Allergens []Allergen
	Lines     []ManifestLine
	Empties   []Empties // containers expected back
}

// LoadedDolly is one dolly with its stacks, or stacks on the floor where the
// kitchen has no dollies: one shop's goods, and either cold or dry.
type LoadedDolly struct {
	Shop   string
	Cold   bool
	Stacks []Stack
	Mass   quantity.Mass // the dolly itself apart
}

// Stack is containers of one base standing on each other.
type Stack struct {
	X, Y   int     // millimetres from the dolly's corner, along its long and its wide side
	Base   Base    // as it lies there: Long along the dolly's long side; zero where there is no dolly
	Layers []Layer // from the bottom
	Boxes  int
	Mass   quantity.Mass
}

// Layer is containers of one lot in a stack.
type Layer struct {
	Item  string
	Lot   string
	Boxes int
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
