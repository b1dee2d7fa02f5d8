package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/cmd/papers"
	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func manifestCommand() *cobra.Command {
	return group("manifest", "Print what the driver works from, and say that a run leaves", showManifestCommand(), compareOrderCommand(), departCommand())
}

// roadNightFlag adds --night to a driver's command, which finds the night by itself.
func roadNightFlag(cmd *cobra.Command) *string {
	return cmd.Flags().String("night", "", "the night, as 2026-11-26; left out, the newest that is dispatched")
}

func showManifestCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "show [RUN]",
		Short: "Print what rides, stop by stop: one run, or all of them; what was shown is kept for the road, where there is no link",
		Args:  cobra.MaximumNArgs(1),
	}
	night := roadNightFlag(cmd)
	run := cmd.Flags().String("run", "", "only this run")
	cmd.RunE = act(func(j *job, args []string) error {
		if len(args) == 1 {
			*run = args[0]
		}
		d, err := j.roadNight(*night)
		if err != nil {
			return err
		}
		m := &v1.ListManifestsResponse{}
		if m.Manifests, err = j.manifestsOf(d); err != nil {
			kept := slices.DeleteFunc(j.remembered(), func(m *v1.Manifest) bool { return nightOf(m) != d || *run != "" && m.GetRunId() != *run })
			if exitOf(err) != exitUnavailable || len(kept) == 0 {
				return err
			}
			fmt.Fprintln(j.talk, "doughrun: no link; this is the manifest as it was seen last")
			m.Manifests = kept
		}
		j.remember(m.GetManifests())
		if *run != "" {
			one := slices.DeleteFunc(m.GetManifests(), func(x *v1.Manifest) bool { return x.GetRunId() != *run })
			if len(one) == 0 {
				return commissary.Refuse(commissary.NotFound, "RUN_NOT_FOUND", "run %q carries nothing the morning after the night of %s; leave it out to see which do", *run, d.Long())
			}
			answer := &v1.GetManifestResponse{Manifest: one[0]}
			return j.show(answer, func() (string, error) { return sheet.Manifest(one[0]), nil })
		}
		return j.show(m, func() (string, error) { return sheet.Manifests(m.GetManifests()), nil })
	})
	return cmd
}

// manifestsOf asks for a night's manifests.
func (j *job) manifestsOf(d civil.Date) ([]*v1.Manifest, error) {
	return all(func(token string) ([]*v1.Manifest, string, error) {
		page, err := ask(j, v1.NewDispatchServiceClient, v1.DispatchServiceClient.ListManifests,
			&v1.ListManifestsRequest{Night: wire.NightName(j.settings.Kitchen, d), PageToken: token})
		return page.GetManifests(), page.GetNextPageToken(), err
	})
}

func nightOf(m *v1.Manifest) civil.Date {
	_, d, _, _ := wire.ParseManifest(m.GetName()) // a name that cannot be read is no night's
	return d
}

// roadNight is the night of a driver's command: the one named, the newest that
// is kept for the road and not over, or the newest that the kitchen has dispatched.
func (j *job) roadNight(night string) (civil.Date, error) {
	if night != "" {
		return date("night", night)
	}
	for _, m := range j.remembered() {
		if m.GetRide().GetState() != v1.RideState_RIDE_STATE_CLOSED {
			return nightOf(m), nil
		}
	}
	m, err := ask(j, v1.NewNightServiceClient, v1.NightServiceClient.ListNights, &v1.ListNightsRequest{Kitchen: wire.KitchenName(j.settings.Kitchen)})
	if err != nil {
		return civil.Date{}, err
	}
	for _, n := range m.GetNights() {
		if n.GetState() == v1.NightState_NIGHT_STATE_DISPATCHED {
			return date("night", n.GetNightDate())
		}
	}
	return civil.Date{}, commissary.Refuse(commissary.NotFound, "NIGHT_NOT_DISPATCHED", "no night is dispatched; release a dispatch first, or name the night with --night")
}

func (j *job) manifestName(night, run string) (string, error) {
	d, err := j.roadNight(night)
	if err != nil {
		return "", err
	}
	name := wire.ManifestName(j.settings.Kitchen, d, run)
	_, _, _, err = wire.ParseManifest(name)
	return name, err
}

// The manifests that were seen are kept beside the outbox, so that a driver
// reads his and confirms his stops with no link. What the service says counts:
// a copy is only replaced, and one that cannot be read is as good as none.

func (j *job) roadFolder() string {
	box, err := j.outbox()
	if err != nil {
		return ""
	}
	return filepath.Join(box.Dir(), "road")
}

// remember keeps manifests for the road, and forgets those of other mornings.
func (j *job) remember(list []*v1.Manifest) {
	dir := j.roadFolder()
	if dir == "" || len(list) == 0 || os.MkdirAll(dir, 0o700) != nil {
		return
	}
	for _, old := range j.remembered() {
		if old.GetDeliveryDate() < list[0].GetDeliveryDate() {
			_ = os.Remove(filepath.Join(dir, roadFile(old)))
		}
	}
	for _, m := range list {
		b, err := protojson.Marshal(m)
		if err == nil {
			_ = papers.WriteFile(filepath.Join(dir, roadFile(m)), b)
		}
	}
}

func roadFile(m *v1.Manifest) string { return m.GetDeliveryDate() + "-" + m.GetRunId() + ".json" }

// remembered returns the manifests kept for the road, the newest morning first.
func (j *job) remembered() []*v1.Manifest {
	dir := j.roadFolder()
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil
	}
	var list []*v1.Manifest
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		m := &v1.Manifest{}
		if err != nil || protojson.Unmarshal(b, m) != nil || !strings.HasPrefix(m.GetName(), wire.KitchenName(j.settings.Kitchen)+"/") {
			continue
		}
		list = append(list, m)
	}
	slices.SortStableFunc(list, func(a, b *v1.Manifest) int { return strings.Compare(b.GetDeliveryDate(), a.GetDeliveryDate()) })
	return list
}

func departCommand() *cobra.Command {
	var req v1.DepartRunRequest
	var temps []string
	var at, warm string
	cmd := &cobra.Command{
		Use:   "depart RUN",
		Short: "Say that a run leaves; what was not recorded rides as listed",
		Long: `Say that a run leaves; what was not recorded as picked rides as listed. With no
link it is kept on this machine and sent when there is one.

  doughrun manifest depart south --temp 3.8`,
		Args: cobra.ExactArgs(1),
	}
	night := roadNightFlag(cmd)
	cmd.Flags().StringArrayVar(&temps, "temp", nil, "product temperature by probe, of any cold goods or as LOT=4.2; may be repeated")
	cmd.Flags().StringVar(&warm, "warm", "", "what was decided about goods above the limit: chill; say with --note who decided")
	cmd.Flags().StringVar(&req.Note, "note", "", "what else there is to say")
	cmd.Flags().StringVar(&req.Page, "page", "", "what the page's code says, its hash, or its revision; an old page is refused")
	cmd.Flags().StringVar(&at, "at", "", "when it left, as \"2026-11-27 06:40\"; now when left out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		var err error
		if req.Name, err = j.manifestName(*night, args[0]); err != nil {
			return err
		}
		site := j.siteOf(req.GetName())
		if req.Probes, err = probes(temps, site); err != nil {
			return err
		}
		if req.WarmAction, err = warmAction(warm); err != nil {
			return err
		}
		if req.DepartTime, err = when(at, site); err != nil {
			return err
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		told, err := j.errand(&req)
		if err != nil {
			return err
		}
		m := &v1.DepartRunResponse{Manifest: told.Manifest, Notes: told.Notes}
		j.remember([]*v1.Manifest{told.Manifest})
		return j.show(m, func() (string, error) { return sheet.Departed(m), nil })
	})
	return cmd
}

// siteOf is the kitchen of a manifest that was seen; nil when it was not.
func (j *job) siteOf(name string) *v1.Site {
	for _, m := range j.remembered() {
		if m.GetName() == name {
			return m.GetSite()
		}
	}
	return nil
}

// when reads the instant at which something was; now when nothing is said, for
// it may be sent much later.
func when(s string, site *v1.Site) (*timestamppb.Timestamp, error) {
	if s == "" {
		return timestamppb.New(time.Now().Truncate(time.Second)), nil
	}
	zone, err := civil.LoadZone(site.GetTimeZone())
	if err != nil || site.GetTimeZone() == "" {
		zone, _ = civil.LoadZone("UTC")
		if len(s) == len("2006-01-02 15:04") {
			return nil, commissary.Refuse(commissary.Invalid, "INSTANT_INVALID", "--at %q: the kitchen's clock is not known here; look at the manifest first, or write it as 2026-11-27T07:20:00-05:00", s)
		}
	}
	t, err := instant(s, zone)
	if err != nil {
		return nil, badFlag("at", err)
	}
	return timestamppb.New(t), nil
}

// probes reads temperatures: 4.2 in the kitchen's units, 4.2C or 39F, of a lot with LOT= before it.
func probes(list []string, site *v1.Site) ([]*v1.Probe, error) {
	var all []*v1.Probe
	for _, s := range list {
		lot, degrees, of := strings.Cut(s, "=")
		if !of {
			lot, degrees = "", s
		}
		if site != nil && !strings.ContainsAny(degrees, "CF") {
			degrees += map[bool]string{true: " °F", false: " °C"}[site.GetUnits() == v1.UnitSystem_UNIT_SYSTEM_US]
		}
		t, err := quantity.ParseTemp(degrees)
		if err != nil {
			return nil, badFlag("temp", err)
		}
		all = append(all, &v1.Probe{LotCode: lot, TempMillicelsius: int32(t)})
	}
	return all, nil
}

func warmAction(s string) (v1.WarmAction, error) {
	a, ok := map[string]v1.WarmAction{"": 0, "refuse": v1.WarmAction_WARM_ACTION_REFUSE, "hold": v1.WarmAction_WARM_ACTION_HOLD, "chill": v1.WarmAction_WARM_ACTION_CHILL}[s]
	if !ok {
		return 0, badFlag("warm", fmt.Errorf("%q is unknown; write refuse, hold or chill", s))
	}
	return a, nil
}
