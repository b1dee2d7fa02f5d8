package proto_test

import (
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/descriptorpb"

	v1 "doughrun/proto/doughrun/v1"
)

// calls calls f for every call of the contract.
func calls(t *testing.T, f func(call protoreflect.MethodDescriptor)) {
	t.Helper()
	n := 0
	protoregistry.GlobalFiles.RangeFilesByPackage(v1.File_doughrun_v1_order_proto.Package(), func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				n++
				f(methods.Get(j))
			}
		}
		return true
	})
	require.Positive(t, n)
}

func rules(field protoreflect.FieldDescriptor) *validate.FieldRules {
	r, _ := proto.GetExtension(field.Options(), validate.E_Field).(*validate.FieldRules)
	return r
}

// A call either changes nothing, or can be sent again because its request
// carries an id; nothing streams.
func TestEveryCallCanBeSentAgain(t *testing.T) {
	calls(t, func(call protoreflect.MethodDescriptor) {
		require.False(t, call.IsStreamingClient() || call.IsStreamingServer(), call.FullName())
		level := call.Options().(*descriptorpb.MethodOptions).GetIdempotencyLevel()
		id := call.Input().Fields().ByName("request_id")
		if id == nil {
			require.Equal(t, descriptorpb.MethodOptions_NO_SIDE_EFFECTS, level, call.FullName())
			return
		}
		require.Equal(t, descriptorpb.MethodOptions_IDEMPOTENT, level, call.FullName())
		require.True(t, rules(id).GetString().GetUuid(), "%s: request_id is a UUID", call.FullName())
	})
}

func TestEveryListIsPaged(t *testing.T) {
	calls(t, func(call protoreflect.MethodDescriptor) {
		if !strings.HasPrefix(string(call.Name()), "List") {
			return
		}
		for _, f := range []protoreflect.Name{"page_size", "page_token"} {
			require.NotNil(t, call.Input().Fields().ByName(f), "%s: %s", call.FullName(), f)
		}
		require.NotNil(t, call.Output().Fields().ByName("next_page_token"), call.FullName())
	})
}

// Nothing in a request is without bound: texts, bytes and lists say how long
// they may be.
func TestEveryRequestIsBounded(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	var walk func(m protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] || m.ParentFile().Package() == "google.protobuf" {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			field := m.Fields().Get(i)
			r := rules(field)
			if field.IsList() {
				require.Positive(t, r.GetRepeated().GetMaxItems(), "%s: a list without a bound", field.FullName())
				r = r.GetRepeated().GetItems()
			}
			switch field.Kind() {
			case protoreflect.StringKind:
				s := r.GetString()
				require.True(t, s.GetMaxLen() > 0 || s.GetUuid() || bounded(s.GetPattern()), "%s: a text without a bound", field.FullName())
			case protoreflect.BytesKind:
				require.Positive(t, r.GetBytes().GetMaxLen(), "%s: bytes without a bound", field.FullName())
			case protoreflect.EnumKind:
				require.True(t, r.GetEnum().GetDefinedOnly(), "%s: an enum that takes any number", field.FullName())
			case protoreflect.MessageKind:
				walk(field.Message())
			}
		}
	}
	calls(t, func(call protoreflect.MethodDescriptor) { walk(call.Input()) })
}

// bounded reports whether a pattern matches from end to end and repeats nothing without end.
func bounded(pattern string) bool {
	return strings.HasPrefix(pattern, "^") && strings.HasSuffix(pattern, "$") && !strings.ContainsAny(pattern, "*+")
}
