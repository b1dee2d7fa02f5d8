package route_test

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/plan/internal/route"
)

// known names the columns of best_known.csv by number of customers.
var known = map[int]string{25: "dist25_1dec", 50: "dist50_1dec", 100: "cvrplib_dist100_1dec"}

// Distance alone on Solomon's instances. Sources of the optima: the data
// folder's SOURCE.txt; at 100 customers they are the best known. The short
// form leaves most instances of 100 out and has too few steps for the harder
// ones: it asks for every optimum of 25, and mean gaps of 1 % at 50 and 3 % at
// 100. CASES=full asks for what the search is meant to reach.
func TestSolomonDistance(t *testing.T) {
	rows := table(t, filepath.Join(folder(t, "vrptw-solomon"), "best_known.csv"))
	steps := map[int]int{25: 10_000, 50: 10_000, 100: 10_000}
	if full() {
		steps = map[int]int{25: 100_000, 50: 800_000, 100: 400_000}
	}
	equal, small := 0, 0
	gaps := map[int][]float64{}
	for _, row := range rows {
		for _, n := range []int{25, 50, 100} {
			if n == 100 && !full() && !strings.HasSuffix(row["instance"], "101") {
				continue
			}
			data := solomon(t, row["instance"], n)
			data.Objective.PerDistance = 1
			p, err := route.New(data)
			require.NoError(t, err)
			began := cpu(t)
			r := route.Solve(p, route.Options{Seed: 1, Steps: steps[n]})
			took := cpu(t) - began
			require.Empty(t, route.Check(p, r.Routes))
			best := tenths(t, row[known[n]])
			require.GreaterOrEqual(t, int64(r.Cost.Distance), best, "%s %d is below the optimum", row["instance"], n)
			require.LessOrEqual(t, int64(r.Bound.Price), best, "%s %d: the bound passes the optimum", row["instance"], n)
			gap := 100 * float64(int64(r.Cost.Distance)-best) / float64(best)
			gaps[n] = append(gaps[n], gap)
			if n < 100 {
				small++
				if gap == 0 {
					equal++
				}
			}
			t.Logf("%-6s %3d  distance %7d  best %7d  gap %.2f %%  vehicles %2d  proved %-5v  %v",
				row["instance"], n, r.Cost.Distance, best, gap, r.Cost.Vehicles, r.Proved, took.Round(time.Millisecond))
		}
	}
	t.Logf("equal to the optimum: %d of %d; mean gaps %.3f, %.3f, %.3f %%", equal, small, mean(gaps[25]), mean(gaps[50]), mean(gaps[100]))
	if full() {
		require.GreaterOrEqual(t, 10*equal, 9*small, "equal to the optimum at 25 and 50 customers: %d of %d", equal, small)
		require.LessOrEqual(t, mean(gaps[100]), 1.0)
		return
	}
	require.Zero(t, mean(gaps[25]))
	require.LessOrEqual(t, mean(gaps[50]), 1.0)
	require.LessOrEqual(t, mean(gaps[100]), 3.0)
}

func mean(list []float64) float64 {
	var sum float64
	for _, v := range list {
		sum += v
	}
	return sum / float64(len(list))
}

// fewestKnown are the fewest vehicles published for the 100 customers, from
// memory; the data folder has no list for this convention.
var fewestKnown = map[string]int{"C101": 10, "C105": 10, "C201": 3, "R101": 19, "R105": 14, "R201": 4, "RC101": 14, "RC105": 13, "RC201": 4}

// Fewest vehicles first, then distance: never more vehicles than the optimum
// for distance alone uses, and at 100 customers the fewest known.
func TestSolomonFewestVehicles(t *testing.T) {
	rows := table(t, filepath.Join(folder(t, "vrptw-solomon"), "best_known.csv"))
	steps, sizes := 10_000, []int{25}
	if full() {
		steps, sizes = 300_000, []int{25, 50, 100}
	}
	for _, row := range rows {
		for _, n := range sizes {
			r := fewest(t, row["instance"], n, steps)
			used, err := strconv.Atoi(row[map[int]string{25: "veh25", 50: "veh50", 100: "cvrplib_routes100"}[n]])
			require.NoError(t, err)
			if n == 100 {
				used = fewestKnown[row["instance"]]
			}
			require.LessOrEqual(t, r.Cost.Vehicles, used, "%s %d", row["instance"], n)
			require.GreaterOrEqual(t, r.Cost.Vehicles, r.Bound.Vehicles, "%s %d", row["instance"], n)
			t.Logf("%-6s %3d  vehicles %2d (bound %2d)  distance %7d", row["instance"], n, r.Cost.Vehicles, r.Bound.Vehicles, r.Cost.Distance)
		}
	}
}

func fewest(t testing.TB, name string, n, steps int) route.Result {
	data := solomon(t, name, n)
	data.Objective = route.Objective{FewestVehicles: true, PerDistance: 1}
	p, err := route.New(data)
	require.NoError(t, err)
	r := route.Solve(p, route.Options{Seed: 1, Steps: steps})
	require.Empty(t, route.Check(p, r.Routes))
	return r
}

// The table of the comparison: 100 customers, distance alone and fewest
// vehicles first, with the seconds of processor time.
func BenchmarkSolomon(b *testing.B) {
	rows := table(b, filepath.Join(folder(b, "vrptw-solomon"), "best_known.csv"))
	const steps = 300_000
	for range b.N {
		fmt.Printf("\n%-6s | %9s %9s %6s %4s %5s | %4s %9s %5s\n", "", "best", "distance", "gap %", "veh", "s", "veh", "distance", "s")
		var gaps []float64
		for _, row := range rows {
			data := solomon(b, row["instance"], 100)
			data.Objective.PerDistance = 1
			p, err := route.New(data)
			require.NoError(b, err)
			began := cpu(b)
			r := route.Solve(p, route.Options{Seed: 1, Steps: steps})
			first := cpu(b) - began
			best := tenths(b, row[known[100]])
			gaps = append(gaps, 100*float64(int64(r.Cost.Distance)-best)/float64(best))
			began = cpu(b)
			f := fewest(b, row["instance"], 100, steps)
			fmt.Printf("%-6s | %9.1f %9.1f %6.2f %4d %5.1f | %4d %9.1f %5.1f\n", row["instance"], float64(best)/10, float64(r.Cost.Distance)/10,
				gaps[len(gaps)-1], r.Cost.Vehicles, first.Seconds(), f.Cost.Vehicles, float64(f.Cost.Distance)/10, (cpu(b) - began).Seconds())
		}
		b.ReportMetric(mean(gaps), "%gap")
	}
}
