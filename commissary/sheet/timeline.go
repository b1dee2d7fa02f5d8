package sheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// Limits is what a kitchen has, as far as the reader knows it: a plan says
// what is taken and not of how much.
type Limits struct {
	Places int64   // container places in the cold store; 0: not known
	Crew   []Shift // who is there; stretches that overlap add up; none: not known
}

// Shift is a stretch of time through which so many people are there.
type Shift struct {
	From, To time.Time
	Heads    int64
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

// level is how much of something is taken, or there, from an instant on.
type level struct {
	at time.Time
	n  int64
}

// levels is a step function, in order of time; nothing before the first.
type levels []level

// levelsOf adds stretches up.
func levelsOf(list []Shift) levels {
	var all levels
	for _, s := range list {
		if s.To.After(s.From) {
			all = append(all, level{s.From, s.Heads}, level{s.To, -s.Heads})
		}
	}
	slices.SortStableFunc(all, func(a, b level) int { return a.at.Compare(b.at) })
	var sums levels
	var n int64
	for _, l := range all {
		n += l.n
		if k := len(sums) - 1; k >= 0 && sums[k].at.Equal(l.at) {
			sums[k].n = n
		} else {
			sums = append(sums, level{l.at, n})
		}
	}
	return sums
}

// most is the highest level between two instants, and where it is first reached.
func (l levels) most(from, to time.Time) (int64, time.Time) {
	var n int64
	at := from
	for i, x := range l {
		if ends := i+1 < len(l) && !l[i+1].at.After(from); ends || !x.at.Before(to) {
			continue
		}
		if x.n > n {
			n = x.n
			if at = x.at; at.Before(from) {
				at = from
			}
		}
	}
	return n, at
}

// least is the lowest level between two instants.
func (l levels) least(from, to time.Time) int64 {
	var n int64
	if len(l) == 0 || l[0].at.After(from) {
		return 0
	}
	for i, x := range l {
		if ends := i+1 < len(l) && !l[i+1].at.After(from); ends || !x.at.Before(to) {
			continue
		}
		if i == 0 || x.n < n || !x.at.After(from) {
			n = x.n
		}
	}
	return n
}

// over tells whether a level passes another one somewhere between two instants.
func (l levels) over(limit levels, from, to time.Time) bool {
	edges := []time.Time{from}
	for _, x := range slices.Concat(l, limit) {
		if x.at.After(from) && x.at.Before(to) {
			edges = append(edges, x.at)
		}
	}
	return slices.ContainsFunc(edges, func(t time.Time) bool { return l.when(t) > limit.when(t) })
}

// when is the level at an instant.
func (l levels) when(t time.Time) int64 {
	var n int64
	for _, x := range l {
		if x.at.After(t) {
			break
		}
		n = x.n
	}
	return n
}

// timeline is a plan laid out over time, however it is drawn afterwards.
type timeline struct {
	plan         *v1.Plan
	lanes        []lane
	people, cold levels
	crew         levels // nobody known: empty
	places       int64
	formulas     []string // ids in order: the place tells the pattern
	names        map[string]string
	days         []chartDay
}

// chartDay is what is drawn of one civil day: full hours around its work.
type chartDay struct {
	date     civil.Date
	from, to time.Time
}

// timelineOf lays a plan out.
func timelineOf(p *page, m *v1.Plan, lim Limits) *timeline {
	t := &timeline{plan: m, places: lim.Places, crew: levelsOf(lim.Crew), names: map[string]string{}}
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
	t.people, t.cold = levelsOf(people), levelsOf(cold)
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
		if loads(b) != nil && p.on(loads(b)) == d {
			list = append(list, b)
		}
	}
	slices.SortStableFunc(list, func(a, b *v1.Batch) int {
		return cmp.Or(loads(a).AsTime().Compare(loads(b).AsTime()), cmp.Compare(a.GetId(), b.GetId()))
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

// hatches are the fillings of bars on a terminal, one for each formula.
const hatches = "#=%@&+~oxz:$"

// chartColumns is how wide the chart is beside the names of its lanes.
const (
	laneColumns  = 19
	chartColumns = columns - laneColumns - 1
)

// Timeline shows a plan over time, day by day: what every vessel and bench
// holds, how many people are at work, and how full the cold store gets. A bar
// begins with its batch's number and is filled with its formula's character.
func Timeline(m *v1.Plan, lim Limits) string { return timelinePage(m, lim).String() }

func timelinePage(m *v1.Plan, lim Limits) *page {
	p := newPage(m.GetSite(), "TIMELINE")
	p.ends("Night of "+longDay(m.GetNightDate()), standing(m.GetState(), m.GetRevision()))
	p.put(0, fmt.Sprintf("Made for %s, inputs %.12s", p.exact(m.GetPlanTime()), either(m.GetInputHash(), nothing)))
	t := timelineOf(p, m, lim)
	if len(t.days) == 0 {
		p.section("NO BATCHES", "")
		p.put(0, "Nothing has to be made.")
	}
	for _, d := range t.days {
		p.chart(t, d)
	}
	return p
}

// chart draws one day, in parts where it is too long for columns of ten minutes.
func (p *page) chart(t *timeline, d chartDay) {
	batches := t.loaded(p, d.date)
	hours := int((d.to.Sub(d.from) + time.Hour - 1) / time.Hour)
	const most = chartColumns / 6
	parts := (hours + most - 1) / most
	long := time.Duration((hours+parts-1)/parts) * time.Hour
	g := grid{from: d.from, step: 10 * time.Minute}
	if hours <= chartColumns/12 {
		g.step = 5 * time.Minute
	}
	p.section(strings.ToUpper(d.date.Long())+": "+counted(int64(len(batches)), "batch"), fmt.Sprintf("a column is %d min", int(g.step.Minutes())))
	for ; g.from.Before(d.to); g.from = g.from.Add(long) {
		to := g.from.Add(long)
		if to.After(d.to) {
			to = d.to
		}
		g.n = int(to.Sub(g.from) / g.step)
		p.chartPart(t, chartDay{d.date, g.from, to}, g)
		p.blank()
	}
	p.legend(t, d, batches)
}

func (p *page) chartPart(t *timeline, d chartDay, g grid) {
	p.draw(strings.Repeat(" ", laneColumns) + " " + p.ticks(g))
	bench := false
	for _, l := range t.lanes {
		seen := l.within(d.from, d.to)
		if len(seen) == 0 {
			continue
		}
		if isBench := l.key[0] == '2'; isBench && !bench {
			bench = true
			p.draw(strings.Repeat(" ", laneColumns) + " " + strings.Repeat("-", g.n))
		}
		p.laneRow(l.name, t.row(g, seen))
	}
	p.draw(strings.Repeat(" ", laneColumns) + " " + strings.Repeat("-", g.n))
	p.laneRow("People at work", g.digits(t.people, t.crew))
	if len(t.crew) > 0 {
		p.laneRow("People there", g.least(t.crew))
	}
	p.coldChart(t, d, g)
}

// laneRow writes a lane's name, folded where it is long, beside its cells.
func (p *page) laneRow(name, chart string) {
	for i, part := range fold(name, laneColumns) {
		if i > 0 {
			chart = ""
		}
		p.draw(part + strings.Repeat(" ", max(laneColumns-cells(part), 0)) + " " + chart)
	}
}

// draw writes one line of a picture made of characters.
func (p *page) draw(line string) { p.add(block{kind: drawn, left: line}) }

// grid divides a day into columns.
type grid struct {
	from time.Time
	step time.Duration
	n    int
}

// column is where an instant lies, to the nearest column.
func (g grid) column(t time.Time) int {
	return min(max(int((t.Sub(g.from)+g.step/2)/g.step), 0), g.n)
}

// at is when a column begins.
func (g grid) at(column int) time.Time { return g.from.Add(time.Duration(column) * g.step) }

// ticks writes the hours over the columns.
func (p *page) ticks(g grid) string {
	line := []byte(strings.Repeat(" ", g.n+3))
	for t := g.from; !t.After(g.at(g.n)); t = t.Add(time.Hour) {
		copy(line[g.column(t):], p.zone.Clock(t).String()[:2])
	}
	return strings.TrimRight(string(line), " ")
}

// row draws the bars of one lane: the cleaning as w, a rest in the vessel as
// dots. A bar has a column at least; where that takes the last column of its
// neighbour, a star says that there are several.
func (t *timeline) row(g grid, bars []bar) string {
	line := []byte(strings.Repeat(" ", g.n))
	named := map[string]bool{} // batches whose number is seen
	for _, b := range bars {
		from, to := g.column(b.from), g.column(b.to)
		if to <= from {
			from = min(from, g.n-1)
			to = from + 1
		}
		mark := t.hatch(b.batch)
		switch b.kind {
		case v1.StepKind_STEP_KIND_WASH:
			mark = 'w'
		case v1.StepKind_STEP_KIND_REST:
			mark = '.'
		}
		taken := line[from] != ' ' // only by a bar of less than half a column
		for i := from; i < to; i++ {
			line[i] = mark
		}
		if taken && to == from+1 {
			line[from] = '*'
		}
		if n := short(b.batch); mark != 'w' && !(mark == '.' && named[n]) && to-from >= len(n) {
			copy(line[from:], n)
			named[n] = true
		}
	}
	return string(line)
}

// hatch is the filling of a batch's bars.
func (t *timeline) hatch(b *v1.Batch) byte { return hatches[t.pattern(b)%len(hatches)] }

// pattern is the number of the pattern of a batch's formula.
func (t *timeline) pattern(b *v1.Batch) int { return slices.Index(t.formulas, b.GetFormulaId()) }

// digits writes the highest level in every column, with a mark where it
// passes what is there.
func (g grid) digits(l, limit levels) string {
	line := make([]byte, g.n)
	for i := range line {
		from, to := g.at(i), g.at(i+1)
		n, _ := l.most(from, to)
		line[i] = digit(n)
		if len(limit) > 0 && l.over(limit, from, to) {
			line[i] = '!'
		}
	}
	return string(line)
}

// least writes the lowest level in every column.
func (g grid) least(l levels) string {
	line := make([]byte, g.n)
	for i := range line {
		line[i] = digit(l.least(g.at(i), g.at(i+1)))
	}
	return string(line)
}

// digit writes a number in one column: none as a dot, more than nine as +.
func digit(n int64) byte {
	switch {
	case n <= 0:
		return '.'
	case n > 9:
		return '+'
	}
	return byte('0' + n)
}

// coldHeight is how many lines tall the picture of the cold store is.
const coldHeight = 4

// coldChart draws how many places of the cold store these batches take, as a
// share of what there is or, where that is not known, of the most they take.
func (p *page) coldChart(t *timeline, d chartDay, g grid) {
	most, at := t.cold.most(d.from, d.to)
	if most == 0 {
		return
	}
	whole := most
	of := ""
	if t.places > 0 {
		whole = max(t.places, most)
		of = fmt.Sprintf(" of %d", t.places)
	}
	p.put(0, fmt.Sprintf("Cold store: at most %d%s places, at %s; lots on hand not counted", most, of, p.clock(timestamppb.New(at))))
	for h := coldHeight; h > 0; h-- {
		line := make([]byte, g.n)
		for i := range line {
			n, _ := t.cold.most(g.at(i), g.at(i+1))
			line[i] = ' '
			if n*coldHeight > whole*int64(h-1) {
				line[i] = ':'
			}
			if t.places > 0 && n > t.places {
				line[i] = '!'
			}
		}
		p.laneRow(fmt.Sprintf("%*d", laneColumns, whole*int64(h)/coldHeight), string(line))
	}
}

// legend names the batches of a day under their formulas.
func (p *page) legend(t *timeline, d chartDay, batches []*v1.Batch) {
	for _, id := range t.formulas {
		var list []string
		for _, b := range batches {
			if b.GetFormulaId() == id {
				list = append(list, short(b)+" at "+p.clock(loads(b)))
			}
		}
		if len(list) > 0 {
			p.item(0, string(hatches[slices.Index(t.formulas, id)%len(hatches)]), t.names[id]+": "+strings.Join(list, ", "))
		}
	}
	p.item(0, "w", "cleaning; . rest in the vessel or nobody; * several; ! more than there is")
}
