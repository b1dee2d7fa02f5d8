package server_test

import (
	"context"
	"crypto/rand"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/server"
	"doughrun/commissary/store"
	v1 "doughrun/proto/doughrun/v1"
)

// kitchen is a real server over a real store, behind a pipe in memory.
type kitchen struct {
	service *server.Server
	t       testing.TB
	conn    *grpc.ClientConn
	clock   *clock
	store   commissary.Store
	log     *strings.Builder

	books      v1.KitchenServiceClient
	orders     v1.OrderServiceClient
	nights     v1.NightServiceClient
	plans      v1.PlanServiceClient
	batches    v1.BatchServiceClient
	lots       v1.LotServiceClient
	dispatches v1.DispatchServiceClient
	audit      v1.AuditServiceClient
}

type clock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *clock) Set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = t
}

// The night of most tests: a Thursday in winter, New York is five hours behind.
const (
	main  = "kitchens/main"
	night = main + "/nights/2026-11-26"
	east  = night + "/orders/east"
	west  = night + "/orders/west"
)

// evening is eight o'clock of that Thursday, before every cut-off.
func evening() time.Time { return at("2026-11-26T20:00:00-05:00") }

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		panic(err)
	}
	return t
}

func id() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // it never fails
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:])
}

// start returns a server that has no kitchen yet.
func start(t testing.TB, change ...func(*server.Options)) *kitchen {
	t.Helper()
	facts, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "facts.db"), store.Options{})
	require.NoError(t, err)
	k := &kitchen{t: t, clock: &clock{now: evening()}, store: facts, log: &strings.Builder{}}
	o := server.Options{Store: facts, Now: k.clock.Now, NewID: func() string { return "ref-1" },
		Log: slog.New(slog.NewTextHandler(&lockedWriter{w: k.log}, nil))}
	for _, f := range change {
		f(&o)
	}
	s, err := server.New(o)
	require.NoError(t, err)
	k.service = s
	pipe := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- s.Serve(pipe) }()
	k.conn, err = grpc.NewClient("passthrough:///kitchen", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }))
	require.NoError(t, err)
	t.Cleanup(func() {
		require.NoError(t, k.conn.Close())
		s.Stop(5 * time.Second)
		require.NoError(t, <-served)
		require.NoError(t, facts.Close())
	})
	k.books, k.orders, k.nights = v1.NewKitchenServiceClient(k.conn), v1.NewOrderServiceClient(k.conn), v1.NewNightServiceClient(k.conn)
	k.plans, k.batches, k.lots = v1.NewPlanServiceClient(k.conn), v1.NewBatchServiceClient(k.conn), v1.NewLotServiceClient(k.conn)
	k.dispatches, k.audit = v1.NewDispatchServiceClient(k.conn), v1.NewAuditServiceClient(k.conn)
	return k
}

type lockedWriter struct {
	mu sync.Mutex
	w  io.Writer
}

func (l *lockedWriter) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}

func book(t testing.TB) []byte {
	t.Helper()
	b, err := os.ReadFile("testdata/kitchen.yaml")
	require.NoError(t, err)
	return b
}

// open returns a server with the kitchen of testdata.
func open(t *testing.T, change ...func(*server.Options)) *kitchen {
	t.Helper()
	k := start(t, change...)
	_, err := k.books.AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: book(t), RequestId: id()})
	require.NoError(t, err, "%v", status.Convert(err).Details())
	return k
}

func line(item string, pieces int64) *v1.OrderLine {
	return &v1.OrderLine{ItemId: item, Pieces: pieces}
}

func (k *kitchen) submit(name, etag string, lines ...*v1.OrderLine) (*v1.Order, error) {
	r, err := k.orders.SubmitOrder(k.t.Context(), &v1.SubmitOrderRequest{Name: name, Etag: etag, Lines: lines, RequestId: id()})
	return r.GetOrder(), err
}

func (k *kitchen) close() {
	k.t.Helper()
	_, err := k.nights.CloseNight(k.t.Context(), &v1.CloseNightRequest{Name: night, RequestId: id()})
	require.NoError(k.t, err)
}

// refused requires a refusal and returns its parts.
func refused(t *testing.T, err error, code codes.Code, reason string) (*status.Status, *errdetails.ErrorInfo, []*errdetails.BadRequest_FieldViolation) {
	t.Helper()
	require.Error(t, err)
	s := status.Convert(err)
	require.Equal(t, code, s.Code(), s.Message())
	var info *errdetails.ErrorInfo
	var faults []*errdetails.BadRequest_FieldViolation
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			info = d
		case *errdetails.BadRequest:
			faults = d.GetFieldViolations()
		}
	}
	require.NotNil(t, info, s.Message())
	require.Equal(t, "doughrun", info.GetDomain())
	require.Equal(t, reason, info.GetReason(), s.Message())
	require.NotEmpty(t, s.Message())
	return s, info, faults
}

func same(t *testing.T, want, got proto.Message) {
	t.Helper()
	o := proto.MarshalOptions{Deterministic: true}
	w, err := o.Marshal(want)
	require.NoError(t, err)
	g, err := o.Marshal(got)
	require.NoError(t, err)
	require.Equal(t, w, g)
}

func stamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }

func reasonOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}
