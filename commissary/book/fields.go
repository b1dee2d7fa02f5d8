package book

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
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
		r.fault(line, "%s needs keys with values, such as \"name: ...\"", what)
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
			f.r.faults = append(f.r.faults, fault{line: f.lines[key],
				text: fmt.Sprintf("%s has no key %q", f.what, show(key)), got: key, known: f.asked})
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
		visit(id, e)
		e.close()
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
		if _, ok := known.line[id]; !ok {
			r.faults = append(r.faults, fault{line: line,
				text: fmt.Sprintf("%s: there is no %s %q%s", what, noun, id, among(known.list)), got: id, known: known.list})
		}
	})
}

// among lists the names there are, when they are few.
func among(list []string) string {
	if len(list) == 0 || len(list) > 6 {
		return ""
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

func weekdays(s string) (civil.Weekdays, error) {
	if s == "every day" {
		return civil.EveryDay, nil
	}
	var all civil.Weekdays
	for part := range strings.SplitSeq(s, ",") {
		from, to, ranged := strings.Cut(strings.TrimSpace(part), "-")
		first, err := civil.ParseWeekday(strings.TrimSpace(from))
		last := first
		if err == nil && ranged {
			last, err = civil.ParseWeekday(strings.TrimSpace(to))
		}
		if err != nil {
			return 0, fmt.Errorf("%w, a range such as Mon-Fri, or \"every day\"", err)
		}
		for d := first; ; d = (d + 1) % 7 {
			all = all.With(d)
			if d == last {
				break
			}
		}
	}
	return all, nil
}

var namePattern = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// name reads the short name of an entry.
func name(s string) (string, error) {
	if len(s) > 40 || !namePattern.MatchString(s) {
		return "", fmt.Errorf("%q is not a short name; use up to 40 lower-case letters, digits and single dashes, for example \"big-mixer\"", show(s))
	}
	return s, nil
}

func words(s string) (string, error) { return s, nil }

// yes reads yes or no.
func yes(s string) (bool, error) {
	switch s {
	case "yes", "true":
		return true, nil
	case "no", "false":
		return false, nil
	}
	return false, fmt.Errorf("%q is neither yes nor no; write yes or no", show(s))
}

// oneOf reads one of a few words.
func oneOf[T ~string](all ...T) func(string) (T, error) {
	return func(s string) (T, error) {
		if slices.Contains(all, T(s)) {
			return T(s), nil
		}
		list := make([]string, len(all))
		for i, v := range all {
			list[i] = string(v)
		}
		return "", fmt.Errorf("%q is unknown; write one of %s", show(s), strings.Join(list, ", "))
	}
}

// whole reads a whole number within bounds.
func whole(least, most int64) func(string) (int64, error) {
	return func(s string) (int64, error) {
		v, err := quantity.ParsePieces(s)
		if err != nil || int64(v) < least || int64(v) > most {
			return 0, fmt.Errorf("%q is not a whole number from %d to %d", show(s), least, most)
		}
		return int64(v), nil
	}
}

// above refuses zero.
func above[T ~int64](parse func(string) (T, error)) func(string) (T, error) {
	return func(s string) (T, error) {
		v, err := parse(s)
		if err == nil && v <= 0 {
			err = fmt.Errorf("%q is too small; it must be above zero", show(s))
		}
		return v, err
	}
}

// upTo refuses shares above most.
func upTo(most quantity.PPM) func(string) (quantity.PPM, error) {
	return func(s string) (quantity.PPM, error) {
		v, err := quantity.ParsePPM(s)
		if err == nil && v > most {
			err = fmt.Errorf("%q is too much; at most %v", show(s), most)
		}
		return v, err
	}
}

// kitchenTemp reads a temperature between a freezer and an oven.
func kitchenTemp(least, most quantity.Temp) func(string) (quantity.Temp, error) {
	return func(s string) (quantity.Temp, error) {
		v, err := quantity.ParseTemp(s)
		if err == nil && (v < least || v > most) {
			err = fmt.Errorf("%q is not between %v and %v", show(s), least, most)
		}
		return v, err
	}
}

// degrees reads a difference of temperatures: 18 °F are 10 °C.
func degrees(s string) (quantity.Temp, error) {
	v, err := quantity.ParseTemp(s)
	if number, ok := strings.CutSuffix(s, "F"); ok && err == nil {
		if v, err = quantity.ParseTemp(number + "C"); err == nil {
			var fifths int64
			fifths, err = quantity.MulDiv(int64(v), 5, 9, quantity.Nearest)
			v = quantity.Temp(fifths)
		}
	}
	if err == nil && (v < 0 || v > 60*quantity.Degree) {
		err = fmt.Errorf("%q is not between 0 and 60 °C of warming", show(s))
	}
	return v, err
}

// money reads an amount with up to two decimals, in minor units.
func money(s string) (int64, error) {
	whole, cents, _ := strings.Cut(s, ".")
	v, err := quantity.ParsePieces(whole + (cents + "00")[:2])
	if err != nil || len(cents) > 2 || whole == "" || strings.HasSuffix(s, ".") {
		return 0, fmt.Errorf("%q is not an amount of money; write for example \"4.50\"", show(s))
	}
	return int64(v), nil
}

// volumeUnits are the units of volume. The US gallon is 3.785411784 L exactly,
// the quart a quarter of it (NIST Handbook 44, Appendix C).
var volumeUnits = []struct {
	name string
	size int64 // in millionths of a millilitre
}{{"ml", 1_000_000}, {"L", 1_000_000_000}, {"l", 1_000_000_000}, {"gal", 3_785_411_784}, {"qt", 946_352_946}}

// volume reads a volume in millilitres.
func volume(s string) (int64, error) {
	for _, u := range volumeUnits {
		number, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		// Thousandths of the unit, by way of grams.
		if m, err := quantity.ParseMass(strings.TrimSpace(number) + " g"); err == nil && m <= 100_000*quantity.Gram && m > 0 {
			if v, err := quantity.MulDiv(int64(m), u.size, 1_000_000_000, quantity.Nearest); err == nil && v > 0 {
				return v, nil
			}
		}
	}
	return 0, fmt.Errorf("%q is not a volume; write for example \"60 L\" or \"15 gal\"", show(s))
}

// gtin reads a GS1 trade item number of 8, 12, 13 or 14 digits by its check
// digit (GS1 General Specifications, section 7.9: weights 3 and 1 in turn
// from the digit before the check digit).
func gtin(s string) (string, error) {
	sum, weight := 0, 1
	ok := len(s) == 8 || len(s) >= 12 && len(s) <= 14
	for i := len(s) - 1; ok && i >= 0; i-- {
		ok = s[i] >= '0' && s[i] <= '9'
		sum += int(s[i]-'0') * weight
		weight = 4 - weight
	}
	if !ok || sum%10 != 0 {
		return "", fmt.Errorf("%q is not a GTIN: 8, 12, 13 or 14 digits with a right check digit", show(s))
	}
	return s, nil
}

// show cuts what somebody wrote to a length that fits a message.
func show(s string) string {
	if utf8.RuneCountInString(s) <= 60 {
		return s
	}
	return string([]rune(s)[:57]) + "..."
}

// nearest returns the known word that got is most likely a slip of, empty
// when none is near.
func nearest(got string, known []string) string {
	best, near := "", 3
	if len(got) < 5 {
		near = 2
	}
	if len(got) == 0 || len(got) > 60 {
		return ""
	}
	for _, k := range known {
		if d := distance(got, k); d < near || d == near && best == "" {
			best, near = k, d
		}
	}
	return best
}

// distance is the number of letters to insert, delete or exchange to turn a into b.
func distance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}
