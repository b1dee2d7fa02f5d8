package sheet

import (
	"slices"
	"time"
)

// Shift is a stretch of time through which so many people are there.
type Shift struct {
	From, To time.Time
	Heads    int64
}

// level is how much of something is taken, or there, from an instant on.
type level struct {
	at time.Time
	n  int64
}

// levels is a step function, in order of time; nothing before the first.
type levels []level

// levelsOf adds stretches up.
func levelsOf(list []Shift) levels {
	var all levels
	for _, s := range list {
		if s.To.After(s.From) {
			all = append(all, level{s.From, s.Heads}, level{s.To, -s.Heads})
		}
	}
	slices.SortStableFunc(all, func(a, b level) int { return a.at.Compare(b.at) })
	var sums levels
	var n int64
	for _, l := range all {
		n += l.n
		if k := len(sums) - 1; k >= 0 && sums[k].at.Equal(l.at) {
			sums[k].n = n
		} else {
			sums = append(sums, level{l.at, n})
		}
	}
	return sums
}

// most is the highest level between two instants, and where it is first reached.
func (l levels) most(from, to time.Time) (int64, time.Time) {
	var n int64
	at := from
	for i, x := range l {
		if ends := i+1 < len(l) && !l[i+1].at.After(from); ends || !x.at.Before(to) {
			continue
		}
		if x.n > n {
			n = x.n
			if at = x.at; at.Before(from) {
				at = from
			}
		}
	}
	return n, at
}

// least is the lowest level between two instants.
func (l levels) least(from, to time.Time) int64 {
	var n int64
	if len(l) == 0 || l[0].at.After(from) {
		return 0
	}
	for i, x := range l {
		if ends := i+1 < len(l) && !l[i+1].at.After(from); ends || !x.at.Before(to) {
			continue
		}
		if i == 0 || x.n < n || !x.at.After(from) {
			n = x.n
		}
	}
	return n
}

// over tells whether a level passes another one somewhere between two instants.
func (l levels) over(limit levels, from, to time.Time) bool {
	edges := []time.Time{from}
	for _, x := range slices.Concat(l, limit) {
		if x.at.After(from) && x.at.Before(to) {
			edges = append(edges, x.at)
		}
	}
	return slices.ContainsFunc(edges, func(t time.Time) bool { return l.when(t) > limit.when(t) })
}

// when is the level at an instant.
func (l levels) when(t time.Time) int64 {
	var n int64
	for _, x := range l {
		if x.at.After(t) {
			break
		}
		n = x.n
	}
	return n
}
