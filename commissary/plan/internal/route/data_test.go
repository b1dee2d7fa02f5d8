package route_test

import (
	"bufio"
	"encoding/csv"
	"math/big"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/plan/internal/route"
)

// folder finds a folder of the shared data beside the repository, or skips.
func folder(t testing.TB, name string) string {
	t.Helper()
	dir, err := os.Getwd()
	require.NoError(t, err)
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		require.NotEqual(t, filepath.Dir(dir), dir, "no go.mod above the test")
		dir = filepath.Dir(dir)
	}
	path := filepath.Join(dir, "..", "shared", "data", name)
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the data folder is missing: ../shared/data/%s", name)
		}
		t.Skipf("SKIPPED: ../shared/data/%s is not there", name)
	}
	return path
}

// cpu is the processor time of this process so far: what a core on its own
// would need, also where others share the machine.
func cpu(t testing.TB) time.Duration {
	t.Helper()
	var u syscall.Rusage
	require.NoError(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func full() bool { return os.Getenv("CASES") == "full" }

// table reads a CSV file as one map per row.
func table(t testing.TB, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var list []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for k, name := range rows[0] {
			m[name] = row[k]
		}
		list = append(list, m)
	}
	return list
}

// tenths reads a decimal number with at most one decimal that is not zero.
func tenths(t testing.TB, s string) int64 {
	t.Helper()
	r, ok := new(big.Rat).SetString(s)
	require.True(t, ok, s)
	r.Mul(r, big.NewRat(10, 1))
	require.True(t, r.IsInt(), "%s has more than one decimal", s)
	return r.Num().Int64()
}

// solomon reads the first n customers of an instance. Source: M. Solomon,
// "Algorithms for the Vehicle Routing and Scheduling Problems with Time Window
// Constraints", Operations Research 35 (1987). Distances and travel times are
// tenths, cut, as in the optima of best_known.csv; the other times are whole.
func solomon(t testing.TB, name string, n int) route.Data {
	t.Helper()
	f, err := os.Open(filepath.Join(folder(t, "vrptw-solomon"), name+".txt"))
	require.NoError(t, err)
	defer f.Close()
	var rows [][]int64
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var row []int64
		for _, word := range strings.Fields(lines.Text()) {
			if v, err := strconv.ParseInt(word, 10, 64); err == nil {
				row = append(row, v)
			}
		}
		if len(row) > 1 {
			rows = append(rows, row)
		}
	}
	fleet, places := rows[0], rows[1:]
	require.Len(t, places, 101)
	places = places[:n+1]
	d := route.Data{Dimension: 1}
	for _, a := range places {
		var travel []route.Time
		var distance []route.Distance
		for _, b := range places {
			dx, dy := a[1]-b[1], a[2]-b[2]
			cut := new(big.Int).Sqrt(big.NewInt(100 * (dx*dx + dy*dy))).Int64()
			travel, distance = append(travel, route.Time(cut)), append(distance, route.Distance(cut))
		}
		d.Travel, d.Distance = append(d.Travel, travel), append(d.Distance, distance)
	}
	for i, r := range places[1:] {
		d.Stops = append(d.Stops, route.Stop{
			Place: i + 1, Demand: []route.Load{route.Load(r[3])}, Service: route.Time(10 * r[6]),
			Windows: []route.Window{{Open: route.Time(10 * r[4]), Close: route.Time(10 * r[5])}},
		})
	}
	for range fleet[0] {
		d.Vehicles = append(d.Vehicles, route.Vehicle{
			Capacity: []route.Load{route.Load(fleet[1])},
			Shift:    route.Window{Open: route.Time(10 * places[0][4]), Close: route.Time(10 * places[0][5])},
		})
	}
	return d
}

// tsptw reads one vehicle's problem: a matrix, then a window per place. All
// numbers are read as tenths. Sources: Y. Dumas, J. Desrosiers, E. Gélinas and
// M. Solomon, Operations Research 43 (1995); A. Langevin, M. Desrochers,
// J. Desrosiers, S. Gélinas and F. Soumis, Networks 23 (1993).
func tsptw(t testing.TB, file string) route.Data {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join(folder(t, "tsptw"), file))
	require.NoError(t, err)
	words := strings.Fields(string(raw))
	n, err := strconv.Atoi(words[0])
	require.NoError(t, err)
	require.Len(t, words, 1+n*n+2*n)
	at := func(k int) int64 { return tenths(t, words[1+k]) }
	var d route.Data
	for a := range n {
		var travel []route.Time
		var distance []route.Distance
		for b := range n {
			travel, distance = append(travel, route.Time(at(a*n+b))), append(distance, route.Distance(at(a*n+b)))
		}
		d.Travel, d.Distance = append(d.Travel, travel), append(d.Distance, distance)
	}
	window := func(a int) route.Window {
		return route.Window{Open: route.Time(at(n*n + 2*a)), Close: route.Time(at(n*n + 2*a + 1))}
	}
	d.Vehicles = []route.Vehicle{{Shift: window(0)}}
	for a := 1; a < n; a++ {
		d.Stops = append(d.Stops, route.Stop{Place: a, Windows: []route.Window{window(a)}})
	}
	return d
}
