package sheet

import (
	"fmt"
	"strings"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Label is what is stuck on one container. It says when its content was made
// and when it is over, and no shop: containers change shops.
type Label struct {
	Item, Lot, Batch string
	Pieces           int64
	Number, Of       int64 // this container, and how many there are of its lot
	Made, UseBy      string
	Mark             string // the date to be marked, with its words
	Opened           int64  // days it may be used once opened; 0: no such limit
	Keep             string // where it is kept
	Allergens        []string
	MayContain       []string
}

// never begins the line of a label that nobody may overlook.
const never = "NEVER AFTER "

// LabelPaper is the labels of every container that a plan's batches fill. The
// code of a lot is asked for by its batch and the number, from 1, of what the
// batch makes.
func LabelPaper(m *v1.Plan, list []*v1.GetBatchResponse, lot func(batch string, n int) string) Paper {
	p := blankPage(m.GetSite())
	paper := Paper{Kind: "labels", Title: "Container labels", stamp: planStamp(m), zone: p.zone}
	for _, x := range list {
		b, s := x.GetBatch(), x.GetSheet()
		for _, d := range s.GetDivides() {
			n := 0
			for i, made := range b.GetMakes() {
				if made.GetItemId() == d.GetItemId() {
					n = i + 1
				}
			}
			l := Label{Item: either(d.GetItemName(), d.GetItemId()), Lot: lot(b.GetId(), n), Batch: b.GetId(),
				Made: p.at(b.GetMixEndTime()), UseBy: p.at(d.GetUseByTime()), Allergens: s.GetAllergens(), MayContain: s.GetMayContain()}
			l.Opened = int64(d.GetOpenedDays())
			if d.GetMarkDate() != "" {
				l.Mark = longDay(d.GetMarkDate())
			}
			if d.GetZoneName() != "" {
				l.Keep = d.GetZoneName() + ", " + p.temp(d.GetZoneTempMillicelsius())
			}
			full := int64(d.GetFullContainers())
			l.Of = full
			if d.GetLoosePieces() > 0 {
				l.Of++
			}
			for i := range l.Of {
				l.Number, l.Pieces = i+1, d.GetLoosePieces()
				if i < full {
					l.Pieces = (d.GetPieces() - d.GetLoosePieces()) / full
				}
				paper.labels = append(paper.labels, l)
			}
		}
	}
	return paper
}

// lines are what stands on a label below its item, as it matters.
func (l Label) lines() []string {
	lines := []string{
		fmt.Sprintf("%s, container %d of %d", quantity.Counted(l.Pieces, "piece"), l.Number, l.Of),
		"Mixing ends " + l.Made + "; really ________",
		never + l.UseBy,
	}
	if l.Mark != "" {
		lines = append(lines, "Mark "+l.Mark)
	}
	if l.Opened > 0 {
		lines = append(lines, fmt.Sprintf("Opened ________: then %s, that day counts", quantity.Counted(l.Opened, "day")))
	}
	if l.Keep != "" {
		lines = append(lines, "Keep: "+l.Keep)
	}
	allergens := "none that the kitchen's book names"
	if len(l.Allergens) > 0 {
		allergens = strings.Join(l.Allergens, ", ")
	}
	lines = append(lines, "Allergens: "+allergens)
	if len(l.MayContain) > 0 {
		lines = append(lines, "May contain: "+strings.Join(l.MayContain, ", "))
	}
	return lines
}

// labelRows is how many rows of usual letters stand above a label's code, each of
// labelChars at the least.
const labelRows, labelChars = 7, 44

// rows is how many rows of usual letters a label's lines take.
func (l Label) rows() int {
	n := 0
	for _, line := range l.lines() {
		n += (cells(line) + labelChars - 1) / labelChars
	}
	return n
}

// text is the label for a terminal.
func (l Label) text(s imprint) string {
	var t typed
	t.ends(strings.ToUpper(l.Item), l.Lot)
	for _, x := range l.lines() {
		t.hang(0, "", x)
	}
	t.hang(0, "", s.line())
	return t.String()
}
