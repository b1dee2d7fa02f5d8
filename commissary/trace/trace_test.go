package trace

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

var noon = time.Date(2026, time.November, 26, 12, 0, 0, 0, time.UTC)

// memory is records in memory, which also counts what is read.
type memory struct {
	lots  []commissary.Lot
	draws []commissary.Draw
	moves []commissary.Movement
	asked map[string]int
}

func pick[R any](m *memory, rows []R, key func(R) string, names []string) ([]R, error) {
	var out []R
	for _, r := range rows {
		if slices.Contains(names, key(r)) {
			out = append(out, r)
			m.asked[fmt.Sprintf("%T %v", r, r)]++
		}
	}
	return out, nil
}

func (m *memory) Of(codes []string) ([]commissary.Lot, error) {
	return pick(m, m.lots, func(l commissary.Lot) string { return l.Code }, codes)
}
func (m *memory) MadeBy(batches []string) ([]commissary.Lot, error) {
	return pick(m, m.lots, func(l commissary.Lot) string { return l.Batch }, batches)
}
func (m *memory) DrawnFrom(codes []string) ([]commissary.Draw, error) {
	return pick(m, m.draws, func(d commissary.Draw) string { return d.Lot }, codes)
}
func (m *memory) DrawnBy(batches []string) ([]commissary.Draw, error) {
	return pick(m, m.draws, func(d commissary.Draw) string { return d.Batch }, batches)
}
func (m *memory) Moves(codes []string) ([]commissary.Movement, error) {
	return pick(m, m.moves, func(x commissary.Movement) string { return x.Lot }, codes)
}
func (m *memory) Receipts(codes []string) ([]commissary.Movement, error) {
	all, err := m.Moves(codes)
	return slices.DeleteFunc(all, func(x commissary.Movement) bool { return x.Kind != commissary.Received }), err
}

// The worked case of many lots into one: 100 lb of L101, 50 lb of L201 and
// 40 lb of T801 become 200 units of S101 (21 CFR 1.1350, worked example
// of the FDA).
func TestManyToOne(t *testing.T) {
	pound := quantity.Mass(453_592_370) / 1000
	m := &memory{asked: map[string]int{}}
	for code, pounds := range map[string]quantity.Mass{"L101": 100, "L201": 50, "T801": 40} {
		m.lots = append(m.lots, commissary.Lot{Code: code, Ingredient: "x"})
		m.draws = append(m.draws, commissary.Draw{Batch: "b", Lot: code, Mass: pounds * pound})
		m.moves = append(m.moves, commissary.Movement{Lot: code, Kind: commissary.Received, Mass: pounds * pound}, commissary.Movement{Lot: code, Kind: commissary.Used, Mass: -pounds * pound, Ref: "b"})
	}
	m.lots = append(m.lots, commissary.Lot{Code: "S101", Item: "salad", Batch: "b"})
	m.moves = append(m.moves, commissary.Movement{Lot: "S101", Kind: commissary.Made, Pieces: 200})

	back, err := Follow(m, "S101")
	require.NoError(t, err)
	require.Len(t, back.Draws, 3)
	var codes []string
	for _, n := range back.Nodes {
		codes = append(codes, string(n.Side)+" "+n.Code)
	}
	require.Equal(t, []string{"CAME_FROM L101", "CAME_FROM L201", "CAME_FROM T801", "ITSELF S101"}, codes)
	require.Equal(t, Balance{CameIn: 200, OnHand: 200}, back.Nodes[3].Balance)
	require.Len(t, back.Receipts, 3)
	for _, d := range back.Draws {
		require.Equal(t, map[string]quantity.Mass{"L101": 100, "L201": 50, "T801": 40}[d.Lot]*pound, d.Mass)
	}
	forth, err := Follow(m, "T801")
	require.NoError(t, err)
	require.Len(t, forth.Nodes, 2)
	require.Equal(t, "S101", forth.Nodes[1].Code)
	require.Equal(t, Balance{CameIn: int64(40 * pound), Used: int64(40 * pound)}, forth.Nodes[0].Balance)
	_, err = Follow(m, "X")
	require.Equal(t, commissary.NotFound, commissary.KindOf(err))
}

func TestCarried(t *testing.T) {
	at := func(h int) time.Time { return noon.Add(time.Duration(h) * time.Hour) }
	change := func(kind commissary.InUseKind, lot string, h int) commissary.InUse {
		return commissary.InUse{Kind: kind, Lot: lot, At: at(h)}
	}
	a, b, c := Carry{Lot: "A"}, Carry{Lot: "B"}, Carry{Lot: "C"}
	mayA, mayB := Carry{"A", true}, Carry{"B", true}
	recorded := []commissary.InUse{change(commissary.Opened, "A", 0), change(commissary.Opened, "B", 10)}
	unrecorded := []commissary.InUse{change(commissary.Opened, "A", 0), change(commissary.Found, "B", 10), change(commissary.Opened, "C", 20)}
	bin := []commissary.InUse{change(commissary.Opened, "A", 0), change(commissary.ToppedUp, "B", 10), change(commissary.CleanedOut, "", 20), change(commissary.Opened, "C", 21)}
	for _, tc := range []struct {
		name     string
		changes  []commissary.InUse
		from, to int
		want     []Carry
	}{
		{"nothing recorded", nil, 1, 2, nil},
		{"before anything", recorded, -2, -1, nil},
		{"the first lot", recorded, 1, 9, []Carry{a}},
		{"across the change", recorded, 9, 11, []Carry{a, b}},
		{"from the change on", recorded, 10, 11, []Carry{b}},
		{"up to the change", recorded, 8, 10, []Carry{a, b}},
		{"somewhere before it was found", unrecorded, 4, 5, []Carry{mayA, mayB}},
		{"while it was found", unrecorded, 9, 11, []Carry{mayA, b}},
		{"after it was found", unrecorded, 11, 12, []Carry{b}},
		{"before the lot ahead of it", unrecorded, -3, -2, nil},
		{"topped up", bin, 11, 12, []Carry{a, b}},
		{"before the top-up", bin, 2, 3, []Carry{a}},
		{"cleaned out, not yet opened", []commissary.InUse{bin[0], bin[1], bin[2]}, 22, 23, nil},
		{"after the clean-out", bin, 22, 23, []Carry{c}},
		{"over all of it", bin, 1, 30, []Carry{a, b, c}},
	} {
		require.Equal(t, tc.want, Carried(tc.changes, at(tc.from), at(tc.to)), tc.name)
	}
}

// naiveDown finds descendants edge by edge.
func naiveDown(m *memory, code string, possible bool, seen map[string]bool) {
	for _, d := range m.draws {
		if d.Lot != code {
			continue
		}
		for _, l := range m.lots {
			if l.Batch != d.Batch {
				continue
			}
			p := possible || d.Possible
			if old, known := seen[l.Code]; !known || old && !p {
				seen[l.Code] = p
				naiveDown(m, l.Code, p, seen)
			}
		}
	}
}

// randomGraph is lots in layers, with draws that are certain or possible.
func randomGraph(r *rand.Rand) *memory {
	m := &memory{asked: map[string]int{}}
	for i := range 2 + r.IntN(4) {
		m.lots = append(m.lots, commissary.Lot{Code: fmt.Sprintf("I%d", i), Ingredient: "x"})
	}
	for b := range 1 + r.IntN(7) {
		batch := fmt.Sprintf("b%d", b)
		for _, l := range m.lots {
			if r.IntN(3) == 0 {
				m.draws = append(m.draws, commissary.Draw{Batch: batch, Lot: l.Code, Possible: r.IntN(3) == 0})
			}
		}
		for n := range 1 + r.IntN(2) {
			m.lots = append(m.lots, commissary.Lot{Code: fmt.Sprintf("L%d-%d", b, n), Item: "x", Batch: batch})
			m.moves = append(m.moves, commissary.Movement{Lot: fmt.Sprintf("L%d-%d", b, n), Kind: commissary.Made, Pieces: 5})
		}
	}
	return m
}

func TestFollowIsWhatANaiveSearchFindsBothWays(t *testing.T) {
	for n := range 2_000 {
		m := randomGraph(rand.New(rand.NewPCG(7, uint64(n))))
		down := map[string]map[string]bool{}
		for _, l := range m.lots {
			m.asked = map[string]int{}
			tr, err := Follow(m, l.Code)
			require.NoError(t, err)
			want := map[string]bool{}
			naiveDown(m, l.Code, false, want)
			got := map[string]bool{}
			for _, x := range tr.Nodes {
				if x.Side == WentInto {
					got[x.Code] = x.Possible
				}
			}
			require.Equal(t, want, got, "seed 7 case %d, %s", n, l.Code)
			down[l.Code] = got
			require.LessOrEqual(t, tr.Read*2, tr.Returned*3, "rows read for rows returned, case %d", n)
		}
		// Closed in both directions: a leads to b exactly as b comes from a.
		for _, l := range m.lots {
			tr, err := Follow(m, l.Code)
			require.NoError(t, err)
			up := map[string]bool{}
			for _, x := range tr.Nodes {
				if x.Side == CameFrom {
					up[x.Code] = x.Possible
				}
			}
			for _, other := range m.lots {
				p, leads := down[other.Code][l.Code]
				q, comes := up[other.Code]
				require.Equal(t, leads, comes, "case %d %s -> %s", n, other.Code, l.Code)
				require.Equal(t, p, q, "case %d %s -> %s", n, other.Code, l.Code)
			}
		}
	}
}

func TestAccountAlwaysCloses(t *testing.T) {
	places := []string{commissary.AtKitchen, commissary.AtReturns, "van/south/east", "east", "west"}
	kinds := []commissary.MovementKind{commissary.Counted, commissary.Corrected, commissary.Used, commissary.Wasted}
	for n := range 3_000 {
		r := rand.New(rand.NewPCG(11, uint64(n)))
		moves := []commissary.Movement{{Kind: commissary.Made, Pieces: 100, Place: commissary.AtKitchen}}
		for range r.IntN(20) {
			m := commissary.Movement{Pieces: -quantity.Pieces(r.IntN(9)), Place: places[r.IntN(len(places))]}
			if to := places[r.IntN(len(places))]; r.IntN(2) == 0 && to != m.Place {
				m.Kind, m.To = commissary.Moved, to
			} else {
				m.Kind = kinds[r.IntN(len(kinds))]
			}
			moves = append(moves, m)
		}
		b := Account(moves)
		require.True(t, b.Closes(), "seed 11 case %d: %+v from %+v", n, b, moves)
	}
	b := Account([]commissary.Movement{{Kind: commissary.Counted, Pieces: 60}, {Kind: commissary.Picked, Pieces: -40, To: "van/s/east"},
		{Kind: commissary.Delivered, Pieces: -38, Place: "van/s/east", To: "east"}, {Kind: commissary.Counted, Pieces: -5, Place: "east"}, {Kind: commissary.Counted, Pieces: -3}})
	require.Equal(t, Balance{CameIn: 60, Delivered: 38, OnHand: 19, Unknown: 3}, b)
}
