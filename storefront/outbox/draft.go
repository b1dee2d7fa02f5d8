package outbox

import (
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// The file of the drafts and its first line.
const (
	draftFile = "outbox.log"
	draftHead = "doughrun outbox 1"
)

// What the records of a draft say, beside kindNote and kindAnswer.
const (
	kindDraft = "draft"
	kindSeal  = "seal"
)

// draftsKept is how many settled drafts are kept to look back at.
const draftsKept = 60

// drafts are the contents of the orders' journal.
type drafts struct{ entries []Entry }

func (d *drafts) find(id string) *Entry {
	i := slices.IndexFunc(d.entries, func(e Entry) bool { return e.ID == id })
	if i < 0 {
		return nil
	}
	return &d.entries[i]
}

func (d *drafts) apply(r record) error {
	e := d.find(r.ID)
	if r.Kind == kindDraft {
		if e != nil {
			return errors.New("a second draft under one request id")
		}
		req := &v1.SubmitOrderRequest{}
		if err := protojson.Unmarshal(r.Message, req); err != nil {
			return err
		}
		d.entries = append(d.entries, Entry{ID: r.ID, Request: req, Kept: r.At, Newest: r.Newest, After: r.After,
			Sealed: !r.Newest && r.After == "", State: Waiting})
		return nil
	}
	if e == nil {
		return errors.New("its draft is missing")
	}
	switch r.Kind {
	case kindSeal:
		e.Request = proto.CloneOf(e.Request)
		e.Request.Etag, e.Sealed = r.Etag, true
	case kindNote:
		e.Why = r.Why
	case kindAnswer:
		e.State, e.Settled, e.Why = r.State, r.At, r.Why
		if len(r.Message) > 0 {
			e.Order = &v1.Order{}
			return protojson.Unmarshal(r.Message, e.Order)
		}
	default:
		return fmt.Errorf("a record of kind %q", r.Kind)
	}
	return nil
}

// shorten keeps what an open draft amends.
func (d *drafts) shorten() (short bool) {
	amended := map[string]bool{}
	for _, e := range d.entries {
		if e.Open() && !e.Sealed {
			amended[e.After] = true
		}
	}
	d.entries, short = shortened(d.entries, draftsKept, func(e Entry) bool { return !e.Open() }, func(e Entry) bool { return amended[e.ID] })
	return short
}

func (d *drafts) records() ([]record, error) {
	var list []record
	for _, e := range d.entries {
		draft, err := record{Kind: kindDraft, At: e.Kept, ID: e.ID, Newest: e.Newest, After: e.After}.with(e.Request)
		if err != nil {
			return nil, err
		}
		list = append(list, draft)
		if e.Sealed && (e.Newest || e.After != "") {
			list = append(list, record{Kind: kindSeal, At: e.Kept, ID: e.ID, Etag: e.Request.GetEtag()})
		}
		last, err := ending(e.ID, e.Kept, e.State, e.Settled, e.Why, e.Order)
		if err != nil {
			return nil, err
		}
		list = append(list, last...)
	}
	return list, nil
}
