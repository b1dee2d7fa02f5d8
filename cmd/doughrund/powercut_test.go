package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/store"
)

// diskOp is one call that the recorded process made on the database's files.
// What is not synced when the power goes is on the disk or not, as it happens.
type diskOp struct {
	at   float64 // seconds since 1970, before the call was carried out
	file string
	sync bool   // it has returned: all that went before on this file is on the disk
	cut  bool   // off is the new length
	off  int64  // of data
	data []byte // nil for a sync
}

// readTrace reads what strace has written of a process. A write counts from
// when it was asked for, a sync from when it had returned.
func readTrace(t *testing.T, path string) []diskOp {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	var ops []diskOp
	begun := map[string]string{} // syncs that have not returned, by thread
	lines := bufio.NewReaderSize(f, 1<<20)
	for {
		line, err := lines.ReadString('\n')
		if errors.Is(err, io.EOF) {
			return ops // the last line of a killed process is not whole
		}
		require.NoError(t, err)
		thread, rest, _ := strings.Cut(line, " ")
		stamp, rest, _ := strings.Cut(strings.TrimLeft(rest, " "), " ")
		at, err := strconv.ParseFloat(stamp, 64)
		require.NoError(t, err, line)
		if strings.HasPrefix(rest, "<... ") {
			if file, ok := begun[thread]; ok && strings.Contains(rest, "sync resumed") && strings.HasSuffix(rest, "= 0\n") {
				ops = append(ops, diskOp{at: at, file: file, sync: true})
			}
			delete(begun, thread)
			continue
		}
		call, rest, ok := strings.Cut(rest, "(")
		if !ok {
			continue // signals and the end
		}
		_, rest, _ = strings.Cut(rest, "<")
		name, rest, _ := strings.Cut(rest, ">")
		file := filepath.Base(unquote(t, name))
		switch call {
		case "fsync", "fdatasync":
			if strings.Contains(rest, "unfinished") {
				begun[thread] = file
			} else {
				require.Contains(t, rest, "= 0", line)
				ops = append(ops, diskOp{at: at, file: file, sync: true})
			}
		case "ftruncate":
			n, err := strconv.ParseInt(leading(strings.TrimPrefix(rest, ", ")), 10, 64)
			require.NoError(t, err, line)
			ops = append(ops, diskOp{at: at, file: file, cut: true, off: n})
		case "pwrite64":
			_, rest, _ = strings.Cut(rest, `"`)
			text, rest, _ := strings.Cut(rest, `"`)
			sizes := strings.Split(rest, ", ") // "", length, offset
			off, err := strconv.ParseInt(leading(sizes[2]), 10, 64)
			require.NoError(t, err)
			data := []byte(unquote(t, text))
			require.Equal(t, sizes[1], strconv.Itoa(len(data)), "strace cut a write short")
			ops = append(ops, diskOp{at: at, file: file, off: off, data: data})
		default:
			t.Fatalf("the database uses %s, which this test does not know", call)
		}
	}
}

// unquote reads bytes as \x41\x42.
func unquote(t *testing.T, s string) string {
	b, err := hex.DecodeString(strings.ReplaceAll(s, `\x`, ""))
	require.NoError(t, err)
	return string(b)
}

func leading(s string) string {
	end := strings.IndexFunc(s, func(r rune) bool { return r < '0' || r > '9' })
	if end < 0 {
		return s
	}
	return s[:end]
}

// image is what the disk may hold when the power goes before an operation:
// all that was synced, and of the rest whole writes or sectors at random. It
// also says how many writes were open.
func image(base map[string][]byte, ops []diskOp, r *rand.Rand) (files map[string][]byte, open int) {
	files = map[string][]byte{}
	for name, b := range base {
		files[name] = append([]byte{}, b...)
	}
	synced := map[string]int{}
	for i, o := range ops {
		if o.sync {
			synced[o.file] = i
		}
	}
	kept := []float64{0, 0.5, 0.9, 1}[r.IntN(4)]
	for i, o := range ops {
		if o.sync || i > synced[o.file] && r.Float64() >= kept {
			continue
		}
		b := files[o.file]
		if o.cut {
			files[o.file] = append(b[:min(int64(len(b)), o.off)], make([]byte, max(0, o.off-int64(len(b))))...)
			continue
		}
		data := o.data
		if i > synced[o.file] {
			open++
			if kept < 1 && r.IntN(4) == 0 { // torn between sectors
				data = data[:r.IntN(len(data)/512+1)*512]
			}
		}
		if grown := o.off + int64(len(data)) - int64(len(b)); grown > 0 {
			b = append(b, make([]byte, grown)...)
		}
		copy(b[o.off:], data)
		files[o.file] = b
	}
	return files, open
}

// acknowledged is when a shop was told that its order was kept.
type acknowledged struct {
	at       float64
	shop     *till
	revision int
}

// judgeImage opens what a power cut has left and holds it against what had
// been acknowledged by then.
func judgeImage(ctx context.Context, dir string, files map[string][]byte, due map[*till]int, all []*till) error {
	for name, b := range files {
		if err := os.WriteFile(filepath.Join(dir, name), b, 0o600); err != nil {
			return err
		}
	}
	facts, err := store.Open(ctx, filepath.Join(dir, "facts.db"), store.Options{Readers: 1})
	if err != nil {
		return fmt.Errorf("it does not open: %w", err)
	}
	defer facts.Close() // it was only looked at
	findings, err := facts.Examine(ctx, time.Now())
	if err != nil {
		return fmt.Errorf("it cannot be examined: %w", err)
	}
	for _, f := range findings {
		if !f.Well {
			return fmt.Errorf("%s: %s", f.What, f.Text)
		}
	}
	return facts.View(ctx, func(tx commissary.Tx) error {
		kept := 1 // the book
		for _, s := range all {
			parts := strings.Split(s.name, "/")
			date, err := civil.ParseDate(parts[3])
			if err != nil {
				return err
			}
			o, err := tx.Orders("main").Get(date, parts[5])
			if err != nil && commissary.KindOf(err) != commissary.NotFound {
				return err
			}
			kept += o.Revision
			if o.Revision < due[s] {
				return fmt.Errorf("%s is at revision %d, and %d was acknowledged", s.name, o.Revision, due[s])
			}
			if o.Revision > 0 && int(o.Lines[0].Pieces) != o.Revision {
				return fmt.Errorf("%s: revision %d holds %d pieces", s.name, o.Revision, o.Lines[0].Pieces)
			}
		}
		changes, err := tx.Changes("main").Last() // the examination has verified them
		if err == nil && int(changes) != kept {
			err = fmt.Errorf("%d orders and books are kept and %d changes recorded", kept, changes)
		}
		return err
	})
}

// recording is what a service did to its disk while shops ordered.
type recording struct {
	base  map[string][]byte
	ops   []diskOp
	acks  []acknowledged
	shops []*till
}

// record runs the service under strace with shops that order, until the
// database has copied its log back once and then some.
func record(t *testing.T, program string, turns int) recording {
	strace, err := exec.LookPath("strace")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("strace is not installed")
		}
		t.Skip("SKIPPED: strace is not installed")
	}
	h := newHouse(t, program, 12)
	r := h.start()
	require.NotNil(t, r)
	h.adopt(r)
	require.NoError(t, r.cmd.Process.Signal(syscall.SIGTERM))
	<-r.read
	r.end()
	base, err := os.ReadFile(h.db)
	require.NoError(t, err)
	trace := filepath.Join(t.TempDir(), "trace")
	h.args = []string{strace, "-f", "-ttt", "-xx", "-y", "-s", "70000", "-o", trace, "-P", h.db, "-P", h.db + "-wal",
		"-e", "trace=pwrite64,write,pwritev,ftruncate,fsync,fdatasync"}
	r = h.start()
	require.NotNil(t, r)
	got := recording{base: map[string][]byte{"facts.db": base}, shops: h.shops}
	var mu sync.Mutex
	var g sync.WaitGroup
	for _, s := range h.shops {
		g.Go(func() {
			for range turns {
				if err := s.work(context.Background(), r, func(n int) bool { return n == 1 }); err != nil {
					t.Error(err)
					return
				}
				mu.Lock()
				got.acks = append(got.acks, acknowledged{float64(time.Now().UnixMicro()) / 1e6, s, s.known})
				mu.Unlock()
			}
		})
	}
	g.Wait()
	r.end()
	got.ops = readTrace(t, trace)
	return got
}

// cutPower makes images and returns how many hold what they must, and what
// was wrong with the others.
func (rec recording) cutPower(t *testing.T, images int, seed uint64) (well, open int, wrong []error) {
	// What becomes of an image is read from it alone, so that it need not lie on a disk.
	dir, err := os.MkdirTemp("/dev/shm", "images")
	if err != nil {
		dir = t.TempDir()
	}
	defer os.RemoveAll(dir)
	var mu sync.Mutex
	var g sync.WaitGroup
	turns := make(chan struct{}, runtime.GOMAXPROCS(0))
	for n := range images {
		turns <- struct{}{}
		g.Go(func() {
			defer func() { <-turns }()
			pending, err := rec.cutPowerOnce(t.Context(), filepath.Join(dir, strconv.Itoa(n)), rand.New(rand.NewPCG(seed, uint64(n))))
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				well++
			} else {
				wrong = append(wrong, fmt.Errorf("image %d: %w", n, err))
			}
			if pending > 0 {
				open++
			}
		})
	}
	g.Wait()
	return well, open, wrong
}

// cutPowerOnce makes one image in a folder, says how many writes were open in
// it and what is wrong with it.
func (rec recording) cutPowerOnce(ctx context.Context, dir string, r *rand.Rand) (open int, err error) {
	at := r.IntN(len(rec.ops))
	due := map[*till]int{}
	for _, a := range rec.acks {
		if a.at < rec.ops[at].at {
			due[a.shop] = max(due[a.shop], a.revision)
		}
	}
	files, open := image(rec.base, rec.ops[:at], r)
	if err := os.Mkdir(dir, 0o700); err != nil {
		return open, err
	}
	defer os.RemoveAll(dir) // the whole folder goes in the end
	if err := judgeImage(ctx, dir, files, due, rec.shops); err != nil {
		return open, fmt.Errorf("before operation %d of %d: %w", at, len(rec.ops), err)
	}
	return open, nil
}

// syncPlants let the database sync less than it must, and copy its log sooner.
var syncPlants = []plant{{"checkpoint", "commissary/store/sqlite.go", `{"wal_autocheckpoint", "4000"}`,
	`{"wal_autocheckpoint", setting("PLANTED_CHECKPOINT", "4000")}`}, {"sync", "commissary/store/sqlite.go", `{"synchronous", "2"}`,
	`{"synchronous", map[bool]string{true: "1"}[planted("sync NORMAL")] + map[bool]string{true: "0"}[planted("sync OFF")] + map[bool]string{true: "2"}[!planted("sync NORMAL") && !planted("sync OFF")]}`}}

// Whenever the power goes, what was acknowledged is on the disk and what was
// not is whole or absent. The same test finds that it is not so when the
// database syncs less: with NORMAL acknowledged orders are lost, with OFF the
// file is damaged.
func TestPowerCut(t *testing.T) {
	apart(t)
	t.Setenv("PLANTED_CHECKPOINT", "500") // so that it is done a few times
	images, controls := cases(2000, 20_000), cases(40, 400)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	for _, level := range []string{"FULL", "NORMAL", "OFF"} {
		t.Run(level, func(t *testing.T) {
			n := controls
			if level == "FULL" {
				n = images
			} else {
				t.Setenv("PLANTED", "sync "+level)
			}
			rec := record(t, sown(t), 40)
			syncs, back := 0, false
			for _, o := range rec.ops {
				if o.sync {
					syncs++
				}
				back = back || o.file == "facts.db" && o.data != nil
			}
			require.True(t, back, "the log was never copied back into the file: the run is void")
			well, open, wrong := rec.cutPower(t, n, seed)
			t.Logf("%d orders acknowledged, %d writes and syncs, of them %d syncs; %d images, %d of them with open writes: %d well, %d not", len(rec.acks), len(rec.ops), syncs, n, open, well, len(wrong))
			require.Greater(t, len(rec.acks), 400, "too few orders: the run is void")
			if level == "FULL" {
				require.Greater(t, open, n/4, "hardly a write was open: the run is void")
				require.Empty(t, wrong)
				return
			}
			require.NotEmpty(t, wrong, "the test does not see that acknowledged orders are lost")
			t.Log("for example:", wrong[0])
		})
	}
}
