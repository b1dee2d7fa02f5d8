package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

func stopCommand() *cobra.Command {
	return group("stop", "Confirm what became of a stop, with a link or without", confirmStopCommand(), sendStopsCommand(), stopStatusCommand())
}

func confirmStopCommand() *cobra.Command {
	var req v1.ConfirmStopRequest
	var run, because, at, warm string
	var missing, refused, temps, empties []string
	cmd := &cobra.Command{
		Use:   "confirm SHOP",
		Short: "Confirm a stop: as on the manifest, or what was different",
		Long: `Confirm a stop. Without more the shop got what the manifest says. With no link
it is kept on this machine and sent when there is one, never twice.

  doughrun stop confirm harbor
  doughrun stop confirm harbor --temp 4.1 --signed "K 7" --empties 9
  doughrun stop confirm harbor --refused sauce-3kg=1 --because "lid open"
  doughrun stop confirm college --left "walk-in, key back in the box"`,
		Args: cobra.ExactArgs(1),
	}
	night := roadNightFlag(cmd)
	f := cmd.Flags()
	f.StringVar(&run, "run", "", "the run; left out, the one that is on the road and stops there")
	f.StringArrayVar(&missing, "missing", nil, "was not on the van: ITEM[/LOT]=PIECES; may be repeated")
	f.StringArrayVar(&refused, "refused", nil, "goes back and is never sold again: ITEM[/LOT]=PIECES; may be repeated")
	f.BoolVar(&req.AllRefused, "all-refused", false, "everything goes back: nobody opened, the road was closed")
	f.BoolVar(&req.HoldBack, "hold-back", false, "what is on hold stays on the van and goes back")
	f.StringVar(&because, "because", "", "why something is missing, refused or goes back")
	f.StringArrayVar(&empties, "empties", nil, "containers that come back: 9, or KIND=9; may be repeated")
	f.StringArrayVar(&temps, "temp", nil, "product temperature by probe, of any cold goods or as LOT=4.2; may be repeated")
	f.StringVar(&warm, "warm", "", "what is done with goods above the limit: refuse, hold or chill; local code decides what is allowed")
	f.StringVar(&req.SignedBy, "signed", "", "name or code of who received it")
	f.StringVar(&req.Left, "left", "", "how it was left where nobody was there: walk-in, key box, photo")
	f.StringVar(&req.Note, "note", "", "what else there is to say")
	f.StringVar(&req.Page, "page", "", "what the page's code says, its hash, or its revision; an old page is refused")
	f.StringVar(&at, "at", "", "when it was, as \"2026-11-27 07:20\"; now when left out")
	id := writeFlags(cmd)
	cmd.RunE = act(func(j *job, args []string) error {
		var err error
		req.ShopId = args[0]
		if req.Manifest, err = j.runOf(*night, run, req.GetShopId()); err != nil {
			return err
		}
		site := j.siteOf(req.GetManifest())
		if req.Probes, err = probes(temps, site); err != nil {
			return err
		}
		if req.WarmAction, err = warmAction(warm); err != nil {
			return err
		}
		if req.DropTime, err = when(at, site); err != nil {
			return err
		}
		if req.Differences, err = differences(missing, refused, because); err != nil {
			return err
		}
		if req.GetAllRefused() && req.GetNote() == "" {
			req.Note = because
		}
		for _, s := range empties {
			kind, number, of := strings.Cut(s, "=")
			if !of {
				kind, number = "", s
			}
			n, err := strconv.ParseInt(number, 10, 32)
			if err != nil || n < 0 {
				return badFlag("empties", fmt.Errorf("%q is not a number of containers; write 9, or KIND=9", s))
			}
			req.Empties = append(req.Empties, &v1.Empties{ContainerId: kind, Count: int32(n)})
		}
		if req.RequestId, err = j.request(*id); err != nil {
			return err
		}
		told, err := j.errand(&req)
		if err != nil {
			return err
		}
		m := &v1.ConfirmStopResponse{Manifest: told.Manifest, Drop: told.Drop, Notes: told.Notes}
		if m.Drop == nil {
			for _, d := range m.GetManifest().GetRide().GetDrops() {
				if d.GetShopId() == req.GetShopId() {
					m.Drop = d
				}
			}
		}
		j.remember([]*v1.Manifest{told.Manifest})
		if err := j.show(m, func() (string, error) { return sheet.Dropped(m), nil }); err != nil {
			return err
		}
		if m.GetDrop().GetState() == v1.StopState_STOP_STATE_DIFFERS {
			return exceptions(1, "confirmed, with a difference")
		}
		return nil
	})
	return cmd
}

// differences reads what was missing and refused.
func differences(missing, refused []string, because string) ([]*v1.Difference, error) {
	var list []*v1.Difference
	read := func(flag, s string, set func(*v1.Difference, int64)) error {
		what, number, _ := strings.Cut(s, "=")
		n, err := strconv.ParseInt(number, 10, 64)
		if err != nil || n <= 0 {
			return badFlag(flag, fmt.Errorf("%q says no number of pieces; write ITEM=PIECES or ITEM/LOT=PIECES", s))
		}
		item, lot, _ := strings.Cut(what, "/")
		i := slices.IndexFunc(list, func(d *v1.Difference) bool { return d.GetItemId() == item && d.GetLotCode() == lot })
		if i < 0 {
			i = len(list)
			list = append(list, &v1.Difference{ItemId: item, LotCode: lot, Reason: because})
		}
		set(list[i], n)
		return nil
	}
	for _, s := range missing {
		if err := read("missing", s, func(d *v1.Difference, n int64) { d.MissingPieces += n }); err != nil {
			return nil, err
		}
	}
	for _, s := range refused {
		if because == "" {
			return nil, commissary.Refuse(commissary.Invalid, "REASON_MISSING", "say with --because why it was refused")
		}
		if err := read("refused", s, func(d *v1.Difference, n int64) { d.RefusedPieces += n }); err != nil {
			return nil, err
		}
	}
	return list, nil
}

// runOf is the manifest that a stop belongs to: the run named, or the one run
// that stops there and has not confirmed it yet. What was seen last is enough,
// so that it works with no link.
func (j *job) runOf(night, run, shop string) (string, error) {
	if run != "" {
		return j.manifestName(night, run)
	}
	d, err := j.roadNight(night)
	if err != nil {
		return "", err
	}
	box, err := j.outbox()
	if err != nil {
		return "", err
	}
	errands, _, err := box.Errands()
	if err != nil {
		return "", err
	}
	find := func(list []*v1.Manifest) (due, done []string) {
		for _, m := range list {
			if nightOf(m) != d || !slices.ContainsFunc(m.GetStops(), func(s *v1.ManifestStop) bool { return s.GetShopId() == shop }) {
				continue
			}
			if slices.ContainsFunc(m.GetRide().GetDrops(), func(x *v1.Drop) bool { return x.GetShopId() == shop }) || confirmedHere(errands, m.GetName(), shop) {
				done = append(done, m.GetName())
			} else {
				due = append(due, m.GetName())
			}
		}
		return due, done
	}
	due, done := find(j.remembered())
	if len(due) == 0 {
		list, failed := j.manifestsOf(d)
		if failed == nil {
			j.remember(list)
			due, done = find(list)
		} else if len(done) == 0 {
			return "", failed
		}
	}
	switch {
	case len(due) == 1:
		return due[0], nil
	case len(due) == 0 && len(done) > 0:
		return done[0], nil // the service says when and by whom it was confirmed
	case len(due) == 0:
		return "", commissary.Refuse(commissary.NotFound, "STOP_NOT_FOUND", "no run of the morning after %s stops at %q; look at the manifests, or name the run with --run", d.Long(), shop)
	}
	var runs []string
	for _, name := range due {
		_, _, run, _ := wire.ParseManifest(name) // it was read before
		runs = append(runs, run)
	}
	return "", commissary.Refuse(commissary.Invalid, "RUN_AMBIGUOUS", "%s stop at %q; say which with --run", strings.Join(runs, " and "), shop)
}

// confirmedHere reports whether a stop's confirmation waits, or was accepted.
func confirmedHere(errands []outbox.Errand, manifest, shop string) bool {
	return slices.ContainsFunc(errands, func(e outbox.Errand) bool {
		req, ok := e.Request.(*v1.ConfirmStopRequest)
		return ok && req.GetManifest() == manifest && req.GetShopId() == shop && (e.State == outbox.Waiting || e.State == outbox.Accepted)
	})
}

func sendStopsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "send",
		Short: "Send the departures and stops that wait on this machine",
		Args:  cobra.NoArgs,
		RunE: act(func(j *job, _ []string) error {
			box, err := j.outbox()
			if err != nil {
				return err
			}
			all, err := j.sendErrands(box)
			if err != nil {
				return err
			}
			var list []outbox.Errand
			waiting, refused := 0, 0
			for _, t := range all {
				if t.Count() != nil {
					continue // an order's commands show it
				}
				list = append(list, t.Errand)
				switch t.State {
				case outbox.Waiting:
					waiting++
				case outbox.Refused:
					refused++
				}
				if t.Manifest != nil {
					j.remember([]*v1.Manifest{t.Manifest})
				}
			}
			if err := j.write([]byte(errandsText(list, "Nothing waits here."))); err != nil {
				return err
			}
			if waiting > 0 {
				return &failure{exitUnavailable, fmt.Errorf("%s still waiting; send again later", quantity.Counted(waiting, "errand"))}
			}
			return exceptions(refused, "the kitchen refused some; give the command again, put right")
		}),
	}
}

func stopStatusCommand() *cobra.Command {
	cmd := &cobra.Command{Use: "status", Short: "Show what this machine has told the kitchen, and what still waits; needs no link", Args: cobra.NoArgs}
	drop := cmd.Flags().String("drop", "", "take back the errand with this request id, which waits")
	cmd.RunE = act(func(j *job, _ []string) error {
		box, err := j.outbox()
		if err != nil {
			return err
		}
		if *drop != "" {
			e, err := box.Answer(time.Now(), *drop, outbox.Dropped, nil, "taken back here")
			if err != nil {
				return commissary.Refuse(commissary.NotFound, "ERRAND_NOT_FOUND", "%v", err)
			}
			if e.State != outbox.Dropped {
				return commissary.Refuse(commissary.Precondition, "ERRAND_SETTLED", "it is %s already; call the kitchen", strings.ToLower(string(e.State)))
			}
		}
		list, damaged, err := box.Errands()
		if err != nil {
			return err
		}
		list = slices.DeleteFunc(list, func(e outbox.Errand) bool { return e.Count() != nil })
		waiting := 0
		for _, e := range list {
			if e.State == outbox.Waiting {
				waiting++
			}
		}
		text := errandsText(list, "Nothing was told yet.")
		if damaged > 0 {
			text += fmt.Sprintf("%s in %s cannot be read: compare with the manifest.\n", quantity.Counted(damaged, "line"), box.Dir())
		}
		if err := j.write([]byte(text)); err != nil {
			return err
		}
		return exceptions(waiting+damaged, "the kitchen does not know all of it yet")
	})
	return cmd
}
