package main

import (
	"crypto/rand"
	"net"
	"path/filepath"
	"regexp"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary/server"
	"doughrun/commissary/store"
	v1 "doughrun/proto/doughrun/v1"
)

// service is a service on this machine whose clock the test sets.
type service struct {
	address string
	outbox  string
	now     atomic.Int64 // seconds
}

func (s *service) at(t *testing.T, clock string) {
	t.Helper()
	at, err := time.Parse(time.RFC3339, clock)
	require.NoError(t, err)
	s.now.Store(at.Unix())
}

func serve(t *testing.T) *service {
	t.Helper()
	s := &service{outbox: filepath.Join(t.TempDir(), "outbox")}
	facts, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "facts.db"), store.Options{})
	require.NoError(t, err)
	srv, err := server.New(server.Options{Store: facts, Now: func() time.Time { return time.Unix(s.now.Load(), 0) }, NewID: rand.Text})
	require.NoError(t, err)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	done := make(chan error, 1)
	go func() { done <- srv.Serve(l) }()
	t.Cleanup(func() {
		srv.Stop(time.Second)
		require.NoError(t, <-done)
		require.NoError(t, facts.Close())
	})
	s.address = l.Addr().String()
	return s
}

// do runs a command against the service.
func (s *service) do(t *testing.T, args ...string) result {
	t.Helper()
	return do(t, append(args, "--address", s.address, "--outbox", s.outbox)...)
}

// must runs a command that has to end with a code.
func (s *service) must(t *testing.T, code int, args ...string) string {
	t.Helper()
	r := s.do(t, args...)
	require.Equal(t, code, r.code, "doughrun %s\n%s%s", strings.Join(args, " "), r.stdout, r.stderr)
	return r.stdout
}

// tell runs a command that has to be done, and reads its answer.
func tell[M proto.Message](t *testing.T, s *service, m M, args ...string) M {
	t.Helper()
	r := s.do(t, append(args, "--output", "json")...)
	require.Contains(t, []int{exitDone, exitExceptions}, r.code, r.stderr)
	require.NoError(t, protojson.Unmarshal([]byte(r.stdout), m))
	return m
}

// A night through the command line, from the book to the audit.
func TestANight(t *testing.T) {
	s := serve(t)
	s.at(t, "2026-11-27T00:40:00-05:00")
	night := []string{"--night", demoNight}
	on := func(args ...string) []string { return append(args, night...) }

	s.must(t, exitRefused, "kitchen", "show")
	require.Contains(t, s.must(t, exitDone, "kitchen", "adopt", kitchenFile), "revision 1")
	require.Contains(t, s.must(t, exitDone, "kitchen", "adopt", kitchenFile), "revision 2", "the newest etag is taken when none is given")
	s.must(t, exitRefused, "kitchen", "adopt", kitchenFile, "--etag", "1")
	require.Equal(t, read(t, kitchenFile), s.must(t, exitDone, "kitchen", "show", "--source"))
	require.Contains(t, s.must(t, exitDone, "kitchen", "show"), "Harbor Row")

	require.Contains(t, s.must(t, exitDone, "lot", "count", "--file", lotsFile), "20261125-01-house-280")
	require.Contains(t, s.must(t, exitDone, "lot", "show", "20261125-01-house-280"), "+320")
	require.Contains(t, s.do(t, "lot", "show", "20261125-01-1A").stderr, "check character is wrong")
	require.Contains(t, s.must(t, exitDone, on("night", "show")...), "NO ORDER")

	// Malformed orders change nothing.
	for _, line := range []string{"house-280=0", "house-280=-1", "house-280=4 kg", "house-280=99999999999", "house-28=4", "house-280=4@2026-02-30", "house-280=4@2027-11-28"} {
		r := s.do(t, on("order", "submit", "--shop", "harbor", "--line", line)...)
		require.Equal(t, exitRefused, r.code, "%s: %s", line, r.stderr)
		require.Empty(t, r.stdout)
	}
	s.must(t, exitRefused, on("order", "submit", "--shop", "habor", "--line", "house-280=4")...)
	s.must(t, exitRefused, on("order", "submit", "--shop", "harbor", "--line", "house-280=4", "--line", "house-280=5")...)
	s.must(t, exitRefused, on("order", "submit", "--shop", "harbor", "--line", "house-280=4", "--closed")...)
	bad := write(t, "orders.csv", "shop,item,quantity,bake_date\nharbor,house-280,96,\nmarket,house-280,many,\n")
	require.Contains(t, s.do(t, on("order", "submit", "--file", bad)...).stderr, "orders.csv:3")
	require.Contains(t, s.must(t, exitDone, on("order", "list")...), "Nobody has ordered")

	// One order by hand, resent, amended, withdrawn; then all from the file.
	id := []string{"--request-id", "7b0d1f9e-6a0e-4c5a-9a41-2f3f8ad0a6ce"}
	first := s.must(t, exitDone, append(on("order", "submit", "--shop", "harbor", "--line", "house-280=96", "--line", "pan-520=30@2026-11-28"), id...)...)
	require.Equal(t, first, s.must(t, exitDone, append(on("order", "submit", "--shop", "harbor", "--line", "house-280=96", "--line", "pan-520=30@2026-11-28"), id...)...))
	s.must(t, exitRefused, append(on("order", "submit", "--shop", "harbor", "--line", "house-280=97"), id...)...)
	s.must(t, exitRefused, on("order", "submit", "--shop", "harbor", "--line", "house-280=97")...)
	require.Contains(t, s.must(t, exitDone, on("order", "submit", "--shop", "harbor", "--line", "house-280=97", "--etag", "1")...), "revision 2")
	require.Contains(t, s.must(t, exitDone, on("order", "cancel", "--shop", "harbor")...), "CANCELLED, revision 3")
	s.must(t, exitRefused, on("order", "submit", "--file", ordersFile)...)
	require.Len(t, tell(t, s, &v1.ListOrdersResponse{}, on("order", "list")...).GetOrders(), 1, "what the service refuses for one shop is kept for none")
	require.Len(t, tell(t, s, &v1.ListOrdersResponse{}, on("order", "submit", "--file", ordersFile, "--replace", "--validate-only")...).GetOrders(), 6)
	require.Len(t, tell(t, s, &v1.ListOrdersResponse{}, on("order", "list")...).GetOrders(), 1)
	require.Len(t, tell(t, s, &v1.ListOrdersResponse{}, on("order", "submit", "--file", ordersFile, "--replace")...).GetOrders(), 6)
	require.NotContains(t, s.must(t, exitDone, on("night", "show")...), "NO ORDER")

	// The night closes, and the plan is released.
	s.at(t, "2026-11-27T02:05:00-05:00")
	s.must(t, exitRefused, on("plan", "release")...)
	s.must(t, exitDone, on("night", "close")...)
	s.must(t, exitRefused, on("night", "close")...)
	require.Contains(t, s.do(t, on("order", "submit", "--shop", "river", "--line", "house-280=4", "--replace")...).stderr, "closed")
	require.Contains(t, s.must(t, exitDone, on("order", "admit", "--shop", "river", "--line", "house-280=64", "--reason", "the line was dead", "--etag", "1")...), "Admitted late")
	require.Contains(t, s.must(t, exitDone, "night", "list"), "CLOSED")

	draft := s.do(t, on("plan", "draft", "--output", "json")...)
	require.Equal(t, exitExceptions, draft.code, draft.stderr)
	file := write(t, "draft.json", draft.stdout)
	require.Contains(t, s.must(t, exitDone, "plan", "check", "--plan", file), "All well")
	s.at(t, "2026-11-27T02:15:00-05:00")
	s.must(t, exitExceptions, on("plan", "release", "--draft", file, "--validate-only")...)
	s.must(t, exitRefused, on("plan", "show")...)
	s.must(t, exitExceptions, on("plan", "release", "--draft", file)...)
	require.Contains(t, s.must(t, exitDone, on("plan", "show")...), "REVISION 1, RELEASED")
	require.Contains(t, s.must(t, exitDone, on("plan", "list")...), "RELEASED")

	// The bakers work.
	batches := tell(t, s, &v1.ListBatchesResponse{}, on("batch", "list")...).GetBatches()
	require.NotEmpty(t, batches)
	sheet := s.must(t, exitDone, "batch", "sheet", batches[0].GetId())
	require.Contains(t, sheet, "WEIGH IN THIS ORDER")
	require.LessOrEqual(t, strings.Count(sheet, "\n"), 66, "a batch sheet is one page")
	sauce := ""
	for _, b := range batches {
		if b.GetFormulaId() == "tomato-sauce" {
			sauce = b.GetId()
			break
		}
	}
	s.must(t, exitRefused, "batch", "finish", sauce)
	which := s.do(t, "batch", "start")
	require.Equal(t, exitRefused, which.code, "several begin at once: nobody knows at which somebody stands")
	require.Contains(t, which.stderr, "say which batch, by its last digits:\n")
	require.Contains(t, which.stderr, batches[0].GetId()+" "+batches[0].GetFormulaName()+" in "+batches[0].GetVesselName())
	require.Contains(t, s.do(t, "batch", "start", sauce, "--page", "7").stderr, "revision", "no such sheet is in force")
	require.Contains(t, s.must(t, exitDone, "batch", "start", sauce, "--page", "1"), "Mix by its sheet of plan revision 1")
	require.Contains(t, s.do(t, "batch", "start", sauce).stderr, "is MIXING")
	require.Contains(t, s.do(t, "batch", "finish").stderr, "confirm it with --confirm", "it was to be made hours later")
	finished := s.must(t, exitDone, "batch", "finish", "--confirm")
	for _, want := range []string{"ITS LOTS", "Recorded: out of the mix", "Far from the plan, and confirmed", "use from"} {
		require.Contains(t, finished, want, "the one that is being made is meant")
	}
	require.Regexp(t, `is OUT since \w{3} 27 Nov \d\d:\d\d -05:00`, strings.ReplaceAll(s.do(t, "batch", "finish", sauce).stderr, "\n", " "), "on the kitchen's clock")

	// The dock works.
	s.at(t, "2026-11-27T05:10:00-05:00")
	s.must(t, exitRefused, on("pick", "show")...)
	dispatch := s.do(t, on("dispatch", "draft", "--output", "json")...)
	require.Contains(t, []int{exitDone, exitExceptions}, dispatch.code, dispatch.stderr)
	file = write(t, "dispatch.json", dispatch.stdout)
	require.Contains(t, s.must(t, exitDone, "dispatch", "check", "--dispatch", file), "All well")
	s.must(t, dispatch.code, on("dispatch", "release", "--draft", file)...)
	require.Contains(t, s.must(t, exitDone, on("dispatch", "show")...), "REVISION 1, RELEASED")
	require.Contains(t, s.must(t, exitDone, on("pick", "show", "--run", "south")...), "FOR HARBOR ROW")
	s.must(t, exitRefused, on("pick", "show", "--run", "east")...)
	all := s.must(t, exitDone, on("manifest", "show")...)
	require.Contains(t, all, "STOP 1: STATION ARCADE")
	require.Contains(t, all, s.must(t, exitDone, on("manifest", "show", "--run", "south")...))

	require.Contains(t, s.must(t, exitDone, "lot", "list", "--all"), "20261125-01-house-280")
	changes := s.must(t, exitDone, "audit", "show", "--subject", "kitchens/main/nights/"+demoNight)
	require.Contains(t, changes, "OrderService/AdmitLateOrder")
	require.NotContains(t, changes, "AdoptBook")
	require.Contains(t, s.must(t, exitDone, "audit", "verify"), "It holds")
	require.Regexp(t, regexp.MustCompile(`(?s)^\{.*"verified": "\d+".*\}\n$`), s.must(t, exitDone, "audit", "verify", "--output", "json"))
}
