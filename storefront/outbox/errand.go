package outbox

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// Errand is something that a driver did and the kitchen does not know yet: a
// departure or a confirmed stop. Errands stand in a file of their own beside
// the orders, and are as safe.
type Errand struct {
	ID       string    // request id, the same in every attempt
	Request  RoadWrite // a *v1.DepartRunRequest or a *v1.ConfirmStopRequest
	Kept     time.Time // when it came into the outbox
	State    State     // Waiting, Accepted, Refused or Dropped
	Settled  time.Time
	Manifest *v1.Manifest // what the kitchen answered
	Why      string       // of a refusal, or the last thing that went wrong
}

// RoadWrite is a request that a driver's errand carries.
type RoadWrite interface {
	proto.Message
	GetRequestId() string
}

// ManifestOf is the name of the manifest that an errand is about.
func (e Errand) ManifestOf() string {
	switch req := e.Request.(type) {
	case *v1.DepartRunRequest:
		return req.GetName()
	case *v1.ConfirmStopRequest:
		return req.GetManifest()
	}
	return ""
}

const (
	roadHead = "doughrun errands 1"
	// errandsKept is how many settled errands are kept to look back at.
	errandsKept = 100
)

// What the records of an errand say, beside kindNote and kindAnswer.
const (
	kindDepart  = "depart"
	kindConfirm = "confirm"
)

// Run keeps an errand. When it returns without an error it is on the disk. The
// same request id with the same content is the same errand.
func (b *Box) Run(at time.Time, req RoadWrite) (Errand, error) {
	kind := kindConfirm
	if _, ok := req.(*v1.DepartRunRequest); ok {
		kind = kindDepart
	}
	var kept Errand
	err := b.road(func(r *road) error {
		if i := r.find(req.GetRequestId()); i >= 0 {
			if !proto.Equal(r.errands[i].Request, req) {
				return fmt.Errorf("%w: %s; leave the id out", ErrReused, req.GetRequestId())
			}
			kept = r.errands[i]
			return nil
		}
		rec := record{Kind: kind, At: at, ID: req.GetRequestId()}
		if err := rec.write(req); err != nil {
			return err
		}
		if err := r.append(rec); err != nil {
			return err
		}
		kept = r.errands[len(r.errands)-1]
		return nil
	})
	return kept, err
}

// Answer ends an errand that waits: accepted with the kitchen's manifest and
// what it said beside it, or refused or dropped with the reason.
func (b *Box) Answer(at time.Time, id string, s State, m *v1.Manifest, why string) (Errand, error) {
	return b.onErrand(id, func(r *road, e Errand) error {
		if e.State != Waiting {
			return nil
		}
		rec := record{Kind: kindAnswer, At: at, ID: id, State: s, Why: why}
		if m != nil {
			if err := rec.write(m); err != nil {
				return err
			}
		}
		return r.append(rec)
	})
}

// Missed keeps the last thing that went wrong with an errand that goes on waiting.
func (b *Box) Missed(at time.Time, id, why string) error {
	_, err := b.onErrand(id, func(r *road, e Errand) error {
		if e.State != Waiting || e.Why == why {
			return nil
		}
		return r.append(record{Kind: kindNote, At: at, ID: id, Why: why})
	})
	return err
}

// Errands returns the errands in the order they were kept, and how many lines
// of their file cannot be read.
func (b *Box) Errands() ([]Errand, int, error) {
	if _, err := os.Stat(b.roadFile()); errors.Is(err, os.ErrNotExist) {
		return nil, 0, nil
	}
	var all []Errand
	damaged := 0
	err := b.road(func(r *road) error {
		all, damaged = slices.Clone(r.errands), len(r.damaged)
		return nil
	})
	return all, damaged, err
}

func (b *Box) roadFile() string { return filepath.Join(b.dir, "errands.log") }

func (b *Box) onErrand(id string, f func(*road, Errand) error) (Errand, error) {
	var e Errand
	err := b.road(func(r *road) error {
		i := r.find(id)
		if i < 0 {
			return fmt.Errorf("the outbox in %s holds no errand with the request id %s; look at its status", b.dir, id)
		}
		if err := f(r, r.errands[i]); err != nil {
			return err
		}
		e = r.errands[i]
		return nil
	})
	return e, err
}

// road is the errands' file as it was read under the lock.
type road struct {
	journal
	errands []Errand
}

func (r *road) find(id string) int {
	return slices.IndexFunc(r.errands, func(e Errand) bool { return e.ID == id })
}

// road runs f on the errands under the folder's lock.
func (b *Box) road(f func(*road) error) (err error) {
	if err := os.MkdirAll(b.dir, 0o700); err != nil {
		return fmt.Errorf("the outbox cannot be made: %w", err)
	}
	free, err := lock(filepath.Join(b.dir, "lock"))
	if err != nil {
		return fmt.Errorf("the outbox in %s cannot be locked: %w", b.dir, err)
	}
	defer func() { err = errors.Join(err, free()) }()
	r := &road{journal: journal{path: b.roadFile()}}
	if err := r.read(); err != nil {
		return err
	}
	return f(r)
}

// read reads the file, makes it when there is none, mends its end, and
// shortens it when it holds much that is settled.
func (r *road) read() error {
	text, err := readFile(r.path)
	if errors.Is(err, os.ErrNotExist) {
		return replace(r.path, []byte(roadHead+"\n"))
	}
	if err != nil {
		return fmt.Errorf("the outbox cannot be read: %w", err)
	}
	first, rest, _ := bytes.Cut(text, []byte("\n"))
	if string(first) != roadHead {
		return fmt.Errorf("%s does not begin with %q: it is no outbox, or one of a newer program; move it away, or use the newer program", r.path, roadHead)
	}
	lines := [][]byte{}
	torn := false
	for len(rest) > 0 {
		line, more, ended := bytes.Cut(rest, []byte("\n"))
		rest = more
		rec, ok := parse(line)
		if ok {
			ok = r.apply(rec) == nil
		}
		switch {
		case !ok && !ended:
			torn = true // a write that was cut short: nobody was told that it is kept
			continue
		case !ok:
			r.damaged = append(r.damaged, line)
		}
		torn = torn || !ended
		lines = append(lines, line)
	}
	settled := 0
	for _, e := range r.errands {
		if e.State != Waiting {
			settled++
		}
	}
	if !torn && settled < 2*errandsKept {
		return nil
	}
	if settled >= 2*errandsKept {
		lines = r.shortened(lines, settled-errandsKept)
	}
	text = []byte(roadHead + "\n")
	for _, l := range lines {
		text = append(append(text, l...), '\n')
	}
	if err := replace(r.path, text); err != nil {
		return fmt.Errorf("the outbox cannot be written: %w; make room on the disk and give the command again", err)
	}
	return nil
}

// shortened leaves out the lines of the oldest settled errands.
func (r *road) shortened(lines [][]byte, surplus int) [][]byte {
	gone := map[string]bool{}
	r.errands = slices.DeleteFunc(r.errands, func(e Errand) bool {
		if e.State == Waiting || surplus == 0 {
			return false
		}
		surplus--
		gone[e.ID] = true
		return true
	})
	return slices.DeleteFunc(lines, func(l []byte) bool {
		rec, ok := parse(l)
		return ok && gone[rec.ID]
	})
}

// apply adds a record to what is known.
func (r *road) apply(rec record) error {
	i := r.find(rec.ID)
	if rec.Kind == kindDepart || rec.Kind == kindConfirm {
		if i >= 0 {
			return errors.New("a second errand under one request id")
		}
		var req RoadWrite = &v1.ConfirmStopRequest{}
		if rec.Kind == kindDepart {
			req = &v1.DepartRunRequest{}
		}
		if err := protojson.Unmarshal(rec.Message, req); err != nil {
			return err
		}
		r.errands = append(r.errands, Errand{ID: rec.ID, Request: req, Kept: rec.At, State: Waiting})
		return nil
	}
	if i < 0 {
		return errors.New("its errand is missing")
	}
	e := &r.errands[i]
	switch rec.Kind {
	case kindNote:
		e.Why = rec.Why
	case kindAnswer:
		e.State, e.Settled, e.Why = rec.State, rec.At, rec.Why
		if len(rec.Message) > 0 {
			e.Manifest = &v1.Manifest{}
			return protojson.Unmarshal(rec.Message, e.Manifest)
		}
	default:
		return fmt.Errorf("a record of kind %q", rec.Kind)
	}
	return nil
}

// append puts a record at the end of the file and waits until it is on the disk.
func (r *road) append(rec record) error {
	b, err := line(rec)
	if err != nil {
		return err
	}
	if err := appendTo(r.path, b); err != nil {
		return err
	}
	return r.apply(rec)
}
