package server_test

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/server"
	"doughrun/commissary/store"
	"doughrun/commissary/trace"
	v1 "doughrun/proto/doughrun/v1"
)

// A year of a large operator: every night every item is made once and goes to
// every shop. An ingredient lot lasts a week, so that the worst one is in
// everything of seven nights.
const (
	yearShops    = 60
	yearItems    = 40
	lotLastsDays = 7
)

// history writes nights into a store, one transaction a night.
func history(b testing.TB, facts commissary.Store, first civil.Date, nights int) (worst string) {
	at := func(n, minute int) time.Time {
		return time.Date(first.Year, first.Month, first.Day+n, 4, minute, 0, 0, time.UTC)
	}
	for n := range nights {
		date := first.AddDays(n)
		flour := fmt.Sprintf("flour.W%d", n/lotLastsDays)
		if n == lotLastsDays || worst == "" {
			worst = flour
		}
		require.NoError(b, facts.Update(context.Background(), func(tx commissary.Tx) error {
			lots := tx.Lots("main")
			if err := tx.Plans("main").Append(commissary.Plan{Night: date, Revision: 1, State: commissary.PlanReleased, BookRev: 1}); err != nil {
				return err
			}
			if n%lotLastsDays == 0 {
				if err := lots.Create(commissary.Lot{Code: flour, Ingredient: "flour", Made: at(n, 0), Receipt: commissary.Receipt{Supplier: "Hollow Mill", Printed: "W" + strconv.Itoa(n)}}); err != nil {
					return err
				}
				if err := lots.Move(commissary.Movement{Lot: flour, Kind: commissary.Received, Mass: 40_000 * quantity.Kilogram, At: at(n, 0), Ref: "DN"}); err != nil {
					return err
				}
			}
			for i := range yearItems {
				id := fmt.Sprintf("%s-%02d", date.String()[:4]+date.String()[5:7]+date.String()[8:], i+1)
				pieces := quantity.Pieces(yearShops * 20)
				batch := commissary.PostedBatch{Batch: commissary.Batch{ID: id, Formula: "dough", Vessel: "mixer", Unit: 1, State: commissary.BatchOut, Mass: 300 * quantity.Kilogram, MixEnd: at(n, i),
					Makes: []commissary.Making{{Item: "ball", Pieces: pieces}}}, Night: date, Plan: 1, Revision: 1, Started: at(n, 0), Finished: at(n, i)}
				if err := tx.Batches("main").Put(batch); err != nil {
					return err
				}
				if err := lots.Draw(commissary.Draw{Batch: id, Lot: flour, Mass: 100 * quantity.Kilogram}); err != nil {
					return err
				}
				if err := lots.Move(commissary.Movement{Lot: flour, Kind: commissary.Used, Mass: -100 * quantity.Kilogram, At: at(n, i), Ref: id}); err != nil {
					return err
				}
				code := commissary.LotCode(id, 1)
				if err := lots.Create(commissary.Lot{Code: code, Item: "ball", Formula: "dough", Made: at(n, i), Batch: id}); err != nil {
					return err
				}
				if err := lots.Move(commissary.Movement{Lot: code, Kind: commissary.Made, Pieces: pieces, At: at(n, i), Ref: id}); err != nil {
					return err
				}
				for s := range yearShops {
					shop := yearShop(s)
					van := commissary.OnVan("round", shop)
					ref := "kitchens/main/nights/" + date.String() + "/manifests/round"
					if err := lots.Move(commissary.Movement{Lot: code, Kind: commissary.Picked, Pieces: -20, To: van, At: at(n, 60), By: "dock", Ref: ref}); err != nil {
						return err
					}
					if err := lots.Move(commissary.Movement{Lot: code, Kind: commissary.Delivered, Pieces: -20, Place: van, To: shop, At: at(n, 120), By: "driver", Ref: ref}); err != nil {
						return err
					}
				}
			}
			return nil
		}))
	}
	return worst
}

// yearShop is a shop of the history; the book of testdata has the first two.
func yearShop(s int) string {
	switch s {
	case 0:
		return "east"
	case 1:
		return "west"
	}
	return fmt.Sprintf("shop-%02d", s)
}

// BenchmarkYear measures trace and recall of the worst ingredient lot at the
// end of a history, and how much a night adds to the database. NIGHTS says how
// long it is; a year is 365.
func BenchmarkYear(b *testing.B) {
	nights := 21
	if s := os.Getenv("NIGHTS"); s != "" {
		n, err := strconv.Atoi(s)
		require.NoError(b, err)
		nights = n
	}
	path := filepath.Join(b.TempDir(), "facts.db")
	facts, err := store.Open(context.Background(), path, store.Options{})
	require.NoError(b, err)
	defer func() { require.NoError(b, facts.Close()) }()
	source, err := os.ReadFile("testdata/kitchen.yaml")
	require.NoError(b, err)
	require.NoError(b, facts.Update(context.Background(), func(tx commissary.Tx) error {
		return tx.Books("main").Append(commissary.BookRevision{Revision: 1, Source: withShops(source), Adopted: time.Unix(1_700_000_000, 0), By: "baker"})
	}))
	began := time.Now()
	worst := history(b, facts, civil.Date{Year: 2026, Month: time.January, Day: 1}, nights)
	b.Logf("%d nights written in %v", nights, time.Since(began).Round(time.Second))

	s := serveMemory(b, server.Options{Store: facts, Now: func() time.Time { return time.Date(2027, 1, 2, 0, 0, 0, 0, time.UTC) }, NewID: func() string { return "x" }})
	lots := v1.NewLotServiceClient(s)
	b.Run("trace", func(b *testing.B) {
		var read, returned int64
		for b.Loop() {
			require.NoError(b, facts.View(context.Background(), func(tx commissary.Tx) error {
				t, err := trace.Follow(tx.Lots("main"), worst)
				read, returned = t.Read, t.Returned
				return err
			}))
		}
		b.ReportMetric(float64(read)/float64(returned), "read/returned")
		b.ReportMetric(float64(returned), "rows")
		require.LessOrEqual(b, read*2, returned*3)
	})
	b.Run("recall", func(b *testing.B) {
		for b.Loop() {
			pack, err := lots.GetRecallPack(context.Background(), &v1.GetRecallPackRequest{Name: main + "/lots/" + worst})
			require.NoError(b, err)
			b.ReportMetric(float64(len(pack.GetShippings())+len(pack.GetReceivings())+len(pack.GetTransformings())), "records")
		}
	})
	b.Run("typed", func(b *testing.B) { recallTyped(b, path, worst) })
	info, err := os.Stat(path)
	require.NoError(b, err)
	b.Logf("%d KiB a night on disk", info.Size()/1024/int64(nights))
}

// recallTyped measures what whoever types the lot waits for: the programs as they
// are built, from the command to its files on the disk.
func recallTyped(b *testing.B, database, lot string) {
	programs := b.TempDir()
	out, err := exec.Command("go", "build", "-o", programs, "doughrun/cmd/doughrun", "doughrun/cmd/doughrund").CombinedOutput()
	require.NoError(b, err, string(out))
	service := exec.Command(filepath.Join(programs, "doughrund"), "serve", "--listen", "127.0.0.1:0", "--database", database, "--log-level", "error", "--close-due", "no")
	said, err := service.StderrPipe()
	require.NoError(b, err)
	require.NoError(b, service.Start())
	defer func() {
		require.NoError(b, service.Process.Signal(os.Interrupt))
		require.NoError(b, service.Wait())
		b.Logf("the service took %v of the processor for all of them", (service.ProcessState.UserTime() + service.ProcessState.SystemTime()).Round(time.Millisecond))
	}()
	line, err := bufio.NewReader(said).ReadString('\n')
	require.NoError(b, err)
	_, address, ok := strings.Cut(strings.TrimSpace(line), "listening on ")
	require.True(b, ok, line)
	var cpu time.Duration
	for b.Loop() {
		folder := filepath.Join(b.TempDir(), "recall")
		typed := exec.Command(filepath.Join(programs, "doughrun"), "lot", "recall", lot, "--folder", folder, "--address", address)
		out, err := typed.CombinedOutput()
		require.NoError(b, err, string(out))
		files, err := os.ReadDir(folder)
		require.NoError(b, err)
		require.Len(b, files, 7, "a page as text, HTML and PDF, and four tables")
		cpu += typed.ProcessState.UserTime() + typed.ProcessState.SystemTime()
	}
	b.ReportMetric(cpu.Seconds()/float64(b.N), "client-cpu-s/op")
}

// withShops gives the book of testdata the shops of the history.
func withShops(source []byte) []byte {
	more := "\nshops:\n"
	for s := 2; s < yearShops; s++ {
		more += fmt.Sprintf("  %s:\n    name: Shop %02d\n    address: %d Long Street, Alderwick\n    phone: 555-0150\n    night_phone: 555-0151\n    receiving: {from: 06:00, to: 20:00}\n    walk_in: 4 °C\n    service:\n      - {days: every day, from: 11:00, to: 22:00}\n", yearShop(s), s, s)
	}
	stops := ""
	for s := 2; s < yearShops; s++ {
		stops += fmt.Sprintf("      - {shop: %s, travel: 5 min, stay: 5 min}\n", yearShop(s))
	}
	text := strings.Replace(string(source), "\nshops:\n", more, 1)
	return []byte(strings.Replace(text, "  sunday:\n", stops+"  sunday:\n", 1))
}

// serveMemory serves over a pipe in memory and returns a connection to it.
func serveMemory(b testing.TB, o server.Options) *grpc.ClientConn {
	s, err := server.New(o)
	require.NoError(b, err)
	pipe := bufconn.Listen(1 << 20)
	served := make(chan error, 1)
	go func() { served <- s.Serve(pipe) }()
	conn, err := grpc.NewClient("passthrough:///kitchen", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }))
	require.NoError(b, err)
	b.Cleanup(func() {
		require.NoError(b, conn.Close())
		s.Stop(time.Second)
		require.NoError(b, <-served)
	})
	return conn
}

// The recall of a lot that went into some nights of everything is far longer than
// gRPC's usual four mebibytes, and comes whole.
func TestALargeRecallComesWhole(t *testing.T) {
	if testing.Short() {
		t.Skip("writes nights of sixty shops")
	}
	facts, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "facts.db"), store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, facts.Close()) })
	source, err := os.ReadFile("testdata/kitchen.yaml")
	require.NoError(t, err)
	require.NoError(t, facts.Update(t.Context(), func(tx commissary.Tx) error {
		return tx.Books("main").Append(commissary.BookRevision{Revision: 1, Source: withShops(source), Adopted: time.Unix(1_700_000_000, 0), By: "baker"})
	}))
	const nights = 3
	worst := history(t, facts, civil.Date{Year: 2026, Month: time.January, Day: 1}, nights)
	s := serveMemory(t, server.Options{Store: facts, Now: func() time.Time { return time.Date(2027, 1, 2, 0, 0, 0, 0, time.UTC) }, NewID: func() string { return "x" }})
	pack, err := v1.NewLotServiceClient(s).GetRecallPack(t.Context(), &v1.GetRecallPackRequest{Name: main + "/lots/" + worst})
	require.NoError(t, err)
	t.Logf("%d bytes", proto.Size(pack))
	require.Greater(t, proto.Size(pack), 4<<20)
	const drops = nights * yearItems * yearShops
	require.Len(t, pack.GetShops(), drops, "every shop with every lot")
	require.Len(t, pack.GetShippings(), drops)
	require.Len(t, pack.GetReceivings(), drops+1, "and the delivery of the lot itself")
	require.Len(t, pack.GetTransformings(), nights*yearItems)
}
