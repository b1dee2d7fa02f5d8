package sched

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// workshop is a problem with one instance of every rule, and a solution that meets each of them without room to spare.
func workshop() (Spec, Solution) {
	spec := Spec{
		Horizon: 30,
		Resources: []Resource{
			{Capacity: []Step{{0, 1}}, Setup: [][]int64{{0, 3}, {2, 0}}, Initial: 0},
			{Capacity: []Step{{0, 5}, {20, 2}}},
		},
		Tasks: []Task{
			{Modes: []Mode{{Duration: 4, Demands: []Demand{{0, 1}, {1, 3}}}}, Release: 3, Family: 1},
			{Modes: []Mode{{Duration: 5, Demands: []Demand{{0, 1}}}}, Family: 0},
			{Modes: []Mode{{Duration: 4, Stretch: 2, Demands: []Demand{{1, 2}}}}, Due: 9},
			{Modes: []Mode{{Duration: 2, Demands: []Demand{{1, 2}}}}, Optional: true, Group: 1},
			{Modes: []Mode{{Duration: 3}, {Duration: 1}}, Optional: true, Group: 1},
		},
		Lags: []Lag{
			{From: Point{0, true}, To: Point{3, false}, Gap: 13},
			{From: Point{2, true}, To: Point{4, false}, Gap: 1, Max: true},
		},
	}
	return spec, Solution{
		Start: []int64{3, 9, 3, 20, 10},
		End:   []int64{7, 14, 9, 22, 11},
		Mode:  []int{0, 0, 0, 0, 1},
	}
}

func TestCheckFindsEachBreach(t *testing.T) {
	spec, good := workshop()
	p, err := New(spec)
	require.NoError(t, err)
	require.Empty(t, Check(p, good), "at every limit, and within it")

	move := func(task int, by int64) func(*Solution) {
		return func(s *Solution) { s.Start[task] += by; s.End[task] += by }
	}
	tests := []struct {
		breach Breach
		spoil  func(*Solution)
		want   Violation
	}{
		{BadShape, func(s *Solution) { s.End = s.End[:4] }, Violation{BadShape, -1, -1, -1, 0, 0}},
		{BadMode, func(s *Solution) { s.Mode[4] = 2 }, Violation{BadMode, 4, -1, -1, 0, 0}},
		{BadLength, func(s *Solution) { s.End[4] = 12 }, Violation{BadLength, 4, -1, -1, 10, 1}},
		{BadLength, func(s *Solution) { s.End[1] = 13 }, Violation{BadLength, 1, -1, -1, 9, 1}},
		{TooEarly, move(0, -1), Violation{TooEarly, 0, -1, -1, 2, 1}},
		{TooLate, func(s *Solution) { s.End[2]++; s.Start[2]++ }, Violation{TooLate, 2, -1, -1, 10, 1}},
		{TooLate, move(3, 9), Violation{TooLate, 3, -1, -1, 31, 1}},
		{Missing, func(s *Solution) { s.Mode[1] = -1 }, Violation{Missing, 1, -1, -1, 0, 1}},
		{SplitGroup, func(s *Solution) { s.Mode[3] = -1 }, Violation{SplitGroup, 4, 3, -1, 0, 1}},
		{LagTooShort, move(3, -1), Violation{LagTooShort, 3, 0, -1, 19, 1}},
		{LagTooLong, move(4, 1), Violation{LagTooLong, 4, 2, -1, 11, 1}},
		{OverCapacity, func(s *Solution) { s.Mode[3] = 0; s.Start[3], s.End[3] = 8, 10; s.End[0] = 9 }, Violation{OverCapacity, 3, -1, 1, 8, 2}},
		{SetupSkipped, move(1, -1), Violation{SetupSkipped, 1, 0, 0, 8, 1}},
		{SetupSkipped, move(0, -1), Violation{SetupSkipped, 0, -1, 0, 2, 1}},
	}
	seen := map[Breach]bool{}
	for _, tt := range tests {
		_, s := workshop()
		tt.spoil(&s)
		require.Contains(t, Check(p, s), tt.want, "%s", tt.breach)
		seen[tt.breach] = true
	}
	for _, b := range []Breach{BadShape, BadMode, BadLength, TooEarly, TooLate, Missing, SplitGroup, LagTooShort, LagTooLong, OverCapacity, SetupSkipped} {
		require.True(t, seen[b], "no mutant for %s", b)
	}
}

func TestCheckCapacityBoundary(t *testing.T) {
	spec, good := workshop()
	for amount, fits := range map[int64]bool{2: true, 3: false} { // the step at 20 leaves 2
		spec.Tasks[3].Modes[0].Demands[0].Amount = amount
		p, err := New(spec)
		require.NoError(t, err)
		if fits {
			require.Empty(t, Check(p, good))
		} else {
			require.Equal(t, []Violation{{OverCapacity, 3, -1, 1, 20, 1}}, Check(p, good))
		}
	}
}

func TestCheckLeavesTheSpecAlone(t *testing.T) {
	spec, good := workshop()
	p, err := New(spec)
	require.NoError(t, err)
	spec.Tasks[0].Modes[0].Demands[0].Amount = 9
	spec.Resources[0].Setup[0][1] = 9
	spec.Resources[1].Capacity[0].Amount = 0
	spec.Lags[0].Gap = 99
	require.Empty(t, Check(p, good), "a Problem does not change with the Spec it was made from")
}
