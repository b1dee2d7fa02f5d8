package sheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// Limits is what a kitchen has, as far as the reader knows it: a plan says
// what is taken and not of how much.
type Limits struct {
	Places int64   // container places in the cold store; 0: not known
	Crew   []Shift // who is there; stretches that overlap add up; none: not known
	Boxes  []Boxes // the containers and dollies that are counted
}

// Boxes is one kind of container, or the dollies for it: how many there are and
// what the plan's batches take of them, from the bench until they are clean again.
type Boxes struct {
	Name  string
	There int64
	Taken []Shift
}

// stock is how much of something is taken over time, of what there is; 0 there: not known.
type stock struct {
	name  string
	unit  string // may be empty
	taken levels
	there int64
	note  string // what is not counted
}

// bar is what holds a lane for a while.
type bar struct {
	batch    *v1.Batch
	kind     v1.StepKind
	from, to time.Time
}

// lane is one vessel, one unit of several alike, or one bench.
type lane struct {
	key, name string
	bars      []bar
}

// timeline is a plan laid out over time, however it is drawn afterwards.
type timeline struct {
	plan     *v1.Plan
	lanes    []lane
	people   levels
	crew     levels   // nobody known: empty
	stocks   []stock  // the cold store in front
	formulas []string // ids in order: the place tells the pattern
	names    map[string]string
	days     []chartDay
}

// chartDay is what is drawn of one civil day: full hours around its work.
type chartDay struct {
	date     civil.Date
	from, to time.Time
}

// timelineOf lays a plan out.
func timelineOf(p *page, m *v1.Plan, lim Limits) *timeline {
	t := &timeline{plan: m, crew: levelsOf(lim.Crew), names: map[string]string{}}
	several := severalOf(m.GetBatches())
	lanes := map[string]*lane{}
	on := func(key, name string, b bar) {
		if lanes[key] == nil {
			lanes[key] = &lane{key: key, name: name}
		}
		lanes[key].bars = append(lanes[key].bars, b)
	}
	var people, cold []Shift
	var work []bar // what somebody or something is busy with: it sets the hours drawn
	for _, b := range m.GetBatches() {
		t.names[b.GetFormulaId()] = either(b.GetFormulaName(), b.GetFormulaId())
		for _, s := range b.GetSteps() {
			if s.GetStartTime() == nil || s.GetEndTime() == nil {
				continue
			}
			x := bar{b, s.GetKind(), s.GetStartTime().AsTime(), s.GetEndTime().AsTime()}
			people = append(people, Shift{x.from, x.to, int64(s.GetHeads())})
			cold = append(cold, Shift{x.from, x.to, int64(s.GetContainerSlots())})
			switch {
			case s.GetResourceId() == "" || s.GetContainerSlots() > 0:
			case s.GetResourceId() == b.GetVesselId():
				on(fmt.Sprintf("1 %s %04d", b.GetVesselId(), b.GetVesselUnit()), vesselOf(b, several[b.GetVesselId()]), x)
			default:
				on("2 "+s.GetResourceId(), either(s.GetResourceName(), s.GetResourceId()), x)
			}
			if s.GetHeads() > 0 {
				work = append(work, x)
			}
		}
	}
	for _, l := range lanes {
		slices.SortStableFunc(l.bars, func(a, b bar) int {
			return cmp.Or(a.from.Compare(b.from), a.to.Compare(b.to), cmp.Compare(a.batch.GetId(), b.batch.GetId()))
		})
		t.lanes = append(t.lanes, *l)
	}
	slices.SortFunc(t.lanes, func(a, b lane) int { return cmp.Compare(a.key, b.key) })
	for id := range t.names {
		t.formulas = append(t.formulas, id)
	}
	slices.Sort(t.formulas)
	t.people = levelsOf(people)
	t.stocks = []stock{{"Cold store", " places", levelsOf(cold), lim.Places, "lots on hand not counted"}}
	for _, b := range lim.Boxes {
		t.stocks = append(t.stocks, stock{b.Name, "", levelsOf(b.Taken), b.There, "lots on hand and boxes away not counted"})
	}
	t.days = p.chartDays(work)
	return t
}

// chartDays finds the days on which there is work, and their hours.
func (p *page) chartDays(work []bar) []chartDay {
	hours := map[civil.Date]chartDay{}
	for _, x := range work {
		for from := x.from; from.Before(x.to); {
			d := p.zone.Date(from)
			midnight := p.zone.Instant(d.AddDays(1), 0)
			to := x.to
			if to.After(midnight) {
				to = midnight
			}
			h, known := hours[d]
			if !known {
				h = chartDay{d, from, to}
			}
			if from.Before(h.from) {
				h.from = from
			}
			if to.After(h.to) {
				h.to = to
			}
			hours[d] = h
			from = midnight
		}
	}
	var days []chartDay
	for _, h := range hours {
		h.from = h.from.Add(-past(p, h.from))
		if late := past(p, h.to); late > 0 {
			h.to = h.to.Add(time.Hour - late)
		}
		days = append(days, h)
	}
	slices.SortFunc(days, func(a, b chartDay) int { return a.date.Compare(b.date) })
	return days
}

// past is how long after a full hour of the kitchen's clock an instant is.
func past(p *page, t time.Time) time.Duration {
	return time.Duration(int64(p.zone.Clock(t))%3600) * time.Second
}

// within returns the bars of a lane that are seen between two instants.
func (l lane) within(from, to time.Time) []bar {
	var seen []bar
	for _, b := range l.bars {
		if b.from.Before(to) && b.to.After(from) {
			seen = append(seen, b)
		}
	}
	return seen
}

// loaded returns the batches whose vessel is loaded on a day, in that order.
func (t *timeline) loaded(p *page, d civil.Date) []*v1.Batch {
	var list []*v1.Batch
	for _, b := range t.plan.GetBatches() {
		if Loads(b) != nil && p.on(Loads(b)) == d {
			list = append(list, b)
		}
	}
	slices.SortStableFunc(list, func(a, b *v1.Batch) int {
		return cmp.Or(Loads(a).AsTime().Compare(Loads(b).AsTime()), cmp.Compare(a.GetId(), b.GetId()))
	})
	return list
}

// short is a batch's number within its night: all that fits into a bar.
func short(b *v1.Batch) string {
	if _, n, ok := strings.Cut(b.GetId(), "-"); ok {
		return n
	}
	return b.GetId()
}
