package plan

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// sourNight is the demo night with a starter in place of the poolish: 2 kg of
// every day's feed are kept back in the cold.
func sourNight(t testing.TB) Input {
	in := demoNight(t)
	in.Steps = 100
	in.Book.Formulas = slices.Clone(in.Book.Formulas)
	f := &in.Book.Formulas[slices.IndexFunc(in.Book.Formulas, func(f commissary.Formula) bool { return f.ID == "poolish" })]
	f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: 20 * quantity.Percent, DaysBefore: 1}}
	f.KeepBack, f.FeedWithin = 2*quantity.Kilogram, 36*quantity.Hour
	return in
}

// feeds are the batches of the starter by the day they are stirred on, and how
// much of each is left when everything has taken from it.
func feeds(t *testing.T, in Input, p commissary.Plan) map[civil.Date][]quantity.Mass {
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	require.NoError(t, err)
	all := map[civil.Date][]quantity.Mass{}
	for _, b := range p.Batches {
		if b.Formula != "poolish" {
			continue
		}
		f := in.Book.Formulas[slices.IndexFunc(in.Book.Formulas, func(f commissary.Formula) bool { return f.ID == b.Formula })]
		left, err := formula.ComesOut(f, b.Mass)
		require.NoError(t, err)
		for _, o := range p.Batches {
			for _, u := range o.Uses {
				if u.Batch == b.ID {
					left -= u.Mass
				}
			}
		}
		all[zone.Date(b.MixEnd)] = append(all[zone.Date(b.MixEnd)], left)
	}
	return all
}

func unfed(p commissary.Plan) (days []civil.Date) {
	for _, e := range p.Exceptions {
		if e.Code == commissary.ReasonUnfed {
			days = append(days, e.BakeDate)
		}
	}
	return days
}

func TestStarterIsFedOnIdleDays(t *testing.T) {
	in := sourNight(t)
	in.Orders = nil
	in.Book.Shops = slices.Clone(in.Book.Shops)
	for i := range in.Book.Shops {
		in.Book.Shops[i].Standing = nil
	}
	p, err := Make(in)
	require.NoError(t, err)
	require.Empty(t, p.Needs)
	require.Empty(t, unfed(p))
	require.Empty(t, texts(Check(in, p)))
	fed := feeds(t, in, p)
	require.Len(t, fed, in.Book.Kitchen.PlanDays, "one day's feed each: %v", fed)
	require.Len(t, p.Batches, in.Book.Kitchen.PlanDays, "and nothing else")
	for day, left := range fed {
		require.Len(t, left, 1, "%s", day)
	}
	for i, b := range p.Batches {
		require.False(t, b.Steps[0].From.Before(in.At), "never in the past")
		require.Equal(t, i == 0, b.Uses[0].Lot != "", "the first from what is in the tub, the others from the one before")
	}

	// Nobody works on Saturdays: what is kept back bridges that.
	in.Book.Shifts = slices.Clone(in.Book.Shifts)
	for i := range in.Book.Shifts {
		in.Book.Shifts[i].Days = 0
		for _, d := range []int{1, 3, 4} {
			in.Book.Shifts[i].Days = in.Book.Shifts[i].Days.With(in.Night.AddDays(d).Weekday())
		}
	}
	in.Book.Formulas[slices.IndexFunc(in.Book.Formulas, func(f commissary.Formula) bool { return f.ID == "poolish" })].FeedWithin = 60 * quantity.Hour
	if p, err = Make(in); err != nil {
		t.Fatal(err)
	}
	require.Empty(t, unfed(p))
	require.Empty(t, texts(Check(in, p)))
	require.Len(t, p.Batches, 3)
}

func TestStarterInTheTubCapsItsDough(t *testing.T) {
	in := sourNight(t)
	p, err := Make(in)
	require.NoError(t, err)
	require.Empty(t, texts(Check(in, p)))
	require.Empty(t, unfed(p))
	for day, left := range feeds(t, in, p) {
		var kept quantity.Mass
		for _, m := range left {
			kept += m
		}
		require.GreaterOrEqual(t, kept, quantity.Mass(0), "%s", day)
	}

	// Without one there is nothing to feed from, whatever is done.
	in.Lots = slices.DeleteFunc(slices.Clone(in.Lots), func(l commissary.Lot) bool { return l.Formula == "poolish" })
	if p, err = Make(in); err != nil {
		t.Fatal(err)
	}
	require.Len(t, unfed(p), in.Book.Kitchen.PlanDays)
	require.Empty(t, texts(Check(in, p)))
	require.Empty(t, feeds(t, in, p))
	require.True(t, slices.ContainsFunc(p.Exceptions, func(r commissary.Reason) bool { return r.Code == commissary.ReasonPrefermentCaps }), "%v", texts(p.Exceptions))
}

func TestStarterOnRandomNights(t *testing.T) {
	for seed := range days(t) / 3 {
		in := randomNight(t, seed)
		f := &in.Book.Formulas[slices.IndexFunc(in.Book.Formulas, func(f commissary.Formula) bool { return f.ID == "poolish" })]
		f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: quantity.PPM(10+seed) * quantity.Percent, DaysBefore: 1}}
		f.KeepBack, f.FeedWithin = quantity.Mass(1+seed%4)*quantity.Kilogram, quantity.Seconds(26+4*(seed%5))*quantity.Hour
		for round := range 3 {
			p, err := Make(in)
			require.NoError(t, err, "seed %d", seed)
			require.Empty(t, texts(Check(in, p)), "seed %d round %d", seed, round)
			in = later(in, p, seed)
		}
	}
}
