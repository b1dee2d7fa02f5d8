package sheet

import (
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

// night is a night of so many shops, grown from the one in testdata: a run for
// ten shops, ten lines each; six batches for ten shops, with their labels.
func night(tb testing.TB, shops int) (*v1.Plan, []*v1.GetBatchResponse, *v1.Dispatch, *v1.PickList) {
	load := func(name string, m proto.Message) {
		b, err := os.ReadFile("testdata/" + name)
		require.NoError(tb, err)
		require.NoError(tb, protojson.Unmarshal(b, m))
	}
	plan, one, run, d, list := &v1.Plan{}, &v1.GetBatchResponse{}, &v1.Manifest{}, &v1.Dispatch{}, &v1.PickList{}
	load("plan.json", plan)
	load("batch.json", one)
	load("manifest.json", run)
	load("dispatch.json", d)
	load("picks.json", list)
	var sheets []*v1.GetBatchResponse
	for i := range shops * 6 / 10 {
		x := proto.CloneOf(one)
		x.Batch.Id = fmt.Sprintf("20261126-%03d", i+1)
		for _, s := range x.Batch.Steps {
			late := time.Duration(i%24*20) * time.Minute
			s.StartTime.Seconds += int64(late.Seconds())
			s.EndTime.Seconds += int64(late.Seconds())
		}
		x.Batch.VesselUnit = int32(i/24 + 1)
		sheets = append(sheets, x)
		plan.Batches = append(plan.Batches, x.Batch)
	}
	stop, picks := run.Stops[0], list.Runs[0].Picks
	d.Manifests, list.Runs = nil, nil
	for r := range (shops + 9) / 10 {
		m := proto.CloneOf(run)
		m.RunId, m.Name, m.Stops = fmt.Sprint("run-", r), fmt.Sprint("kitchens/main/nights/2026-11-26/manifests/run-", r), nil
		pr := &v1.PickRun{RunId: m.RunId, RunName: m.RunId, DepartTime: m.DepartTime}
		for s := range min(10, shops-10*r) {
			x := proto.CloneOf(stop)
			x.ShopId, x.ShopName = fmt.Sprintf("s%d-%d", r, s), fmt.Sprintf("Shop %d of run %d", s, r)
			m.Stops = append(m.Stops, x)
			for k := range 10 {
				y := proto.CloneOf(picks[k%len(picks)])
				y.ShopId, y.ShopName = x.ShopId, x.ShopName
				pr.Picks = append(pr.Picks, y)
			}
		}
		d.Manifests, list.Runs = append(d.Manifests, m), append(list.Runs, pr)
	}
	return plan, sheets, d, list
}

// BenchmarkPrintPack sets every document of a night of 60 shops, as text, HTML
// and PDF, one PDF for each kind.
func BenchmarkPrintPack(b *testing.B) {
	plan, sheets, d, list := night(b, 60)
	for b.Loop() {
		for _, p := range []Paper{PlanPaper(plan, limits()), BatchPaper(plan, sheets), LabelPaper(plan, sheets, lotCode), PickPaper(d, list), ManifestPaper(d)} {
			began := time.Now()
			_, err := p.HTML(printTime)
			require.NoError(b, err)
			pdf, err := p.PDF(printTime, A4)
			require.NoError(b, err)
			b.ReportMetric(float64(time.Since(began).Milliseconds()), p.Kind+"-ms")
			b.ReportMetric(float64(len(pdf))/1024, p.Kind+"-KiB")
			_ = p.Text()
		}
	}
}
