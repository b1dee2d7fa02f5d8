package server

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"doughrun/commissary"
)

// writing is one changing call inside its transaction.
type writing struct {
	commissary.Tx
	at       time.Time // when the transaction began, in whole seconds
	who      string
	call     string
	recorded bool
}

// record keeps what changed, in words. Every changing call records once at least.
func (w *writing) record(kitchen, subject, format string, args ...any) error {
	w.recorded = true
	return w.Changes(kitchen).Append(commissary.Change{At: w.at, Who: w.who, Call: w.call, Subject: subject, Detail: fmt.Sprintf(format, args...)})
}

// writeRequest is a request that changes something.
type writeRequest interface {
	proto.Message
	GetRequestId() string
}

// errDry takes back what a call with validate_only did.
var errDry = errors.New("only validated")

// update runs a changing call: f in a transaction, with the answer kept beside
// its effect. A resend returns the kept answer and changes nothing; the same
// request id with other content is refused. With validate_only the whole call
// runs and is taken back. f may run twice.
func update[A proto.Message](ctx context.Context, c *core, req writeRequest, f func(*writing) (A, error)) (A, error) {
	var none, answer A
	dry := false
	if r, ok := req.(interface{ GetValidateOnly() bool }); ok {
		dry = r.GetValidateOnly()
	}
	who, call := callerOf(ctx), methodOf(ctx)
	digest := digestOf(call, req)
	err := c.store.Update(ctx, func(tx commissary.Tx) error {
		kept, found, err := settled[A](tx, identityOf(ctx), req.GetRequestId(), digest)
		if err != nil || found {
			answer = kept
			return err
		}
		w := &writing{Tx: tx, at: c.instant(), who: who, call: call}
		if answer, err = f(w); err != nil {
			return err
		}
		if !w.recorded {
			return fmt.Errorf("%s changed something and did not record it", call)
		}
		if dry {
			return errDry
		}
		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(answer)
		if err != nil {
			return err
		}
		return tx.Replies(identityOf(ctx)).Put(commissary.Reply{RequestID: req.GetRequestId(), Call: call, Digest: digest, Answer: b, At: w.at})
	})
	if err != nil && !errors.Is(err, errDry) {
		return none, err
	}
	return answer, nil
}

// resent returns the kept answer to a call that first does work outside its
// transaction, so that a resend does not begin it.
func resent[A proto.Message](ctx context.Context, tx commissary.Tx, req writeRequest) (A, bool, error) {
	return settled[A](tx, identityOf(ctx), req.GetRequestId(), digestOf(methodOf(ctx), req))
}

func settled[A proto.Message](tx commissary.Tx, caller, id string, digest []byte) (A, bool, error) {
	var none A
	r, err := tx.Replies(caller).Get(id)
	switch {
	case err != nil && commissary.KindOf(err) == commissary.NotFound:
		return none, false, nil
	case err != nil:
		return none, false, err
	case !bytes.Equal(r.Digest, digest):
		e := commissary.Refuse(commissary.Invalid, "REQUEST_ID_REUSED",
			"the request id %s was used before for something else; send this with a fresh one", id)
		e.Meta = map[string]string{"request_id": id}
		e.Faults = []commissary.Fault{{Where: "request_id", Text: "it belongs to another request"}}
		return none, false, e
	}
	answer := none.ProtoReflect().New().Interface().(A)
	if err := proto.Unmarshal(r.Answer, answer); err != nil {
		return none, false, fmt.Errorf("the kept answer to request %s cannot be read: %w", id, err)
	}
	return answer, true, nil
}

// digestOf names a request to a call by its content, over bytes that no
// version of the message library changes.
func digestOf(call string, req proto.Message) []byte {
	b := appendBytes(nil, []byte(call))
	sum := sha256.Sum256(appendMessage(b, req.ProtoReflect()))
	return sum[:]
}

// appendMessage writes the fields that are set, by number: each its number and
// its value, a list as its length and its elements.
func appendMessage(b []byte, m protoreflect.Message) []byte {
	var set []protoreflect.FieldDescriptor
	m.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
		set = append(set, f)
		return true
	})
	slices.SortFunc(set, func(f, g protoreflect.FieldDescriptor) int { return int(f.Number()) - int(g.Number()) })
	for _, f := range set {
		b = binary.BigEndian.AppendUint64(b, uint64(f.Number()))
		if !f.IsList() {
			b = appendValue(b, f, m.Get(f))
			continue
		}
		l := m.Get(f).List()
		b = binary.BigEndian.AppendUint64(b, uint64(l.Len()))
		for i := range l.Len() {
			b = appendValue(b, f, l.Get(i))
		}
	}
	return appendBytes(b, m.GetUnknown())
}

func appendValue(b []byte, f protoreflect.FieldDescriptor, v protoreflect.Value) []byte {
	var n uint64
	switch x := v.Interface().(type) {
	case protoreflect.Message:
		return appendBytes(b, appendMessage(nil, x))
	case string:
		return appendBytes(b, []byte(x))
	case []byte:
		return appendBytes(b, x)
	case bool:
		if x {
			n = 1
		}
	case int32:
		n = uint64(x)
	case int64:
		n = uint64(x)
	case uint32:
		n = uint64(x)
	case uint64:
		n = x
	case float32:
		n = uint64(math.Float32bits(x))
	case float64:
		n = math.Float64bits(x)
	case protoreflect.EnumNumber:
		n = uint64(x)
	default: // a map: the contract has none in a request
		panic("server: no digest for field " + string(f.FullName()))
	}
	return binary.BigEndian.AppendUint64(b, n)
}

func appendBytes(b, part []byte) []byte {
	return append(binary.BigEndian.AppendUint64(b, uint64(len(part))), part...)
}
