package safety

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

func day(s string) civil.Date {
	d, err := civil.ParseDate(s)
	if err != nil {
		panic(err)
	}
	return d
}

func rule(t require.TestingT, j Jurisdiction, name string) Shelf {
	s, err := j.Shelf(name)
	require.NoError(t, err)
	return s
}

func TestDateMarking(t *testing.T) {
	seven := rule(t, US, "prep")
	by := func(s Shelf, k Kept) string {
		date, left := s.UseBy(k)
		require.Zero(t, left)
		return date.String()
	}
	// DM-1, Southern Nevada Health District, "How long can I keep TCS food": made 1 April, to the end of 7 April.
	require.Equal(t, "2026-04-07", by(seven, Kept{Made: day("2026-04-01")}))

	// DM-2, same: burgers cooked 1 June go into chili on 3 June: 7 June.
	burgers, _ := seven.UseBy(Kept{Made: day("2026-06-01")})
	require.Equal(t, "2026-06-07", by(seven, Kept{Made: day("2026-06-03"), Inputs: []civil.Date{burgers}}))

	// DM-3, North Carolina date-marking sheet: cooked 1 October, frozen on the 3rd, thawed on the 10th: 14 October.
	frozen := Kept{Made: day("2026-10-01"), Frozen: []Freezing{{day("2026-10-03"), day("2026-10-10")}}}
	require.Equal(t, "2026-10-14", by(seven, frozen))

	// DM-4, Conference for Food Protection 2016, issue I-034: prepared at 11 pm on 1 January 2016: 7 January, by calendar days.
	zone, err := civil.LoadZone("America/New_York")
	require.NoError(t, err)
	eleven := zone.Instant(day("2016-01-01"), 23*3600)
	require.Equal(t, "2016-01-07", by(seven, Kept{Made: zone.Date(eleven)}))
}

func TestFreezingAndOpening(t *testing.T) {
	s := rule(t, US, "prep-5-opened-2")
	made := day("2026-11-24")
	date := func(k Kept) string {
		k.Made = made
		by, left := s.UseBy(k)
		require.Zero(t, left)
		return by.String()
	}
	require.Equal(t, "2026-11-28", date(Kept{}))
	// Opening gives a second limit and restarts nothing.
	require.Equal(t, "2026-11-26", date(Kept{Opened: day("2026-11-25")}))
	require.Equal(t, "2026-11-28", date(Kept{Opened: day("2026-11-28")}))
	require.Equal(t, "2026-11-28", date(Kept{Opened: day("2026-12-02")}))
	// The maker's own date stands, frozen or not.
	require.Equal(t, "2026-11-27", date(Kept{NotAfter: day("2026-11-27"), Frozen: []Freezing{{day("2026-11-25"), day("2026-12-25")}}}))
	// Frozen on the last day it has that day left; frozen later it is too late.
	require.Equal(t, "2026-12-10", date(Kept{Frozen: []Freezing{{day("2026-11-28"), day("2026-12-10")}}}))
	require.Equal(t, "2026-11-28", date(Kept{Frozen: []Freezing{{day("2026-11-29"), day("2026-12-10")}}}))
	// While it is frozen there is no date, but days left.
	by, left := s.UseBy(Kept{Made: made, Frozen: []Freezing{{On: day("2026-11-26")}}})
	require.True(t, by.IsZero())
	require.Equal(t, 3, left)
	// Twice, given in any order.
	require.Equal(t, "2026-12-10", date(Kept{Frozen: []Freezing{{day("2026-12-05"), day("2026-12-07")}, {day("2026-11-25"), day("2026-12-05")}}}))
}

func TestShelfRules(t *testing.T) {
	for _, row := range []struct {
		j                  Jurisdiction
		rule               string
		days, opened, cold int
	}{
		{US, "prep", 7, 0, 5000}, // Food Code 2022, 3-501.17
		{US, "prep-3", 3, 0, 5000},
		{US, "prep-7-opened-7", 7, 7, 5000},
		{EU, "prep-9-opened-2", 9, 2, 5000}, // the operator's own
		{US, "garlic-oil", 4, 0, 4444},      // NCHFP 2015: 4 days at 40 °F; an older copy of the page said 7
		{EU, "garlic-oil", 4, 0, 4444},
		{EU, "garlic-oil-3-opened-1", 3, 1, 4444},
		{US, "hard-cheese", 0, 0, 5000}, // 3-501.17, exempt
		{US, "hard-cheese-30", 30, 0, 5000},
		{US, "dough", 0, 0, 5000},
		{EU, "dry-180", 180, 0, 0},
		{EU, "dry-opened-30", 0, 30, 0},
	} {
		s := rule(t, row.j, row.rule)
		require.Equal(t, []int{row.days, row.opened, row.cold}, []int{s.Days, s.Opened, int(s.Cold)}, row.rule)
		require.NotContains(t, s.Text, "safe")
		require.Equal(t, row.opened > 0, strings.Contains(s.Text, fmt.Sprintf("Once opened within %d days", row.opened)), "the shop must read it")
	}
	for bad, text := range map[string]string{
		"": "unknown", "soup": "unknown", "prep-0": "unknown", "prep-1-2": "unknown", "prep 3": "unknown",
		"prep-8": "longer than the 7 days", "garlic-oil-7": "longer than the 4 days", "dough-3": "window", "dough-opened-1": "window",
		"prep-3-opened-4": "opened pack longer",
	} {
		_, err := US.Shelf(bad)
		require.ErrorContains(t, err, text, bad)
		require.Equal(t, commissary.Invalid, commissary.KindOf(err))
	}
	_, err := EU.Shelf("prep")
	require.ErrorContains(t, err, "needs your own days")
	// Raw dough is outside date marking whatever goes into it.
	by, _ := rule(t, US, "dough").UseBy(Kept{Made: day("2026-11-24"), Inputs: []civil.Date{day("2026-11-25")}})
	require.True(t, by.IsZero())
	// Four days are the making day and three more.
	by, _ = rule(t, US, "garlic-oil").UseBy(Kept{Made: day("2026-11-24")})
	require.Equal(t, "2026-11-27", by.String())
	// Exempt cheese takes the date of what is mixed in.
	by, _ = rule(t, US, "hard-cheese").UseBy(Kept{Made: day("2026-11-24"), Inputs: []civil.Date{{}, day("2026-11-26")}})
	require.Equal(t, "2026-11-26", by.String())
}

func TestShelfProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rule(t, US, rapid.SampledFrom([]string{"prep", "prep-4", "prep-6-opened-2", "garlic-oil"}).Draw(t, "rule"))
		made := day("2026-03-27").AddDays(rapid.IntRange(0, 20).Draw(t, "made"))
		k := Kept{Made: made}
		plain, _ := s.UseBy(k)
		require.Equal(t, s.Days-1, plain.Days(made))
		// An input never makes it later, and is never outlived.
		input := made.AddDays(rapid.IntRange(-3, 10).Draw(t, "input"))
		k.Inputs = []civil.Date{input}
		mixed, _ := s.UseBy(k)
		require.LessOrEqual(t, mixed.Compare(plain), 0)
		require.LessOrEqual(t, mixed.Compare(input), 0)
		// Freezing in time moves the date by the days frozen, too late by none.
		on := made.AddDays(rapid.IntRange(0, 10).Draw(t, "frozen"))
		pause := rapid.IntRange(0, 60).Draw(t, "pause")
		k.Frozen = []Freezing{{on, on.AddDays(pause)}}
		thawed, _ := s.UseBy(k)
		if on.Compare(mixed) > 0 {
			pause = 0
		}
		require.Equal(t, pause, thawed.Days(mixed))
		k.Frozen[0].Thawed = civil.Date{}
		if by, left := s.UseBy(k); on.Compare(mixed) <= 0 {
			require.True(t, by.IsZero())
			require.Equal(t, mixed.Days(on)+1, left)
		}
	})
}

func FuzzShelf(f *testing.F) {
	for _, s := range []string{"prep", "prep-5-opened-2", "garlic-oil-3", "dry-opened-30", "-", "prep-99999"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, j := range []Jurisdiction{US, EU} {
			s, err := j.Shelf(text)
			if err != nil {
				require.Equal(t, commissary.Invalid, commissary.KindOf(err))
				continue
			}
			require.True(t, strings.HasPrefix(text, s.Kind))
			require.True(t, s.Days >= 0 && s.Days < 1000 && s.Opened >= 0 && s.Opened < 1000)
		}
	})
}
