package commissary

import (
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Source says how firm a need is.
type Source string

// The sources, firmest first.
const (
	FromOrder    Source = "ORDER"
	FromStanding Source = "STANDING" // not confirmed by the shop
	FromForecast Source = "FORECAST"
)

// Need is what one shop needs of one item for one service, with the instants
// that bind it. It is derived from orders, standing orders and forecast.
type Need struct {
	Shop     string
	Item     string
	BakeDate civil.Date
	Pieces   quantity.Pieces
	Source   Source
	Run      string    // the run that brings it
	Departs  time.Time // when that run leaves: the need must be picked by then
	// The end of mixing must lie in [MadeFrom, MadeTo], and is in the good
	// band when it lies in [GoodFrom, GoodTo].
	MadeFrom, MadeTo time.Time
	GoodFrom, GoodTo time.Time
}

// Take is a need served from a lot on hand.
type Take struct {
	Lot      string // exactly one of Lot and Batch is set
	Batch    string // a posted batch that is not out yet
	Shop     string
	Item     string
	BakeDate civil.Date
	Pieces   quantity.Pieces
}

// BatchState is where a batch stands.
type BatchState string

// The states move only forward.
const (
	BatchPlanned  BatchState = "PLANNED"
	BatchPosted   BatchState = "POSTED"
	BatchMixing   BatchState = "MIXING"
	BatchOut      BatchState = "OUT"
	BatchScrapped BatchState = "SCRAPPED"
)

// Batch is one filling of one vessel. Planned it is intent; what came out of
// it is its lots.
type Batch struct {
	ID      string // ordinal within a plan revision, kept once started
	Formula string
	Vessel  string
	Unit    int  // which of several alike vessels, from 1
	Second  bool // second speed is used
	State   BatchState
	Flour   quantity.Mass // total flour, preferment included; 0 for preps
	Mass    quantity.Mass // what goes through the vessel, loss included
	Odd     bool          // differs from its formula's other batches on this vessel
	Steps   []Booking
	MixEnd  time.Time // age zero
	Makes   []Making
	Serves  []Serve
	Uses    []Use
}

// Booking is one step of a batch on one resource.
type Booking struct {
	Step     StepKind
	Resource string // vessel, bench or "cold"; empty when it needs only hands or time
	From, To time.Time
	Heads    int
	Slots    int // container places held in the cold store
}

// Making is how many pieces of an item a batch makes, surplus included.
type Making struct {
	Item   string
	Pieces quantity.Pieces
}

// Serve is the part of a batch that a need gets.
type Serve struct {
	Shop     string
	Item     string
	BakeDate civil.Date
	Pieces   quantity.Pieces
	Source   Source
}

// Use is what a batch takes from a preferment, or from a prep made for it:
// either a lot on hand or another batch of the plan.
type Use struct {
	Lot   string // exactly one of Lot and Batch is set
	Batch string
	Mass  quantity.Mass
}

// PlanState is where a plan revision stands.
type PlanState string

// The states.
const (
	PlanDraft      PlanState = "DRAFT"
	PlanReleased   PlanState = "RELEASED"
	PlanSuperseded PlanState = "SUPERSEDED"
)

// Plan is one revision of demand, batches and schedule.
type Plan struct {
	Night      civil.Date
	Revision   int // 0 while a draft
	State      PlanState
	BookRev    int
	At         time.Time // the planning instant: nothing starts before it
	InputHash  string    // of everything it was made from
	Seed       uint64
	Steps      int64 // work budget of the search
	Needs      []Need
	Takes      []Take
	Batches    []Batch
	Scores     []Score
	Exceptions []Reason // empty: all well
}

// Score is one component of the objective, in order of weight, beside what is
// proved that no plan can go below.
type Score struct {
	Name  string // short, off_band, batches, surplus, deviation, washes, finish
	Value int64
	Bound int64
}

// Expected is what a shop is forecast to sell of an item on a bake date: a need
// where nobody spoke for it.
type Expected struct {
	Shop     string
	Item     string
	BakeDate civil.Date
	Pieces   quantity.Pieces
}

// Away is containers that left with a delivery and may not be back.
type Away struct {
	Container  string
	Containers int
	Left       time.Time
}

// Outage is something that does not work for a time.
type Outage struct {
	Resource string // a vessel, a bench, or "cold" for the cold store
	From     time.Time
	To       time.Time // zero: until further notice
	Why      string
}
