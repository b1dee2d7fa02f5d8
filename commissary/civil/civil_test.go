package civil

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *Zone {
	z, err := LoadZone(name)
	require.NoError(t, err)
	return z
}

func date(t testing.TB, s string) Date {
	d, err := ParseDate(s)
	require.NoError(t, err)
	return d
}

func clock(t testing.TB, s string) Clock {
	c, err := ParseClock(s)
	require.NoError(t, err)
	return c
}

// The changes of 2026 by the rules of the IANA time zone database. Havana puts
// its clocks forward at midnight, so that a day begins at one; Lord Howe moves
// them by half an hour.
func TestGapsAndFolds(t *testing.T) {
	for _, c := range []struct{ zone, date, clock, utc, why string }{
		{"America/New_York", "2026-03-08", "01:59", "2026-03-08T06:59:00Z", "before the gap"},
		{"America/New_York", "2026-03-08", "02:00", "2026-03-08T07:00:00Z", "first moment of the gap"},
		{"America/New_York", "2026-03-08", "02:30", "2026-03-08T07:00:00Z", "inside the gap"},
		{"America/New_York", "2026-03-08", "03:00", "2026-03-08T07:00:00Z", "after the gap"},
		{"America/New_York", "2026-11-01", "00:59", "2026-11-01T04:59:00Z", "before the fold"},
		{"America/New_York", "2026-11-01", "01:30", "2026-11-01T05:30:00Z", "the first 01:30"},
		{"America/New_York", "2026-11-01", "02:00", "2026-11-01T07:00:00Z", "after the fold"},
		{"Europe/London", "2026-03-29", "01:30", "2026-03-29T01:00:00Z", "inside the gap"},
		{"Europe/London", "2026-03-29", "02:00", "2026-03-29T01:00:00Z", "after the gap"},
		{"Europe/London", "2026-10-25", "01:30", "2026-10-25T00:30:00Z", "the first 01:30"},
		{"Europe/London", "2026-10-25", "02:00", "2026-10-25T02:00:00Z", "after the fold"},
		{"America/Havana", "2026-03-08", "00:00", "2026-03-08T05:00:00Z", "the day begins at one"},
		{"America/Havana", "2026-03-08", "00:59", "2026-03-08T05:00:00Z", "inside the gap"},
		{"America/Havana", "2026-03-07", "24:00", "2026-03-08T05:00:00Z", "the end of the day before"},
		{"America/Havana", "2026-11-01", "00:30", "2026-11-01T04:30:00Z", "the first 00:30"},
		{"Australia/Lord_Howe", "2026-10-04", "02:15", "2026-10-03T15:30:00Z", "inside a gap of half an hour"},
		{"Australia/Lord_Howe", "2026-10-04", "02:30", "2026-10-03T15:30:00Z", "after the gap"},
		{"Australia/Lord_Howe", "2026-04-05", "01:45", "2026-04-04T14:45:00Z", "the first 01:45"},
		{"Australia/Lord_Howe", "2026-04-05", "02:00", "2026-04-04T15:30:00Z", "after the fold"},
		{"Asia/Kolkata", "2026-06-01", "04:30", "2026-05-31T23:00:00Z", "no changes, half an hour off"},
		{"UTC", "2026-06-01", "04:30", "2026-06-01T04:30:00Z", "no changes"},
	} {
		got := zone(t, c.zone).Instant(date(t, c.date), clock(t, c.clock))
		require.Equal(t, c.utc, got.Format(time.RFC3339), "%s %s %s: %s", c.zone, c.date, c.clock, c.why)
		require.Equal(t, time.UTC, got.Location())
	}
	// A clock past midnight lies on the next day: 02:30 in the night of the seventh is in the gap.
	got := zone(t, "America/New_York").Instant(date(t, "2026-03-07"), clock(t, "02:30").NextDay())
	require.Equal(t, "2026-03-08T07:00:00Z", got.Format(time.RFC3339))
}

// brute is the rule of the package comment, minute by minute: the first
// instant at which the clock on the wall shows the wanted time or a later one.
// Before a fold the wall shows only earlier times, and after a gap it shows
// the first valid one.
func brute(l *time.Location, d Date, c Clock, from time.Time) time.Time {
	wanted := time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC).Add(time.Duration(c) * time.Second)
	for at := from; ; at = at.Add(time.Minute) {
		local := at.In(l)
		_, offset := local.Zone()
		if wall := at.Add(time.Duration(offset) * time.Second); !wall.Before(wanted) {
			return at
		}
	}
}

func TestEveryChangeAgainstTheDefinition(t *testing.T) {
	for _, name := range []string{
		"America/New_York", "America/Los_Angeles", "America/Havana", "America/Santiago", "America/Nuuk",
		"Europe/London", "Europe/Rome", "Africa/Casablanca", "Africa/Cairo", "Asia/Beirut", "Australia/Lord_Howe", "Pacific/Chatham",
	} {
		t.Run(name, func(t *testing.T) {
			z, err := time.LoadLocation(name)
			require.NoError(t, err)
			changes := 0
			end := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
			for at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC); at.Before(end); at = at.Add(time.Hour) {
				_, before := at.In(z).Zone()
				_, after := at.Add(time.Hour).In(z).Zone()
				if before == after {
					continue
				}
				changes++
				wall := at.Add(time.Duration(before) * time.Second)
				for minute := -150; minute <= 210; minute += 5 {
					w := wall.Add(time.Duration(minute) * time.Minute)
					d := Date{w.Year(), w.Month(), w.Day()}
					c := Clock(w.Hour()*3600 + w.Minute()*60)
					want := brute(z, d, c, at.Add(-4*time.Hour))
					require.Equal(t, want, zone(t, name).Instant(d, c), "%v %v", d, c)
					require.Equal(t, want, zone(t, name).Instant(d.AddDays(-1), c.NextDay()), "%v %v as a clock past midnight", d, c)
				}
			}
			require.GreaterOrEqual(t, changes, 10, "two a year were to be met")
		})
	}
}

// Instants never run backwards on a day, and an instant outside a gap shows
// the clock it was made from.
func TestInstantsKeepTheirOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom([]string{"America/New_York", "Europe/London", "America/Havana", "Australia/Lord_Howe", "Pacific/Apia", "Asia/Kathmandu"}).Draw(t, "zone")
		z, err := LoadZone(name)
		require.NoError(t, err)
		d := Date{2000, 1, 1}.AddDays(rapid.IntRange(0, 36_000).Draw(t, "day"))
		c := Clock(rapid.Int32Range(0, 2*86_400).Draw(t, "clock"))
		at := z.Instant(d, c)
		require.False(t, z.Instant(d, c+60).Before(at))
		day, shown := z.Date(at), z.Clock(at)
		wanted := d.AddDays(int(c / 86_400))
		if day != wanted || shown != c%86_400 {
			// Only a gap moves the clock, and only forward.
			require.True(t, day.Compare(wanted) > 0 || shown > c%86_400, "%v %v became %v %v", wanted, c, day, shown)
			just := at.Add(-time.Second)
			require.NotEqual(t, z.Clock(just)+1, shown%86_400, "there is a gap right before %v", at)
		}
	})
}

// Years after those that a zone lists follow its rule, leap years to their last day.
func TestTheLastDayOfALeapYear(t *testing.T) {
	for _, name := range []string{"America/New_York", "Europe/London", "Australia/Lord_Howe", "Asia/Kathmandu"} {
		z := zone(t, name)
		for year := 2024; year < 2100; year += 4 {
			for day := range 4 {
				d := Date{year, time.December, 30}.AddDays(day)
				for c := Clock(0); c < 86_400; c += 3600 {
					at := z.Instant(d, c)
					require.Equal(t, d, z.Date(at), name)
					require.Equal(t, c, z.Clock(at), name)
				}
			}
		}
	}
}

// Samoa left out a whole day: 30 December 2011 begins where the 31st does.
func TestADayLeftOut(t *testing.T) {
	z := zone(t, "Pacific/Apia")
	d := Date{2011, time.December, 30}
	require.Equal(t, "2011-12-30T10:00:00Z", z.Instant(d, 12*3600).Format(time.RFC3339))
	require.Equal(t, d.AddDays(1), z.Date(z.Instant(d, 0)))
}

func TestDates(t *testing.T) {
	d := date(t, "2026-11-26")
	require.Equal(t, "Thu 26 Nov 2026", d.Long())
	require.Equal(t, "Thu 26 Nov", d.Short())
	require.Equal(t, "2026-12-01", d.AddDays(5).String())
	require.Equal(t, 5, d.AddDays(5).Days(d))
	require.Equal(t, -365, d.AddDays(-365).Days(d))
	require.Equal(t, "2028-02-29", date(t, "2028-02-28").AddDays(1).String())
	require.Negative(t, d.Compare(d.AddDays(1)))
	require.Zero(t, d.Compare(d))
	require.True(t, Date{}.IsZero())
	for _, s := range []string{"", "2026-13-01", "2026-02-29", "26-11-2026", "2026-11-26T00:00:00Z", "1999-12-31", "2200-01-01", " 2026-11-26", "2026-1-2"} {
		_, err := ParseDate(s)
		require.ErrorContains(t, err, fmt.Sprintf("%q is not a date", s))
	}
	text, err := d.MarshalText()
	require.NoError(t, err)
	var back Date
	require.NoError(t, back.UnmarshalText(text))
	require.Equal(t, d, back)
	require.NoError(t, back.UnmarshalText(nil))
	require.True(t, back.IsZero())
	require.Error(t, back.UnmarshalText([]byte("tomorrow")))
}

func TestClocksAndDays(t *testing.T) {
	require.Equal(t, Clock(4*3600+30*60), clock(t, "04:30"))
	require.Equal(t, Clock(86_400), clock(t, "24:00"))
	require.Equal(t, "00:40", clock(t, "00:40").NextDay().String())
	for _, s := range []string{"", "4:30", "24:01", "04:60", "0430", "04:30:00", "+4:30", "aa:bb", "04.30"} {
		_, err := ParseClock(s)
		require.ErrorContains(t, err, fmt.Sprintf("%q is not a time of day", s))
	}
	w := Weekdays(0).With(time.Friday).With(time.Sunday)
	require.True(t, w.Has(time.Friday) && w.Has(time.Sunday) && !w.Has(time.Monday))
	for d := time.Sunday; d <= time.Saturday; d++ {
		require.True(t, EveryDay.Has(d))
		got, err := ParseWeekday(d.String()[:3])
		require.NoError(t, err)
		require.Equal(t, d, got)
	}
	_, err := ParseWeekday("Friday")
	require.Error(t, err)
}

func TestZones(t *testing.T) {
	for _, name := range []string{"", "Local", "Mars/Olympus", "../etc/passwd", "EST5EDT4"} {
		_, err := LoadZone(name)
		require.ErrorContains(t, err, "write", name)
	}
	z := zone(t, "America/New_York")
	require.Equal(t, "America/New_York", z.Name())
	at := z.Instant(date(t, "2026-11-26"), clock(t, "04:30"))
	require.Equal(t, "Thu 26 Nov 04:30 -05:00", z.Long(at))
	require.Equal(t, "Thu 04:30", z.Short(at))
	// 00:40 after the evening is the next civil day; which night it belongs to is for others to say.
	require.Equal(t, date(t, "2026-11-27"), z.Date(z.Instant(date(t, "2026-11-26"), clock(t, "00:40").NextDay())))
}
