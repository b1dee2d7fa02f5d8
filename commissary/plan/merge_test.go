package plan

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/quantity"
)

// Pieces that the first batch has no room for push others on to the next, and no batch gets more than it holds.
func TestPiecesAreHandedOn(t *testing.T) {
	const early, late, heavy = 0, 1, 2
	rec := &recipe{each: []quantity.Mass{100, 250}}
	s := &search{k: &kitchen{recipes: []recipe{*rec}}, classes: []class{
		early: {from: 0, to: 10, goodFrom: 0, goodTo: 10, ready: 99},
		late:  {from: 10, to: 20, goodFrom: 10, goodTo: 20, ready: 99},
		heavy: {item: 1, from: 0, to: 10, goodFrom: 0, goodTo: 10, ready: 99},
	}}
	between := func() *handing {
		among := []*placed{{mixEnd: 10}, {mixEnd: 20}}
		return &handing{s: s, rec: rec, among: among, moved: make([]bool, 2),
			gives: [][]fill{{{late, 10}}, {{late, 4}}}, room: []quantity.Mass{0, 600}}
	}
	h := between()
	require.True(t, h.place(early, 6, true))
	require.Equal(t, [][]fill{{{late, 4}, {early, 6}}, {{late, 10}}}, h.gives)
	require.Equal(t, []quantity.Mass{0, 0}, h.room)
	require.Equal(t, []bool{true, true}, h.moved)

	require.False(t, between().place(early, 7, true), "there is room for six in all")

	// Two heavy pieces weigh what five light ones do.
	h = between()
	require.True(t, h.place(heavy, 2, true))
	require.Equal(t, [][]fill{{{late, 5}, {heavy, 2}}, {{late, 9}}}, h.gives)
	for _, room := range h.room {
		require.GreaterOrEqual(t, room, quantity.Mass(0))
	}
	require.False(t, between().place(heavy, 3, true))

	// What is inside its band stays there.
	s.classes[late].goodTo = 15
	h = between()
	require.False(t, h.place(early, 1, true))
	h.among[1].mixEnd = 15
	require.True(t, h.place(early, 1, true))
}
