package server

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

func answer(t *testing.T, err error) (*status.Status, *call) {
	t.Helper()
	c := &call{}
	ctx := context.WithValue(t.Context(), callKey{}, c)
	_, err = answers(func() string { return "ref-1" })(ctx, nil, nil, func(context.Context, any) (any, error) { return nil, err })
	return status.Convert(err), c
}

func TestEveryKindHasACode(t *testing.T) {
	seen := map[codes.Code]commissary.Kind{}
	for _, kind := range commissary.Kinds() {
		code, ok := statusCodes[kind]
		require.True(t, ok, "kind %d", kind)
		require.NotContains(t, seen, code)
		seen[code] = kind
		s, _ := answer(t, commissary.Refuse(kind, "SOME_REASON", "a sentence"))
		require.Equal(t, code, s.Code())
		info, ok := s.Details()[0].(*errdetails.ErrorInfo)
		require.True(t, ok)
		require.Equal(t, domain, info.GetDomain())
		if kind != commissary.Internal {
			require.Equal(t, "SOME_REASON", info.GetReason())
			require.Equal(t, "a sentence", s.Message())
		}
	}
	require.Len(t, statusCodes, len(commissary.Kinds()))
}

func TestWhatNobodyForesawStaysInside(t *testing.T) {
	behind := commissary.Refuse(commissary.Internal, "STORE_FAILED", "secret sentence")
	behind.Cause = errors.New("disk I/O error on /secret/path")
	for _, err := range []error{errors.New("secret"), fmt.Errorf("around: %w", behind)} {
		s, c := answer(t, err)
		require.Equal(t, codes.Internal, s.Code())
		require.NotContains(t, s.String(), "secret")
		require.Contains(t, s.Message(), "ref-1")
		require.Equal(t, "ref-1", c.reference)
		require.ErrorContains(t, c.cause, "secret")
	}
	_, c := answer(t, behind)
	require.ErrorContains(t, c.cause, "disk I/O error")

	s, _ := answer(t, fmt.Errorf("reading: %w", context.DeadlineExceeded))
	require.Equal(t, codes.DeadlineExceeded, s.Code())
	s, _ = answer(t, context.Canceled)
	require.Equal(t, codes.Canceled, s.Code())
}

func TestErrorsFitIntoTheHeaders(t *testing.T) {
	long := strings.Repeat("ä ", 5000)
	for _, tc := range []struct {
		faults int
		text   string
		kept   int // at least
	}{{0, "short", 0}, {1, "short", 1}, {20, "short", 20}, {500, "short", 20}, {20, long, 5}} {
		e := commissary.Refuse(commissary.Invalid, "ORDER_INVALID", "%s", long)
		e.Meta = map[string]string{"value": long}
		for i := range tc.faults {
			e.Faults = append(e.Faults, commissary.Fault{Where: fmt.Sprintf("lines[%d]", i), Text: tc.text})
		}
		s := statusOf(e)
		require.LessOrEqual(t, proto.Size(s.Proto()), maxStatus)
		shown := 0
		for _, d := range s.Details() {
			if b, ok := d.(*errdetails.BadRequest); ok {
				shown = len(b.GetFieldViolations())
				require.Equal(t, "lines[0]", b.GetFieldViolations()[0].GetField())
			}
		}
		require.GreaterOrEqual(t, shown, tc.kept)
		require.LessOrEqual(t, shown, maxFaults)
		left := s.Details()[0].(*errdetails.ErrorInfo).GetMetadata()["faults_left_out"]
		if shown < tc.faults {
			require.Equal(t, fmt.Sprint(tc.faults-shown), left)
		} else {
			require.Empty(t, left)
		}
	}
	require.Equal(t, "äää…", cut("ääääää", 10))
}

func TestPanicsAreRecovered(t *testing.T) {
	_, err := recovers(t.Context(), nil, nil, func(context.Context, any) (any, error) { panic("dropped") })
	require.ErrorContains(t, err, "dropped")
	s, _ := answer(t, err)
	require.Equal(t, codes.Internal, s.Code())
	require.NotContains(t, s.Message(), "dropped")
}

func TestDigestTellsRequestsApart(t *testing.T) {
	base := func() *v1.SubmitOrderRequest {
		return &v1.SubmitOrderRequest{Name: "a", Lines: []*v1.OrderLine{{ItemId: "x", Pieces: 1}, {ItemId: "y", Pieces: 2}}, RequestId: "r"}
	}
	want := digestOf("/call", base())
	require.Equal(t, want, digestOf("/call", base()))
	seen := map[string]int{string(want): -1}
	for i, change := range []func(*v1.SubmitOrderRequest){
		func(r *v1.SubmitOrderRequest) { r.Name = "b" },
		func(r *v1.SubmitOrderRequest) { r.Lines[0].Pieces = 2 },
		func(r *v1.SubmitOrderRequest) { r.Lines[0], r.Lines[1] = r.Lines[1], r.Lines[0] },
		func(r *v1.SubmitOrderRequest) { r.Lines = r.Lines[:1] },
		func(r *v1.SubmitOrderRequest) { r.Lines[1].ItemId, r.Lines[1].BakeDate = "", "y" },
		func(r *v1.SubmitOrderRequest) { r.Closed = true },
		func(r *v1.SubmitOrderRequest) { r.ValidateOnly = true },
		func(r *v1.SubmitOrderRequest) {
			r.ProtoReflect().SetUnknown(protoreflect.RawFields{0xf8, 0x07, 0x01})
		},
	} {
		r := base()
		change(r)
		d := string(digestOf("/call", r))
		require.NotContains(t, seen, d, "change %d", i)
		seen[d] = i
	}
	require.NotContains(t, seen, string(digestOf("/other", base())))
	// No request holds a map, the one sort of field without a digest.
	seenTypes := map[protoreflect.FullName]bool{}
	for _, r := range requests() {
		noMaps(t, r.ProtoReflect().Descriptor(), seenTypes)
	}
	require.Greater(t, len(seenTypes), len(requests()))
}

func noMaps(t *testing.T, m protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) {
	if seen[m.FullName()] {
		return
	}
	seen[m.FullName()] = true
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		require.False(t, f.IsMap(), f.FullName())
		if f.Message() != nil {
			noMaps(t, f.Message(), seen)
		}
	}
}

func TestPostTakesWhatBelongsTogether(t *testing.T) {
	at := time.Unix(1_795_000_000, 0).UTC()
	batch := func(id string, hours int, uses ...string) commissary.Batch {
		b := commissary.Batch{ID: id, State: commissary.BatchPlanned, Steps: []commissary.Booking{{Step: commissary.StepMix, From: at.Add(time.Duration(hours) * time.Hour)}}}
		for _, u := range uses {
			b.Uses = append(b.Uses, commissary.Use{Batch: u, Mass: quantity.Gram})
		}
		return b
	}
	p := commissary.Plan{Night: civil.Date{Year: 2026, Month: 11, Day: 26}, At: at, Batches: []commissary.Batch{
		batch("1", 2),            // begins today
		batch("2", 20),           // a poolish stirred tonight
		batch("3", 34, "2", "6"), // its dough goes with it
		batch("4", 24),           // tomorrow is planned tomorrow
		batch("5", 40, "earlier"),
		batch("6", 25), // goes with the dough that takes it
	}}
	var posted []string
	for _, b := range post(p) {
		if b.State == commissary.BatchPosted {
			posted = append(posted, b.ID)
		}
	}
	require.Equal(t, []string{"1", "2", "3", "6"}, posted)
	require.Equal(t, commissary.BatchPlanned, p.Batches[0].State, "the draft stays as it is")
}
