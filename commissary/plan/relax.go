package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// relaxNeeds is up to how many needs a day may have for its plan to look for
// the smallest changes that would help: each costs some plans of the day.
const relaxNeeds = 3000

// relaxGroups is for how many short items and dates they are looked for.
const relaxGroups = 2

// relaxation is one kind of help, in whole steps: a minute's worth of five, a
// place in the cold, a kilogram on a vessel.
type relaxation struct {
	most  int // steps that make sense
	apply func(in Input, steps int) Input
	text  func(steps int) string
}

// Explain adds to a plan that Make made from an input, for its first short
// items and dates, the smallest change that lets all of it be made: the day
// plans with it, and with one step less it does not. Large days are left as
// they are.
func Explain(in Input, p commissary.Plan) commissary.Plan {
	if len(p.Needs) > relaxNeeds {
		return p
	}
	p.Exceptions = slices.Clone(p.Exceptions)
	type group struct {
		code  commissary.ReasonCode
		limit string
		item  string
		bake  civil.Date
	}
	done := map[group]string{}
	for i := range p.Exceptions {
		e := &p.Exceptions[i]
		if e.Code != commissary.ReasonShort && e.Code != commissary.ReasonPrefermentCaps {
			continue
		}
		g := group{e.Code, e.Limit, e.Item, e.BakeDate}
		text, seen := done[g]
		if !seen {
			if len(done) == relaxGroups {
				continue
			}
			text = smallestHelp(in, *e)
			done[g] = text
		}
		if e.Relax = text; text != "" {
			e.Text += " It would take " + text + "."
		}
	}
	return p
}

// smallestHelp tries the kinds of help for a limit in turn.
func smallestHelp(in Input, e commissary.Reason) string {
	for _, r := range relaxations(in, e) {
		if text := smallestOf(in, e, r); text != "" {
			return text
		}
	}
	return ""
}

// smallestOf is the least of one kind of help with which the day plans; empty
// where the most of it does not help.
func smallestOf(in Input, e commissary.Reason, r relaxation) string {
	solved := func(steps int) bool {
		q, err := Make(r.apply(in, steps))
		return err == nil && shortOf(q, e.Item, e.BakeDate) == 0
	}
	if r.most < 1 || !solved(r.most) {
		return ""
	}
	n := 1
	for n < r.most && !solved(n) {
		n *= 2
	}
	n = min(n, r.most)
	// Between the last that failed and the first that helped.
	fails := n / 2
	for fails+1 < n {
		if m := (fails + n) / 2; solved(m) {
			n = m
		} else {
			fails = m
		}
	}
	return r.text(n)
}

// shortOf is how many pieces of an item are short for a date.
func shortOf(p commissary.Plan, item string, bake civil.Date) quantity.Pieces {
	var short quantity.Pieces
	for _, e := range p.Exceptions {
		if e.Item == item && e.BakeDate == bake && (e.Code == commissary.ReasonShort || e.Code == commissary.ReasonPrefermentCaps) {
			short += e.Pieces
		}
	}
	return short
}

const fiveMinutes = 5 * quantity.Minute

// relaxations lists the kinds of help for what bound, the nearest at hand first.
func relaxations(in Input, e commissary.Reason) []relaxation {
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	if err != nil {
		return nil
	}
	item := in.Book.Items[slices.IndexFunc(in.Book.Items, func(i commissary.Item) bool { return i.ID == e.Item })]
	shift := longerShift(in)
	switch {
	case e.Limit == string(limitCrew):
		return []relaxation{onePersonMore(in, zone), shift}
	case e.Limit == string(limitCold):
		return []relaxation{{2000, func(in Input, n int) Input { in.Book.ColdStore.Slots += n; return in },
			func(n int) string { return fmt.Sprintf("%d more places in the cold store", n) }}}
	case e.Limit == string(limitBoxes):
		return []relaxation{container(in, item.Container, func(c *commissary.Container, n int) {
			c.Owned += n
			if c.Lids > 0 {
				c.Lids += n
			}
		}, "%d more clean %s")}
	case e.Limit == string(limitDollies):
		return []relaxation{container(in, item.Container, func(c *commissary.Container, n int) { c.Dollies += n }, "%d more dollies for %s")}
	case e.Limit == string(limitPullDown):
		return []relaxation{{500, func(in Input, n int) Input {
			in.Book.ColdStore.PullDown += quantity.Mass(n) * quantity.Kilogram
			return in
		}, func(n int) string { return fmt.Sprintf("%d kg more warm dough an hour into the cold store", n) }}}
	case e.Limit == string(limitWindow):
		return []relaxation{{int(item.Window.Min / fiveMinutes), func(in Input, n int) Input {
			in.Book.Items = slices.Clone(in.Book.Items)
			at := slices.IndexFunc(in.Book.Items, func(i commissary.Item) bool { return i.ID == e.Item })
			in.Book.Items[at].Window.Min -= quantity.Seconds(n) * fiveMinutes
			return in
		}, func(n int) string {
			return fmt.Sprintf("a least age %v shorter, which the book does not allow", quantity.Seconds(n)*fiveMinutes)
		}}}
	case e.Limit == string(limitDeparture):
		return []relaxation{laterRuns(in), shift}
	case e.Code == commissary.ReasonPrefermentCaps:
		return []relaxation{moreInTheTub(in, e.Limit, zone)}
	case slices.ContainsFunc(in.Book.Benches, func(b commissary.Bench) bool { return b.ID == e.Limit }):
		return []relaxation{fasterBench(in, e.Limit), shift}
	case slices.ContainsFunc(in.Book.Vessels, func(v commissary.Vessel) bool { return v.ID == e.Limit }):
		return []relaxation{largerVessel(in, e.Limit), shift, laterRuns(in)}
	}
	return nil
}

// onePersonMore adds a head from a time to the end of the last shift of each day.
func onePersonMore(in Input, zone *civil.Zone) relaxation {
	if len(in.Book.Shifts) == 0 {
		return relaxation{}
	}
	first := slices.MinFunc(in.Book.Shifts, func(a, b commissary.Shift) int { return cmp.Compare(a.From, b.From) })
	from := func(n int) civil.Clock { return max(first.To-civil.Clock(n)*civil.Clock(fiveMinutes), first.From) }
	return relaxation{int((first.To - first.From) / civil.Clock(fiveMinutes)), func(in Input, n int) Input {
		extra := first
		extra.ID, extra.From, extra.Heads, extra.Breaks = "one-more", from(n), 1, nil
		for _, b := range first.Breaks {
			if b.From >= extra.From {
				extra.Breaks = append(extra.Breaks, b)
			}
		}
		in.Book.Shifts = append(slices.Clone(in.Book.Shifts), extra)
		return in
	}, func(n int) string { return fmt.Sprintf("one more person from %v to %v", from(n), first.To) }}
}

// container gives the kitchen more of one kind of container, or for it.
func container(in Input, id string, more func(c *commissary.Container, n int), text string) relaxation {
	at := slices.IndexFunc(in.Book.Containers, func(c commissary.Container) bool { return c.ID == id })
	return relaxation{2000, func(in Input, n int) Input {
		in.Book.Containers = slices.Clone(in.Book.Containers)
		more(&in.Book.Containers[at], n)
		return in
	}, func(n int) string { return fmt.Sprintf(text, n, in.Book.Containers[at].Name) }}
}

func longerShift(in Input) relaxation {
	return relaxation{36, func(in Input, n int) Input {
		in.Book.Shifts = slices.Clone(in.Book.Shifts)
		for i := range in.Book.Shifts {
			in.Book.Shifts[i].From = max(in.Book.Shifts[i].From-civil.Clock(n)*civil.Clock(fiveMinutes), 0)
		}
		return in
	}, func(n int) string {
		return fmt.Sprintf("shifts that begin %v earlier", quantity.Seconds(n)*fiveMinutes)
	}}
}

func laterRuns(in Input) relaxation {
	return relaxation{36, func(in Input, n int) Input {
		in.Book.Runs = slices.Clone(in.Book.Runs)
		for i := range in.Book.Runs {
			in.Book.Runs[i].Departs += civil.Clock(n) * civil.Clock(fiveMinutes)
		}
		return in
	}, func(n int) string { return fmt.Sprintf("runs that depart %v later", quantity.Seconds(n)*fiveMinutes) }}
}

func fasterBench(in Input, id string) relaxation {
	return relaxation{2000, func(in Input, n int) Input {
		in.Book.Benches = slices.Clone(in.Book.Benches)
		for i := range in.Book.Benches {
			if b := &in.Book.Benches[i]; b.ID == id {
				b.Rates = slices.Clone(b.Rates)
				for j := range b.Rates {
					b.Rates[j].PerHour += quantity.Pieces(n)
				}
			}
		}
		return in
	}, func(n int) string { return fmt.Sprintf("%d more pieces an hour from each person on %s", n, id) }}
}

func largerVessel(in Input, id string) relaxation {
	name := in.Book.Vessels[slices.IndexFunc(in.Book.Vessels, func(v commissary.Vessel) bool { return v.ID == id })].Name
	return relaxation{500, func(in Input, n int) Input {
		in.Book.Vessels = slices.Clone(in.Book.Vessels)
		for i := range in.Book.Vessels {
			if v := &in.Book.Vessels[i]; v.ID == id {
				v.Capacity = slices.Clone(v.Capacity)
				for j := range v.Capacity {
					v.Capacity[j].Max += quantity.Mass(n) * quantity.Kilogram
				}
			}
		}
		return in
	}, func(n int) string { return fmt.Sprintf("+%d kg on %s", n, name) }}
}

// moreInTheTub adds a preferment lot that is at its best at the planning instant.
func moreInTheTub(in Input, limit string, zone *civil.Zone) relaxation {
	id := limit
	at := slices.IndexFunc(in.Book.Formulas, func(f commissary.Formula) bool { return f.ID == id })
	if at < 0 {
		return relaxation{}
	}
	f := in.Book.Formulas[at]
	made := in.At.Add(-time.Duration(f.Ripe.Best) * time.Second)
	return relaxation{2000, func(in Input, n int) Input {
		in.Lots = append(slices.Clone(in.Lots), commissary.Lot{Code: "more", Formula: id, Mass: quantity.Mass(n) * quantity.Kilogram, Made: made, Place: "kitchen"})
		return in
	}, func(n int) string { return fmt.Sprintf("%d kg more %s stirred by %s", n, f.Name, zone.Short(made)) }}
}
