package sheet

import (
	"fmt"
	"strings"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Picks is what the dock works from: run by run, shop by shop in loading
// order, zone by zone in walking order, whole containers before the split one,
// with a running count of containers.
func Picks(m *v1.PickList) string { return picksPage(m).String() }

func picksPage(m *v1.PickList) *page {
	p := newPage(m.GetSite(), "PICK LIST")
	p.ends("Delivery on "+longDay(m.GetDeliveryDate()), fmt.Sprintf("DISPATCH REVISION %d", m.GetDispatchRevision()))
	p.put(0, "Night of "+longDay(m.GetNightDate())+". One lot in a container, one shop on a dolly. A list with another revision is waste paper.")
	for _, r := range m.GetRuns() {
		p.pickRun(r)
	}
	if len(m.GetRuns()) == 0 {
		p.put(0, "Nothing is picked.")
	}
	return p
}

func (p *page) pickRun(r *v1.PickRun) {
	p.part("RUN "+strings.ToUpper(either(r.GetRunName(), r.GetRunId())), "leaves "+p.at(r.GetDepartTime()),
		r.GetVehicleName(), fmt.Sprintf("%s, %s with their containers", quantity.Counted(r.GetContainers(), "container"), p.about(r.GetMassMg())))
	if r.GetAfterRunName() != "" {
		p.put(0, fmt.Sprintf("*** THE SAME VEHICLE'S NEXT RUN: it stays in the cold until the vehicle is back from %s, %s. ***", strings.ToUpper(r.GetAfterRunName()), p.at(r.GetAfterBackTime())))
	}
	for picks := r.GetPicks(); len(picks) > 0; {
		n := 1
		for n < len(picks) && picks[n].GetShopId() == picks[0].GetShopId() {
			n++
		}
		p.pickShop(picks[:n], r.GetPicked())
		picks = picks[n:]
	}
}

func (p *page) pickShop(picks []*v1.Pick, picked []*v1.PickedLine) {
	p.section("FOR "+strings.ToUpper(either(picks[0].GetShopName(), picks[0].GetShopId())), "")
	cols := []column{{"", 4, false}, {"FULL", 4, true}, {"LOOSE", 5, true}, {"PIECES", 6, true}, {"ITEM", 16, false}, {"LOT", 21, false}, {"USE BY", 12, false}, {"COUNT", 5, true}}
	p.table(0, cols, nil)
	var count, pieces int64
	var kinds []string // containers, in walking order
	boxes := map[string]int64{}
	for i, k := range picks {
		if i == 0 || k.GetZoneId() != picks[i-1].GetZoneId() || k.GetBakeDate() != picks[i-1].GetBakeDate() {
			p.put(0, fmt.Sprintf("%s, for %s", either(k.GetZoneName(), k.GetZoneId()), day(k.GetBakeDate())))
		}
		n := int64(k.GetFullContainers())
		if k.GetLoosePieces() > 0 {
			n++
		}
		count += n
		pieces += k.GetPieces()
		if boxes[k.GetContainerName()] == 0 {
			kinds = append(kinds, k.GetContainerName())
		}
		boxes[k.GetContainerName()] += n
		tick := "[ ]"
		if stillOpen(k, picked) == 0 {
			tick = "[x]"
		}
		if k.GetHeldReason() != "" {
			tick = "STOP"
		}
		p.row(0, cols, []string{tick, number(int64(k.GetFullContainers())), number(k.GetLoosePieces()), fmt.Sprint(k.GetPieces()),
			either(k.GetItemName(), k.GetItemId()), k.GetLotCode(), p.mark(k.GetUseByTime()), fmt.Sprint(count)})
		if k.GetHeldReason() != "" {
			p.put(6, "*** HELD, DO NOT LOAD: "+k.GetHeldReason()+" ***")
		}
		if open := stillOpen(k, picked); open > 0 && open < k.GetPieces() {
			p.put(6, fmt.Sprintf("picked already: %d; pick %d more", k.GetPieces()-open, open))
		}
	}
	for i, kind := range kinds {
		kinds[i] = fmt.Sprintf("%d x %s", boxes[kind], either(kind, "container"))
	}
	p.put(0, fmt.Sprintf("In all %s, %s: %s", quantity.Counted(count, "container"), quantity.Counted(pieces, "piece"), strings.Join(kinds, ", ")))
}
