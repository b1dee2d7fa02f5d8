package sheet

import (
	"encoding/csv"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "doughrun/proto/doughrun/v1"
)

// rowsOf writes lines of comma-separated values (RFC 4180) for a spreadsheet.
// A text that a spreadsheet would take for a formula gets an apostrophe.
func rowsOf(rows [][]string) string {
	var s strings.Builder
	w := csv.NewWriter(&s)
	for _, r := range rows {
		cells := make([]string, len(r))
		for i, c := range r {
			if cells[i] = clean(c); c != "" && strings.ContainsRune("=+-@", rune(c[0])) {
				cells[i] = "'" + cells[i]
			}
		}
		_ = w.Write(cells) // a builder takes everything
	}
	w.Flush()
	return s.String()
}

// instant is an instant in UTC (RFC 3339); empty where there is none.
func instant(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339)
}

// PlanCSV is the batches of a plan, a line for each thing a batch makes.
func PlanCSV(m *v1.Plan) string {

	rows := [][]string{{"batch", "formula", "vessel", "unit", "load", "mix_end", "mass_mg", "odd", "item", "pieces"}}
	for _, b := range m.GetBatches() {
		row := []string{b.GetId(), b.GetFormulaId(), b.GetVesselId(), fmt.Sprint(b.GetVesselUnit()), instant(Loads(b)), instant(b.GetMixEndTime()), fmt.Sprint(b.GetMassMg()), fmt.Sprint(b.GetOdd())}
		for _, x := range b.GetMakes() {
			rows = append(rows, append(row[:8:8], x.GetItemId(), fmt.Sprint(x.GetPieces())))
		}
		if len(b.GetMakes()) == 0 {
			rows = append(rows, append(row[:8:8], "", ""))
		}
	}
	return rowsOf(rows)
}

// BatchCSV is the lines to be weighed of batch sheets.
func BatchCSV(list []*v1.GetBatchResponse) string {
	rows := [][]string{{"batch", "formula", "ingredient", "mass_mg", "ice_mg", "scale"}}
	for _, x := range list {
		for _, l := range x.GetSheet().GetLines() {
			rows = append(rows, []string{x.GetBatch().GetId(), x.GetBatch().GetFormulaId(), l.GetId(), fmt.Sprint(l.GetMassMg()), fmt.Sprint(l.GetIceMassMg()), l.GetScaleId()})
		}
	}
	return rowsOf(rows)
}

// PickCSV is the lines of pick lists, in the order in which they are picked.
func PickCSV(m *v1.PickList) string {

	rows := [][]string{{"run", "shop", "zone", "item", "bake_date", "lot", "pieces", "full_containers", "loose_pieces", "use_from", "use_by", "held"}}
	for _, r := range m.GetRuns() {
		for _, k := range r.GetPicks() {
			rows = append(rows, []string{r.GetRunId(), k.GetShopId(), k.GetZoneId(), k.GetItemId(), k.GetBakeDate(), k.GetLotCode(), fmt.Sprint(k.GetPieces()), fmt.Sprint(k.GetFullContainers()),
				fmt.Sprint(k.GetLoosePieces()), instant(k.GetUseFromTime()), instant(k.GetUseByTime()), k.GetHeldReason()})
		}
	}
	return rowsOf(rows)
}

// ManifestCSV is the lines of manifests, in the order of their stops.
func ManifestCSV(d *v1.Dispatch) string {

	rows := [][]string{{"run", "stop", "shop", "arrives", "item", "lot", "pieces", "containers", "use_from", "use_by", "held"}}
	for _, m := range d.GetManifests() {
		for i, s := range m.GetStops() {
			for _, l := range s.GetLines() {
				rows = append(rows, []string{m.GetRunId(), fmt.Sprint(i + 1), s.GetShopId(), instant(s.GetArriveTime()), l.GetItemId(), l.GetLotCode(), fmt.Sprint(l.GetPieces()), fmt.Sprint(l.GetContainers()),
					instant(l.GetUseFromTime()), instant(l.GetUseByTime()), l.GetHeldReason()})
			}
		}
	}
	return rowsOf(rows)
}
