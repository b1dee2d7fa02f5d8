// Package civil is the one place that turns civil dates and clock times into
// instants. It embeds the time-zone database for machines that have none; a
// machine's own, which is likely newer, comes first.
//
// A clock time that does not exist (the clocks were put forward over it) is
// the first valid instant after the gap; one that exists twice is its first
// occurrence.
package civil

import (
	"cmp"
	"fmt"
	"strings"
	"time"
	_ "time/tzdata" // the zones travel with the program
)

// Date is a day of the civil calendar. The zero Date is no date.
type Date struct {
	Year  int
	Month time.Month
	Day   int
}

// ParseDate reads a date written 2026-11-26.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil || t.Year() < 2000 || t.Year() > 2199 {
		return Date{}, fmt.Errorf("%q is not a date; write year-month-day, for example \"2026-11-26\"", s)
	}
	return dateOf(t), nil
}

func dateOf(t time.Time) Date {
	y, m, d := t.Date()
	return Date{y, m, d}
}

func (d Date) midnightUTC() time.Time { return time.Date(d.Year, d.Month, d.Day, 0, 0, 0, 0, time.UTC) }

// IsZero reports whether d is no date.
func (d Date) IsZero() bool { return d == Date{} }

// String prints 2026-11-26.
func (d Date) String() string { return fmt.Sprintf("%04d-%02d-%02d", d.Year, d.Month, d.Day) }

// Long prints Thu 26 Nov 2026.
func (d Date) Long() string { return d.midnightUTC().Format("Mon 2 Jan 2006") }

// Short prints Thu 26 Nov.
func (d Date) Short() string { return d.midnightUTC().Format("Mon 2 Jan") }

// AddDays returns the date n days later.
func (d Date) AddDays(n int) Date { return dateOf(d.midnightUTC().AddDate(0, 0, n)) }

// Days returns the number of days from e to d.
func (d Date) Days(e Date) int { return int(d.midnightUTC().Sub(e.midnightUTC()) / (24 * time.Hour)) }

// Compare orders dates: negative when d is before e.
func (d Date) Compare(e Date) int {
	return cmp.Or(cmp.Compare(d.Year, e.Year), cmp.Compare(d.Month, e.Month), cmp.Compare(d.Day, e.Day))
}

// Weekday returns the day of the week.
func (d Date) Weekday() time.Weekday { return d.midnightUTC().Weekday() }

// MarshalText writes the date as String does; the zero Date is empty.
func (d Date) MarshalText() ([]byte, error) {
	if d.IsZero() {
		return nil, nil
	}
	return []byte(d.String()), nil
}

// UnmarshalText reads what MarshalText writes.
func (d *Date) UnmarshalText(b []byte) (err error) {
	if len(b) == 0 {
		*d = Date{}
		return nil
	}
	*d, err = ParseDate(string(b))
	return err
}

// Clock is a time of day in seconds after midnight. From 24 hours up it lies
// on the next day: 90,000 is one o'clock in the night after the date it is
// used with.
type Clock int32

// ParseClock reads a time of day written 04:30, from 00:00 to 24:00.
func ParseClock(s string) (Clock, error) {
	var h, m int
	ok := len(s) == 5 && s[2] == ':' && strings.Trim(s[:2]+s[3:], "0123456789") == ""
	if ok {
		h, m = int(s[0]-'0')*10+int(s[1]-'0'), int(s[3]-'0')*10+int(s[4]-'0')
		ok = m < 60 && h*60+m <= 24*60
	}
	if !ok {
		return 0, fmt.Errorf("%q is not a time of day; write hours and minutes, for example \"04:30\"", s)
	}
	return Clock(h*3600 + m*60), nil
}

// NextDay returns the same time of day on the following day.
func (c Clock) NextDay() Clock { return c + 86400 }

// String prints 04:30; the day it lies on is not shown.
func (c Clock) String() string {
	c %= 86400
	return fmt.Sprintf("%02d:%02d", c/3600, c/60%60)
}

// Weekdays is a set of days of the week.
type Weekdays uint8

// EveryDay holds all seven.
const EveryDay Weekdays = 1<<7 - 1

// ParseWeekday reads a day written Mon, Tue, Wed, Thu, Fri, Sat or Sun.
func ParseWeekday(s string) (time.Weekday, error) {
	for d := time.Sunday; d <= time.Saturday; d++ {
		if s == d.String()[:3] {
			return d, nil
		}
	}
	return 0, fmt.Errorf("%q is not a day; write Mon, Tue, Wed, Thu, Fri, Sat or Sun", s)
}

// With returns the set with d added.
func (w Weekdays) With(d time.Weekday) Weekdays { return w | 1<<d }

// Has reports whether d is in the set.
func (w Weekdays) Has(d time.Weekday) bool { return w&(1<<d) != 0 }

// Zone is a time zone of the IANA database.
type Zone struct{ location *time.Location }

// LoadZone returns the zone with an IANA name such as Europe/Rome.
func LoadZone(name string) (*Zone, error) {
	if name == "" || name == "Local" {
		return nil, fmt.Errorf("the time zone %q is not an IANA name; write for example \"America/New_York\"", name)
	}
	l, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("the time zone %q is unknown; write an IANA name, for example \"America/New_York\"", name)
	}
	return &Zone{l}, nil
}

// Name returns the IANA name.
func (z *Zone) Name() string { return z.location.String() }

// Instant returns the instant of a date and time of day, in UTC, by the rule
// of the package comment.
func (z *Zone) Instant(d Date, c Clock) time.Time {
	wall := d.midnightUTC().Add(time.Duration(c) * time.Second)
	// No zone is further from UTC than 26 hours, so the zone period in force
	// 36 hours earlier lies before the answer; walk forward from there.
	at := wall.Add(-36 * time.Hour).In(z.location)
	for {
		_, offset := at.Zone()
		_, end := at.ZoneBounds()
		if !end.IsZero() && !end.After(at) {
			// Beyond the changes that a zone lists, package time takes every year for
			// one of 365 days: on the last day of a leap year the period is over for it.
			end = at.Add(24 * time.Hour)
		}
		t := wall.Add(-time.Duration(offset) * time.Second)
		if end.IsZero() || t.Before(end) {
			if t.Before(at) {
				return at.UTC() // inside a gap: the new period begins after the wanted time
			}
			return t.UTC()
		}
		at = end
	}
}

// Date returns the civil date of an instant.
func (z *Zone) Date(t time.Time) Date { return dateOf(t.In(z.location)) }

// Clock returns the time of day of an instant.
func (z *Zone) Clock(t time.Time) Clock {
	h, m, s := t.In(z.location).Clock()
	return Clock(h*3600 + m*60 + s)
}

// Long prints an instant as Thu 26 Nov 04:30 -05:00, for whoever must know
// the day and the offset.
func (z *Zone) Long(t time.Time) string { return t.In(z.location).Format("Mon 2 Jan 15:04 -07:00") }

// Dated prints an instant as Thu 26 Nov 04:30, where another week may be meant.
func (z *Zone) Dated(t time.Time) string { return t.In(z.location).Format("Mon 2 Jan 15:04") }

// Short prints an instant as Thu 04:30.
func (z *Zone) Short(t time.Time) string { return t.In(z.location).Format("Mon 15:04") }
