// Package book reads the kitchen's files: the kitchen book (YAML), orders and
// opening lots (CSV). It reads bytes and opens nothing. A file is judged as a
// whole: every fault comes with its line and what would be right, and a file
// with a fault yields nothing.
//
// The kitchen book is plain YAML: sections of named entries, quantities as
// text with their unit ("57 kg", "62 %", "24 °C", "48 h"). Names are the keys
// of a section and are used wherever another section points at the entry.
// Anchors and aliases are refused, so that what is written is what is read.
package book

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Limits of what is read, far beyond any kitchen.
const (
	maxBytes   = 1 << 20
	maxDepth   = 12
	maxEntries = 1000 // in one section or list
	maxText    = 200  // characters of one value
	maxFaults  = 20   // listed at a time
	mostFaults = 5000 // gathered; beyond it they are only counted
)

// Judge is a rule about a whole book that belongs to another room, such as
// which names of cautions there are. It names the place of a fault by section,
// entry and key, "items.house-280.shelf", or by less where it knows less;
// reading turns that into a line.
type Judge = func(commissary.Book) []commissary.Fault

// Read reads a kitchen book and has the judges look at it when it is whole.
// file is the name that faults are reported under. The error is a
// *commissary.Error of kind Invalid and reason BOOK_INVALID whose faults are at
// file:line, in line order, at most twenty.
func Read(file string, data []byte, judges ...Judge) (commissary.Book, error) {
	r := &reader{file: file, what: "the kitchen book", reason: "BOOK_INVALID", names: map[string]*names{},
		ingredientAt: map[string]int{}, formulaAt: map[string]int{}, places: map[string]int{}}
	if root := r.parse(data); root != nil {
		r.kitchenBook(root)
		for _, check := range r.checks {
			check()
		}
	}
	if r.wrong == 0 {
		for _, judge := range judges {
			for _, f := range judge(r.book) {
				r.fault(r.lineOf(f.Where), "%s: %s", f.Where, f.Text)
			}
		}
	}
	if err := r.err(); err != nil {
		return commissary.Book{}, err
	}
	return r.book, nil
}

// lineOf returns the line of a place, or of the nearest one around it.
func (r *reader) lineOf(place string) int {
	for place != "" {
		if line, ok := r.places[place]; ok {
			return line
		}
		place = place[:max(strings.LastIndexByte(place, '.'), 0)]
	}
	return 1
}

// reader gathers the book and the faults of one file.
type reader struct {
	file   string
	what   string // the file, for people
	reason string
	units  quantity.System
	book   commissary.Book
	names  map[string]*names // by noun
	checks []func()          // what can be judged only when everything is read
	faults []fault
	wrong  int // how many faults there are

	places       map[string]int // line of "section", "section.entry" and "section.entry.key"
	ingredientAt map[string]int // index in the book
	formulaAt    map[string]int
	badScales    bool
}

// names are the entries of one section in the order written.
type names struct {
	line map[string]int
	list []string
}

// fault is one thing wrong. The known name nearest to got is looked for only
// when the fault is shown, since a hostile file has many.
type fault struct {
	line  int
	text  string
	got   string
	known []string
}

func (r *reader) fault(line int, format string, args ...any) {
	r.slip(line, "", nil, format, args...)
}

// slip is a fault where got may be a slip of the pen for one of the known names.
func (r *reader) slip(line int, got string, known []string, format string, args ...any) {
	if r.wrong++; len(r.faults) < mostFaults {
		r.faults = append(r.faults, fault{line, fmt.Sprintf(format, args...), got, known})
	}
}

// later queues a check that needs the whole book. It is dropped when anything
// since the given number of faults was wrong: one mistake, one fault.
func (r *reader) later(since int, check func()) {
	if r.wrong == since {
		r.checks = append(r.checks, check)
	}
}

// err returns the faults as one error, nil when there are none.
func (r *reader) err() error {
	n := r.wrong
	if n == 0 {
		return nil
	}
	slices.SortStableFunc(r.faults, func(a, b fault) int { return cmp.Compare(a.line, b.line) })
	e := commissary.Refuse(commissary.Invalid, r.reason, "%s has %s and was not taken", r.what, count(n, "fault"))
	if n > maxFaults {
		e.Text += fmt.Sprintf("; the first %d follow, … and %d more", maxFaults, n-maxFaults)
	}
	e.Text += ":"
	for _, f := range r.faults[:min(n, maxFaults)] {
		text := f.text
		if near := nearest(f.got, f.known); near != "" {
			text += fmt.Sprintf("; did you mean %q?", near)
		}
		e.Faults = append(e.Faults, commissary.Fault{Where: r.file + ":" + strconv.Itoa(f.line), Text: text})
	}
	return e
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

var yamlError = regexp.MustCompile(`^yaml: (?:line (\d+): )?(.*)$`)

// parse returns the root of the document, nil when it cannot be read at all.
func (r *reader) parse(data []byte) *yaml.Node {
	if !r.readable(data) {
		return nil
	}
	decoder := yaml.NewDecoder(bytes.NewReader(data))
	var document, second yaml.Node
	err := decoder.Decode(&document)
	if errors.Is(err, io.EOF) || err == nil && len(document.Content) == 0 {
		r.fault(1, "the file is empty; a kitchen book begins with the section \"kitchen:\"")
		return nil
	}
	if err == nil {
		if err = decoder.Decode(&second); errors.Is(err, io.EOF) {
			err = nil
		} else if err == nil {
			r.fault(second.Line, "a second document begins here; keep one kitchen in one file and remove the \"---\"")
			return nil
		}
	}
	if err != nil {
		line, text := 1, err.Error()
		if m := yamlError.FindStringSubmatch(text); m != nil {
			text = m[2]
			if n, err := strconv.Atoi(m[1]); err == nil {
				line = n
			}
		}
		r.fault(line, "this is not YAML: %s; look at indents, colons, brackets and quotes on this line and the one before", text)
		return nil
	}
	if !r.plain(document.Content[0], 1) {
		return nil
	}
	return document.Content[0]
}

// readable judges the bytes before anything reads them.
func (r *reader) readable(data []byte) bool {
	switch {
	case len(data) > maxBytes:
		r.fault(1, "the file has %d bytes; at most %d are read", len(data), maxBytes)
		return false
	case !utf8.Valid(data):
		line := 1
		for len(data) > 0 {
			c, size := utf8.DecodeRune(data)
			if c == utf8.RuneError && size == 1 {
				break
			}
			if c == '\n' {
				line++
			}
			data = data[size:]
		}
		r.fault(line, "the text is not UTF-8; save the file as UTF-8")
		return false
	}
	return true
}

// plain refuses anchors, aliases and nesting that no kitchen book has.
func (r *reader) plain(n *yaml.Node, depth int) bool {
	switch {
	case n.Kind == yaml.AliasNode || n.Anchor != "":
		r.fault(n.Line, "anchors (&) and aliases (*) are not read; write the entry out")
		return false
	case depth > maxDepth:
		r.fault(n.Line, "the file is nested more than %d deep; a kitchen book is not", maxDepth)
		return false
	}
	for _, child := range n.Content {
		if !r.plain(child, depth+1) {
			return false
		}
	}
	return true
}
