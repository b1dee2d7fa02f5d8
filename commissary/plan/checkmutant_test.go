package plan

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

var mutants = []mutant{
	{code: commissary.BrokenCapacity, name: "the row", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		v := m.vessel("big-mixer")
		v.Deratings, v.SmallestPPM = nil, 0
		var largest quantity.Mass
		for _, b := range m.of(t, "house-dough") {
			if b.Vessel == v.ID {
				largest = max(largest, b.Mass)
			}
		}
		for i := range v.Capacity {
			if v.Capacity[i].Class == "medium" {
				v.Capacity[i].Max, v.Capacity[i].Basis = largest-quantity.Mass(by), commissary.OfDough
			}
		}
	}},
	{code: commissary.BrokenCapacity, name: "cold water", set: func(t *testing.T, m *mutation, by int64) {
		v, f := m.vessel("big-mixer"), m.formula("pan-dough")
		water, err := formula.PlannedWater(m.in.Book, *v, *f, true)
		require.NoError(t, err)
		v.Deratings = []commissary.Derating{{Cause: commissary.ColdWater, Below: water.Needed + quantity.Temp(by), Factor: quantity.Percent}}
		v.SmallestPPM = 0
		require.Zero(t, water.Ice, "with ice it would be derated anyway")
		for i := range v.Capacity {
			v.Capacity[i].Max = 200 * quantity.Kilogram
		}
		m.formula("house-dough").Target += 20 * quantity.Degree // warm water: not derated
	}},
	{code: commissary.BrokenFill, set: func(t *testing.T, m *mutation, by int64) {
		v := m.vessel("kettle")
		var least quantity.Mass = quantity.MaxMass
		for _, b := range m.of(t, "tomato-sauce") {
			least = min(least, b.Mass)
		}
		ppm, err := quantity.MulDiv(int64(least), int64(quantity.Whole), int64(v.Capacity[0].Max), quantity.Down)
		require.NoError(t, err)
		v.SmallestPPM = quantity.PPM(ppm + by)
	}},
	{code: commissary.BrokenClass, plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.vessel("kettle").Capacity[0].Class = "stew"
	}},
	{code: commissary.BrokenSpeed, name: "not asked for", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "tomato-sauce")[0].Second = true
	}},
	{code: commissary.BrokenSpeed, name: "not allowed", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		for i := range m.in.Book.Vessels {
			for j := range m.in.Book.Vessels[i].Capacity {
				m.in.Book.Vessels[i].Capacity[j].Second = false
			}
		}
	}},
	{code: commissary.BrokenMixTime, over: 1, set: func(t *testing.T, m *mutation, by int64) {
		m.vessel("kettle").Capacity[0].MaxMix = m.formula("tomato-sauce").MixFirst - quantity.Seconds(by)
	}},
	{code: commissary.BrokenOverlap, name: "vessel", over: 1, aside: []commissary.ReasonCode{commissary.BrokenAllergen, commissary.BrokenClean}, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "tomato-sauce")
		next := b[1].Steps[0].From // its scrape
		b[0].Steps = append(b[0].Steps, commissary.Booking{Step: commissary.StepRest, Resource: "kettle", From: step(t, b[0], commissary.StepMix).To, To: next.Add(sec(by))})
	}},
	{code: commissary.BrokenOverlap, name: "bench", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		var first time.Time // the first dividing on the bench
		for _, b := range m.p.Batches {
			for _, s := range b.Steps {
				if s.Resource == "dough-bench" && (first.IsZero() || s.From.Before(first)) {
					first = s.From
				}
			}
		}
		m.fact(commissary.Booking{Step: commissary.StepDivide, Resource: "dough-bench", From: m.in.At, To: first.Add(sec(by))})
	}},
	{code: commissary.BrokenCrew, name: "too few", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		// How many hands the busiest second of the first morning takes.
		busiest, most := m.in.At, 0
		for _, b := range m.p.Batches {
			for _, s := range b.Steps {
				n := 0
				for _, o := range m.p.Batches {
					for _, q := range o.Steps {
						if !q.From.After(s.From) && q.To.After(s.From) {
							n += q.Heads
						}
					}
				}
				if n > most {
					busiest, most = s.From, n
				}
			}
		}
		free := 6 - most
		require.GreaterOrEqual(t, free, 0)
		m.fact(commissary.Booking{Step: commissary.StepNest, From: busiest, To: busiest.Add(time.Second), Heads: free + int(by)})
	}},
	{code: commissary.BrokenCrew, name: "fewer booked than the book says", over: 1, plain: true, set: func(t *testing.T, m *mutation, by int64) {
		step(t, m.of(t, "house-dough")[0], commissary.StepDivide).Heads--
	}},
	{code: commissary.BrokenShift, name: "before it begins", set: func(t *testing.T, m *mutation, by int64) {
		zone, err := civil.LoadZone(m.in.Book.Kitchen.Zone)
		require.NoError(t, err)
		first := civil.Clock(12 * 3600)
		for _, b := range m.p.Batches {
			for _, s := range b.Steps {
				if s.Heads > 0 {
					first = min(first, zone.Clock(s.From))
				}
			}
		}
		m.in.Book.Shifts[slices.IndexFunc(m.in.Book.Shifts, func(s commissary.Shift) bool { return s.ID == "morning" })].From = first + civil.Clock(by)
	}},
	{code: commissary.BrokenShift, name: "in a break", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		zone, err := civil.LoadZone(m.in.Book.Kitchen.Zone)
		require.NoError(t, err)
		d := zone.Clock(step(t, m.of(t, "house-dough")[0], commissary.StepDivide).To)
		m.in.Book.Shifts[0].Breaks = append(m.in.Book.Shifts[0].Breaks, commissary.Break{From: d - 1, To: d})
	}},
	{code: commissary.BrokenCold, name: "places there", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		// When the last batch goes into the cold, a fact takes what is left there.
		var at time.Time
		for _, b := range m.p.Batches {
			for _, s := range b.Steps {
				if s.Resource == "cold" {
					at = latest(at, s.From)
				}
			}
		}
		used := m.boxesAt(at)
		for _, b := range m.p.Batches {
			for _, s := range b.Steps {
				if s.Resource == "cold" && !s.From.After(at) && s.To.After(at) {
					used += s.Slots
				}
			}
		}
		m.fact(commissary.Booking{Step: commissary.StepHold, Resource: "cold", From: at, To: at.Add(time.Second), Slots: m.in.Book.ColdStore.Slots - used + int(by)})
	}},
	{code: commissary.BrokenCold, name: "places booked", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		for _, b := range m.p.Batches {
			if b.Formula == "house-dough" {
				step(t, &b, commissary.StepChill).Slots -= int(by)
			}
		}
	}},
	{code: commissary.BrokenPullDown, over: 1, set: func(t *testing.T, m *mutation, by int64) {
		var peak quantity.Mass
		for _, b := range m.p.Batches {
			for _, s := range b.Steps {
				var sum quantity.Mass
				for _, o := range m.p.Batches {
					for _, q := range o.Steps {
						if d := s.From.Sub(q.From); q.Step == commissary.StepChill && d >= 0 && d < time.Hour {
							out, err := formula.ComesOut(*m.formula(o.Formula), o.Mass)
							require.NoError(t, err)
							sum += out
						}
					}
				}
				peak = max(peak, sum)
			}
		}
		m.in.Book.ColdStore.PullDown = peak - quantity.Mass(by)
	}},
	{code: commissary.BrokenDirty, name: "boxes", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		box := m.comesRound()
		box.Owned = int(m.mostOut(1, time.Duration(box.WashAndDry)*time.Second) - by)
	}},
	{code: commissary.BrokenDirty, name: "boxes by their lids", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		box := m.comesRound()
		box.Owned, box.Lids = 100_000, int(m.mostOut(1, time.Duration(box.WashAndDry)*time.Second)-by)
	}},
	{code: commissary.BrokenDirty, name: "dollies", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		box := m.comesRound()
		box.Owned, box.PerDolly = 100_000, 8
		box.Dollies = int(m.mostOut(8, 0) - by)
	}},
	{code: commissary.BrokenDirty, name: "out for longer", set: func(t *testing.T, m *mutation, by int64) {
		// Just enough, until those that a delivery took along come an hour later.
		box := m.comesRound()
		peak, at := m.peakOut(1, time.Duration(box.WashAndDry)*time.Second)
		left := at.Add(-time.Duration(box.DaysOut)*24*time.Hour - time.Duration(box.WashAndDry)*time.Second)
		m.in.Away = []commissary.Away{{Container: box.ID, Containers: 1, Left: left.Add(sec(by))}}
		box.Owned = int(peak)
	}},
	{code: commissary.BrokenUnfed, name: "too little kept back", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		kept := m.starter(t)
		require.Positive(t, kept)
		m.formula("poolish").KeepBack = kept + quantity.Mass(by)
	}},
	{code: commissary.BrokenUnfed, name: "a day left out and not told", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.formula("poolish").KeepBack = m.starter(t)
		at := slices.IndexFunc(m.p.Exceptions, func(r commissary.Reason) bool { return r.Code == commissary.ReasonUnfed })
		m.p.Exceptions = slices.Delete(m.p.Exceptions, at, at+1)
	}},
	{code: commissary.BrokenColdWithin, over: 1, set: func(t *testing.T, m *mutation, by int64) {
		var most quantity.Seconds
		for _, b := range m.of(t, "house-dough") {
			most = max(most, quantity.Seconds(step(t, b, commissary.StepChill).From.Sub(b.MixEnd)/time.Second))
		}
		m.formula("house-dough").ColdWithin = most - quantity.Seconds(by)
	}},
	{code: commissary.BrokenSteps, name: "one before the other has ended", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "house-dough")[0]
		def(m.formula("house-dough"), commissary.StepRest).Max = quantity.Day
		step(t, b, commissary.StepRest).To = step(t, b, commissary.StepDivide).From.Add(sec(by))
	}},
	{code: commissary.BrokenSteps, name: "one left out", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "house-dough")[0]
		b.Steps = slices.DeleteFunc(b.Steps, func(s commissary.Booking) bool { return s.Step == commissary.StepNest })
	}},
	{code: commissary.BrokenSteps, name: "no mix", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "pickled-onion")[0]
		b.Steps = slices.DeleteFunc(b.Steps, func(s commissary.Booking) bool { return s.Step == commissary.StepMix })
	}},
	{code: commissary.BrokenStepTime, name: "rest too short", over: -1, set: func(t *testing.T, m *mutation, by int64) {
		f := m.formula("house-dough")
		least := quantity.Seconds(quantity.MaxSeconds)
		for _, b := range m.of(t, f.ID) {
			least = min(least, lasting(step(t, b, commissary.StepRest)))
		}
		s := def(f, commissary.StepRest)
		s.Min, s.Max = least+quantity.Seconds(by), s.Max+1
	}},
	{code: commissary.BrokenStepTime, name: "cool too long", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		f := m.formula("tomato-sauce")
		s := def(f, commissary.StepCool)
		var most quantity.Seconds
		for _, b := range m.of(t, f.ID) {
			most = max(most, lasting(step(t, b, commissary.StepCool)))
		}
		s.Min, s.Max = quantity.Minute, most-quantity.Seconds(by)
		def(f, commissary.StepPack).Wait = quantity.Day
	}},
	{code: commissary.BrokenStepTime, name: "chill too long for its nest", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		f := m.formula("house-dough")
		var most quantity.Seconds
		for _, b := range m.of(t, f.ID) {
			most = max(most, lasting(step(t, b, commissary.StepChill)))
		}
		chill, nest := def(f, commissary.StepChill), def(f, commissary.StepNest)
		chill.Min, chill.Max, nest.Wait = quantity.Minute, quantity.Hour, most-quantity.Hour-quantity.Seconds(by)
	}},
	{code: commissary.BrokenStepTime, name: "bench too fast", over: -1, set: func(t *testing.T, m *mutation, by int64) {
		f := m.formula("pan-dough")
		spare := quantity.Seconds(quantity.MaxSeconds)
		for _, b := range m.of(t, f.ID) {
			// 210 pieces of 520 g an hour by one, two share the work.
			pieces := (int64(b.Makes[0].Pieces)*3600 + 419) / 420
			spare = min(spare, lasting(step(t, b, commissary.StepDivide))-quantity.Seconds(pieces))
		}
		def(f, commissary.StepDivide).Min = spare + quantity.Seconds(by)
	}},
	{code: commissary.BrokenStepTime, name: "mix", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		for _, b := range m.of(t, "pickled-onion") {
			step(t, b, commissary.StepMix).To = step(t, b, commissary.StepMix).To.Add(sec(by))
		}
	}},
	{code: commissary.BrokenStepTime, name: "end of mixing", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "pickled-onion")[0]
		b.MixEnd = b.MixEnd.Add(sec(by))
	}},
	{code: commissary.BrokenWait, name: "weighed up too early", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		f := m.formula("house-dough")
		f.Steps = slices.Insert(f.Steps, 0, commissary.Step{Kind: commissary.StepWeigh, Min: quantity.Minute, Wait: 5 * quantity.Minute})
		for _, b := range m.of(t, f.ID) {
			to := step(t, b, commissary.StepMix).From.Add(-5*time.Minute - sec(by))
			b.Steps = append(b.Steps, commissary.Booking{Step: commissary.StepWeigh, From: to.Add(-time.Minute), To: to})
		}
	}, aside: []commissary.ReasonCode{commissary.BrokenPast}},
	{code: commissary.BrokenWait, name: "longest rest and wait used up", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		f := m.formula("house-dough")
		rest, divide := def(f, commissary.StepRest), def(f, commissary.StepDivide)
		var most quantity.Seconds
		for _, b := range m.of(t, f.ID) {
			most = max(most, quantity.Seconds(step(t, b, commissary.StepDivide).From.Sub(step(t, b, commissary.StepRest).From)/time.Second))
		}
		// Half of what is needed may be rest, the other half wait.
		divide.Wait = (most - rest.Min) / 2
		rest.Max = most - divide.Wait
		divide.Wait -= quantity.Seconds(by)
		if divide.Wait < 0 {
			divide.Wait, rest.Max = 0, rest.Max-1
		}
		if rest.Max < rest.Min {
			// Nothing waits in this plan: make one wait.
			b := m.of(t, f.ID)[0]
			step(t, b, commissary.StepDivide).From = step(t, b, commissary.StepRest).To.Add(time.Second)
		}
	}, aside: []commissary.ReasonCode{commissary.BrokenStepTime}},
	{code: commissary.BrokenLetGo, name: "places of the hold", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "house-dough")[0]
		var departs time.Time
		for _, s := range b.Serves {
			departs = latest(departs, m.need(s).Departs)
		}
		step(t, b, commissary.StepHold).To = departs.Add(-sec(by))
	}},
	{code: commissary.BrokenLetGo, name: "no hold", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "house-dough")[0]
		b.Steps = slices.DeleteFunc(b.Steps, func(s commissary.Booking) bool { return s.Step == commissary.StepHold })
	}},
	{code: commissary.BrokenLetGo, name: "crossed places before the nest", over: 1, plain: true, set: func(t *testing.T, m *mutation, by int64) {
		def(m.formula("house-dough"), commissary.StepChill).Min = quantity.Minute
		s := step(t, m.of(t, "house-dough")[0], commissary.StepChill)
		s.To = s.To.Add(-sec(by))
	}},
	{code: commissary.BrokenLetGo, name: "tub", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		tub := m.of(t, "poolish")[0]
		var last time.Time
		for _, b := range m.of(t, "house-dough") {
			if slices.ContainsFunc(b.Uses, func(u commissary.Use) bool { return u.Batch == tub.ID }) {
				last = latest(last, step(t, b, commissary.StepMix).From)
			}
		}
		require.False(t, last.IsZero())
		at := slices.IndexFunc(tub.Steps, func(s commissary.Booking) bool { return s.Step == commissary.StepRest })
		tub.Steps[at].To = last.Add(-sec(by))
	}},
	{code: commissary.BrokenWindow, name: "too old", over: 1, aside: []commissary.ReasonCode{commissary.BrokenScore}, set: func(t *testing.T, m *mutation, by int64) {
		it := m.item("house-430")
		var oldest time.Duration
		for _, b := range m.of(t, "house-dough") {
			for _, s := range b.Serves {
				if s.Item == it.ID {
					oldest = max(oldest, m.need(s).MadeFrom.Add(sec(int64(it.Window.Max))).Sub(b.MixEnd))
				}
			}
		}
		for _, k := range m.p.Takes {
			if k.Item == it.ID {
				oldest = max(oldest, m.need(commissary.Serve{Shop: k.Shop, Item: k.Item, BakeDate: k.BakeDate}).MadeFrom.Add(sec(int64(it.Window.Max))).Sub(m.lot(k.Lot).Made))
			}
		}
		it.Window.Max = quantity.Seconds(oldest/time.Second) - quantity.Seconds(by)
		m.demand(t)
	}},
	{code: commissary.BrokenWindow, name: "too young", over: 1, aside: []commissary.ReasonCode{commissary.BrokenScore}, set: func(t *testing.T, m *mutation, by int64) {
		it := m.item("pan-520")
		youngest := 1000 * time.Hour
		for _, b := range m.of(t, "pan-dough") {
			for _, s := range b.Serves {
				youngest = min(youngest, m.need(s).MadeTo.Add(sec(int64(it.Window.Min))).Sub(b.MixEnd))
			}
		}
		for _, k := range m.p.Takes {
			if k.Item == it.ID {
				youngest = min(youngest, m.need(commissary.Serve{Shop: k.Shop, Item: k.Item, BakeDate: k.BakeDate}).MadeTo.Add(sec(int64(it.Window.Min))).Sub(m.lot(k.Lot).Made))
			}
		}
		it.Window.Min = quantity.Seconds(youngest/time.Second) + quantity.Seconds(by)
		m.demand(t)
	}},
	{code: commissary.BrokenDeparture, name: "from a posted batch", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		// A lot turned into a batch that is nested when the first of its runs leaves.
		code := m.p.Takes[0].Lot
		l := *m.lot(code)
		var departs time.Time
		for i := range m.p.Takes {
			if k := &m.p.Takes[i]; k.Lot == code {
				k.Lot, k.Batch = "", "20261125-91"
				if n := m.need(commissary.Serve{Shop: k.Shop, Item: k.Item, BakeDate: k.BakeDate}); departs.IsZero() || n.Departs.Before(departs) {
					departs = n.Departs
				}
			}
		}
		m.in.Lots = slices.DeleteFunc(m.in.Lots, func(x commissary.Lot) bool { return x.Code == code })
		m.in.Posted = append(m.in.Posted, commissary.Batch{ID: "20261125-91", Formula: l.Formula, Vessel: "elsewhere", Unit: 1, Mass: 100 * quantity.Kilogram, State: commissary.BatchMixing, MixEnd: l.Made,
			Makes: []commissary.Making{{Item: l.Item, Pieces: l.Pieces}}, Steps: []commissary.Booking{{Step: commissary.StepNest, From: m.in.At, To: departs.Add(sec(by))}}})
	}},
	{code: commissary.BrokenDeparture, name: "from a batch of the plan", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "tomato-sauce")[0]
		s := step(t, b, commissary.StepPack)
		s.To = s.To.Add(240 * time.Hour)
	}},
	{code: commissary.BrokenRipe, name: "too young", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		youngest, _ := m.ages(t)
		m.formula("poolish").Ripe.Min = youngest + quantity.Seconds(by)
	}},
	{code: commissary.BrokenRipe, name: "too old", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		_, oldest := m.ages(t)
		m.formula("poolish").Ripe.Max = oldest - quantity.Seconds(by)
	}},
	{code: commissary.BrokenRipe, name: "not stirred the day before", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		m.formula("house-dough").Preferments[0].DaysBefore = 1 + int(by)
	}},
	{code: commissary.BrokenUse, name: "too little", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "house-dough")[0].Uses[0].Mass -= quantity.Mass(by)
	}},
	{code: commissary.BrokenUse, name: "too much", over: -1, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "house-dough")[0].Uses[0].Mass += quantity.Mass(by)
	}, aside: []commissary.ReasonCode{commissary.BrokenLot}},
	{code: commissary.BrokenUse, name: "from nowhere", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "house-dough")[0].Uses[0].Lot = "20261126-99-poolish"
	}},
	{code: commissary.BrokenLot, name: "pieces", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		l := m.lot(m.p.Takes[0].Lot)
		l.Pieces = -quantity.Pieces(by)
		for _, k := range m.p.Takes {
			if k.Lot == l.Code {
				l.Pieces += k.Pieces
			}
		}
	}},
	{code: commissary.BrokenLot, name: "preferment", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		l := m.lot(m.of(t, "house-dough")[0].Uses[0].Lot)
		l.Mass = -quantity.Mass(by)
		for _, b := range m.p.Batches {
			for _, u := range b.Uses {
				if u.Lot == l.Code {
					l.Mass += u.Mass
				}
			}
		}
	}},
	{code: commissary.BrokenHeld, name: "pieces", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.lot(m.p.Takes[0].Lot).Held = "metal found"
	}},
	{code: commissary.BrokenHeld, name: "preferment", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.lot(m.of(t, "house-dough")[0].Uses[0].Lot).Held = "metal found"
	}},
	{code: commissary.BrokenSum, name: "a piece nobody gets", over: -1, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Serves[0].Pieces -= quantity.Pieces(by)
	}, aside: []commissary.ReasonCode{commissary.BrokenScore}},
	{code: commissary.BrokenSum, name: "a piece served twice", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "pan-dough")[0]
		b.Makes[0].Pieces = 0
		for _, s := range b.Serves {
			b.Makes[0].Pieces += s.Pieces
		}
		b.Makes[0].Pieces -= quantity.Pieces(by)
	}, aside: []commissary.ReasonCode{commissary.BrokenScore, commissary.BrokenCold}},
	{code: commissary.BrokenSum, name: "short and served", over: 1, plain: true, set: func(t *testing.T, m *mutation, by int64) {
		n := m.p.Needs[0]
		m.p.Exceptions = append(m.p.Exceptions, commissary.Reason{Code: commissary.ReasonShort, Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: 1})
	}},
	{code: commissary.BrokenSum, name: "nobody's need", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Serves[0].Shop = "nowhere"
	}},
	{code: commissary.BrokenMass, name: "not weighable", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Mass++
	}},
	{code: commissary.BrokenMass, name: "flour", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Flour += quantity.Mass(by)
	}},
	{code: commissary.BrokenMass, name: "more pieces than come out", set: func(t *testing.T, m *mutation, by int64) {
		f := m.formula("pan-dough")
		f.Loss = quantity.Whole
		for _, b := range m.of(t, f.ID) {
			// Down to whole parts per million, what is left holds the pieces.
			lost := (b.Mass - 520*quantity.Gram*quantity.Mass(b.Makes[0].Pieces)) * quantity.Mass(quantity.Whole) / b.Mass
			f.Loss = min(f.Loss, quantity.PPM(lost))
		}
		f.Loss += quantity.PPM(by)
	}},
	{code: commissary.BrokenIdentical, name: "not alike", set: func(t *testing.T, m *mutation, by int64) {
		// One whose day has no odd one beside it: the twin is to be the only other.
		all := m.of(t, "tomato-sauce")
		b := all[slices.IndexFunc(all, func(b *commissary.Batch) bool {
			return !slices.ContainsFunc(all, func(o *commissary.Batch) bool {
				return o != b && o.MixEnd.Truncate(24*time.Hour).Equal(b.MixEnd.Truncate(24*time.Hour))
			})
		})]
		m.twin(t, b, b.Mass+quantity.Mass(by), false)
	}, over: -1},
	{code: commissary.BrokenIdentical, name: "two odd ones", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		b := m.of(t, "tomato-sauce")[0]
		b.Odd = true
		m.twin(t, b, b.Mass+1, true)
	}},
	{code: commissary.BrokenAllergen, name: "scraped only", over: 1, aside: []commissary.ReasonCode{commissary.BrokenScore}, set: func(t *testing.T, m *mutation, by int64) {
		// Nothing of the first sauce is allowed in the second unwashed, and the wash takes as long as the scrape did.
		v, b := m.vessel("kettle"), m.of(t, "tomato-sauce")
		// One before which the kettle stood empty, so that another fits in there.
		at := 1
		for step(t, b[at], commissary.StepWash).From.Sub(step(t, b[at-1], commissary.StepMix).To) < 2*time.Hour {
			at++
		}
		wash := step(t, b[at], commissary.StepWash)
		v.Wash = lasting(wash) + quantity.Seconds(by)
		m.before(b[at], "basil-sauce")
	}},
	{code: commissary.BrokenClean, over: 1, aside: []commissary.ReasonCode{commissary.BrokenScore}, set: func(t *testing.T, m *mutation, by int64) {
		v := m.vessel("kettle")
		for _, b := range m.of(t, "tomato-sauce")[1:] {
			v.Scrape = lasting(step(t, b, commissary.StepWash)) + quantity.Seconds(by)
		}
	}},
	{code: commissary.BrokenOutage, over: 1, set: func(t *testing.T, m *mutation, by int64) {
		mix := step(t, m.of(t, "tomato-sauce")[0], commissary.StepMix)
		m.in.Outages = append(m.in.Outages, commissary.Outage{Resource: "kettle", From: mix.To.Add(-sec(by)), To: mix.To, Why: "no gas"})
	}},
	{code: commissary.BrokenPast, over: 1, aside: []commissary.ReasonCode{commissary.BrokenScore}, set: func(t *testing.T, m *mutation, by int64) {
		first := m.p.Batches[0].Steps[0].From
		for _, b := range m.p.Batches {
			for _, s := range b.Steps {
				first = earliest(first, s.From)
			}
		}
		m.in.At = first.Add(sec(by))
		m.p.At = m.in.At
	}},
	{code: commissary.BrokenStarted, name: "changed", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		b := *m.of(t, "poolish")[0]
		b.State = commissary.BatchMixing
		m.in.Posted = append(m.in.Posted, copied(t, b))
		m.of(t, "poolish")[0].Mass++
	}},
	{code: commissary.BrokenStarted, name: "started by the plan", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "poolish")[0].State = commissary.BatchMixing
	}},
	{code: commissary.BrokenUnknown, name: "unit", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		m.vessel("poolish-tub").Count = m.of(t, "poolish")[0].Unit - int(by)
		if m.vessel("poolish-tub").Count == 0 {
			m.of(t, "poolish")[0].Unit = 2
		}
	}},
	{code: commissary.BrokenUnknown, name: "vessel", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Vessel = "old-mixer"
	}},
	{code: commissary.BrokenUnknown, name: "formula", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Formula = "bagel"
	}},
	{code: commissary.BrokenUnknown, name: "item of another formula", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Makes[0].Item = "house-280"
	}},
	{code: commissary.BrokenUnknown, name: "bench", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		step(t, m.of(t, "pan-dough")[0], commissary.StepDivide).Resource = "prep-bench"
	}},
	{code: commissary.BrokenUnknown, name: "two of one name", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.p.Batches[1].ID = m.p.Batches[0].ID
	}},
	{code: commissary.BrokenInput, name: "hash", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.hash = m.p.InputHash
		m.lot("20261126-14-poolish").Mass++
	}},
	{code: commissary.BrokenInput, name: "instant", plain: true, set: func(t *testing.T, m *mutation, by int64) { m.p.At = m.p.At.Add(-time.Second) }},
	{code: commissary.BrokenInput, name: "night", plain: true, set: func(t *testing.T, m *mutation, by int64) { m.p.Night = m.p.Night.AddDays(1) }},
	{code: commissary.BrokenInput, name: "book", plain: true, set: func(t *testing.T, m *mutation, by int64) { m.p.BookRev++ }},
	{code: commissary.BrokenDemand, name: "more", over: 1, set: func(t *testing.T, m *mutation, by int64) { m.p.Needs[0].Pieces += quantity.Pieces(by) }},
	{code: commissary.BrokenDemand, name: "left out", plain: true, set: func(t *testing.T, m *mutation, by int64) { m.p.Needs = m.p.Needs[1:] }},
	{code: commissary.BrokenDemand, name: "twice", plain: true, set: func(t *testing.T, m *mutation, by int64) { m.p.Needs = append(m.p.Needs, m.p.Needs[0]) }},
	{code: commissary.BrokenDemand, name: "made up", plain: true, set: func(t *testing.T, m *mutation, by int64) { m.p.Needs[0].Shop = "nowhere" }},
	{code: commissary.BrokenDemand, name: "window", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.p.Needs[0].GoodTo = m.p.Needs[0].GoodTo.Add(time.Second)
	}},
	{code: commissary.BrokenDemand, name: "source", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.of(t, "pan-dough")[0].Serves[0].Source = commissary.FromForecast
	}},
	{code: commissary.BrokenUnsaid, name: "silent shop", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.p.Exceptions = slices.DeleteFunc(m.p.Exceptions, func(r commissary.Reason) bool { return r.Code == commissary.ReasonNotConfirmed })
	}},
	{code: commissary.BrokenUnsaid, name: "held lot", plain: true, set: func(t *testing.T, m *mutation, by int64) {
		m.in.Lots = append(m.in.Lots, commissary.Lot{Code: "20261126-98-pan-520", Item: "pan-520", Formula: "pan-dough", Pieces: 6, Made: m.in.At, Held: "metal found"})
	}},
	{code: commissary.BrokenUnsaid, name: "expired lot", set: func(t *testing.T, m *mutation, by int64) {
		m.in.Lots = append(m.in.Lots, commissary.Lot{Code: "20261126-98-pan-520", Item: "pan-520", Formula: "pan-dough", Pieces: 6, Made: m.in.At.Add(-72*time.Hour - sec(by))})
	}},
	{code: commissary.BrokenUnsaid, name: "off band", over: -1, set: func(t *testing.T, m *mutation, by int64) {
		if by > 0 {
			m.p.Exceptions = append(m.p.Exceptions, commissary.Reason{Code: commissary.ReasonOffBand, Item: "pan-520", Pieces: 1})
		}
	}},
	{code: commissary.BrokenScore, name: "value", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		m.p.Scores[2].Value += by
	}},
	{code: commissary.BrokenScore, name: "bound", over: 1, set: func(t *testing.T, m *mutation, by int64) {
		m.p.Scores[2].Bound = m.p.Scores[2].Value + by
	}},
	{code: commissary.BrokenScore, name: "left out", plain: true, set: func(t *testing.T, m *mutation, by int64) { m.p.Scores = m.p.Scores[1:] }},
}

// boxesAt is how many containers of lots are in the cold at a time; all of the
// demo's take one place nested.
func (m *mutation) boxesAt(at time.Time) (boxes int) {
	for _, l := range m.in.Lots {
		if l.Item == "" {
			continue
		}
		it := m.item(l.Item)
		left := l.Pieces
		for _, k := range m.p.Takes {
			if k.Lot == l.Code && !m.need(commissary.Serve{Shop: k.Shop, Item: k.Item, BakeDate: k.BakeDate}).Departs.After(at) {
				left -= k.Pieces
			}
		}
		if l.Made.Add(sec(int64(it.Window.Max))).After(at) {
			boxes += int((left + it.PerBox - 1) / it.PerBox)
		}
	}
	return boxes
}

// starter has people told that the poolish is a starter that cannot be fed but
// on the one day on which it is stirred, and returns what is left of it then.
func (m *mutation) starter(t *testing.T) quantity.Mass {
	zone, err := civil.LoadZone(m.in.Book.Kitchen.Zone)
	require.NoError(t, err)
	stirred := m.of(t, "poolish")
	require.Len(t, stirred, 1)
	left, err := formula.ComesOut(*m.formula("poolish"), stirred[0].Mass)
	require.NoError(t, err)
	for _, b := range m.p.Batches {
		for _, u := range b.Uses {
			if u.Batch == stirred[0].ID {
				left -= u.Mass
			}
		}
	}
	for d := range m.in.Book.Kitchen.PlanDays {
		if day := zone.Date(m.in.At).AddDays(d); day != zone.Date(stirred[0].MixEnd) {
			m.p.Exceptions = append(m.p.Exceptions, commissary.Reason{Code: commissary.ReasonUnfed, Limit: "poolish", BakeDate: day, Text: "no hands"})
		}
	}
	return left
}

// comesRound has dough boxes counted: two days out, three hours to wash and dry.
func (m *mutation) comesRound() *commissary.Container {
	box := &m.in.Book.Containers[slices.IndexFunc(m.in.Book.Containers, func(c commissary.Container) bool { return c.ID == "dough-box" })]
	box.DaysOut, box.WashAndDry = 2, 3*quantity.Hour
	return box
}

func (m *mutation) mostOut(carries int64, wash time.Duration) int64 {
	n, _ := m.peakOut(carries, wash)
	return n
}

// peakOut is the most dough boxes, or dollies of so many, that are full, out
// or dirty at any time at which one is filled, and the first such time. It counts
// what is gone piece by piece.
func (m *mutation) peakOut(carries int64, wash time.Duration) (most int64, when time.Time) {
	box := m.comesRound()
	type crate struct {
		item        string
		from, until time.Time
		pieces      quantity.Pieces
		serves      []commissary.Serve
	}
	var all []crate
	for _, l := range m.in.Lots {
		if l.Item == "" {
			continue
		}
		c := crate{l.Item, m.in.At, l.Made, l.Pieces, nil}
		for _, k := range m.p.Takes {
			if k.Lot == l.Code {
				c.serves = append(c.serves, commissary.Serve{Shop: k.Shop, Item: k.Item, BakeDate: k.BakeDate, Pieces: k.Pieces})
			}
		}
		all = append(all, c)
	}
	var times []time.Time
	for i := range m.p.Batches {
		b := &m.p.Batches[i]
		for _, k := range b.Makes {
			at := benchOf(*b)
			times = append(times, at)
			c := crate{k.Item, at, b.MixEnd, k.Pieces, nil}
			for _, s := range b.Serves {
				if s.Item == k.Item {
					c.serves = append(c.serves, s)
				}
			}
			all = append(all, c)
		}
	}
	slices.SortFunc(times, time.Time.Compare)
	for _, at := range times {
		var n int64
		for _, c := range all {
			it := m.item(c.item)
			if it.Container != box.ID || c.from.After(at) {
				continue
			}
			back := func(t time.Time) bool { return !t.Add(wash).After(at) } // and clean
			per := int64(it.PerBox) * carries
			full := (int64(c.pieces) + per - 1) / per
			gone := quantity.Pieces(0)
			for _, s := range c.serves {
				if back(m.need(s).Departs.Add(time.Duration(box.DaysOut) * 24 * time.Hour)) {
					gone += s.Pieces
				}
			}
			rest := (int64(c.pieces-gone) + per - 1) / per
			if back(c.until.Add(sec(int64(it.Window.Max)))) {
				// Only what is out longer than its hard maximum is left.
				var sold quantity.Pieces
				for _, s := range c.serves {
					sold += s.Pieces
				}
				rest -= (int64(c.pieces-sold) + per - 1) / per
			}
			n += min(rest, full)
		}
		if n > most {
			most, when = n, at
		}
	}
	return most, when
}

// ages are the least and the greatest age of poolish when a dough is loaded.
func (m *mutation) ages(t *testing.T) (least, most quantity.Seconds) {
	least = quantity.MaxSeconds
	for _, b := range m.of(t, "house-dough") {
		for _, u := range b.Uses {
			var made time.Time
			if u.Lot != "" {
				made = m.lot(u.Lot).Made
			} else {
				for _, p := range m.of(t, "poolish") {
					if p.ID == u.Batch {
						made = p.MixEnd
					}
				}
			}
			age := quantity.Seconds(step(t, b, commissary.StepMix).From.Sub(made) / time.Second)
			least, most = min(least, age), max(most, age)
		}
	}
	return least, most
}

// twin posts a batch of the same formula, vessel and day on a unit that the
// kitchen no longer has, so that only the masses meet.
func (m *mutation) twin(t *testing.T, b *commissary.Batch, mass quantity.Mass, odd bool) {
	mix := *step(t, b, commissary.StepMix)
	m.in.Posted = append(m.in.Posted, commissary.Batch{ID: "20261125-92", Formula: b.Formula, Vessel: b.Vessel, Unit: 99, Mass: mass, Odd: odd, State: commissary.BatchPosted,
		Makes: copied(t, b.Makes), Steps: []commissary.Booking{{Step: commissary.StepMix, Resource: b.Vessel, From: mix.From, To: mix.To}}})
}

// before posts a batch of another formula that left a batch's vessel just
// before it was cleaned for that batch.
func (m *mutation) before(b *commissary.Batch, formula string) {
	from := b.Steps[0].From
	load := from.Add(-time.Second)
	m.in.Posted = append(m.in.Posted, commissary.Batch{ID: "20261125-93", Formula: formula, Vessel: b.Vessel, Unit: b.Unit, Mass: quantity.Kilogram, State: commissary.BatchPosted,
		Steps: []commissary.Booking{{Step: commissary.StepWash, Resource: b.Vessel, From: load.Add(-time.Hour), To: load}, {Step: commissary.StepMix, Resource: b.Vessel, From: load, To: from}}})
}
