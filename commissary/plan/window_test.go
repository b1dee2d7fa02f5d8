package plan

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/ferment"
	"doughrun/commissary/quantity"
)

// The oldest lot that a need may be served from is the one whose use-by, in
// that shop's walk-in, is its last stretch.
func TestOldestIsWhereTheUseByMeetsTheLastStretch(t *testing.T) {
	zone, err := civil.LoadZone("America/New_York")
	require.NoError(t, err)
	rapid.Check(t, func(t *rapid.T) {
		degrees := func(name string) quantity.Temp { return quantity.Temp(rapid.IntRange(1, 8_000).Draw(t, name)) }
		b := commissary.Book{ColdStore: commissary.ColdStore{Temp: degrees("cold")},
			Kitchen: commissary.Kitchen{Model: string(rapid.SampledFrom(ferment.Models()).Draw(t, "model")), Jurisdiction: "us"}}
		shop := commissary.Shop{WalkIn: degrees("walk-in")}
		hours := quantity.Seconds(rapid.IntRange(30, 120).Draw(t, "max"))
		item := commissary.Item{Kind: rapid.SampledFrom([]commissary.ItemKind{commissary.Ball, commissary.Pack}).Draw(t, "kind"), Shelf: rapid.SampledFrom([]string{"dough", "prep-3", "prep"}).Draw(t, "shelf"),
			Window: commissary.Window{Min: 12 * quantity.Hour, Best: 20 * quantity.Hour, Band: quantity.Hour, Max: hours * quantity.Hour}}
		last := time.Date(2026, 11, 28, rapid.IntRange(0, 9).Draw(t, "close"), 0, 0, 0, time.UTC)
		arrives := last.Add(-time.Duration(rapid.IntRange(1, 20*3600).Draw(t, "stay")) * time.Second)
		from := oldest(&b, zone, item, shop, arrives, last)
		reaches := func(made time.Time) bool {
			u := UseWindow(&b, zone, commissary.Lot{Made: made}, item, shop, arrives)
			require.False(t, u.By.After(made.Add(span(item.Window.Max))), "never past the hard maximum")
			return !u.By.Before(last)
		}
		if from.After(arrives) {
			return // the stay alone is longer than its window: nothing serves
		}
		require.True(t, reaches(from), "%s", UseWindow(&b, zone, commissary.Lot{Made: from}, item, shop, arrives).By)
		// A second at the shop may be many in the cold store, and is the
		// smallest step of a use-by.
		require.False(t, reaches(from.Add(-time.Minute)), "an older lot")
	})
}

// Station's walk-in is two degrees warmer than the cold store. By the chart
// Wednesday's balls do not last there until its close on Friday, by the
// tripling every 9 °C they do.
func TestAWarmWalkInKeepsOldLotsAway(t *testing.T) {
	in := demoNight(t)
	in.Lots = slices.DeleteFunc(in.Lots, func(l commissary.Lot) bool { return l.Item == "house-280" && l.Code[:8] != "20261125" })
	pickedAt := func(model ferment.Model, shop string) (pieces quantity.Pieces, why string) {
		in := copied(t, in)
		in.Book.Kitchen.Model = string(model)
		d, err := Dispatch(in)
		require.NoError(t, err)
		require.Empty(t, texts(CheckDispatch(in, d)))
		for _, l := range d.Lines {
			if l.Shop == shop && l.Item == "house-280" {
				pieces, why = l.Picked, l.Why
			}
		}
		return pieces, why
	}
	pieces, _ := pickedAt(ferment.Q10Bread, "station")
	require.EqualValues(t, 136, pieces)
	pieces, why := pickedAt(ferment.Chart, "station")
	require.Zero(t, pieces)
	require.Contains(t, why, "pass their use-by before the last stretch: the walk-in of Station Arcade is at 5 °C, the cold store at 3 °C")
	pieces, _ = pickedAt(ferment.Chart, "harbor")
	require.Positive(t, pieces)
}

// What is printed for a shop is not what is printed for its neighbour.
func TestPicksCarryTheShopsOwnTimes(t *testing.T) {
	in := demoNight(t)
	d, err := Dispatch(in)
	require.NoError(t, err)
	for _, p := range d.Picks {
		l := *lotOf(&in, p.Lot)
		w := in.Book.Items[slices.IndexFunc(in.Book.Items, func(it commissary.Item) bool { return it.ID == p.Item })].Window
		require.False(t, p.UseBy.After(l.Made.Add(span(w.Max))))
		require.False(t, p.UseFrom.After(p.Best))
		require.False(t, p.Best.After(p.UseBy))
		if p.Item == "house-280" {
			require.Positive(t, p.Unsure, "every walk-in is warmer than the cold store")
			require.True(t, p.UseBy.Before(l.Made.Add(span(w.Max))))
		}
		if p.Item == "sauce-3kg" {
			require.Zero(t, p.Unsure, "a prep does not ferment")
			require.Equal(t, l.Made.Add(span(w.Max)), p.UseBy)
		}
	}
	// A date mark shorter than the window wins.
	for i := range in.Book.Items {
		if in.Book.Items[i].ID == "sauce-3kg" {
			in.Book.Items[i].Shelf = "prep-2"
		}
	}
	d, err = Dispatch(in)
	require.NoError(t, err)
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	require.NoError(t, err)
	found := false
	for _, p := range d.Picks {
		if p.Item == "sauce-3kg" {
			found = true
			require.Equal(t, zone.Instant(civil.Date{Year: 2026, Month: 11, Day: 28}, 0), p.UseBy, "made on the 26th: until the end of the 27th")
		}
	}
	require.True(t, found)
	for _, l := range d.Lines {
		if l.Shop == "college" && l.Item == "sauce-3kg" {
			require.Equal(t, l.Ordered, l.Short, "it closes past midnight")
			require.Contains(t, l.Why, "pass the date they are marked with")
		}
	}
	require.Empty(t, texts(CheckDispatch(in, d)))
}

// A dough that came out warm is ready sooner and ends sooner, a cold one is
// ready later and ends no later than on the clock, and nothing outlives what
// went into it.
func TestAWarmDoughAndWhatWentInMoveTheWindow(t *testing.T) {
	in := demoNight(t)
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	require.NoError(t, err)
	item := func(id string) commissary.Item {
		return in.Book.Items[slices.IndexFunc(in.Book.Items, func(it commissary.Item) bool { return it.ID == id })]
	}
	ball, sauce := item("house-280"), item("sauce-3kg")
	shop := in.Book.Shops[0]
	made := time.Date(2026, 11, 26, 10, 0, 0, 0, time.UTC)
	arrives := made.Add(20 * time.Hour)
	window := func(l commissary.Lot, it commissary.Item) Use {
		l.Made = made
		return UseWindow(&in.Book, zone, l, it, shop, arrives)
	}
	usual := window(commissary.Lot{}, ball)
	warm, cold := window(commissary.Lot{Off: 3 * quantity.Degree}, ball), window(commissary.Lot{Off: -3 * quantity.Degree}, ball)
	require.True(t, warm.From.Before(usual.From) && warm.Best.Before(usual.Best) && warm.By.Before(usual.By), "%v %v", warm, usual)
	require.True(t, cold.From.After(usual.From) && cold.Best.After(usual.Best))
	require.Equal(t, usual.By, cold.By, "a cold dough keeps no longer")

	day := zone.Date(made)
	require.Equal(t, day.AddDays(1), window(commissary.Lot{NotAfter: zone.Instant(day.AddDays(2), 0)}, sauce).Mark)
	require.Equal(t, window(commissary.Lot{}, sauce), window(commissary.Lot{NotAfter: zone.Instant(day.AddDays(90), 0)}, sauce), "the earliest date wins")

	rapid.Check(t, func(t *rapid.T) {
		it := rapid.SampledFrom([]commissary.Item{ball, sauce}).Draw(t, "item")
		l := commissary.Lot{Made: made, Off: quantity.Temp(rapid.IntRange(-8_000, 8_000).Draw(t, "off"))}
		if rapid.Bool().Draw(t, "limited") {
			l.NotAfter = zone.Instant(day.AddDays(rapid.IntRange(1, 9).Draw(t, "days")), 0)
		}
		shop := shop
		shop.WalkIn = quantity.Temp(rapid.IntRange(2_000, 7_000).Draw(t, "walk-in"))
		u := UseWindow(&in.Book, zone, l, it, shop, arrives)
		require.False(t, u.From.After(u.Best) || u.Best.After(u.By))
		require.False(t, u.By.After(made.Add(span(it.Window.Max))), "never past the hard maximum")
		require.False(t, !l.NotAfter.IsZero() && u.By.After(l.NotAfter), "never past what went in")
		// The planner serves from it exactly until then.
		last := arrives.Add(time.Duration(rapid.IntRange(1, 80*3600).Draw(t, "last")) * time.Second)
		from := oldest(&in.Book, zone, it, shop, arrives, last)
		_, old := clocks(&in.Book, zone, l, it)
		if !old.Before(from) && !from.After(arrives) {
			require.False(t, u.By.Before(last), "by %s, last stretch %s", u.By, last)
		}
	})
}

// What came out warm, or holds something old, goes to whom it can still serve.
func TestDispatchFollowsWarmDough(t *testing.T) {
	in := demoNight(t)
	picked := func(change func(*commissary.Lot)) (pieces quantity.Pieces) {
		in := copied(t, in)
		for i := range in.Lots {
			change(&in.Lots[i])
		}
		d, err := Dispatch(in)
		require.NoError(t, err)
		require.Empty(t, texts(CheckDispatch(in, d)))
		p, err := Make(in)
		require.NoError(t, err)
		require.Empty(t, texts(Check(in, p)))
		for _, p := range d.Picks {
			pieces += p.Pieces
		}
		return pieces
	}
	usual := picked(func(*commissary.Lot) {})
	require.Less(t, picked(func(l *commissary.Lot) { l.Off = 12 * quantity.Degree }), usual, "far too warm: past its use before the last stretch")
	require.Less(t, picked(func(l *commissary.Lot) { l.Off = -12 * quantity.Degree }), usual, "far too cold: not ready at the first pull")
	require.Zero(t, picked(func(l *commissary.Lot) { l.NotAfter = in.At.Add(-time.Hour) }), "holds something past its date")
}
