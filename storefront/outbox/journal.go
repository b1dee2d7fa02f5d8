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
)

// longest is how large a journal may be: far more than a season's orders.
const longest = 64 << 20

// What a record says, beside what begins a draft or an errand.
const (
	kindNote   = "note"   // the last thing that went wrong
	kindAnswer = "answer" // how it ended
)

// record is one line.
type record struct {
	Kind    string          `json:"kind"`
	At      time.Time       `json:"at"`
	ID      string          `json:"id"`
	Message json.RawMessage `json:"message,omitempty"` // of the contract: the request, or the answer
	Newest  bool            `json:"newest,omitempty"`
	After   string          `json:"after,omitempty"`
	Etag    string          `json:"etag,omitempty"`
	State   State           `json:"state,omitempty"`
	Why     string          `json:"why,omitempty"`
}

// with puts a message of the contract into the record, if there is one.
func (r record) with(m proto.Message) (record, error) {
	if m == nil || !m.ProtoReflect().IsValid() {
		return r, nil
	}
	text, err := protojson.Marshal(m)
	r.Message = text
	return r, err
}

// ending are the records that stand behind the first ones of a draft or an
// errand: how it ended, or what went wrong last.
func ending(id string, kept time.Time, s State, settled time.Time, why string, answer proto.Message) ([]record, error) {
	switch {
	case s != Waiting:
		r, err := record{Kind: kindAnswer, At: settled, ID: id, State: s, Why: why}.with(answer)
		return []record{r}, err
	case why != "":
		return []record{{Kind: kindNote, At: kept, ID: id, Why: why}}, nil
	}
	return nil, nil
}

// shortened drops the oldest that are settled, but for those still needed, once
// there are twice as many as are kept.
func shortened[T any](list []T, kept int, settled, needed func(T) bool) ([]T, bool) {
	surplus := -kept
	for _, x := range list {
		if settled(x) {
			surplus++
		}
	}
	if surplus < kept {
		return list, false
	}
	return slices.DeleteFunc(list, func(x T) bool {
		if !settled(x) || needed(x) || surplus == 0 {
			return false
		}
		surplus--
		return true
	}), true
}

// contents is what the records of a journal add up to.
type contents interface {
	// apply adds a record to what is known.
	apply(record) error
	// shorten drops what was settled long ago, and reports whether it did.
	shorten() bool
	// records are the lines that make the contents what they are.
	records() ([]record, error)
}

// journal is a file of records as it was read under the folder's lock. Its
// first line says what it is.
type journal struct {
	path, head string
	contents   contents
	damaged    [][]byte // lines that cannot be read, and are kept
}

// change runs f on a journal of the outbox under the folder's lock.
func (b *Box) change(name, head string, c contents, f func(*journal) error) (err error) {
	if err := os.MkdirAll(b.dir, 0o700); err != nil {
		return fmt.Errorf("the outbox cannot be made: %w", err)
	}
	free, err := lock(filepath.Join(b.dir, "lock"))
	if err != nil {
		return fmt.Errorf("the outbox in %s cannot be locked: %w", b.dir, err)
	}
	defer func() { err = errors.Join(err, free()) }()
	j := &journal{path: filepath.Join(b.dir, name), head: head, contents: c}
	if err := j.read(); err != nil {
		return err
	}
	return f(j)
}

// look runs f on a journal that need not exist yet, and then does nothing.
func (b *Box) look(name, head string, c contents, f func(*journal)) error {
	if _, err := os.Stat(filepath.Join(b.dir, name)); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return b.change(name, head, c, func(j *journal) error {
		f(j)
		return nil
	})
}

// read reads the file, makes it when there is none, mends its end, and
// shortens it when it holds much that is settled.
func (j *journal) read() error {
	text, err := readFile(j.path)
	if errors.Is(err, os.ErrNotExist) {
		return j.rewrite()
	}
	if err != nil {
		return fmt.Errorf("the outbox cannot be read: %w", err)
	}
	first, rest, _ := bytes.Cut(text, []byte("\n"))
	if string(first) != j.head {
		return fmt.Errorf("%s does not begin with %q: it is no outbox, or one of a newer program; move it away, or use the newer program", j.path, j.head)
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
			ok = j.contents.apply(r) == nil
		case !ended:
			torn, ok = true, true // a write that was cut short: nobody was told that it is kept
		}
		if !ok {
			j.damaged = append(j.damaged, line)
		}
	}
	if j.contents.shorten() || torn {
		return j.rewrite()
	}
	return nil
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

// append puts a record at the end of the file and waits until it is on the
// disk. After an error the file is read again before anything is added.
func (j *journal) append(r record) error {
	b, err := line(r)
	if err != nil {
		return err
	}
	f, err := os.OpenFile(j.path, os.O_WRONLY|os.O_APPEND, 0)
	if err != nil {
		return fmt.Errorf("the outbox cannot be written: %w", err)
	}
	_, err = f.Write(b)
	if err == nil {
		err = syncData(f)
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("the outbox cannot be written, so it is not safe yet: %w; make room on the disk and give the command again", err)
	}
	return j.contents.apply(r)
}

// rewrite writes the whole file beside itself and moves it into place.
func (j *journal) rewrite() error {
	list, err := j.contents.records()
	if err != nil {
		return err
	}
	text := []byte(j.head + "\n")
	for _, r := range list {
		b, err := line(r)
		if err != nil {
			return err
		}
		text = append(text, b...)
	}
	for _, l := range j.damaged {
		text = append(append(text, l...), '\n')
	}
	if err := replace(j.path, text); err != nil {
		return fmt.Errorf("the outbox cannot be written: %w; make room on the disk and give the command again", err)
	}
	return nil
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
