package server

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"runtime/debug"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"buf.build/go/protovalidate"

	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

// Every call passes these, outermost first: times measures, logs sees the final status,
// answers turns refusals into statuses, recovers turns a panic of anything
// inside into an internal error, limits bounds the time, identifies says who
// calls, crowd turns calls away that are too many (whoever has not proved who
// they are takes nobody's place), admits asks the table whether they may, and validates holds the
// request against the contract.

// call is what the outer interceptors learn from the inner ones.
type call struct {
	who        string             // for the record of changes
	identity   string             // tells callers of all kitchens apart
	caller     *commissary.Caller // nil: without access control
	credential string             // its id
	reference  string             // of an internal error
	cause      error              // what the caller is not told
}

type callKey struct{}

func callOf(ctx context.Context) *call {
	c, ok := ctx.Value(callKey{}).(*call)
	if !ok {
		return &call{}
	}
	return c
}

// callerOf returns who is calling, for people to read.
func callerOf(ctx context.Context) string { return callOf(ctx).who }

// identityOf tells callers apart: names are one in a kitchen only.
func identityOf(ctx context.Context) string { return callOf(ctx).identity }

// methodOf returns the full name of the method called.
func methodOf(ctx context.Context) string {
	name, _ := grpc.Method(ctx)
	return name
}

func logs(log *slog.Logger) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		c := &call{}
		began := time.Now()
		resp, err := next(context.WithValue(ctx, callKey{}, c), req)
		level := slog.LevelInfo
		if c.reference != "" {
			level = slog.LevelError
		}
		if !log.Enabled(ctx, level) {
			return resp, err
		}
		attrs := []slog.Attr{
			slog.String("method", info.FullMethod),
			slog.String("caller", c.who),
			slog.String("code", status.Code(err).String()),
			slog.Duration("took", time.Since(began)),
		}
		if r, ok := req.(interface{ GetRequestId() string }); ok {
			attrs = append(attrs, slog.String("request_id", r.GetRequestId()))
		}
		if c.credential != "" {
			attrs = append(attrs, slog.String("kitchen", c.caller.Kitchen), slog.String("credential", c.credential))
		}
		if c.reference != "" {
			attrs = append(attrs, slog.String("reference", c.reference), slog.Any("cause", c.cause))
		}
		log.LogAttrs(ctx, level, "call", attrs...)
		return resp, err
	}
}

func limits(longest time.Duration) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		ctx, cancel := context.WithTimeout(ctx, longest)
		defer cancel()
		return next(ctx, req)
	}
}

// lenient reads requests. gRPC calls one that cannot be read an internal error,
// without a word to the log; here it passes the interceptors as an empty
// request with a mark on it, and validates refuses it.
type lenient struct{ encoding.CodecV2 }

// unreadable is the mark: a field of a number that no message may have.
var unreadable = protowire.AppendVarint(protowire.AppendTag(nil, 19_999, protowire.VarintType), 1)

func (l lenient) Unmarshal(data mem.BufferSlice, v any) error {
	err := l.CodecV2.Unmarshal(data, v)
	if m, ok := v.(proto.Message); ok && err != nil {
		proto.Reset(m)
		m.ProtoReflect().SetUnknown(unreadable)
		return nil
	}
	return err
}

func validates(rules protovalidate.Validator) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		m, ok := req.(proto.Message)
		if !ok {
			return nil, fmt.Errorf("%s takes a %T, which is no message", info.FullMethod, req)
		}
		if bytes.Equal(m.ProtoReflect().GetUnknown(), unreadable) {
			return nil, commissary.Refuse(commissary.Invalid, "MESSAGE_UNREADABLE", "the request cannot be read as a %s; send what the contract says, texts in UTF-8", m.ProtoReflect().Descriptor().Name())
		}
		if err := rules.Validate(m); err != nil {
			return nil, violated(err)
		}
		return next(ctx, req)
	}
}

// violated says which field rules of the contract a request breaks.
func violated(err error) error {
	var broken *protovalidate.ValidationError
	if !errors.As(err, &broken) {
		return err
	}
	e := commissary.Refuse(commissary.Invalid, "FIELDS_INVALID", "the request breaks the rules of its fields; correct the fields named here")
	for _, v := range broken.Violations {
		where := protovalidate.FieldPathString(v.Proto.GetField())
		if where == "" {
			where = "request"
		}
		e.Faults = append(e.Faults, commissary.Fault{Where: where, Text: v.Proto.GetMessage()})
	}
	return e
}

func recovers(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (resp any, err error) {
	defer func() {
		if p := recover(); p != nil {
			resp, err = nil, fmt.Errorf("panic: %v\n%s", p, debug.Stack())
		}
	}()
	return next(ctx, req)
}

// requests returns an empty message of every request of the contract, so that
// its rules are compiled before the first call.
func requests() []proto.Message {
	var all []proto.Message
	protoregistry.GlobalFiles.RangeFilesByPackage(v1.File_doughrun_v1_order_proto.Package(), func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			methods := f.Services().Get(i).Methods()
			for j := range methods.Len() {
				if t, err := protoregistry.GlobalTypes.FindMessageByName(methods.Get(j).Input().FullName()); err == nil {
					all = append(all, t.New().Interface())
				}
			}
		}
		return true
	})
	return all
}
