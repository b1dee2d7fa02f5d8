package sheet

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "doughrun/proto/doughrun/v1"
)

func TestTimelineIsAsItWas(t *testing.T) {
	m := read(t, "plan.json", &v1.Plan{})
	for name, lim := range map[string]Limits{"timeline": limits(), "timeline-bare": {}} {
		text := Timeline(m, lim)
		fits(t, text)
		golden(t, name+".txt", text)
		for _, p := range TimelineSVG(m, lim) {
			golden(t, name+"-"+p.Date+".svg", p.SVG)
		}
	}
	text := Timeline(&v1.Plan{}, Limits{})
	fits(t, text)
	require.Contains(t, text, "NO BATCHES")
	require.Empty(t, TimelineSVG(nil, Limits{}))
}

// small is a plan of batches of one formula each, in one vessel each, that need
// so many hands and places from and to so many minutes after four.
type oneStep struct {
	kind         v1.StepKind
	from, to     int
	heads, slots int32
}

var four = time.Date(2026, 11, 27, 9, 0, 0, 0, time.UTC)

func planOf(steps ...oneStep) *v1.Plan {
	m := &v1.Plan{NightDate: "2026-11-26", Site: &v1.Site{KitchenName: "K", TimeZone: "America/New_York"}}
	for i, s := range steps {
		at := func(minutes int) *timestamppb.Timestamp {
			return timestamppb.New(four.Add(time.Duration(minutes) * time.Minute))
		}
		x := &v1.BatchStep{Kind: s.kind, StartTime: at(s.from), EndTime: at(s.to), Heads: s.heads, ContainerSlots: s.slots}
		if s.slots == 0 {
			x.ResourceId = "mixer"
		}
		m.Batches = append(m.Batches, &v1.Batch{Id: fmt.Sprintf("20261126-%02d", i+1), FormulaId: fmt.Sprint("f", i), VesselId: "mixer", Steps: []*v1.BatchStep{x}})
	}
	return m
}

const mix, hold = v1.StepKind_STEP_KIND_MIX, v1.StepKind_STEP_KIND_HOLD

// rowOf returns the chart of the first lane with a name.
func rowOf(t *testing.T, text, name string) string {
	t.Helper()
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, name+" ") {
			return strings.TrimRight(line[laneColumns+1:], "\n")
		}
	}
	t.Fatalf("no lane %s in\n%s", name, text)
	return ""
}

func TestBarsStandWhereTheirTimesAre(t *testing.T) {
	text := Timeline(planOf(oneStep{mix, 0, 30, 1, 0}, oneStep{mix, 30, 35, 1, 0}, oneStep{mix, 35, 36, 2, 0}, oneStep{mix, 90, 100, 1, 0}), Limits{})
	require.Contains(t, text, "a column is 5 min")
	require.Equal(t, "01####=%          04", rowOf(t, text, "mixer"))
	require.Equal(t, "11111112..........11", strings.TrimRight(rowOf(t, text, "People at work"), "."))
	require.NotContains(t, text, "People there")
}

// A level is counted up to its end and not into what begins there.
func TestLevels(t *testing.T) {
	at := func(m int) time.Time { return four.Add(time.Duration(m) * time.Minute) }
	l := levelsOf([]Shift{{at(0), at(10), 2}, {at(10), at(20), 3}, {at(5), at(5), 9}, {at(15), at(30), 1}})
	for m, want := range map[int]int64{-1: 0, 0: 2, 9: 2, 10: 3, 15: 4, 20: 1, 29: 1, 30: 0} {
		require.Equal(t, want, l.when(at(m)), "minute %d", m)
	}
	most, first := l.most(at(0), at(60))
	require.EqualValues(t, 4, most)
	require.Equal(t, at(15), first)
	most, first = l.most(at(2), at(10))
	require.EqualValues(t, 2, most)
	require.Equal(t, at(2), first)
	require.EqualValues(t, 1, l.least(at(15), at(30)))
	require.EqualValues(t, 0, l.least(at(15), at(31)))
	require.EqualValues(t, 0, l.least(at(-1), at(5)))
	require.EqualValues(t, 2, l.least(at(3), at(10)))
}

// More than there is is marked in exactly the columns where it happens.
func TestMoreThanThereIs(t *testing.T) {
	there := Limits{Places: 10, Crew: []Shift{{four, four.Add(2 * time.Hour), 2}}}
	require.NotContains(t, rowOf(t, Timeline(planOf(oneStep{mix, 0, 30, 2, 0}), there), "People at work"), "!")
	require.Equal(t, "11!!11", strings.TrimRight(rowOf(t, Timeline(planOf(oneStep{mix, 0, 30, 1, 0}, oneStep{mix, 10, 20, 2, 0}), there), "People at work"), "."))
	full := func(slots int32) string {
		return Timeline(planOf(oneStep{mix, 0, 60, 1, 0}, oneStep{hold, 10, 20, 0, slots}), there)
	}
	require.Contains(t, full(10), "at most 10 of 10 places")
	require.NotContains(t, strings.ReplaceAll(full(10), "! more", ""), "!")
	require.Contains(t, full(11), "11   !!")
}

// A drawing is well-formed, escapes what names hold, refers to nothing outside,
// and its bars lie within it.
func TestDrawingsAreWhole(t *testing.T) {
	m := read(t, "plan.json", &v1.Plan{})
	for _, b := range m.GetBatches() {
		b.FormulaName = `<script>"&'` + b.GetFormulaName()
		b.VesselName = "</svg>" + b.GetVesselName()
	}
	pictures := TimelineSVG(m, limits())
	require.NotEmpty(t, pictures)
	for _, p := range pictures {
		require.NotContains(t, p.SVG, "<script")
		d := xml.NewDecoder(strings.NewReader(p.SVG))
		texts := 0
		for {
			x, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			require.NoError(t, err)
			if start, ok := x.(xml.StartElement); ok {
				require.Contains(t, []string{"svg", "title", "defs", "pattern", "path", "rect", "text"}, start.Name.Local)
				for _, a := range start.Attr {
					require.NotContains(t, []string{"href", "src", "style"}, a.Name.Local)
				}
				if start.Name.Local == "text" {
					texts++
				}
			}
		}
		require.Greater(t, texts, 20)
	}
	p := blankPage(m.GetSite())
	tl := timelineOf(p, m, limits())
	for _, day := range tl.days {
		g := p.dayDrawing(tl, day)
		for _, s := range g.shapes {
			if s.kind == box {
				require.GreaterOrEqual(t, s.x, 0.0)
				require.GreaterOrEqual(t, s.y, 0.0)
				require.LessOrEqual(t, s.x+s.w, g.wide+0.01)
				require.LessOrEqual(t, s.y+s.h, g.tall+0.01)
			}
		}
	}
}

// The hour that a clock change takes away or gives is in the picture once, or twice.
func TestTimelineOnAClockChange(t *testing.T) {
	m := planOf(oneStep{mix, 0, 300, 1, 0})
	for day, want := range map[time.Time]string{
		time.Date(2027, 3, 14, 5, 0, 0, 0, time.UTC): "00          01          03          04",
		time.Date(2026, 11, 1, 4, 0, 0, 0, time.UTC): "00          01          01          02",
	} {
		s := m.Batches[0].Steps[0]
		s.StartTime, s.EndTime = timestamppb.New(day), timestamppb.New(day.Add(5*time.Hour-time.Hour))
		require.Contains(t, Timeline(m, Limits{}), want)
	}
}
