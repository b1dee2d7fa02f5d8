package ferment

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

var (
	made = time.Date(2026, 11, 24, 9, 0, 0, 0, time.UTC)
	// A common cold dough: from 24 h, best at 48 h (common practice, no source).
	book = commissary.Window{Min: 24 * hour, Best: 48 * hour, Band: 12 * hour, Max: 72 * hour}
	warm = []Stage{{For: 40 * minute, At: c(24)}, {For: 3 * hour, At: c(3), Mass: 250 * quantity.Gram, From: c(24)}}
)

func after(d quantity.Seconds) time.Time { return made.Add(time.Duration(d) * time.Second) }

func TestUseWindowIsTheBooksOwnInTheBooksOwnPlace(t *testing.T) {
	for _, m := range append(Models(), "") {
		for _, k := range []Keeping{
			{Cold: c(3), WalkIn: c(3)},
			{Cold: c(3), WalkIn: c(3), Past: []Stage{{For: 20 * hour, At: c(3)}}},
			{Cold: c(3), WalkIn: c(3), Usual: warm, Past: warm},
			{Cold: c(3), WalkIn: c(3), Usual: warm, Past: append([]Stage{}, append(warm, Stage{For: 20 * hour, At: c(3)})...)},
		} {
			u := UseWindow(made, book, k, m)
			require.Equal(t, after(24*hour), u.From)
			require.Equal(t, after(36*hour), u.GoodFrom)
			require.Equal(t, after(48*hour), u.Best)
			require.Equal(t, after(60*hour), u.GoodTo)
			require.Equal(t, after(72*hour), u.By)
			require.Zero(t, u.Unsure)
			require.False(t, u.Unripe)
		}
	}
}

func TestUseWindowFollowsTheWalkIn(t *testing.T) {
	delivered := []Stage{{For: 20 * hour, At: f(37)}}
	in := func(walkIn quantity.Temp) Usable {
		return UseWindow(made, book, Keeping{Cold: f(37), WalkIn: walkIn, Past: delivered}, Chart)
	}
	// By the chart's hours at 0.1 % yeast, 129.3 at 37 °F and 85.3 at 41 °F, an
	// hour at 41 °F is 1.5158 h at 37 °F. The seconds between come from 37 °F
	// being held as 2.778 °C.
	warmer := in(f(41))
	require.WithinDuration(t, after(20*hour+whole(4*3600*85.3/129.3)), warmer.From, 30*time.Second)
	require.WithinDuration(t, after(20*hour+whole(28*3600*85.3/129.3)), warmer.Best, 30*time.Second)
	require.WithinDuration(t, after(20*hour+whole(52*3600*85.3/129.3)), warmer.By, 30*time.Second)
	require.Positive(t, warmer.Unsure)
	require.Less(t, warmer.Unsure, 12*hour)
	// Colder, everything is later but the hard maximum.
	colder := in(f(35))
	require.True(t, colder.From.After(after(24*hour)))
	require.True(t, colder.Best.After(after(48*hour)))
	require.Equal(t, after(72*hour), colder.By)
	// So cold that it does not get ready in time.
	frozen := in(c(-18))
	require.True(t, frozen.Unripe)
	require.Equal(t, after(72*hour), frozen.By)
	require.Equal(t, frozen.By, frozen.From)
}

func TestWarmTimeCounts(t *testing.T) {
	usual := Keeping{Cold: c(3), WalkIn: c(3), Usual: warm, Past: warm}
	at := func(k Keeping) Usable { return UseWindow(made, book, k, Chart) }
	// Two degrees over at the end of mixing matter over 24–72 h (Lehmann, PMQ
	// Aug 2017, says so of 2 °F).
	hot := usual
	hot.Past = []Stage{{For: 40 * minute, At: c(26)}, {For: 3 * hour, At: c(3), Mass: 250 * quantity.Gram, From: c(26)}}
	require.True(t, at(hot).Best.Before(at(usual).Best.Add(-time.Hour)))
	// An hour on a warm bench costs more than an hour, and half as much does less harm.
	bench := func(d quantity.Seconds) Usable {
		k := usual
		k.Past = append(append([]Stage{}, warm...), Stage{For: d, At: c(22)})
		return at(k)
	}
	require.True(t, bench(hour).By.Before(after(72*hour-6*hour)))
	require.True(t, bench(hour).By.Before(bench(30*minute).By))
	require.Positive(t, bench(hour).Unsure)
	// Used up on the way: the window is over before the stages are.
	require.True(t, bench(24*hour).By.Before(after(24*hour)))
}

func TestModelsThatCannotTell(t *testing.T) {
	u := UseWindow(made, book, Keeping{Cold: c(3), WalkIn: c(5)}, Cardinal)
	require.Equal(t, Chart, u.Model)
	require.Equal(t, UseWindow(made, book, Keeping{Cold: c(3), WalkIn: c(5)}, Chart), u)
	require.Equal(t, Cardinal, UseWindow(made, book, Keeping{Cold: c(20), WalkIn: c(24)}, Cardinal).Model)
	// The order of the published rules: the steeper the rule, the more a warm walk-in costs.
	by := func(m Model) time.Time { return UseWindow(made, book, Keeping{Cold: c(3), WalkIn: c(6)}, m).By }
	require.True(t, by(Q10Sourdough).Before(by(Q10Pizza)))
	require.True(t, by(Q10Pizza).Before(by(Q10Bread)))
	require.True(t, by(Chart).Before(by(Q10Bread)))
}

func lives(t *rapid.T) (commissary.Window, Keeping, Model) {
	least := quantity.Seconds(rapid.Int64Range(0, int64(48*hour)).Draw(t, "min"))
	best := least + quantity.Seconds(rapid.Int64Range(0, int64(48*hour)).Draw(t, "best"))
	w := commissary.Window{
		Min: least, Best: best,
		Band: quantity.Seconds(rapid.Int64Range(0, int64(24*hour)).Draw(t, "band")),
		Max:  best + quantity.Seconds(rapid.Int64Range(0, int64(48*hour)).Draw(t, "max")),
	}
	k := Keeping{
		Cold:   quantity.Temp(rapid.Int32Range(0, 6000).Draw(t, "cold")),
		WalkIn: quantity.Temp(rapid.Int32Range(-2000, 9000).Draw(t, "walk-in")),
		Usual:  rapid.SliceOfN(stage(), 0, 2).Draw(t, "usual"),
		Past:   rapid.SliceOfN(stage(), 0, 3).Draw(t, "past"),
	}
	if rapid.Bool().Draw(t, "cools") {
		k.Past = append(k.Past, Stage{For: 3 * hour, At: k.Cold, Mass: 250 * quantity.Gram, From: c(25)})
	}
	return w, k, rapid.SampledFrom(Models()).Draw(t, "model")
}

func TestUseWindowProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, k, m := lives(t)
		u := UseWindow(made, w, k, m)
		inOrder := []time.Time{made, u.From, u.GoodFrom, u.Best, u.GoodTo, u.By, after(w.Max)}
		for i := 1; i < len(inOrder); i++ {
			require.False(t, inOrder[i].Before(inOrder[i-1]), "%d: %v", i, u)
		}
		// A warmer walk-in, or longer on the way, is never later.
		warmer := k
		warmer.WalkIn += quantity.Temp(rapid.Int32Range(0, 5000).Draw(t, "warmer"))
		longer := k
		longer.Past = append(append([]Stage{}, k.Past...), Stage{For: hour, At: k.WalkIn + 3000})
		for _, worse := range []Usable{UseWindow(made, w, warmer, u.Model), UseWindow(made, w, longer, u.Model)} {
			if worse.Model != u.Model {
				continue
			}
			require.False(t, worse.Best.After(u.Best.Add(time.Second)))
			require.False(t, worse.By.After(u.By.Add(time.Second)))
		}
	})
}
