package sheet

import (
	"fmt"
	"strings"

	v1 "doughrun/proto/doughrun/v1"
)

// Batch is the page that is taped to the mixer: what to weigh in which order,
// the water, the mixing, what follows and when, and blanks for what happened.
func Batch(b *v1.Batch, s *v1.BatchSheet) string { return onOnePage(batchPage(b, s).String()) }

// lines is how many lines a printed page holds.
const lines = 66

// onOnePage leaves out blank lines, the last first, until a text fits one
// page; what is longer without any stays as it is.
func onOnePage(text string) string {
	all := strings.Split(text, "\n")
	for i := len(all) - 2; i >= 0 && len(all)-1 > lines; i-- {
		if all[i] == "" {
			all = append(all[:i], all[i+1:]...)
		}
	}
	return strings.Join(all, "\n")
}

func batchPage(b *v1.Batch, s *v1.BatchSheet) *page {
	if s == nil {
		s = &v1.BatchSheet{}
	}
	p := newPage(s.GetSite(), "BATCH SHEET")
	formula := either(b.GetFormulaName(), b.GetFormulaId())
	p.ends("BATCH "+b.GetId()+"  "+strings.ToUpper(formula), word(b.GetState(), "BATCH_STATE_"))
	posted := ""
	if b.GetNightDate() != "" {
		posted = fmt.Sprintf("night of %s, plan revision %d", day(b.GetNightDate()), b.GetPlanRevision())
	}
	p.ends(vesselOf(b, true), posted)
	p.ends(fmt.Sprintf("LOAD %s   OUT OF THE MIX %s", p.at(Loads(b)), p.at(b.GetMixEndTime())), firmMark(b))
	if b.GetOdd() {
		p.put(0, "*** ODD BATCH: its weights differ from the other "+formula+" batches ***")
	}
	p.warned(s)
	p.weigh(s)
	p.mix(s)
	p.next(b)
	p.cool(s)
	p.divide(s)
	p.keeping(s)
	if len(s.GetCautions())+len(s.GetAllergens())+len(s.GetMayContain()) > 0 {
		p.section("MIND", "")
		p.declared(s)
		for _, c := range s.GetCautions() {
			p.item(0, "!", c)
		}
	}
	p.actuals(s)
	return p
}

// vesselOf names a batch's vessel, and which one of several alike.
func vesselOf(b *v1.Batch, several bool) string {
	v := either(b.GetVesselName(), b.GetVesselId())
	if several && b.GetVesselUnit() > 0 {
		v += fmt.Sprintf(" no. %d", b.GetVesselUnit())
	}
	return v
}

// severalOf tells the vessels of which batches use more than one.
func severalOf(batches []*v1.Batch) map[string]bool {
	several := map[string]bool{}
	for _, b := range batches {
		several[b.GetVesselId()] = several[b.GetVesselId()] || b.GetVesselUnit() > 1
	}
	return several
}

func (p *page) weigh(s *v1.BatchSheet) {
	total := p.mass(s.GetMixedMassMg()) + " in all"
	if s.GetFlourMassMg() > 0 {
		total += ", flour " + p.about(s.GetFlourMassMg())
	}
	p.section("WEIGH IN THIS ORDER", total)
	cols := []column{{"", 3, false}, {"", 32, false}, {"MASS", 11, true}, {"SCALE", 14, false}, {"LOT", 16, false}}
	p.table(0, cols, nil)
	for _, l := range s.GetLines() {
		name := either(l.GetName(), l.GetId())
		if len(l.GetAllergens()) > 0 {
			name += " (" + strings.Join(l.GetAllergens(), ", ") + ")"
		}
		scale := l.GetScaleId()
		if l.GetWeighings() > 1 {
			scale += fmt.Sprintf(" in %d", l.GetWeighings())
		}
		p.row(0, cols, []string{"[ ]", name, onScale(l.GetMassMg(), l.GetScaleDivisionMg()), scale, strings.Repeat("_", 16)})
		if ice := l.GetIceMassMg(); ice > 0 {
			for _, part := range []struct {
				what string
				mass int64
			}{{"of it water from the tap", l.GetMassMg() - ice}, {"of it " + either(s.GetIceKind(), "chipped") + " ice", ice}} {
				p.row(0, cols, []string{"", "- " + part.what, onScale(part.mass, l.GetScaleDivisionMg()), "", ""})
			}
		}
	}
}

func (p *page) mix(s *v1.BatchSheet) {
	p.section("MIX", "")
	if s.GetSecondSpeedSeconds() > 0 {
		p.put(0, "First speed "+lasting(s.GetFirstSpeedSeconds())+", then second speed "+lasting(s.GetSecondSpeedSeconds())+".")
	} else {
		p.put(0, "For "+lasting(s.GetFirstSpeedSeconds())+"; no second speed.")
	}
	if s.WaterTempMillicelsius != nil {
		text := "WATER AT " + p.temp(s.GetWaterTempMillicelsius())
		if s.TargetTempMillicelsius != nil {
			text += " for dough out at " + p.temp(s.GetTargetTempMillicelsius())
		}
		p.put(0, fmt.Sprintf("%s. %s Measure, and tell the planner when they differ.", text, p.waterBy(s)))
	} else if s.TargetTempMillicelsius != nil {
		p.put(0, "Out of the mix at "+p.temp(s.GetTargetTempMillicelsius())+".")
	}
	p.missed(s)
}

func (p *page) next(b *v1.Batch) {
	if len(b.GetSteps()) == 0 {
		return
	}
	p.section("STEP BY STEP", "")
	var rows [][]string
	for _, s := range b.GetSteps() {
		end := p.at(s.GetEndTime())
		if p.on(s.GetStartTime()) == p.on(s.GetEndTime()) {
			end = p.clock(s.GetEndTime())
		}
		heads := ""
		if s.GetHeads() > 0 {
			heads = person(s.GetHeads())
		}
		where := either(s.GetResourceName(), s.GetResourceId())
		if s.GetContainerSlots() > 0 {
			where += fmt.Sprintf(", %d places", s.GetContainerSlots())
		}
		rows = append(rows, []string{"[ ]", p.at(s.GetStartTime()), end, steps[s.GetKind()], where, heads})
	}
	p.table(0, []column{{"", 3, false}, {"FROM", 16, false}, {"TO", 16, false}, {"", 11, false}, {"WHERE", 21, false}, {"", 8, false}}, rows)
}

// steps are the words for what happens to a batch.
var steps = map[v1.StepKind]string{
	v1.StepKind_STEP_KIND_UNSPECIFIED: nothing,
	v1.StepKind_STEP_KIND_WEIGH:       "weigh up",
	v1.StepKind_STEP_KIND_MIX:         "MIX",
	v1.StepKind_STEP_KIND_WASH:        "clean",
	v1.StepKind_STEP_KIND_REST:        "rest",
	v1.StepKind_STEP_KIND_DIVIDE:      "divide, box",
	v1.StepKind_STEP_KIND_COOL:        "cool",
	v1.StepKind_STEP_KIND_PACK:        "pack, label",
	v1.StepKind_STEP_KIND_CHILL:       "cross-stack",
	v1.StepKind_STEP_KIND_NEST:        "nest, lid",
	v1.StepKind_STEP_KIND_HOLD:        "hold cold",
	v1.StepKind_STEP_KIND_PICK:        "pick, load",
}

func (p *page) divide(s *v1.BatchSheet) {
	if len(s.GetDivides()) == 0 {
		return
	}
	p.section("DIVIDE OR PACK", "allow for a loss of "+p.about(s.GetLossMassMg()))
	var rows [][]string
	for _, d := range s.GetDivides() {
		each := p.mass(d.GetPieceMassMg())
		if off := d.GetPieceMassMg() * d.GetTolerancePpm() / 1_000_000; off > 0 {
			each += " +/- " + p.mass(off)
		}
		boxes := fmt.Sprintf("%d full", d.GetFullContainers())
		if d.GetLoosePieces() > 0 {
			boxes += fmt.Sprintf(" + 1 with %d", d.GetLoosePieces())
		}
		if d.GetContainerName() != "" {
			boxes += ", " + d.GetContainerName()
		}
		rows = append(rows, []string{fmt.Sprint(d.GetPieces()), either(d.GetItemName(), d.GetItemId()), each, boxes})
	}
	p.table(0, []column{{"PIECES", 6, true}, {"ITEM", 22, false}, {"EACH", 20, false}, {"CONTAINERS, ONE LOT IN EACH", 29, false}}, rows)
}

// actuals leaves room for what really happened.
func (p *page) actuals(s *v1.BatchSheet) {
	p.section("WHAT REALLY HAPPENED", "")
	blank := "________"
	p.raw(fmt.Sprintf("load %s  out %s  water temp %s  dough temp %s", blank, blank, blank, blank))
	p.raw(fmt.Sprintf("pieces %s  scrapped %s  last one in the cold at %s", blank, blank, blank))
	p.raw("by " + strings.Repeat("_", 28) + "  signed " + strings.Repeat("_", 28))
}

// Batches lists posted batches.
func Batches(site *v1.Site, list []*v1.Batch) string {
	p := newPage(site, "BATCHES")
	p.batches(list)
	return p.String()
}

func (p *page) batches(list []*v1.Batch) {
	several := severalOf(list)
	var rows [][]string
	for _, b := range list {
		rows = append(rows, []string{b.GetId(), word(b.GetState(), "BATCH_STATE_"), p.at(Loads(b)), either(b.GetFormulaName(), b.GetFormulaId()), vesselOf(b, several[b.GetVesselId()]), p.about(b.GetMassMg())})
	}
	p.table(0, []column{{"BATCH", 11, false}, {"STATE", 8, false}, {"LOAD", 16, false}, {"FORMULA", 15, false}, {"VESSEL", 16, false}, {"MASS", 9, true}}, rows)
	if len(list) == 0 {
		p.put(0, "None.")
	}
}

// Finished shows a batch that was begun or is out, and the lots it left.
func Finished(site *v1.Site, b *v1.Batch, lots []*v1.Lot) string {
	p := newPage(site, "BATCH")
	p.batches([]*v1.Batch{b})
	switch b.GetState() {
	case v1.BatchState_BATCH_STATE_MIXING:
		p.put(0, fmt.Sprintf("Mix by its sheet of plan revision %d; one of another revision is waste paper.", b.GetPlanRevision()))
	case v1.BatchState_BATCH_STATE_OUT:
		p.outcome(b)
		p.section("ITS LOTS", "write the code on every container")
		p.lots(lots)
		for _, l := range lots {
			if l.GetUseByTime() != nil {
				p.put(0, fmt.Sprintf("%s: use from %s, best %s, by %s.", l.GetCode(), p.at(l.GetUseFromTime()), p.at(l.GetBestTime()), p.at(l.GetUseByTime())))
			}
		}
	}
	return p.String()
}

// outcome says what is recorded of a batch that is out, and what is odd about it.
func (p *page) outcome(b *v1.Batch) {
	if len(b.GetOutcomes()) == 0 {
		return
	}
	o := b.GetOutcomes()[len(b.GetOutcomes())-1]
	text := "Recorded: out of the mix " + p.at(o.GetMixEndTime())
	if o.DoughTempMillicelsius != nil {
		text += ", dough at " + p.temp(o.GetDoughTempMillicelsius())
	}
	p.put(0, text+", "+p.about(o.GetMassMg())+".")
	for _, f := range o.GetFarFromPlan() {
		p.item(0, "*", "Far from the plan, and confirmed: "+f+".")
	}
	for _, n := range o.GetNotes() {
		p.item(0, "*", strings.ToUpper(n[:1])+n[1:]+".")
	}
}
