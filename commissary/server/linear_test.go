package server_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
)

// deed is what a client did to one shop's order of one night.
type deed struct {
	kind string // read, submit, cancel, close
	etag int
}

// outcome is what it was told.
type outcome struct {
	reason    string // empty: done
	revision  int
	cancelled bool
}

// register is the order and its night as one thing.
type register struct {
	revision          int
	cancelled, closed bool
}

// gate is how an order and its night behave one call after the other.
var gate = porcupine.Model{
	Init: func() any { return register{} },
	Step: func(state, input, output any) (bool, any) {
		r, d, o := state.(register), input.(deed), output.(outcome)
		switch d.kind {
		case "read":
			return o.revision == r.revision && o.cancelled == r.cancelled, r
		case "close":
			if r.closed {
				return o.reason == "NIGHT_CLOSED", r
			}
			r.closed = true
			return o.reason == "", r
		}
		switch {
		case d.kind == "cancel" && r.revision == 0:
			return o.reason == "ORDER_NOT_FOUND", r
		case r.closed:
			return o.reason == "NIGHT_CLOSED", r
		case d.etag != r.revision:
			return o.reason == "ETAG_STALE" || o.reason == "ETAG_MISSING", r
		case d.kind == "cancel" && r.cancelled:
			return o.reason == "ORDER_CANCELLED", r
		}
		r.revision++
		r.cancelled = d.kind == "cancel"
		return o.reason == "" && o.revision == r.revision, r
	},
	DescribeOperation: func(input, output any) string { return fmt.Sprint(input, " → ", output) },
}

// Amending, cancelling and closing at the same time are as if one came after
// the other, for every shop and night.
func TestOrdersAreLinearizable(t *testing.T) {
	histories := 100
	switch {
	case os.Getenv("CASES") == "full":
		histories = 1000
	case testing.Short(): // under the race detector
		histories = 40
	}
	k := open(t)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	done := map[string]int{}
	for h := range histories {
		evening := evening().AddDate(0, 0, h)
		k.clock.Set(evening)
		night := main + "/nights/" + evening.Format(time.DateOnly)
		history := concurrently(t, []*kitchen{k}, night, rand.New(rand.NewPCG(seed, uint64(h))))
		for _, o := range history {
			done[o.Input.(deed).kind+" "+o.Output.(outcome).reason]++
		}
		require.Equal(t, porcupine.Ok, porcupine.CheckOperationsTimeout(gate, history, time.Minute), "seed %d, history %d: %v", seed, h, history)

		// A checker that cannot fail proves nothing: one revision too many is found.
		for i, o := range history {
			if out := o.Output.(outcome); o.Input.(deed).kind == "submit" && out.reason == "" {
				out.revision++
				history[i].Output = out
				require.Equal(t, porcupine.Illegal, porcupine.CheckOperationsTimeout(gate, history, time.Minute), "history %d", h)
				break
			}
		}
	}
	t.Log(done)
	for _, kind := range []string{"submit ", "submit NIGHT_CLOSED", "submit ETAG_STALE", "cancel ", "close ", "read "} {
		require.Positive(t, done[kind], "%s never happened", kind)
	}
}

// concurrently lets five clients of the services work on one order and one of them close the night.
func concurrently(t *testing.T, all []*kitchen, night string, r *rand.Rand) []porcupine.Operation {
	name := night + "/orders/east"
	began := time.Now()
	var mu sync.Mutex
	var history []porcupine.Operation
	var g sync.WaitGroup
	start := make(chan struct{})
	for client := range 5 {
		kinds := make([]string, 5)
		for i := range kinds {
			kinds[i] = []string{"submit", "submit", "submit", "cancel", "read"}[r.IntN(5)]
		}
		if client == 0 {
			kinds[1+r.IntN(4)] = "close"
		}
		g.Go(func() {
			<-start
			known := 0
			for i, kind := range kinds {
				d := deed{kind: kind, etag: known}
				if kind == "cancel" {
					d.etag = max(known, 1) // there is no other way to say it
				}
				call := time.Since(began)
				o, err := all[client%len(all)].perform(t, night, name, d, int64(100*client+i+1))
				back := time.Since(began)
				if err != nil {
					t.Error(err)
					return
				}
				switch {
				case o.reason == "" && kind != "close":
					known = o.revision
				case o.reason == "ETAG_STALE" || o.reason == "ETAG_MISSING":
					known++ // a guess, sometimes right
				}
				mu.Lock()
				history = append(history, porcupine.Operation{ClientId: client, Input: d, Call: int64(call), Output: o, Return: int64(back)})
				mu.Unlock()
			}
		})
	}
	close(start)
	g.Wait()
	return history
}

// perform carries out a deed. Its error is one that no client should see.
func (k *kitchen) perform(t *testing.T, night, name string, d deed, pieces int64) (outcome, error) {
	var order *v1.Order
	var err error
	switch d.kind {
	case "read":
		var m *v1.GetOrderResponse
		m, err = k.orders.GetOrder(t.Context(), &v1.GetOrderRequest{Name: name})
		if status.Code(err) == codes.NotFound {
			return outcome{}, nil
		}
		order = m.GetOrder()
	case "submit":
		etag := ""
		if d.etag > 0 {
			etag = strconv.Itoa(d.etag)
		}
		order, err = k.submit(name, etag, line("ball", pieces))
	case "cancel":
		var m *v1.CancelOrderResponse
		m, err = k.orders.CancelOrder(t.Context(), &v1.CancelOrderRequest{Name: name, Etag: strconv.Itoa(d.etag), RequestId: id()})
		order = m.GetOrder()
	case "close":
		_, err = k.nights.CloseNight(t.Context(), &v1.CloseNightRequest{Name: night, RequestId: id()})
	}
	if err != nil {
		if reason := reasonOf(err); reason != "" && status.Code(err) != codes.Internal {
			return outcome{reason: reason}, nil
		}
		return outcome{}, err
	}
	return outcome{revision: int(order.GetRevision()), cancelled: order.GetState() == v1.OrderState_ORDER_STATE_CANCELLED}, nil
}
