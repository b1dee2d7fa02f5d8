package sheet

import (
	"fmt"
	"strings"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// narrow is how many columns a phone in one hand takes.
const narrow = 40

// slip is a short text for a phone.
type slip struct {
	*page
	text strings.Builder
}

func newSlip(site *v1.Site) *slip { return &slip{page: blankPage(site)} }

func (s *slip) say(format string, args ...any) {
	for i, line := range fold(fmt.Sprintf(format, args...), narrow) {
		if i > 0 {
			line = "  " + line
			if cells(line) > narrow {
				line = strings.TrimPrefix(line, "  ")
			}
		}
		s.text.WriteString(line + "\n")
	}
}

// Recorded says what was recorded at the dock, and what is picked otherwise now.
func Recorded(m *v1.RecordPickResponse) string {
	s := newSlip(m.GetManifest().GetSite())
	r := m.GetManifest()
	var open, done int
	for _, run := range m.GetPickList().GetRuns() {
		for _, k := range run.GetPicks() {
			if stillOpen(k, run.GetPicked()) > 0 {
				open++
			} else {
				done++
			}
		}
	}
	s.say("RUN %s", strings.ToUpper(either(r.GetRunName(), r.GetRunId())))
	s.say("%s recorded, %d to pick", quantity.Counted(done, "line"), open)
	if len(m.GetChanges()) > 0 {
		s.say("*** THE LIST HAS CHANGED: dispatch revision %d. Print it again. ***", m.GetDispatchRevision())
	}
	for _, c := range m.GetChanges() {
		s.say("* %s", c)
	}
	return s.text.String()
}

// stillOpen is how many pieces of a pick are not picked yet.
func stillOpen(k *v1.Pick, picked []*v1.PickedLine) int64 {
	for _, l := range picked {
		if l.GetShopId() == k.GetShopId() && l.GetItemId() == k.GetItemId() && l.GetBakeDate() == k.GetBakeDate() && l.GetLotCode() == k.GetLotCode() {
			return max(k.GetPieces()-l.GetPieces(), 0)
		}
	}
	return k.GetPieces()
}

// Departed says that a run is on the road, and where it goes first.
func Departed(m *v1.DepartRunResponse) string {
	s := newSlip(m.GetManifest().GetSite())
	r := m.GetManifest()
	s.say("RUN %s LEFT %s", strings.ToUpper(either(r.GetRunName(), r.GetRunId())), s.at(r.GetRide().GetDeparture().GetDepartTime()))
	s.say("%s, %s with their containers", quantity.Counted(r.GetContainers(), "container"), s.about(r.GetMassMg()))
	s.notes(m.GetNotes())
	s.next(r)
	return s.text.String()
}

// Dropped says what was kept of a stop, and where the run goes next.
func Dropped(m *v1.ConfirmStopResponse) string {
	s := newSlip(m.GetManifest().GetSite())
	d := m.GetDrop()
	name := d.GetShopId()
	for _, x := range m.GetManifest().GetStops() {
		if x.GetShopId() == d.GetShopId() {
			name = either(x.GetShopName(), name)
		}
	}
	how := "AS ON THE MANIFEST"
	if d.GetState() == v1.StopState_STOP_STATE_DIFFERS {
		how = "WITH A DIFFERENCE"
	}
	s.say("%s:", strings.ToUpper(name))
	s.say("DELIVERED %s", how)
	var left, listed int64
	for _, l := range d.GetLines() {
		left, listed = left+l.GetDeliveredPieces(), listed+l.GetListedPieces()
		if l.GetMissingPieces() > 0 {
			s.say("%d x %s MISSING, lot %s%s", l.GetMissingPieces(), either(l.GetItemName(), l.GetItemId()), l.GetLotCode(), colon(l.GetReason()))
		}
		if l.GetRefusedPieces() > 0 {
			s.say("%d x %s GO BACK, lot %s%s", l.GetRefusedPieces(), either(l.GetItemName(), l.GetItemId()), l.GetLotCode(), colon(l.GetReason()))
		}
	}
	s.say("%d of %s left there, %s", left, quantity.Counted(listed, "piece"), s.at(d.GetDropTime()))
	for _, e := range d.GetEmpties() {
		s.say("%d x %s back", e.GetCount(), e.GetContainerId())
	}
	if d.GetSignedBy() != "" {
		s.say("signed %s", d.GetSignedBy())
	}
	if d.GetLeft() != "" {
		s.say("left: %s", d.GetLeft())
	}
	s.notes(m.GetNotes())
	s.next(m.GetManifest())
	return s.text.String()
}

func colon(s string) string {
	if s == "" {
		return ""
	}
	return ": " + s
}

func (s *slip) notes(list []string) {
	for _, n := range list {
		s.say("! %s", n)
	}
}

// next names the stop that is still to come.
func (s *slip) next(m *v1.Manifest) {
	for _, x := range m.GetStops() {
		if dropAt(m, x.GetShopId()) != nil {
			continue
		}
		s.say("NEXT: %s, %s", either(x.GetShopName(), x.GetShopId()), s.at(x.GetArriveTime()))
		if x.GetAddress() != "" {
			s.say("%s", x.GetAddress())
		}
		if x.GetAccess() != "" {
			s.say("Access: %s", x.GetAccess())
		}
		return
	}
	s.say("Every stop is confirmed.")
}

// dropAt is what became of a stop; nil while it is due.
func dropAt(m *v1.Manifest, shop string) *v1.Drop {
	for _, d := range m.GetRide().GetDrops() {
		if d.GetShopId() == shop {
			return d
		}
	}
	return nil
}
