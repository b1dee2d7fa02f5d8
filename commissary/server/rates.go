package server

import (
	"context"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/time/rate"
	"google.golang.org/grpc"

	"doughrun/commissary"
)

// Rate is how much one caller may ask of the service.
type Rate struct {
	PerSecond int // calls in the long run
	Burst     int // calls at once after a pause
	Together  int // calls that run at the same time
}

// usualRate leaves room for the busiest desk and keeps one device that has
// gone wild from slowing the others.
var usualRate = Rate{PerSecond: 20, Burst: 200, Together: 16}

// mostCallers bounds the callers that are remembered.
const mostCallers = 10_000

// rates holds every caller to the Rate.
type rates struct {
	Rate
	mu      sync.Mutex
	callers map[string]*pace
}

type pace struct {
	limiter *rate.Limiter
	running int
}

func newRates(r Rate) *rates {
	if r == (Rate{}) {
		r = usualRate
	}
	return &rates{Rate: r, callers: map[string]*pace{}}
}

// enter counts a call in, or refuses it and says when to come again. The call
// is counted out by done.
func (r *rates) enter(caller string, at time.Time) (done func(), refusal error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	p := r.callers[caller]
	if p == nil {
		if len(r.callers) >= mostCallers {
			r.forget(at)
		}
		p = &pace{limiter: rate.NewLimiter(rate.Limit(r.PerSecond), r.Burst)}
		r.callers[caller] = p
	}
	if p.running >= r.Together {
		return nil, tooMuch(time.Second, "%d calls of this caller are running already; wait for their answers", p.running)
	}
	turn := p.limiter.ReserveN(at, 1)
	if wait := turn.DelayFrom(at); wait > 0 {
		turn.CancelAt(at)
		return nil, tooMuch(wait, "this caller asks more often than %d times a second; wait a moment", r.PerSecond)
	}
	p.running++
	return func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		p.running--
	}, nil
}

// forget drops the callers that have been quiet long enough to be new again.
func (r *rates) forget(at time.Time) {
	for caller, p := range r.callers {
		if p.running == 0 && p.limiter.TokensAt(at) >= float64(r.Burst) {
			delete(r.callers, caller)
		}
	}
}

func tooMuch(wait time.Duration, format string, args ...any) error {
	e := commissary.Refuse(commissary.Exhausted, "TOO_MANY_CALLS", format, args...)
	e.Retry = max(wait.Truncate(time.Millisecond), time.Millisecond)
	return e
}

// mostTogether is how many calls of everybody run at the same time. It is as
// many as share one commit; more would only wait for each other until their
// callers give up, and then the work would be for nothing.
const mostTogether = 128

// crowd turns calls away while too many run, and says when to come again:
// not all at the same moment.
func crowd(most int64) grpc.UnaryServerInterceptor {
	var running atomic.Int64
	return func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
		defer running.Add(-1)
		if running.Add(1) > most {
			e := commissary.Refuse(commissary.Unavailable, "TOO_BUSY", "more calls than the service can bear run already, and nothing was done; send it again in a moment with the same request id")
			e.Retry = 250*time.Millisecond + rand.N(500*time.Millisecond)
			return nil, e
		}
		return next(ctx, req)
	}
}
