package server

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

// Calls that are too many are told to come again, at different moments, and the others do not notice.
func TestCrowdIsTurnedAway(t *testing.T) {
	admit := crowd(2)
	inside, leave := make(chan struct{}), make(chan struct{})
	done := make(chan error)
	for range 2 {
		go func() {
			_, err := admit(context.Background(), nil, nil, func(context.Context, any) (any, error) {
				inside <- struct{}{}
				<-leave
				return nil, nil
			})
			done <- err
		}()
		<-inside
	}
	waits := map[time.Duration]bool{}
	for range 20 {
		_, err := admit(context.Background(), nil, nil, func(context.Context, any) (any, error) {
			t.Error("one too many")
			return nil, nil
		})
		var e *commissary.Error
		require.ErrorAs(t, err, &e)
		require.Equal(t, "TOO_BUSY", e.Reason)
		require.Equal(t, commissary.Unavailable, e.Kind)
		require.Positive(t, e.Retry)
		waits[e.Retry] = true
	}
	require.Greater(t, len(waits), 10)
	close(leave)
	require.NoError(t, <-done)
	require.NoError(t, <-done)
	_, err := admit(context.Background(), nil, nil, func(context.Context, any) (any, error) { return nil, nil })
	require.NoError(t, err)
}
