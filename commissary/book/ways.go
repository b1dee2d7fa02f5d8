package book

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"doughrun/commissary"
)

// WithWays writes the ways that a book's roads take from a CSV file beside it
// into the book's text, on the line that names the file, so that the book is
// whole and its lines keep their numbers. open returns the file of that name.
// A book that names none, or is no YAML, comes back as it is: Read says what is
// wrong with it. The CSV file has the header from,to,minutes,km (or miles) and
// a row for each way between shops or the kitchen. The error is a
// *commissary.Error of kind Invalid and reason WAYS_INVALID with faults at
// file:line of the CSV file, or what open says.
func WithWays(text []byte, open func(name string) ([]byte, error)) ([]byte, error) {
	var document yaml.Node
	if yaml.Unmarshal(text, &document) != nil || len(document.Content) == 0 {
		return text, nil
	}
	root := document.Content[0]
	name := value(value(root, "roads"), "file")
	if name == nil || name.Kind != yaml.ScalarNode || name.Value == "" {
		return text, nil
	}
	lines := bytes.SplitAfter(text, []byte("\n"))
	before, after, ok := around(string(lines[name.Line-1]), name)
	if !ok {
		return text, nil
	}
	data, err := open(name.Value)
	if err != nil {
		return nil, err
	}
	r := &reader{file: name.Value, what: "the file of ways", reason: "WAYS_INVALID"}
	ways := r.wayRows(data, append(keys(value(root, "shops")), commissary.KitchenPlace))
	if err := r.err(); err != nil {
		return nil, err
	}
	lines[name.Line-1] = fmt.Appendf(nil, "%s{%q: {%s}}%s", before, name.Value, strings.Join(ways, ", "), after)
	return bytes.Join(lines, nil), nil
}

// value is what a mapping has under a key; nil where there is nothing.
func value(n *yaml.Node, key string) *yaml.Node {
	if n == nil || n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if n.Content[i].Value == key {
			return n.Content[i+1]
		}
	}
	return nil
}

func keys(n *yaml.Node) []string {
	var list []string
	if n != nil && n.Kind == yaml.MappingNode {
		for i := 0; i+1 < len(n.Content); i += 2 {
			list = append(list, n.Content[i].Value)
		}
	}
	return list
}

// around is what stands on a line before and behind a value, which must be
// written as it is, in quotes or not.
func around(line string, n *yaml.Node) (before, after string, ok bool) {
	for range n.Column - 1 {
		_, size := utf8.DecodeRuneInString(line[len(before):])
		before = line[:len(before)+size]
	}
	rest := line[len(before):]
	for _, token := range []string{n.Value, `"` + n.Value + `"`, "'" + n.Value + "'"} {
		if after, ok = strings.CutPrefix(rest, token); ok {
			return before, after, true
		}
	}
	return "", "", false
}

// wayRows reads the rows into "from: {to: way, ...}", in their order.
func (r *reader) wayRows(data []byte, places []string) []string {
	unit := "km"
	if head, _, _ := bytes.Cut(data, []byte("\n")); bytes.Contains(head, []byte("miles")) {
		unit = "miles"
	}
	first := map[[2]string]int{}
	var from []string
	to := map[string][]string{}
	for _, row := range r.rows(data, "from", "to", "minutes", unit) {
		a, b := row.fields[0], row.fields[1]
		fine := r.known(row.line, "shop", a, places)
		fine = r.known(row.line, "shop", b, places) && fine
		text := fmt.Sprintf("%s min, %s %s", row.fields[2], row.fields[3], map[string]string{"km": "km", "miles": "mi"}[unit])
		if _, err := way(text); err != nil {
			r.fault(row.line, "%q minutes and %q %s are no way; write both above 0 as numbers, for example 12 and 5.2", show(row.fields[2]), show(row.fields[3]), unit)
			fine = false
		}
		if !fine {
			continue
		}
		switch line, twice := first[[2]string{a, b}]; {
		case a == b:
			r.fault(row.line, "a way leads from one place to another; take the row out")
		case twice:
			r.fault(row.line, "the way from %q to %q stands on line %d already; keep one", a, b, line)
		default:
			first[[2]string{a, b}] = row.line
			if !slices.Contains(from, a) {
				from = append(from, a)
			}
			to[a] = append(to[a], fmt.Sprintf("%q: %q", b, text))
		}
	}
	for i, a := range from {
		from[i] = fmt.Sprintf("%q: {%s}", a, strings.Join(to[a], ", "))
	}
	return from
}
