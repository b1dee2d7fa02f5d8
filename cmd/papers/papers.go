// Package papers gathers a night's papers from the service and writes them into
// a folder: for whoever asks on the command line, and for the service itself at
// a release.
package papers

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// Printer gathers a night's papers.
type Printer struct {
	Conn    grpc.ClientConnInterface
	Kitchen string
	At      time.Time // printed at
	Size    sheet.Size
	Units   func(proto.Message)              // makes a message show quantities as somebody wants them
	Talk    func(format string, args ...any) // says what is missing, and why
}

// Night returns the papers of a night by the names of their files: the newest
// released plan with its timeline, the sheets of its posted batches, labels,
// and, where one is released, the newest dispatch with its pick lists and
// manifests. It refuses a night without a released plan.
func (p Printer) Night(ctx context.Context, night civil.Date) (map[string][]byte, error) {
	f := &folder{Printer: p, ctx: ctx, files: map[string][]byte{}}
	if err := f.plan(night); err != nil {
		return nil, err
	}
	if err := f.dispatch(night); err != nil {
		return nil, err
	}
	return f.files, nil
}

// Set returns one document by the names of its files: as text, HTML and PDF.
func (p Printer) Set(paper sheet.Paper) (map[string][]byte, error) {
	f := &folder{Printer: p, files: map[string][]byte{}}
	return f.files, f.add(paper)
}

// folder is a night's papers: names of files and what is in them.
type folder struct {
	Printer
	ctx   context.Context
	files map[string][]byte
}

// plan adds the newest plan, its timeline, batch sheets and labels.
func (f *folder) plan(d civil.Date) error {
	answer, err := v1.NewPlanServiceClient(f.Conn).GetPlan(f.ctx, &v1.GetPlanRequest{Name: wire.PlanName(f.Kitchen, d, 0)})
	if err != nil {
		return err
	}
	m := answer.GetPlan()
	f.Units(m)
	adopted, err := v1.NewKitchenServiceClient(f.Conn).GetBook(f.ctx, &v1.GetBookRequest{Name: wire.BookName(f.Kitchen, int(m.GetBookRevision()))})
	if err != nil {
		return err
	}
	b, err := book.Read("kitchen book", adopted.GetSource())
	if err != nil {
		return err
	}
	posted := &v1.ListBatchesResponse{}
	for token := ""; ; {
		page, err := v1.NewBatchServiceClient(f.Conn).ListBatches(f.ctx, &v1.ListBatchesRequest{Night: wire.NightName(f.Kitchen, d), PageToken: token})
		if err != nil {
			return err
		}
		posted.Batches = append(posted.Batches, page.GetBatches()...)
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	var sheets []*v1.GetBatchResponse
	for _, x := range posted.GetBatches() {
		s, err := v1.NewBatchServiceClient(f.Conn).GetBatch(f.ctx, &v1.GetBatchRequest{Name: x.GetName()})
		if err != nil {
			return err
		}
		f.Units(s)
		sheets = append(sheets, s)
	}
	lim := Limits(b, m)
	for _, p := range sheet.TimelineSVG(m, lim) {
		f.files["timeline-"+p.Date+".svg"] = []byte(p.SVG)
	}
	f.files["plan.csv"] = []byte(sheet.PlanCSV(m))
	f.files["batches.csv"] = []byte(sheet.BatchCSV(sheets))
	if f.files["plan.json"], err = Encode(m); err != nil {
		return err
	}
	if f.files["batches.json"], err = Encode(posted); err != nil {
		return err
	}
	return errors.Join(f.add(sheet.PlanPaper(m, lim)), f.add(sheet.BatchPaper(m, sheets)), f.add(sheet.LabelPaper(m, sheets, commissary.LotCode)))
}

// dispatch adds the newest dispatch with its pick lists and manifests,
// or says that there is none yet.
func (f *folder) dispatch(d civil.Date) error {
	name := wire.DispatchName(f.Kitchen, d, 0)
	answer, err := v1.NewDispatchServiceClient(f.Conn).GetDispatch(f.ctx, &v1.GetDispatchRequest{Name: name})
	if status.Code(err) == codes.NotFound || err != nil && commissary.KindOf(err) == commissary.NotFound {
		f.Talk("no dispatch is released for this night yet: its pick lists and manifests are missing; print again when it is")
		return nil
	}
	if err != nil {
		return err
	}
	m := answer.GetDispatch()
	list, err := v1.NewDispatchServiceClient(f.Conn).GetPickList(f.ctx, &v1.GetPickListRequest{Dispatch: m.GetName()})
	if err != nil {
		return err
	}
	f.Units(m)
	f.Units(list)
	f.files["dispatch.txt"] = []byte(sheet.Dispatch(m))
	f.files["picks.csv"] = []byte(sheet.PickCSV(list.GetPickList()))
	f.files["manifests.csv"] = []byte(sheet.ManifestCSV(m))
	if f.files["dispatch.json"], err = Encode(m); err != nil {
		return err
	}
	if f.files["picks.json"], err = Encode(list.GetPickList()); err != nil {
		return err
	}
	return errors.Join(f.add(sheet.PickPaper(m, list.GetPickList())), f.add(sheet.ManifestPaper(m)))
}

// add sets one document. What the fonts at hand cannot set is printed by a
// browser where there is one; otherwise its PDF is missing, and that is said.
func (f *folder) add(p sheet.Paper) error {
	text, err := p.HTML(f.At)
	if err != nil {
		return err
	}
	f.files[p.Kind+".txt"], f.files[p.Kind+".html"] = []byte(p.Text()), []byte(text)
	pdf, err := p.PDF(f.At, f.Size)
	var beyond *sheet.BeyondFont
	if errors.As(err, &beyond) {
		var failed error
		pdf, failed = browse(text, f.Size)
		if errors.Is(failed, errNoBrowser) {
			failed = fmt.Errorf("%w (%w)", err, failed)
		}
		if failed != nil {
			f.Talk("%s.pdf is missing: %v", p.Kind, failed)
			return nil
		}
		err = nil
	}
	if err != nil {
		return err
	}
	f.files[p.Kind+".pdf"] = pdf
	return nil
}

// Encode writes a message as JSON, the same bytes every time: protojson on its
// own puts in blanks at random.
func Encode(m proto.Message) ([]byte, error) {
	loose, err := protojson.Marshal(m)
	if err != nil {
		return nil, err
	}
	var tight, b bytes.Buffer
	if err := json.Compact(&tight, loose); err != nil {
		return nil, err
	}
	if err := json.Indent(&b, tight.Bytes(), "", "  "); err != nil {
		return nil, err
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}
