// Package storefront is the shop's side of the contract: it brings an order to
// the kitchen and does not rest until there is an answer.
package storefront

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// Between two attempts the wait doubles, from first to longest; a random part
// of it keeps shops that lost the kitchen together from coming back together.
const (
	firstWait   = 100 * time.Millisecond
	longestWait = 5 * time.Second
)

// attemptWithin is the longest that one attempt waits for an answer.
const attemptWithin = 10 * time.Second

// Client submits orders of shops and brings their counts and drivers' errands to the kitchen.
// It may be shared.
type Client struct {
	orders v1.OrderServiceClient
	road   v1.DispatchServiceClient
	within time.Duration // longest that one attempt waits
	// pause waits, or returns the context's error when that ends first.
	pause func(ctx context.Context, d time.Duration) error
}

// New returns a Client over a connection, which stays the caller's.
func New(conn grpc.ClientConnInterface) *Client {
	return &Client{orders: v1.NewOrderServiceClient(conn), road: v1.NewDispatchServiceClient(conn), within: attemptWithin, pause: sleep}
}

// Receipt is the kitchen's answer to an order.
type Receipt struct {
	Order     *v1.Order
	RequestID string // sent again, it brings the same answer
	Attempts  int    // how often the order was sent
}

// Submit sends an order until the kitchen answers or ctx ends. Every attempt
// carries the same request id, the request's own or a fresh one, so that an
// order whose answer was lost is not taken twice. Its error is the kitchen's
// refusal as a status. When ctx ends it is UNAVAILABLE: it is not known whether
// the order was taken, and sending it again with the receipt's request id
// settles that. The request is not changed.
func (c *Client) Submit(ctx context.Context, req *v1.SubmitOrderRequest) (Receipt, error) {
	req = proto.CloneOf(req)
	if req.GetRequestId() == "" {
		req.RequestId = uuid.NewString()
	}
	r := Receipt{RequestID: req.GetRequestId()}
	for wait := firstWait; ; wait = min(2*wait, longestWait) {
		r.Attempts++
		resp, err := c.attempt(ctx, req)
		if err == nil {
			r.Order = resp.GetOrder()
			return r, nil
		}
		if !again(err) && ctx.Err() == nil {
			return r, err
		}
		if c.pause(ctx, wait/2+rand.N(wait/2)) != nil {
			return r, status.Error(codes.Unavailable, fmt.Sprintf("no answer after %d attempts (%s); it is not known whether the order was taken: send it again with request id %s",
				r.Attempts, reason(err), r.RequestID))
		}
	}
}

func (c *Client) attempt(ctx context.Context, req *v1.SubmitOrderRequest) (*v1.SubmitOrderResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, c.within)
	defer cancel()
	return c.orders.SubmitOrder(ctx, req)
}

// again reports whether an attempt ended without the kitchen's decision.
func again(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded:
		return true
	}
	return false
}

// reason is what a person reads of a failed attempt, with each line that the
// kitchen names on a line of its own. What the kitchen says has details; the
// rest is about the link.
func reason(err error) string {
	s := status.Convert(err)
	switch {
	case !again(err) || len(s.Details()) > 0:
		text := s.Message()
		for _, d := range s.Details() {
			if bad, ok := d.(*errdetails.BadRequest); ok {
				for _, v := range bad.GetFieldViolations() {
					text += "\n" + v.GetDescription()
				}
			}
		}
		return text
	case s.Code() == codes.DeadlineExceeded:
		return "the kitchen did not answer in time"
	}
	m := s.Message()
	return "no link to the kitchen: " + strings.Trim(m[strings.LastIndex(m, ": ")+1:], " \"")
}

func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return ctx.Err()
	case <-ctx.Done():
		return ctx.Err()
	}
}
