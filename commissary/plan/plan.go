// Package plan turns orders into batches, batches into a schedule, and lots
// into picks and manifests. Every function is pure: the same day in gives the
// same plan out, byte for byte, whatever the machine, the order of rows or
// the time of day.
package plan

import (
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// Input is everything a plan or a dispatch is made from. The service builds
// it from its store, the command line from files.
type Input struct {
	Book  commissary.Book
	Night civil.Date
	// At is the planning instant: nothing is planned before it.
	At time.Time
	// Orders are the newest revisions of all orders that may still matter:
	// this night's, and earlier nights' whose lines are not yet delivered.
	Orders []commissary.Order
	// Lots are those on hand at the kitchen.
	Lots []commissary.Lot
	// Posted are batches already posted or started: they stay as they are.
	Posted []commissary.Batch
	// Before are the batches of the plan in force that are not posted: what
	// can stay as it was does.
	Before []commissary.Batch
	// Rounds are the orders of driving of the dispatch in force, by run: a new
	// one moves as few stops as it can.
	Rounds []commissary.Round
	// Delivered is what went to shops in the last days: its containers come back.
	Delivered []Delivered
	// Outages are what does not work, and when.
	Outages []commissary.Outage
	// Forecast is what shops are expected to sell: it counts where neither an
	// order nor a standing order speaks.
	Forecast []commissary.Expected
	// Usual is what shops usually sell on the weekdays of the coming services:
	// what is short is shared up to it first. Where nothing is said of a shop
	// and item, its standing order is the usual.
	Usual []commissary.Expected
	// Away are the containers that earlier deliveries took along.
	Away []commissary.Away
	Seed uint64
	// Steps is the work budget; 0 takes the default.
	Steps int64
}

// Delivered is containers of an item that went to a shop for a service.
type Delivered struct {
	Shop, Item string
	BakeDate   civil.Date
	Boxes      int
}
