package plan

import (
	"cmp"
	"fmt"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

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

// made is one timed plan.
type made struct {
	seed uint64
	took time.Duration
	peak uint64
	cost [4]int64
	over float64 // batches over their bound, in percent
	rows int
}

func timed(b *testing.B, in Input) made {
	var p commissary.Plan
	var err error
	m := made{seed: in.Seed}
	m.peak = peakHeap(func() {
		started := time.Now()
		p, err = Make(in)
		m.took = time.Since(started)
	})
	if err != nil {
		b.Fatal(err)
	}
	m.cost = costOf(p)
	m.over = 100 * (float64(p.Scores[costBatches].Value)/float64(max(p.Scores[costBatches].Bound, 1)) - 1)
	for _, o := range in.Orders {
		m.rows += len(o.Lines)
	}
	return m
}

func (m made) String() string {
	return fmt.Sprintf("seed %d: %d rows, %v, %d MB, [short off batches surplus] %v, %.2f %% over the bound", m.seed, m.rows, m.took.Round(time.Millisecond), m.peak>>20, m.cost, m.over)
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
	worst("memory", "MB-worst", func(m made) float64 { return float64(m.peak >> 20) })
	worst("distance from the bound", "%-over-worst", func(m made) float64 { return m.over })
	worst("shortage", "short-worst", func(m made) float64 { return float64(m.cost[costShort]) })
	b.Log(log.String())
}

// BenchmarkTwiceTheLines compares a day with one of twice the shops, and the
// vessels and people to make it, in the same run.
func BenchmarkTwiceTheLines(b *testing.B) {
	half := largeDay
	half.shops /= 2
	var ratio float64
	for range b.N {
		var one, two time.Duration
		for seed := uint64(1); seed <= 3; seed++ {
			a, c := timed(b, generate(half, seed)), timed(b, generate(largeDay, seed))
			one, two = one+a.took, two+c.took
			b.Logf("%v; twice: %v", a, c)
		}
		ratio = float64(two) / float64(one)
	}
	b.ReportMetric(ratio, "×-time")
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
