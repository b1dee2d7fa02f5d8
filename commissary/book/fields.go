package book

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"doughrun/commissary/civil"
)

// fields is one mapping being read: every key asked for is known, and close
// reports the others.
type fields struct {
	r      *reader
	line   int
	what   string // for people: shop "north"
	values map[string]*yaml.Node
	lines  map[string]int // of the keys
	order  []string
	asked  []string
	broken bool // not a mapping: missing keys are not reported on top
}

// open reads n as keys and values. A nil n is an empty mapping.
func (r *reader) open(n *yaml.Node, line int, what string) *fields {
	f := &fields{r: r, line: line, what: what, values: map[string]*yaml.Node{}, lines: map[string]int{}}
	switch {
	case n == nil:
		return f
	case n.Kind != yaml.MappingNode:
		f.broken = true
		r.fault(line, "%s needs keys with values below it, not one value or a list", what)
		return f
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if key.Kind != yaml.ScalarNode {
			r.fault(key.Line, "%s has a key that is not a plain word", what)
			continue
		}
		if first, ok := f.lines[key.Value]; ok {
			r.fault(key.Line, "%q stands twice in %s, first on line %d; keep one", show(key.Value), what, first)
			continue
		}
		f.values[key.Value], f.lines[key.Value] = value, key.Line
		f.order = append(f.order, key.Value)
	}
	return f
}

// close reports the keys nobody asked for.
func (f *fields) close() {
	for _, key := range f.order {
		if !slices.Contains(f.asked, key) {
			f.r.slip(f.lines[key], key, f.asked, "%s has no key %q", f.what, show(key))
		}
	}
}

// at is the line of a key, or of the whole when the key is missing.
func (f *fields) at(key string) int {
	if line, ok := f.lines[key]; ok {
		return line
	}
	return f.line
}

func (f *fields) has(key string) bool { return f.values[key] != nil }

// take marks a key as known and returns its value, nil when it is missing.
func (f *fields) take(key string) *yaml.Node {
	f.asked = append(f.asked, key)
	return f.values[key]
}

// missing reports a required key that is not there.
func (f *fields) missing(key, example string) {
	if !f.broken {
		f.r.fault(f.line, "%s lacks %q; write for example \"%s: %s\"", f.what, key, key, example)
	}
}

// forbid refuses keys that have no meaning for this kind of entry.
func (f *fields) forbid(why string, keys ...string) {
	for _, key := range keys {
		if f.take(key) != nil {
			f.r.fault(f.lines[key], "%s: %q %s; remove it", f.what, key, why)
		}
	}
}

// text returns the text of a plain value.
func (f *fields) text(key string, n *yaml.Node) (string, bool) {
	s := strings.TrimSpace(n.Value)
	switch {
	case n.Kind != yaml.ScalarNode:
		f.r.fault(f.at(key), "%s: %q needs one value, not a list or a group", f.what, key)
	case s == "" || n.Tag == "!!null":
		f.r.fault(f.at(key), "%s: %q is empty; write a value or remove the key", f.what, key)
	case utf8.RuneCountInString(s) > maxText:
		f.r.fault(f.at(key), "%s: %q is longer than %d characters", f.what, key, maxText)
	case strings.ContainsFunc(s, func(c rune) bool { return !unicode.IsPrint(c) }):
		f.r.fault(f.at(key), "%s: %q holds line breaks or characters that do not print; write it on one line", f.what, key)
	default:
		return s, true
	}
	return "", false
}

// read reads an optional value; absent and faulty values are zero.
func read[T any](f *fields, key string, parse func(string) (T, error)) T {
	var zero T
	n := f.take(key)
	if n == nil {
		return zero
	}
	s, ok := f.text(key, n)
	if !ok {
		return zero
	}
	v, err := parse(s)
	if err != nil {
		f.r.fault(f.at(key), "%s: %q: %v", f.what, key, err)
		return zero
	}
	return v
}

// must reads a required value; example shows what would be right.
func must[T any](f *fields, key, example string, parse func(string) (T, error)) T {
	if f.values[key] == nil {
		f.missing(key, example)
	}
	return read(f, key, parse)
}

// list returns the members of a list; one plain value is a list of one.
func (f *fields) list(key string) []*yaml.Node {
	n := f.take(key)
	switch {
	case n == nil:
		return nil
	case n.Kind == yaml.ScalarNode && n.Tag != "!!null":
		return []*yaml.Node{n}
	case n.Kind != yaml.SequenceNode:
		f.r.fault(f.at(key), "%s: %q needs a list", f.what, key)
		return nil
	case len(n.Content) > maxEntries:
		f.r.fault(f.at(key), "%s: %q has %d entries; at most %d are read", f.what, key, len(n.Content), maxEntries)
		return nil
	}
	return n.Content
}

// groups opens every member of a list of mappings.
func (f *fields) groups(key, what string) []*fields {
	var all []*fields
	for i, n := range f.list(key) {
		all = append(all, f.r.open(n, n.Line, fmt.Sprintf("%s, %s %d", f.what, what, i+1)))
	}
	return all
}

// words reads a list of names without repeats.
func (f *fields) words(key, noun string) []string {
	var all []string
	for _, n := range f.list(key) {
		s, ok := f.text(key, n)
		if !ok {
			continue
		}
		if _, err := name(s); err != nil {
			f.r.fault(n.Line, "%s: %q: %v", f.what, key, err)
			continue
		}
		if slices.Contains(all, s) {
			f.r.fault(n.Line, "%s: %s %q stands twice; keep one", f.what, noun, s)
			continue
		}
		all = append(all, s)
	}
	return all
}

// section opens the entries of a section in the order written and registers
// their names under the noun.
func (f *fields) section(key, noun string, required bool, visit func(id string, e *fields)) {
	n := f.take(key)
	known := &names{line: map[string]int{}}
	f.r.names[noun] = known
	if n == nil || n.Kind == yaml.ScalarNode && n.Tag == "!!null" {
		if required && !f.broken {
			f.r.fault(f.at(key), "%s lacks the section %q with at least one %s", f.what, key, noun)
		}
		return
	}
	s := f.r.open(n, f.at(key), "the section \""+key+"\"")
	if len(s.order) > maxEntries {
		f.r.fault(s.line, "%s has %d entries; at most %d are read", s.what, len(s.order), maxEntries)
		return
	}
	for _, id := range s.order {
		if _, err := name(id); err != nil {
			f.r.fault(s.lines[id], "%s: %v", s.what, err)
			continue
		}
		known.line[id] = s.lines[id]
		known.list = append(known.list, id)
		e := f.r.open(s.values[id], s.lines[id], fmt.Sprintf("%s %q", noun, id))
		f.r.place(key+"."+id, e)
		visit(id, e)
		e.close()
	}
}

// place remembers on which lines an entry and its keys stand.
func (r *reader) place(entry string, e *fields) {
	r.places[entry] = e.line
	for _, key := range e.order {
		r.places[entry+"."+key] = e.lines[key]
	}
}

// ref checks, once everything is read, that the name of another entry exists.
func (f *fields) ref(line int, noun, id string) {
	if id == "" {
		return
	}
	r, what := f.r, f.what
	r.checks = append(r.checks, func() {
		known := r.names[noun]
		if _, ok := known.line[id]; !ok && len(known.list) > 0 { // an empty section is a fault of its own
			r.slip(line, id, known.list, "%s: there is no %s %q%s", what, noun, id, among(known.list))
		}
	})
}

// among lists the names there are, when they are few.
func among(list []string) string {
	switch {
	case len(list) == 0 || len(list) > 6:
		return ""
	case len(list) == 1:
		return "; there is only " + list[0]
	}
	return "; there are " + strings.Join(list, ", ")
}

// refer reads a name of another entry.
func (f *fields) refer(key, noun string, required bool, example string) string {
	if required && f.values[key] == nil {
		f.missing(key, example)
	}
	id := read(f, key, name)
	f.ref(f.at(key), noun, id)
	return id
}

// days reads weekdays: "every day", "Mon-Fri", "Mon, Wed" or a list of these.
func (f *fields) days(key string) civil.Weekdays {
	if !f.has(key) {
		f.missing(key, "Mon-Fri")
	}
	var all civil.Weekdays
	for _, n := range f.list(key) {
		s, ok := f.text(key, n)
		if !ok {
			continue
		}
		d, err := weekdays(s)
		if err != nil {
			f.r.fault(f.at(key), "%s: %q: %v", f.what, key, err)
		}
		all |= d
	}
	return all
}
