package sheet

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

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
	p.section(strings.ToUpper(d.date.Long())+": "+quantity.Counted(len(batches), "batch"), fmt.Sprintf("a column is %d min", int(g.step.Minutes())))
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
	for _, s := range t.stocks {
		p.stockChart(s, d, g)
	}
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
	line := []byte(strings.Repeat(" ", chartColumns))
	for t := g.from; !t.After(g.at(g.n)) && g.column(t)+2 <= chartColumns; t = t.Add(time.Hour) {
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

// stockHeight is how many lines tall the picture of a stock is.
const stockHeight = 4

// stockChart draws how much of something these batches take, as a share of what
// there is or, where that is not known, of the most they take.
func (p *page) stockChart(s stock, d chartDay, g grid) {
	most, at := s.taken.most(d.from, d.to)
	if most == 0 {
		return
	}
	whole := most
	of := ""
	if s.there > 0 {
		whole = max(s.there, most)
		of = fmt.Sprintf(" of %d", s.there)
	}
	p.put(0, fmt.Sprintf("%s: at most %d%s%s, at %s; %s", s.name, most, of, s.unit, p.clock(timestamppb.New(at)), s.note))
	for h := stockHeight; h > 0; h-- {
		line := make([]byte, g.n)
		for i := range line {
			n, _ := s.taken.most(g.at(i), g.at(i+1))
			line[i] = ' '
			if n*stockHeight > whole*int64(h-1) {
				line[i] = ':'
			}
			if s.there > 0 && n > s.there {
				line[i] = '!'
			}
		}
		p.draw(fmt.Sprintf("%*d %s", laneColumns, whole*int64(h)/stockHeight, line))
	}
}

// legend names the batches of a day under their formulas.
func (p *page) legend(t *timeline, d chartDay, batches []*v1.Batch) {
	for _, id := range t.formulas {
		var list []string
		for _, b := range batches {
			if b.GetFormulaId() == id {
				list = append(list, short(b)+" at "+p.clock(Loads(b)))
			}
		}
		if len(list) > 0 {
			p.item(0, string(hatches[slices.Index(t.formulas, id)%len(hatches)]), t.names[id]+": "+strings.Join(list, ", "))
		}
	}
	p.item(0, "w", "cleaning; . rest in the vessel or nobody; * several; ! more than there is")
}
