package main

import (
	"bytes"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/store/storetest"
)

// cutter stands between the service and PostgreSQL. Now and then it cuts a
// connection in the middle of a commit.
type cutter struct {
	to     string          // socket of the database
	every  atomic.Int64    // cut one commit of so many; 0 for none
	cut    [3]atomic.Int64 // by the place
	passed atomic.Int64
}

// The places at which a commit is cut.
const (
	beforeCommit = iota // PostgreSQL never hears of it
	insideCommit        // only half of it arrives
	afterCommit         // it is done, and the answer is lost
)

func (b *cutter) serve(l net.Listener) {
	for {
		c, err := l.Accept()
		if err != nil {
			return // the test is over
		}
		go b.carry(c)
	}
}

func (b *cutter) carry(client net.Conn) {
	server, err := net.Dial("unix", b.to)
	if err != nil {
		client.Close()
		return
	}
	var cut sync.Once
	end := func() { cut.Do(func() { client.Close(); server.Close() }) }
	defer end()
	var deaf atomic.Bool // the answers are dropped
	go func() {
		defer end()
		pipe := make([]byte, 64<<10)
		for {
			n, err := server.Read(pipe)
			if err != nil {
				return
			}
			if deaf.Load() {
				return
			}
			if _, err := client.Write(pipe[:n]); err != nil {
				return
			}
		}
	}()
	pipe := make([]byte, 64<<10)
	for {
		n, err := client.Read(pipe)
		if err != nil {
			return
		}
		message := pipe[:n]
		at := bytes.Index(bytes.ToLower(message), []byte("commit\x00"))
		if every := b.every.Load(); at < 0 || every == 0 || rand.Int64N(every) != 0 {
			if at >= 0 {
				b.passed.Add(1)
			}
			if _, err := server.Write(message); err != nil {
				return
			}
			continue
		}
		place := rand.IntN(3)
		b.cut[place].Add(1)
		switch place {
		case beforeCommit:
			return
		case insideCommit:
			_, _ = server.Write(message[:at+3]) // it is cut anyway
			return
		}
		deaf.Store(true)
		_, _ = server.Write(message)
		time.Sleep(50 * time.Millisecond) // the other half sees the answer, and ends
	}
}

// The connection to PostgreSQL is cut in the middle of commits. Whether they
// were done nobody can say; the same request id settles each to exactly one.
func TestConnectionCutDuringCommit(t *testing.T) {
	apart(t)
	cuts := cases(20, 500)
	direct := storetest.StartPostgres(t).Database(t)
	_, dir, _ := strings.Cut(direct, "?host=")
	own, err := os.MkdirTemp("", "cut") // short: a socket's name may have 107 bytes
	require.NoError(t, err)
	defer os.RemoveAll(own)
	l, err := net.Listen("unix", filepath.Join(own, ".s.PGSQL.5432"))
	require.NoError(t, err)
	defer l.Close()
	b := &cutter{to: filepath.Join(dir, ".s.PGSQL.5432")}
	go b.serve(l)
	h := newHouse(t, sown(t), 12)
	h.db = strings.Replace(direct, dir, own, 1)
	r := h.start()
	require.NotNil(t, r)
	h.adopt(r)
	b.every.Store(4)
	stop := ordering(t, h.shops, r)
	done := func() int { return int(b.cut[0].Load() + b.cut[1].Load() + b.cut[2].Load()) }
	for done() < cuts {
		time.Sleep(10 * time.Millisecond)
	}
	b.every.Store(0)
	require.Empty(t, stop())
	r.stays(t)
	r.end()
	acknowledged, resent := h.settle()
	t.Logf("%d commits cut: %d before, %d inside, %d after they were done; %d passed; %d orders acknowledged, %d calls sent again",
		done(), b.cut[beforeCommit].Load(), b.cut[insideCommit].Load(), b.cut[afterCommit].Load(), b.passed.Load(), acknowledged, resent)
	require.Greater(t, acknowledged, cuts, "too few calls got through: the run is void")
	require.GreaterOrEqual(t, resent, cuts/2, "hardly a call was cut off: the run is void")
	require.Positive(t, b.cut[afterCommit].Load(), "no answer to a commit was lost: the run is void")
}
