package sched

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// Since is the earliest second from which on Has says yes.
func TestFreeSince(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		f := NewFree(rng.Int64N(4))
		for range rng.IntN(5) {
			from := rng.Int64N(20)
			f.Add(from, from+1+rng.Int64N(8), rng.Int64N(5)-2)
		}
		from := rng.Int64N(20)
		to, need := from+rng.Int64N(10), rng.Int64N(4)
		want := from
		for want < to && !f.Has(want, to, need) {
			want++
		}
		require.Equal(t, want, f.Since(from, to, need), "%v: %d free in [%d, %d)", f, need, from, to)
	}
}
