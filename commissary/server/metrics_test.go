package server_test

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/server"
	"doughrun/commissary/store"
	v1 "doughrun/proto/doughrun/v1"
)

// watched is a service on real addresses, with its admin address.
type watched struct {
	*server.Server
	conn  *grpc.ClientConn
	admin string
}

func watch(t *testing.T, o server.Options) *watched {
	srv, err := server.New(o)
	require.NoError(t, err)
	var addresses [2]string
	for i, serve := range []func(net.Listener) error{srv.Serve, srv.ServeAdmin} {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		require.NoError(t, err)
		addresses[i] = l.Addr().String()
		served := make(chan error, 1)
		go func() { served <- serve(l) }()
		t.Cleanup(func() { srv.Stop(0); require.NoError(t, <-served) })
	}
	w := &watched{Server: srv, admin: addresses[1]}
	w.conn, err = grpc.NewClient(addresses[0], grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	t.Cleanup(func() { w.conn.Close() })
	return w
}

func (w *watched) metrics(t *testing.T) string {
	r, err := http.Get("http://" + w.admin + "/metrics")
	require.NoError(t, err)
	defer r.Body.Close()
	b, err := io.ReadAll(r.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, r.StatusCode)
	return string(b)
}

// What a kitchen would be woken for is on the admin address, and nothing that a
// caller has sent.
func TestMetrics(t *testing.T) {
	k := open(t)
	w := watch(t, server.Options{Store: k.store, Now: k.clock.Now, NewID: func() string { return "ref-1" }})
	shows := func(lines ...string) {
		t.Helper()
		text := w.metrics(t)
		for _, l := range lines {
			require.Contains(t, text, l+"\n")
		}
	}
	shows(`doughrun_orders_waiting{kitchen="main"} 0`, `doughrun_store_answers 1`)
	orders := v1.NewOrderServiceClient(w.conn)
	submit := func(name string, pieces int64) error {
		ctx := metadata.AppendToOutgoingContext(t.Context(), "doughrun-waited", "90", "doughrun-waited", "for ever")
		_, err := orders.SubmitOrder(ctx, &v1.SubmitOrderRequest{Name: name, Lines: []*v1.OrderLine{line("ball", pieces)}, RequestId: id()})
		return err
	}
	require.NoError(t, submit(east, 8))
	require.NoError(t, submit(west, 99_992)) // more than any kitchen can make
	refused(t, submit(east, 8), codes.Aborted, "ETAG_MISSING")
	shows(`doughrun_orders_waiting{kitchen="main"} 2`, `doughrun_outbox_seconds_bucket{le="60"} 0`, `doughrun_outbox_seconds_bucket{le="300"} 2`, `doughrun_outbox_seconds_count 2`,
		`doughrun_call_seconds_count{code="OK",method="OrderService/SubmitOrder"} 2`, `doughrun_call_seconds_count{code="Aborted",method="OrderService/SubmitOrder"} 1`)
	k.clock.Set(at("2026-11-27T02:10:00-05:00"))
	shows(`doughrun_nights_not_closed{kitchen="main"} 1`)
	k.close()
	shows(`doughrun_nights_not_closed{kitchen="main"} 0`, `doughrun_nights_not_planned{kitchen="main"} 1`, `doughrun_plans_with_exceptions{kitchen="main"} 0`)
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	shows(`doughrun_orders_waiting{kitchen="main"} 0`, `doughrun_nights_not_planned{kitchen="main"} 0`, `doughrun_plans_with_exceptions{kitchen="main"} 1`)
	text := w.metrics(t)
	require.Regexp(t, regexp.MustCompile(`doughrun_store_seconds_count\{kind="update"\} [1-9]`), text)
	require.NotContains(t, text, "east")

	conn, err := grpc.NewClient(w.admin, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer conn.Close()
	health, err := grpc_health_v1.NewHealthClient(conn).Check(t.Context(), &grpc_health_v1.HealthCheckRequest{Service: "doughrun.v1.OrderService"})
	require.NoError(t, err)
	require.Equal(t, grpc_health_v1.HealthCheckResponse_SERVING, health.GetStatus())
	r, err := http.Get("http://" + w.admin + "/")
	require.NoError(t, err)
	require.NoError(t, r.Body.Close())
	require.Equal(t, http.StatusNotFound, r.StatusCode)
}

// A database that answers no more shows as such, and not as a kitchen at rest.
func TestMetricsOfADeadDatabase(t *testing.T) {
	facts, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "facts.db"), store.Options{})
	require.NoError(t, err)
	w := watch(t, server.Options{Store: facts, Now: time.Now, NewID: func() string { return "ref-1" }})
	require.NoError(t, facts.Close())
	text := w.metrics(t)
	require.Contains(t, text, "doughrun_store_answers 0\n")
	require.NotContains(t, text, "doughrun_orders_waiting{")
}

// slow is a store whose next transactions wait.
type slow struct {
	commissary.Store
	began chan struct{}
	wait  chan struct{}
}

func (s slow) View(ctx context.Context, f func(commissary.Tx) error) error {
	s.began <- struct{}{}
	select {
	case <-s.wait:
	case <-ctx.Done():
		return errors.Join(ctx.Err(), commissary.Refuse(commissary.Unavailable, "CALL_ENDED", "cut off"))
	}
	return s.Store.View(ctx, f)
}

// Asked to stop, the service lets the running calls end, takes no new ones, and
// does not wait for ever.
func TestStopDrains(t *testing.T) {
	for name, patient := range map[string]bool{"calls end in time": true, "calls are cut off": false} {
		t.Run(name, func(t *testing.T) {
			k := open(t)
			s := slow{k.store, make(chan struct{}), make(chan struct{})}
			w := watch(t, server.Options{Store: s, Now: k.clock.Now, NewID: func() string { return "ref-1" }})
			answered := make(chan error, 1)
			go func() {
				_, err := v1.NewKitchenServiceClient(w.conn).GetBook(t.Context(), &v1.GetBookRequest{Name: main + "/books/newest"})
				answered <- err
			}()
			<-s.began
			stopped := make(chan struct{})
			limit := time.Minute
			if !patient {
				limit = time.Millisecond
			}
			go func() { w.Stop(limit); close(stopped) }()
			if patient {
				// New calls are turned away while the old one goes on.
				require.Eventually(t, func() bool {
					c, err := net.Dial("tcp", strings.TrimPrefix(w.conn.Target(), "dns:///"))
					if err == nil {
						c.Close()
					}
					return err != nil
				}, 20*time.Second, time.Millisecond)
				close(s.wait)
				require.NoError(t, <-answered)
			} else {
				require.Equal(t, codes.Unavailable, status.Code(<-answered))
			}
			<-stopped
		})
	}
}
