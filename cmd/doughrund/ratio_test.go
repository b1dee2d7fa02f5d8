package main

import (
	"bufio"
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/store"
	"doughrun/config/keys"
	v1 "doughrun/proto/doughrun/v1"
)

// The service held against what it stands on. Every ratio is of two arms that
// take turns, A B B A, on the same machine in the same minute; a round is one
// such pair of pairs, and what counts is the median of the rounds' ratios.
//
//	go test ./cmd/doughrund -run '^$' -bench Ratios -benchtime 1x -timeout 30m
//
// The service is a program of its own, as it is shipped but for what PLANTED
// takes out of it.
const (
	ratioCallers = 64
	ratioCrowd   = 4 * ratioCallers
	ratioRounds  = 7
	ratioLines   = 5
	armTime      = 700 * time.Millisecond
)

// arm works for a time and says how much that was and how long it took. What it
// costs is the processors' time of this process and of those named.
type arm struct {
	processes []*os.Process
	elsewhere bool // what it costs is not known: programs of others work for it
	work      func(time.Duration) (done float64, took time.Duration)
}

// speed is how much an arm does a second, and a second of the processors.
func (a arm) speed(b *testing.B, limit time.Duration) (wall, cpu float64) {
	used := a.processor(b)
	n, took := a.work(limit)
	return n / took.Seconds(), n / (a.processor(b) - used).Seconds()
}

func (a arm) processor(b *testing.B) time.Duration {
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	total := time.Duration(u.Utime.Nano() + u.Stime.Nano())
	for _, p := range a.processes {
		text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", p.Pid))
		require.NoError(b, err)
		_, rest, _ := strings.Cut(string(text), ") ")
		for _, ticks := range strings.Fields(rest)[11:13] {
			n, err := strconv.Atoi(ticks)
			require.NoError(b, err)
			total += time.Duration(n) * 10 * time.Millisecond // Linux counts in hundredths for those who ask
		}
	}
	return total
}

// ratio prints the median of one by other: by the clock, which counts, and by
// the processors' time, which other programs on the machine hardly change.
func ratio(b *testing.B, what string, goal float64, one, other arm) {
	b.Helper()
	one.work(armTime / 4) // both are warm
	other.work(armTime / 4)
	rounds := ratioRounds
	if n, err := strconv.Atoi(os.Getenv("ROUNDS")); err == nil {
		rounds = n
	}
	var walls, cpus, ones, others []float64
	for range rounds {
		var wall, cpu [4]float64
		for i, a := range []arm{one, other, other, one} {
			wall[i], cpu[i] = a.speed(b, armTime)
		}
		ones, others = append(ones, (wall[0]+wall[3])/2), append(others, (wall[1]+wall[2])/2)
		walls = append(walls, (wall[0]+wall[3])/(wall[1]+wall[2]))
		cpus = append(cpus, (cpu[0]+cpu[3])/(cpu[1]+cpu[2]))
	}
	verdict := ""
	if goal > 0 {
		verdict = fmt.Sprintf(", goal %.2f: %s", goal, verdicts[median(walls) >= goal])
	}
	b.Logf("%s: %.2f (%.2f to %.2f in %d rounds; %.0f and %.0f a second)%s", what, median(walls), slices.Min(walls), slices.Max(walls), rounds, median(ones), median(others), verdict)
	b.ReportMetric(median(walls), "ratio")
	if !one.elsewhere && !other.elsewhere {
		b.Logf("  by processors' time %.2f", median(cpus))
	}
	b.ReportMetric(0, "ns/op")
}

var verdicts = map[bool]string{true: "met", false: "MISSED"}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return (v[len(v)/2] + v[(len(v)-1)/2]) / 2
}

// ratioPlants take protection out, to see what it costs.
var ratioPlants = []plant{
	{"no TLS", "commissary/server/server.go", "grpc.Creds(credentials.NewTLS(o.TLS))",
		`map[bool]grpc.ServerOption{false: grpc.Creds(credentials.NewTLS(o.TLS)), true: grpc.EmptyServerOption{}}[planted("none") || planted("no TLS")]`},
	{"no access", "commissary/server/server.go", "		identifies = newDoor(c, o.Rate).identifies\n",
		"		if !planted(\"none\") && !planted(\"no access\") {\n			identifies = newDoor(c, o.Rate).identifies\n		}\n"},
	{"no limits", "commissary/server/rates.go", "	r.mu.Lock()\n	defer r.mu.Unlock()\n	p := r.callers[caller]\n",
		"	if planted(\"no limits\") {\n		return func() {}, nil\n	}\n	r.mu.Lock()\n	defer r.mu.Unlock()\n	p := r.callers[caller]\n"},
	// Else sixty-four callers could not ask as fast as they can.
	{"fast", "commissary/server/rates.go", "Rate{PerSecond: 20, Burst: 200, Together: 16}", "Rate{PerSecond: 1e6, Burst: 1e6, Together: 1e3}"},
	{"no validation", "commissary/server/call.go", "		if err := rules.Validate(m); err != nil {",
		"		if planted(\"none\") || planted(\"no validation\") {\n			return next(ctx, req)\n		}\n		if err := rules.Validate(m); err != nil {"},
	{"no audit", "commissary/store/change.go", "	// Taking the next place locks the kitchen's chain until the commit.\n",
		"	if planted(\"none\") || planted(\"no audit\") {\n		return nil\n	}\n"},
	{"no rows in the record", "commissary/store/tx.go", "	verb, rest, _ := strings.Cut(query, \" \") // INSERT INTO",
		"	if planted(\"none\") || planted(\"no audit\") {\n		return t.raw(query, args...)\n	}\n	verb, rest, _ := strings.Cut(query, \" \") // INSERT INTO"},
	{"no gate", "commissary/store/write.go", `s.dialect.gate != ""`, `s.dialect.gate != "" && !planted("no gate")`},
}

// bench is what the arms share.
type bench struct {
	*testing.B
	program string
	night   string // its resource name
	shops   []string
	dir     string // certificates
	tokens  []string
	hashes  [][]byte
}

func newBench(b *testing.B) *bench {
	k := &bench{B: b, program: filepath.Join(b.TempDir(), "doughrund"), dir: b.TempDir(),
		night: "kitchens/main/nights/" + time.Now().AddDate(0, 0, 2).Format(time.DateOnly)}
	out, err := exec.Command("go", "build", "-overlay", overlay(b, b.TempDir(), ratioPlants), "-o", k.program, "doughrun/cmd/doughrund").CombinedOutput()
	require.NoError(b, err, string(out))
	authority, err := keys.NewAuthority("bench", time.Now())
	require.NoError(b, err)
	_, _, err = authority.Write(filepath.Join(k.dir, "authority"))
	require.NoError(b, err)
	server, err := authority.NewServer([]string{"127.0.0.1"}, time.Now())
	require.NoError(b, err)
	_, _, err = server.Write(filepath.Join(k.dir, "server"))
	require.NoError(b, err)
	for i := range ratioCrowd {
		k.shops = append(k.shops, fmt.Sprint("shop-", i))
		k.tokens = append(k.tokens, keys.NewToken())
		k.hashes = append(k.hashes, keys.HashToken(k.tokens[i]))
	}
	return k
}

// book is the server's small kitchen with a shop for every caller and an item for every line.
func (k *bench) book() []byte {
	text, err := os.ReadFile("../../commissary/server/testdata/kitchen.yaml")
	require.NoError(k, err)
	s := string(text)
	_, ball := between(k, s, "  ball:\n", "  sauce-3kg:\n    name")
	_, shop := between(k, s, "  east:\n", "  west:\n")
	stop := "      - {shop: east, travel: 15 min, stay: 20 min}\n"
	var balls, shops, stops strings.Builder
	for i := range ratioLines {
		fmt.Fprintf(&balls, "  ball-%d:\n%s", i, ball)
	}
	for _, id := range k.shops {
		fmt.Fprintf(&shops, "  %s:\n%s", id, shop)
		fmt.Fprintf(&stops, "      - {shop: %s, travel: 1 min, stay: 1 min}\n", id)
	}
	s = strings.Replace(s, "  sauce-3kg:\n    name", balls.String()+"  sauce-3kg:\n    name", 1)
	s = strings.Replace(s, "  west:\n", shops.String()+"  west:\n", 1)
	s = strings.ReplaceAll(s, "receiving: {from: 06:00, to: 10:00}", "receiving: {from: 06:00, to: 18:00}")
	s = strings.ReplaceAll(s, "from: 11:00, to: 22:00", "from: 18:00, to: 22:00")
	return []byte(strings.ReplaceAll(s, stop, stop+stops.String()))
}

func between(t testing.TB, s, from, to string) (before, inside string) {
	before, rest, ok := strings.Cut(s, from)
	require.True(t, ok)
	inside, _, ok = strings.Cut(rest, to)
	require.True(t, ok)
	return before, inside
}

// served is one service with its callers.
type served struct {
	*bench
	cmd   *exec.Cmd
	conns []*grpc.ClientConn // one a caller
	known []atomic.Int64     // the newest revision of each caller's order
}

// serve starts a service on a database that knows the book, with PLANTED set.
// Protected, it has TLS and every caller shows a token.
func (k *bench) serve(database string, protected bool, planted string) *served {
	k.Helper()
	args := []string{"serve", "--listen", "127.0.0.1:0", "--database", database, "--close-due", "no", "--log-level", "error"}
	if protected {
		args = append(args, "--tls-certificate", k.dir+"/server.crt", "--tls-key", k.dir+"/server.key")
	}
	s := &served{bench: k, cmd: exec.Command(k.program, args...), known: make([]atomic.Int64, ratioCrowd)}
	s.cmd.Env = append(os.Environ(), "PLANTED="+planted)
	address := k.launch(s.cmd)
	pem, err := os.ReadFile(k.dir + "/authority.crt")
	require.NoError(k, err)
	roots := x509.NewCertPool()
	require.True(k, roots.AppendCertsFromPEM(pem))
	for i := range ratioCrowd {
		how := insecure.NewCredentials()
		if protected && planted != "none" && planted != "no TLS" {
			how = credentials.NewTLS(&tls.Config{RootCAs: roots})
		}
		options := []grpc.DialOption{grpc.WithTransportCredentials(how)}
		if protected {
			options = append(options, grpc.WithPerRPCCredentials(bearer(k.tokens[i])))
		}
		c, err := grpc.NewClient(address, options...)
		require.NoError(k, err)
		k.Cleanup(func() { c.Close() })
		s.conns = append(s.conns, c)
	}
	return s
}

type bearer string

func (t bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + string(t)}, nil
}
func (bearer) RequireTransportSecurity() bool { return false }

// launch starts a program that says where it listens, and ends it with the benchmark.
func (k *bench) launch(cmd *exec.Cmd) string {
	k.Helper()
	talk, err := cmd.StderrPipe()
	require.NoError(k, err)
	require.NoError(k, cmd.Start())
	address, said := make(chan string, 1), &strings.Builder{}
	read := make(chan struct{})
	go func() {
		defer close(read)
		for lines := bufio.NewScanner(talk); lines.Scan(); {
			if _, at, ok := strings.Cut(lines.Text(), "listening on "); ok {
				address <- at
			}
			said.WriteString(lines.Text() + "\n")
		}
	}()
	k.Cleanup(func() {
		_ = cmd.Process.Kill() // it may be gone by itself
		<-read
		_ = cmd.Wait() // killed
	})
	select {
	case at := <-address:
		return at
	case <-read:
		k.Fatal(said.String())
		return ""
	}
}

// adopted is a database of a kitchen with the book, and everybody admitted.
func (k *bench) adopted(database string) string {
	k.Helper()
	facts, err := store.Open(k.Context(), database, store.Options{})
	require.NoError(k, err)
	defer func() { require.NoError(k, facts.Close()) }()
	now := time.Now().UTC().Truncate(time.Second)
	require.NoError(k, facts.Update(k.Context(), func(tx commissary.Tx) error {
		for i, hash := range k.hashes {
			err := tx.Credentials().Add(commissary.Credential{ID: fmt.Sprint("bench-", i), Hash: hash, Issued: now, Ends: now.Add(24 * time.Hour),
				Caller: commissary.Caller{Name: "till-" + strconv.Itoa(i), Kitchen: "main", Role: commissary.RoleShop, Scope: k.shops[i]}})
			if err != nil {
				return err
			}
		}
		return tx.Books("main").Append(commissary.BookRevision{Revision: 1, Source: k.book(), Adopted: now, By: "bench"})
	}))
	return database
}

func (k *bench) file() string { return k.adopted(filepath.Join(k.TempDir(), "facts.db")) }

// all lets every caller do something again and again and returns how often it was done.
func all(b *testing.B, callers int, limit time.Duration, do func(caller int) error) (float64, time.Duration) {
	b.Helper()
	var done atomic.Int64
	var fault atomic.Pointer[error]
	var g sync.WaitGroup
	began := time.Now()
	for i := range callers {
		g.Go(func() {
			for time.Since(began) < limit {
				if err := do(i); err != nil {
					fault.Store(&err)
					return
				}
				done.Add(1)
			}
		})
	}
	g.Wait()
	if err := fault.Load(); err != nil {
		b.Fatal(*err)
	}
	return float64(done.Load()), time.Since(began)
}

// submit amends a caller's order.
func (s *served) submit(ctx context.Context, caller int) error {
	req := &v1.SubmitOrderRequest{Name: s.night + "/orders/" + s.shops[caller], RequestId: uuid.NewString()}
	known := s.known[caller].Load()
	if known > 0 {
		req.Etag = strconv.FormatInt(known, 10)
	}
	for i := range ratioLines {
		req.Lines = append(req.Lines, &v1.OrderLine{ItemId: fmt.Sprint("ball-", i), Pieces: 1 + known%50 + int64(i)})
	}
	got, err := v1.NewOrderServiceClient(s.conns[caller]).SubmitOrder(ctx, req)
	if err != nil {
		return err
	}
	revision, err := strconv.ParseInt(got.GetOrder().GetEtag(), 10, 64)
	s.known[caller].Store(revision)
	return err
}

func (s *served) submits() arm { return s.submitsOf(0, ratioCallers) }

// submitsOf is the arm of some of the callers.
func (s *served) submitsOf(from, to int) arm {
	return s.arm(func(limit time.Duration) (float64, time.Duration) {
		return all(s.B, to-from, limit, func(i int) error { return s.submit(s.Context(), from+i) })
	})
}

func (s *served) arm(work func(time.Duration) (float64, time.Duration)) arm {
	return arm{processes: []*os.Process{s.cmd.Process}, work: work}
}

// together adds up what two arms do at the same time.
func together(one, other arm) arm {
	return arm{processes: slices.Concat(one.processes, other.processes), elsewhere: true, work: func(limit time.Duration) (float64, time.Duration) {
		second := make(chan float64, 1)
		go func() {
			n, _ := other.work(limit)
			second <- n
		}()
		n, took := one.work(limit)
		return n + <-second, took
	}}
}

func BenchmarkRatios(b *testing.B) {
	k := newBench(b)
	sub := func(name string, f func(k *bench)) {
		b.Run(name, func(b *testing.B) {
			k := *k
			k.B = b
			f(&k)
		})
	}
	sub("submits by rows straight from Go", func(k *bench) {
		s := k.serve(k.file(), false, "")
		ratio(k.B, "submits at 64 callers by the same rows written straight from Go, 64 a commit, protection off", 0.60, s.submits(), k.straight())
	})
	sub("syncs by write", func(k *bench) { k.syncs(0.05) })
	sub("reads by echo", func(k *bench) {
		s := k.serve(k.file(), false, "")
		s.submits().work(100 * time.Millisecond)
		for i := range ratioCallers {
			require.NoError(k, s.tenRows(i))
		}
		read := s.arm(func(limit time.Duration) (float64, time.Duration) { return all(k.B, ratioCallers, limit, s.read) })
		ratio(k.B, "reads of ten rows by a bare gRPC echo of 300 bytes, protection off", 0.60, read, k.echo())
	})
	sub("submits by pgbench", func(k *bench) { k.postgres() })
	sub("overload", func(k *bench) { k.overload(0.80) })
	sub("protection", func(k *bench) {
		ratio(k.B, "durable submits with full protection by the same with none", 0.80, k.serve(k.file(), true, "").submits(), k.serve(k.file(), true, "none").submits())
	})
	for _, layer := range []string{"TLS", "access", "limits", "validation", "audit"} {
		sub("protection without "+layer, func(k *bench) {
			ratio(k.B, "full protection by the same with no "+layer, 0, k.serve(k.file(), true, "").submits(), k.serve(k.file(), true, "no "+layer).submits())
		})
	}
	sub("restart", func(k *bench) { k.restart(1.5) })
}

// tenRows makes a caller's order one of nine lines: ten rows with its head.
func (s *served) tenRows(caller int) error {
	req := &v1.SubmitOrderRequest{Name: s.night + "/orders/" + s.shops[caller], RequestId: uuid.NewString(), Etag: strconv.FormatInt(s.known[caller].Load(), 10)}
	day, err := time.Parse(time.DateOnly, s.night[strings.LastIndexByte(s.night, '/')+1:])
	if err != nil {
		return err
	}
	for i := range 9 {
		req.Lines = append(req.Lines, &v1.OrderLine{ItemId: fmt.Sprint("ball-", i%ratioLines), Pieces: 8, BakeDate: day.AddDate(0, 0, 1+i/ratioLines).Format(time.DateOnly)})
	}
	_, err = v1.NewOrderServiceClient(s.conns[caller]).SubmitOrder(s.Context(), req)
	return err
}

func (s *served) read(caller int) error {
	got, err := v1.NewOrderServiceClient(s.conns[caller]).GetOrder(s.Context(), &v1.GetOrderRequest{Name: s.night + "/orders/" + s.shops[caller]})
	if err == nil && len(got.GetOrder().GetLines()) != 9 {
		err = fmt.Errorf("%d lines", len(got.GetOrder().GetLines()))
	}
	return err
}

// syncs counts what the service asks of the disk, which no neighbour changes.
func (k *bench) syncs(most float64) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		k.Skip("SKIPPED: strace is not installed")
	}
	s := k.serve(k.file(), false, "")
	counts := filepath.Join(k.TempDir(), "counts")
	trace := exec.Command(strace, "-f", "-e", "trace=fsync,fdatasync", "-o", counts, "-p", strconv.Itoa(s.cmd.Process.Pid))
	talk, err := trace.StderrPipe()
	require.NoError(k, err)
	require.NoError(k, trace.Start())
	lines := bufio.NewScanner(talk)
	require.True(k, lines.Scan(), "it says that it is attached")
	writes := 0.0
	for range 4 {
		n, _ := s.submits().work(armTime)
		writes += n
	}
	require.NoError(k, trace.Process.Signal(syscall.SIGINT))
	for lines.Scan() {
	}
	_ = trace.Wait() // interrupted
	text, err := os.ReadFile(counts)
	require.NoError(k, err)
	n := strings.Count(string(text), "sync(")
	require.Positive(k, n)
	got := float64(n) / writes
	k.Logf("syncs by acknowledged write at 64 callers: %.3f (%d by %.0f), at most %.2f: %s", got, n, writes, most, verdicts[got <= most])
	k.ReportMetric(got, "syncs/write")
	k.ReportMetric(0, "ns/op")
}

// overload lets four times as many callers ask as make the peak. Those that are
// refused come again when they are told to; what took a second is no good.
func (k *bench) overload(goal float64) {
	s := k.serve(k.file(), false, "")
	var refused, hinted atomic.Int64
	crowd := s.arm(func(limit time.Duration) (float64, time.Duration) {
		var good atomic.Int64
		began := time.Now()
		all(k.B, ratioCrowd, limit, func(i int) error {
			asked := time.Now()
			err := s.submit(s.Context(), i)
			switch status.Code(err) {
			case codes.Unavailable, codes.ResourceExhausted:
				refused.Add(1)
				if wait := retryOf(err); wait > 0 {
					hinted.Add(1)
					time.Sleep(min(wait, max(0, limit-time.Since(began))))
				}
				return nil
			case codes.OK:
				if time.Since(asked) < time.Second {
					good.Add(1)
				}
			}
			return err
		})
		return float64(good.Load()), time.Since(began)
	})
	ratio(k.B, "goodput at four times the callers by the peak, protection off", goal, crowd, s.submits())
	k.Logf("%d calls refused, %d of them with a hint when to come again", refused.Load(), hinted.Load())
	require.Equal(k, refused.Load(), hinted.Load())
}

func retryOf(err error) time.Duration {
	for _, d := range status.Convert(err).Details() {
		if r, ok := d.(*errdetails.RetryInfo); ok {
			return r.GetRetryDelay().AsDuration()
		}
	}
	return 0
}
