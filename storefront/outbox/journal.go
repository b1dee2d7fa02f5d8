package outbox

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// head is the first line of the file.
const head = "doughrun outbox 1"

// longest is how large an outbox may be: far more than a season's orders.
const longest = 64 << 20

// What a record says.
const (
	kindDraft  = "draft"
	kindSeal   = "seal"
	kindNote   = "note"
	kindAnswer = "answer"
)

// record is one line.
type record struct {
	Kind    string          `json:"kind"`
	At      time.Time       `json:"at"`
	ID      string          `json:"id"`
	Message json.RawMessage `json:"message,omitempty"` // of the contract: the request, or the receipt
	Newest  bool            `json:"newest,omitempty"`
	After   string          `json:"after,omitempty"`
	Etag    string          `json:"etag,omitempty"`
	State   State           `json:"state,omitempty"`
	Why     string          `json:"why,omitempty"`
}

func (r *record) write(m proto.Message) (err error) {
	r.Message, err = protojson.Marshal(m)
	return err
}

// journal is the file as it was read under the lock.
type journal struct {
	path    string
	entries []Entry
	damaged [][]byte // lines that cannot be read, and are kept
}

func (j *journal) find(id string) *Entry {
	i := slices.IndexFunc(j.entries, func(e Entry) bool { return e.ID == id })
	if i < 0 {
		return nil
	}
	return &j.entries[i]
}

// change runs f on the outbox under the folder's lock.
func (b *Box) change(f func(*journal) error) (err error) {
	if err := os.MkdirAll(b.dir, 0o700); err != nil {
		return fmt.Errorf("the outbox cannot be made: %w", err)
	}
	free, err := lock(filepath.Join(b.dir, "lock"))
	if err != nil {
		return fmt.Errorf("the outbox in %s cannot be locked: %w", b.dir, err)
	}
	defer func() { err = errors.Join(err, free()) }()
	j, err := read(b.file())
	if err != nil {
		return err
	}
	return f(j)
}

// read reads the file, makes it when there is none, mends its end, and
// shortens it when it holds much that is settled.
func read(path string) (*journal, error) {
	j := &journal{path: path}
	text, err := readFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return j, j.rewrite()
	}
	if err != nil {
		return nil, fmt.Errorf("the outbox cannot be read: %w", err)
	}
	first, rest, _ := bytes.Cut(text, []byte("\n"))
	if string(first) != head {
		return nil, fmt.Errorf("%s does not begin with %q: it is no outbox, or one of a newer program; move it away, or use the newer program", path, head)
	}
	torn := false
	for len(rest) > 0 {
		line, more, ended := bytes.Cut(rest, []byte("\n"))
		rest = more
		r, ok := parse(line)
		if !ok && !ended && len(line) > 0 {
			r, ok = parse(line[:len(line)-1]) // whole but for the character that ends it
		}
		switch {
		case ok:
			torn = !ended // its end is missing, nothing else
			ok = j.apply(r) == nil
		case !ended:
			torn, ok = true, true // a write that was cut short: nobody was told that it is kept
		}
		if !ok {
			j.damaged = append(j.damaged, line)
		}
	}
	if j.shorten() || torn {
		return j, j.rewrite()
	}
	return j, nil
}

func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close() // it was only read
	text, err := io.ReadAll(io.LimitReader(f, longest+1))
	if err == nil && len(text) > longest {
		err = fmt.Errorf("%s is larger than %d MiB", path, longest>>20)
	}
	return text, err
}

var table = crc32.MakeTable(crc32.Castagnoli)

func line(r record) ([]byte, error) {
	text, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	return fmt.Appendf(nil, "%08x %s\n", crc32.Checksum(text, table), text), nil
}

func parse(line []byte) (r record, ok bool) {
	sum, text, found := bytes.Cut(line, []byte(" "))
	if !found || len(sum) != 8 {
		return r, false
	}
	want, err := strconv.ParseUint(string(sum), 16, 32)
	if err != nil || uint32(want) != crc32.Checksum(text, table) {
		return r, false
	}
	return r, json.Unmarshal(text, &r) == nil
}

// apply adds a record to what is known.
func (j *journal) apply(r record) error {
	e := j.find(r.ID)
	if r.Kind == kindDraft {
		if e != nil {
			return errors.New("a second draft under one request id")
		}
		req := &v1.SubmitOrderRequest{}
		if err := protojson.Unmarshal(r.Message, req); err != nil {
			return err
		}
		j.entries = append(j.entries, Entry{ID: r.ID, Request: req, Kept: r.At, Newest: r.Newest, After: r.After,
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

// append puts a record at the end of the file and waits until it is on the
// disk. After an error the file is read again before anything is added.
func (j *journal) append(r record) error {
	b, err := line(r)
	if err != nil {
		return err
	}
	if err := appendTo(j.path, b); err != nil {
		return err
	}
	return j.apply(r)
}

// appendTo adds a line to a file and waits until it is on the disk.
func appendTo(path string, line []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return fmt.Errorf("the outbox cannot be written: %w", err)
	}
	_, err = f.Write(line)
	if err == nil {
		err = syncData(f)
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("the outbox cannot be written, so it is not safe yet: %w; make room on the disk and give the command again", err)
	}
	return nil
}

// shorten drops the oldest settled entries once there are twice as many as
// are kept, except those that an open draft amends.
func (j *journal) shorten() bool {
	settled := 0
	for _, e := range j.entries {
		if !e.Open() {
			settled++
		}
	}
	if settled < 2*settledKept {
		return false
	}
	needed := map[string]bool{}
	for _, e := range j.entries {
		if e.Open() && !e.Sealed {
			needed[e.After] = true
		}
	}
	surplus := settled - settledKept
	j.entries = slices.DeleteFunc(j.entries, func(e Entry) bool {
		if e.Open() || needed[e.ID] || surplus == 0 {
			return false
		}
		surplus--
		return true
	})
	return true
}

// rewrite writes the whole file beside itself and moves it into place.
func (j *journal) rewrite() error {
	text := []byte(head + "\n")
	for _, e := range j.entries {
		for _, r := range records(e) {
			if r.err != nil {
				return r.err
			}
			b, err := line(r.record)
			if err != nil {
				return err
			}
			text = append(text, b...)
		}
	}
	for _, l := range j.damaged {
		text = append(append(text, l...), '\n')
	}
	if err := replace(j.path, text); err != nil {
		return fmt.Errorf("the outbox cannot be written: %w; make room on the disk and give the command again", err)
	}
	return nil
}

type written struct {
	record
	err error
}

// records are the lines that make an entry what it is.
func records(e Entry) []written {
	draft := record{Kind: kindDraft, At: e.Kept, ID: e.ID, Newest: e.Newest, After: e.After}
	list := []written{{draft, nil}}
	list[0].err = list[0].write(e.Request)
	add := func(r record) { list = append(list, written{r, nil}) }
	if e.Sealed && (e.Newest || e.After != "") {
		add(record{Kind: kindSeal, At: e.Kept, ID: e.ID, Etag: e.Request.GetEtag()})
	}
	switch {
	case e.State != Waiting:
		add(record{Kind: kindAnswer, At: e.Settled, ID: e.ID, State: e.State, Why: e.Why})
		if e.Order != nil {
			last := &list[len(list)-1]
			last.err = last.write(e.Order)
		}
	case e.Why != "":
		add(record{Kind: kindNote, At: e.Kept, ID: e.ID, Why: e.Why})
	}
	return list
}

// replace puts a file in the place of another: written, synced, renamed, and
// the folder synced.
func replace(path string, text []byte) error {
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	return errors.Join(syncFolder(filepath.Dir(path)), syncFolder(filepath.Dir(filepath.Dir(path))))
}
