package main

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
)

// A full disk loses nothing and ends nothing. It takes the first part of a write
// and then no more, so that writes fall short here too: orders are refused in clear words
// with when to try again, what is there can be read, and once there is room the
// service takes orders by itself.
func TestDiskFull(t *testing.T) {
	apart(t)
	dir := t.TempDir()
	disk := filepath.Join(dir, "disk")
	require.NoError(t, os.Mkdir(disk, 0o700))
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=48m,mode=0700"); err != nil {
		t.Skipf("SKIPPED: no small disk can be mounted here (%v); run it as root", err)
	}
	defer func() { require.NoError(t, syscall.Unmount(disk, syscall.MNT_DETACH)) }()
	h := newHouse(t, built(t), 6)
	h.db = filepath.Join(disk, "facts.db")
	r := h.start()
	require.NotNil(t, r)
	defer func() { _ = syscall.Kill(-r.cmd.Process.Pid, syscall.SIGKILL) }() // where it failed
	h.adopt(r)
	refused, acknowledged := 0, 0
	known := func() (n int) {
		for _, s := range h.shops {
			n += s.known
		}
		return n
	}
	for range cases(2, 20) {
		stop := ordering(t, h.shops, r)
		time.Sleep(100 * time.Millisecond)
		full := fill(t, filepath.Join(disk, "filler"))
		time.Sleep(200 * time.Millisecond)
		require.Empty(t, stop())
		for n := range 2000 { // there may be room in the log's file still
			s := h.shops[n%len(h.shops)]
			before := s.known
			require.NoError(t, s.work(t.Context(), r, func(n int) bool { return n == 1 }))
			if s.known > before {
				continue
			}
			_, err := v1.NewOrderServiceClient(r).SubmitOrder(t.Context(), s.pending)
			if err == nil {
				s.known++
				s.pending = nil
				continue
			}
			require.Equal(t, codes.Unavailable, status.Code(err), err)
			require.Contains(t, err.Error(), "is full")
			hint := time.Duration(0)
			for _, d := range status.Convert(err).Details() {
				if info, ok := d.(*errdetails.RetryInfo); ok {
					hint = info.GetRetryDelay().AsDuration()
				}
			}
			require.Equal(t, 30*time.Second, hint)
			refused++
			break
		}
		h.check(r) // it still answers
		require.NoError(t, os.Remove(full))
		before := known()
		stop = ordering(t, h.shops, r)
		time.Sleep(100 * time.Millisecond)
		require.Empty(t, stop())
		require.Greater(t, known(), before, "it takes no orders though there is room again")
		r.stays(t)
	}
	r.end()
	acknowledged, _ = h.settle()
	t.Logf("%d times full, %d orders acknowledged", refused, acknowledged)
	require.Equal(t, cases(2, 20), refused, "the disk was not full: the run is void")
}

// fill takes what room there is.
func fill(t *testing.T, name string) string {
	t.Helper()
	f, err := os.Create(name)
	require.NoError(t, err)
	defer f.Close()
	for size := 1 << 20; size >= 512; {
		if _, err := f.Write(make([]byte, size)); err != nil {
			require.True(t, errors.Is(err, syscall.ENOSPC), err)
			size /= 2
		}
	}
	return name
}
