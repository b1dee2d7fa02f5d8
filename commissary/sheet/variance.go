package sheet

import (
	"fmt"
	"strconv"
	"strings"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Variances compares what batches became with what was planned. The chart
// beside each row has a dot for every batch, about zero.
func Variances(site *v1.Site, list []*v1.Variance) string {
	p := newPage(site, "PLANNED AGAINST ACTUAL")
	for _, v := range list {
		p.section(strings.ToUpper(either(v.GetFormulaName(), v.GetFormulaId())), fmt.Sprintf("%s, %s", either(v.GetVesselName(), v.GetVesselId()), either(v.GetShiftId(), "outside the shifts")))
		text := fmt.Sprintf("%d came out, %d thrown away.", v.GetBatches(), v.GetScrapped())
		if v.GetPlannedPieces() > 0 {
			text += fmt.Sprintf(" Pieces %d of %d (%s).", v.GetActualPieces(), v.GetPlannedPieces(), percent(v.GetActualPieces()-v.GetPlannedPieces(), v.GetPlannedPieces()))
		}
		if v.GetPlannedMassMg() > 0 {
			text += fmt.Sprintf(" Mass %s of %s (%s).", p.about(v.GetActualMassMg()), p.about(v.GetPlannedMassMg()), percent(v.GetActualMassMg()-v.GetPlannedMassMg(), v.GetPlannedMassMg()))
		}
		if v.TempOffMillicelsius != nil {
			text += fmt.Sprintf(" Dough %s from its target over %d measured.", p.tempOff(v.GetTempOffMillicelsius()), v.GetProbed())
		}
		if v.GetBatches() > 0 {
			text += fmt.Sprintf(" Out of the mixer %+d min against plan.", v.GetLateSeconds()/60)
		}
		p.put(0, text)
		if v.GetCostMinor() > 0 || v.GetWasteMinor() > 0 {
			money := fmt.Sprintf("Ingredients cost %s", minor(v.GetCostMinor()))
			if v.GetActualPieces() > 0 {
				money += fmt.Sprintf(", %s a hundred pieces", minor(v.GetCostMinor()*100/v.GetActualPieces()))
			}
			money += fmt.Sprintf("; thrown away %s.", minor(v.GetWasteMinor()))
			if none := v.GetUnpricedIngredientIds(); len(none) > 0 {
				money += " Without a price: " + strings.Join(none, ", ") + "."
			}
			p.put(0, money)
		}
		if len(v.GetOffPpm()) > 0 {
			p.raw("  -10 %" + dots(v.GetOffPpm()) + "+10 %")
		}
	}
	if len(list) == 0 {
		p.put(0, "No batch came out in these nights.")
	}
	return p.String()
}

// dots draws each value as a dot between -10 % and +10 %, those beyond at the
// edge; where several fall on one place their number stands there.
func dots(ppm []int64) string {
	const half = 30
	count := make([]int, 2*half+1)
	for _, v := range ppm {
		at := v * half / 100_000
		count[min(max(at, -half), half)+half]++
	}
	line := []byte(strings.Repeat(" ", len(count)))
	line[half] = '|'
	for i, n := range count {
		switch {
		case n > 9:
			line[i] = '#'
		case n > 1:
			line[i] = byte('0' + n)
		case n == 1:
			line[i] = 'o'
		}
	}
	return "[" + string(line) + "]"
}

// percent is a part of a whole to a tenth of a percent, with its sign.
func percent(part, whole int64) string {
	tenths := part * 1000 / whole
	sign := "+"
	if part < 0 {
		sign, tenths = "-", -tenths
	}
	return fmt.Sprintf("%s%d.%d %%", sign, tenths/10, tenths%10)
}

// minor writes money in its minor units with two decimals.
func minor(n int64) string {
	sign := ""
	if n < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

// tempOff is a difference of temperatures.
func (p *page) tempOff(milli int32) string {
	unit := "°C"
	if p.units == quantity.US {
		milli, unit = milli*9/5, "°F"
	}
	tenths := milli / 100
	sign := "+"
	if tenths < 0 {
		sign, tenths = "-", -tenths
	}
	return fmt.Sprintf("%s%d.%d %s", sign, tenths/10, tenths%10, unit)
}

// VarianceCSV is the same as a table for a spreadsheet: masses in grams, money
// in minor units.
func VarianceCSV(list []*v1.Variance) string {
	rows := [][]string{{"formula", "vessel", "shift", "batches", "scrapped", "planned_pieces", "actual_pieces", "planned_mass_g", "actual_mass_g",
		"measured", "temp_off_millicelsius", "late_seconds", "cost_minor", "waste_minor", "unpriced"}}
	number := func(n int64) string { return strconv.FormatInt(n, 10) }
	for _, v := range list {
		off := ""
		if v.TempOffMillicelsius != nil {
			off = number(int64(v.GetTempOffMillicelsius()))
		}
		rows = append(rows, []string{v.GetFormulaId(), v.GetVesselId(), v.GetShiftId(), number(int64(v.GetBatches())), number(int64(v.GetScrapped())),
			number(v.GetPlannedPieces()), number(v.GetActualPieces()), number(v.GetPlannedMassMg() / 1000), number(v.GetActualMassMg() / 1000),
			number(int64(v.GetProbed())), off, number(v.GetLateSeconds()), number(v.GetCostMinor()), number(v.GetWasteMinor()), strings.Join(v.GetUnpricedIngredientIds(), " ")})
	}
	return commas(rows)
}
