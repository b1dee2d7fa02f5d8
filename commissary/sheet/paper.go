package sheet

import (
	"crypto/sha256"
	"fmt"
	"strings"
	"time"

	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// Paper is one document of a night: the pages of one kind. It is set as plain
// text, as one HTML file that needs no other, or as a PDF.
type Paper struct {
	Kind   string // plan, batches, picks, manifests, labels or recall: a good file name
	Title  string
	stamp  imprint
	zone   *civil.Zone
	pages  []sheetPage
	labels []Label
}

// imprint is what every page says, so that nobody works from the wrong one.
type imprint struct {
	kitchen, about, revision, hash string
}

// sheetPage is a page that begins on a sheet of its own, with its code.
type sheetPage struct {
	*page
	id  string // plain ASCII: the name of what it shows and its short hash
	fit bool   // one sheet if it can be made to fit: it is taped to something
}

// line is the imprint as one line.
func (s imprint) line() string {
	return fmt.Sprintf("%s, %s, %s, %s", s.kitchen, s.about, s.revision, s.hash)
}

func stampOf(site *v1.Site, night, what string, state v1.PlanState, revision int32, hash string) imprint {
	return imprint{either(site.GetKitchenName(), site.GetKitchenId()), "night of " + longDay(night), what + " " + strings.ToLower(standing(state, revision)),
		fmt.Sprintf("inputs %.12s", either(hash, nothing))}
}

func planStamp(m *v1.Plan) imprint {
	return stampOf(m.GetSite(), m.GetNightDate(), "plan", m.GetState(), m.GetRevision(), m.GetInputHash())
}

func dispatchStamp(d *v1.Dispatch) imprint {
	return stampOf(d.GetSite(), d.GetNightDate(), "dispatch", d.GetState(), d.GetRevision(), d.GetInputHash())
}

// pageID is what a page's code says.
func pageID(name, hash string) string {
	return fmt.Sprintf("%s#%.12s", either(name, "draft"), either(hash, nothing))
}

// printed is the line at a page's foot that says when it was printed.
func (p Paper) printed(at time.Time) string { return "printed " + p.zone.Long(at) }

// Text is the document as plain text.
func (p Paper) Text() string {
	var s strings.Builder
	for i, x := range p.pages {
		if i > 0 {
			s.WriteByte('\n')
		}
		s.WriteString(x.String())
	}
	for i, l := range p.labels {
		if i > 0 {
			s.WriteByte('\n')
		}
		s.WriteString(l.text(p.stamp))
	}
	return s.String()
}

// PlanPaper is the batch plan, with its timeline.
func PlanPaper(m *v1.Plan, lim Limits) Paper {
	p := planPage(m)
	t := timelineOf(p, m, lim)
	for _, d := range t.days {
		p.add(block{kind: pictured, picture: p.dayDrawing(t, d)})
	}
	for _, b := range timelinePage(m, lim).blocks {
		if b.kind != titled {
			b.onlyText = true
			p.add(b)
		}
	}
	return Paper{Kind: "plan", Title: "Batch plan", stamp: planStamp(m), zone: p.zone,
		pages: []sheetPage{{p, pageID(m.GetName(), m.GetInputHash()), false}}}
}

// BatchPaper is the batch sheets of a plan.
func BatchPaper(m *v1.Plan, list []*v1.GetBatchResponse) Paper {
	paper := Paper{Kind: "batches", Title: "Batch sheets", stamp: planStamp(m), zone: blankPage(m.GetSite()).zone}
	for _, b := range list {
		paper.pages = append(paper.pages, sheetPage{batchPage(b.GetBatch(), b.GetSheet()), pageID(either(b.GetBatch().GetName(), b.GetBatch().GetId()), m.GetInputHash()), true})
	}
	return paper
}

// PickPaper is the pick lists of a dispatch.
func PickPaper(d *v1.Dispatch, list *v1.PickList) Paper {
	p := picksPage(list)
	return Paper{Kind: "picks", Title: "Pick lists", stamp: dispatchStamp(d), zone: p.zone,
		pages: []sheetPage{{p, pageID(d.GetName()+"/picks", d.GetInputHash()), false}}}
}

// ManifestPaper is the manifests of a dispatch, one for each run.
func ManifestPaper(d *v1.Dispatch) Paper {
	paper := Paper{Kind: "manifests", Title: "Manifests", stamp: dispatchStamp(d), zone: blankPage(d.GetSite()).zone}
	for _, m := range d.GetManifests() {
		paper.pages = append(paper.pages, sheetPage{manifestPage(m), pageID(either(m.GetName(), m.GetRunId()), d.GetInputHash()), false})
	}
	return paper
}

// RecallPaper is the page of a recall. Its hash is that of what it says.
func RecallPaper(m *v1.GetRecallPackResponse, drill bool) Paper {
	p := recallPage(m, drill)
	sum := sha256.Sum256([]byte(p.String()))
	what := "recall"
	if drill {
		what = "recall drill: an exercise"
	}
	stamp := imprint{either(m.GetSite().GetKitchenName(), m.GetSite().GetKitchenId()), "lot " + m.GetLot().GetCode(), what, fmt.Sprintf("records %.6x", sum)}
	return Paper{Kind: "recall", Title: "Recall of lot " + m.GetLot().GetCode(), stamp: stamp, zone: p.zone,
		pages: []sheetPage{{p, fmt.Sprintf("%s#%.6x", either(m.GetLot().GetName(), m.GetLot().GetCode()), sum), false}}}
}
