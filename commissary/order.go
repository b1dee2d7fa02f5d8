package commissary

import (
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// OrderState is where an order stands.
type OrderState string

// The states. An amended order stays ACCEPTED at its next revision. LATE is
// reached only by admission.
const (
	OrderAccepted  OrderState = "ACCEPTED"
	OrderCancelled OrderState = "CANCELLED"
	OrderLate      OrderState = "LATE"
)

// Order is what one shop wants: everything it ordered on one night. A
// submission replaces the whole order. The newest night's line for a shop,
// item and bake date is the one that counts, and an order speaks wholly for
// each item's default bake date: what it leaves out is wanted at zero there.
type Order struct {
	Night     civil.Date
	Shop      string
	Revision  int // rises with every submission; also the etag
	State     OrderState
	Lines     []OrderLine
	Closed    bool      // "closed tomorrow": an explicit zero
	By        string    // who submitted; the kitchen may order for a shop
	Submitted time.Time // recorded at commit
	LateBy    string    // who admitted it
	LateWhy   string
	Phoned    string `json:",omitempty"` // who at the shop ordered by telephone; By wrote it down and read it back
}

// OrderLine is one item for the service of one bake date.
type OrderLine struct {
	Item     string
	Pieces   quantity.Pieces
	BakeDate civil.Date
}

// NightState is where a night stands.
type NightState string

// The states move only forward.
const (
	NightOpen       NightState = "OPEN"
	NightClosed     NightState = "CLOSED"
	NightPlanned    NightState = "PLANNED"
	NightDispatched NightState = "DISPATCHED"
)

// Night is the cycle that gathers orders until its cut-off. Its date is that
// of the evening whose trade just ended: 00:40 still belongs to it.
type Night struct {
	Date   civil.Date
	State  NightState
	Closed time.Time // zero while open
}
