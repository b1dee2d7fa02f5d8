package commissary

import (
	"context"
	"time"

	"doughrun/commissary/civil"
)

// Store keeps facts. View and Update run a function in a transaction; it may
// run twice and must keep no state of its own. Update commits when it returns
// nil and leaves nothing behind otherwise. After Update returns nil the facts
// survive a crash of the machine. Every get returns an Error of kind NotFound
// when nothing is there, a fact that refers to one not kept is refused as
// Precondition, and a limit of 0 means all. Updates run one after the other,
// so a function waits for nothing and does not call the store. An error of
// kind Unavailable with reason OUTCOME_UNKNOWN leaves open whether the facts
// were kept: the same request, sent again with its id, settles it.
type Store interface {
	View(ctx context.Context, f func(Tx) error) error
	Update(ctx context.Context, f func(Tx) error) error
	Close() error
}

// Tx is one transaction on one kitchen's facts, noun by noun.
type Tx interface {
	// Kitchens returns the ids of the kitchens that have a book, sorted.
	Kitchens() ([]string, error)
	// Newest returns the instant of the newest change of all kitchens; zero
	// when there is none.
	Newest() (time.Time, error)
	Books(kitchen string) Books
	Nights(kitchen string) Nights
	Orders(kitchen string) Orders
	Counts(kitchen string) Counts
	Plans(kitchen string) Plans
	Batches(kitchen string) Batches
	Lots(kitchen string) Lots
	Dispatches(kitchen string) Dispatches
	Rides(kitchen string) Rides
	Outages(kitchen string) Outages
	Replies(caller string) Replies
	Changes(kitchen string) Changes
	Credentials() Credentials
}

// BookRevision is one adopted kitchen book, with the text it was read from.
type BookRevision struct {
	Revision int
	Source   []byte
	Adopted  time.Time
	By       string
}

// Books keeps adopted kitchen books.
type Books interface {
	// Append keeps the next revision: r.Revision must be the newest plus one,
	// otherwise Conflict.
	Append(r BookRevision) error
	Newest() (BookRevision, error)
	// Revision is the newest one's number, 0 where there is none.
	Revision() (int, error)
	Get(revision int) (BookRevision, error)
	// List returns revisions newest first, without their source, starting below before (0: all).
	List(before, limit int) ([]BookRevision, error)
}

// Nights keeps the nights.
type Nights interface {
	// Get returns NotFound for a night nobody touched yet.
	Get(date civil.Date) (Night, error)
	Put(n Night) error
	// Touch puts an open night where none is, so that it is listed.
	Touch(date civil.Date) error
	// List returns nights newest first, starting below before (zero: all).
	List(before civil.Date, limit int) ([]Night, error)
}

// Orders keeps every revision of every order.
type Orders interface {
	// Append keeps the next revision: o.Revision must be the newest plus one,
	// otherwise Conflict. Invalid when two lines want one item for one bake date.
	Append(o Order) error
	// Get returns the newest revision.
	Get(night civil.Date, shop string) (Order, error)
	// List returns the newest revisions of a night, by shop, after the given shop.
	List(night civil.Date, after string, limit int) ([]Order, error)
	// Since returns the newest revisions of all orders of nights from the given one on, by night and shop.
	Since(from civil.Date) ([]Order, error)
}

// Plans keeps released plans.
type Plans interface {
	// Append keeps the next revision of a night's plan and marks the one
	// before superseded: p.Revision must be the newest plus one, otherwise Conflict.
	Append(p Plan) error
	// Newest returns the newest revision of a night.
	Newest(night civil.Date) (Plan, error)
	Get(night civil.Date, revision int) (Plan, error)
	// List returns a night's revisions newest first, starting below before (0: all).
	List(night civil.Date, before, limit int) ([]Plan, error)
}

// PostedBatch is a batch as a fact: it outlives its night.
type PostedBatch struct {
	Batch
	Night    civil.Date // whose plan posted it
	Plan     int        // revision that posted it
	Revision int        // rises with every change; also the etag
	Started  time.Time
	Finished time.Time // or scrapped
	Outcomes []Outcome // the finish, then its corrections
	ScrapBy  string
	ScrapWhy string
}

// Batches keeps posted batches.
type Batches interface {
	// Put keeps b: b.Revision must be the kept one plus one (1 when new), otherwise Conflict.
	Put(b PostedBatch) error
	// Delete removes a batch that was posted and is not started. Precondition otherwise.
	Delete(id string) error
	Get(id string) (PostedBatch, error)
	// Open returns batches POSTED or MIXING, by id.
	Open() ([]PostedBatch, error)
	// List returns batches of a night, by id, after the given id.
	List(night civil.Date, after string, limit int) ([]PostedBatch, error)

	// PutMix keeps what was measured on a batch that came out, in the place of
	// what was kept of it, and when its mixing ended.
	PutMix(batch string, m Mix, at time.Time) error
	// Mixes returns the newest mixings of one vessel, class and speed that
	// ended before an instant, oldest first.
	Mixes(vessel, class string, second bool, before time.Time, limit int) ([]Mix, error)
}

// Lots keeps lots and what happens to them.
type Lots interface {
	// Create keeps a new lot; its quantity comes from movements. With Held set
	// it is on hold for its own sake. Conflict when the code is taken.
	Create(l Lot) error
	// Amend replaces when a kept lot was made, what its window follows from
	// (Off, NotAfter), and its receipt.
	Amend(l Lot) error
	// Move appends a movement. Precondition when the lot's quantity at the
	// place would fall below zero.
	Move(m Movement) error
	// Get returns a lot with what is at the kitchen.
	Get(code string) (Lot, error)
	// At returns a lot once for each place that has some of it, by place.
	At(code string) ([]Lot, error)
	Movements(code string) ([]Movement, error)
	// OnHand returns lots once for each place with a quantity above zero, by code and place.
	OnHand() ([]Lot, error)
	// List returns all lots with what is at the kitchen, by code, after the given code.
	List(after string, limit int) ([]Lot, error)

	// Hold keeps a hold; one for the same lot and cause that is in force stays.
	Hold(h Hold) error
	// Free ends every hold for a cause and returns the lots concerned.
	// NotFound when there is none in force.
	Free(cause, why, by string, at time.Time) ([]string, error)
	// Holds returns the holds in force on a lot, oldest first.
	Holds(code string) ([]Hold, error)

	// Draw keeps that a batch took from a lot. A draw that is there already
	// stays, but for a possible one, which becomes certain.
	Draw(d Draw) error
	// Redraw keeps what a batch took from a lot by a correction, whatever was
	// kept of it before.
	Redraw(d Draw) error
	// Change appends a change of what is in use.
	Change(c InUse) error
	// Changes returns an ingredient's changes of use, oldest first.
	Changes(ingredient string) ([]InUse, error)

	// For tracing: every row of many lots or batches at once, in a fixed order.
	Of(codes []string) ([]Lot, error)         // with what is at the kitchen
	MadeBy(batches []string) ([]Lot, error)   // the lots that came out of batches
	DrawnFrom(codes []string) ([]Draw, error) // the draws on lots
	DrawnBy(batches []string) ([]Draw, error) // the draws of batches
	Moves(codes []string) ([]Movement, error)
	Receipts(codes []string) ([]Movement, error) // the movements of kind Received
}

// Dispatches keeps released dispatches.
type Dispatches interface {
	// Append keeps the next revision and marks the one before superseded:
	// d.Revision must be the newest plus one, otherwise Conflict.
	Append(d Dispatch) error
	Newest(night civil.Date) (Dispatch, error)
	Get(night civil.Date, revision int) (Dispatch, error)
}

// Rides keeps what happens on the runs of released dispatches.
type Rides interface {
	// Put keeps a ride as it stands. Internal when its state would go back.
	Put(r Ride) error
	// List returns the rides of a night, by run.
	List(night civil.Date) ([]Ride, error)
	// Loading returns the rides that have not left, by night and run.
	Loading() ([]Ride, error)
}

// ReportedOutage is an outage as people reported it.
type ReportedOutage struct {
	Outage
	Number   int // within the kitchen, from 1
	By       string
	Reported time.Time
	EndedBy  string // who said that it works again; empty: nobody yet
}

// Outages keeps what people reported as out of order.
type Outages interface {
	// Append keeps the next report: o.Number must be the newest plus one,
	// otherwise Conflict.
	Append(o ReportedOutage) error
	// Amend replaces a kept report of the same number.
	Amend(o ReportedOutage) error
	Get(number int) (ReportedOutage, error)
	// NotOver returns those that do not end by an instant, by number.
	NotOver(at time.Time) ([]ReportedOutage, error)
	// List returns reports newest first, starting below before (0: all).
	List(before, limit int) ([]ReportedOutage, error)
}

// Reply is the first answer to a request, kept with its effect.
type Reply struct {
	RequestID string
	Call      string // full method name
	Digest    []byte // of the request
	Answer    []byte // as it went over the wire
	At        time.Time
}

// Replies settles resends: one table, keyed by caller and request id.
type Replies interface {
	Get(requestID string) (Reply, error)
	// Put keeps the first answer. Conflict when there is one.
	Put(r Reply) error
}

// Change is one row of the audit chain.
type Change struct {
	Seq     int64 // set by the store
	At      time.Time
	Who     string
	Call    string
	Subject string // resource name
	Detail  string // what changed, in words
	Hash    []byte // set by the store: over the row and the hash before it
}

// Changes keeps one row for every change of state, in the same transaction,
// each hashed over the row before and over the facts that the transaction
// wrote. A transaction that wrote and recorded nothing gets a row all the same.
type Changes interface {
	// Append records a change at the end of the transaction. One that is older
	// than the kitchen's newest is recorded at the instant of that.
	Append(c Change) error
	// List returns rows of a subject prefix, oldest first, after the given seq.
	List(subject string, after int64, limit int) ([]Change, error)
	// Last returns the seq of the newest row, 0 when there is none. As long as
	// it stays, so do all facts of the kitchen.
	Last() (seq int64, err error)
	// Verify computes the chain afresh, and from it the facts, and returns how
	// many rows of the chain hold, from the first on. Precondition with reason
	// CHAIN_BROKEN when a row, or the end of the chain, was altered, and with
	// FACTS_ALTERED and the rows as faults when facts were.
	Verify() (rows int64, err error)
}
