// Package server answers the calls of the contract. A handler is one use case:
// it loads what it needs, calls the pure rooms, saves, and answers. What all
// calls have in common stands around them once: who calls, field rules, the
// error table, resends and the record of changes.
package server

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	"buf.build/go/protovalidate"

	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

// Limits of the service. What one message holds is bounded by the contract's
// field rules well below them.
const (
	maxMessage = 4 << 20 // bytes of a request
	// A recall of an ingredient that went everywhere for weeks is long. Clients
	// that ask for one must take as much.
	maxAnswer      = 64 << 20
	maxHeaders     = 16 << 10
	maxStreams     = 100 // calls at once on one connection
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
	// Log takes one line a call; nil for none.
	Log *slog.Logger
}

// Server is the service on a gRPC server of its own, with reflection and health.
type Server struct {
	core   *core
	grpc   *grpc.Server
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
	c := &core{store: o.Store, now: o.Now, books: newShelf(), fits: newFits()}
	s := &Server{
		core: c,
		grpc: grpc.NewServer(
			grpc.ChainUnaryInterceptor(logs(o.Log), answers(o.NewID), limits(o.CallLimit), identifies, validates(rules), recovers),
			grpc.MaxRecvMsgSize(maxMessage),
			grpc.MaxSendMsgSize(maxAnswer),
			grpc.MaxHeaderListSize(maxHeaders),
			grpc.MaxConcurrentStreams(maxStreams),
			grpc.ConnectionTimeout(connectWithin),
			grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: idleConnection, Time: pingAfter, Timeout: pingWithin}),
			grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: pingAtMost, PermitWithoutStream: true}),
		),
		health: health.NewServer(),
	}
	v1.RegisterKitchenServiceServer(s.grpc, kitchens{core: c})
	v1.RegisterOrderServiceServer(s.grpc, orders{core: c})
	v1.RegisterNightServiceServer(s.grpc, nights{core: c})
	v1.RegisterPlanServiceServer(s.grpc, plans{core: c})
	v1.RegisterBatchServiceServer(s.grpc, batches{core: c})
	v1.RegisterLotServiceServer(s.grpc, lots{core: c})
	v1.RegisterDispatchServiceServer(s.grpc, dispatches{core: c})
	v1.RegisterAuditServiceServer(s.grpc, audits{core: c})
	for name := range s.grpc.GetServiceInfo() {
		s.health.SetServingStatus(name, healthv1.HealthCheckResponse_SERVING)
	}
	healthv1.RegisterHealthServer(s.grpc, s.health)
	reflection.Register(s.grpc)
	return s, nil
}

// Serve answers calls on l until Stop, and closes it. It returns nil after Stop.
func (s *Server) Serve(l net.Listener) error { return s.grpc.Serve(l) }

// Stop turns new calls away, lets the running ones end, and cuts off those
// that are not done within the limit.
func (s *Server) Stop(limit time.Duration) {
	s.health.Shutdown()
	cut := time.AfterFunc(limit, s.grpc.Stop)
	defer cut.Stop()
	s.grpc.GracefulStop()
}

// core is what the services share.
type core struct {
	store commissary.Store
	now   func() time.Time
	books *shelf
	fits  *fits
}

// view runs a read. The time is read once and travels with it.
func (c *core) view(ctx context.Context, f func(tx commissary.Tx, at time.Time) error) error {
	at := c.instant()
	return c.store.View(ctx, func(tx commissary.Tx) error { return f(tx, at) })
}

// instant is the clock's time in whole seconds.
func (c *core) instant() time.Time { return c.now().UTC().Truncate(time.Second) }
