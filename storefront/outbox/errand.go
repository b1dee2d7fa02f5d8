package outbox

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// Errand is something that was done and the kitchen does not know yet: a
// shop's closing count, or a driver's departure or confirmed stop. Errands
// stand in a file of their own beside the orders, and are as safe.
type Errand struct {
	ID       string    // request id, the same in every attempt
	Request  Write     // a *v1.SubmitCountRequest, *v1.DepartRunRequest or *v1.ConfirmStopRequest
	Kept     time.Time // when it came into the outbox
	State    State     // Waiting, Accepted, Refused or Dropped
	Settled  time.Time
	Manifest *v1.Manifest // what the kitchen answered a driver
	Why      string       // of a refusal, what the kitchen says beside its yes, or the last thing that went wrong
}

// Write is a request that an errand carries.
type Write interface {
	proto.Message
	GetRequestId() string
}

// Count is the count that an errand carries; nil for a driver's.
func (e Errand) Count() *v1.SubmitCountRequest {
	req, _ := e.Request.(*v1.SubmitCountRequest)
	return req
}

// ManifestOf is the name of the manifest that a driver's errand is about;
// empty for a count.
func (e Errand) ManifestOf() string {
	switch req := e.Request.(type) {
	case *v1.DepartRunRequest:
		return req.GetName()
	case *v1.ConfirmStopRequest:
		return req.GetManifest()
	}
	return ""
}

// The file of the errands and its first line.
const (
	errandFile = "errands.log"
	errandHead = "doughrun errands 1"
)

// errandsKept is how many settled errands are kept to look back at.
const errandsKept = 100

// What the records of an errand say, beside kindNote and kindAnswer.
const (
	kindCount   = "count"
	kindDepart  = "depart"
	kindConfirm = "confirm"
)

func kindOf(req Write) string {
	switch req.(type) {
	case *v1.SubmitCountRequest:
		return kindCount
	case *v1.DepartRunRequest:
		return kindDepart
	case *v1.ConfirmStopRequest:
		return kindConfirm
	}
	return ""
}

// blank is the empty request of a kind; nil where records of it begin no errand.
func blank(kind string) Write {
	switch kind {
	case kindCount:
		return &v1.SubmitCountRequest{}
	case kindDepart:
		return &v1.DepartRunRequest{}
	case kindConfirm:
		return &v1.ConfirmStopRequest{}
	}
	return nil
}

// Run keeps an errand. When it returns without an error it is on the disk. The
// same request id with the same content is the same errand.
func (b *Box) Run(at time.Time, req Write) (Errand, error) {
	var kept Errand
	err := b.errands(func(x *errands, keep func(record) error) error {
		if e := x.find(req.GetRequestId()); e != nil {
			if !proto.Equal(e.Request, req) {
				return fmt.Errorf("%w: %s; leave the id out", ErrReused, req.GetRequestId())
			}
			kept = *e
			return nil
		}
		r, err := begun(Errand{ID: req.GetRequestId(), Request: req, Kept: at})
		if err != nil {
			return err
		}
		if err := keep(r); err != nil {
			return err
		}
		kept = *x.find(r.ID)
		return nil
	})
	return kept, err
}

// Answer ends an errand that waits: accepted, a driver's with the kitchen's
// manifest, or refused or dropped with the reason.
func (b *Box) Answer(at time.Time, id string, s State, m *v1.Manifest, why string) (Errand, error) {
	return b.onErrand(id, func(keep func(record) error, e Errand) error {
		if e.State != Waiting {
			return nil
		}
		r, err := record{Kind: kindAnswer, At: at, ID: id, State: s, Why: why}.with(m)
		if err != nil {
			return err
		}
		return keep(r)
	})
}

// Missed keeps the last thing that went wrong with an errand that goes on waiting.
func (b *Box) Missed(at time.Time, id, why string) error {
	_, err := b.onErrand(id, func(keep func(record) error, e Errand) error {
		if e.State != Waiting || e.Why == why {
			return nil
		}
		return keep(record{Kind: kindNote, At: at, ID: id, Why: why})
	})
	return err
}

// Errands returns the errands in the order they were kept, and how many lines
// of their file cannot be read.
func (b *Box) Errands() (all []Errand, damaged int, err error) {
	x := &errands{}
	err = b.look(errandFile, errandHead, x, func(j *journal) {
		all, damaged = x.list, len(j.damaged)
	})
	return all, damaged, err
}

// errands runs f on the errands under the folder's lock; keep puts a record to them.
func (b *Box) errands(f func(x *errands, keep func(record) error) error) error {
	x := &errands{}
	return b.change(errandFile, errandHead, x, func(j *journal) error { return f(x, j.append) })
}

func (b *Box) onErrand(id string, f func(keep func(record) error, e Errand) error) (Errand, error) {
	var e Errand
	err := b.errands(func(x *errands, keep func(record) error) error {
		found := x.find(id)
		if found == nil {
			return fmt.Errorf("the outbox in %s holds no errand with the request id %s; look at its status", b.dir, id)
		}
		if err := f(keep, *found); err != nil {
			return err
		}
		e = *x.find(id)
		return nil
	})
	return e, err
}

// errands are the contents of their journal.
type errands struct{ list []Errand }

func (x *errands) find(id string) *Errand {
	i := slices.IndexFunc(x.list, func(e Errand) bool { return e.ID == id })
	if i < 0 {
		return nil
	}
	return &x.list[i]
}

// begun is the record that an errand begins with.
func begun(e Errand) (record, error) {
	kind := kindOf(e.Request)
	if kind == "" {
		return record{}, fmt.Errorf("an errand of kind %T", e.Request)
	}
	return record{Kind: kind, At: e.Kept, ID: e.ID}.with(e.Request)
}

func (x *errands) apply(r record) error {
	e := x.find(r.ID)
	if req := blank(r.Kind); req != nil {
		if e != nil {
			return errors.New("a second errand under one request id")
		}
		if err := protojson.Unmarshal(r.Message, req); err != nil {
			return err
		}
		x.list = append(x.list, Errand{ID: r.ID, Request: req, Kept: r.At, State: Waiting})
		return nil
	}
	if e == nil {
		return errors.New("its errand is missing")
	}
	switch r.Kind {
	case kindNote:
		e.Why = r.Why
	case kindAnswer:
		e.State, e.Settled, e.Why = r.State, r.At, r.Why
		if len(r.Message) > 0 {
			e.Manifest = &v1.Manifest{}
			return protojson.Unmarshal(r.Message, e.Manifest)
		}
	default:
		return fmt.Errorf("a record of kind %q", r.Kind)
	}
	return nil
}

func (x *errands) shorten() (short bool) {
	x.list, short = shortened(x.list, errandsKept, func(e Errand) bool { return e.State != Waiting }, func(Errand) bool { return false })
	return short
}

func (x *errands) records() ([]record, error) {
	var list []record
	for _, e := range x.list {
		first, err := begun(e)
		if err != nil {
			return nil, err
		}
		last, err := ending(e.ID, e.Kept, e.State, e.Settled, e.Why, e.Manifest)
		if err != nil {
			return nil, err
		}
		list = append(append(list, first), last...)
	}
	return list, nil
}
