package ferment

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// A poolish stirred at 16:00 for 4 in the morning: ripe 12–16 h after it was
// made (common practice, no source).
func poolish() Tub {
	stirred := time.Date(2026, 11, 25, 16, 0, 0, 0, time.UTC)
	return Tub{
		Made: stirred, Mix: stirred.Add(14 * time.Hour), Now: stirred.Add(time.Hour),
		Window: commissary.Window{Min: 12 * hour, Best: 14 * hour, Band: hour, Max: 16 * hour},
		Stated: c(21), Room: c(21), Cold: c(3), Mass: 12 * quantity.Kilogram,
	}
}

func TestAdvise(t *testing.T) {
	stirred := poolish().Made
	for name, row := range map[string]struct {
		change func(*Tub)
		do     Action
		at     time.Time
		text   string
	}{
		"ripe":  {func(*Tub) {}, Use, time.Time{}, "is ripe at mixing time"},
		"young": {func(p *Tub) { p.Mix = stirred.Add(11 * time.Hour) }, MixAt, stirred.Add(12 * time.Hour), "1 h too young"},
		"young, not stirred": {func(p *Tub) { p.Mix, p.Now = stirred.Add(11*time.Hour), stirred.Add(-5*time.Hour) },
			StirAt, stirred.Add(-3 * time.Hour), "Stir it earlier"},
		"young, nearly too late": {func(p *Tub) { p.Mix, p.Now = stirred.Add(11*time.Hour), stirred.Add(-90*time.Minute) },
			StirAt, stirred.Add(-90 * time.Minute), "Stir it earlier"},
		"young, too late to stir": {func(p *Tub) { p.Mix, p.Now = stirred.Add(11*time.Hour), stirred.Add(-30*time.Minute) },
			MixAt, stirred.Add(12 * time.Hour), "Mix later"},
		"old, not stirred": {func(p *Tub) { p.Mix, p.Now = stirred.Add(18*time.Hour), stirred.Add(-time.Hour) },
			StirAt, stirred.Add(4 * time.Hour), "over-ripe at mixing time, by 2 h. Stir it later"},
		// Past the hard maximum on the clock the cold is no help.
		"old by the clock":  {func(p *Tub) { p.Mix = stirred.Add(18 * time.Hour) }, MixAt, stirred.Add(14 * time.Hour), "Mix earlier"},
		"old, best is past": {func(p *Tub) { p.Mix, p.Now = stirred.Add(18*time.Hour), stirred.Add(15*time.Hour) }, MixAt, stirred.Add(15 * time.Hour), "Mix earlier"},
		"over":              {func(p *Tub) { p.Mix, p.Now = stirred.Add(18*time.Hour), stirred.Add(17*time.Hour) }, Discard, time.Time{}, "over-ripe for 1 h. Discard it"},
		"hot, seen late":    {func(p *Tub) { p.Room, p.Now = c(30), stirred.Add(9*time.Hour) }, Discard, time.Time{}, "Discard it"},
		"cold room":         {func(p *Tub) { p.Room = c(12) }, Warm, time.Time{}, "Keep it warmer"},
	} {
		t.Run(name, func(t *testing.T) {
			p := poolish()
			row.change(&p)
			a := p.Advise(Chart)
			require.Equal(t, row.do, a.Do)
			require.Equal(t, row.at, a.At)
			require.Contains(t, a.Text, row.text)
			require.NotContains(t, a.Text, "safe")
		})
	}
}

// In a hot room the tub is ripe by midnight; in the cold store in time it
// holds, the larger tub being put there earlier.
func TestChillInTime(t *testing.T) {
	p := poolish()
	p.Room = c(26)
	a := p.Advise(Chart)
	require.Equal(t, Chill, a.Do)
	require.True(t, a.At.After(p.Now) && a.At.Before(p.Mix))
	out := quantity.Seconds(a.At.Sub(p.Made) / time.Second)
	chilled := Chart.Age(p.Stated, []Stage{{For: out, At: p.Room}, {For: 14*hour - out, At: p.Cold, Mass: p.Mass, From: p.Room}})
	require.InDelta(t, float64(p.Window.Best), float64(chilled), 120)

	small := p
	small.Mass = quantity.Kilogram
	require.True(t, small.Advise(Chart).At.After(a.At))

	// When the best moment has gone by, at once is still good.
	late := p
	late.Now = a.At.Add(10 * time.Minute)
	require.Equal(t, late.Now, late.Advise(Chart).At)
}

// Whatever the tub, advice that names an instant names one that can still be
// had and that helps.
func TestAdviceHelps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := poolish()
		minutes := func(name string, from, to int) time.Duration {
			return time.Duration(rapid.IntRange(from, to).Draw(t, name)) * time.Minute
		}
		p.Now = p.Made.Add(minutes("now", -1200, 1200))
		p.Mix = p.Now.Add(minutes("mix", 0, 1800))
		p.Room = quantity.Temp(rapid.Int32Range(10_000, 32_000).Draw(t, "room"))
		a := p.Advise(Chart)
		switch a.Do {
		case Use, Warm, Discard:
			require.True(t, a.At.IsZero())
			return
		}
		require.False(t, a.At.Before(p.Now))
		again := p
		switch a.Do {
		case StirAt:
			again.Made = a.At
		case MixAt:
			again.Mix = a.At
		case Chill:
			out := quantity.Seconds(a.At.Sub(p.Made) / time.Second)
			rest := quantity.Seconds(p.Mix.Sub(a.At) / time.Second)
			age := Chart.Age(p.Stated, []Stage{{For: out, At: p.Room}, {For: rest, At: p.Cold, Mass: p.Mass, From: p.Room}})
			require.LessOrEqual(t, age, p.Window.Max)
			require.GreaterOrEqual(t, age, p.Window.Min)
			return
		}
		require.Equal(t, Use, again.Advise(Chart).Do)
	})
}
