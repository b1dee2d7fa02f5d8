package storefront

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/server"
	"doughrun/commissary/store"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

// childVar names the outbox and the kitchen for this binary as a child that is killed.
const childVar = "OUTBOX_CHILD"

func TestMain(m *testing.M) {
	if c := os.Getenv(childVar); c != "" {
		dir, address, _ := strings.Cut(c, ";")
		if err := child(dir, address); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	if c := os.Getenv(kitchenVar); c != "" {
		database, address, _ := strings.Cut(c, ";")
		fmt.Fprintln(os.Stderr, serveUntilKilled(database, address))
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// full reports whether the long form was asked for.
func full() bool { return os.Getenv("CASES") == "full" }

// kitchenService is a real service over a real store, on a port of this machine.
func kitchenService(t *testing.T) string {
	t.Helper()
	facts, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "facts.db"), store.Options{})
	require.NoError(t, err)
	now := time.Date(2026, 11, 27, 1, 0, 0, 0, time.UTC) // eight in the evening
	s, err := server.New(server.Options{Store: facts, Now: func() time.Time { return now }, NewID: func() string { return "ref" }})
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	served := make(chan error, 1)
	go func() { served <- s.Serve(l) }()
	t.Cleanup(func() {
		s.Stop(time.Second)
		require.NoError(t, <-served)
		require.NoError(t, facts.Close())
	})
	text, err := os.ReadFile("../commissary/server/testdata/kitchen.yaml")
	require.NoError(t, err)
	_, err = v1.NewKitchenServiceClient(dial(t, l.Addr().String())).AdoptBook(t.Context(),
		&v1.AdoptBookRequest{Kitchen: "kitchens/main", Source: text, RequestId: uuid.NewString()})
	require.NoError(t, err)
	return l.Addr().String()
}

func dial(t *testing.T, address string) *grpc.ClientConn {
	t.Helper()
	conn, err := connect(address)
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() }) // once more where the test closed it
	return conn
}

func connect(address string) (*grpc.ClientConn, error) {
	return grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()), quick())
}

// quick lets a connection come back as soon as there is somebody.
func quick() grpc.DialOption {
	return grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 5 * time.Millisecond, Multiplier: 1.2, MaxDelay: 50 * time.Millisecond},
		MinConnectTimeout: 200 * time.Millisecond})
}

// orderFor is a draft of one of the orders, told apart by its pieces.
func orderFor(k int) *v1.SubmitOrderRequest {
	night := time.Date(2026, 11, 26+k%20, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
	return &v1.SubmitOrderRequest{Name: "kitchens/main/nights/" + night + "/orders/east",
		Lines: []*v1.OrderLine{{ItemId: "ball", Pieces: int64(k + 1)}}, RequestId: uuid.NewString()}
}

// counting is the k-th count of a lane, told apart by how many lines it has.
func counting(lane, lanes, k int) *v1.SubmitCountRequest {
	night := time.Date(2026, 11, 26-(lane+lanes*(k%3)), 0, 0, 0, 0, time.UTC)
	req := &v1.SubmitCountRequest{Night: "kitchens/main/nights/" + night.Format(time.DateOnly), ShopId: "west", RequestId: uuid.NewString(),
		CountTime: timestamppb.New(time.Date(2026, 11, 26, 0, 0, k, 0, time.UTC))}
	for i := range 1 + k%60 {
		req.Lines = append(req.Lines, &v1.CountLine{ItemId: "ball", MadeDate: night.AddDate(0, 0, -i).Format(time.DateOnly), Pieces: int64(k)})
	}
	return req
}

// countedOnce holds counts, each night's in their order, against the kitchen's
// record: every one was taken once, in that order, and there are none but these.
func countedOnce(t *testing.T, conn grpc.ClientConnInterface, counts []*v1.SubmitCountRequest) {
	t.Helper()
	want, got := map[string][]string{}, map[string][]string{}
	for _, c := range counts {
		want[c.GetNight()] = append(want[c.GetNight()], fmt.Sprintf("west counted, %d lines", len(c.GetLines())))
	}
	page := ""
	for {
		m, err := v1.NewAuditServiceClient(conn).ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: "kitchens/main", PageSize: 1000, PageToken: page})
		require.NoError(t, err)
		for _, c := range m.GetChanges() {
			if strings.HasPrefix(c.GetDetail(), "west ") {
				got[c.GetSubject()] = append(got[c.GetSubject()], c.GetDetail())
			}
		}
		if page = m.GetNextPageToken(); page == "" {
			break
		}
	}
	require.Equal(t, want, got)
}

// child keeps and sends drafts until it is killed, and says what was kept.
func child(dir, address string) error {
	conn, err := connect(address)
	if err != nil {
		return err
	}
	c, box := New(conn), outbox.At(dir)
	c.within = time.Second
	for k := rand.IntN(1000); ; k++ {
		e, err := box.Put(time.Now(), orderFor(k), true)
		if err != nil {
			return err
		}
		fmt.Println("kept", e.ID)
		count := counting(0, 1, k)
		count.CountTime = nil // children do not know what the ones before them counted
		if _, err := box.Run(time.Now(), count); err != nil {
			return err
		}
		fmt.Println("counted", count.GetRequestId())
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		if _, err = c.SendErrands(ctx, box, time.Now); err == nil {
			_, err = c.Send(ctx, box, time.Now)
		}
		cancel()
		if err != nil {
			return err
		}
	}
}

// revisions is how often the kitchen has changed each order.
func revisions(t *testing.T, conn grpc.ClientConnInterface) map[string]int32 {
	t.Helper()
	found := map[string]int32{}
	for k := range 20 {
		night := time.Date(2026, 11, 26+k, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
		m, err := v1.NewOrderServiceClient(conn).ListOrders(t.Context(), &v1.ListOrdersRequest{Night: "kitchens/main/nights/" + night})
		require.NoError(t, err)
		for _, o := range m.GetOrders() {
			found[o.GetName()] = o.GetRevision()
		}
	}
	return found
}

// settledOnce holds receipts against the kitchen: every draft has one receipt, no two
// share a revision, and there are no revisions but theirs.
func settledOnce(t *testing.T, conn grpc.ClientConnInterface, receipts map[string]*v1.Order) {
	t.Helper()
	taken, want := map[string]string{}, map[string]int32{}
	for id, o := range receipts {
		at := fmt.Sprint(o.GetName(), " ", o.GetRevision())
		require.Empty(t, taken[at], "two drafts share a revision: one was lost")
		taken[at] = id
		want[o.GetName()]++
	}
	require.Equal(t, want, revisions(t, conn), "every revision is one draft's: none was doubled")
}

// Whatever moment the client is killed at, a draft that was told to be kept is
// ordered once, and a count taken once.
func TestKilledClients(t *testing.T) {
	kills := 25
	if full() {
		kills = 200
	}
	address := kitchenService(t)
	self, err := os.Executable()
	require.NoError(t, err)
	dir := t.TempDir()
	box := outbox.At(dir)
	conn := dial(t, address)
	c := New(conn)
	kept, receipts := map[string]bool{}, map[string]*v1.Order{}
	counted, counts := map[string]bool{}, []*v1.SubmitCountRequest{}
	said := func(l string) {
		if id, ok := strings.CutPrefix(l, "counted "); ok {
			counted[id] = true
		} else {
			kept[strings.TrimPrefix(l, "kept ")] = true
		}
	}
	gather := func() {
		errands, damaged, err := box.Errands()
		require.NoError(t, err)
		require.Zero(t, damaged)
		for _, e := range errands {
			require.NotEqual(t, outbox.Refused, e.State, e.Why)
			if !slices.ContainsFunc(counts, func(c *v1.SubmitCountRequest) bool { return c.GetRequestId() == e.ID }) {
				counts = append(counts, e.Count())
			}
		}
		s, err := box.Status()
		require.NoError(t, err)
		require.Zero(t, s.Damaged)
		for _, e := range s.Entries {
			if e.State == outbox.Accepted {
				receipts[e.ID] = e.Order
			}
			require.NotEqual(t, outbox.Refused, e.State, e.Why)
		}
	}
	for range kills {
		cmd := exec.Command(self, "-test.run=^$")
		cmd.Env = append(os.Environ(), childVar+"="+dir+";"+address)
		out, err := cmd.StdoutPipe()
		require.NoError(t, err)
		cmd.Stderr = os.Stderr
		require.NoError(t, cmd.Start())
		lines := make(chan string, 1000)
		go func() {
			for s := bufio.NewScanner(out); s.Scan(); {
				lines <- s.Text()
			}
			close(lines)
		}()
		first, ok := <-lines
		require.True(t, ok)
		time.Sleep(time.Duration(rand.Int64N(int64(40 * time.Millisecond))))
		require.NoError(t, cmd.Process.Kill())
		said(first)
		for l := range lines {
			said(l)
		}
		_ = cmd.Wait() // it was killed
		gather()
	}
	_, err = c.SendErrands(t.Context(), box, time.Now)
	require.NoError(t, err)
	all, err := c.Send(t.Context(), box, time.Now)
	require.NoError(t, err)
	for _, s := range all { // more than the outbox keeps to look back at
		require.Equal(t, outbox.Accepted, s.State, s.Why)
		receipts[s.ID] = s.Order
	}
	gather()
	s, err := box.Status()
	require.NoError(t, err)
	for _, e := range s.Entries {
		require.Equal(t, outbox.Accepted, e.State, e.Why)
	}
	for id := range kept {
		require.Contains(t, receipts, id, "a kept draft was lost")
	}
	settledOnce(t, conn, receipts)
	for id := range counted {
		require.True(t, slices.ContainsFunc(counts, func(c *v1.SubmitCountRequest) bool { return c.GetRequestId() == id }), "a kept count was lost")
	}
	countedOnce(t, conn, counts)
	t.Logf("%d kills, %d drafts kept, %d receipts, %d counts", kills, len(kept), len(receipts), len(counts))
}

// fault is what a link does to one connection.
type fault int

const (
	ackLost   fault = iota // the kitchen answers, and the link is cut before the answer passes
	cutBefore              // cut when the request comes
	reset                  // the same, with a reset
	halfOpen               // nothing comes back, and nobody says so
	oneWay                 // nothing goes out
	slow                   // every piece waits
	sliced                 // byte by byte
	faults
)

// link is a proxy on the way to the kitchen.
type link struct {
	to string
	mu sync.Mutex
	// next is the fault of the connections to come; done counts those that happened.
	next fault
	on   bool
	done [faults]int
}

func (l *link) set(f fault, on bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.next, l.on = f, on
}

// happened counts a fault and lets the following connections pass.
func (l *link) happened(f fault) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.done[f]++
	l.on = false
}

func (l *link) serve(listener net.Listener) {
	for {
		near, err := listener.Accept()
		if err != nil {
			return
		}
		l.mu.Lock()
		f, on := l.next, l.on
		l.mu.Unlock()
		far, err := net.Dial("tcp", l.to)
		if err != nil {
			near.Close()
			continue
		}
		var once sync.Once
		end := func(hard bool) {
			once.Do(func() {
				if tcp, ok := near.(*net.TCPConn); ok && hard {
					_ = tcp.SetLinger(0)
				}
				near.Close()
				far.Close()
			})
		}
		go l.pass(far, near, on, f, true, end)
		go l.pass(near, far, on, f, false, end)
	}
}

// pass copies frames of one direction and does what the fault says at the
// first one that belongs to a call.
func (l *link) pass(to io.Writer, from io.Reader, on bool, f fault, out bool, end func(hard bool)) {
	defer end(false)
	r := bufio.NewReader(from)
	if out {
		preface := make([]byte, len("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"))
		if _, err := io.ReadFull(r, preface); err != nil {
			return
		}
		if _, err := to.Write(preface); err != nil {
			return
		}
	}
	silent, counted := false, false
	for {
		head := make([]byte, 9) // HTTP/2: length, type, flags, stream
		if _, err := io.ReadFull(r, head); err != nil {
			return
		}
		size := int(head[0])<<16 | int(head[1])<<8 | int(head[2])
		frame := append(head, make([]byte, size)...)
		if _, err := io.ReadFull(r, frame[9:]); err != nil {
			return
		}
		call := on && head[3] == 1 && binary.BigEndian.Uint32(head[5:9]) > 0
		switch {
		case call && !out && f == ackLost:
			l.happened(f)
			return
		case call && out && f == cutBefore:
			l.happened(f)
			return
		case call && out && f == reset:
			l.happened(f)
			end(true)
			return
		case call && (!out && f == halfOpen || out && f == oneWay):
			l.happened(f)
			silent = true
		case call && !counted && (f == slow || f == sliced) && !out:
			counted = true
			l.happened(f)
		}
		if silent {
			continue
		}
		step := len(frame)
		if on && f == sliced {
			step = 1
		}
		for len(frame) > 0 {
			if on && f == slow {
				time.Sleep(time.Duration(rand.Int64N(int64(4 * time.Millisecond))))
			}
			n := min(step, len(frame))
			if _, err := to.Write(frame[:n]); err != nil {
				return
			}
			frame = frame[n:]
		}
	}
}

// Whatever the link does, every draft is ordered once and every count taken once, in order, and sending
// old requests again, late and in any order, changes nothing.
func TestFaultyLinks(t *testing.T) {
	acks, others := 30, 50
	if full() {
		acks, others = 300, 500
	}
	address := kitchenService(t)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	var mu sync.Mutex
	receipts, drafts := map[string]*v1.Order{}, map[string]*v1.SubmitOrderRequest{}
	var counts []*v1.SubmitCountRequest
	var done [faults]int
	const lanes = 4
	var g sync.WaitGroup
	for lane := range lanes {
		g.Go(func() {
			listener, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				t.Error(err)
				return
			}
			defer listener.Close()
			l := &link{to: address}
			go l.serve(listener)
			r := rand.New(rand.NewPCG(seed, uint64(lane)))
			box := outbox.At(filepath.Join(t.TempDir(), "outbox"))
			for k := 0; ; k++ {
				if k >= 2000 {
					t.Error("the faults do not come")
					return
				}
				f := fault(r.IntN(int(faults)))
				l.mu.Lock()
				rest := 0
				for _, n := range l.done[1:] {
					rest += n
				}
				lacking := l.done[ackLost]*lanes < acks
				enough := !lacking && rest*lanes >= others
				l.mu.Unlock()
				if enough {
					break
				}
				if lacking && r.IntN(2) == 0 {
					f = ackLost
				}
				l.set(f, true)
				// Lanes keep to nights of their own, so that what is in force is theirs to replace.
				req := orderFor(lane + lanes*r.IntN(20/lanes))
				req.Lines[0].Pieces = int64(1000*lane + k + 1)
				if _, err := box.Put(time.Now(), req, true); err != nil {
					t.Error(err)
					return
				}
				count := counting(lane, lanes, k)
				if _, err := box.Run(time.Now(), count); err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				counts = append(counts, count)
				mu.Unlock()
				conn, err := connect(listener.Addr().String())
				if err != nil {
					t.Error(err)
					return
				}
				c := New(conn)
				c.within = 120 * time.Millisecond
				ctx, cancel := context.WithTimeout(t.Context(), time.Duration(20+r.IntN(400))*time.Millisecond)
				var all []Sent
				if r.IntN(2) == 0 { // the fault meets an order or a count
					_, err = c.SendErrands(ctx, box, time.Now)
				}
				if err == nil {
					all, err = c.Send(ctx, box, time.Now)
				}
				cancel()
				conn.Close()
				if err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				for _, s := range all {
					drafts[s.ID] = s.Request
					if s.State == outbox.Accepted {
						receipts[s.ID] = s.Order
					}
				}
				mu.Unlock()
			}
			l.set(0, false)
			conn, err := connect(listener.Addr().String())
			if err != nil {
				t.Error(err)
				return
			}
			defer conn.Close()
			_, err = New(conn).SendErrands(t.Context(), box, time.Now)
			if err != nil {
				t.Error(err)
				return
			}
			all, err := New(conn).Send(t.Context(), box, time.Now)
			if err != nil {
				t.Error(err)
				return
			}
			errands, _, err := box.Errands()
			if err != nil {
				t.Error(err)
			}
			for _, e := range errands {
				if e.State != outbox.Accepted || e.Why != "" {
					t.Errorf("%s is %s: %s", e.Count().GetNight(), e.State, e.Why)
				}
			}
			s, err := box.Status()
			if err != nil {
				t.Error(err)
				return
			}
			for _, e := range s.Entries {
				if e.State != outbox.Accepted {
					t.Errorf("%s is %s: %s", e.Request.GetName(), e.State, e.Why)
				}
			}
			mu.Lock()
			defer mu.Unlock()
			for _, x := range all {
				drafts[x.ID], receipts[x.ID] = x.Request, x.Order
			}
			for i, n := range l.done {
				done[i] += n
			}
		})
	}
	g.Wait()
	require.Len(t, receipts, len(drafts), "an order was lost")
	conn := dial(t, address)
	settledOnce(t, conn, receipts)

	// Half of everything once more, in any order.
	var ids []string
	for id := range drafts {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	rand.New(rand.NewPCG(seed, 99)).Shuffle(len(ids), func(i, j int) { ids[i], ids[j] = ids[j], ids[i] })
	again := ids[:len(ids)/2]
	for _, id := range again {
		r, err := New(conn).Submit(t.Context(), drafts[id])
		require.NoError(t, err)
		require.True(t, proto.Equal(receipts[id], r.Order), "a late duplicate has another answer")
	}
	settledOnce(t, conn, receipts)
	for _, i := range rand.New(rand.NewPCG(seed, 98)).Perm(len(counts))[:len(counts)/2] {
		_, err := v1.NewOrderServiceClient(conn).SubmitCount(t.Context(), counts[i])
		require.NoError(t, err)
	}
	countedOnce(t, conn, counts)
	t.Logf("%d drafts; %d answers lost, other faults %v; %d sent again at the end", len(drafts), done[ackLost], done[1:], len(again))
}
