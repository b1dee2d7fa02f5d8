package server

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// dock is one run of a released dispatch, and what happens on all of its runs.
type dock struct {
	*kitchen
	tx    commissary.Tx
	d     commissary.Dispatch // the revision in force
	rides []commissary.Ride   // by run
	ride  *commissary.Ride    // of the run, one of rides
}

// dock opens a run by its manifest's name.
func (c *core) dock(tx commissary.Tx, name string) (*dock, error) {
	id, date, run, err := wire.ParseManifest(name)
	if err != nil {
		return nil, err
	}
	x := &dock{tx: tx}
	if x.kitchen, err = c.kitchen(tx, id, 0); err != nil {
		return nil, err
	}
	if x.d, err = tx.Dispatches(id).Newest(date); err != nil {
		return nil, err
	}
	if x.rides, err = tx.Rides(id).List(date); err != nil {
		return nil, err
	}
	i := slices.IndexFunc(x.rides, func(r commissary.Ride) bool { return r.Run == run })
	if i < 0 {
		return nil, noRun(run, date)
	}
	x.ride = &x.rides[i]
	return x, nil
}

func noRun(run string, date civil.Date) error {
	e := commissary.Refuse(commissary.NotFound, "RUN_NOT_FOUND", "run %q carries nothing the morning after the night of %s; list the manifests to see which do", run, date.Long())
	e.Meta = map[string]string{"run": run}
	return e
}

func (x *dock) name() string { return wire.ManifestName(x.id(), x.d.Night, x.ride.Run) }

// refuse says no to something about the run.
func (x *dock) refuse(reason, format string, args ...any) *commissary.Error {
	e := commissary.Refuse(commissary.Precondition, reason, format, args...)
	e.Meta = map[string]string{"manifest": x.name(), "state": string(x.ride.State)}
	return e
}

// loading refuses a run that has left.
func (x *dock) loading() error {
	if x.ride.State == commissary.RideLoading {
		return nil
	}
	return x.refuse("RUN_LEFT", "the run %s left at %s, as %s said; what is on the van is changed by what its stops confirm", x.ride.Run, x.zone.Long(x.ride.Left.At), x.ride.Left.By)
}

// page refuses a page that no longer says what the run brings to a shop, to
// any shop where none is named. What was printed on it is its code, which ends
// in the hash of what it was made from, the hash alone, or the revision.
func (x *dock) page(page, shop string) error {
	if page == "" {
		return nil
	}
	name, hash, coded := strings.Cut(page, "#")
	if !coded {
		name, hash = "", page
	}
	if coded && name != x.name() && name != wire.DispatchName(x.id(), x.d.Night, x.d.Revision) && !strings.HasPrefix(name, wire.NightName(x.id(), x.d.Night)+"/dispatches/") {
		return x.refuse("PAGE_OF_ANOTHER", "the page is of %s, not of %s; take the right one", name, x.name())
	}
	revision, err := revisionOf(hash, x.d.Revision, func(n int) (string, error) {
		d, err := x.tx.Dispatches(x.id()).Get(x.d.Night, n)
		return d.InputHash, err
	})
	if err != nil {
		return err
	}
	if revision > 0 && x.ride.InForce(shop, revision) {
		return nil
	}
	return superseded(hash, revision, fmt.Sprintf("run %s has changed since: revision %d of the dispatch is in force", x.ride.Run, x.d.Revision))
}

// shortHash is how much of a hash stands on a page at the least.
const shortHash = 6

// revisionOf finds the revision that a page was printed from, by its number or
// the beginning of its hash; 0 when there was none.
func revisionOf(page string, newest int, hashOf func(revision int) (string, error)) (int, error) {
	if n, err := strconv.Atoi(page); err == nil && len(page) < shortHash {
		if n < 1 || n > newest {
			return 0, nil
		}
		return n, nil
	}
	for n := newest; n > 0 && len(page) >= shortHash; n-- {
		hash, err := hashOf(n)
		if err != nil {
			return 0, err
		}
		if strings.HasPrefix(hash, page) {
			return n, nil
		}
	}
	return 0, nil
}

// sheetInForce refuses a batch sheet from before the plan that posted the batch.
func (k *kitchen) sheetInForce(tx commissary.Tx, b commissary.PostedBatch, page string) error {
	if page == "" {
		return nil
	}
	name, hash, coded := strings.Cut(page, "#")
	if !coded {
		name, hash = wire.BatchName(k.id(), b.ID), page
	}
	if name != wire.BatchName(k.id(), b.ID) {
		e := commissary.Refuse(commissary.Precondition, "PAGE_OF_ANOTHER", "the sheet is of %s, not of batch %s; take the right one", name, b.ID)
		e.Meta = map[string]string{"page": page}
		return e
	}
	newest, err := tx.Plans(k.id()).Newest(b.Night)
	if err != nil {
		return err
	}
	revision, err := revisionOf(hash, newest.Revision, func(n int) (string, error) {
		p, err := tx.Plans(k.id()).Get(b.Night, n)
		return p.InputHash, err
	})
	if err != nil || revision >= b.Plan {
		return err
	}
	return superseded(hash, revision, fmt.Sprintf("batch %s was posted by revision %d of the plan", b.ID, b.Plan))
}

func superseded(page string, revision int, why string) error {
	was := fmt.Sprintf("the page with %s", page)
	if revision > 0 {
		was = fmt.Sprintf("the page of revision %d", revision)
	}
	e := commissary.Refuse(commissary.Precondition, "PAGE_SUPERSEDED", "%s is waste paper: %s; print it again and work from that", was, why)
	e.Meta = map[string]string{"page": page}
	return e
}

// manifest is the run's manifest as it stands.
func (x *dock) manifest() *v1.Manifest {
	for _, m := range x.manifests(x.d, x.rides) {
		if m.GetRunId() == x.ride.Run {
			return m
		}
	}
	return &v1.Manifest{Name: x.name(), RunId: x.ride.Run, Ride: x.Ride(*x.ride), Site: x.Site()} // everything on it was taken off
}

// probeLimit is what cold goods are at or below, by probe.
func (k *kitchen) probeLimit() quantity.Temp {
	return cmp.Or(k.ColdStore.Probe, safety.ColdHold)
}

// dispatched writes a dispatch with what happens on its runs.
func (k *kitchen) dispatched(d commissary.Dispatch, rides []commissary.Ride) *v1.Dispatch {
	m := k.Dispatch(d)
	k.happens(m.GetManifests(), d, rides)
	return m
}

// manifests writes the manifests of a dispatch with what happens on its runs.
func (k *kitchen) manifests(d commissary.Dispatch, rides []commissary.Ride) []*v1.Manifest {
	list := k.Manifests(d)
	k.happens(list, d, rides)
	return list
}

func (k *kitchen) happens(list []*v1.Manifest, d commissary.Dispatch, rides []commissary.Ride) {
	for _, m := range list {
		m.ProbeLimitMillicelsius = int32(k.probeLimit())
		m.AfterRunName, m.AfterBackTime = k.before(d, m.GetRunId())
		for _, r := range rides {
			if r.Run == m.GetRunId() {
				m.Ride = k.Ride(r)
			}
		}
		for _, s := range m.GetStops() {
			if shop, ok := k.shop(s.GetShopId()); ok && shop.Receiving != (commissary.Hours{}) {
				s.ReceiveFromTime, s.ReceiveToTime = timestamppb.New(k.zone.Instant(d.Delivery, shop.Receiving.From)), timestamppb.New(k.zone.Instant(d.Delivery, shop.Receiving.To))
			}
		}
	}
}

// before is the last run that a run's vehicle is on before it, and when it is
// back from that; nothing where it is its first of the morning.
func (k *kitchen) before(d commissary.Dispatch, run string) (name string, back *timestamppb.Timestamp) {
	i := slices.IndexFunc(d.Manifests, func(m commissary.Manifest) bool { return m.Run == run })
	var last commissary.Manifest
	for _, m := range d.Manifests {
		if i >= 0 && m.Vehicle == d.Manifests[i].Vehicle && m.Departs.Before(d.Manifests[i].Departs) && m.Departs.After(last.Departs) {
			last = m
		}
	}
	if last.Run == "" {
		return "", nil
	}
	for _, r := range k.Runs {
		if r.ID == last.Run {
			name = r.Name
		}
	}
	return cmp.Or(name, last.Run), timestamppb.New(last.Back)
}

// pickList writes a pick list with what is picked of it.
func (k *kitchen) pickList(d commissary.Dispatch, run string, rides []commissary.Ride) (*v1.PickList, error) {
	list, err := k.PickList(d, run)
	for _, r := range list.GetRuns() {
		r.AfterRunName, r.AfterBackTime = k.before(d, r.GetRunId())
		for _, ride := range rides {
			if ride.Run == r.GetRunId() {
				r.Picked = k.Ride(ride).GetPicked()
			}
		}
	}
	return list, err
}

func (s dispatches) DepartRun(ctx context.Context, req *v1.DepartRunRequest) (*v1.DepartRunResponse, error) {
	left, err := wire.ReadDeparture(req)
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.DepartRunResponse, error) {
		x, err := s.dock(w.Tx, req.GetName())
		if err != nil {
			return nil, err
		}
		if err := x.loading(); err != nil {
			return nil, err
		}
		if err := x.page(req.GetPage(), ""); err != nil {
			return nil, err
		}
		var notes []string
		open, err := x.open("")
		if err != nil {
			return nil, err
		}
		for _, l := range open {
			if err := x.load(w, l, false); err != nil {
				return nil, err
			}
		}
		if len(open) > 0 {
			notes = append(notes, fmt.Sprintf("%s were not recorded as picked and ride as listed.", quantity.Counted(len(open), "line")))
		}
		var held []string
		for _, p := range x.d.Picks {
			if p.Run != x.ride.Run {
				continue
			}
			l, err := w.Lots(x.id()).Get(p.Lot)
			if err != nil {
				return nil, err
			}
			if l.Held != "" {
				held = append(held, fmt.Sprintf("lot %s for %s (%s)", p.Lot, p.Shop, l.Held))
			}
		}
		if len(held) > 0 {
			return nil, x.refuse("LOT_HELD", "the van must not leave with what is on hold: %s. Take it off and record 0 picked, on hold; other lots go in its place where there are some", strings.Join(held, "; "))
		}
		if warm := x.tooWarm(left.Probes); warm != "" {
			if left.Action != commissary.WarmChill || left.Note == "" {
				return nil, x.refuse("TOO_WARM", "%s. Back into the cold and probe again, or take it off the van; if somebody decides that it rides all the same, say chill and who decided: it is probed again at the first stop. Local code decides what is allowed", warm)
			}
			notes = append(notes, warm+". Probe again at the first stop.")
		} else if left.Action != "" {
			return nil, x.refuse("NOT_WARM", "nothing probed is above %s; leave the action out", x.limit())
		}
		if len(left.Probes) == 0 {
			notes = append(notes, "No product temperature was noted at loading.")
		}
		notes = append(notes, x.elsewhere()...)
		if left.At.Before(x.d.At) {
			left.At = w.at // it cannot have left before it was released: the driver's clock is wrong
		}
		left.At, left.Kept, left.By = happened(left.At, w.at), w.at, w.who
		x.ride.Left, x.ride.State = left, commissary.RideDeparted
		if !slices.ContainsFunc(x.d.Picks, func(p commissary.Pick) bool { return p.Run == x.ride.Run }) {
			x.ride.State = commissary.RideClosed
			notes = append(notes, "Nothing rides: there is no stop to confirm.")
		}
		if err := w.Rides(x.id()).Put(*x.ride); err != nil {
			return nil, err
		}
		if err := w.record(x.id(), x.name(), "left at %s, %d lines as listed%s", left.At.Format(time.RFC3339), len(open), warmly(left.Probes, left.Action, left.Note)); err != nil {
			return nil, err
		}
		return &v1.DepartRunResponse{Manifest: x.manifest(), Notes: notes}, nil
	})
}

// elsewhere says where the run's vehicle still is by the records, when it goes
// out a second time: what was not confirmed there would be forgotten.
func (x *dock) elsewhere() []string {
	var notes []string
	i := slices.IndexFunc(x.d.Manifests, func(m commissary.Manifest) bool { return m.Run == x.ride.Run })
	for _, m := range x.d.Manifests {
		if i < 0 || m.Run == x.ride.Run || m.Vehicle != x.d.Manifests[i].Vehicle {
			continue
		}
		for _, r := range x.rides {
			if r.Run != m.Run || r.State != commissary.RideDeparted {
				continue
			}
			var open []string
			for _, s := range m.Stops {
				if _, done := r.DropAt(s.Shop); !done {
					open = append(open, x.shopName(s.Shop))
				}
			}
			notes = append(notes, fmt.Sprintf("By the records the same vehicle is still on run %s: confirm %s, and see that nothing of it is left on the van.", r.Run, strings.Join(open, ", ")))
		}
	}
	return notes
}

// happened is when something was, as somebody says, unless that is still to
// come: then his clock is wrong, and the service's counts.
func happened(said, at time.Time) time.Time {
	if said.IsZero() || said.After(at) {
		return at
	}
	return said
}

func (k *kitchen) limit() string { return k.Book.Kitchen.Units.Temp(k.probeLimit()) }

// tooWarm says which probes are above the limit. What stands in a zone that is
// not cold has none.
func (x *dock) tooWarm(probes []commissary.Probe) string {
	var warm []string
	for _, p := range probes {
		if p.Temp <= x.probeLimit() || p.Lot != "" && !x.cold(p.Lot) {
			continue
		}
		what := "a probe"
		if p.Lot != "" {
			what = "lot " + p.Lot
		}
		warm = append(warm, what+" is at "+x.Book.Kitchen.Units.Temp(p.Temp))
	}
	if len(warm) == 0 {
		return ""
	}
	return fmt.Sprintf("Too warm: %s, the limit is %s", strings.Join(warm, ", "), x.limit())
}

// cold reports whether a lot on the dispatch comes from a cold zone.
func (x *dock) cold(lot string) bool {
	for _, p := range x.d.Picks {
		if p.Lot == lot {
			return x.chilled(p.Zone)
		}
	}
	return true // it is not known: the stricter reading
}

// chilled reports whether a zone is cold.
func (k *kitchen) chilled(zone string) bool {
	return slices.ContainsFunc(k.ColdStore.Zones, func(z commissary.Zone) bool { return z.ID == zone && z.Cold })
}

func warmly(probes []commissary.Probe, action commissary.WarmAction, note string) string {
	s := ""
	for _, p := range probes {
		s += fmt.Sprintf(", probe %s %v", p.Lot, p.Temp)
	}
	if action != "" {
		s += ", too warm: " + strings.ToLower(string(action))
	}
	return s + because(note)
}
