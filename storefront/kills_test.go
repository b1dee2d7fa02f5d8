package storefront

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"doughrun/commissary/server"
	"doughrun/commissary/store"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

// kitchenVar names the database and the address for this binary as a service that is killed.
const kitchenVar = "KITCHEN_CHILD"

// serveUntilKilled is a real service over a database on the disk.
func serveUntilKilled(database, address string) error {
	facts, err := store.Open(context.Background(), database, store.Options{})
	if err != nil {
		return err
	}
	now := time.Date(2026, 11, 27, 1, 0, 0, 0, time.UTC)
	s, err := server.New(server.Options{Store: facts, Now: func() time.Time { return now }, NewID: func() string { return "ref" }})
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return err
	}
	fmt.Println("serving", l.Addr())
	return s.Serve(l)
}

// startKitchen starts it and returns once it listens.
func startKitchen(t *testing.T, database, address string) (*exec.Cmd, string) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(self, "-test.run=^$")
	cmd.Env = append(os.Environ(), kitchenVar+"="+database+";"+address)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	s := bufio.NewScanner(out)
	require.True(t, s.Scan(), "the service did not start")
	at, ok := strings.CutPrefix(s.Text(), "serving ")
	require.True(t, ok, s.Text())
	return cmd, at
}

// twisted is a client's connection that sends requests twice, one beside the
// other, and old ones again in the middle of new ones, as often as not.
type twisted struct {
	mu   sync.Mutex
	r    *rand.Rand
	old  []*v1.SubmitOrderRequest
	done struct{ twice, again int }
}

func (w *twisted) call(ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	order, ok := req.(*v1.SubmitOrderRequest)
	if !ok {
		return invoke(ctx, method, req, reply, conn, opts...)
	}
	w.mu.Lock()
	twice := w.r.IntN(2) == 0
	var again *v1.SubmitOrderRequest
	if len(w.old) > 0 && w.r.IntN(2) == 0 {
		again = w.old[w.r.IntN(len(w.old))]
		w.done.again++
	}
	if twice {
		w.done.twice++
	}
	w.old = append(w.old, order)
	w.mu.Unlock()
	var g sync.WaitGroup
	if twice {
		g.Go(func() { _ = invoke(ctx, method, req, &v1.SubmitOrderResponse{}, conn) }) // the answer of the other one counts
	}
	if again != nil {
		g.Go(func() { _ = invoke(ctx, method, again, &v1.SubmitOrderResponse{}, conn) })
	}
	err := invoke(ctx, method, req, reply, conn, opts...)
	g.Wait()
	return err
}

// Whatever moment the service is killed at, and started again on the same
// database, with requests doubled and out of order, several nights queue and
// every draft is ordered once.
func TestKilledServices(t *testing.T) {
	kills := 12
	if full() {
		kills = 200
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	database := filepath.Join(t.TempDir(), "facts.db")
	cmd, address := startKitchen(t, database, "127.0.0.1:0")
	text, err := os.ReadFile("../commissary/server/testdata/kitchen.yaml")
	require.NoError(t, err)
	_, err = v1.NewKitchenServiceClient(dial(t, address)).AdoptBook(t.Context(),
		&v1.AdoptBookRequest{Kitchen: "kitchens/main", Source: text, RequestId: uuid.NewString()})
	require.NoError(t, err)

	var mu sync.Mutex
	receipts, kept := map[string]*v1.Order{}, 0
	stop := make(chan struct{})
	var g sync.WaitGroup
	const lanes = 2
	var twists [lanes]*twisted
	for lane := range lanes {
		twists[lane] = &twisted{r: rand.New(rand.NewPCG(seed, uint64(lane)))}
		r := rand.New(rand.NewPCG(seed, uint64(100+lane)))
		g.Go(func() {
			box := outbox.At(filepath.Join(t.TempDir(), "outbox"))
			conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()), quick(), grpc.WithUnaryInterceptor(twists[lane].call))
			if err != nil {
				t.Error(err)
				return
			}
			defer conn.Close()
			c := New(conn)
			c.within = time.Second
			send := func(ctx context.Context) bool {
				all, err := c.Send(ctx, box, time.Now)
				if err != nil {
					t.Error(err)
					return false
				}
				waiting := 0
				mu.Lock()
				defer mu.Unlock()
				for _, s := range all {
					switch s.State {
					case outbox.Accepted:
						receipts[s.ID] = s.Order
					case outbox.Waiting:
						waiting++
					default:
						t.Errorf("%s is %s: %s", s.Request.GetName(), s.State, s.Why)
					}
				}
				return waiting == 0
			}
			for k := 0; ; k++ {
				select {
				case <-stop:
					for !send(t.Context()) && t.Context().Err() == nil && !t.Failed() {
					}
					return
				default:
				}
				// Several nights queue before they are sent.
				for range 1 + r.IntN(3) {
					req := orderFor(lane + lanes*r.IntN(20/lanes))
					req.Lines[0].Pieces = int64(1 + k%9000)
					if _, err := box.Put(time.Now(), req, true); err != nil {
						t.Error(err)
						return
					}
					mu.Lock()
					kept++
					mu.Unlock()
				}
				ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
				send(ctx)
				cancel()
			}
		})
	}
	r := rand.New(rand.NewPCG(seed, 999))
	for range kills {
		time.Sleep(time.Duration(5+r.IntN(60)) * time.Millisecond)
		require.NoError(t, cmd.Process.Kill())
		_ = cmd.Wait() // it was killed
		cmd, _ = startKitchen(t, database, address)
	}
	close(stop)
	g.Wait()
	require.False(t, t.Failed())
	require.Len(t, receipts, kept, "a kept draft was lost")
	settledOnce(t, dial(t, address), receipts)
	v, err := v1.NewAuditServiceClient(dial(t, address)).VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: "kitchens/main"})
	require.NoError(t, err)
	require.Zero(t, v.GetBrokenSequence())
	twice, again := 0, 0
	for _, w := range twists {
		twice, again = twice+w.done.twice, again+w.done.again
	}
	t.Logf("%d kills, %d drafts; %d requests doubled, %d old ones sent in between", kills, kept, twice, again)
	require.Positive(t, twice)
	require.Positive(t, again)
	require.NoError(t, cmd.Process.Kill())
	_ = cmd.Wait()
}
