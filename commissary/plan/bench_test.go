package plan

import (
	"cmp"
	"fmt"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

// peakHeap runs do and returns the most heap that was in use meanwhile, above
// what was in use before, sampled every few milliseconds.
func peakHeap(do func()) uint64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	before, peak := m.HeapInuse, m.HeapInuse
	var stop atomic.Bool
	done := make(chan struct{})
	go func() {
		defer close(done)
		var m runtime.MemStats
		for !stop.Load() {
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapInuse)
			time.Sleep(5 * time.Millisecond)
		}
	}()
	do()
	stop.Store(true)
	<-done
	return peak - min(before, peak)
}

// processor is the time that this process has had of the processors: on a busy
// machine it tells more than the clock.
func processor(tb testing.TB) time.Duration {
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// busy is the load of the vessels: the share of their open time on the days that a
// generated shape plans for, which is all the time somebody works then, in which they
// are loaded, mixing, unloaded or cleaned. What is mixed on later days is left out.
func busy(in Input, p commissary.Plan) float64 {
	k, err := openKitchen(in)
	if err != nil {
		panic(err)
	}
	start := in.At.Unix()
	end := k.zone.Instant(in.Night.AddDays(in.Book.Kitchen.PlanDays-daysBehind+1), 0).Unix()
	var used, open, units int64
	for _, b := range p.Batches {
		for _, s := range b.Steps {
			if s.Resource == b.Vessel && s.To.Unix() <= end {
				used += s.To.Unix() - s.From.Unix()
			}
		}
	}
	k.crew().Spans(start, end, func(from, to, free int64) {
		if free > 0 {
			open += to - from
		}
	})
	for _, v := range in.Book.Vessels {
		units += int64(max(v.Count, 1))
	}
	return float64(used) / float64(max(open*units, 1))
}

// stepsDone is the work that planning a day takes: the budget, or more where the
// first plans alone take more than half of it.
func stepsDone(tb testing.TB, in Input) int64 {
	s := searchOn(tb, in)
	s.run(in.budget())
	return s.fl.steps
}

// made is one timed plan.
type made struct {
	seed uint64
	took time.Duration
	cpu  time.Duration
	busy float64
	peak uint64
	cost [4]int64
	off  int64   // least pieces outside their bands
	over float64 // batches over their bound, in percent
	rows int
}

func timed(b *testing.B, in Input) made {
	var p commissary.Plan
	var err error
	m := made{seed: in.Seed}
	m.peak = peakHeap(func() {
		started, used := time.Now(), processor(b)
		p, err = Make(in)
		m.took, m.cpu = time.Since(started), processor(b)-used
	})
	if err != nil {
		b.Fatal(err)
	}
	m.cost, m.off, m.busy = costOf(p), p.Scores[costOff].Bound, busy(in, p)
	m.over = 100 * (float64(p.Scores[costBatches].Value)/float64(max(p.Scores[costBatches].Bound, 1)) - 1)
	for _, o := range in.Orders {
		m.rows += len(o.Lines)
	}
	return m
}

func (m made) String() string {
	return fmt.Sprintf("seed %d: %d rows, %v (processor %v), %d MB, vessels %.0f %% busy, [short off batches surplus] %v, off at least %d, %.2f %% over the bound", m.seed, m.rows, m.took.Round(time.Millisecond), m.cpu.Round(time.Millisecond), m.peak>>20, 100*m.busy, m.cost, m.off, m.over)
}

// BenchmarkLargeDay plans ten large days and reports the three worst of each measure.
func BenchmarkLargeDay(b *testing.B) {
	benchDays(b, largeDay, 10)
}

// BenchmarkMediumDay plans ten medium days.
func BenchmarkMediumDay(b *testing.B) {
	benchDays(b, mediumDay, 10)
}

func benchDays(b *testing.B, s dayShape, seeds uint64) {
	var all []made
	for range b.N {
		all = all[:0]
		for seed := uint64(1); seed <= seeds; seed++ {
			in := generate(s, seed)
			b.StartTimer()
			all = append(all, timed(b, in))
			b.StopTimer()
		}
	}
	var log strings.Builder
	worst := func(what, unit string, of func(made) float64) {
		slices.SortStableFunc(all, func(x, y made) int { return cmp.Compare(of(y), of(x)) })
		fmt.Fprintf(&log, "\nworst three in %s", what)
		for _, m := range all[:3] {
			fmt.Fprintf(&log, "\n  %v", m)
		}
		b.ReportMetric(of(all[0]), unit)
	}
	worst("time", "ms-worst", func(m made) float64 { return float64(m.took.Milliseconds()) })
	worst("processor time", "cpu-ms-worst", func(m made) float64 { return float64(m.cpu.Milliseconds()) })
	worst("memory", "MB-worst", func(m made) float64 { return float64(m.peak >> 20) })
	worst("distance from the bound", "%-over-worst", func(m made) float64 { return m.over })
	worst("shortage", "short-worst", func(m made) float64 { return float64(m.cost[costShort]) })
	b.Log(log.String())
}

// BenchmarkTwiceTheLines compares a day with one of twice the shops, and the
// vessels and people to make it, in the same run: the least of three times each.
func BenchmarkTwiceTheLines(b *testing.B) {
	half := largeDay
	half.shops, half.vessels, half.crew = half.shops/2, half.vessels/2, half.crew/2
	var ratio float64
	for range b.N {
		var one, two time.Duration
		for seed := uint64(1); seed <= 3; seed++ {
			a, c := timed(b, generate(half, seed)), timed(b, generate(largeDay, seed))
			for range 2 {
				a.cpu = min(a.cpu, timed(b, generate(half, seed)).cpu)
				c.cpu = min(c.cpu, timed(b, generate(largeDay, seed)).cpu)
			}
			one, two = one+a.cpu, two+c.cpu
			b.Logf("%v; twice: %v", a, c)
		}
		ratio = float64(two) / float64(one)
	}
	b.ReportMetric(ratio, "×-cpu-time")
}

// BenchmarkReplan plans days, breaks the first vessel for four hours of the next
// morning and plans again with the plan in force, and reports the work and the
// processor's time of both and what came of it.
func BenchmarkReplan(b *testing.B) {
	for _, s := range []struct {
		name  string
		shape dayShape
	}{{"medium", mediumDay}, {"large", largeDay}} {
		b.Run(s.name, func(b *testing.B) {
			var one, two time.Duration
			for range b.N {
				for seed := uint64(1); seed <= 3; seed++ {
					in := generate(s.shape, seed)
					used := processor(b)
					first, err := Make(in)
					require.NoError(b, err)
					between := processor(b)
					again := in
					from := in.At.Add(6 * time.Hour)
					again.Outages = []commissary.Outage{{Resource: in.Book.Vessels[0].ID, From: from, To: from.Add(4 * time.Hour), Why: "a belt broke"}}
					again.Before = first.Batches
					began := processor(b)
					second, err := Make(again)
					require.NoError(b, err)
					ended := processor(b)
					one, two = one+between-used, two+ended-began
					said, err := Changes(in.Book, again.Before, second.Batches)
					require.NoError(b, err)
					b.Logf("seed %d: %d steps in %v, again %d steps in %v; %v, again %v; %d of %d batches changed", seed, stepsDone(b, in), between-used, stepsDone(b, again), ended-began, costOf(first), costOf(second), len(said), len(first.Batches))
				}
			}
			b.ReportMetric(float64(two)/float64(one), "×-cpu-time")
		})
	}
}

// BenchmarkAgainstIntegerProgram grows a day until the solver cannot prove it
// any more in a minute, and reports both times on the largest that it could.
func BenchmarkAgainstIntegerProgram(b *testing.B) {
	if _, err := exec.LookPath("cbc"); err != nil {
		b.Skip("SKIPPED: cbc is not installed; apt-get install coinor-cbc")
	}
	for range b.N {
		for cells := 8; cells <= 64; cells += 4 {
			s := gridShape{kind: "plain", formulas: 3, vessels: 3, days: 1, cells: [2]int{cells, cells}, grids: []int{15}, sizes: []int64{10, 15, 20}, loadPercent: [2]int{85, 85}, bakes: 2, items: 2}
			var d gridDay
			for seed := uint64(1); ; seed++ { // the first day with all of them
				if d = newGridDay(s, seed); len(d.formulas) == 3 && len(d.vessels) == 3 {
					break
				}
			}
			started := time.Now()
			p, err := Make(d.in)
			if err != nil {
				b.Fatal(err)
			}
			ours, cost := time.Since(started), costOf(p)
			m := newMipDay(d)
			started = time.Now()
			best := m.solve(b, "cbc", 60, cost[0], cost[1])
			took := time.Since(started)
			if !best.proved {
				b.Logf("%d cells, %d variables: not proved in %v; ours in %v", cells, len(m.names), took.Round(time.Millisecond), ours.Round(time.Millisecond))
				break
			}
			b.Logf("%d cells, %d variables, %d batches: proved %v in %v; ours %v in %v", cells, len(m.names), best.cost[2], best.cost, took.Round(time.Millisecond), cost, ours.Round(time.Millisecond))
			b.ReportMetric(float64(took)/float64(ours), "×-solver-time")
			b.ReportMetric(float64(cells), "cells")
		}
	}
}
