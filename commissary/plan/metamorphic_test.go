package plan

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// smallDay is a generated day that plans in a moment.
var smallDay = dayShape{shops: 6, items: 6, formulas: 3, vessels: 2, days: 2, load: 0.85, crew: 8}

// variants are days of every kind: small grid days, generated ones, and nights
// around the demo kitchen with its lots and preferments.
func variants(t *testing.T, yield func(name string, in Input)) {
	n := uint64(12)
	if full() {
		n = 200
	}
	for seed := uint64(1); seed <= n; seed++ {
		grid := mipDayOf(seed).in
		grid.Steps = 1000
		yield(fmt.Sprintf("grid day %d", seed), grid)
		s := smallDay
		s.load = 0.6 + 0.05*float64(seed%10)
		small := generate(s, seed)
		small.Steps = 1000
		yield(fmt.Sprintf("small day %d", seed), small)
		demo := randomNight(t, seed)
		demo.Steps = 300
		yield(fmt.Sprintf("demo night %d", seed), demo)
	}
}

// copyOf is an input that shares nothing with another.
func copyOf(t *testing.T, in Input) Input {
	b, err := json.Marshal(in)
	require.NoError(t, err)
	var out Input
	require.NoError(t, json.Unmarshal(b, &out))
	return out
}

func bytesOf(t *testing.T, p commissary.Plan) string {
	b, err := json.Marshal(p)
	require.NoError(t, err)
	return string(b)
}

func values(p commissary.Plan) []int64 {
	var all []int64
	for _, s := range p.Scores {
		all = append(all, s.Value)
	}
	return all
}

// rename gives every shop another name, everywhere.
func rename(in *Input, name func(string) string) {
	for i := range in.Book.Shops {
		in.Book.Shops[i].ID = name(in.Book.Shops[i].ID)
	}
	for i := range in.Book.Runs {
		for j := range in.Book.Runs[i].Stops {
			in.Book.Runs[i].Stops[j].Shop = name(in.Book.Runs[i].Stops[j].Shop)
		}
	}
	for i := range in.Orders {
		in.Orders[i].Shop = name(in.Orders[i].Shop)
	}
}

// byWeek moves a night and all its facts.
func byWeek(in *Input) {
	in.Night = in.Night.AddDays(7)
	in.At = in.At.Add(7 * 24 * time.Hour)
	for i := range in.Orders {
		o := &in.Orders[i]
		o.Night = o.Night.AddDays(7)
		for j := range o.Lines {
			o.Lines[j].BakeDate = o.Lines[j].BakeDate.AddDays(7)
		}
	}
	for i := range in.Lots {
		in.Lots[i].Made = in.Lots[i].Made.Add(7 * 24 * time.Hour)
	}
	for i := range in.Away {
		in.Away[i].Left = in.Away[i].Left.Add(7 * 24 * time.Hour)
	}
}

// steady reports whether no clock change lies near a night or a week after it.
func steady(in Input) bool {
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	if err != nil {
		return false
	}
	for d := -5; d < 12; d++ {
		if zone.Instant(in.Night.AddDays(d+7), 0).Sub(zone.Instant(in.Night.AddDays(d), 0)) != 7*24*time.Hour {
			return false
		}
	}
	return true
}

func TestMetamorphic(t *testing.T) {
	changes := []struct {
		name string
		// scarce: where lots on hand do not reach, shops share them by largest
		// remainder with the shop's id to break ties, so that this change may
		// move a piece between windows. It is judged without lots.
		scarce bool
		change func(in *Input, rng *rand.Rand)
	}{
		{"nothing", false, func(*Input, *rand.Rand) {}},
		{"shops renamed, order kept", false, func(in *Input, _ *rand.Rand) {
			rename(in, func(s string) string { return "a-" + s })
		}},
		{"shops renamed, order reversed", true, func(in *Input, _ *rand.Rand) {
			ids := make([]string, len(in.Book.Shops))
			for i, s := range in.Book.Shops {
				ids[i] = s.ID
			}
			slices.Sort(ids)
			rename(in, func(s string) string { return fmt.Sprintf("z-%05d", 10_000-slices.Index(ids, s)) })
		}},
		{"a shop parted in two with the same hours", true, func(in *Input, _ *rand.Rand) {
			shop := in.Book.Shops[0]
			twin := shop
			twin.ID = shop.ID + "-twin"
			twin.Standing = nil
			in.Book.Shops = append(in.Book.Shops, twin)
			for i, r := range in.Book.Runs {
				if at := slices.IndexFunc(r.Stops, func(s commissary.Stop) bool { return s.Shop == shop.ID }); at >= 0 {
					// It arrives at the very same instant.
					stops := slices.Insert(slices.Clone(r.Stops), at, commissary.Stop{Shop: twin.ID, Travel: r.Stops[at].Travel})
					stops[at+1].Travel = 0
					in.Book.Runs[i].Stops = stops
				}
			}
			for i, o := range in.Orders {
				if o.Shop != shop.ID {
					continue
				}
				part := o
				part.Shop, part.Lines = twin.ID, nil
				for j, l := range o.Lines {
					if half := l.Pieces / 2; half > 0 {
						part.Lines = append(part.Lines, commissary.OrderLine{Item: l.Item, Pieces: half, BakeDate: l.BakeDate})
						in.Orders[i].Lines[j].Pieces -= half
					}
				}
				in.Orders = append(in.Orders, part)
			}
		}},
		{"an empty shop added", false, func(in *Input, _ *rand.Rand) {
			shop := in.Book.Shops[0]
			shop.ID, shop.Standing = "0-empty", nil
			in.Book.Shops = append([]commissary.Shop{shop}, in.Book.Shops...)
		}},
		{"a week later", false, func(in *Input, _ *rand.Rand) { byWeek(in) }},
		{"rows in another order", false, func(in *Input, rng *rand.Rand) {
			shuffle(rng, in.Orders)
			for i := range in.Orders {
				shuffle(rng, in.Orders[i].Lines)
			}
			shuffle(rng, in.Lots)
			shuffle(rng, in.Posted)
		}},
	}
	variants(t, func(name string, in Input) {
		was, err := Make(copyOf(t, in))
		require.NoError(t, err)
		for _, c := range changes {
			if c.name == "a week later" && !steady(in) {
				continue
			}
			was, in := was, in
			if c.scarce && len(in.Lots) > 0 {
				in = copyOf(t, in)
				in.Lots = nil
				if was, err = Make(in); err != nil {
					t.Fatal(err)
				}
			}
			other := copyOf(t, in)
			c.change(&other, rand.New(rand.NewPCG(in.Seed, 3)))
			p, err := Make(other)
			require.NoError(t, err)
			assert.Equal(t, values(was), values(p), "%s: %s", name, c.name)
			assert.Empty(t, brokenRules(Check(other, p)), "%s: %s", name, c.name)
			switch c.name {
			case "nothing", "rows in another order":
				assert.True(t, bytesOf(t, was) == bytesOf(t, p), "%s: %s: other bytes", name, c.name)
			}
		}
	})
}

func shuffle[T any](rng *rand.Rand, s []T) {
	rng.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
}

func TestMoreWorkIsNeverWorse(t *testing.T) {
	variants(t, func(name string, in Input) {
		var before []int64
		for _, steps := range []int64{1, 10, 100, 1000, 5000} {
			in.Steps = steps
			p, err := Make(in)
			require.NoError(t, err)
			if now := values(p); before != nil && slices.Compare(now, before) > 0 {
				t.Errorf("%s: %d steps give %v, fewer gave %v", name, steps, now, before)
			}
			before = values(p)
		}
	})
}

// within fails a test when something takes longer than any plan may.
func within(t *testing.T, limit time.Duration, do func()) {
	t.Helper()
	done := make(chan any, 1)
	go func() {
		defer func() { done <- recover() }()
		do()
	}()
	select {
	case p := <-done:
		if p != nil {
			t.Fatalf("panic: %v", p)
		}
	case <-time.After(limit):
		t.Fatalf("no answer in %v", limit)
	}
}

// moved puts a night on another date, without touching what it is made of.
func moved(in Input, night civil.Date) Input {
	days := night.Days(in.Night)
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	if err != nil {
		panic(err)
	}
	in.Orders = slices.Clone(in.Orders)
	for i, o := range in.Orders {
		in.Orders[i].Night = o.Night.AddDays(days)
		in.Orders[i].Lines = slices.Clone(o.Lines)
		for j, l := range o.Lines {
			in.Orders[i].Lines[j].BakeDate = l.BakeDate.AddDays(days)
		}
	}
	shift := zone.Instant(night, 26*3600).Sub(in.At)
	in.Lots = slices.Clone(in.Lots)
	for i := range in.Lots {
		in.Lots[i].Made = in.Lots[i].Made.Add(shift)
	}
	in.Night, in.At = night, zone.Instant(night, 26*3600)
	return in
}

func TestBadInput(t *testing.T) {
	small := func() Input { in := generate(smallDay, 1); in.Steps = 300; return in }
	everyLine := func(in *Input, n quantity.Pieces) {
		for i := range in.Orders {
			for j := range in.Orders[i].Lines {
				in.Orders[i].Lines[j].Pieces = n
			}
		}
	}
	oneLine := func(in *Input, n quantity.Pieces) {
		in.Orders = in.Orders[:1]
		in.Orders[0].Lines = in.Orders[0].Lines[:1]
		in.Orders[0].Lines[0].Pieces = n
		for i := range in.Book.Shops {
			in.Book.Shops[i].Standing = nil
		}
	}
	cases := []struct {
		name   string
		change func(in *Input)
		// reason: some reason with this code is given; "" where all may be well.
		reason commissary.ReasonCode
	}{
		{"windows that contradict themselves", func(in *Input) {
			for i := range in.Book.Items {
				w := &in.Book.Items[i].Window
				w.Min, w.Max = w.Max, w.Min
			}
		}, commissary.ReasonShort},
		{"a window younger than the service is long", func(in *Input) {
			for i := range in.Book.Items {
				in.Book.Items[i].Window.Max = in.Book.Items[i].Window.Min + 3600
			}
		}, commissary.ReasonShort},
		{"no window at all", func(in *Input) {
			for i := range in.Book.Items {
				in.Book.Items[i].Window = commissary.Window{}
			}
		}, commissary.ReasonShort},
		{"no vessel", func(in *Input) { in.Book.Vessels = nil }, commissary.ReasonShort},
		{"no vessel for a class", func(in *Input) {
			for i := range in.Book.Vessels {
				in.Book.Vessels[i].Capacity = in.Book.Vessels[i].Capacity[:1]
			}
		}, commissary.ReasonShort},
		{"nobody works", func(in *Input) { in.Book.Shifts = nil }, commissary.ReasonShort},
		{"everybody is on a break", func(in *Input) {
			in.Book.Shifts[0].Breaks = []commissary.Break{{From: in.Book.Shifts[0].From, To: in.Book.Shifts[0].To}}
		}, commissary.ReasonShort},
		{"a bench that puts out nothing", func(in *Input) {
			for i := range in.Book.Benches {
				in.Book.Benches[i].Rates = []commissary.BenchRate{{PerHour: 1}}
			}
		}, commissary.ReasonShort},
		{"one place in the cold", func(in *Input) { in.Book.ColdStore.Slots = 1 }, commissary.ReasonShort},
		{"every vessel out of order for the whole horizon", func(in *Input) {
			for _, v := range in.Book.Vessels {
				in.Outages = append(in.Outages, commissary.Outage{Resource: v.ID, From: in.At.Add(-time.Hour)})
			}
		}, commissary.ReasonShort},
		{"every bench out of order for a year", func(in *Input) {
			for _, b := range in.Book.Benches {
				in.Outages = append(in.Outages, commissary.Outage{Resource: b.ID, From: in.At.Add(-time.Hour), To: in.At.Add(366 * 24 * time.Hour)})
			}
		}, commissary.ReasonShort},
		{"no run", func(in *Input) { in.Book.Runs = nil }, commissary.ReasonNoRun},
		{"no shop trades", func(in *Input) {
			for i := range in.Book.Shops {
				in.Book.Shops[i].Service = nil
			}
		}, commissary.ReasonClosedDay},
		{"demand beyond any capacity", func(in *Input) { everyLine(in, 100_000) }, commissary.ReasonShort},
		{"the most that may be ordered of everything", func(in *Input) { everyLine(in, quantity.MaxPieces) }, commissary.ReasonShort},
		{"the most that may be ordered of the heaviest", func(in *Input) {
			for i := range in.Book.Items {
				in.Book.Items[i].Mass = quantity.MaxMass
			}
			everyLine(in, quantity.MaxPieces)
		}, commissary.ReasonShort},
		{"a million balls", func(in *Input) { oneLine(in, 1_000_000) }, commissary.ReasonShort},
		{"a ball of a milligram", func(in *Input) {
			for i := range in.Book.Items {
				in.Book.Items[i].Mass = 1
			}
		}, ""},
		{"one ball", func(in *Input) { oneLine(in, 1) }, ""},
		{"zero of everything", func(in *Input) { everyLine(in, 0) }, ""},
		{"no order", func(in *Input) { in.Orders = nil }, ""},
		{"nothing at all", func(in *Input) {
			in.Book = commissary.Book{Kitchen: commissary.Kitchen{Zone: "Europe/Rome"}}
			in.Orders, in.Lots = nil, nil
		}, ""},
		{"an instant long after the night", func(in *Input) { in.At = in.At.Add(90 * 24 * time.Hour) }, ""},
		{"an instant just before the last run", func(in *Input) { in.At = in.At.Add(75 * time.Hour) }, ""},
		{"the smallest fill is the largest", func(in *Input) {
			for i := range in.Book.Vessels {
				in.Book.Vessels[i].SmallestPPM = quantity.Whole
			}
		}, ""},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			in := small()
			c.change(&in)
			within(t, time.Minute, func() {
				p, err := Make(in)
				if err != nil { // refused is an answer too, when it says what is wrong
					require.NotEqual(t, commissary.Internal, commissary.KindOf(err), "%v", err)
					return
				}
				require.Empty(t, brokenRules(Check(in, p)))
				require.Len(t, p.Scores, 7)
				for _, s := range p.Scores {
					require.GreaterOrEqual(t, s.Value, int64(0), s.Name)
					require.LessOrEqual(t, s.Bound, s.Value, s.Name)
				}
				if c.reason != "" {
					require.True(t, slices.ContainsFunc(p.Exceptions, func(r commissary.Reason) bool { return r.Code == c.reason }), "%v", texts(p.Exceptions))
				}
				for _, r := range p.Exceptions {
					require.NotEmpty(t, r.Text)
				}
			})
		})
	}
}

func TestNightsOnAClockChange(t *testing.T) {
	// The clocks change at two, by law in both places: in the United States on
	// the second Sunday of March and the first of November (Energy Policy Act
	// of 2005, section 110), in the Union at 01:00 UTC on the last Sundays of
	// March and October (Directive 2000/84/EC, articles 2 and 3).
	for _, c := range []struct {
		zone string
		day  civil.Date
	}{
		{"America/New_York", civil.Date{Year: 2026, Month: time.March, Day: 8}},
		{"America/New_York", civil.Date{Year: 2026, Month: time.November, Day: 1}},
		{"Europe/Rome", civil.Date{Year: 2026, Month: time.March, Day: 29}},
		{"Europe/Rome", civil.Date{Year: 2026, Month: time.October, Day: 25}},
	} {
		for _, before := range []int{0, 1, 2} { // nights from two days before on, so that the change falls into windows too
			for _, in := range []Input{generate(smallDay, 2), demoNight(t)} {
				in.Book.Kitchen.Zone = c.zone
				in = moved(in, c.day.AddDays(-1-before))
				in.Steps = 300
				within(t, time.Minute, func() {
					p, err := Make(in)
					require.NoError(t, err)
					assert.Empty(t, brokenRules(Check(in, p)), "%s, %d nights before %s", c.zone, before+1, c.day)
					items := map[string]commissary.Item{}
					for _, it := range in.Book.Items {
						items[it.ID] = it
					}
					// A window is elapsed seconds, whatever the clocks show.
					for _, n := range p.Needs {
						w := items[n.Item].Window
						length := n.MadeTo.Sub(n.MadeFrom)
						shop := in.Book.Shops[slices.IndexFunc(in.Book.Shops, func(s commissary.Shop) bool { return s.ID == n.Shop })]
						var hours commissary.Hours
						for _, s := range shop.Service {
							if s.Days.Has(n.BakeDate.Weekday()) {
								hours = s.Hours
								break
							}
						}
						service := span(quantity.Seconds(hours.To-hours.From) + items[n.Item].PullLead)
						// No change inside the service, and no walk-in that ages them faster.
						if n.BakeDate != c.day && n.BakeDate.AddDays(1) != c.day && shop.WalkIn == 0 {
							assert.Equal(t, span(w.Max-w.Min)-service, length, "%s %s %s", n.Shop, n.Item, n.BakeDate)
						}
					}
				})
			}
		}
	}
}
