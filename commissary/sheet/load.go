package sheet

import (
	"fmt"
	"slices"
	"strings"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// load says how a run is loaded, dolly by dolly, the deepest first, and draws it.
func (p *page) load(m *v1.Manifest) {
	if len(m.GetLoad()) == 0 {
		p.section("LOAD IN THIS ORDER", "last stop first")
		for i, s := range slices.Backward(m.GetStops()) {
			p.item(0, "[ ]", fmt.Sprintf("stop %d, %s: %s, %s", i+1, either(s.GetShopName(), s.GetShopId()), quantity.Counted(s.GetContainers(), "container"), p.about(s.GetMassMg())))
		}
		return
	}
	what := "dolly"
	if m.GetDollyLongMm() == 0 {
		what = "on the floor"
	}
	p.section("LOAD IN THIS ORDER", "last stop first, deepest")
	p.add(block{kind: pictured, picture: loadDrawing(m)})
	var heaviest int64
	for n, d := range m.GetLoad() {
		var boxes int64
		var stacks []string
		for _, s := range d.GetStacks() {
			boxes += int64(s.GetContainers())
			heaviest = max(heaviest, s.GetMassMg())
			layers := layersOf(s)
			stacks = append(stacks, fmt.Sprintf("%d high (%s)", s.GetContainers(), strings.Join(layers, " + ")))
		}
		kept := "dry"
		if d.GetCold() {
			kept = "cold"
		}
		p.item(0, "[ ]", fmt.Sprintf("%s %d: STOP %d: %s, %s, %s, %s", what, n+1, stopOf(m, d), either(d.GetShopName(), d.GetShopId()), kept, quantity.Counted(boxes, "container"), p.about(d.GetMassMg())))
		p.put(4, strings.Join(stacks, "; "))
	}
	p.put(0, fmt.Sprintf("The heaviest stack is %s: roll stacks, never lift them; take them down container by container.", p.about(heaviest)))
}

// layersOf names what stands in a stack, from the floor up. What is on top of
// its own kind is one layer; the lots are on the labels and the stop's page.
func layersOf(s *v1.Stack) []string {
	var layers []string
	all := s.GetLayers()
	for i := 0; i < len(all); {
		item, boxes, lots := all[i].GetItemId(), int32(0), 0
		name := either(all[i].GetItemName(), item)
		for ; i < len(all) && all[i].GetItemId() == item; i++ {
			boxes += all[i].GetContainers()
			lots++
		}
		text := fmt.Sprintf("%d %s", boxes, name)
		if lots > 1 {
			text += fmt.Sprintf(" of %d lots", lots)
		}
		layers = append(layers, text)
	}
	return layers
}

// stopOf is the number of the stop that a dolly is for; 0 when there is none.
func stopOf(m *v1.Manifest, d *v1.LoadedDolly) int {
	return 1 + slices.IndexFunc(m.GetStops(), func(s *v1.ManifestStop) bool { return s.GetShopId() == d.GetShopId() })
}

// loadDrawing shows the load from the side, the deep end on the left: a dolly
// is its stacks side by side, a box for each container. Every stop has its own
// hatching and number.
func loadDrawing(m *v1.Manifest) *drawing {
	const wide, gap, head, foot = 178.0, 3.0, 7.0, 14.0
	high, stacks := int32(1), 0
	for _, d := range m.GetLoad() {
		stacks += len(d.GetStacks())
		for _, s := range d.GetStacks() {
			high = max(high, s.GetContainers())
		}
	}
	box := min(40/float64(high), 4)
	each := min((wide-gap*float64(len(m.GetLoad())))/float64(max(stacks, 1)), 12)
	floor := head + box*float64(high)
	d := &drawing{name: "load-" + m.GetRunId(), title: "Load of " + either(m.GetRunName(), m.GetRunId()) + ", from the deep end to the door", wide: wide, tall: floor + foot}
	d.text(0, 4.5, 4.5, atStart, true, false, "DEEP END: load first")
	d.text(wide, 4.5, 4.5, atEnd, true, false, "DOOR")
	x := 0.0
	for _, l := range m.GetLoad() {
		from := x
		for _, s := range l.GetStacks() {
			for n := range s.GetContainers() {
				d.box(x, floor-box*float64(n+1), each, box, 0.25, 255, max(stopOf(m, l), 1))
			}
			x += each
		}
		d.line(from, floor, x, floor, 1, false)
		d.text((from+x)/2, floor+5.5, 5.5, atMiddle, true, false, fmt.Sprint(stopOf(m, l)))
		if !l.GetCold() {
			d.text((from+x)/2, floor+9.5, 4, atMiddle, false, false, "dry")
		}
		x += gap
	}
	d.text(0, floor+foot-0.5, 4, atStart, false, false, "Numbers are stops.")
	return d
}

// DrivenOrders lays a driver's own order of stops beside that of the manifest.
func DrivenOrders(m *v1.CompareOrderResponse) string {
	p := newPage(m.GetSite(), "ORDER OF STOPS")
	show := func(title string, o *v1.DrivenOrder) {
		p.section(title, "leaves "+p.at(o.GetDepartTime()))
		for i, s := range o.GetStops() {
			late := ""
			if s.GetLateSeconds() > 0 {
				late = fmt.Sprintf(", %d MIN TOO LATE", minutesUp(s.GetLateSeconds()))
			}
			p.put(0, fmt.Sprintf("%d. %s %s%s", i+1, p.at(s.GetArriveTime()), either(s.GetShopName(), s.GetShopId()), late))
		}
		p.put(0, fmt.Sprintf("Back %s: %d min driving, %d min waiting, %s", p.at(o.GetBackTime()), o.GetDriveSeconds()/60, o.GetWaitSeconds()/60, p.units.Road(o.GetRoadM())))
		if o.GetOvertimeSeconds() > 0 {
			p.put(0, fmt.Sprintf("BACK %d MIN TOO LATE", minutesUp(o.GetOvertimeSeconds())))
		}
	}
	show("AS ON THE MANIFEST", m.GetOurs())
	show("AS ASKED", m.GetAsked())
	ours, asked := m.GetOurs(), m.GetAsked()
	road, sign := asked.GetRoadM()-ours.GetRoadM(), "+"
	if road < 0 {
		road, sign = -road, "-"
	}
	p.put(0, fmt.Sprintf("Asked against manifest: %+d min driving, %s%s.", (asked.GetDriveSeconds()-ours.GetDriveSeconds())/60, sign, p.units.Road(road)))
	p.put(0, "Measured: "+either(m.GetMeasured(), nothing)+".")
	return p.String()
}

func minutesUp(seconds int64) int64 { return (seconds + 59) / 60 }
