package server

import (
	"context"
	"errors"
	"strconv"
	"unicode/utf8"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	"doughrun/commissary"
)

// domain is where the reasons of our errors are defined.
const domain = "doughrun"

// statusCodes is the one table from kinds of refusal to codes.
var statusCodes = map[commissary.Kind]codes.Code{
	commissary.Internal:     codes.Internal,
	commissary.Invalid:      codes.InvalidArgument,
	commissary.NotFound:     codes.NotFound,
	commissary.Conflict:     codes.Aborted,
	commissary.Precondition: codes.FailedPrecondition,
	commissary.Unproven:     codes.Unauthenticated,
	commissary.Denied:       codes.PermissionDenied,
	commissary.Unavailable:  codes.Unavailable,
	commissary.Exhausted:    codes.ResourceExhausted,
}

// An error travels in the headers that end a call. Where a proxy or a client
// takes at most 8 KiB of them, a larger one arrives as an internal error
// without a word of explanation.
const (
	maxFaults    = 20
	maxStatus    = 4 << 10 // bytes of the status as a message
	maxText      = 1 << 10
	maxFaultText = 300
)

// answers turns every error into a status. What nobody foresaw keeps its
// detail to the log and gets a reference to find it there.
func answers(newID func() string) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		resp, err := next(ctx, req)
		if err == nil {
			return resp, nil
		}
		var e *commissary.Error
		switch {
		case errors.As(err, &e) && e.Kind != commissary.Internal:
		case errors.Is(err, context.DeadlineExceeded):
			return nil, status.Error(codes.DeadlineExceeded, "the call took longer than it may; send it again with the same request id")
		case errors.Is(err, context.Canceled):
			return nil, status.Error(codes.Canceled, "the caller gave up")
		default:
			c := callOf(ctx)
			c.reference, c.cause = newID(), causes(err)
			e = commissary.Refuse(commissary.Internal, "INTERNAL", "something failed inside the service; ask its operator, with the reference %s", c.reference)
			e.Meta = map[string]string{"reference": c.reference}
		}
		return nil, statusOf(e).Err()
	}
}

// causes is err with what stands behind it, for the log.
func causes(err error) error {
	var e *commissary.Error
	if errors.As(err, &e) && e.Cause != nil {
		return errors.Join(err, e.Cause)
	}
	return err
}

// statusOf writes a refusal as a status that fits into the headers.
func statusOf(e *commissary.Error) *status.Status {
	text := cut(e.Text, maxText)
	info := &errdetails.ErrorInfo{Reason: e.Reason, Domain: domain, Metadata: map[string]string{}}
	for k, v := range e.Meta {
		info.Metadata[k] = cut(v, maxFaultText)
	}
	details := []protoadapt.MessageV1{info}
	if e.Retry > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(e.Retry)})
	}
	faults := &errdetails.BadRequest{}
	s, err := status.New(statusCodes[e.Kind], text).WithDetails(details...)
	if err != nil || proto.Size(s.Proto()) > maxStatus {
		return status.New(statusCodes[e.Kind], text)
	}
	for i, f := range e.Faults {
		faults.FieldViolations = append(faults.FieldViolations,
			&errdetails.BadRequest_FieldViolation{Field: cut(f.Where, maxFaultText), Description: cut(f.Text, maxFaultText)})
		left := len(e.Faults) - i - 1
		if left > 0 {
			info.Metadata["faults_left_out"] = strconv.Itoa(left)
		} else {
			delete(info.Metadata, "faults_left_out")
		}
		longer, err := status.New(statusCodes[e.Kind], text).WithDetails(append(details[:len(details):len(details)], faults)...)
		if err != nil || proto.Size(longer.Proto()) > maxStatus || i >= maxFaults {
			break
		}
		s = longer
	}
	return s
}

// cut shortens a text to at most n bytes of whole characters.
func cut(s string, n int) string {
	if len(s) <= n {
		return s
	}
	const more = "…"
	n -= len(more)
	for n > 0 && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n] + more
}
