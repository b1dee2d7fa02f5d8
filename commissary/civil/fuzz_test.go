package civil

import "testing"

// What is read as a date or as a time of day is written as it was read, or
// means the same when it is read again.
func FuzzDatesAndClocks(f *testing.F) {
	for _, s := range []string{"2026-11-27", "2026-02-29", "0000-00-00", "04:05", "24:00", "7:5", "", "2026-11-27 04:05"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if d, err := ParseDate(s); err == nil && d.String() != s {
			t.Errorf("%q is read as %s", s, d)
		}
		if c, err := ParseClock(s); err == nil {
			again, err := ParseClock(c.String())
			if err != nil || (again-c)%86400 != 0 { // 24:00 is written 00:00
				t.Errorf("%q is read as %s, and that as %s: %v", s, c, again, err)
			}
		}
	})
}
