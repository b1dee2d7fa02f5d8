package route_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/plan/internal/route"
)

// exhaust tries every way to serve or leave out every stop and gives the best
// rank: the naive twin of Solve.

func exhaust(p *route.Problem, stops, vehicles int) route.Rank {
	routes := make([][]int, vehicles)
	var best route.Rank
	found := false
	var put func(i int)
	put = func(i int) {
		if i == stops {
			for _, violation := range route.Check(p, routes) {
				if violation.Breach != route.LeftOut {
					return
				}
			}
			if rank := route.CostOf(p, routes).Rank; !found || rank.Compare(best) < 0 {
				best, found = rank, true
			}
			return
		}
		put(i + 1)
		for v := range routes {
			was := routes[v]
			for k := range len(was) + 1 {
				routes[v] = slices.Insert(slices.Clone(was), k, i)
				put(i + 1)
			}
			routes[v] = was
		}
	}
	put(0)
	return best
}

func cases(short, all int) int {
	if full() {
		return all
	}
	return short
}

// sound asks what must hold of any result: Check finds nothing but the stops
// reported as unserved, each of them has a reason, the cost is what CostOf
// says, and nothing beats the bound.
func sound(t *testing.T, data route.Data, p *route.Problem, r route.Result, seed uint64) {
	t.Helper()
	var left, reported []int
	for _, violation := range route.Check(p, r.Routes) {
		require.Equal(t, route.LeftOut, violation.Breach, "seed %d: %v", seed, violation)
		left = append(left, violation.Stop)
	}
	served := 0
	for _, u := range r.Unserved {
		require.NotZero(t, u.Why, "seed %d", seed)
		if !data.Stops[u.Stop].Optional {
			reported = append(reported, u.Stop)
		}
	}
	for _, stops := range r.Routes {
		served += len(stops)
	}
	require.Equal(t, left, reported, "seed %d", seed)
	require.Equal(t, len(data.Stops), served+len(r.Unserved), "seed %d", seed)
	require.Equal(t, route.CostOf(p, r.Routes), r.Cost, "seed %d", seed)
	require.LessOrEqual(t, r.Bound.Compare(r.Cost.Rank), 0, "seed %d: bound %v, rank %v", seed, r.Bound, r.Cost.Rank)
	require.Equal(t, r.Proved, r.Bound == r.Cost.Rank, "seed %d", seed)
}

// Where the triangle inequality holds, Solve finds the optimum of every small
// problem. Without it a stop can be in reach only through another one, and a
// search that puts stops back one at a time never sees the pair: once in some
// thousands of such matrices it stays behind.
func TestSolveAgainstExhaustion(t *testing.T) {
	for _, metric := range []bool{true, false} {
		t.Run(fmt.Sprintf("metric %v", metric), func(t *testing.T) {
			behind, all := 0, cases(1000, 20000)
			for seed := range uint64(all) {
				r := rand.New(rand.NewPCG(seed, 7))
				vehicles := r.IntN(4)
				stops := r.IntN(6 - vehicles/2)
				data := random(r, stops, vehicles, metric)
				p, err := route.New(data)
				require.NoError(t, err, "seed %d", seed)
				result := route.Solve(p, route.Options{Seed: seed, Steps: 2000})
				sound(t, data, p, result, seed)
				best := exhaust(p, stops, vehicles)
				require.LessOrEqual(t, result.Bound.Compare(best), 0, "seed %d: bound %v, optimum %v", seed, result.Bound, best)
				if best != result.Cost.Rank {
					require.False(t, metric, "seed %d: rank %v, optimum %v", seed, result.Cost.Rank, best)
					behind++
				}
			}
			require.LessOrEqual(t, behind, all/1000)
		})
	}
}

// Larger problems with every feature, too large to exhaust.
func TestSolveIsSound(t *testing.T) {
	for seed := range uint64(cases(60, 1000)) {
		r := rand.New(rand.NewPCG(seed, 8))
		data := random(r, 10+r.IntN(20), 1+r.IntN(5), seed%2 == 0)
		p, err := route.New(data)
		require.NoError(t, err, "seed %d", seed)
		sound(t, data, p, route.Solve(p, route.Options{Seed: seed, Steps: 500}), seed)
	}
}

// One vehicle: the exact table against exhaustion, on problems of up to seven stops.
func TestOneVehicleIsProved(t *testing.T) {
	for seed := range uint64(cases(100, 2000)) {
		r := rand.New(rand.NewPCG(seed, 9))
		stops := r.IntN(8)
		data := random(r, stops, 1, seed%2 == 0)
		p, err := route.New(data)
		require.NoError(t, err, "seed %d", seed)
		result := route.Solve(p, route.Options{Seed: seed, Steps: 5000})
		sound(t, data, p, result, seed)
		require.Equal(t, exhaust(p, stops, 1), result.Cost.Rank, "seed %d", seed)
		require.True(t, result.Proved, "seed %d", seed)
	}
}

// Each limit broken on purpose in routes that keep them all: Check finds that
// breach, on that stop or vehicle, and Check's amount is the one seeded.
func TestCheckFindsSeededBreaches(t *testing.T) {
	seeded := map[route.Breach]int{}
	for seed := range uint64(cases(200, 3000)) {
		r := rand.New(rand.NewPCG(seed, 10))
		data := random(r, 3+r.IntN(6), 1+r.IntN(3), true)
		p, err := route.New(data)
		require.NoError(t, err, "seed %d", seed)
		routes := route.Solve(p, route.Options{Seed: seed, Steps: 200}).Routes
		v := slices.IndexFunc(routes, func(stops []int) bool { return len(stops) > 0 })
		if v < 0 {
			continue
		}
		k := r.IntN(len(routes[v]))
		i := routes[v][k]
		round := route.Drive(p, v, routes[v])
		expect := func(data route.Data, routes [][]int, want route.Violation) {
			t.Helper()
			p, err := route.New(data)
			require.NoError(t, err, "seed %d", seed)
			require.Contains(t, route.Check(p, routes), want, "seed %d", seed)
			seeded[want.Breach]++
		}
		// changed gives a copy of the data with other stops and vehicles, to break freely.
		changed := func(change func(stop *route.Stop, vehicle *route.Vehicle)) route.Data {
			c := data
			c.Stops, c.Vehicles = slices.Clone(data.Stops), slices.Clone(data.Vehicles)
			change(&c.Stops[i], &c.Vehicles[v])
			return c
		}
		with := func(stops ...int) [][]int {
			c := slices.Clone(routes)
			c[v] = stops
			return c
		}
		without := slices.Delete(slices.Clone(routes[v]), k, k+1)
		if !data.Stops[i].Optional {
			expect(data, with(without...), route.Violation{Breach: route.LeftOut, Vehicle: -1, Stop: i})
		}
		expect(data, with(append(slices.Clone(routes[v]), i, i)...), route.Violation{Breach: route.Twice, Vehicle: -1, Stop: i, By: 2})
		expect(data, with(append(slices.Clone(routes[v]), 99)...), route.Violation{Breach: route.UnknownStop, Vehicle: v, Stop: 99})
		expect(data, append(slices.Clone(routes), []int{}), route.Violation{Breach: route.UnknownVehicle, Vehicle: len(routes), Stop: -1})
		if len(data.Vehicles) > 1 {
			other := (v + 1) % len(data.Vehicles)
			expect(changed(func(s *route.Stop, _ *route.Vehicle) { s.Vehicles = []int{other} }), routes,
				route.Violation{Breach: route.Forbidden, Vehicle: v, Stop: i})
		}
		for dim := range data.Dimension {
			var load route.Load
			for _, j := range routes[v] {
				load += data.Stops[j].Demand[dim]
			}
			if load > 0 {
				expect(changed(func(_ *route.Stop, c *route.Vehicle) {
					c.Capacity = slices.Clone(c.Capacity)
					c.Capacity[dim] = load - 1
				}), routes, route.Violation{Breach: route.Overload, Vehicle: v, Stop: -1, Dimension: dim, By: 1})
			}
		}
		if start := round.Visits[k].Arrive; k > 0 && start >= 2 {
			expect(changed(func(s *route.Stop, _ *route.Vehicle) { s.Windows = []route.Window{{Open: 0, Close: start - 2}} }), routes,
				route.Violation{Breach: route.Late, Vehicle: v, Stop: i, By: 2})
		}
		if shift := data.Vehicles[v].Shift; round.Finish-1 >= shift.Open {
			expect(changed(func(_ *route.Stop, c *route.Vehicle) { c.Shift.Close = round.Finish - 1 }), routes,
				route.Violation{Breach: route.Overtime, Vehicle: v, Stop: -1, By: 1})
		}
	}
	for breach := route.UnknownVehicle; breach <= route.LeftOut; breach++ {
		require.Greater(t, seeded[breach], 10, "breach %d was hardly seeded", breach)
	}
}
