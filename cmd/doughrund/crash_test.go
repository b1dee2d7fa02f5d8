package main

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
)

// house is a service as a process of its own, over a database file that
// outlives it, and what its callers know.
type house struct {
	t       *testing.T
	program string
	args    []string // what the program is started by, as strace
	db      string
	shops   []*till
	adopted string // request id
}

// till is one shop that changes its order again and again, one call at a time.
// A call that got no answer is sent again with its request id until it has one.
type till struct {
	name    string
	known   int // the newest revision that was acknowledged
	pending *v1.SubmitOrderRequest
	resent  int
}

// cases is how many a test tries: few in the short form, many with CASES=full.
func cases(short, full int) int {
	if os.Getenv("CASES") == "full" {
		return full
	}
	return short
}

// apart skips a test of programs that run by themselves where only the race
// detector is asked for: it does not see them.
func apart(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("nothing for the race detector; it runs in the full form")
	}
}

// built returns the program as it is shipped.
func built(t *testing.T) string {
	t.Helper()
	apart(t)
	if os.Getenv(seededVar) != "" {
		return sown(t)
	}
	program := filepath.Join(t.TempDir(), "doughrund")
	out, err := exec.Command("go", "build", "-o", program, "doughrun/cmd/doughrund").CombinedOutput()
	require.NoError(t, err, string(out))
	return program
}

func newHouse(t *testing.T, program string, tills int) *house {
	h := &house{t: t, program: program, db: filepath.Join(t.TempDir(), "facts.db"), adopted: uuid.NewString()}
	shops := []string{"harbor", "market", "hilltop", "station", "college", "river"}
	nights := openNights(time.Now(), (tills+len(shops)-1)/len(shops))
	for i := range tills {
		h.shops = append(h.shops, &till{name: "kitchens/main/nights/" + nights[i/len(shops)] + "/orders/" + shops[i%len(shops)]})
	}
	return h
}

// openNights returns so many coming nights that take orders of every shop whatever the time and weekday is now: for a
// Monday, when Riverside is closed, nobody orders.
func openNights(now time.Time, n int) []string {
	var nights []string
	for day := now.AddDate(0, 0, 2); len(nights) < n; day = day.AddDate(0, 0, 1) {
		if day.Weekday() != time.Sunday {
			nights = append(nights, day.Format(time.DateOnly))
		}
	}
	return nights
}

// A run on a Friday once asked Riverside for a Monday, and every order was refused.
func TestOpenNightsLeaveOutTheDayOfRest(t *testing.T) {
	friday := time.Date(2026, 11, 27, 23, 0, 0, 0, time.UTC)
	require.Equal(t, []string{"2026-11-30", "2026-12-01"}, openNights(friday, 2))
	require.Equal(t, []string{"2026-11-28", "2026-11-30"}, openNights(friday.AddDate(0, 0, -1), 2))
}

// running is one life of the service.
type running struct {
	*grpc.ClientConn
	cmd  *exec.Cmd
	log  *bytes.Buffer
	read chan struct{} // closed when its last word is read
}

// stays requires that the service has not ended.
func (r *running) stays(t *testing.T) {
	t.Helper()
	select {
	case <-r.read:
		t.Fatal("the service has ended: ", r.log.String())
	default:
	}
}

// start starts the service and waits until it listens; nil when it ends before.
func (h *house) start() *running {
	h.t.Helper()
	args := append(append([]string{}, h.args...), h.program, "serve", "--listen", "127.0.0.1:0", "--database", h.db, "--close-due", "no", "--log-level", "error")
	r := &running{cmd: exec.Command(args[0], args[1:]...), log: &bytes.Buffer{}, read: make(chan struct{})}
	r.cmd.Env = append(os.Environ(), "HOME="+filepath.Dir(h.db))
	r.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	talk, err := r.cmd.StderrPipe()
	require.NoError(h.t, err)
	require.NoError(h.t, r.cmd.Start())
	address := make(chan string, 1)
	go func() {
		defer close(r.read)
		lines := bufio.NewReader(talk)
		for {
			line, err := lines.ReadString('\n')
			if _, at, ok := strings.Cut(strings.TrimSpace(line), "listening on "); ok {
				address <- at
			}
			r.log.WriteString(line)
			if err != nil {
				return
			}
		}
	}()
	select {
	case at := <-address:
		r.ClientConn, err = grpc.NewClient(at, grpc.WithTransportCredentials(insecure.NewCredentials()))
		require.NoError(h.t, err)
		return r
	case <-r.read:
		_ = r.cmd.Wait() // it has said why
		return nil
	}
}

// end kills the service and everything that it was started by.
func (r *running) end() {
	_ = syscall.Kill(-r.cmd.Process.Pid, syscall.SIGKILL) // it may be gone by itself
	<-r.read
	_ = r.cmd.Wait() // killed
	r.Close()
}

func (h *house) adopt(r *running) {
	text, err := os.ReadFile("../../testdata/kitchen.yaml")
	require.NoError(h.t, err)
	_, err = v1.NewKitchenServiceClient(r).AdoptBook(h.t.Context(), &v1.AdoptBookRequest{Kitchen: "kitchens/main", Source: text, RequestId: h.adopted})
	require.NoError(h.t, err)
}

// work submits until the service answers no more, or done says that it is enough.
func (s *till) work(ctx context.Context, c grpc.ClientConnInterface, done func(acknowledged int) bool) error {
	for n := 0; !done(n); n++ {
		if s.pending == nil {
			etag := ""
			if s.known > 0 {
				etag = strconv.Itoa(s.known)
			}
			s.pending = &v1.SubmitOrderRequest{Name: s.name, Etag: etag, RequestId: uuid.NewString(),
				Lines: []*v1.OrderLine{{ItemId: "sauce-3kg", Pieces: int64(s.known + 1)}}}
		} else {
			s.resent++
		}
		ctx, stop := context.WithTimeout(ctx, 20*time.Second)
		got, err := v1.NewOrderServiceClient(c).SubmitOrder(ctx, s.pending)
		stop()
		switch {
		case status.Code(err) == codes.Unavailable, status.Code(err) == codes.DeadlineExceeded:
			return nil // it is not known whether it was kept
		case err != nil:
			return fmt.Errorf("%s after revision %d: %w", s.name, s.known, err)
		case got.GetOrder().GetEtag() != strconv.Itoa(s.known+1):
			return fmt.Errorf("%s: revision %s follows %d", s.name, got.GetOrder().GetEtag(), s.known)
		}
		s.known++
		s.pending = nil
	}
	return nil
}

// check holds the database against what the tills know: every acknowledged
// order is there, one that was not acknowledged whole or absent.
func (h *house) check(r *running) {
	h.t.Helper()
	h.orders(r)
	h.chain(r)
}

// orders is check without the record, which takes the longer the more is in it.
func (h *house) orders(r *running) {
	h.t.Helper()
	for _, s := range h.shops {
		got, err := v1.NewOrderServiceClient(r).GetOrder(h.t.Context(), &v1.GetOrderRequest{Name: s.name})
		if s.known == 0 && status.Code(err) == codes.NotFound {
			continue
		}
		require.NoError(h.t, err, s.name)
		revision, err := strconv.Atoi(got.GetOrder().GetEtag())
		require.NoError(h.t, err)
		if s.pending == nil {
			require.Equal(h.t, s.known, revision, s.name)
		} else {
			require.Contains(h.t, []int{s.known, s.known + 1}, revision, s.name)
		}
		require.Equal(h.t, int64(revision), got.GetOrder().GetLines()[0].GetPieces(), s.name)
	}
}

// chain returns how many changes are recorded.
func (h *house) chain(r *running) int64 {
	h.t.Helper()
	chain, err := v1.NewAuditServiceClient(r).VerifyChain(h.t.Context(), &v1.VerifyChainRequest{Kitchen: "kitchens/main"})
	require.NoError(h.t, err)
	require.Zero(h.t, chain.GetBrokenSequence())
	return chain.GetVerified()
}

// settle sends what is open again, and then nothing is missing and nothing is double.
func (h *house) settle() (acknowledged, resent int) {
	h.t.Helper()
	h.args = nil
	r := h.start()
	require.NotNil(h.t, r, "the service does not come back")
	defer r.end()
	h.check(r)
	for _, s := range h.shops {
		require.NoError(h.t, s.work(h.t.Context(), r, func(int) bool { return s.pending == nil }))
		acknowledged += s.known
		resent += s.resent
	}
	h.check(r)
	require.Equal(h.t, int64(acknowledged+1), h.chain(r), "one change for every acknowledged order, and one for the book")
	return acknowledged, resent
}

// Killed at any moment under load, the service comes back with every
// acknowledged order, each once.
func TestKilledUnderLoad(t *testing.T) {
	apart(t)
	kills := cases(185, 1000) // with the named points more than 200
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	h := newHouse(t, built(t), 12)
	for n := range kills {
		r := h.start()
		require.NotNil(t, r, "the service does not come back")
		h.adopt(r) // sent again and again, adopted once
		h.orders(r)
		if n%100 == 7 {
			h.chain(r)
		}
		var g sync.WaitGroup
		faults := make([]error, len(h.shops))
		for i, s := range h.shops {
			g.Go(func() { faults[i] = s.work(t.Context(), r, func(int) bool { return false }) })
		}
		time.Sleep(time.Duration(20+random.IntN(150)) * time.Millisecond) // any moment will do
		require.NoError(t, syscall.Kill(-r.cmd.Process.Pid, syscall.SIGKILL))
		g.Wait()
		r.end()
		for _, err := range faults {
			require.NoError(t, err)
		}
	}
	acknowledged, resent := h.settle()
	t.Logf("%d kills, %d orders acknowledged, %d calls sent again", kills, acknowledged, resent)
	require.Greater(t, acknowledged, 5*kills, "too few calls got through: the run is void")
	require.Greater(t, resent, kills, "hardly a call was cut off: the run is void")
}

// When a write or a sync of the database fails, the service acknowledges only
// what was committed, ends by itself, and comes back with it.
func TestFailingDisk(t *testing.T) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("strace is not installed")
		}
		t.Skip("SKIPPED: strace is not installed")
	}
	upTo, step := cases(12, 40), cases(11, 1)
	program := built(t)
	injected, ended := 0, 0
	for _, fault := range []struct{ calls, errno string }{{"fsync,fdatasync", "EIO"}, {"pwrite64,write", "ENOSPC"}, {"pwrite64,write", "EIO"}} {
		for nth := 1; nth <= upTo; nth += step {
			t.Run(fmt.Sprintf("%s %s %d", fault.calls, fault.errno, nth), func(t *testing.T) {
				h := newHouse(t, program, 2)
				r := h.start()
				require.NotNil(t, r)
				h.adopt(r)
				r.end()
				trace := filepath.Join(t.TempDir(), "trace")
				h.args = []string{strace, "-f", "-o", trace, "-P", h.db, "-P", h.db + "-wal", "-e", "trace=" + fault.calls,
					"-e", fmt.Sprintf("inject=%s:error=%s:when=%d", fault.calls, fault.errno, nth)}
				if r := h.start(); r != nil {
					var g sync.WaitGroup
					for _, s := range h.shops {
						g.Go(func() {
							if err := s.work(t.Context(), r, func(n int) bool { return n == 40 }); err != nil {
								t.Error(err)
							}
						})
					}
					g.Wait()
					select {
					case <-r.read:
						require.Contains(t, r.log.String(), "must be started again")
						ended++
					case <-time.After(time.Second):
					}
					r.end()
				}
				text, err := os.ReadFile(trace)
				require.NoError(t, err)
				if strings.Contains(string(text), "(INJECTED)") {
					injected++
				}
				h.settle()
			})
		}
	}
	t.Logf("%d faults injected, the service ended by itself %d times", injected, ended)
	require.Positive(t, injected, "no fault was injected: the run is void")
	require.Positive(t, ended, "no fault ended the service: the run is void")
}
