package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// monday is the first day of invented histories.
var monday = civil.Date{Year: 2024, Month: time.January, Day: 1}

// invented returns a history of so many days about a weekday pattern, with
// noise of the given share. The same seed gives the same days.
func invented(seed uint64, n int, level, noise float64) Series {
	random := rand.New(rand.NewPCG(seed, 1))
	s := Series{Shop: "harbour", Item: balls.ID, First: monday}
	for i := range n {
		pattern := []float64{0.7, 0.75, 0.85, 1, 1.5, 1.4, 0.8}[i%7]
		sold := level * pattern * (1 + noise*random.NormFloat64())
		s.Days = append(s.Days, Day{Counted, quantity.Pieces(math.Round(max(0, sold)))})
	}
	return s
}

func learned(t testing.TB, s Series) Fit {
	t.Helper()
	f, err := Learn(s)
	require.NoError(t, err)
	return f
}

// with returns a copy in which the days that pick names are changed.
func (s Series) with(change Day, pick func(i int) bool) Series {
	days := append([]Day(nil), s.Days...)
	for i := range days {
		if pick(i) {
			days[i] = change
		}
	}
	s.Days = days
	return s
}

// Without noise the forecast is the pattern itself, whatever days are missing:
// closed, unknown and event days neither are zeros nor pull anything.
func TestMissingDaysDoNotPull(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pattern := rapid.SliceOfN(rapid.IntRange(1, 300), 7, 7).Draw(t, "pattern")
		s := Series{Shop: "harbour", Item: balls.ID, First: monday}
		for i := range 7 * rapid.IntRange(14, 30).Draw(t, "weeks") {
			day := Day{Counted, quantity.Pieces(pattern[i%7])}
			// Every weekday is seen twice at first; then one day in six is missing.
			if i >= 14 {
				switch rapid.IntRange(0, 17).Draw(t, "day") {
				case 0:
					day = Day{Kind: Closed}
				case 1:
					day = Day{}
				case 2:
					day = Day{Event, 100_000}
				}
			}
			s.Days = append(s.Days, day)
		}
		f, err := Learn(s)
		require.NoError(t, err)
		for h, m := range f.Ahead {
			want := Milli(pattern[(len(s.Days)+h)%7]) * Piece
			require.InDelta(t, float64(want), float64(m), 0.01*float64(want)+10, "%d days ahead, %v", h+1, f.Methods)
		}
	})
}

// A weekday that is always closed says nothing about the others, nor do
// closed weeks at the end.
func TestClosedWeekday(t *testing.T) {
	open := learned(t, invented(1, 364, 80, 0.1))
	closed := learned(t, invented(1, 364, 80, 0.1).with(Day{Kind: Closed}, func(i int) bool { return i%7 == 6 }))
	for h := range Horizon {
		if h%7 != 6 {
			require.InEpsilon(t, float64(open.Ahead[h]), float64(closed.Ahead[h]), 0.04, "%d days ahead", h+1)
		}
	}
	shut := learned(t, invented(1, 364+14, 80, 0.1).with(Day{Kind: Closed}, func(i int) bool { return i >= 364 }))
	for h := range Horizon {
		require.InEpsilon(t, float64(open.Ahead[h]), float64(shut.Ahead[h]), 0.04, "%d days ahead", h+1)
	}
}

func anySeries(t *rapid.T) Series {
	s := Series{Shop: "harbour", Item: balls.ID, First: monday.AddDays(rapid.IntRange(0, 6).Draw(t, "first"))}
	most := rapid.SampledFrom([]int{0, 1, 30, 400, 100_000}).Draw(t, "most")
	n := rapid.IntRange(0, 300).Draw(t, "days")
	random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
	for range n {
		d := Day{Kind: Kind(min(random.IntN(12), int(kinds)-1))}
		if d.Kind == Event && random.IntN(3) > 0 {
			d.Kind = Counted
		}
		if d.teaches() || d.Kind == Event {
			d.Sold = quantity.Pieces(random.IntN(most + 1))
		}
		s.Days = append(s.Days, d)
	}
	return s
}

func TestLearnProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anySeries(t)
		f, err := Learn(s)
		require.NoError(t, err)
		require.Equal(t, s.Through(), f.Through)
		for h, m := range f.Ahead {
			require.GreaterOrEqual(t, m, Milli(0), "%d days ahead", h+1)
		}
		for _, spread := range f.Spread {
			require.GreaterOrEqual(t, safety(t, spread, 100*Piece, lowestRatio), -100*Piece, "nothing sells less than nothing")
		}

		moved := s
		moved.First = s.First.AddDays(7 * rapid.IntRange(-60, 60).Draw(t, "weeks"))
		g, err := Learn(moved)
		require.NoError(t, err)
		g.Through = f.Through
		require.Equal(t, f, g, "whole weeks earlier or later change nothing")

		// Four times the pieces: exact in binary, so only the last rounding differs.
		larger := s
		larger.Days = append([]Day(nil), s.Days...)
		for i := range larger.Days {
			larger.Days[i].Sold *= 4
		}
		l, err := Learn(larger)
		require.NoError(t, err)
		require.Equal(t, f.Methods, l.Methods)
		for h := range f.Ahead {
			require.InDelta(t, float64(4*f.Ahead[h]), float64(l.Ahead[h]), 2, "%d days ahead", h+1)
		}
		require.InDelta(t, float64(4*f.Accuracy.MAE), float64(l.Accuracy.MAE), 2)
		require.InDelta(t, float64(4*f.Accuracy.Bias), float64(l.Accuracy.Bias), 2)
		require.Equal(t, f.Accuracy.MASE, l.Accuracy.MASE)

		// Unknown days before the first count are no history.
		longer := s
		longer.First, longer.Days = s.First.AddDays(-10), append(make([]Day, 10), s.Days...)
		u, err := Learn(longer)
		require.NoError(t, err)
		require.Equal(t, f, u)
	})
}

// The reported misses were made without knowledge of what came after: days
// that are changed afterwards change no miss of the days before.
func TestBackTestDoesNotLookAhead(t *testing.T) {
	run := func(s Series) *contest {
		c := newContest(s.First, s.Days)
		for d := range c.days {
			c.judge(d)
			c.learn(d)
			c.predict(d)
		}
		return c
	}
	const cut = 300
	s := invented(3, 364, 80, 0.2)
	before := run(s.upTo(364))
	after := run(s.with(Day{Counted, 1000}, func(i int) bool { return i >= cut }))
	same := 0
	for i := range before.misses {
		if before.misses[i] != after.misses[i] {
			break
		}
		same++
	}
	// The first origin believed is start + believed; every day after it adds a miss for each of up to seven origins.
	start := 364 - backtest
	require.Equal(t, Reach*(Reach-1)/2+Reach*(cut-start-believed-Reach), same)
}

func TestLittleHistory(t *testing.T) {
	empty := learned(t, Series{Shop: "harbour", Item: balls.ID, First: monday})
	require.Equal(t, [Horizon]Milli{}, empty.Ahead)
	require.Equal(t, Accuracy{MASE: Undefined}, empty.Accuracy)
	require.Zero(t, empty.Counted)

	three := learned(t, invented(1, 3, 80, 0)) // 56, 60, 68
	require.Equal(t, []string{"mean of 8 same weekdays"}, three.Methods)
	require.Equal(t, 3, three.Counted)
	require.Equal(t, Milli(61_333), three.Ahead[0], "a weekday not seen yet: the mean of all")
	require.Equal(t, 56*Piece, three.Ahead[4], "a Monday")
	require.Zero(t, three.Spread[0].Misses)

	long := learned(t, invented(1, 70, 80, 0.1))
	require.Len(t, long.Methods, averaged)
	require.Greater(t, long.Spread[0].Misses, enough)

	zeros := learned(t, Series{Shop: "harbour", Item: balls.ID, First: monday}.upTo(0).append(make([]quantity.Pieces, 200)))
	require.Equal(t, [Horizon]Milli{}, zeros.Ahead)
	require.Zero(t, zeros.Accuracy.MAE)
	require.Equal(t, Undefined, zeros.Accuracy.MASE)
	require.True(t, zeros.Sparse)
}

func (s Series) append(counts []quantity.Pieces) Series {
	for _, c := range counts {
		s.Days = append(s.Days, Day{Counted, c})
	}
	return s
}

func TestLikenessAndStanding(t *testing.T) {
	f := learned(t, invented(1, 364, 80, 0.1))
	g, err := f.As("harbour", "ball-320", 25*quantity.Percent)
	require.NoError(t, err)
	for h := range Horizon {
		require.InDelta(t, float64(f.Ahead[h])/4, float64(g.Ahead[h]), 0.5)
	}
	require.Equal(t, f.Spread, g.Spread)
	require.Zero(t, g.Counted)
	require.Equal(t, []string{"as ball-250 at harbour"}, g.Methods)
	_, err = f.As("harbour", "ball-320", -1)
	require.Equal(t, commissary.Invalid, commissary.KindOf(err))

	h := FromStanding("harbour", balls.ID, []commissary.Standing{
		{Item: balls.ID, Days: civil.EveryDay, Pieces: 40},
		{Item: balls.ID, Days: civil.Weekdays(0).With(time.Friday), Pieces: 24},
		{Item: "other", Days: civil.EveryDay, Pieces: 400},
	}, wednesday)
	require.Equal(t, 40*Piece, h.Ahead[0])
	require.Equal(t, 64*Piece, h.Ahead[1])
	require.Equal(t, 64*Piece, h.Ahead[8])
}

// One Saturday seventy times too high, a slip of the pen ten days ago, must
// not become the forecast: of its 7,900 too many, fewer than seventeen a day
// are left.
func TestOutlier(t *testing.T) {
	clean := learned(t, invented(5, 364, 80, 0.1))
	hit := learned(t, invented(5, 364, 80, 0.1).with(Day{Counted, 8000}, func(i int) bool { return i == 355 }))
	for h := range Horizon {
		require.InEpsilon(t, float64(clean.Ahead[h]), float64(hit.Ahead[h]), 0.15, "%d days ahead, %v", h+1, hit.Methods)
	}
}

// An item that sells three pieces on one day in five sells 0.6 a day. The
// median is zero, and a method chosen by absolute misses would say so.
func TestSparseItem(t *testing.T) {
	const seed = 11
	random := rand.New(rand.NewPCG(seed, 1))
	s := Series{Shop: "harbour", Item: "gluten-free", First: monday}
	total := 0.0
	for range 364 {
		var sold quantity.Pieces
		if random.IntN(5) == 0 {
			sold = 3
		}
		total += float64(sold)
		s.Days = append(s.Days, Day{Counted, sold})
	}
	f := learned(t, s)
	require.True(t, f.Sparse)
	sum := 0.0
	for _, m := range f.Ahead {
		sum += float64(m) / float64(Piece)
	}
	require.InDelta(t, total/364, sum/Horizon, 0.25*total/364, "seed %d", seed)
	require.InDelta(t, 0, float64(f.Accuracy.Bias), 0.25*total/364*float64(Piece), "seed %d", seed)
	require.NotEqual(t, f.Ahead, [Horizon]Milli{})
}

// Fridays that run out at 90 where 120 would have sold: said to be sold out,
// they do not pull the forecast down to 90.
func TestSoldOutDays(t *testing.T) {
	s := invented(7, 364, 80, 0.05)
	short := func(i int) bool { return i >= 300 && i%7 == 4 }
	told := learned(t, s.with(Day{SoldOut, 90}, short))
	untold := learned(t, s.with(Day{Counted, 90}, short))
	full := learned(t, s)
	require.Less(t, untold.Ahead[4], 110*Piece)
	require.InEpsilon(t, float64(full.Ahead[4]), float64(told.Ahead[4]), 0.03)
	more := learned(t, s.with(Day{SoldOut, 150}, short)) // more than was expected is learned
	require.Greater(t, more.Ahead[4], 130*Piece)
}

func TestLearnRefuses(t *testing.T) {
	good := invented(1, 30, 80, 0.1)
	for name, c := range map[string]struct {
		s    Series
		says string
	}{
		"no first day":    {Series{Shop: "harbour", Item: "ball-250", Days: good.Days}, "has no first day"},
		"below zero":      {good.with(Day{Counted, -1}, func(i int) bool { return i == 3 }), "-1 pieces on 2024-01-04"},
		"closed and sold": {good.with(Day{Closed, 5}, func(i int) bool { return i == 3 }), "a day without a count"},
		"no such kind":    {good.with(Day{kinds, 5}, func(i int) bool { return i == 3 }), "no known kind on 2024-01-04"},
		"too long":        {Series{First: monday, Days: make([]Day, longest+1)}, "at most the last"},
	} {
		_, err := Learn(c.s)
		require.Equal(t, commissary.Invalid, commissary.KindOf(err), name)
		require.ErrorContains(t, err, c.says, name)
	}
	_, err := learned(t, good).On(monday)
	require.Equal(t, commissary.Precondition, commissary.KindOf(err))
}

// Side by side and one after the other: the same fit.
func TestLearnSideBySide(t *testing.T) {
	s := invented(9, 400, 80, 0.2)
	want := learned(t, s)
	var wait sync.WaitGroup
	got := make([]Fit, 8)
	for i := range got {
		wait.Go(func() { got[i], _ = Learn(s) })
	}
	wait.Wait()
	for _, f := range got {
		require.Equal(t, want, f)
	}
}

// Safety for four nights in five holds on four days in five of the real
// series, forecast week after week over their last half year.
func TestSafetyHoldsOnRealSeries(t *testing.T) {
	for i, r := range references {
		s := realSeries(t, i)
		held, days := 0, 0
		for origin := len(s.Days) - 7*22; origin <= len(s.Days)-7; origin += 7 {
			f := learned(t, s.upTo(origin))
			for h := range Reach {
				if day := s.Days[origin+h]; day.Kind == Counted {
					stock := f.Ahead[h] + safety(t, f.Spread[0], f.Ahead[h], 800_000)
					days++
					if Milli(day.Sold)*Piece <= stock {
						held++
					}
				}
			}
		}
		t.Logf("%-19s %d of %d days held, %.3f; MASE %.3f, bias %s", r.name, held, days, float64(held)/float64(days),
			float64(learned(t, s).Accuracy.MASE)/float64(quantity.Whole), learned(t, s).Accuracy.Bias)
		// Three standard deviations of so many independent days.
		require.InDelta(t, 0.8, float64(held)/float64(days), 3*math.Sqrt(0.8*0.2/float64(days)), r.name)
	}
}

func BenchmarkLearnTwoYears(b *testing.B) {
	s := invented(1, 730, 80, 0.2)
	b.ReportAllocs()
	for b.Loop() {
		_, _ = Learn(s)
	}
}

func BenchmarkProposeSixtyItems(b *testing.B) {
	asks, c := sixty(b)
	b.ReportAllocs()
	for b.Loop() {
		for _, a := range asks {
			_, _ = Propose(a, c)
		}
	}
}

// sixty is what one shop asks for on a night.
func sixty(t testing.TB) ([]Ask, Calendar) {
	var asks []Ask
	for i := range 60 {
		s := invented(uint64(i), 364, float64(5+3*i), 0.2)
		s.Item = fmt.Sprint("item-", i)
		night := s.Through()
		asks = append(asks, Ask{
			Item: commissary.Item{ID: s.Item, PerBox: quantity.Pieces(1 + i%12), CostOut: 300, CostWaste: 100},
			Fit:  learned(t, s), Night: night, From: night.AddDays(2), To: night.AddDays(4),
			Stock: []Stock{{Pieces: 20, To: night.AddDays(3)}, {Pieces: 10}, {Pieces: 24, Coming: true, To: night.AddDays(4)}},
		})
	}
	night := asks[0].Night
	return asks, Calendar{Closed: []civil.Date{night.AddDays(3)}, Adjustments: []Adjustment{
		{Name: "fair", From: night.AddDays(2), To: night.AddDays(2), Change: 20 * quantity.Percent}}}
}

func TestSixtyItemsAreProposedInTime(t *testing.T) {
	asks, c := sixty(t)
	begin := time.Now()
	for _, a := range asks {
		_, err := Propose(a, c)
		require.NoError(t, err)
	}
	require.Less(t, time.Since(begin), 50*time.Millisecond)
}

// A thousand shops of sixty items, two years each, on all processors; the fits
// are kept, the series made as they are needed.
func BenchmarkLearnThousandShops(b *testing.B) {
	for b.Loop() {
		fits := make([][60]Fit, 1000)
		shops := make(chan int)
		var wait sync.WaitGroup
		for range runtime.GOMAXPROCS(0) {
			wait.Go(func() {
				for shop := range shops {
					for item := range 60 {
						fits[shop][item], _ = Learn(invented(uint64(60*shop+item), 730, float64(1+3*item), 0.2))
					}
				}
			})
		}
		for shop := range fits {
			shops <- shop
		}
		close(shops)
		wait.Wait()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		b.ReportMetric(float64(m.Sys)/1e6, "MB-from-system")
		b.ReportMetric(float64(m.HeapAlloc)/1e6, "MB-live")
		runtime.KeepAlive(fits)
	}
}
