package storefront

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

// kitchen answers with what the script says, attempt by attempt; the last
// entry stands for all that follow.
type kitchen struct {
	v1.OrderServiceClient
	script []error
	ids    []string
	waited []string // as the headers say
}

func (k *kitchen) SubmitOrder(ctx context.Context, req *v1.SubmitOrderRequest, _ ...grpc.CallOption) (*v1.SubmitOrderResponse, error) {
	k.ids = append(k.ids, req.GetRequestId())
	sent, _ := metadata.FromOutgoingContext(ctx)
	k.waited = append(k.waited, sent["doughrun-waited"]...)
	if err := k.script[min(len(k.ids), len(k.script))-1]; err != nil {
		return nil, err
	}
	return &v1.SubmitOrderResponse{Order: &v1.Order{Name: req.GetName(), Lines: req.GetLines()}}, nil
}

func client(script ...error) (*Client, *kitchen, *[]time.Duration) {
	k := &kitchen{script: script}
	var waits []time.Duration
	return &Client{orders: k, within: attemptWithin, pause: func(ctx context.Context, d time.Duration) error {
		waits = append(waits, d)
		return ctx.Err()
	}}, k, &waits
}

func request() *v1.SubmitOrderRequest {
	return &v1.SubmitOrderRequest{Name: "kitchens/main/nights/2026-11-26/orders/north", Lines: []*v1.OrderLine{{ItemId: "ball", Pieces: 3}}}
}

func TestAnOrderIsSentUntilThereIsAnAnswer(t *testing.T) {
	away := status.Error(codes.Unavailable, "connection refused")
	c, k, waits := client(away, status.Error(codes.DeadlineExceeded, "slow"), away, away, away, away, away, away, away, nil)
	req := request()
	r, err := c.Submit(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, 10, r.Attempts)
	require.Equal(t, req.GetName(), r.Order.GetName())
	require.NoError(t, uuid.Validate(r.RequestID))
	for _, id := range k.ids {
		require.Equal(t, r.RequestID, id)
	}
	require.Empty(t, req.GetRequestId(), "the caller's request is not changed")
	bound := firstWait
	for i, w := range *waits {
		require.GreaterOrEqual(t, w, bound/2, "wait %d", i)
		require.Less(t, w, bound, "wait %d", i)
		bound = min(2*bound, longestWait)
	}
}

func TestItsOwnRequestIDIsKept(t *testing.T) {
	c, k, _ := client(nil)
	req := request()
	req.RequestId = "7b0d1f9e-6a0e-4c5a-9a41-2f3f8ad0a6ce"
	r, err := c.Submit(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, req.GetRequestId(), r.RequestID)
	require.Equal(t, []string{req.GetRequestId()}, k.ids)
}

func TestARefusalIsTheAnswer(t *testing.T) {
	for _, code := range []codes.Code{codes.InvalidArgument, codes.FailedPrecondition, codes.Aborted, codes.PermissionDenied, codes.Internal, codes.NotFound} {
		c, k, waits := client(status.Error(code, "no"))
		_, err := c.Submit(t.Context(), request())
		require.Equal(t, code, status.Code(err))
		require.Len(t, k.ids, 1)
		require.Empty(t, *waits)
	}
}

func TestGivingUpSaysHowToAskAgain(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	c, _, _ := client(status.Error(codes.Unavailable, "connection refused"))
	tries := 0
	c.pause = func(context.Context, time.Duration) error {
		if tries++; tries == 3 {
			cancel()
		}
		return ctx.Err()
	}
	r, err := c.Submit(ctx, request())
	require.Equal(t, codes.Unavailable, status.Code(err))
	require.ErrorContains(t, err, r.RequestID)
	require.ErrorContains(t, err, "connection refused")
	require.Equal(t, 3, r.Attempts)
}

func TestSleepEndsWithItsContext(t *testing.T) {
	require.NoError(t, sleep(t.Context(), time.Millisecond))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	began := time.Now()
	require.ErrorIs(t, sleep(ctx, time.Hour), context.Canceled)
	require.Less(t, time.Since(began), time.Minute)
}

// The kitchen learns how long an order lay in the outbox.
func TestTheOutboxSaysHowLongAnOrderLay(t *testing.T) {
	c, k, _ := client(nil)
	box := outbox.At(t.TempDir())
	kept := time.Date(2026, 11, 26, 22, 0, 0, 0, time.UTC)
	req := request()
	req.RequestId = uuid.NewString()
	_, err := box.Put(kept, req, false)
	require.NoError(t, err)
	sent, err := c.Send(t.Context(), box, func() time.Time { return kept.Add(90 * time.Minute) })
	require.NoError(t, err)
	require.Equal(t, outbox.Accepted, sent[0].State)
	require.Equal(t, []string{"5400"}, k.waited)
}
