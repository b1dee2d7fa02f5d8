package main

import (
	"bytes"
	"context"
	"io"
	"net"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/creack/pty"
	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// atTheShop is a service with the demo kitchen, on the evening.
func atTheShop(t *testing.T) *service {
	t.Helper()
	s := serve(t)
	s.at(t, "2026-11-27T00:40:00-05:00")
	s.must(t, exitDone, "kitchen", "adopt", kitchenFile)
	return s
}

// Counting and ordering by answers through a pipe, and the receipt.
func TestTakeAnOrderThroughAPipe(t *testing.T) {
	s := atTheShop(t)
	at := []string{"--address", s.address, "--outbox", s.outbox, "--night", demoNight, "--shop", "harbor"}
	catalog := tell(t, s, &v1.GetCatalogResponse{}, "order", "catalog", "--night", demoNight, "--shop", "harbor")
	counted := 0
	for _, l := range catalog.GetLines() {
		if l.GetParPieces() > 0 {
			counted++
		}
	}
	require.GreaterOrEqual(t, counted, 2)
	answers := "many\nThu 2 boxes + 3\n" + strings.Repeat("\n", counted-1) + // one that cannot be read is asked again
		"why\n6 boxes\n" + strings.Repeat("\n", counted-1) + "perhaps\nyes\n"
	r := doWith(t, answers, append([]string{"order", "take"}, at...)...)
	require.Equal(t, exitDone, r.code, r.stderr)
	require.Contains(t, r.stderr, "Order before Fri 27 Nov 01:30 -05:00")
	require.Contains(t, r.stderr, "is not a count")
	require.Contains(t, r.stderr, "will sell")
	require.Contains(t, r.stderr, "safety\n")
	require.Contains(t, r.stderr, "PIECES IN ALL")
	require.Contains(t, r.stderr, "19 counted, 0 usable that day", "of that day's label")
	require.Contains(t, r.stderr, "write yes, no,")
	require.Contains(t, r.stdout, "ACCEPTED, revision 1")
	require.Regexp(t, `code [0-9A-Z]{3}-[0-9A-Z]{3}-[0-9A-Z]`, r.stdout)
	require.Contains(t, r.stdout, "change by Fri 27 Nov 01:30 -05:00")
	require.Contains(t, r.stdout, "provisional until")
	require.Contains(t, r.stdout, "pull 16 (2 boxes) at Fri 09:00")
	require.Contains(t, r.stdout, "contains wheat")
	for _, line := range strings.Split(r.stdout+r.stderr, "\n") {
		require.LessOrEqual(t, utf8.RuneCountInString(line), narrow, line)
	}
	o := tell(t, s, &v1.GetOrderResponse{}, "order", "show", "--night", demoNight, "--shop", "harbor").GetOrder()
	require.Equal(t, int64(48), o.GetLines()[0].GetPieces())
	require.Equal(t, r.stdout, s.must(t, exitDone, "order", "receipt", "--night", demoNight, "--shop", "harbor"))
	require.Contains(t, s.must(t, exitDone, "order", "status"), "0 OPEN")

	// The answers end, or say no: nothing is sent. The count stands unless it is made again.
	require.Equal(t, exitRefused, doWith(t, "yes\n1\n", append([]string{"order", "take"}, at...)...).code)
	no := doWith(t, strings.Repeat("\n", counted+1)+"house\nhouse-280\nnone\n\nno\n", append([]string{"order", "take"}, at...)...)
	require.Equal(t, exitDone, no.code, no.stderr)
	require.Contains(t, no.stderr, "It replaces revision 1")
	require.Contains(t, no.stderr, "counted already")
	require.Contains(t, no.stderr, "write more of it", "two items begin so")
	require.Contains(t, no.stderr, "NOTHING OF House ball 280 g")
	require.Equal(t, "1", tell(t, s, &v1.GetOrderResponse{}, "order", "show", "--night", demoNight, "--shop", "harbor").GetOrder().GetEtag())
}

// The same on a terminal: plain lines, nothing that moves the cursor.
func TestTakeAnOrderOnATerminal(t *testing.T) {
	s := atTheShop(t)
	master, terminal, err := pty.Open()
	require.NoError(t, err)
	require.NoError(t, pty.Setsize(terminal, &pty.Winsize{Rows: 24, Cols: 40}))
	var seen bytes.Buffer
	read := make(chan struct{})
	go func() {
		defer close(read)
		_, _ = io.Copy(&seen, master) // it ends when the terminal is closed
	}()
	for range 20 {
		_, err := master.Write([]byte("\n"))
		require.NoError(t, err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, []string{"order", "take", "--address", s.address, "--outbox", s.outbox, "--night", demoNight, "--shop", "harbor"}, terminal, terminal, terminal)
	}()
	time.Sleep(500 * time.Millisecond)
	_, err = master.Write([]byte("yes\n"))
	require.NoError(t, err)
	select {
	case c := <-code:
		require.Equal(t, exitDone, c)
	case <-ctx.Done():
		t.Fatal("no end")
	}
	time.Sleep(100 * time.Millisecond)
	require.NoError(t, terminal.Close())
	require.NoError(t, master.Close())
	<-read
	text := seen.String()
	require.Contains(t, text, "ACCEPTED, revision 1")
	require.NotContains(t, text, "\x1b", "no escape sequences: a screen reader reads every line")
}

func TestCountsAndSalesFromTheCommandLine(t *testing.T) {
	s := atTheShop(t)
	on := []string{"--night", demoNight, "--shop", "harbor"}
	out := s.must(t, exitDone, append([]string{"count", "submit", "--left", "house-280=3 boxes + 5", "--left", "pan-520=none"}, on...)...)
	require.Contains(t, out, "29 House ball 280 g\n")
	require.Contains(t, out, "29 LEFT IN THE COLD")
	require.Regexp(t, ` -     29  left and usable`, s.must(t, exitDone, append([]string{"order", "propose"}, on...)...))
	r := s.do(t, append([]string{"count", "submit", "--left", "house-280=3 crates", "--left", "loaf=3"}, on...)...)
	require.Equal(t, exitRefused, r.code)
	require.Contains(t, r.stderr, "--left 1")
	require.Contains(t, r.stderr, "--left 2")

	var b strings.Builder
	b.WriteString("shop,item,date,sold,kind\n")
	for d := range 60 {
		b.WriteString("harbor,house-280," + time.Date(2026, 11, 25-d, 0, 0, 0, 0, time.UTC).Format(time.DateOnly) + ",80,\n")
	}
	require.Contains(t, s.must(t, exitDone, "count", "import", "--file", write(t, "s.csv", b.String())), "60 days of sale")
	learned := s.must(t, exitDone, append([]string{"order", "propose"}, on...)...)
	require.Contains(t, learned, "     80  will sell")
	require.NotRegexp(t, `0\.0\d`, learned, "a method in words")
	odd := s.do(t, append([]string{"order", "submit", "--line", "house-280=800"}, on...)...)
	require.Equal(t, exitDone, odd.code)
	require.Contains(t, odd.stderr, "800 House ball 280 g for Fri 27 Nov?")
	require.Contains(t, odd.stderr, "NOTHING OF House ball 430 g")
	phoned := doWith(t, "no\n", append([]string{"order", "submit", "--address", s.address, "--outbox", s.outbox, "--line", "house-280=800", "--phoned-by", "Ana", "--replace"}, on...)...)
	require.Contains(t, phoned.stderr, "ASK: 800 House ball 280 g for Fri 27")
	party := s.must(t, exitDone, append([]string{"order", "propose", "--event", "street party=+50%@2026-11-27"}, on...)...)
	require.Contains(t, party, "    120  will sell")
	bad := s.do(t, "count", "import", "--file", write(t, "bad.csv", "shop,item,date,sold,kind\nharbor,house-280,2026-13-01,8,\nharbor,house-280,2026-11-01,-8,holiday\nx,y\n"))
	require.Equal(t, exitRefused, bad.code)
	for _, where := range []string{"bad.csv:2", "bad.csv:3", "bad.csv:4"} {
		require.Contains(t, bad.stderr, where)
	}
	bad = s.do(t, "count", "import", "--file", write(t, "odd.csv", "shop,item,date,sold,kind\nharbor,house-280,2026-11-01,8,\nhill,house-280,2026-11-01,8,\n"))
	require.Equal(t, exitRefused, bad.code)
	require.Contains(t, bad.stderr, `odd.csv:3: there is no shop "hill"`)
	require.Contains(t, s.must(t, exitDone, append([]string{"order", "catalog", "--search", "pan"}, on...)...), "pan-520")
}

// The link is down: the order waits, and goes out once it is back.
func TestAnOrderWaitsForTheLink(t *testing.T) {
	s := atTheShop(t)
	away := []string{"--address", "127.0.0.1:1", "--timeout", "300ms", "--outbox", s.outbox}
	order := func(pieces string) []string {
		return append([]string{"order", "submit", "--night", demoNight, "--shop", "harbor", "--line", "house-280=" + pieces}, away...)
	}
	r := do(t, order("96")...)
	require.Equal(t, exitUnavailable, r.code)
	require.Contains(t, r.stderr, "kept in the outbox and waits")
	require.Equal(t, exitUnavailable, do(t, order("104")...).code)
	status := do(t, append([]string{"order", "status"}, away...)...)
	require.Equal(t, exitExceptions, status.code)
	require.Contains(t, status.stdout, "2 OPEN")
	require.Contains(t, s.must(t, exitDone, "order", "send"), "ACCEPTED")
	o := tell(t, s, &v1.GetOrderResponse{}, "order", "show", "--night", demoNight, "--shop", "harbor").GetOrder()
	require.Equal(t, "2", o.GetEtag(), "both, in their order")
	require.Equal(t, int64(104), o.GetLines()[0].GetPieces())
	require.Contains(t, s.must(t, exitDone, "order", "send"), "Nothing waits")

	// Too late: a draft, until the kitchen admits it.
	s.at(t, "2026-11-27T02:05:00-05:00")
	s.must(t, exitDone, "night", "close", "--night", demoNight)
	late := s.do(t, "order", "submit", "--night", demoNight, "--shop", "river", "--line", "house-280=8")
	require.Equal(t, exitRefused, late.code)
	require.Contains(t, late.stderr, "marked late")
	require.Contains(t, s.must(t, exitExceptions, "order", "status"), "LATE river")
	s.must(t, exitDone, "order", "admit", "--night", demoNight, "--shop", "river", "--line", "house-280=8", "--reason", "the line was dead")
	require.Contains(t, s.must(t, exitDone, "order", "send"), "ACCEPTED river")
	require.Contains(t, s.must(t, exitDone, "order", "status"), "0 OPEN")
}

// The kitchen writes an order down that a shop gives by telephone: it is
// printed to be read back, and nothing goes without a yes.
func TestAPhonedOrderIsReadBack(t *testing.T) {
	s := atTheShop(t)
	order := []string{"order", "submit", "--address", s.address, "--outbox", s.outbox, "--night", demoNight, "--shop", "harbor",
		"--line", "house-280=96", "--line", "pan-520=24", "--phoned-by", "the closer"}
	no := doWith(t, "perhaps\nno\n", order...)
	require.Equal(t, exitRefused, no.code)
	require.Contains(t, no.stderr, "nothing was sent")
	require.Equal(t, exitRefused, doWith(t, "", order...).code, "silence is no yes")
	require.Contains(t, s.must(t, exitDone, "order", "status"), "empty")

	yes := doWith(t, "yes\n", order...)
	require.Equal(t, exitDone, yes.code, yes.stderr)
	require.Contains(t, yes.stderr, "READ BACK to the closer")
	require.Contains(t, yes.stderr, "     96  House ball 280 g\n         for Fri 27 Nov")
	require.Contains(t, yes.stderr, "120  PIECES IN ALL")
	require.Contains(t, yes.stdout, "Phoned in by the closer")
	on := []string{"--night", demoNight, "--shop", "harbor"}
	require.Contains(t, s.must(t, exitDone, append([]string{"order", "show"}, on...)...), "Phoned in by the closer")
	require.Contains(t, s.must(t, exitDone, append([]string{"order", "receipt"}, on...)...), "phoned in by the closer")
	require.Contains(t, s.must(t, exitDone, "audit", "show"), "phoned in by the closer")

	require.Contains(t, s.must(t, exitDone, "night", "show", "--night", demoNight), "Riverside: 555-0111, at night 555-0112; standing order of")
}

// A count with no link waits with the orders; one that was made before another
// does not take its place.
func TestACountWaitsForTheLink(t *testing.T) {
	s := atTheShop(t)
	count := func(left, address string) result {
		return do(t, "count", "submit", "--night", demoNight, "--shop", "harbor", "--left", "house-280="+left,
			"--address", address, "--timeout", "300ms", "--outbox", s.outbox)
	}
	require.Equal(t, exitUnavailable, count("29", "127.0.0.1:1").code, "boxes are not known yet")
	require.Contains(t, do(t, "order", "status", "--outbox", s.outbox).stdout, "empty")
	s.must(t, exitDone, "order", "catalog", "--night", demoNight, "--shop", "harbor")
	r := count("3 boxes + 5", "127.0.0.1:1")
	require.Equal(t, exitUnavailable, r.code)
	require.Contains(t, r.stderr, "doughrun order send")
	require.Equal(t, exitUnavailable, count("3 boxes + 6", "127.0.0.1:1").code)
	require.Contains(t, s.must(t, exitExceptions, "order", "status"), "30 left")
	require.Contains(t, do(t, "stop", "status", "--outbox", s.outbox).stdout, "Nothing", "a driver is not told of counts")
	require.Equal(t, exitDone, count("4 boxes", s.address).code, "those before it go first")
	require.Regexp(t, `-     32  left`, s.must(t, exitDone, "order", "propose", "--night", demoNight, "--shop", "harbor"))
	require.Contains(t, s.must(t, exitDone, "order", "status"), "0 OPEN")

	count("1", "127.0.0.1:1")
	shown := s.do(t, "order", "status").stdout
	id := regexp.MustCompile(`[0-9a-f-]{36}`).FindString(shown)
	require.Contains(t, s.must(t, exitDone, "order", "status", "--drop", id), "DROPPED count", shown)
}

// With no link from the start the order is written from what was seen last,
// which says how old it is, and waits in the outbox.
func TestTakeAnOrderWithoutALink(t *testing.T) {
	s := atTheShop(t)
	away := []string{"order", "take", "--address", "127.0.0.1:1", "--timeout", "300ms", "--outbox", s.outbox, "--night", demoNight, "--shop", "harbor"}
	require.Equal(t, exitUnavailable, doWith(t, "", away...).code, "nothing was seen yet")
	s.must(t, exitDone, "order", "catalog", "--night", "2026-11-25", "--shop", "harbor")
	r := doWith(t, "Wed 3b + 5\n"+strings.Repeat("\n", 7)+"6 boxes\n"+strings.Repeat("\n", 7)+"yes\n", away...)
	require.Equal(t, exitUnavailable, r.code, r.stderr)
	require.Contains(t, r.stderr, "NO LINK")
	require.Contains(t, r.stderr, "0 min ago")
	require.Contains(t, r.stderr, "Wed 25")
	require.Contains(t, r.stderr, "kept in the outbox and waits")
	for _, line := range strings.Split(r.stderr, "\n") {
		if !strings.Contains(line, "doughrun:") && !strings.HasPrefix(line, "  \"doughrun order send") {
			require.LessOrEqual(t, utf8.RuneCountInString(line), narrow, line)
		}
	}
	require.Contains(t, r.stderr, "left 29")
	waits := do(t, "order", "status", "--outbox", s.outbox)
	require.Equal(t, exitExceptions, waits.code)
	require.Contains(t, waits.stdout, "WAITING count of harbor\n  night of Thu 26 Nov, 29 left\n")
	require.Contains(t, waits.stdout, "2 OPEN")
	sent := s.must(t, exitDone, "order", "send")
	require.Contains(t, sent, "ACCEPTED count of harbor")
	require.Contains(t, sent, "ACCEPTED harbor")
	require.Regexp(t, `-     29  left`, s.must(t, exitDone, "order", "propose", "--night", demoNight, "--shop", "harbor"))
	o := tell(t, s, &v1.GetOrderResponse{}, "order", "show", "--night", demoNight, "--shop", "harbor").GetOrder()
	require.Equal(t, int64(48), o.GetLines()[0].GetPieces())
	require.Equal(t, "2026-11-27", o.GetLines()[0].GetBakeDate())
	require.Len(t, o.GetLines(), 8)
}

// stages is what somebody types, with what happens before each further part.
type stages struct {
	parts  []string
	before func(part int)
	given  int
}

func (s *stages) Read(b []byte) (int, error) {
	if s.given == len(s.parts) {
		return 0, io.EOF
	}
	if s.given > 0 {
		s.before(s.given)
	}
	n := copy(b, s.parts[s.given])
	s.given++
	return n, nil
}

// Whenever the link dies while somebody answers, what was answered waits in
// the outbox and goes out once.
func TestTheLinkDiesInTheMiddle(t *testing.T) {
	enter := func(n int) string { return strings.Repeat("\n", n) }
	for name, parts := range map[string][]string{
		"at the last count": {"29\n" + enter(6), "\n" + "6 boxes\n" + enter(7) + "yes\n"},
		"at the order":      {"29\n" + enter(7), "6 boxes\n" + enter(7) + "yes\n"},
		"at the yes":        {"29\n" + enter(7) + "6 boxes\n" + enter(7), "yes\n"},
	} {
		t.Run(name, func(t *testing.T) {
			s := atTheShop(t)
			l, err := net.Listen("tcp", "127.0.0.1:0")
			require.NoError(t, err)
			dead := make(chan struct{})
			go func() {
				for {
					near, err := l.Accept()
					if err != nil {
						return
					}
					far, err := net.Dial("tcp", s.address)
					if err != nil {
						near.Close()
						continue
					}
					go func() {
						<-dead
						near.Close()
						far.Close()
					}()
					go func() { _, _ = io.Copy(far, near) }() // it ends when the link dies
					go func() { _, _ = io.Copy(near, far) }()
				}
			}()
			var out, talk bytes.Buffer
			in := &stages{parts: parts, before: func(int) {
				l.Close()
				close(dead)
			}}
			code := run(t.Context(), []string{"order", "take", "--address", l.Addr().String(), "--timeout", "300ms", "--outbox", s.outbox,
				"--night", demoNight, "--shop", "harbor"}, in, &out, &talk)
			require.Equal(t, exitUnavailable, code, talk.String())
			require.Contains(t, talk.String(), "kept in the outbox and waits")
			sent := s.must(t, exitDone, "order", "send")
			require.Contains(t, sent, "ACCEPTED harbor")
			require.Contains(t, s.must(t, exitDone, "order", "status"), "ACCEPTED count of harbor")
			require.Regexp(t, `-     29  left`, s.must(t, exitDone, "order", "propose", "--night", demoNight, "--shop", "harbor"))
			o := tell(t, s, &v1.GetOrderResponse{}, "order", "show", "--night", demoNight, "--shop", "harbor").GetOrder()
			require.Equal(t, int64(48), o.GetLines()[0].GetPieces())
			require.Equal(t, int32(1), o.GetRevision())
			require.Len(t, o.GetLines(), 8)
		})
	}
}
