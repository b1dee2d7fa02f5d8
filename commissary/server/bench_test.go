//go:build unix

package server_test

import (
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/server"
	"doughrun/commissary/store"
	v1 "doughrun/proto/doughrun/v1"
)

// benchItems is how many items a shop orders.
const benchItems = 60

// manyItems is the kitchen of testdata with sixty balls.
func manyItems(tb testing.TB) []byte {
	text, err := os.ReadFile(filepath.Join("testdata", "kitchen.yaml"))
	require.NoError(tb, err)
	before, rest, ok := strings.Cut(string(text), "  ball:\n")
	require.True(tb, ok)
	ball, after, ok := strings.Cut(rest, "  sauce-3kg:\n    name")
	require.True(tb, ok)
	var all strings.Builder
	for i := range benchItems - 1 {
		fmt.Fprintf(&all, "  ball-%d:\n%s", i, ball)
	}
	return []byte(before + "  ball:\n" + ball + all.String() + "  sauce-3kg:\n    name" + after)
}

// processor is the time that this process has had of the processors.
func processor(tb testing.TB) time.Duration {
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// sold keeps two years of sales of every ball of a shop.
func sold(tb testing.TB, facts commissary.Store, shop string, r *rand.Rand) {
	last, err := civil.ParseDate("2026-11-25")
	require.NoError(tb, err)
	require.NoError(tb, facts.Update(context.Background(), func(tx commissary.Tx) error {
		for i := range benchItems {
			item := "ball"
			if i > 0 {
				item = fmt.Sprint("ball-", i-1)
			}
			for d := range 2*365 - 1 {
				day := last.AddDays(-d)
				n := []int{40, 20, 24, 28, 32, 60, 64}[day.Weekday()]*(1+i%7)/4 + r.IntN(12)
				if err := tx.Counts("main").PutSale(commissary.Sale{Shop: shop, Item: item, Day: day, Pieces: quantity.Pieces(n), Kind: commissary.SaleOrdinary}); err != nil {
					return err
				}
			}
		}
		return nil
	}))
}

// One shop, sixty items, two years of sales, all learned before: at most 50 ms.
// Where the machine is busy with other things, the processor's time tells.
func BenchmarkProposeFromStoredFits(b *testing.B) {
	k := start(b)
	_, err := k.books.AdoptBook(b.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: manyItems(b), RequestId: id()})
	require.NoError(b, err)
	sold(b, k.store, "east", rand.New(rand.NewPCG(1, 2)))
	began := time.Now()
	require.NoError(b, k.service.LearnDue(b.Context()))
	b.Logf("learning %d items from two years took %s", benchItems, time.Since(began))
	b.ResetTimer()
	used := processor(b)
	for b.Loop() {
		m, err := k.orders.ProposeOrder(b.Context(), &v1.ProposeOrderRequest{Night: night, ShopId: "east"})
		require.NoError(b, err)
		require.GreaterOrEqual(b, len(m.GetLines()), benchItems)
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N), "ms/proposal")
	b.ReportMetric(float64((processor(b)-used).Milliseconds())/float64(b.N), "cpu-ms/proposal")
}

// soldLike keeps for other shops what east has sold, each day a little more of
// it. They are tens of millions of days, so that the database writes them itself.
func soldLike(tb testing.TB, path string, shops []string) {
	db, err := sql.Open("sqlite", "file:"+path+"?_pragma=synchronous(OFF)&_pragma=busy_timeout(10000)")
	require.NoError(tb, err)
	defer func() { require.NoError(tb, db.Close()) }()
	for i, shop := range slices.Sorted(slices.Values(shops)) {
		_, err := db.Exec(`INSERT INTO sales (kitchen, shop, item, day, pieces, kind)
			SELECT kitchen, $1, item, day, pieces + ((CAST(julianday(day) AS INTEGER) * 7919 + length(item) * 31 + $2 * 104729) >> 3) % 12, kind
			FROM sales WHERE kitchen = 'main' AND shop = 'east' ORDER BY item, day`, shop, i)
		require.NoError(tb, err)
	}
}

// peakMemory is the most that this process has had of the machine's memory, in MiB.
func peakMemory(tb testing.TB) float64 {
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	if runtime.GOOS == "darwin" {
		return float64(u.Maxrss) / (1 << 20)
	}
	return float64(u.Maxrss) / (1 << 10)
}

// Learning for 1,000 shops of sixty items from two years: what one shop takes,
// a thousand times over, and the memory while it runs. SHOPS takes more of them, 998 at
// the most.
func BenchmarkLearnShops(b *testing.B) {
	shops := 2
	if s := os.Getenv("SHOPS"); s != "" {
		var err error
		shops, err = strconv.Atoi(s)
		require.NoError(b, err)
	}
	path := filepath.Join(b.TempDir(), "shops.db")
	facts, err := store.Open(b.Context(), path, store.Options{})
	require.NoError(b, err)
	b.Cleanup(func() { require.NoError(b, facts.Close()) })
	k := start(b, func(o *server.Options) { o.Store = facts })
	text := manyItems(b)
	before, east, ok := strings.Cut(string(text), "  east:\n")
	require.True(b, ok)
	east, rest, ok := strings.Cut(east, "  west:\n")
	require.True(b, ok)
	var all strings.Builder
	for i := range shops - 1 {
		fmt.Fprintf(&all, "  shop-%d:\n%s", i, east)
	}
	// Forty shops to a van, so that all are reached while they receive.
	var vans, runs strings.Builder
	for i := range shops - 1 {
		if i%40 == 0 {
			fmt.Fprintf(&vans, "  van-%d: {name: Van %d}\n", i/40, i/40)
			fmt.Fprintf(&runs, "  run-%d:\n    name: Run %d\n    vehicle: van-%d\n    days: every day\n    departs: 07:00\n    stops:\n", i/40, i/40, i/40)
		}
		fmt.Fprintf(&runs, "      - {shop: shop-%d, travel: 1 min, stay: 1 min}\n", i)
	}
	whole := before + "  east:\n" + east + all.String() + "  west:\n" + rest
	whole = strings.Replace(whole, "\nvehicles:\n", "\nvehicles:\n"+vans.String(), 1)
	whole = strings.Replace(whole, "\nruns:\n", "\nruns:\n"+runs.String(), 1)
	_, err = k.books.AdoptBook(b.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: []byte(whole), RequestId: id()})
	require.NoError(b, err, "%v", status.Convert(err).Details())
	sold(b, facts, "east", rand.New(rand.NewPCG(1, 2)))
	var names []string
	for i := range shops - 1 {
		names = append(names, fmt.Sprint("shop-", i))
	}
	wrote := time.Now()
	soldLike(b, path, names)
	runtime.GC()
	b.Logf("writing what they sold took %s; %.0f MiB at the most by then", time.Since(wrote), peakMemory(b))
	b.ResetTimer()
	var took, used time.Duration
	for b.Loop() {
		began, before := time.Now(), processor(b)
		require.NoError(b, k.service.LearnDue(b.Context()))
		if took == 0 {
			took, used = time.Since(began), processor(b)-before
		}
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	b.ReportMetric(took.Seconds()*1000/float64(shops), "ms/shop")
	b.ReportMetric(used.Seconds()*1000/float64(shops), "cpu-ms/shop")
	b.ReportMetric(float64(m.HeapSys)/(1<<20), "MiB-heap")
	b.ReportMetric(peakMemory(b), "MiB-peak")
	b.Logf("%d shops of %d items: %s, %s of the processors, so that 1,000 take about %s; heap %d MiB, %.0f MiB of the machine's memory at the most",
		shops, benchItems, took, used, took*1000/time.Duration(shops), m.HeapSys>>20, peakMemory(b))
}
