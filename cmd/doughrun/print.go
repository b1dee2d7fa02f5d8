package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/commissary"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// folder is a night's papers: names of files and what is in them.
type folder struct {
	files map[string][]byte
	at    time.Time
	size  sheet.Size
	talk  func(format string, args ...any)
}

func printNightCommand() *cobra.Command {
	var dir, paper string
	cmd := &cobra.Command{
		Use:   "print",
		Short: "Write a night's papers into a folder, so that it survives a dead network",
		Long: `Write a night's papers into a folder named after the night: the newest released
plan with its timeline, the sheets of its posted batches, container labels and,
where one is released, the newest dispatch with its pick lists and manifests.
Each comes as text, HTML and PDF, and as JSON and CSV for other programs. The
folder is whole or not there; one from before is replaced.`,
		Args: cobra.NoArgs,
	}
	night := nightFlag(cmd)
	cmd.Flags().StringVar(&dir, "dir", "", "directory in which the night's folder is written")
	cmd.Flags().StringVar(&paper, "paper", "a4", "size of the paper in the printer: a4 or letter")
	required(cmd, "dir")
	cmd.RunE = act(func(j *job, _ []string) error {
		f := folder{files: map[string][]byte{}, at: time.Now(), talk: func(format string, args ...any) { fmt.Fprintf(j.talk, "doughrun: "+format+"\n", args...) }}
		switch paper {
		case "a4":
			f.size = sheet.A4
		case "letter":
			f.size = sheet.Letter
		default:
			return &failure{exitUsage, fmt.Errorf("--paper %q is unknown; write a4 or letter", paper)}
		}
		if err := j.gatherPlan(&f, *night); err != nil {
			return err
		}
		if err := j.gatherDispatch(&f, *night); err != nil {
			return err
		}
		to := filepath.Join(dir, *night)
		if err := writeFolder(to, f.files); err != nil {
			return err
		}
		return j.write(fmt.Appendf(nil, "%s: %d files\n", to, len(f.files)))
	})
	return cmd
}

// gatherPlan adds the newest plan, its timeline, batch sheets and labels.
func (j *job) gatherPlan(f *folder, night string) error {
	d, err := date("night", night)
	if err != nil {
		return err
	}
	answer, err := ask(j, v1.NewPlanServiceClient, v1.PlanServiceClient.GetPlan, &v1.GetPlanRequest{Name: wire.PlanName(j.settings.Kitchen, d, 0)})
	if err != nil {
		return err
	}
	m := answer.GetPlan()
	j.inUnits(m)
	b, err := j.bookOf(m)
	if err != nil {
		return err
	}
	posted := &v1.ListBatchesResponse{}
	posted.Batches, err = all(func(token string) ([]*v1.Batch, string, error) {
		page, err := ask(j, v1.NewBatchServiceClient, v1.BatchServiceClient.ListBatches, &v1.ListBatchesRequest{Night: wire.NightName(j.settings.Kitchen, d), PageToken: token})
		return page.GetBatches(), page.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	var sheets []*v1.GetBatchResponse
	for _, x := range posted.GetBatches() {
		s, err := j.batch(x.GetId())
		if err != nil {
			return err
		}
		j.inUnits(s)
		sheets = append(sheets, s)
	}
	lim := limitsOf(b, m)
	for _, p := range sheet.TimelineSVG(m, lim) {
		f.files["timeline-"+p.Date+".svg"] = []byte(p.SVG)
	}
	f.files["plan.csv"] = []byte(sheet.PlanCSV(m))
	f.files["batches.csv"] = []byte(sheet.BatchCSV(sheets))
	if f.files["plan.json"], err = encode(m); err != nil {
		return err
	}
	if f.files["batches.json"], err = encode(posted); err != nil {
		return err
	}
	return errors.Join(f.add(sheet.PlanPaper(m, lim)), f.add(sheet.BatchPaper(m, sheets)), f.add(sheet.LabelPaper(m, sheets, commissary.LotCode)))
}

// gatherDispatch adds the newest dispatch with its pick lists and manifests,
// or says that there is none yet.
func (j *job) gatherDispatch(f *folder, night string) error {
	d, err := date("night", night)
	if err != nil {
		return err
	}
	name := wire.DispatchName(j.settings.Kitchen, d, 0)
	answer, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.GetDispatch, &v1.GetDispatchRequest{Name: name})
	if status.Code(err) == codes.NotFound {
		f.talk("no dispatch is released for this night yet: its pick lists and manifests are missing; print again when it is")
		return nil
	}
	if err != nil {
		return err
	}
	m := answer.GetDispatch()
	list, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.GetPickList, &v1.GetPickListRequest{Dispatch: m.GetName()})
	if err != nil {
		return err
	}
	j.inUnits(m)
	j.inUnits(list)
	f.files["dispatch.txt"] = []byte(sheet.Dispatch(m))
	f.files["picks.csv"] = []byte(sheet.PickCSV(list.GetPickList()))
	f.files["manifests.csv"] = []byte(sheet.ManifestCSV(m))
	if f.files["dispatch.json"], err = encode(m); err != nil {
		return err
	}
	if f.files["picks.json"], err = encode(list.GetPickList()); err != nil {
		return err
	}
	return errors.Join(f.add(sheet.PickPaper(m, list.GetPickList())), f.add(sheet.ManifestPaper(m)))
}

// add sets one document. What the fonts at hand cannot set is printed by a
// browser where there is one; otherwise its PDF is missing, and that is said.
func (f *folder) add(p sheet.Paper) error {
	text, err := p.HTML(f.at)
	if err != nil {
		return err
	}
	f.files[p.Kind+".txt"], f.files[p.Kind+".html"] = []byte(p.Text()), []byte(text)
	pdf, err := p.PDF(f.at, f.size)
	var beyond *sheet.BeyondFont
	if errors.As(err, &beyond) {
		var failed error
		if pdf, failed = browse(text, f.size); failed != nil {
			f.talk("%s.pdf is missing: %v (%v)", p.Kind, err, failed)
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

// writeFolder puts a folder in its place as a whole. One that is there already
// is moved aside first and comes back if the new one cannot be put there.
func writeFolder(to string, files map[string][]byte) error {
	refuse := func(err error) error {
		return commissary.Refuse(commissary.Invalid, "FILE_UNWRITABLE", "the folder cannot be written: %v", err)
	}
	if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
		return refuse(err)
	}
	made, err := os.MkdirTemp(filepath.Dir(to), "."+filepath.Base(to)+".*")
	if err != nil {
		return refuse(err)
	}
	defer os.RemoveAll(made) // gone from here when all went well
	if err := os.Chmod(made, 0o755); err != nil {
		return refuse(err)
	}
	for name, b := range files {
		if err := writeFile(filepath.Join(made, name), b); err != nil {
			return err
		}
	}
	old := made + ".old"
	switch err := os.Rename(to, old); {
	case errors.Is(err, os.ErrNotExist):
	case err != nil:
		return refuse(err)
	}
	if err := os.Rename(made, to); err != nil {
		_ = os.Rename(old, to) // the old one is better than none
		return refuse(err)
	}
	if err := os.RemoveAll(old); err != nil {
		return refuse(fmt.Errorf("it is there, but the one from before is left over: %w", err))
	}
	return nil
}
