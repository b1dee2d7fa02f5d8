package plan

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/quantity"
)

// holdable reports whether batches at instants, with what each holds, can give
// every claim: for every choice of claims all that is open to one of them must
// hold them (P. Hall's condition for divisible shares).
func holdable(claims []claim, at []batchAt) bool {
	for set := 1; set < 1<<len(claims); set++ {
		var wanted, held quantity.Mass
		for i, c := range claims {
			if set>>i&1 == 1 {
				wanted += c.net
			}
		}
		for _, b := range at {
			for i, c := range claims {
				if set>>i&1 == 1 && c.from <= b.mixEnd && b.mixEnd <= c.to {
					held += b.holds
					break
				}
			}
		}
		if held < wanted {
			return false
		}
	}
	return true
}

// The greedy count is the least of all ways to put batches at instants.
func TestFewestAgainstEveryWay(t *testing.T) {
	const instants = 5
	for _, seed := range seedRange(2000) {
		rng := rand.New(rand.NewPCG(seed, 11))
		size := quantity.Mass(1 + rng.IntN(6))
		claims := make([]claim, 1+rng.IntN(4))
		for i := range claims {
			from := rng.Int64N(instants)
			claims[i] = claim{from, from + rng.Int64N(instants-from), quantity.Mass(1 + rng.IntN(8))}
		}
		var stand []batchAt
		for range rng.IntN(3) { // in front of all new ones, as tubs are
			stand = append(stand, batchAt{0, quantity.Mass(rng.IntN(5))})
		}
		var least func(at int64, left int, all []batchAt) bool
		least = func(at int64, left int, all []batchAt) bool {
			if left == 0 || at == instants {
				return left == 0 && holdable(claims, all)
			}
			return least(at, left-1, append(all[:len(all):len(all)], batchAt{at, size})) || least(at+1, left, all)
		}
		best := 0
		for !least(0, best, stand) {
			best++
		}
		require.Equal(t, best, fewest(claims, size, stand), "seed %d: %v of %d beside %v", seed, claims, size, stand)
	}
}

// The cheapest holding is the least of all counts of batches, the rest left out.
func TestHoldingAgainstEveryWay(t *testing.T) {
	for _, seed := range seedRange(2000) {
		rng := rand.New(rand.NewPCG(seed, 12))
		h := holding{leave: math.Inf(1)}
		for range 1 + rng.IntN(3) {
			h.holds, h.cost = append(h.holds, quantity.Mass(2+rng.IntN(12))), append(h.cost, 1+rng.Float64())
		}
		mass := quantity.Mass(1 + rng.IntN(40))
		if rng.IntN(2) == 0 {
			h.leave = rng.Float64() / 4
		}
		var least func(i int, rest quantity.Mass) float64
		least = func(i int, rest quantity.Mass) float64 {
			if rest <= 0 {
				return 0
			}
			if i == len(h.holds) {
				return h.leave * float64(rest)
			}
			best := math.Inf(1)
			for n := quantity.Mass(0); n <= rest/h.holds[i]+1; n++ {
				best = math.Min(best, float64(n)*h.cost[i]+least(i+1, rest-n*h.holds[i]))
			}
			return best
		}
		h.solve(mass)
		require.InDelta(t, least(0, mass), h.least, 1e-9, "seed %d: %d in %v at %v, left out at %v", seed, mass, h.holds, h.cost, h.leave)
	}
}

// Where the search for the cheapest holding is cut short it stays below it.
func TestHoldingCutShort(t *testing.T) {
	h := holding{leave: math.Inf(1), holds: []quantity.Mass{7, 11, 13}, cost: []float64{1, 1.5, 1.8}}
	h.solve(1000)
	exact := h.least
	h.least, h.nodes = math.Inf(1), holdingNodes
	h.hold(0, 1000, 0)
	require.LessOrEqual(t, h.least, exact)
	require.InDelta(t, 1000*1.5/11, h.least, 1e-9, "the linear relaxation")
}

// On a large day large steps alone leave all prices at nothing.
func TestPricesOfALargeDay(t *testing.T) {
	s := searchOn(t, generate(largeDay, 1))
	s.spans = s.stretches()
	time := s.vesselTime()
	dual := linear(s.parts(true)).complete
	free := dual(zeros(time.time), zeros(time.time))
	require.Greater(t, climb(zeros(time.time), time, 0.1, 200, dual), free*1.01, "a day that fills its vessels has dear hours")
	require.Greater(t, s.prices()[0][0], 0.0)
}
