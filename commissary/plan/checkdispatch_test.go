package plan

import (
	"cmp"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func TestCheckDispatchPassesTheDemoNight(t *testing.T) {
	for name, in := range map[string]Input{"demo": demoNight(t), "quiet": quietNight(t)} {
		d, err := Dispatch(in)
		require.NoError(t, err)
		require.Empty(t, texts(CheckDispatch(in, d)), name)
		require.Empty(t, texts(CheckDispatch(copied(t, in), copied(t, d))), "%s, from a file", name)
	}
}

// dispatchMutant breaks one rule of a good dispatch, as mutant does of a plan.
type dispatchMutant struct {
	code  commissary.ReasonCode
	name  string
	plain bool
	over  int64
	aside []commissary.ReasonCode
	set   func(t *testing.T, in *Input, d *commissary.Dispatch, by int64)
}

func TestCheckDispatchFindsEveryMutant(t *testing.T) {
	in := demoNight(t)
	in.Orders = slices.DeleteFunc(in.Orders, func(o commissary.Order) bool { return o.Shop == "college" })
	in.Delivered = []Delivered{{Shop: "station", Item: "house-280", BakeDate: in.Night.AddDays(-1), Boxes: 8}}
	d, err := Dispatch(in)
	require.NoError(t, err)
	require.Empty(t, texts(CheckDispatch(in, d)))
	for _, m := range dispatchMutants {
		t.Run(string(m.code)+" "+m.name, func(t *testing.T) {
			for by := range int64(2) {
				if by == 0 && m.plain {
					continue
				}
				in, d := copied(t, in), copied(t, d)
				m.set(t, &in, &d, by)
				if d.InputHash != "" {
					d.InputHash = Hash(in)
				}
				found := slices.DeleteFunc(CheckDispatch(in, d), func(r commissary.Reason) bool { return slices.Contains(m.aside, r.Code) })
				if by == 0 {
					require.Empty(t, texts(found), "at the limit")
					continue
				}
				found = slices.DeleteFunc(found, func(r commissary.Reason) bool { return r.Code != m.code })
				require.NotEmpty(t, found, "one past the limit")
				if m.over != 0 {
					require.True(t, slices.ContainsFunc(found, func(r commissary.Reason) bool { return r.Over == m.over }), "want over %d: %+v", m.over, found)
				}
			}
		})
	}
}

// lotOf returns a lot of the input.
func lotOf(in *Input, code string) *commissary.Lot {
	return &in.Lots[slices.IndexFunc(in.Lots, func(l commissary.Lot) bool { return l.Code == code })]
}

// needOf returns the need that a pick is for.
func needOf(t *testing.T, in *Input, p commissary.Pick) commissary.Need {
	needs, _, err := Demand(*in)
	require.NoError(t, err)
	return needs[slices.IndexFunc(needs, func(n commissary.Need) bool { return n.Shop == p.Shop && n.Item == p.Item && n.BakeDate == p.BakeDate })]
}

// picksOf returns the picks of an item, which must be some.
func picksOf(t *testing.T, d *commissary.Dispatch, item string) []*commissary.Pick {
	var all []*commissary.Pick
	for i := range d.Picks {
		if d.Picks[i].Item == item {
			all = append(all, &d.Picks[i])
		}
	}
	require.NotEmpty(t, all)
	return all
}

// fewer takes containers off a line of a manifest, and off its sums.
func fewer(in *Input, d *commissary.Dispatch, line func(commissary.Item, commissary.ManifestLine) bool, boxes int) bool {
	for i := range d.Manifests {
		m := &d.Manifests[i]
		for j := range m.Stops {
			s := &m.Stops[j]
			for k := range s.Lines {
				l := &s.Lines[k]
				item := in.Book.Items[slices.IndexFunc(in.Book.Items, func(it commissary.Item) bool { return it.ID == l.Item })]
				if !line(item, *l) {
					continue
				}
				tare := in.Book.Containers[slices.IndexFunc(in.Book.Containers, func(c commissary.Container) bool { return c.ID == item.Container })].Tare * quantity.Mass(boxes)
				l.Boxes, s.Boxes, m.Boxes = l.Boxes-boxes, s.Boxes-boxes, m.Boxes-boxes
				s.Mass, m.Mass = s.Mass-tare, m.Mass-tare
				return true
			}
		}
	}
	return false
}

var dispatchMutants = []dispatchMutant{
	{code: commissary.BrokenInput, name: "hash", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.InputHash = "" }},
	{code: commissary.BrokenInput, name: "delivery", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Delivery = d.Delivery.AddDays(1) }},
	{code: commissary.BrokenDemand, name: "more than ordered", over: 1, aside: []commissary.ReasonCode{commissary.BrokenShort}, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		l := &d.Lines[0]
		l.Ordered, l.Short, l.Why = l.Ordered+quantity.Pieces(by), l.Short+quantity.Pieces(by), "no more are on hand"
	}},
	{code: commissary.BrokenDemand, name: "line left out", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Lines = d.Lines[1:] }},
	{code: commissary.BrokenDemand, name: "line twice", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Lines = append(d.Lines, d.Lines[0]) }},
	{code: commissary.BrokenDemand, name: "another day's line", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Lines[0].BakeDate = d.Lines[0].BakeDate.AddDays(1)
	}},
	{code: commissary.BrokenUnsaid, name: "silent shop", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Exceptions = slices.DeleteFunc(d.Exceptions, func(r commissary.Reason) bool { return r.Code == commissary.ReasonNotConfirmed })
	}},
	{code: commissary.BrokenUnsaid, name: "why it is short", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		for i := range d.Lines {
			d.Lines[i].Why = ""
		}
	}},
	{code: commissary.BrokenSum, name: "ordered is not picked and short", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Lines[0].Picked += quantity.Pieces(by)
	}},
	{code: commissary.BrokenSum, name: "picks are not what the line says", over: -1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		p := picksOf(t, d, "sauce-3kg")[0]
		p.Pieces, p.Full = p.Pieces+quantity.Pieces(by), p.Full+int(by)
	}},
	{code: commissary.BrokenSum, name: "a pick for nobody", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Picks[0].Shop = "nowhere" }},
	{code: commissary.BrokenRun, plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Picks[0].Run = map[string]string{"north": "south", "south": "north"}[d.Picks[0].Run]
	}},
	{code: commissary.BrokenBoxes, over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		for i := range d.Picks {
			if p := &d.Picks[i]; p.Loose > 0 && p.Loose < 5 {
				p.Loose += quantity.Pieces(by)
				return
			}
		}
		t.Fatal("no split container")
	}},
	{code: commissary.BrokenUnknown, name: "zone", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Picks[0].Zone = "attic" }},
	{code: commissary.BrokenUnknown, name: "run", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Manifests[0].Run = "west" }},
	{code: commissary.BrokenLot, name: "overdrawn", over: 1, aside: []commissary.ReasonCode{commissary.BrokenShort}, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		l := lotOf(in, d.Picks[0].Lot)
		l.Pieces = -quantity.Pieces(by)
		for _, p := range d.Picks {
			if p.Lot == l.Code {
				l.Pieces += p.Pieces
			}
		}
	}},
	{code: commissary.BrokenLot, name: "of another item", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Picks[0].Lot = "20261126-14-poolish"
	}},
	{code: commissary.BrokenHeld, plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		lotOf(in, d.Picks[0].Lot).Held = "metal found"
	}},
	{code: commissary.BrokenWindow, name: "too young", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		// All onions come from one lot.
		picks := picksOf(t, d, "onion-1kg")
		latest := needOf(t, in, *picks[0]).MadeTo
		for _, p := range picks {
			require.Equal(t, picks[0].Lot, p.Lot)
			latest = earliest(latest, needOf(t, in, *p).MadeTo)
		}
		lotOf(in, picks[0].Lot).Made = latest.Add(time.Duration(by) * time.Second)
	}},
	{code: commissary.BrokenWindow, name: "too old", over: 1, aside: []commissary.ReasonCode{commissary.BrokenManifest}, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		picks := picksOf(t, d, "onion-1kg")
		oldest := needOf(t, in, *picks[0]).MadeFrom
		for _, p := range picks {
			oldest = latest(oldest, needOf(t, in, *p).MadeFrom)
			p.UseFrom, p.Best, p.UseBy = time.Time{}, time.Time{}, time.Time{}
		}
		lotOf(in, picks[0].Lot).Made = oldest.Add(-time.Duration(by) * time.Second)
	}},
	{code: commissary.BrokenWindow, name: "use by", over: 1, aside: []commissary.ReasonCode{commissary.BrokenManifest}, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		p := picksOf(t, d, "onion-1kg")[0]
		p.UseBy = lotOf(in, p.Lot).Made.Add(6*24*time.Hour + time.Duration(by)*time.Second)
	}},
	{code: commissary.BrokenOldest, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		// Both lots of Wednesday are in every window; the smallest pick of the
		// younger, or a full box, is what must not be left of the older.
		picks := picksOf(t, d, "house-430")
		slices.SortStableFunc(picks, func(a, b *commissary.Pick) int { return cmp.Compare(a.Lot, b.Lot) })
		older, least := lotOf(in, picks[0].Lot), quantity.Pieces(6)
		older.Pieces = 0
		for _, p := range picks {
			if p.Lot == older.Code {
				older.Pieces += p.Pieces
			} else {
				least = min(least, p.Pieces)
			}
		}
		require.NotEqual(t, older.Code, picks[len(picks)-1].Lot)
		older.Pieces += least - 1 + quantity.Pieces(by)
	}},
	{code: commissary.BrokenShort, over: 1, aside: []commissary.ReasonCode{commissary.BrokenOldest}, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		p := picksOf(t, d, "pan-520")[0]
		l := *lotOf(in, p.Lot)
		l.Code, l.Pieces = "20261125-99-pan-520", quantity.Pieces(by)
		in.Lots = append(in.Lots, l)
	}},
	{code: commissary.BrokenMixedBox, over: 1, plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		// The loose pieces of a lot ride in another lot's container.
		require.True(t, fewer(in, d, func(it commissary.Item, l commissary.ManifestLine) bool {
			return l.Pieces%it.PerBox != 0 && l.Boxes > 1
		}, 1))
	}},
	{code: commissary.BrokenManifest, name: "one container more", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		require.True(t, fewer(in, d, func(commissary.Item, commissary.ManifestLine) bool { return true }, -int(by)))
	}},
	{code: commissary.BrokenManifest, name: "sum of a stop", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Stops[0].Mass += quantity.Mass(by)
	}},
	{code: commissary.BrokenManifest, name: "sum of a run", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Mass += quantity.Mass(by)
	}},
	{code: commissary.BrokenManifest, name: "vehicle", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Manifests[0].Vehicle = "van-9" }},
	{code: commissary.BrokenManifest, name: "driving order", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { slices.Reverse(d.Manifests[0].Stops) }},
	{code: commissary.BrokenManifest, name: "arrival", set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		s := &d.Manifests[0].Stops[1]
		s.Arrives = s.Arrives.Add(time.Duration(by) * time.Second)
	}},
	{code: commissary.BrokenManifest, name: "a pick that does not ride", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Manifests = d.Manifests[1:] }},
	{code: commissary.BrokenManifest, name: "use by", set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		l := &d.Manifests[0].Stops[0].Lines[0]
		l.UseBy = l.UseBy.Add(time.Duration(by) * time.Second)
	}},
	{code: commissary.BrokenLabel, plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		s := &d.Manifests[0].Stops[0]
		s.Allergens = s.Allergens[1:]
	}},
	{code: commissary.BrokenVehicle, name: "containers", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		in.Book.Vehicles[0].Containers = d.Manifests[0].Boxes - int(by)
	}},
	{code: commissary.BrokenVehicle, name: "payload", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		m := d.Manifests[0]
		in.Book.Vehicles[0].Payload = m.Mass + in.Book.Dolly.Tare*quantity.Mass(len(m.Load)) - quantity.Mass(by)
	}},
	{code: commissary.BrokenVehicle, name: "dollies", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		in.Book.Vehicles[0].Dollies = len(d.Manifests[0].Load) - int(by)
	}},
	{code: commissary.BrokenManifest, name: "order of a free run without its clock", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		s := d.Manifests[1].Stops
		s[0], s[1] = s[1], s[0]
	}},
	{code: commissary.BrokenManifest, name: "leaves", set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		s := &d.Manifests[1].Stops[0]
		s.Leaves = s.Leaves.Add(time.Duration(by) * time.Second)
	}},
	{code: commissary.BrokenManifest, name: "back", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[1].Back = d.Manifests[1].Back.Add(time.Duration(by) * time.Second)
	}},
	{code: commissary.BrokenManifest, name: "road", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { d.Manifests[0].Metres += by }},
	{code: commissary.BrokenManifest, name: "empties", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		require.NotEmpty(t, d.Manifests[0].Stops[0].Empties)
		d.Manifests[0].Stops[0].Empties[0].Count++
	}},
	{code: commissary.BrokenReceiving, name: "of a fixed run", over: 1, set: receivesUntil(0)},
	{code: commissary.BrokenReceiving, name: "of a free run", over: 1, set: receivesUntil(1)},
	{code: commissary.BrokenOvertime, name: "of the driver", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		in.Book.Runs[1].BackBy = clockOf(t, in, d, d.Manifests[1].Back) - civil.Clock(by)
	}},
	{code: commissary.BrokenOvertime, name: "of the vehicle", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		second := in.Book.Runs[0]
		second.ID, second.Stops, second.Departs = "second", nil, clockOf(t, in, d, d.Manifests[0].Back)-civil.Clock(by)
		in.Book.Runs = append(in.Book.Runs, second)
	}},
	{code: commissary.BrokenLoad, name: "order", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) { slices.Reverse(d.Manifests[0].Load) }},
	{code: commissary.BrokenLoad, name: "for a shop that is not on the run", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Load[0].Shop = "river"
	}},
	{code: commissary.BrokenLoad, name: "left at the dock", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Load = d.Manifests[0].Load[1:]
	}},
	{code: commissary.BrokenLoad, name: "one container more", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		s := &d.Manifests[0].Load[0].Stacks[0]
		s.Boxes, s.Layers[0].Boxes = s.Boxes+int(by), s.Layers[0].Boxes+int(by)
	}},
	{code: commissary.BrokenLoad, name: "sum of a stack", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Load[0].Stacks[0].Boxes += int(by)
	}},
	{code: commissary.BrokenLoad, name: "mass of a dolly", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Load[0].Mass += quantity.Mass(by)
	}},
	{code: commissary.BrokenLoad, name: "mass of a stack", over: -1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Load[0].Stacks[0].Mass += quantity.Mass(by)
	}},
	{code: commissary.BrokenLoad, name: "cold and dry", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		in.Book.ColdStore.Zones[1].Cold = false
	}},
	{code: commissary.BrokenLoad, name: "height", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		highest := 0
		for _, m := range d.Manifests {
			for _, l := range m.Load {
				for _, s := range l.Stacks {
					if s.Base.Long+s.Base.Wide == 1000 {
						highest = max(highest, s.Boxes)
					}
				}
			}
		}
		in.Book.Containers[0].StackMax = highest - int(by)
	}},
	{code: commissary.BrokenLoad, name: "another base below", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		for i := range d.Manifests[0].Load {
			l := &d.Manifests[0].Load[i]
			if n := len(l.Stacks); n > 1 && l.Stacks[0].Base != l.Stacks[1].Base {
				a, b := &l.Stacks[0], l.Stacks[1]
				a.Boxes, a.Mass, a.Layers = a.Boxes+b.Boxes, a.Mass+b.Mass, append(a.Layers, b.Layers...)
				l.Stacks = append(l.Stacks[:1], l.Stacks[2:]...)
				return
			}
		}
		t.Fatal("no dolly with two bases")
	}},
	{code: commissary.BrokenLoad, name: "over the edge", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		for i := range d.Manifests[0].Load {
			stacks := d.Manifests[0].Load[i].Stacks
			if s := &stacks[len(stacks)-1]; s.X+s.Base.Long == in.Book.Dolly.Base.Long {
				s.X += int(by)
				return
			}
		}
		t.Fatal("no stack at the edge")
	}},
	{code: commissary.BrokenLoad, name: "on another base", plain: true, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		d.Manifests[0].Load[0].Stacks[0].Base.Long--
	}},
	{code: commissary.BrokenLoad, name: "one in another", set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		for i := range d.Manifests[0].Load {
			if s := d.Manifests[0].Load[i].Stacks; len(s) > 1 && s[1].X == s[0].X+s[0].Base.Long {
				s[1].X -= int(by)
				return
			}
		}
		t.Fatal("no two stacks side by side")
	}},
	{code: commissary.BrokenLoad, name: "more than the dolly carries", over: 1, set: func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		var heaviest quantity.Mass
		for _, m := range d.Manifests {
			for _, l := range m.Load {
				heaviest = max(heaviest, l.Mass)
			}
		}
		in.Book.Dolly.Carries = heaviest - quantity.Mass(by)
	}},
}

// clockOf is an instant of the delivery day on the kitchen's clock.
func clockOf(t *testing.T, in *Input, d *commissary.Dispatch, at time.Time) civil.Clock {
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	require.NoError(t, err)
	return civil.Clock(at.Sub(zone.Instant(d.Delivery, 0)) / time.Second)
}

// receivesUntil closes the last shop of a manifest when its van arrives, or
// before.
func receivesUntil(run int) func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
	return func(t *testing.T, in *Input, d *commissary.Dispatch, by int64) {
		stops := d.Manifests[run].Stops
		s := stops[len(stops)-1]
		shop := slices.IndexFunc(in.Book.Shops, func(x commissary.Shop) bool { return x.ID == s.Shop })
		in.Book.Shops[shop].Receiving.To = clockOf(t, in, d, s.Arrives) - civil.Clock(by)
	}
}

// A load that is too much is for people to decide on, when the dispatch says so.
func TestCheckDispatchPassesAnOverloadThatIsSaid(t *testing.T) {
	in := demoNight(t)
	in.Book.Vehicles[0].Payload = 50 * quantity.Kilogram
	d, err := Dispatch(in)
	require.NoError(t, err)
	require.Empty(t, texts(CheckDispatch(in, d)))
	d.Exceptions = slices.DeleteFunc(d.Exceptions, func(r commissary.Reason) bool { return r.Code == commissary.ReasonOverload })
	require.NotEmpty(t, CheckDispatch(in, d))
}
