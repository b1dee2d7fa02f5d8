package plan

import (
	"maps"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/plan/internal/sched"
)

// searched is a search on a day with its first plan built.
func searched(t *testing.T, in Input) *search {
	s := searchOn(t, in)
	s.spans = s.stretches()
	s.price = s.prices()
	s.first()
	return s
}

// Making way brings pieces into the plan that the first build leaves short or
// outside their bands, and leaves all batches of a sheet alike.
func TestMakeWay(t *testing.T) {
	var better, amiss int
	for _, seed := range seedRange(40) {
		s := searched(t, handDay(seed))
		before := s.now
		s.makeWay(20 * s.built)
		require.LessOrEqual(t, s.now.compare(before), 0, "seed %d", seed)
		require.Equal(t, s.measure(), s.now, "seed %d", seed)
		for _, group := range s.sheets(func(taped) bool { return true }) {
			require.True(t, s.alike(group), "seed %d", seed)
		}
		if before[costShort]+before[costOff] > 0 {
			amiss++
			if slices.Compare(s.now[:costBatches], before[:costBatches]) < 0 {
				better++
			}
		}
	}
	t.Logf("of %d days with something short or outside its band %d are better", amiss, better)
	require.Greater(t, 2*better, amiss)
}

// What was changed before a way that is given up is still to be made alike.
func TestAWayGivenUpForgetsNothing(t *testing.T) {
	given := 0
	for _, seed := range seedRange(40) {
		s := searched(t, handDay(seed))
		for c := range s.classes {
			at := len(s.fl.journal)
			clear(s.touched)
			bands := s.misplaced(c)
			touched := maps.Clone(s.touched)
			if len(touched) > 0 && !s.placeByWay(c, bands[0], map[*placed]bool{}) {
				given++
				require.Subset(t, s.touched, touched, "seed %d", seed)
			}
			s.fl.back(at)
		}
	}
	require.Positive(t, given)
}

// A batch must go that stood before a fixed one that is not cleaned for it, when
// what stood between them is gone.
func TestAFixedBatchIsNotCleanedForLater(t *testing.T) {
	k, err := openKitchen(demoNight(t))
	require.NoError(t, err)
	fl := openFloor(k)
	first, next := k.byID["basil-sauce"], k.byID["garlic-oil"]
	p := &placed{want: want{recipe: first}, load: fl.start + 3600}
	fl.stand(p)
	setup := fl.vessels[fl.vesselOf(p)].setup
	after := sched.Entry{From: fl.start + 4*3600, To: fl.start + 5*3600, Setup: setup(first, next), Family: next, Fixed: true}
	require.Greater(t, after.Setup, setup(next, next), "milk and nuts are washed away before the oil")
	fl.row(p).Insert(after)
	q, _, _ := fl.unclean()
	require.Nil(t, q)
	fl.row(p).Remove(after.From)
	after.Setup = setup(next, next)
	fl.row(p).Insert(after)
	fl.vessels[fl.vesselOf(p)].moved[0] = true
	q, _, ok := fl.unclean()
	require.Same(t, p, q)
	require.False(t, ok)
}
