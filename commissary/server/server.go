// Package server answers the calls of the contract. A handler is one use case:
// it loads what it needs, calls the pure rooms, saves, and answers. What all
// calls have in common stands around them once: who calls, field rules, the
// error table, resends and the record of changes.
package server

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"go.opentelemetry.io/contrib/instrumentation/google.golang.org/grpc/otelgrpc"
	"go.opentelemetry.io/otel/propagation"
	"go.opentelemetry.io/otel/trace"
	"go.opentelemetry.io/otel/trace/noop"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/encoding"
	protocodec "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"

	"buf.build/go/protovalidate"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// Limits of the service. What one message holds is bounded by the contract's
// field rules well below them.
const (
	maxMessage = 4 << 20 // bytes of a request
	// A recall of an ingredient that went everywhere for weeks is long. Clients
	// that ask for one must take as much.
	maxAnswer  = 64 << 20
	maxHeaders = 8 << 10
	maxStreams = 100 // calls at once on one connection
	// Goroutines that stay, for a call's stack grows deep and growing one costs
	// more than a small call. Where all are busy, a call gets one of its own.
	maxWorkers     = 64
	connectWithin  = 10 * time.Second
	idleConnection = 30 * time.Minute
	pingAfter      = 2 * time.Minute // of silence on a connection
	pingWithin     = 20 * time.Second
	pingAtMost     = 10 * time.Second // a client that pings more often is sent away
)

// Options are what a Server is made of.
type Options struct {
	Store commissary.Store
	// Now is the clock. It is read once a transaction.
	Now func() time.Time
	// NewID makes ids that nobody can guess, for references to internal errors.
	NewID func() string
	// CallLimit is the longest that one call may take; 0 means a minute. A
	// client's own deadline counts where it is shorter.
	CallLimit time.Duration
	// TLS protects the service: callers must prove who they are, by a token or
	// by a client's certificate that TLS verifies, and may do what their role
	// may. nil leaves everything to everybody who reaches it, which must be
	// this machine alone.
	TLS *tls.Config
	// Rate bounds each caller where TLS is set; the zero Rate is the usual one.
	Rate Rate
	// Log takes one line a call; nil for none.
	Log *slog.Logger
	// Traces takes a span of every call, of its transactions and of its plans;
	// nil for nobody. No span holds a secret or what a caller sent.
	Traces trace.TracerProvider
	// Released is told, once the facts are on the disk, that a night's papers
	// have changed: a plan or a dispatch was released, or picked again. It must
	// not wait for anything. Nil for nobody.
	Released func(kitchen string, night civil.Date)
}

// Server is the service on a gRPC server of its own. Reflection and health are
// on it as long as it is not protected; then they are on the admin listener only.
type Server struct {
	core   *core
	grpc   *grpc.Server
	admin  *grpc.Server // of the watch
	watch  *http.Server
	health *health.Server
}

// New returns a Server that is not yet listening.
func New(o Options) (*Server, error) {
	if o.Store == nil || o.Now == nil || o.NewID == nil {
		return nil, errors.New("the server needs a store, a clock and a source of ids")
	}
	if o.CallLimit == 0 {
		o.CallLimit = time.Minute
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	rules, err := protovalidate.New(protovalidate.WithMessages(requests()...))
	if err != nil {
		return nil, err
	}
	if o.Released == nil {
		o.Released = func(string, civil.Date) {}
	}
	traced := o.Traces
	if traced == nil {
		traced = noop.NewTracerProvider()
	}
	c := &core{now: o.Now, log: o.Log, books: newShelf(), memory: newMemory(), released: o.Released, tracer: traced.Tracer("doughrun")}
	measures := newMetrics(c)
	c.store = timed{o.Store, measures, c.tracer}
	identifies := identifiesLocal
	options := []grpc.ServerOption{
		grpc.ForceServerCodecV2(lenient{encoding.GetCodecV2(protocodec.Name)}),
		grpc.MaxRecvMsgSize(maxMessage),
		grpc.MaxSendMsgSize(maxAnswer),
		grpc.MaxHeaderListSize(maxHeaders),
		grpc.MaxConcurrentStreams(maxStreams),
		grpc.NumStreamWorkers(maxWorkers),
		grpc.ConnectionTimeout(connectWithin),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: idleConnection, Time: pingAfter, Timeout: pingWithin}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: pingAtMost, PermitWithoutStream: true}),
	}
	if o.Traces != nil {
		// Callers do not decide what is traced.
		options = append(options, grpc.StatsHandler(otelgrpc.NewServerHandler(otelgrpc.WithTracerProvider(o.Traces),
			otelgrpc.WithPropagators(propagation.TraceContext{}), otelgrpc.WithPublicEndpoint())))
	}
	if o.TLS != nil {
		identifies = newDoor(c, o.Rate).identifies
		options = append(options, grpc.Creds(credentials.NewTLS(o.TLS)), grpc.StreamInterceptor(refusesStreams))
	}
	options = append(options, grpc.ChainUnaryInterceptor(measures.times, logs(o.Log), answers(o.NewID), recovers, limits(o.CallLimit), identifies, crowd(mostTogether), c.admits, validates(rules)))
	s := &Server{core: c, grpc: grpc.NewServer(options...), admin: grpc.NewServer(), health: health.NewServer()}
	s.watch = measures.watch(s.admin)
	c.register(s.grpc)
	for name := range s.grpc.GetServiceInfo() {
		s.health.SetServingStatus(name, healthv1.HealthCheckResponse_SERVING)
	}
	if o.TLS == nil {
		healthv1.RegisterHealthServer(s.grpc, s.health)
		reflection.Register(s.grpc)
	}
	healthv1.RegisterHealthServer(s.admin, s.health)
	reflectionv1.RegisterServerReflectionServer(s.admin, reflection.NewServerV1(reflection.ServerOptions{Services: s.grpc}))
	return s, nil
}

// register enters the services.
func (c *core) register(to grpc.ServiceRegistrar) {
	v1.RegisterKitchenServiceServer(to, kitchens{core: c})
	v1.RegisterOrderServiceServer(to, orders{core: c})
	v1.RegisterNightServiceServer(to, nights{core: c})
	v1.RegisterPlanServiceServer(to, plans{core: c})
	v1.RegisterBatchServiceServer(to, batches{core: c})
	v1.RegisterLotServiceServer(to, lots{core: c})
	v1.RegisterDispatchServiceServer(to, dispatches{core: c})
	v1.RegisterAuditServiceServer(to, audits{core: c})
}

// Serve answers calls on l until Stop, and closes it. It returns nil after Stop.
func (s *Server) Serve(l net.Listener) error { return s.grpc.Serve(l) }

// ServeAdmin answers on l what watches the service asks: health and, for
// generic clients, the contract by reflection; metrics over HTTP under /metrics.
// Nobody proves who they are, so l must be on this machine alone. It returns
// nil after Stop.
func (s *Server) ServeAdmin(l net.Listener) error {
	if err := s.watch.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}

// Stop turns new calls away, lets the running ones end, and cuts off those
// that are not done within the limit.
func (s *Server) Stop(limit time.Duration) {
	s.health.Shutdown()
	cut := time.AfterFunc(limit, s.grpc.Stop)
	defer cut.Stop()
	s.grpc.GracefulStop()
	s.watch.Close() // nobody waits for its answers
	s.admin.Stop()
}

// core is what the services share.
type core struct {
	store  commissary.Store
	now    func() time.Time
	books  *shelf
	memory *memory
	log    *slog.Logger
	tracer trace.Tracer
	// seen is when a cut-off was judged last, in seconds since 1970, and behind
	// is for the log, which says that the clock was set back.
	seen   atomic.Int64
	behind seldom
	// released is told of papers that have changed.
	released func(kitchen string, night civil.Date)
}

// view runs a read. The time is read once and travels with it.
func (c *core) view(ctx context.Context, f func(tx commissary.Tx, at time.Time) error) error {
	at := c.instant()
	return c.store.View(ctx, func(tx commissary.Tx) error { return f(tx, at) })
}

// instant is the clock's time in whole seconds.
func (c *core) instant() time.Time { return c.now().UTC().Truncate(time.Second) }
