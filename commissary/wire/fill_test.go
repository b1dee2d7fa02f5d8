package wire_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"doughrun/commissary/civil"
)

// words returns the constants of every string type of the nouns, read from
// their source so that none is forgotten here.
func words(t *testing.T) map[string][]string {
	t.Helper()
	found := map[string][]string{}
	files, err := filepath.Glob("../*.go")
	require.NoError(t, err)
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.ValueSpec)
			if !ok || spec.Type == nil || len(spec.Values) != 1 {
				return true
			}
			kind, isName := spec.Type.(*ast.Ident)
			value, isText := spec.Values[0].(*ast.BasicLit)
			if isName && isText && value.Kind == token.STRING {
				word, err := strconv.Unquote(value.Value)
				require.NoError(t, err)
				found[kind.Name] = append(found[kind.Name], word)
			}
			return true
		})
	}
	require.NotEmpty(t, found["OrderState"])
	return found
}

// drawer fills nouns with random values.
type drawer struct {
	t     *rapid.T
	words map[string][]string
}

var (
	dates = rapid.Custom(func(t *rapid.T) civil.Date {
		d, err := civil.ParseDate("2000-01-01")
		if err != nil || rapid.IntRange(0, 9).Draw(t, "no date") == 0 {
			return civil.Date{}
		}
		return d.AddDays(rapid.IntRange(0, 70_000).Draw(t, "days"))
	})
	instants = rapid.Custom(func(t *rapid.T) time.Time {
		if rapid.IntRange(0, 9).Draw(t, "no instant") == 0 {
			return time.Time{}
		}
		return time.Unix(rapid.Int64Range(-60_000_000_000, 250_000_000_000).Draw(t, "seconds"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).UTC()
	})
)

func (d drawer) fill(v reflect.Value, label string) {
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(instants.Draw(d.t, label)))
		return
	case civil.Date:
		v.Set(reflect.ValueOf(dates.Draw(d.t, label)))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			d.fill(v.Field(i), label+"."+v.Type().Field(i).Name)
		}
	case reflect.Slice:
		n := rapid.IntRange(0, 3).Draw(d.t, label)
		for range n {
			e := reflect.New(v.Type().Elem()).Elem()
			d.fill(e, label)
			v.Set(reflect.Append(v, e))
		}
	case reflect.String:
		if known := d.words[v.Type().Name()]; known != nil {
			v.SetString(rapid.SampledFrom(known).Draw(d.t, label))
		} else {
			v.SetString(rapid.String().Draw(d.t, label))
		}
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(d.t, label))
	case reflect.Int: // counts and revisions, which travel in 32 bits
		v.SetInt(int64(rapid.Int32().Draw(d.t, label)))
	case reflect.Int32:
		v.SetInt(int64(rapid.Int32().Draw(d.t, label)))
	case reflect.Int64:
		v.SetInt(rapid.Int64().Draw(d.t, label))
	case reflect.Uint64:
		v.SetUint(rapid.Uint64().Draw(d.t, label))
	default:
		d.t.Fatalf("%s: no way to draw a %s", label, v.Type())
	}
}

// full returns a noun in which nothing is zero: one element in every list,
// the same text everywhere, so that every id finds its noun in a full book.
func full[N any](words map[string][]string) N {
	var n N
	fillAll(reflect.ValueOf(&n).Elem(), words)
	return n
}

var someDay = civil.Date{Year: 2026, Month: 11, Day: 26}

func fillAll(v reflect.Value, words map[string][]string) {
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(time.Unix(1_800_000_000, 0).UTC()))
		return
	case civil.Date:
		v.Set(reflect.ValueOf(someDay))
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			fillAll(v.Field(i), words)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fillAll(v.Index(0), words)
	case reflect.String:
		if known := words[v.Type().Name()]; known != nil {
			v.SetString(known[0])
		} else {
			v.SetString("a")
		}
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Uint8, reflect.Uint64:
		v.SetUint(1)
	default:
		v.SetInt(1)
	}
}

// leaves calls f for every value without parts in v.
func leaves(v reflect.Value, path string, f func(path string, leaf reflect.Value)) {
	_, instant := v.Interface().(time.Time)
	_, date := v.Interface().(civil.Date)
	switch {
	case instant || date:
		f(path, v)
	case v.Kind() == reflect.Struct:
		for i := range v.NumField() {
			field := v.Type().Field(i)
			if field.Anonymous {
				leaves(v.Field(i), path, f)
				continue
			}
			leaves(v.Field(i), strings.TrimPrefix(path+"."+field.Name, "."), f)
		}
	case v.Kind() == reflect.Slice:
		for i := range v.Len() {
			leaves(v.Index(i), path, f)
		}
	default:
		f(path, v)
	}
}

// change gives a leaf another value.
func change(v reflect.Value, words map[string][]string) {
	switch old := v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(old.Add(time.Hour)))
		return
	case civil.Date:
		v.Set(reflect.ValueOf(old.AddDays(1)))
		return
	}
	switch v.Kind() {
	case reflect.String:
		if known := words[v.Type().Name()]; known != nil {
			v.SetString(known[1])
		} else {
			v.SetString("b")
		}
	case reflect.Bool:
		v.SetBool(!v.Bool())
	case reflect.Uint8, reflect.Uint64:
		v.SetUint(v.Uint() + 1)
	default:
		v.SetInt(v.Int() + 1)
	}
}

// fields calls f for every field of m, deep, by its path.
func fields(m protoreflect.Message, path string, f func(path string, in protoreflect.Message, field protoreflect.FieldDescriptor)) {
	list := m.Descriptor().Fields()
	for i := range list.Len() {
		field := list.Get(i)
		at := strings.TrimPrefix(path+"."+string(field.Name()), ".")
		f(at, m, field)
		if field.Kind() != protoreflect.MessageKind || !m.Has(field) || field.Message().FullName() == "google.protobuf.Timestamp" {
			continue
		}
		if !field.IsList() {
			fields(m.Get(field).Message(), at, f)
			continue
		}
		for j := range m.Get(field).List().Len() {
			fields(m.Get(field).List().Get(j).Message(), at, f)
		}
	}
}

// equalMessages requires two messages to be the same, and shows them when they differ.
func equalMessages(t require.TestingT, want, got proto.Message) {
	if !proto.Equal(want, got) {
		require.Equal(t, show(want), show(got))
		require.Fail(t, "the messages differ where protojson shows nothing")
	}
}
