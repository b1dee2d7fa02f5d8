package server_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"os"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"

	"doughrun/commissary"
	"doughrun/commissary/server"
	v1 "doughrun/proto/doughrun/v1"
)

// hostile is a client that keeps to HTTP/2 as far as it likes.
type hostile struct {
	net.Conn
	*http2.Framer
	block   bytes.Buffer
	encoder *hpack.Encoder
	stream  uint32
}

// attack opens a protected connection and shakes hands.
func (s *site) attack() (*hostile, error) {
	plain, err := s.pipe.Dial()
	if err != nil {
		return nil, err
	}
	conn := tls.Client(plain, &tls.Config{RootCAs: s.roots, ServerName: "kitchen", NextProtos: []string{"h2"}})
	if err := conn.Handshake(); err != nil {
		return nil, err
	}
	h := &hostile{Conn: conn, Framer: http2.NewFramer(conn, conn), stream: 1}
	h.encoder = hpack.NewEncoder(&h.block)
	if _, err := io.WriteString(conn, http2.ClientPreface); err != nil {
		return nil, err
	}
	return h, h.WriteSettings()
}

// headers are those of a call.
func (h *hostile) headers(more ...hpack.HeaderField) []byte {
	h.block.Reset()
	for _, f := range append([]hpack.HeaderField{{Name: ":method", Value: "POST"}, {Name: ":scheme", Value: "https"}, {Name: ":authority", Value: "kitchen"},
		{Name: ":path", Value: v1.KitchenService_GetBook_FullMethodName}, {Name: "content-type", Value: "application/grpc"}, {Name: "te", Value: "trailers"}}, more...) {
		_ = h.encoder.WriteField(f) // into memory
	}
	return bytes.Clone(h.block.Bytes())
}

func (h *hostile) open(end bool) error {
	defer func() { h.stream += 2 }()
	return h.WriteHeaders(http2.HeadersFrameParam{StreamID: h.stream, BlockFragment: h.headers(), EndHeaders: true, EndStream: end})
}

// The floods. Each sends so many frames until the service hangs up, and reads
// nothing of what it says where it does not say otherwise.
var floods = map[string]func(h *hostile, frames int) error{
	"streams opened and reset": func(h *hostile, frames int) error {
		for range frames {
			if err := errors.Join(h.open(false), h.WriteRSTStream(h.stream-2, http2.ErrCodeCancel)); err != nil {
				return err
			}
		}
		return nil
	},
	"streams opened and left": func(h *hostile, frames int) error {
		for range frames {
			if err := h.open(false); err != nil {
				return err
			}
		}
		return nil
	},
	"pings": func(h *hostile, frames int) error {
		for range frames {
			if err := h.WritePing(false, [8]byte{}); err != nil {
				return err
			}
		}
		return nil
	},
	"settings": func(h *hostile, frames int) error {
		for range frames {
			if err := h.WriteSettings(http2.Setting{ID: http2.SettingInitialWindowSize, Val: 65535}); err != nil {
				return err
			}
		}
		return nil
	},
	"headers without end": func(h *hostile, frames int) error {
		if err := h.WriteHeaders(http2.HeadersFrameParam{StreamID: 1, BlockFragment: h.headers()}); err != nil {
			return err
		}
		for range frames {
			h.block.Reset()
			_ = h.encoder.WriteField(hpack.HeaderField{Name: "x-more", Value: "of it", Sensitive: true})
			if err := h.WriteContinuation(1, false, h.block.Bytes()); err != nil {
				return err
			}
		}
		return nil
	},
	"headers too large": func(h *hostile, frames int) error {
		for range frames / 20 {
			block := h.headers(hpack.HeaderField{Name: "x-large", Value: string(bytes.Repeat([]byte("~"), 12<<10)), Sensitive: true})
			if err := h.WriteHeaders(http2.HeadersFrameParam{StreamID: h.stream, BlockFragment: block, EndHeaders: true}); err != nil {
				return err
			}
			h.stream += 2
		}
		return nil
	},
	"answers never read": func(h *hostile, frames int) error {
		for range frames {
			if err := errors.Join(h.open(false), h.WriteData(h.stream-2, true, []byte{0, 0, 0, 0, 0})); err != nil {
				return err
			}
		}
		return nil
	},
	"window of a byte": func(h *hostile, frames int) error {
		if err := h.WriteSettings(http2.Setting{ID: http2.SettingInitialWindowSize, Val: 1}); err != nil {
			return err
		}
		for range frames {
			if err := errors.Join(h.open(false), h.WriteData(h.stream-2, true, []byte{0, 0, 0, 0, 0}), h.WriteWindowUpdate(h.stream-2, 1)); err != nil {
				return err
			}
		}
		return nil
	},
	"noise": func(h *hostile, frames int) error {
		for range frames {
			if _, err := h.Write([]byte("GET / HTTP/1.1\r\n\r\n\x00\xff\x00")); err != nil {
				return err
			}
		}
		return nil
	},
	"idle": func(h *hostile, _ int) error { return nil },
}

// While others flood the service, an honest shop's calls go on, and afterwards
// nothing of the flood is left.
func TestFloods(t *testing.T) {
	if testing.Short() {
		t.Skip("the race detector would look at gRPC; it runs in the full form")
	}
	attackers, frames, honest := 4, 500, 100
	if os.Getenv("CASES") == "full" {
		frames, honest = 20_000, 3000
	}
	s := protect(t, server.Rate{PerSecond: 1e6, Burst: 1e6, Together: 100})
	shop := v1.NewNightServiceClient(s.as(s.admit(commissary.Caller{Name: "till", Kitchen: "main", Role: commissary.RoleShop, Scope: "east"})))
	ask := func() error {
		ctx, stop := context.WithTimeout(t.Context(), 20*time.Second) // generous: what counts is that it is answered
		defer stop()
		_, err := shop.GetNight(ctx, &v1.GetNightRequest{Name: night})
		return err
	}
	require.NoError(t, ask())
	for name, flood := range floods {
		t.Run(name, func(t *testing.T) {
			goroutines, heap := runtime.NumGoroutine(), inUse()
			var mu sync.Mutex
			var conns []net.Conn
			over := make(chan struct{})
			var g sync.WaitGroup
			for range attackers {
				g.Go(func() {
					for {
						h, err := s.attack()
						if err == nil {
							mu.Lock()
							conns = append(conns, h.Conn.(*tls.Conn).NetConn())
							mu.Unlock()
							_ = h.SetDeadline(time.Now().Add(20 * time.Second)) // who is not read from must not hang the test
							_ = flood(h, frames)                                // it is hung up on, as it should be
						}
						mu.Lock()
						many := len(conns) >= 40
						mu.Unlock()
						select {
						case <-over:
							return
						default:
						}
						if err != nil || many {
							<-over
							return
						}
					}
				})
			}
			good := 0
			for range honest {
				if err := ask(); err == nil {
					good++
				} else {
					t.Log(err)
				}
			}
			close(over)
			hangUp := func() (n int) {
				mu.Lock()
				defer mu.Unlock()
				for _, c := range conns {
					_ = c.SetDeadline(time.Time{}) // its timer would keep the connection's buffers
					c.Close()
				}
				return len(conns)
			}
			hangUp()
			g.Wait()
			t.Logf("%d connections; %d of %d honest calls answered", hangUp(), good, honest) // those of the last moment too
			conns = nil
			require.GreaterOrEqual(t, good*100, honest*99)
			require.Eventually(t, func() bool { return runtime.NumGoroutine() <= goroutines+10 }, 30*time.Second, 20*time.Millisecond, "goroutines are left")
			require.Eventually(t, func() bool { return inUse() < heap+32<<20 }, 30*time.Second, 100*time.Millisecond, "memory is left")
		})
	}
}

func inUse() uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return m.HeapAlloc
}
