package sheet

import (
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Picture is one day of a timeline as an SVG file of one sheet, A4 or Letter
// on its side.
type Picture struct {
	Date string // 2026-11-27
	SVG  string
}

// TimelineSVG draws a plan over time, one sheet for each day with work. It
// needs no colour: bars are hatched by formula and bear their batch's number.
func TimelineSVG(m *v1.Plan, lim Limits) []Picture {
	p := blankPage(m.GetSite())
	t := timelineOf(p, m, lim)
	var all []Picture
	for _, d := range t.days {
		all = append(all, Picture{d.date.String(), p.dayDrawing(t, d).svg()})
	}
	return all
}

// Measures of the drawing in millimetres. Letter on its side leaves 259 and
// A4 190 within margins of ten.
const (
	drawingWide = 259.0
	drawingTall = 190.0
	namesWide   = 37.0
	rightEdge   = drawingWide - 5
	small       = 2.7 // the size of the smallest letters
)

// dayDrawing draws one day: lanes, hands, cold store, counted containers and what
// the numbers mean.
func (p *page) dayDrawing(t *timeline, d chartDay) *drawing {
	batches := t.loaded(p, d.date)
	g := &drawing{name: "d" + d.date.String(), wide: drawingWide, tall: drawingTall}
	g.title = fmt.Sprintf("Timeline of %s: %s", d.date.Long(), quantity.Counted(len(batches), "batch"))
	site := t.plan.GetSite()
	g.text(0, 5, 4.6, atStart, true, false, d.date.Long())
	g.text(drawingWide, 5, 4, atEnd, true, false, standing(t.plan.GetState(), t.plan.GetRevision()))
	g.text(0, 10, 3, atStart, false, false, either(site.GetKitchenName(), site.GetKitchenId()))
	g.text(drawingWide, 10, 3, atEnd, false, false, fmt.Sprintf("Night of %s, made for %s, inputs %.12s", longDay(t.plan.GetNightDate()), p.exact(t.plan.GetPlanTime()), either(t.plan.GetInputHash(), nothing)))

	var seen []lane
	for _, l := range t.lanes {
		if bars := l.within(d.from, d.to); len(bars) > 0 {
			seen = append(seen, lane{l.key, l.name, bars})
		}
	}
	perColumn := (len(batches) + 3) / 4
	legendTall := 4*float64(perColumn) + 11
	var stocks []stock
	for i, s := range t.stocks {
		if most, _ := s.taken.most(d.from, d.to); i == 0 || most > 0 {
			stocks = append(stocks, s)
		}
	}
	const top, crewTall, gap = 18.0, 17.0, 5.0
	stockTall := math.Max(24-4*float64(len(stocks)-1), 13)
	stocksTall := (stockTall + gap) * float64(len(stocks))
	tall := (drawingTall - top - crewTall - stocksTall - gap - legendTall) / float64(max(len(seen), 1))
	tall = math.Min(math.Max(tall, 6), 11)
	bottom := top + tall*float64(len(seen)) + crewTall + stocksTall + gap
	g.tall = math.Max(drawingTall, bottom+legendTall)

	x := func(at time.Time) float64 {
		part := float64(at.Sub(d.from)) / float64(d.to.Sub(d.from))
		return namesWide + (rightEdge-namesWide)*math.Min(math.Max(part, 0), 1)
	}
	p.absent(g, t, d, x, top, bottom)
	p.hours(g, d, x, top, bottom)
	y := top
	for i, l := range seen {
		if i > 0 && l.key[0] != seen[i-1].key[0] {
			g.line(0, y, rightEdge, y, 0.5, false)
		} else {
			g.line(0, y, rightEdge, y, 0.1, false)
		}
		for k, part := range shorten(l.name, namesWide-2, small, 2) {
			g.text(0, y+tall/2+float64(k)*3.1-0.4, small, atStart, true, false, part)
		}
		for k, b := range l.bars {
			free := rightEdge
			if k+1 < len(l.bars) {
				free = x(l.bars[k+1].from)
			}
			g.bar(t, d, b, x, y+0.7, tall-1.4, free)
		}
		y += tall
	}
	g.line(0, y, rightEdge, y, 0.5, false)
	y += gap
	most, _ := t.people.most(d.from, d.to)
	there, _ := t.crew.most(d.from, d.to)
	note := fmt.Sprintf("%d at most", most)
	if len(t.crew) > 0 {
		note += fmt.Sprintf(", %d there", there)
	}
	g.steps(t.people, t.crew, d, x, y, crewTall, max(most, there), []string{"People at work", note})
	y += crewTall + gap
	for _, s := range stocks {
		most, at := s.taken.most(d.from, d.to)
		names := append(shorten(s.name+s.unit, namesWide-2, small, 1), fmt.Sprintf("%d at %s", most, p.clock(timestamppb.New(at))))
		names = append(names, shorten(s.note, namesWide-2, small, 2)...)
		var room levels
		if s.there > 0 {
			room = levels{{d.from, s.there}}
		}
		g.steps(s.taken, room, d, x, y, stockTall, max(most, s.there), names)
		y += stockTall + gap
	}
	p.key(g, t, batches, bottom+4, perColumn)
	return g
}

// absent greys the time in which nobody is there, where that is known.
func (p *page) absent(g *drawing, t *timeline, d chartDay, x func(time.Time) float64, top, bottom float64) {
	if len(t.crew) == 0 {
		return
	}
	from := d.from
	for i := 0; i <= len(t.crew); i++ {
		to := d.to
		if i < len(t.crew) && t.crew[i].at.Before(to) {
			to = t.crew[i].at
		}
		if to.After(from) {
			if t.crew.when(from) == 0 {
				g.box(x(from), top, x(to)-x(from), bottom-top, 0, 228, 0)
			}
			from = to
		}
	}
}

// hours writes the clock over the lanes and draws it down through them.
func (p *page) hours(g *drawing, d chartDay, x func(time.Time) float64, top, bottom float64) {
	for at := d.from; !at.After(d.to); at = at.Add(time.Hour) {
		g.text(x(at), top-1.5, 3.2, atMiddle, true, false, p.clock(timestamppb.New(at)))
		g.line(x(at), top-1, x(at), bottom, 0.15, false)
		if half := at.Add(30 * time.Minute); half.Before(d.to) {
			g.line(x(half), top, x(half), bottom, 0.08, true)
		}
	}
}

// bar draws what holds a lane: cleaning grey, a rest without hatching, one that
// goes on beyond the day with a word on when it ends. A bar too narrow for its
// number has it beside, where the next one leaves room: free is where that begins.
func (g *drawing) bar(t *timeline, d chartDay, b bar, x func(time.Time) float64, y, tall, free float64) {
	from, to := x(b.from), x(b.to)
	wide := math.Max(to-from, 0.4)
	switch b.kind {
	case v1.StepKind_STEP_KIND_WASH:
		g.box(from, y+tall/2, wide, tall/2, 0.15, 150, 0)
		return
	case v1.StepKind_STEP_KIND_REST:
		g.box(from, y+tall*0.3, wide, tall*0.4, 0.15, 255, 0)
	default:
		g.box(from, y, wide, tall, 0.3, 255, t.pattern(b.batch)+1)
	}
	if until := "until " + clockOf(t, b.to); b.to.After(d.to) && wideAs(until, small) < wide {
		g.text(to-0.6, y+tall/2+1, small, atEnd, true, true, until)
	}
	formula := t.names[b.batch.GetFormulaId()]
	if b.kind == v1.StepKind_STEP_KIND_REST {
		text := short(b.batch)
		if wideAs(text+" rests", small) < wide-30 {
			text += " rests"
		}
		if wideAs(text, small) < wide && (text != short(b.batch) || b.from.Before(d.from)) {
			g.text(from+wide/2, y+tall/2+0.9, small, atMiddle, false, true, text)
		}
		return
	}
	n := short(b.batch)
	switch {
	case wideAs(n+" "+formula, small) < wide-1.5:
		g.text(from+wide/2, y+tall/2+1, small, atMiddle, true, true, n+" "+formula)
	case wideAs(n, 3.2) < wide:
		g.text(from+wide/2, y+tall/2+1.2, 3.2, atMiddle, true, true, n)
	case wideAs(n, 2.1) < wide+1.2:
		g.text(from+wide/2, y+tall/2+0.8, 2.1, atMiddle, true, true, n)
	case from+wide+1+wideAs(n, small) < free:
		g.text(from+wide+0.6, y+tall/2+1, small, atStart, true, true, n)
	}
}

// clockOf shows a time of the kitchen's clock with its weekday.
func clockOf(t *timeline, at time.Time) string {
	return blankPage(t.plan.GetSite()).zone.Short(at)
}

// steps draws a level over a day as a solid outline, and what there is as a
// thick dashed line with its number.
func (g *drawing) steps(l, limit levels, d chartDay, x func(time.Time) float64, y, tall float64, whole int64, names []string) {
	for i, n := range names {
		g.text(0, y+3+float64(i)*3.5, small, atStart, i == 0, false, n)
	}
	foot := y + tall
	up := func(n int64) float64 { return foot - (tall-3.5)*float64(n)/float64(max(whole, 1)) }
	from := d.from
	for i := 0; i <= len(l); i++ {
		to := d.to
		if i < len(l) && l[i].at.Before(to) {
			to = l[i].at
		}
		if !to.After(from) {
			continue
		}
		if n := l.when(from); n > 0 {
			g.box(x(from), up(n), x(to)-x(from), foot-up(n), 0, 175, 0)
		}
		from = to
	}
	g.line(namesWide, foot, rightEdge, foot, 0.3, false)
	if len(limit) == 0 {
		return
	}
	from = d.from
	for i := 0; i <= len(limit); i++ {
		to := d.to
		if i < len(limit) && limit[i].at.Before(to) {
			to = limit[i].at
		}
		if !to.After(from) {
			continue
		}
		n := limit.when(from)
		g.line(x(from), up(n), x(to), up(n), 0.5, true)
		if was := limit.when(from.Add(-time.Second)); was != n && from.After(d.from) {
			g.line(x(from), up(was), x(from), up(n), 0.5, true)
		}
		if n > 0 {
			g.text(x(from)+1, up(n)-0.8, small, atStart, true, true, fmt.Sprint(n)+" there")
		}
		from = to
	}
}

// key says what the numbers in the bars are, in four columns, and what the
// other marks mean.
func (p *page) key(g *drawing, t *timeline, batches []*v1.Batch, y float64, perColumn int) {
	const columnWide = drawingWide / 4
	for i, b := range batches {
		x, y := float64(i/max(perColumn, 1))*columnWide, y+4*float64(i%max(perColumn, 1))
		g.box(x, y-2.6, 6, 3.2, 0.2, 255, t.pattern(b)+1)
		text := fmt.Sprintf("%s  %s", short(b), p.clock(Loads(b)))
		g.text(x+7, y, small, atStart, true, false, text)
		room := columnWide - 9 - wideAs(text, small)
		if name := shorten(t.names[b.GetFormulaId()], room, small, 1); len(name) > 0 {
			g.text(x+7+wideAs(text, small)+0.5, y, small, atStart, false, false, name[0])
		}
	}
	y += 4*float64(perColumn) + 1
	g.box(0, y-2.2, 6, 2, 0.15, 150, 0)
	g.text(7, y, small, atStart, false, false, "cleaning")
	g.box(26, y-2.2, 6, 1.6, 0.15, 255, 0)
	g.text(33, y, small, atStart, false, false, "rests in the vessel")
	if len(t.crew) > 0 {
		g.box(70, y-2.6, 6, 3.2, 0, 228, 0)
		g.text(77, y, small, atStart, false, false, "nobody there")
	}
	g.line(104, y-1, 111, y-1, 0.5, true)
	g.text(112, y, small, atStart, false, false, "what there is. Times are when a vessel is loaded; the batch sheet has every step.")
}

// shorten folds a text into at most so many lines of a width, the last one cut.
func shorten(text string, wide, size float64, lines int) []string {
	all := fold(text, max(int(wide/(size*0.64)), 1))
	if len(all) > lines {
		all = all[:lines]
		last := strings.TrimRight(all[lines-1], " ")
		if cells(last) > 2 {
			all[lines-1] = last[:len(fitting(last, cells(last)-1))] + "."
		}
	}
	return all
}
