package main

import (
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"doughrun/commissary/store/storetest"
)

// ordering lets shops order without end until stopped, and returns what went wrong.
func ordering(t *testing.T, shops []*till, c grpc.ClientConnInterface) (stop func() []error) {
	var over atomic.Bool
	var mu sync.Mutex
	var faults []error
	var g sync.WaitGroup
	for _, s := range shops {
		g.Go(func() {
			for !over.Load() {
				err := s.work(t.Context(), c, func(int) bool { return over.Load() })
				time.Sleep(20 * time.Millisecond) // as a client waits before it sends again
				if err != nil {
					mu.Lock()
					faults = append(faults, err)
					mu.Unlock()
					return
				}
			}
		})
	}
	return func() []error {
		over.Store(true)
		g.Wait()
		return faults
	}
}

// PostgreSQL ends the service's connections in the middle of whatever they do,
// and once it ends itself as in a crash. The service stays and goes on by
// itself, and the same request id settles what it could not answer.
func TestDatabaseEndsConnections(t *testing.T) {
	apart(t)
	cuts := cases(20, 500)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	p := storetest.StartPostgres(t)
	h := newHouse(t, sown(t), 12)
	h.db = p.Database(t)
	r := h.start()
	require.NotNil(t, r)
	h.adopt(r)
	stop := ordering(t, h.shops, r)
	for n := range cuts {
		time.Sleep(time.Duration(50+random.IntN(200)) * time.Millisecond) // any moment will do
		if n == cuts/2 {
			p.Stop(t)
			p.Start(t)
			continue
		}
		p.Run(t, "postgres", "SELECT count(pg_terminate_backend(pid)) FROM pg_stat_activity WHERE application_name = 'doughrund'")
	}
	require.Empty(t, stop())
	r.stays(t)
	r.end()
	acknowledged, resent := h.settle()
	t.Logf("%d cuts, %d orders acknowledged, %d calls sent again", cuts, acknowledged, resent)
	require.Greater(t, acknowledged, 2*cuts, "too few calls got through: the run is void")
	require.Greater(t, resent, cuts/2, "hardly a call was cut off: the run is void")
}

// Of two services on one database one stands still, at any moment, perhaps in
// the middle of a commit. The other goes on; when the first comes to, nothing
// that it acknowledges is lost and nothing is there twice.
func TestPausedService(t *testing.T) {
	apart(t)
	pauses := cases(2, 50)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	h := newHouse(t, sown(t), 12)
	h.db = storetest.StartPostgres(t).Database(t)
	one, other := h.start(), h.start()
	require.NotNil(t, one)
	require.NotNil(t, other)
	h.adopt(one)
	held := 0
	stop := ordering(t, h.shops[:6], one)
	alone := 0
	for range pauses {
		time.Sleep(time.Duration(50+random.IntN(100)) * time.Millisecond) // any moment will do
		require.NoError(t, syscall.Kill(-one.cmd.Process.Pid, syscall.SIGSTOP))
		began := time.Now()
		for _, s := range h.shops[6:] {
			before := s.known
			for s.known == before {
				require.NoError(t, s.work(t.Context(), other, func(n int) bool { return n == 1 }))
			}
			alone++
		}
		if time.Since(began) > 3*time.Second {
			held++ // it stood in the middle of a transaction
		}
		require.NoError(t, syscall.Kill(-one.cmd.Process.Pid, syscall.SIGCONT))
	}
	require.Empty(t, stop())
	one.end()
	other.end()
	acknowledged, resent := h.settle()
	t.Logf("%d pauses, %d of them inside a transaction; %d orders acknowledged, %d by the other meanwhile, %d sent again", pauses, held, acknowledged, alone, resent)
	require.Greater(t, acknowledged-alone, 5*pauses, "too few calls got through: the run is void")
}
