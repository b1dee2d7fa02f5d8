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

// Of what has no limit there is always enough, at once.
func TestFreeWithoutLimit(t *testing.T) {
	var f *Free
	f.Add(0, 10, -5)
	at, ok := f.Fit(3, 4, 1000, 3)
	require.True(t, ok)
	require.EqualValues(t, 3, at)
	require.True(t, f.Has(0, 10, 1000))
	require.EqualValues(t, 2, f.Since(2, 9, 1000))
}
