// Package outbox keeps the orders that a shop wants to send, on its own disk,
// until the kitchen's answer is there. An order is safe once Put returns: a
// kill, a power cut or a full disk after that loses nothing, and because it
// keeps its request id, sending it again never orders twice.
//
// The outbox is a folder of its own with one journal for orders and one for
// errands, which are a shop's counts and what a driver did: lines of a check sum and JSON that are only ever appended,
// so that a person can read them. A journal is made, and now and then made
// shorter, beside itself and moved into place. Programs may use one outbox at
// the same time; each call takes the folder's lock.
package outbox

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// State is where a draft stands.
type State string

// The states. A draft waits until the kitchen decides. Late ones stay until
// the kitchen admits them.
const (
	Waiting  State = "WAITING"
	Accepted State = "ACCEPTED" // the receipt is kept
	Late     State = "LATE"     // it came after its cut-off: a draft, for the kitchen to admit
	Refused  State = "REFUSED"
	Replaced State = "REPLACED" // a newer draft of the same order stands for it
	Dropped  State = "DROPPED"  // taken back by the shop
)

// Entry is one draft.
type Entry struct {
	ID      string                 // request id, the same in every attempt
	Request *v1.SubmitOrderRequest // as it is sent
	Kept    time.Time              // when it came into the outbox
	Newest  bool                   // it replaces whatever the kitchen has
	After   string                 // the draft of the same order that it amends
	Sealed  bool                   // its etag is settled: every attempt is the same message
	State   State
	Settled time.Time
	Order   *v1.Order // the receipt
	Why     string    // of a refusal, or the last thing that went wrong
}

// Open reports whether the draft still needs somebody: it waits, or is late.
func (e Entry) Open() bool { return e.State == Waiting || e.State == Late }

// Box is an outbox in a folder. It holds no state of its own.
type Box struct{ dir string }

// At returns the outbox in a folder, which need not exist yet.
func At(dir string) *Box { return &Box{dir} }

// Dir returns the folder.
func (b *Box) Dir() string { return b.dir }

// ErrReused refuses a draft whose request id belongs to another one.
var ErrReused = errors.New("the outbox holds another order under this request id")

// Put keeps a draft. When it returns without an error the draft is on the
// disk. The request must carry its request id; the same one with the same
// content is the same draft, with other content it is refused. With newest the
// draft replaces whatever the kitchen has when it is first sent. A draft of an
// order whose last draft still waits amends that one; a late one it stands for.
func (b *Box) Put(at time.Time, req *v1.SubmitOrderRequest, newest bool) (Entry, error) {
	var kept Entry
	err := b.drafts(func(d *drafts, keep func(record) error) error {
		if old := d.find(req.GetRequestId()); old != nil {
			asked := proto.CloneOf(old.Request)
			asked.Etag = req.GetEtag() // a sealed one is no longer what was asked for
			if !proto.Equal(asked, req) {
				return fmt.Errorf("%w: %s; leave the id out", ErrReused, req.GetRequestId())
			}
			kept = *old
			return nil
		}
		r, err := record{Kind: kindDraft, At: at, ID: req.GetRequestId(), Newest: newest}.with(req)
		if err != nil {
			return err
		}
		for _, e := range slices.Backward(d.entries) {
			if e.Request.GetName() != req.GetName() || !e.Open() {
				continue
			}
			if e.State == Waiting {
				r.After = e.ID
				break
			}
			if err := keep(record{Kind: kindAnswer, At: at, ID: e.ID, State: Replaced}); err != nil {
				return err
			}
		}
		if err := keep(r); err != nil {
			return err
		}
		kept = *d.find(r.ID)
		return nil
	})
	return kept, err
}

// Seal settles the etag that a draft is sent with, before its first attempt,
// and returns the draft as it must be sent. One that is sealed stays as it is.
func (b *Box) Seal(at time.Time, id, etag string) (Entry, error) {
	return b.amend(id, func(keep func(record) error, e Entry) error {
		if e.Sealed || e.State != Waiting {
			return nil
		}
		return keep(record{Kind: kindSeal, At: at, ID: id, Etag: etag})
	})
}

// Accept keeps the receipt of a draft.
func (b *Box) Accept(at time.Time, id string, order *v1.Order) (Entry, error) {
	return b.amend(id, func(keep func(record) error, e Entry) error {
		if !e.Open() {
			return nil
		}
		r, err := record{Kind: kindAnswer, At: at, ID: id, State: Accepted}.with(order)
		if err != nil {
			return err
		}
		return keep(r)
	})
}

// Settle ends a draft without a receipt: late, refused or dropped. One that
// was accepted stays so.
func (b *Box) Settle(at time.Time, id string, s State, why string) (Entry, error) {
	return b.amend(id, func(keep func(record) error, e Entry) error {
		if !e.Open() || e.State == s {
			return nil
		}
		return keep(record{Kind: kindAnswer, At: at, ID: id, State: s, Why: why})
	})
}

// Note keeps the last thing that went wrong with a draft that goes on waiting.
func (b *Box) Note(at time.Time, id, why string) error {
	_, err := b.amend(id, func(keep func(record) error, e Entry) error {
		if e.State != Waiting || e.Why == why {
			return nil
		}
		return keep(record{Kind: kindNote, At: at, ID: id, Why: why})
	})
	return err
}

// drafts runs f on the drafts under the folder's lock; keep puts a record to them.
func (b *Box) drafts(f func(d *drafts, keep func(record) error) error) error {
	d := &drafts{}
	return b.change(draftFile, draftHead, d, func(j *journal) error { return f(d, j.append) })
}

func (b *Box) amend(id string, f func(keep func(record) error, e Entry) error) (Entry, error) {
	var e Entry
	err := b.drafts(func(d *drafts, keep func(record) error) error {
		found := d.find(id)
		if found == nil {
			return fmt.Errorf("the outbox in %s holds no order with the request id %s; look at its status", b.dir, id)
		}
		if err := f(keep, *found); err != nil {
			return err
		}
		e = *d.find(id)
		return nil
	})
	return e, err
}

// Status is an outbox at a glance.
type Status struct {
	Entries []Entry // in the order they were kept
	Damaged int     // lines that cannot be read: an order may be missing
}

// Status returns what the outbox holds; nothing where there is none yet.
func (b *Box) Status() (Status, error) {
	var s Status
	d := &drafts{}
	err := b.look(draftFile, draftHead, d, func(j *journal) {
		s = Status{Entries: d.entries, Damaged: len(j.damaged)}
	})
	return s, err
}
