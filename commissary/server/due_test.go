package server_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	"doughrun/commissary/server"
	v1 "doughrun/proto/doughrun/v1"
)

// After the last cut-off the service closes the night by itself, once.
func TestNightsCloseThemselves(t *testing.T) {
	k := open(t)
	s, err := server.New(server.Options{Store: k.store, Now: k.clock.Now, NewID: func() string { return "ref" }})
	require.NoError(t, err)
	state := func() v1.NightState {
		m, err := k.nights.GetNight(t.Context(), &v1.GetNightRequest{Name: night})
		require.NoError(t, err)
		return m.GetNight().GetState()
	}
	_, err = k.submit(east, "", line("ball", 48))
	require.NoError(t, err)
	require.NoError(t, s.CloseDue(t.Context()))
	require.Equal(t, v1.NightState_NIGHT_STATE_OPEN, state())
	k.clock.Set(at("2026-11-27T01:00:00-05:00")) // the last moment is still in time
	require.NoError(t, s.CloseDue(t.Context()))
	require.Equal(t, v1.NightState_NIGHT_STATE_OPEN, state())
	k.clock.Set(at("2026-11-27T01:00:01-05:00"))
	require.NoError(t, s.CloseDue(t.Context()))
	require.Equal(t, v1.NightState_NIGHT_STATE_CLOSED, state())
	_, err = k.submit(west, "", line("ball", 24))
	refused(t, err, codes.FailedPrecondition, "NIGHT_CLOSED")
	k.clock.Set(k.clock.Now().Add(time.Hour))
	require.NoError(t, s.CloseDue(t.Context()))
	changes, err := k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: night})
	require.NoError(t, err)
	closes := 0
	for _, c := range changes.GetChanges() {
		if c.GetSubject() == night {
			closes++
			require.Equal(t, "the service", c.GetCaller())
		}
	}
	require.Equal(t, 1, closes)
	v, err := k.audit.VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
	require.NoError(t, err)
	require.Zero(t, v.GetBrokenSequence())
}
