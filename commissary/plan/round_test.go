package plan

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan/internal/route"
	"doughrun/commissary/quantity"
)

// freeNight is the demo night with both runs free in every way.
func freeNight(t testing.TB) Input {
	in := demoNight(t)
	for i := range in.Book.Runs {
		r := &in.Book.Runs[i]
		r.Sequence, r.Assign = commissary.Free, commissary.Free
		for j := range r.Stops {
			r.Stops[j].Travel = 0
		}
	}
	return in
}

func dispatched(t testing.TB, in Input) commissary.Dispatch {
	t.Helper()
	d, err := Dispatch(in)
	require.NoError(t, err)
	require.Empty(t, texts(CheckDispatch(in, d)))
	return d
}

// driven is the road time of all runs.
func driven(t testing.TB, in Input, d commissary.Dispatch) (total quantity.Seconds) {
	for _, m := range d.Manifests {
		o, err := Drive(in.Book, d.Delivery, m.Run, shopsOf(m))
		require.NoError(t, err)
		total += o.Drive
	}
	return total
}

func shopsOf(m commissary.Manifest) (shops []string) {
	for _, s := range m.Stops {
		shops = append(shops, s.Shop)
	}
	return shops
}

func said(d commissary.Dispatch, code commissary.ReasonCode) (list []commissary.Reason) {
	for _, r := range d.Exceptions {
		if r.Code == code {
			list = append(list, r)
		}
	}
	return list
}

// No order of the free run's three stops drives less.
func TestFreeRunIsTheShortest(t *testing.T) {
	in := demoNight(t)
	d := dispatched(t, in)
	m := d.Manifests[1]
	ours, err := Drive(in.Book, d.Delivery, m.Run, shopsOf(m))
	require.NoError(t, err)
	require.Equal(t, m.Back, ours.Back)
	require.Equal(t, m.Metres, ours.Metres)
	s := shopsOf(m)
	require.Len(t, s, 3)
	for _, p := range [][]int{{0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}} {
		other, err := Drive(in.Book, d.Delivery, m.Run, []string{s[p[0]], s[p[1]], s[p[2]]})
		require.NoError(t, err)
		require.GreaterOrEqual(t, other.Drive, ours.Drive)
	}
}

// A driver's own order, reckoned by hand on listed ways.
func TestDriveByHand(t *testing.T) {
	in := demoNight(t)
	in.Book.Roads = commissary.Roads{Ways: []commissary.Way{
		{From: "kitchen", To: "harbor", Time: 600, Metres: 5000}, {From: "harbor", To: "river", Time: 1200, Metres: 9000},
		{From: "river", To: "kitchen", Time: 1800, Metres: 12_000}, {From: "kitchen", To: "river", Time: 2400, Metres: 13_000}}}
	day := in.Night.AddDays(1)
	run := &in.Book.Runs[1]
	run.Departs, run.BackBy = 6*3600, 8*3600 // harbor opens at 06:30: waits 20 min, stays 15; river at 07:05, leaves 07:20; back 07:50
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	require.NoError(t, err)
	at := func(clock int) time.Time { return zone.Instant(day, civil.Clock(clock)) }
	o, err := Drive(in.Book, day, "south", []string{"harbor", "river"})
	require.NoError(t, err)
	require.Equal(t, commissary.Driven{Departs: at(6 * 3600), Back: at(7*3600 + 3000), Drive: 3600, Wait: 1200, Metres: 26_000, Measured: "3 ways as listed in the book",
		Stops: []commissary.DrivenStop{{Shop: "harbor", Arrives: at(6*3600 + 600)}, {Shop: "river", Arrives: at(7*3600 + 300)}}}, o)
	for i := range in.Book.Shops {
		if in.Book.Shops[i].ID == "river" {
			in.Book.Shops[i].Receiving.To = 7 * 3600
		}
	}
	run.BackBy = 7*3600 + 2400
	o, err = Drive(in.Book, day, "south", []string{"harbor", "river"})
	require.NoError(t, err)
	require.Equal(t, quantity.Seconds(300), o.Stops[1].Late)
	require.Equal(t, quantity.Seconds(600), o.Overtime)
	_, err = Drive(in.Book, day, "south", []string{"harbor", "market"})
	require.ErrorContains(t, err, "nobody knows the way from the kitchen to Market Square")
}

// Great circles: a degree of a meridian, of the equator, of a parallel at 60°,
// and Paris to New York by the coordinates of their airports.
func TestGreatCircle(t *testing.T) {
	for _, c := range []struct{ lat, lon, lat2, lon2, metres, within int64 }{
		{0, 0, 1_000_000, 0, 111_195, 1}, {0, 0, 0, 1_000_000, 111_195, 1},
		{60_000_000, 10_000_000, 60_000_000, 11_000_000, 55_597, 2}, // chord of the parallel, by haversine
		{45_000_000, 179_500_000, 45_000_000, -179_500_000, 78_626, 2},
		{-33_900_000, 151_200_000, -33_900_000, 151_200_000, 0, 0}, {10_000, 10_000, 10_001, 10_000, 0, 1},
	} {
		got := arc(onSphere(c.lat, c.lon), onSphere(c.lat2, c.lon2))
		require.InDelta(t, c.metres, got, float64(c.within), "%v", c)
		require.Equal(t, got, arc(onSphere(c.lat2, c.lon2), onSphere(c.lat, c.lon)))
	}
}

// Each way's road, minutes and word, band by band.
func TestRoadsSayHowTheyKnow(t *testing.T) {
	in := demoNight(t)
	r := newRoads(&in.Book)
	l, ok := r.leg("kitchen", "harbor")
	require.True(t, ok)
	require.Equal(t, leg{720, 5000, false}, l)
	back, _ := r.leg("harbor", "kitchen")
	require.Equal(t, l, back, "the way back is as long")
	l, ok = r.leg("kitchen", "river")
	require.True(t, ok)
	require.True(t, l.estimated)
	// 0.08° south and 0.06° east at the equator: 11 120 m, times 1.3; past 12 km at 55 km/h.
	require.InDelta(t, 14_455, l.metres, 3)
	require.Equal(t, int64(16*60), l.seconds)
	for _, to := range []string{"harbor", "river"} {
		r.drive("kitchen", to)
	}
	require.Contains(t, r.measured(), "great circle x 1.30, 18 km/h up to 3 km")
}

// Two free runs share the stops: the goods ride where the road is shortest,
// and one van stays at home when that costs less than half an hour.
func TestFreeRunsShareStops(t *testing.T) {
	in := freeNight(t)
	d := dispatched(t, in)
	fixed := dispatched(t, demoNight(t))
	require.LessOrEqual(t, driven(t, in, d), driven(t, in, fixed))
	// Room for fewer containers than one van's load: both go.
	for i := range in.Book.Vehicles {
		in.Book.Vehicles[i].Containers = 150
	}
	d = dispatched(t, in)
	require.Len(t, d.Manifests, 2)
	require.Empty(t, said(d, commissary.ReasonOverload))
}

// A released dispatch's order is where a late change begins: the shops that
// were on it keep their run and their neighbours.
func TestLateChangesMoveLittle(t *testing.T) {
	in := freeNight(t)
	late := slices.Clone(in.Orders)
	in.Orders = slices.DeleteFunc(in.Orders, func(o commissary.Order) bool { return o.Shop == "market" })
	for i := range in.Book.Shops {
		if in.Book.Shops[i].ID == "market" {
			in.Book.Shops[i].Standing = nil
		}
	}
	first := dispatched(t, in)
	for _, m := range first.Manifests { // a driver's own order, which we would not choose
		shops := shopsOf(m)
		slices.Reverse(shops)
		in.Rounds = append(in.Rounds, commissary.Round{Run: m.Run, Shops: shops})
	}
	in.Orders = late
	d := dispatched(t, in)
	for _, r := range in.Rounds {
		i := slices.IndexFunc(d.Manifests, func(m commissary.Manifest) bool { return m.Run == r.Run })
		require.GreaterOrEqual(t, i, 0)
		kept := slices.DeleteFunc(shopsOf(d.Manifests[i]), func(s string) bool { return s == "market" })
		require.Equal(t, r.Shops, kept)
	}
	require.NotEqual(t, Hash(demoNight(t)), Hash(in))
}

// What cannot be done rides all the same and comes with a reason and a way on.
func TestNothingIsLost(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(in *Input)
		code  commissary.ReasonCode
		says  string
	}{
		"a shop closed before any van comes": {func(in *Input) { in.Book.Shops[2].Receiving = commissary.Hours{From: 3600, To: 7200} }, commissary.ReasonLateStop, "Even driven to first it is too late"},
		"containers":                         {func(in *Input) { in.Book.Vehicles[0].Containers, in.Book.Vehicles[1].Containers = 40, 40 }, commissary.ReasonOverload, "second run"},
		"payload":                            {func(in *Input) { in.Book.Vehicles[0].Payload, in.Book.Vehicles[1].Payload = 1000, 1000 }, commissary.ReasonOverload, "second run"},
		"dollies":                            {func(in *Input) { in.Book.Vehicles[0].Dollies, in.Book.Vehicles[1].Dollies = 1, 1 }, commissary.ReasonOverload, "dollies"},
		"shift": {func(in *Input) {
			in.Book.Runs[0].BackBy, in.Book.Runs[1].BackBy = in.Book.Runs[0].Departs+600, in.Book.Runs[1].Departs+600
		}, commissary.ReasonOvertime, "must be back by"},
	} {
		for _, start := range []func(testing.TB) Input{demoNight, freeNight} {
			t.Run(name, func(t *testing.T) {
				whole := dispatched(t, start(t))
				in := start(t)
				c.spoil(&in)
				d := dispatched(t, in)
				reasons := said(d, c.code)
				require.NotEmpty(t, reasons)
				require.True(t, slices.ContainsFunc(reasons, func(r commissary.Reason) bool { return strings.Contains(r.Text, c.says) && r.Relax != "" }), "%v", texts(reasons))
				boxes := func(d commissary.Dispatch) (n int) {
					for _, m := range d.Manifests {
						n += m.Boxes
					}
					return n
				}
				require.Equal(t, boxes(whole), boxes(d))
			})
		}
	}
	in := demoNight(t)
	in.Book.Vehicles[0].Containers = 100 // the south's van has room for one stop
	in.Book.Vehicles[1].Containers, in.Book.Vehicles[1].Dollies = 170, 0
	r := said(dispatched(t, in), commissary.ReasonOverload)
	require.Len(t, r, 1)
	require.Contains(t, r[0].Text, "Move Station Arcade (51 containers) to South round, whose Short van has room")
}

// Random books and goods: whatever is dispatched passes the checker.
func TestRandomRoundsPassTheCheck(t *testing.T) {
	count := uint64(25)
	if os.Getenv("CASES") == "full" {
		count = 400
	}
	for seed := range count {
		r := rand.New(rand.NewPCG(seed, 21))
		in := freeNight(t)
		in.Seed = seed
		for i := range in.Book.Containers {
			c := &in.Book.Containers[i]
			c.StackMax = r.IntN(14)
			if r.IntN(4) == 0 {
				c.Base = commissary.Base{}
			}
		}
		if r.IntN(4) == 0 {
			in.Book.Dolly = commissary.Dolly{}
		} else {
			in.Book.Dolly.Carries = quantity.Mass(r.IntN(120)) * quantity.Kilogram
		}
		for i := range in.Book.ColdStore.Zones {
			in.Book.ColdStore.Zones[i].Cold = r.IntN(3) > 0
		}
		for i := range in.Book.Vehicles {
			in.Book.Vehicles[i].Containers, in.Book.Vehicles[i].Dollies = r.IntN(200), r.IntN(20)
		}
		for i := range in.Book.Shops {
			from := civil.Clock(4*3600 + 900*r.IntN(20))
			in.Book.Shops[i].Receiving = commissary.Hours{From: from, To: from + civil.Clock(1800+900*r.IntN(12))}
		}
		for i := range in.Book.Runs {
			if r.IntN(3) == 0 {
				in.Book.Runs[i].Assign = commissary.Fixed
			}
			in.Book.Runs[i].BackBy = in.Book.Runs[i].Departs + civil.Clock(3600*r.IntN(6))
		}
		d, err := Dispatch(in)
		require.NoError(t, err, "seed %d", seed)
		require.Empty(t, texts(CheckDispatch(in, d)), "seed %d", seed)
	}
}

// Goals on one core: a run of 12 stops in 20 ms, 60 shops and 6 vans in 1 s.
func BenchmarkRounds(b *testing.B) {
	for _, c := range []struct{ shops, vans int }{{12, 1}, {60, 6}} {
		b.Run(fmt.Sprintf("%d shops %d vans", c.shops, c.vans), func(b *testing.B) {
			rng := rand.New(rand.NewPCG(7, 0))
			in := demoNight(b)
			in.Book.Shops, in.Book.Runs, in.Book.Vehicles, in.Book.Roads.Ways = nil, nil, nil, nil
			in.Book.Kitchen.Lat, in.Book.Kitchen.Lon = 100_000, 100_000
			goods := map[string]*commissary.ManifestStop{}
			for v := range c.vans {
				in.Book.Vehicles = append(in.Book.Vehicles, commissary.Vehicle{ID: fmt.Sprint("van-", v), Containers: 170, Payload: 1100 * quantity.Kilogram, Dollies: 14})
				in.Book.Runs = append(in.Book.Runs, commissary.Run{ID: fmt.Sprint("run-", v), Vehicle: fmt.Sprint("van-", v), Days: civil.EveryDay,
					Departs: 5 * 3600, BackBy: 13 * 3600, Sequence: commissary.Free, Assign: commissary.Free})
			}
			for i := range c.shops {
				id := fmt.Sprintf("shop-%02d", i)
				from := civil.Clock(5*3600 + 1800*rng.IntN(4))
				in.Book.Shops = append(in.Book.Shops, commissary.Shop{ID: id, Name: id, Lat: rng.Int64N(200_000) + 1, Lon: rng.Int64N(200_000), Receiving: commissary.Hours{From: from, To: from + 4*3600}})
				run := &in.Book.Runs[i%c.vans]
				run.Stops = append(run.Stops, commissary.Stop{Shop: id, Stay: 600})
				boxes := 6 + rng.IntN(9)
				goods[id] = &commissary.ManifestStop{Shop: id, Boxes: boxes, Mass: quantity.Mass(boxes) * 5 * quantity.Kilogram}
			}
			k, err := openKitchen(in)
			require.NoError(b, err)
			day := in.Night.AddDays(1)
			var routes map[string][]string
			for b.Loop() {
				routes, err = k.routes(day, goods)
				require.NoError(b, err)
			}
			b.StopTimer()
			var shops []string
			for _, s := range in.Book.Shops {
				shops = append(shops, s.ID)
			}
			data, err := k.roundData(day, in.Book.Runs, shops, goods)
			require.NoError(b, err)
			p, err := route.New(data)
			require.NoError(b, err)
			found := route.Solve(p, route.Options{Seed: in.Seed, Steps: roundSteps})
			require.Empty(b, found.Unserved)
			served := 0
			for _, r := range routes {
				served += len(r)
			}
			require.Equal(b, c.shops, served)
			b.ReportMetric(100*float64(found.Cost.Rank.Price-found.Bound.Price)/float64(found.Cost.Rank.Price), "%above-bound")
			b.ReportMetric(float64(found.Cost.Vehicles), "vans")
		})
	}
}
