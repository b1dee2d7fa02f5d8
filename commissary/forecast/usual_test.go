package forecast

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/quantity"
)

// fridays returns a history that ends on the night's Wednesday, with 10 pieces
// on every day and the given kinds and counts on its Fridays, oldest first.
func fridays(counts ...Day) Series {
	s := Series{Shop: "harbour", Item: balls.ID, First: wednesday.AddDays(1 - 7*len(counts))}
	for i := range 7 * len(counts) {
		s.Days = append(s.Days, Day{Counted, 10})
		if s.First.AddDays(i).Weekday() == time.Friday {
			s.Days[i] = counts[i/7]
		}
	}
	return s
}

func counted(pieces ...quantity.Pieces) (days []Day) {
	for _, p := range pieces {
		days = append(days, Day{Counted, p})
	}
	return days
}

func TestUsual(t *testing.T) {
	for _, c := range []struct {
		name  string
		weeks []Day
		want  quantity.Pieces
		ok    bool
	}{
		{"four weeks", counted(40, 44, 48, 41), 43, true}, // 43.25
		{"halves go up", counted(40, 41, 40, 41), 41, true},
		{"three weeks are too few", counted(40, 44, 48), 0, false},
		{"the last eight", counted(900, 900, 40, 40, 40, 40, 40, 40, 40, 40), 40, true},
		{"events, closed and unknown days are left out", append(counted(40, 42, 44, 46), Day{Event, 400}, Day{Kind: Closed}, Day{}), 43, true},
		{"and do not count as weeks", append(counted(40, 42, 44), Day{Event, 400}, Day{Kind: Closed}, Day{}), 0, false},
		{"a day it ran out counts for what it sold", append(counted(40, 40, 40), Day{SoldOut, 44}), 41, true},
		{"zeros count", counted(0, 0, 0, 0), 0, true},
	} {
		got, ok := fridays(c.weeks...).Usual(time.Friday)
		require.Equal(t, c.ok, ok, c.name)
		require.Equal(t, c.want, got, c.name)
	}
	got, ok := fridays(counted(40, 44, 48, 41)...).Usual(time.Wednesday)
	require.True(t, ok)
	require.Equal(t, quantity.Pieces(10), got, "the last day of the history")
	_, ok = Series{First: wednesday}.Usual(time.Friday)
	require.False(t, ok)
}

func TestUnusual(t *testing.T) {
	friday := wednesday.AddDays(2)
	history := fridays(counted(40, 48, 48, 40, 56, 48, 40, 48)...)
	for _, c := range []struct {
		name   string
		s      Series
		pieces quantity.Pieces
		ask    bool
	}{
		{"as always", history, 48, false},
		{"at the edge of its own history", history, 56, false},
		{"a little over", history, 64, false},
		{"twice", history, 96, true},
		{"a nought too many", history, 480, true},
		{"nothing", history, 0, true},
		{"too little history to judge", fridays(counted(40, 48, 48)...), 480, false},
		{"it was asked about and stayed so", fridays(counted(40, 48, 48, 40, 56, 48, 40, 96)...), 96, false},
		{"always the same, and less than a box off", fridays(counted(40, 40, 40, 40)...), 47, false},
		{"always the same, and a box off", fridays(counted(40, 40, 40, 40)...), 48, true},
		{"a large event does not make it usual", fridays(append(counted(40, 48, 48, 40), Day{Event, 480})...), 400, true},
	} {
		question, ask := c.s.Unusual(friday, c.pieces, 8)
		require.Equal(t, c.ask, ask, c.name)
		require.Equal(t, c.ask, question != "", c.name)
	}
	question, _ := history.Unusual(friday, 480, 8)
	require.Equal(t, "480 ball-250 for Fri 27 Nov? The last 8 Fridays were 40 to 56, usually 46.", question)
}

func TestMilliPrints(t *testing.T) {
	for m, want := range map[Milli]string{0: "0.0", 1_949: "1.9", 1_950: "2.0", -1_950: "-2.0", 84_000: "84.0"} {
		require.Equal(t, want, m.String())
	}
}
