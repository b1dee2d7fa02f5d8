package plan

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Whatever is picked otherwise than listed: what is picked stays as it is,
// nothing is picked that is not there, and the independent judge finds no
// fault but those that the pickers themselves made.
func TestRedispatchUnderRandomPicks(t *testing.T) {
	in := demoNight(t)
	was, err := Dispatch(in)
	require.NoError(t, err)
	was.Revision = 1
	short := 0
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 7))
		day := copied(t, in)
		var rides []commissary.Ride
		for _, m := range was.Manifests {
			rides = append(rides, commissary.Ride{Run: m.Run, State: commissary.RideLoading})
		}
		leftOut := false
		before := was
		for round := range 3 {
			taken, gone := map[string]quantity.Pieces{}, map[string]quantity.Pieces{}
			for _, p := range before.Picks {
				i := slices.IndexFunc(rides, func(x commissary.Ride) bool { return x.Run == p.Run })
				open := rides[i].Open(p, before.Revision)
				if open == 0 || r.IntN(3) > 0 {
					continue
				}
				l := commissary.PickedLine{Shop: p.Shop, Item: p.Item, BakeDate: p.BakeDate, Lot: p.Lot, Listed: open, Pieces: open, Revision: before.Revision}
				if r.IntN(6) == 0 {
					l.Pieces -= 1 + quantity.Pieces(r.Int64N(int64(open)))
					l.Cause = []commissary.ShortCause{commissary.Damaged, commissary.NotThere, commissary.LeftOut}[r.IntN(3)]
					short++
				}
				taken[p.Lot] += l.Pieces
				switch l.Cause {
				case commissary.Damaged:
					gone[p.Lot] += open - l.Pieces
				case commissary.NotThere:
					gone[p.Lot] += 1 << 30
				case commissary.LeftOut:
					leftOut = true
				}
				if old, ok := rides[i].PickedOf(p); ok {
					rides[i].Picked = slices.DeleteFunc(rides[i].Picked, func(x commissary.PickedLine) bool { return x == old })
					l.Pieces, l.Listed = l.Pieces+old.Pieces, l.Listed+old.Pieces
				}
				rides[i].Picked = append(rides[i].Picked, l)
			}
			for i := range day.Lots {
				l := &day.Lots[i]
				if over := taken[l.Code] - l.Pieces; over > 0 { // two pickers met at a lot that had run out: they found more
					l.Pieces += over
				}
				l.Pieces = max(l.Pieces-taken[l.Code]-gone[l.Code], 0)
			}
			d, err := Redispatch(day, before, rides)
			require.NoError(t, err)
			d.Revision = before.Revision + 1
			picked := map[commissary.Pick]quantity.Pieces{}
			for _, ride := range rides {
				for _, l := range ride.Picked {
					picked[commissary.Pick{Run: ride.Run, Shop: l.Shop, Item: l.Item, BakeDate: l.BakeDate, Lot: l.Lot}] += l.Pieces
				}
			}
			whole := copied(t, day)
			for p, n := range picked {
				i := slices.IndexFunc(d.Picks, func(q commissary.Pick) bool {
					return q.Run == p.Run && q.Shop == p.Shop && q.Item == p.Item && q.BakeDate == p.BakeDate && q.Lot == p.Lot
				})
				if n > 0 {
					require.True(t, i >= 0 && d.Picks[i].Pieces >= n, "seed %d round %d: %v of %v was picked and is not on the list", seed, round, n, p)
				}
				lotOf(&whole, p.Lot).Pieces += n
			}
			judged := d
			judged.InputHash = Hash(whole)
			for _, broken := range CheckDispatch(whole, judged) {
				switch {
				case broken.Code == commissary.BrokenOldest: // the picker took what he took, or left the older one where it was
				case broken.Code == commissary.BrokenShort && leftOut: // on purpose
				default:
					require.Fail(t, "broken", "seed %d round %d: %s %s", seed, round, broken.Code, broken.Text)
				}
			}
			before = d
		}
	}
	require.Greater(t, short, 50)
}

// Nothing picked otherwise, nothing changes but the instant.
func TestRedispatchKeepsWhatIsListed(t *testing.T) {
	in := demoNight(t)
	was, err := Dispatch(in)
	require.NoError(t, err)
	was.Revision = 1
	var rides []commissary.Ride
	for _, m := range was.Manifests {
		rides = append(rides, commissary.Ride{Run: m.Run, State: commissary.RideLoading})
	}
	d, err := Redispatch(in, was, rides)
	require.NoError(t, err)
	require.Equal(t, was.Picks, d.Picks)
	require.Equal(t, was.Manifests, d.Manifests)
	require.Equal(t, texts(was.Exceptions), texts(d.Exceptions))
	require.ElementsMatch(t, was.Lines, d.Lines)

	// A run that has left gets nothing more, whatever turns up.
	for i := range rides {
		rides[i].State = commissary.RideDeparted
		for _, p := range was.Picks {
			if p.Run == rides[i].Run {
				rides[i].Picked = append(rides[i].Picked, commissary.PickedLine{Shop: p.Shop, Item: p.Item, BakeDate: p.BakeDate, Lot: p.Lot, Listed: p.Pieces, Pieces: p.Pieces, Revision: 1})
			}
		}
	}
	for i := range in.Lots {
		in.Lots[i].Pieces += 500
	}
	d, err = Redispatch(in, was, rides)
	require.NoError(t, err)
	require.Equal(t, was.Picks, d.Picks)
}
