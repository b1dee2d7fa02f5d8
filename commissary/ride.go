package commissary

import (
	"slices"
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Ride is what really happens on one run of a released dispatch: what is
// picked for it, when it leaves, what becomes of its stops. It is there from
// the release on.
type Ride struct {
	Night  civil.Date
	Run    string
	State  RideState
	Since  []PageSince // by shop id
	Picked []PickedLine
	Left   Departure // zero while it is loading
	Drops  []Drop    // in the order they were confirmed
}

// RideState is where a run stands.
type RideState string

// The states; they move forward only.
const (
	RideLoading  RideState = "LOADING"
	RideDeparted RideState = "DEPARTED"
	RideClosed   RideState = "CLOSED" // every stop is confirmed
)

// PageSince is the revision of the dispatch in which what a run brings to a
// shop changed last: pages of that revision and of later ones are in force.
type PageSince struct {
	Shop     string
	Revision int
}

// PickedLine is what was really picked of one lot for one service of a shop.
type PickedLine struct {
	Shop     string
	Item     string
	BakeDate civil.Date
	Lot      string
	Listed   quantity.Pieces // on the list that was in force; 0: another lot was listed
	Pieces   quantity.Pieces
	Cause    ShortCause // why fewer than listed; empty when not
	Note     string
	Revision int // of the dispatch it was picked by
	At       time.Time
	By       string
}

// ShortCause says why fewer pieces were picked than listed.
type ShortCause string

// The causes.
const (
	NotThere ShortCause = "NOT_THERE" // no more of the lot is where it should be
	Damaged  ShortCause = "DAMAGED"   // the missing ones were thrown away
	OnHold   ShortCause = "ON_HOLD"   // the lot is on hold
	LeftOut  ShortCause = "LEFT_OUT"  // they stay in the kitchen, as when the van is full; nothing goes in their place
)

// Departure is how a run left.
type Departure struct {
	At     time.Time // as the driver says
	Kept   time.Time // when the service came to know
	By     string
	Probes []Probe
	Action WarmAction // what was decided about goods above the limit; empty: none were
	Note   string
}

// Probe is a product temperature, by probe.
type Probe struct {
	Lot  string // empty: whatever was probed
	Temp quantity.Temp
}

// WarmAction is what is done with goods that are warmer than the limit.
type WarmAction string

// The actions. Which of them is allowed, local code says.
const (
	WarmRefuse WarmAction = "REFUSE" // they go back and are thrown away
	WarmHold   WarmAction = "HOLD"   // put aside and not used until the kitchen has decided
	WarmChill  WarmAction = "CHILL"  // into the cold at once, and probed again
)

// Drop is what became of one stop.
type Drop struct {
	Shop    string
	State   StopState
	At      time.Time // as the driver says
	Kept    time.Time // when the service came to know
	By      string
	Lines   []DropLine
	Empties []Empties
	Probes  []Probe
	Action  WarmAction // as of a Departure
	Signed  string     // name or code of who received it; empty: nobody signed
	Left    string     // how it was left where nobody was there: walk-in, key box, photo
	Note    string
}

// StopState is where a stop stands.
type StopState string

// The states; they move forward only.
const (
	StopDue       StopState = "DUE"
	StopDelivered StopState = "DELIVERED" // as on the manifest
	StopDiffers   StopState = "DIFFERS"
)

// DropLine is what became of one lot at a stop: Listed = delivered + Missing + Refused.
type DropLine struct {
	Item    string
	Lot     string
	Listed  quantity.Pieces
	Missing quantity.Pieces // were not on the van
	Refused quantity.Pieces // go back and are never sold again
	Why     string
}

// Delivered is how many pieces stay at the shop.
func (l DropLine) Delivered() quantity.Pieces { return l.Listed - l.Missing - l.Refused }

// Empties are containers that come back.
type Empties struct {
	Container string
	Count     int
}

// Of is a line as a pick of a run.
func (l PickedLine) Of(run string) Pick {
	return Pick{Run: run, Shop: l.Shop, Item: l.Item, BakeDate: l.BakeDate, Lot: l.Lot, Pieces: l.Pieces}
}

// PickedOf returns what was recorded of a pick.
func (r Ride) PickedOf(p Pick) (PickedLine, bool) {
	i := slices.IndexFunc(r.Picked, func(l PickedLine) bool {
		return l.Of(p.Run).Same(p)
	})
	if i < 0 {
		return PickedLine{}, false
	}
	return r.Picked[i], true
}

// Open is how many pieces of a pick on the list of a revision are still to be
// picked. A line that was recorded is done, but for what a later list adds.
func (r Ride) Open(p Pick, revision int) quantity.Pieces {
	l, recorded := r.PickedOf(p)
	switch {
	case r.State != RideLoading, recorded && l.Revision >= revision:
		return 0
	case recorded:
		return max(p.Pieces-l.Pieces, 0)
	}
	return p.Pieces
}

// DropAt returns what became of the stop at a shop.
func (r Ride) DropAt(shop string) (Drop, bool) {
	i := slices.IndexFunc(r.Drops, func(d Drop) bool { return d.Shop == shop })
	if i < 0 {
		return Drop{}, false
	}
	return r.Drops[i], true
}

// InForce reports whether a page of a revision still says what the run brings
// to a shop; to every shop where none is named.
func (r Ride) InForce(shop string, revision int) bool {
	return !slices.ContainsFunc(r.Since, func(s PageSince) bool { return (shop == "" || s.Shop == shop) && s.Revision > revision })
}
