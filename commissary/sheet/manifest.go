package sheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Manifest is what the driver works from: how to load, then stop by stop what
// is left where, with the dates that hold for that shop.
func Manifest(m *v1.Manifest) string { return manifestPage(m).String() }

func manifestPage(m *v1.Manifest) *page {
	p := newPage(m.GetSite(), "MANIFEST")
	p.manifest(m)
	return p
}

func (p *page) manifest(m *v1.Manifest) {
	revision := "DRAFT, NOT RELEASED"
	if m.GetDispatchRevision() > 0 {
		revision = fmt.Sprintf("DISPATCH REVISION %d", m.GetDispatchRevision())
	}
	p.ends("RUN "+strings.ToUpper(either(m.GetRunName(), m.GetRunId())), revision)
	leaves := "LEAVES " + p.exact(m.GetDepartTime())
	if t := m.GetRide().GetDeparture().GetDepartTime(); t != nil {
		leaves = "LEFT " + p.exact(t)
	}
	p.ends(either(m.GetVehicleName(), m.GetVehicleId()), leaves)
	p.put(0, fmt.Sprintf("%s, %s with their containers, %s%s", quantity.Counted(m.GetContainers(), "container"), p.about(m.GetMassMg()), quantity.Counted(len(m.GetStops()), "stop"), rideState(m)))
	p.put(0, "Heavy loads: two people or a lift; local rules set the limits. Cool the van down before loading.")
	if m.GetBackTime() != nil {
		road := ""
		if m.GetRoadM() > 0 {
			road = ", " + p.units.Road(m.GetRoadM())
		}
		p.put(0, fmt.Sprintf("Back %s%s. Measured: %s.", p.at(m.GetBackTime()), road, either(m.GetMeasured(), nothing)))
	}
	if m.GetAfterRunName() != "" {
		p.put(0, fmt.Sprintf("*** THIS VEHICLE'S NEXT RUN: load it once it is back from %s, %s, and emptied of what came back. ***", strings.ToUpper(m.GetAfterRunName()), p.at(m.GetAfterBackTime())))
	}
	p.load(m)
	var sums []string
	var boxes int64
	for i := len(m.GetStops()) - 1; i >= 0; i-- {
		s := m.GetStops()[i]
		sums = append(sums, fmt.Sprint(s.GetContainers()))
		boxes += int64(s.GetContainers())
	}
	if len(sums) > 1 {
		p.put(0, fmt.Sprintf("In all %s = %s", strings.Join(sums, " + "), quantity.Counted(boxes, "container")))
	}
	if boxes != int64(m.GetContainers()) {
		p.put(0, fmt.Sprintf("*** THE STOPS COME TO %d CONTAINERS, NOT TO %d: call the office before you leave. ***", boxes, m.GetContainers()))
	}
	p.loaded(m)
	for i, s := range m.GetStops() {
		p.stop(i+1, s, m)
	}
}

func rideState(m *v1.Manifest) string {
	switch m.GetRide().GetState() {
	case v1.RideState_RIDE_STATE_LOADING:
		return ", LOADING"
	case v1.RideState_RIDE_STATE_DEPARTED:
		return ", ON THE ROAD"
	case v1.RideState_RIDE_STATE_CLOSED:
		return ", ALL STOPS CONFIRMED"
	}
	return ""
}

// most is how warm cold goods may be, in words; empty where no limit is known.
func (p *page) most(m *v1.Manifest) string {
	if m.GetProbeLimitMillicelsius() == 0 {
		return ""
	}
	return "at most " + p.temp(m.GetProbeLimitMillicelsius())
}

// loaded is the temperature at loading: room for it, or what was noted.
func (p *page) loaded(m *v1.Manifest) {
	most := p.most(m)
	d := m.GetRide().GetDeparture()
	if d == nil {
		blank := strings.Repeat("_", 8)
		p.raw(fmt.Sprintf("product temp at loading %s %s  left at %s", blank, blank, blank))
	} else {
		p.put(0, "Product temperature at loading: "+either(p.probed(d.GetProbes()), "not noted")+warmed(d.GetWarmAction())+colon(d.GetNote()))
	}
	if most != "" {
		p.put(0, "Probe cold goods, not the air: "+most+". Above it do not load; at a stop refuse, put aside on hold, or chill at once and probe again, and note which. Local code decides what is allowed.")
	}
}

func (p *page) probed(list []*v1.Probe) string {
	var said []string
	for _, x := range list {
		said = append(said, strings.TrimSpace(x.GetLotCode()+" "+p.temp(x.GetTempMillicelsius())))
	}
	return strings.Join(said, ", ")
}

func warmed(a v1.WarmAction) string {
	if a == 0 {
		return ""
	}
	return ", TOO WARM: " + word(a, "WARM_ACTION_")
}

func (p *page) stop(n int, s *v1.ManifestStop, m *v1.Manifest) {
	p.section(fmt.Sprintf("STOP %d: %s", n, strings.ToUpper(either(s.GetShopName(), s.GetShopId()))), "arrives "+p.at(s.GetArriveTime()))
	where := s.GetAddress()
	if s.GetPhone() != "" {
		where = strings.TrimPrefix(where+", phone "+s.GetPhone(), ", ")
	}
	if where != "" {
		p.put(0, where)
	}
	if s.GetReceiveFromTime() != nil {
		p.put(0, "Takes deliveries from "+p.clock(s.GetReceiveFromTime())+" to "+p.clock(s.GetReceiveToTime()))
	}
	if s.GetLate() != "" {
		p.put(0, "LATE ORDER. "+s.GetLate())
	}
	if s.GetAccess() != "" {
		p.put(0, "Access: "+s.GetAccess())
	}
	cols := []column{{"CONT", 4, true}, {"PIECES", 6, true}, {"ITEM", 20, false}, {"LOT", 21, false}, {"USE FROM", 12, false}, {"USE BY", 12, false}}
	p.table(0, cols, nil)
	for _, l := range s.GetLines() {
		p.row(0, cols, []string{fmt.Sprint(l.GetContainers()), fmt.Sprint(l.GetPieces()), either(l.GetItemName(), l.GetItemId()), l.GetLotCode(),
			p.mark(l.GetUseFromTime()), p.mark(l.GetUseByTime())})
		if l.GetBestTime() != nil {
			unsure := ""
			if l.GetUnsureSeconds() > 0 {
				unsure = " +/- " + roughly(l.GetUnsureSeconds())
			}
			p.put(12, "best "+p.mark(l.GetBestTime())+unsure)
		}
	}
	var pieces int64
	for _, l := range s.GetLines() {
		pieces += l.GetPieces()
	}
	p.put(0, fmt.Sprintf("In all %s, %s, %s", quantity.Counted(s.GetContainers(), "container"), quantity.Counted(pieces, "piece"), p.about(s.GetMassMg())))
	for _, l := range s.GetLines() {
		if l.GetHeldReason() != "" {
			p.put(0, fmt.Sprintf("*** HELD, DO NOT LOAD, DO NOT HAND OVER lot %s, %s: %s ***", l.GetLotCode(), either(l.GetItemName(), l.GetItemId()), l.GetHeldReason()))
		}
	}
	if len(s.GetNewAllergens()) > 0 {
		p.put(0, "*** ALLERGENS CHANGED since the release: "+strings.Join(s.GetNewAllergens(), ", ")+". Tell the shop before handing over. ***")
	}
	allergens := "none that the kitchen's book names"
	if len(s.GetAllergens()) > 0 {
		allergens = strings.Join(s.GetAllergens(), ", ")
	}
	p.put(0, "Allergens: "+allergens)
	if d := dropAt(m, s.GetShopId()); d != nil {
		p.dropped(d)
		return
	}
	blank := strings.Repeat("_", 8)
	sign := "received by " + strings.Repeat("_", 20)
	if s.GetUnattended() {
		sign = "NOBODY THERE: walk-in, photo [ ]"
	}
	p.raw(fmt.Sprintf("time %s  product temp %s  %s", blank, blank, sign))
	var back []string
	for _, e := range s.GetExpectedEmpties() {
		back = append(back, fmt.Sprintf("%d x %s", e.GetContainers(), either(e.GetContainerName(), e.GetContainerId())))
	}
	if len(back) > 0 {
		p.put(0, "Empties expected: "+strings.Join(back, ", "))
	}
	p.raw(fmt.Sprintf("empties back %s  missing %s  refused %s", blank, blank, blank))
	p.put(0, "What is refused is never back to stock: apart, and to the returns.")
}

// dropped is what became of a stop.
func (p *page) dropped(d *v1.Drop) {
	said := word(d.GetState(), "STOP_STATE_") + " " + p.at(d.GetDropTime())
	if t := p.probed(d.GetProbes()); t != "" {
		said += ", product at " + t
	}
	said += warmed(d.GetWarmAction())
	switch {
	case d.GetSignedBy() != "":
		said += ", signed " + d.GetSignedBy()
	case d.GetLeft() != "":
		said += ", left: " + d.GetLeft()
	default:
		said += ", nobody signed"
	}
	p.put(0, "*** "+said+" ***")
	for _, l := range d.GetLines() {
		if l.GetMissingPieces() > 0 {
			p.item(0, "*", fmt.Sprintf("%d x %s of lot %s missing%s", l.GetMissingPieces(), either(l.GetItemName(), l.GetItemId()), l.GetLotCode(), colon(l.GetReason())))
		}
		if l.GetRefusedPieces() > 0 {
			p.item(0, "*", fmt.Sprintf("%d x %s of lot %s refused, to the returns%s", l.GetRefusedPieces(), either(l.GetItemName(), l.GetItemId()), l.GetLotCode(), colon(l.GetReason())))
		}
	}
	for _, e := range d.GetEmpties() {
		p.item(0, "*", fmt.Sprintf("%d x %s back", e.GetCount(), e.GetContainerId()))
	}
	if d.GetNote() != "" {
		p.item(0, "*", d.GetNote())
	}
}

// Manifests is every manifest of a night, one after the other.
func Manifests(list []*v1.Manifest) string {
	var text strings.Builder
	for i, m := range list {
		if i > 0 {
			text.WriteByte('\n')
		}
		text.WriteString(Manifest(m))
	}
	return text.String()
}

// Dispatch is the morning at one glance: what becomes of every need, and what
// rides on each run.
func Dispatch(m *v1.Dispatch) string {
	p := newPage(m.GetSite(), "DISPATCH")
	p.ends("Delivery on "+longDay(m.GetDeliveryDate()), standing(m.GetState(), m.GetRevision()))
	p.put(0, fmt.Sprintf("Night of %s, made for %s, inputs %.12s", longDay(m.GetNightDate()), p.exact(m.GetDraftTime()), either(m.GetInputHash(), nothing)))
	n := newNames()
	for _, l := range m.GetLines() {
		n.shops[l.GetShopId()], n.items[l.GetItemId()] = l.GetShopName(), l.GetItemName()
	}
	p.exceptions(m.GetExceptions(), n)
	p.section("RUNS", "")
	var rows [][]string
	for _, r := range m.GetManifests() {
		var shops []string
		for _, s := range r.GetStops() {
			shops = append(shops, fmt.Sprintf("%s (%d)", either(s.GetShopName(), s.GetShopId()), s.GetContainers()))
		}
		rows = append(rows, []string{p.at(r.GetDepartTime()), either(r.GetRunName(), r.GetRunId()), fmt.Sprint(r.GetContainers()), p.about(r.GetMassMg()), strings.Join(shops, ", ")})
	}
	p.table(0, []column{{"LEAVES", 16, false}, {"RUN", 12, false}, {"CONT.", 5, true}, {"MASS", 10, true}, {"STOPS, WITH CONTAINERS", 33, false}}, rows)
	p.section("WHAT BECOMES OF EVERY NEED", "ordered = picked + short")
	var ordered, picked, short int64
	rows = nil
	lines := byShop(m.GetLines())
	for i, l := range lines {
		shop := ""
		if i == 0 || lines[i-1].GetShopId() != l.GetShopId() {
			shop = either(l.GetShopName(), l.GetShopId())
		}
		note := ""
		if l.GetSource() != v1.Source_SOURCE_ORDER {
			note = strings.ToLower(word(l.GetSource(), "SOURCE_"))
		}
		rows = append(rows, []string{shop, either(l.GetItemName(), l.GetItemId()), day(l.GetBakeDate()), fmt.Sprint(l.GetOrderedPieces()), fmt.Sprint(l.GetPickedPieces()), number(l.GetShortPieces()), note})
		ordered, picked, short = ordered+l.GetOrderedPieces(), picked+l.GetPickedPieces(), short+l.GetShortPieces()
	}
	rows = append(rows, []string{"In all", "", "", fmt.Sprint(ordered), fmt.Sprint(picked), number(short), ""})
	p.table(0, []column{{"SHOP", 15, false}, {"ITEM", 21, false}, {"FOR", 10, false}, {"ORDERED", 7, true}, {"PICKED", 6, true}, {"SHORT", 5, true}, {"", 8, false}}, rows)
	return p.String()
}

// byShop puts lines of one shop together, shops in the order in which they
// first appear.
func byShop(lines []*v1.DispatchLine) []*v1.DispatchLine {
	first := map[string]int{}
	for _, l := range lines {
		if _, ok := first[l.GetShopId()]; !ok {
			first[l.GetShopId()] = len(first)
		}
	}
	lines = slices.Clone(lines)
	slices.SortStableFunc(lines, func(a, b *v1.DispatchLine) int { return cmp.Compare(first[a.GetShopId()], first[b.GetShopId()]) })
	return lines
}
