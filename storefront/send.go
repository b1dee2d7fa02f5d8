package storefront

import (
	"context"
	"strconv"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

// Sent is what became of one draft in a round of sending.
type Sent struct {
	outbox.Entry
	Err      error // the kitchen's refusal, or why there is no answer
	Attempts int
}

// Send sends what waits in an outbox, the oldest first, and looks whether late
// drafts were admitted. It returns what became of each open draft. Once the
// kitchen cannot be reached within ctx the rest goes on waiting. Its error says
// that the outbox itself failed. now stamps what is kept.
func (c *Client) Send(ctx context.Context, box *outbox.Box, now func() time.Time) ([]Sent, error) {
	s, err := box.Status()
	if err != nil {
		return nil, err
	}
	var all []Sent
	stuck := map[string]bool{} // orders with an earlier draft that still waits
	away := false
	for _, e := range s.Entries {
		if !e.Open() {
			continue
		}
		sent := Sent{Entry: e}
		switch {
		case away || stuck[e.Request.GetName()]:
		case e.State == outbox.Late:
			sent, err = c.lookFor(ctx, box, now, e)
		default:
			sent, err = c.sendOne(ctx, box, now, s.Entries, e)
		}
		if err != nil {
			return all, err
		}
		if sent.State == outbox.Waiting {
			stuck[e.Request.GetName()] = true
		}
		away = away || again(sent.Err)
		all = append(all, sent)
		for i := range s.Entries {
			if s.Entries[i].ID == e.ID {
				s.Entries[i] = sent.Entry // what later drafts of the order build on
			}
		}
	}
	return all, nil
}

// waited is the header that tells the service how many seconds an order lay in
// an outbox, so that the kitchen learns of links that are down for long.
const waited = "doughrun-waited"

// sendOne settles the draft's etag, sends it and keeps the answer.
func (c *Client) sendOne(ctx context.Context, box *outbox.Box, now func() time.Time, all []outbox.Entry, e outbox.Entry) (Sent, error) {
	if !e.Sealed {
		etag, err := c.etagFor(ctx, all, e)
		if err != nil {
			return Sent{Entry: e, Err: err}, box.Note(now(), e.ID, reason(err))
		}
		if e, err = box.Seal(now(), e.ID, etag); err != nil {
			return Sent{}, err
		}
		if e.State != outbox.Waiting {
			return Sent{Entry: e}, nil // somebody else has sent it meanwhile
		}
	}
	r, refusal := c.Submit(metadata.AppendToOutgoingContext(ctx, waited, strconv.Itoa(int(now().Sub(e.Kept).Seconds()))), e.Request)
	sent := Sent{Err: refusal, Attempts: r.Attempts}
	var err error
	switch {
	case refusal == nil:
		sent.Entry, err = box.Accept(now(), e.ID, r.Order)
	case tooLate(refusal):
		sent.Entry, err = box.Settle(now(), e.ID, outbox.Late, reason(refusal))
	case decided(refusal):
		sent.Entry, err = box.Settle(now(), e.ID, outbox.Refused, reason(refusal))
	default:
		sent.Entry = e
		sent.Why = status.Convert(refusal).Message()
		err = box.Note(now(), e.ID, sent.Why)
	}
	return sent, err
}

// etagFor is the etag of a draft that was not sent yet: that of the draft it
// amends, or of the order in force.
func (c *Client) etagFor(ctx context.Context, all []outbox.Entry, e outbox.Entry) (string, error) {
	for _, before := range all {
		if before.ID == e.After && e.After != "" {
			if before.Order != nil {
				return before.Order.GetEtag(), nil
			}
			if !e.Newest {
				return before.Request.GetEtag(), nil // it was not taken, so what it meant to amend stands
			}
		}
	}
	if !e.Newest {
		return e.Request.GetEtag(), nil
	}
	o, err := c.order(ctx, e.Request.GetName())
	return o.GetEtag(), err
}

// order asks for the order in force; nil when there is none.
func (c *Client) order(ctx context.Context, name string) (*v1.Order, error) {
	ctx, cancel := context.WithTimeout(ctx, c.within)
	defer cancel()
	m, err := c.orders.GetOrder(ctx, &v1.GetOrderRequest{Name: name})
	if status.Code(err) == codes.NotFound {
		return nil, nil
	}
	return m.GetOrder(), err
}

// lookFor asks whether the kitchen has admitted a late draft's order.
func (c *Client) lookFor(ctx context.Context, box *outbox.Box, now func() time.Time, e outbox.Entry) (Sent, error) {
	o, err := c.order(ctx, e.Request.GetName())
	if err != nil || o.GetState() != v1.OrderState_ORDER_STATE_LATE || o.GetEtag() == e.Request.GetEtag() {
		return Sent{Entry: e, Err: err}, nil
	}
	kept, err := box.Accept(now(), e.ID, o)
	return Sent{Entry: kept}, err
}

// tooLate reports whether a refusal says that the order came after the close
// or after a line's cut-off.
func tooLate(err error) bool {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason() == "NIGHT_CLOSED" || info.GetReason() == "CUT_OFF_PASSED"
		}
	}
	return false
}

// decided reports whether the kitchen has said no, so that sending the same
// again would bring the same.
func decided(err error) bool {
	switch status.Code(err) {
	case codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.FailedPrecondition, codes.Aborted, codes.OutOfRange,
		codes.PermissionDenied:
		return true
	}
	return false
}
