package sched

import (
	"math"
	"slices"
	"sort"
)

// Never is a time after every other that still leaves room to add to.
const Never int64 = math.MaxInt64 / 4

// Free is how much of something is free over time: a step function that
// bookings are taken from and given back to. Of a nil Free there is always enough.
type Free struct {
	steps []Step // the last one holds for ever
}

// NewFree returns a Free that has amount from the beginning on.
func NewFree(amount int64) *Free { return &Free{[]Step{{-Never, amount}}} }

// index returns the segment that holds t.
func (f *Free) index(t int64) int {
	low, high := 0, len(f.steps)
	for low < high {
		if mid := int(uint(low+high) / 2); f.steps[mid].From > t {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return max(low-1, 0)
}

// cut makes t a border and returns the segment that begins there.
func (f *Free) cut(t int64) int {
	i := f.index(t)
	if f.steps[i].From == t {
		return i
	}
	f.steps = slices.Insert(f.steps, i+1, Step{t, f.steps[i].Amount})
	return i + 1
}

// join removes the border of segment i when both sides are alike.
func (f *Free) join(i int) {
	if i > 0 && i < len(f.steps) && f.steps[i].Amount == f.steps[i-1].Amount {
		f.steps = slices.Delete(f.steps, i, i+1)
	}
}

// Add changes what is free in [from, to).
func (f *Free) Add(from, to, amount int64) {
	if f == nil || from >= to || amount == 0 {
		return
	}
	i := f.cut(from)
	j := f.cut(to)
	for s := i; s < j; s++ {
		f.steps[s].Amount += amount
	}
	f.join(j)
	f.join(i)
}

// Fit returns the earliest start at or after from where need is free for the
// whole duration; ok is false when there is none by latest. It is Never where
// it will never be.
func (f *Free) Fit(from, duration, need, latest int64) (start int64, ok bool) {
	if f == nil || need <= 0 || duration <= 0 {
		return from, from <= latest
	}
	start = from
	for i := f.index(from); i < len(f.steps) && start <= latest; i++ {
		if f.steps[i].From >= start+duration {
			return start, true
		}
		if f.steps[i].Amount < need {
			if i+1 == len(f.steps) {
				return Never, false
			}
			start = max(start, f.steps[i+1].From)
		}
	}
	return start, start <= latest
}

// Has reports whether need is free in all of [from, to).
func (f *Free) Has(from, to, need int64) bool {
	start, ok := f.Fit(from, to-from, need, from)
	return ok && start == from
}

// Since returns the earliest time in [from, to] from which on need is free
// until to.
func (f *Free) Since(from, to, need int64) int64 {
	if f == nil || need <= 0 || from >= to {
		return from
	}
	for i := f.index(to - 1); ; i-- {
		if f.steps[i].Amount < need {
			if i+1 == len(f.steps) {
				return to
			}
			return min(max(f.steps[i+1].From, from), to)
		}
		if f.steps[i].From <= from {
			return from
		}
	}
}

// Spans calls yield for every stretch in [from, to) with a constant amount free.
func (f *Free) Spans(from, to int64, yield func(from, to, free int64)) {
	for i := f.index(from); i < len(f.steps) && f.steps[i].From < to; i++ {
		end := to
		if i+1 < len(f.steps) {
			end = min(end, f.steps[i+1].From)
		}
		yield(max(from, f.steps[i].From), end, f.steps[i].Amount)
	}
}

// Row is what stands on a unary resource, in time order. Between two entries
// of different families lies a setup.
type Row struct{ entries []Entry }

// Entry holds the resource in [From, To); the setup before it takes Setup and
// ends at From. A fixed entry keeps its setup whatever comes before it.
type Entry struct {
	From, To, Setup int64
	Family          int
	Fixed           bool
	Idle            bool // the resource is out of use: it is left as it was
}

// Fit returns the earliest start at or after from of an entry of the family,
// no setup starting before open, and the setup it needs. setup gives the time
// between two families; family -1 stands for the state at the start. Where the
// entry behind it then needs a longer setup, raise is that setup and next that
// entry; raise is 0 otherwise.
func (r *Row) Fit(from, open, duration int64, family int, setup func(before, after int) int64) (start, clean, raise int64, next Entry) {
	before, ready := -1, open
	for i, entry := range r.entries {
		if entry.From > from {
			clean = setup(before, family)
			start = max(from, ready+clean)
			if next, raise, ok := r.leave(i, start+duration, family, setup); ok {
				return start, clean, raise, next
			}
		}
		if !entry.Idle {
			before = entry.Family
		}
		ready = max(ready, entry.To)
	}
	clean = setup(before, family)
	return max(from, ready+clean), clean, 0, Entry{}
}

// leave reports whether an entry of the family that ends at to leaves room for
// what stands from i on, and which of those needs a longer setup then.
func (r *Row) leave(i int, to int64, family int, setup func(before, after int) int64) (next Entry, raise int64, ok bool) {
	for ; i < len(r.entries); i++ {
		next = r.entries[i]
		if next.Idle {
			if to > next.From {
				return next, 0, false
			}
			to = next.To
			continue
		}
		behind := setup(family, next.Family)
		if to > next.From-max(next.Setup, behind) || behind > next.Setup && next.Fixed {
			return next, 0, false
		}
		if behind <= next.Setup {
			behind = 0
		}
		return next, behind, true
	}
	return Entry{}, 0, true
}

// Insert puts an entry in its place.
func (r *Row) Insert(e Entry) {
	i := sort.Search(len(r.entries), func(i int) bool { return r.entries[i].From >= e.From })
	r.entries = slices.Insert(r.entries, i, e)
}

// Remove takes out the entry that begins at from.
func (r *Row) Remove(from int64) {
	i := sort.Search(len(r.entries), func(i int) bool { return r.entries[i].From >= from })
	if i < len(r.entries) && r.entries[i].From == from {
		r.entries = slices.Delete(r.entries, i, i+1)
	}
}

// Entries returns what stands in the row.
func (r *Row) Entries() []Entry { return r.entries }
