package server_test

import (
	"bytes"
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding/gzip"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"doughrun/commissary"
	"doughrun/commissary/server"
	v1 "doughrun/proto/doughrun/v1"
)

// raw sends bytes as they are and takes any answer.
type raw struct{}

func (raw) Marshal(v any) ([]byte, error) { return *v.(*[]byte), nil }
func (raw) Unmarshal(b []byte, v any) error {
	*v.(*[]byte) = b
	return nil
}
func (raw) Name() string { return "proto" }

// twisted are ways in which a request goes wrong.
func twisted(t testing.TB, m protoreflect.MethodDescriptor) map[string][]byte {
	kind, err := protoregistry.GlobalTypes.FindMessageByName(m.Input().FullName())
	require.NoError(t, err)
	good := about(t, m, target{"main", "east", "round", "F26.01-A"})
	encode := func(m proto.Message) []byte {
		b, err := proto.MarshalOptions{AllowPartial: true, Deterministic: true}.Marshal(m)
		require.NoError(t, err)
		return b
	}
	filled := func(integer int64, real float64, text string) []byte {
		msg := kind.New()
		fill(msg, integer, real, text, 3)
		return encode(msg.Interface())
	}
	whole := encode(good)
	tag := func(n protowire.Number, as protowire.Type) []byte { return protowire.AppendTag(nil, n, as) }
	deep := []byte{}
	for range 200 {
		deep = append(tag(2, protowire.BytesType), protowire.AppendBytes(nil, deep)...)
	}
	return map[string][]byte{
		"empty":            {},
		"good":             whole,
		"cut":              whole[:len(whole)-1],
		"noise":            bytes.Repeat([]byte{0xff}, 40),
		"unknown fields":   append(append(bytes.Clone(whole), tag(19000-1, protowire.BytesType)...), protowire.AppendBytes(nil, bytes.Repeat([]byte("x"), 1000))...),
		"repeated":         bytes.Repeat(whole, 50),
		"wrong wire type":  append(tag(1, protowire.VarintType), 1),
		"open group":       tag(1, protowire.StartGroupType),
		"length too large": append(tag(1, protowire.BytesType), 0xff, 0xff, 0xff, 0xff, 0x7f),
		"bad UTF-8":        append(tag(1, protowire.BytesType), protowire.AppendBytes(nil, []byte("kitchens/\xff\xfe"))...),
		"deep":             deep,
		"negative":         filled(-1, -1, "kitchens/main"),
		"huge":             filled(math.MaxInt32, math.MaxFloat64, strings.Repeat("9", 5000)),
		"not a number":     filled(math.MinInt32, math.NaN(), "\x00'; DROP TABLE orders; --"),
	}
}

// fill sets every field of a message, lists twice.
func fill(m protoreflect.Message, integer int64, real float64, text string, depth int) {
	if depth == 0 {
		return
	}
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		f := fields.Get(i)
		one := func() (v protoreflect.Value) {
			switch f.Kind() {
			case protoreflect.StringKind:
				return protoreflect.ValueOfString(text)
			case protoreflect.BytesKind:
				return protoreflect.ValueOfBytes([]byte(text))
			case protoreflect.BoolKind:
				return protoreflect.ValueOfBool(true)
			case protoreflect.Int32Kind, protoreflect.Sint32Kind:
				return protoreflect.ValueOfInt32(int32(integer))
			case protoreflect.Int64Kind, protoreflect.Sint64Kind:
				return protoreflect.ValueOfInt64(integer << 20)
			case protoreflect.Uint32Kind:
				return protoreflect.ValueOfUint32(uint32(integer))
			case protoreflect.Uint64Kind:
				return protoreflect.ValueOfUint64(uint64(integer))
			case protoreflect.DoubleKind:
				return protoreflect.ValueOfFloat64(real)
			case protoreflect.FloatKind:
				return protoreflect.ValueOfFloat32(float32(real))
			case protoreflect.EnumKind:
				return protoreflect.ValueOfEnum(protoreflect.EnumNumber(integer))
			}
			return v
		}
		switch {
		case f.Message() != nil && f.IsList():
			l := m.Mutable(f).List()
			for range 2 {
				fill(l.AppendMutable().Message(), integer, real, text, depth-1)
			}
		case f.Message() != nil:
			fill(m.Mutable(f).Message(), integer, real, text, depth-1)
		case f.IsList():
			l := m.Mutable(f).List()
			l.Append(one())
			l.Append(one())
		default:
			m.Set(f, one())
		}
	}
}

// Whatever bytes a call is sent, the service answers with a reason of its own
// and, unless it says that it is done, has changed nothing.
func FuzzCalls(f *testing.F) {
	all := calls()
	for i, m := range all {
		for _, b := range twisted(f, m) {
			f.Add(uint8(i), b)
		}
	}
	k := start(f, func(o *server.Options) { o.CallLimit = 20 * time.Second })
	_, err := k.books.AdoptBook(f.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: book(f), RequestId: id()})
	require.NoError(f, err)
	last := int64(0)
	recorded := func(t *testing.T) (n int) {
		require.NoError(t, k.store.View(t.Context(), func(tx commissary.Tx) error {
			changes, err := tx.Changes("main").List("", last, 0)
			n = len(changes)
			if n > 0 {
				last = changes[n-1].Seq
			}
			return err
		}))
		return n
	}
	f.Fuzz(func(t *testing.T, call uint8, sent []byte) {
		m := all[int(call)%len(all)]
		recorded(t)
		var got []byte
		err := k.conn.Invoke(t.Context(), pathOf(m), &sent, &got, grpc.ForceCodec(raw{}))
		switch status.Code(err) {
		case codes.Internal, codes.Unknown, codes.Unimplemented, codes.DeadlineExceeded:
			t.Fatalf("%s: %v", m.FullName(), err)
		case codes.OK:
		default:
			require.Zero(t, recorded(t), "%s was refused (%v) and changed something", m.FullName(), err)
		}
	})
}

// Every limit lets through what is just inside it and refuses what is just outside.
func TestLimitsOfSize(t *testing.T) {
	s := protect(t, server.Rate{PerSecond: 1e6, Burst: 1e6, Together: 100})
	conn := s.as(s.admit(commissary.Caller{Name: "desk", Kitchen: "main", Role: commissary.RolePlanner}))
	// A book so long is refused for what it says, one byte more before it is read.
	adopt := func(size int, options ...grpc.CallOption) error {
		req := &v1.AdoptBookRequest{Kitchen: main, RequestId: request}
		size -= proto.Size(req)
		for req.Source = make([]byte, size); proto.Size(req) > size+proto.Size(&v1.AdoptBookRequest{Kitchen: main, RequestId: request}); {
			req.Source = req.Source[1:]
		}
		_, err := v1.NewKitchenServiceClient(conn).AdoptBook(t.Context(), req, options...)
		return err
	}
	const most = 4 << 20
	for _, size := range []int{most - 1, most} {
		require.Equal(t, codes.InvalidArgument, status.Code(adopt(size)), size)
	}
	require.Equal(t, codes.ResourceExhausted, status.Code(adopt(most+1)))
	require.Equal(t, codes.ResourceExhausted, status.Code(adopt(16*most, grpc.UseCompressor(gzip.Name))), "small on the way, large inside")

	var lines []*v1.OrderLine
	for range 100_000 {
		lines = append(lines, line("ball", 1))
	}
	_, err := v1.NewOrderServiceClient(conn).SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: east, RequestId: id(), Lines: lines})
	_, _, faults := refused(t, err, codes.InvalidArgument, "FIELDS_INVALID")
	require.LessOrEqual(t, len(faults), 20)
	require.Less(t, proto.Size(status.Convert(err).Proto()), 4<<10+1)

	ask := func(ctx context.Context, conn *grpc.ClientConn) error {
		_, err := v1.NewNightServiceClient(conn).GetNight(ctx, &v1.GetNightRequest{Name: night})
		return err
	}
	with := func(bytes int) context.Context {
		return metadata.AppendToOutgoingContext(t.Context(), "x-note", strings.Repeat("n", bytes))
	}
	require.NoError(t, ask(with(7<<10), conn))
	require.Error(t, ask(with(8<<10), conn), "more than eight KiB of headers")
	require.Error(t, ask(t.Context(), s.as(strings.Repeat("t", 64<<10))), "a token of 64 KiB")
	require.NoError(t, ask(t.Context(), conn), "and it goes on")
}
