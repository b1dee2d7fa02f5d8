// Package wire translates between the nouns and the messages of the contract,
// one file for each noun, and judges nothing. A Writer turns nouns into
// messages and gives them the names that people read; the Read functions turn
// messages into nouns, for those that clients send.
//
// Names for people, resource names and etags are written and never read: the
// ids beside them say everything.
package wire

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// Writer turns nouns of one kitchen into messages. It is made for one book
// revision and never changes, so that it may be shared.
type Writer struct {
	book        commissary.Book
	containers  map[string]string // names by id, here and below
	formulas    map[string]string
	places      map[string]string // vessels, benches and the cold store: where a step happens
	runs        map[string]string
	vehicles    map[string]string
	zones       map[string]string
	ingredients map[string]string
	items       map[string]commissary.Item
	shops       map[string]commissary.Shop
}

// For returns the Writer for a book. What the book does not name goes by its id.
func For(b commissary.Book) *Writer {
	w := &Writer{
		book:        b,
		containers:  map[string]string{},
		formulas:    map[string]string{},
		places:      map[string]string{"cold": "cold store"},
		runs:        map[string]string{},
		vehicles:    map[string]string{},
		zones:       map[string]string{},
		ingredients: map[string]string{},
		items:       map[string]commissary.Item{},
		shops:       map[string]commissary.Shop{},
	}
	for _, c := range b.Containers {
		w.containers[c.ID] = c.Name
	}
	for _, i := range b.Ingredients {
		w.ingredients[i.ID] = i.Name
	}
	for _, f := range b.Formulas {
		w.formulas[f.ID] = f.Name
	}
	for _, v := range b.Vessels {
		w.places[v.ID] = v.Name
	}
	for _, n := range b.Benches {
		w.places[n.ID] = n.Name
	}
	for _, r := range b.Runs {
		w.runs[r.ID] = r.Name
	}
	for _, v := range b.Vehicles {
		w.vehicles[v.ID] = v.Name
	}
	for _, z := range b.ColdStore.Zones {
		w.zones[z.ID] = z.Name
	}
	for _, i := range b.Items {
		w.items[i.ID] = i
	}
	for _, s := range b.Shops {
		w.shops[s.ID] = s
	}
	return w
}

// Site returns whose paper something is and how to print it.
func (w *Writer) Site() *v1.Site {
	k := w.book.Kitchen
	return &v1.Site{
		KitchenId:   k.ID,
		KitchenName: k.Name,
		TimeZone:    k.Zone,
		Units:       enum[v1.UnitSystem](k.Units.String()),
	}
}

func (w *Writer) kitchen() string { return w.book.Kitchen.ID }

func (w *Writer) item(id string) string { return either(w.items[id].Name, id) }

func (w *Writer) shop(id string) string { return either(w.shops[id].Name, id) }

// container returns the name of the container that an item travels in.
func (w *Writer) container(item string) string {
	id := w.items[item].Container
	return either(w.containers[id], id)
}

func either(name, id string) string {
	if name == "" {
		return id
	}
	return name
}

// etag shows a revision as a precondition.
func etag(revision int) string { return strconv.Itoa(revision) }

// ReadETag returns the revision that an etag stands for, 0 for an empty one.
func ReadETag(s string) (int, error) {
	if s == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(s, 10, 32)
	if err != nil || n < 1 || etag(int(n)) != s {
		return 0, invalid([]commissary.Fault{{Where: "etag", Text: fmt.Sprintf("%q is no etag; send back the one that was read, unchanged", s)}})
	}
	return int(n), nil
}

func day(d civil.Date) string {
	if d.IsZero() {
		return ""
	}
	return d.String()
}

func instant(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// each writes a list.
func each[N any, M proto.Message](nouns []N, write func(N) M) []M {
	var list []M
	for _, n := range nouns {
		list = append(list, write(n))
	}
	return list
}

// An enumeration is a generated enum; its values are named like the words of
// the nouns, in capitals behind the enum's own prefix.
type enumeration interface {
	~int32
	protoreflect.Enum
}

// enum returns the value for a word of the nouns, UNSPECIFIED for an unknown one.
func enum[E enumeration, W ~string](word W) E {
	var e E
	values := e.Descriptor().Values()
	v := values.ByName(protoreflect.Name(prefix(values) + strings.ToUpper(string(word))))
	if v == nil {
		return e
	}
	return E(v.Number())
}

func prefix(values protoreflect.EnumValueDescriptors) string {
	return strings.TrimSuffix(string(values.ByNumber(0).Name()), "UNSPECIFIED")
}

// reading collects the faults of one message as its fields are read.
type reading struct{ faults []commissary.Fault }

// mostFaults is how many faults are told at once; more would not fit an error.
const mostFaults = 20

func (r *reading) fault(where, format string, args ...any) {
	if len(r.faults) < mostFaults {
		r.faults = append(r.faults, commissary.Fault{Where: where, Text: fmt.Sprintf(format, args...)})
	}
}

func (r *reading) err() error {
	if len(r.faults) == 0 {
		return nil
	}
	return invalid(r.faults)
}

func invalid(faults []commissary.Fault) error {
	e := commissary.Refuse(commissary.Invalid, "MESSAGE_INVALID", "the request cannot be read; correct the fields named here")
	e.Faults = faults
	return e
}

func (r *reading) day(where, s string) civil.Date {
	var d civil.Date
	if err := d.UnmarshalText([]byte(s)); err != nil {
		r.fault(where, "%v", err)
		return civil.Date{}
	}
	return d
}

func (r *reading) instant(where string, t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	if err := t.CheckValid(); err != nil {
		r.fault(where, "it is not an instant between the years 1 and 9999; write for example \"2026-11-26T04:30:00Z\"")
		return time.Time{}
	}
	return t.AsTime()
}

// word returns the word of the nouns for an enum's value, empty for UNSPECIFIED.
func word[W ~string, E enumeration](r *reading, where string, e E, lower bool) W {
	if e == 0 {
		return ""
	}
	values := e.Descriptor().Values()
	v := values.ByNumber(e.Number())
	if v == nil {
		r.fault(where, "the value %d is unknown; use one of the contract's", e.Number())
		return ""
	}
	s := strings.TrimPrefix(string(v.Name()), prefix(values))
	if lower {
		s = strings.ToLower(s)
	}
	return W(s)
}

// readEach reads a list; where each element stands is told to read.
func readEach[M, N any](messages []M, where string, read func(where string, m M) N) []N {
	var list []N
	for i, m := range messages {
		list = append(list, read(fmt.Sprintf("%s[%d]", where, i), m))
	}
	return list
}
