package server_test

import (
	"math/rand/v2"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	v1 "doughrun/proto/doughrun/v1"
)

// Whatever the clock does, the record's numbers rise by one and its times never
// fall, and the service goes on.
func TestStepsOfTheClock(t *testing.T) {
	steps := 60
	if os.Getenv("CASES") == "full" {
		steps = 2000
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	k := open(t)
	jumps := []time.Duration{0, 0, time.Second, -time.Second, time.Hour, -time.Hour, 24 * time.Hour, -24 * time.Hour, 10 * 365 * 24 * time.Hour, -10 * 365 * 24 * time.Hour}
	newYork, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	etags, taken := map[string]string{}, int64(0)
	far := 0
	for range steps {
		jump := jumps[random.IntN(len(jumps))]
		now := k.clock.Now().Add(jump)
		if now.Year() < 2026 || now.Year() > 2090 {
			continue
		}
		k.clock.Set(now)
		if jump < -48*time.Hour {
			far++
		}
		name := main + "/nights/" + now.In(newYork).AddDate(0, 0, 3).Format(time.DateOnly) + "/orders/east"
		o, err := k.submit(name, etags[name], line("ball", 16))
		require.NoError(t, err, "at %v: %s", now, name)
		etags[name] = o.GetEtag()
		taken++
	}
	var before time.Time
	var number int64
	for token := ""; ; {
		r, err := k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, PageSize: 100, PageToken: token})
		require.NoError(t, err)
		for _, c := range r.GetChanges() {
			require.Equal(t, number+1, c.GetSequence())
			require.False(t, c.GetChangeTime().AsTime().Before(before), "change %d", c.GetSequence())
			before, number = c.GetChangeTime().AsTime(), c.GetSequence()
		}
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	require.Equal(t, taken+1, number)
	v, err := k.audit.VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
	require.NoError(t, err)
	require.Zero(t, v.GetBrokenSequence())
	require.Empty(t, v.GetAlteredFacts())
	t.Logf("%d orders taken over %d steps of the clock, %d of them years back", taken, steps, far)
	require.Greater(t, taken, int64(steps/2), "the run is void")
}

// An order that came too late is not in time because the clock was set back,
// and one that was wrong by years is not waited for.
func TestSetBackPastACutOff(t *testing.T) {
	k := open(t)
	late := at("2026-11-27T03:30:00-05:00")
	k.clock.Set(late)
	_, err := k.submit(east, "", line("ball", 16))
	refused(t, err, codes.InvalidArgument, "CUT_OFF_PASSED")
	k.clock.Set(evening())
	_, err = k.submit(east, "", line("ball", 16))
	refused(t, err, codes.InvalidArgument, "CUT_OFF_PASSED")
	require.Contains(t, k.log.String(), "the machine's clock is behind what it was")
	require.Equal(t, 1, strings.Count(k.log.String(), "behind what it was"))

	// After it was started again, what was recorded counts.
	k = open(t)
	k.clock.Set(late)
	_, err = k.submit(main+"/nights/2026-11-28/orders/east", "", line("ball", 16))
	require.NoError(t, err)
	k.clock.Set(late.AddDate(10, 0, 0))
	_, err = k.submit(main+"/nights/2036-11-29/orders/east", "", line("ball", 16))
	require.NoError(t, err)
	k.clock.Set(evening())
	_, err = k.submit(east, "", line("ball", 16))
	require.NoError(t, err, "the clock was years ahead and has been put right")
}
