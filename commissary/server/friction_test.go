package server_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// A mixer that warms doughs two degrees more than the book says is known to
// after three mixings, in its own fill band, and the sheet says where the
// friction is from.
func TestFrictionIsLearntFromFinishedBatches(t *testing.T) {
	k := open(t)
	k.clock.Set(at("2026-11-26T15:00:00-05:00"))
	bake := func(number int, pieces int64, temp int32) *v1.BatchSheet {
		out, err := k.made(number, "dough", "mixer", "ball", pieces, 254*quantity.Gram, nil, func(r *v1.FinishBatchRequest) {
			r.Confirm, r.Actual = true, &v1.BatchActual{DoughTempMillicelsius: proto.Int32(temp)}
		})
		require.NoError(t, err)
		k.wait(time.Hour)
		got, err := k.batches.GetBatch(t.Context(), &v1.GetBatchRequest{Name: out.GetBatch().GetName()})
		require.NoError(t, err)
		return got.GetSheet()
	}
	says := func(s *v1.BatchSheet) bool {
		return strings.Contains(strings.Join(s.GetWaterArithmetic(), " "), "friction learnt from the last mixings on Spiral mixer")
	}
	var first *v1.BatchSheet
	for n := range 3 {
		s := bake(n+1, 200, 26_000)
		require.False(t, says(s), "its own mixing and two before teach nothing")
		if first == nil {
			first = s
		}
		require.Equal(t, first.GetWaterTempMillicelsius(), s.GetWaterTempMillicelsius())
	}
	s := bake(4, 200, 24_000)
	require.True(t, says(s))
	// 2 °C too warm, of four factors.
	require.Equal(t, first.GetWaterTempMillicelsius()-8_000, s.GetWaterTempMillicelsius())
	require.False(t, says(bake(5, 60, 26_000)), "a small batch learns by itself")
}
