package server

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func (s dispatches) ConfirmStop(ctx context.Context, req *v1.ConfirmStopRequest) (*v1.ConfirmStopResponse, error) {
	drop, err := wire.ReadDrop(req)
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.ConfirmStopResponse, error) {
		x, err := s.dock(w.Tx, req.GetManifest())
		if err != nil {
			return nil, err
		}
		if err := x.due(drop.Shop); err != nil {
			return nil, err
		}
		if err := x.page(req.GetPage(), drop.Shop); err != nil {
			return nil, err
		}
		d := drop
		if d.Lines, err = x.dropped(drop); err != nil {
			return nil, err
		}
		notes, err := x.warmAtDrop(&d)
		if err != nil {
			return nil, err
		}
		if req.GetAllRefused() {
			refuseAll(d.Lines, d.Note)
		}
		back, err := x.holdBack(d.Lines, req.GetHoldBack())
		if err != nil {
			return nil, err
		}
		notes = append(notes, back...)
		if d.Empties, err = x.empties(d.Empties); err != nil {
			return nil, err
		}
		d.At, d.Kept, d.By, d.State = happened(d.At, w.at), w.at, w.who, commissary.StopDelivered
		if d.At.Before(x.ride.Left.At) {
			d.At = x.ride.Left.At // one of the two clocks is wrong
		}
		if d.Action != "" || slices.ContainsFunc(d.Lines, func(l commissary.DropLine) bool { return l.Missing+l.Refused > 0 }) {
			d.State = commissary.StopDiffers
		}
		if err := x.hand(w, d); err != nil {
			return nil, err
		}
		x.ride.Drops = append(x.ride.Drops, d)
		if !slices.ContainsFunc(x.stops(), func(shop string) bool { _, done := x.ride.DropAt(shop); return !done }) {
			x.ride.State = commissary.RideClosed
		}
		if err := w.Rides(x.id()).Put(*x.ride); err != nil {
			return nil, err
		}
		if err := w.record(x.id(), x.name(), "stop %s %s%s%s", d.Shop, strings.ToLower(string(d.State)), missed(d), warmly(d.Probes, d.Action, d.Note)); err != nil {
			return nil, err
		}
		return &v1.ConfirmStopResponse{Manifest: x.manifest(), Drop: x.Drop(d), Notes: append(notes, x.proofNotes(d)...)}, nil
	})
}

// stops are the shops that the run brings something to.
func (x *dock) stops() []string {
	var shops []string
	for _, m := range x.d.Manifests {
		for _, s := range m.Stops {
			if m.Run == x.ride.Run {
				shops = append(shops, s.Shop)
			}
		}
	}
	return shops
}

// due refuses a stop that is not to come.
func (x *dock) due(shop string) error {
	switch drop, done := x.ride.DropAt(shop); {
	case !slices.Contains(x.stops(), shop):
		e := commissary.Refuse(commissary.NotFound, "STOP_NOT_FOUND", "run %s brings nothing to %q; it stops at %s", x.ride.Run, shop, strings.Join(x.stops(), ", "))
		e.Meta = map[string]string{"manifest": x.name(), "shop": shop}
		return e
	case done:
		return x.refuse("STOP_CONFIRMED", "%s is confirmed already, as %s said at %s; what was wrong about it is put right by moving the lots, and by a call to the kitchen (%s)",
			x.shopName(shop), drop.By, x.zone.Long(drop.At), x.Book.Kitchen.Phone)
	case x.ride.State == commissary.RideLoading:
		return x.refuse("RUN_NOT_LEFT", "run %s has not left by the records; say first that it departed, then confirm %s", x.ride.Run, x.shopName(shop))
	}
	return nil
}

// dropped lays what differs over what the manifest says, lot by lot.
func (x *dock) dropped(d commissary.Drop) ([]commissary.DropLine, error) {
	var lines []commissary.DropLine
	for _, p := range x.d.Picks {
		if p.Run != x.ride.Run || p.Shop != d.Shop {
			continue
		}
		if i := slices.IndexFunc(lines, func(l commissary.DropLine) bool { return l.Lot == p.Lot }); i >= 0 {
			lines[i].Listed += p.Pieces
		} else {
			lines = append(lines, commissary.DropLine{Item: p.Item, Lot: p.Lot, Listed: p.Pieces})
		}
	}
	var faults []commissary.Fault
	for n, diff := range d.Lines {
		fault := func(format string, args ...any) {
			faults = append(faults, commissary.Fault{Where: fmt.Sprintf("differences[%d]", n), Text: fmt.Sprintf(format, args...)})
		}
		var of []int
		for i, l := range lines {
			if l.Item == diff.Item && (diff.Lot == "" || l.Lot == diff.Lot) {
				of = append(of, i)
			}
		}
		if len(of) != 1 {
			var lots []string
			for _, l := range lines {
				if l.Item == diff.Item {
					lots = append(lots, l.Lot)
				}
			}
			if len(lots) == 0 {
				fault("no %s rides for %s", diff.Item, d.Shop)
			} else {
				fault("%s rides for %s from %s; say which lot", diff.Item, d.Shop, strings.Join(lots, " and "))
			}
			continue
		}
		l := &lines[of[0]]
		if l.Missing+l.Refused > 0 {
			fault("lot %s stands twice; write one line", l.Lot)
			continue
		}
		if l.Missing, l.Refused, l.Why = diff.Missing, diff.Refused, diff.Why; l.Delivered() < 0 {
			fault("%d missing and %d refused are more than the %d on the manifest", l.Missing, l.Refused, l.Listed)
		}
	}
	if len(faults) == 0 {
		return lines, nil
	}
	e := commissary.Refuse(commissary.Invalid, "DROP_INVALID", "the stop cannot be confirmed like this; correct the lines named here")
	e.Faults = faults
	return nil, e
}

func refuseAll(lines []commissary.DropLine, why string) {
	for i := range lines {
		lines[i].Refused, lines[i].Why = lines[i].Listed-lines[i].Missing, why
	}
}

// warmAtDrop asks for an action where a probe is above the limit, and does
// what was decided: refused goods go back.
func (x *dock) warmAtDrop(d *commissary.Drop) ([]string, error) {
	warm := x.tooWarm(d.Probes)
	switch {
	case warm == "" && d.Action != "":
		return nil, x.refuse("NOT_WARM", "nothing probed is above %s; leave the action out", x.limit())
	case warm == "":
		return nil, nil
	case d.Action == "":
		return nil, x.refuse("TOO_WARM", "%s. Say what is done: refuse (it goes back and is thrown away), hold (put aside until the kitchen at %s has decided), or chill (into the cold at once and probed again). Local code decides what is allowed",
			warm, x.Book.Kitchen.Phone)
	}
	if d.Action == commissary.WarmRefuse {
		for i, l := range d.Lines {
			if x.warmed(*d, l.Lot, x.cold(l.Lot)) {
				d.Lines[i].Refused, d.Lines[i].Why = l.Listed-l.Missing, "too warm"
			}
		}
	}
	return []string{warm + ". " + x.decided(d.Action) + " Local code decides what is allowed."}, nil
}

// warmed reports whether what was probed too warm at a drop speaks of a lot.
func (k *kitchen) warmed(d commissary.Drop, lot string, cold bool) bool {
	return slices.ContainsFunc(d.Probes, func(p commissary.Probe) bool {
		return p.Temp > k.probeLimit() && (p.Lot == lot || p.Lot == "") && cold
	})
}

// decided says what becomes of goods that were too warm at a drop.
func (k *kitchen) decided(a commissary.WarmAction) string {
	switch a {
	case commissary.WarmRefuse:
		return "It goes back and is never sold again."
	case commissary.WarmHold:
		return "Put aside and marked; nothing of it is used until the kitchen at " + k.Book.Kitchen.Phone + " has decided."
	case commissary.WarmChill:
		return "Into the cold at once, apart from each other, and probed again; what stays warm is not used."
	}
	return ""
}

// holdBack refuses to hand over what is on hold, unless it goes back.
func (x *dock) holdBack(lines []commissary.DropLine, back bool) ([]string, error) {
	var notes, held []string
	for i, l := range lines {
		lot, err := x.tx.Lots(x.id()).Get(l.Lot)
		if err != nil {
			return nil, err
		}
		if lot.Held == "" || l.Delivered() == 0 {
			continue
		}
		what := fmt.Sprintf("%d × %s, lot %s (%s)", l.Delivered(), l.Item, l.Lot, lot.Held)
		if !back {
			held = append(held, what)
			continue
		}
		lines[i].Refused, lines[i].Why = l.Listed-l.Missing, "on hold: "+lot.Held
		notes = append(notes, "On hold, and goes back apart from everything else: "+what+".")
	}
	if len(held) > 0 {
		return nil, x.refuse("LOT_HELD", "on hold, and must not be handed over: %s. Leave it on the van and confirm with what is on hold held back; the kitchen is at %s", strings.Join(held, "; "), x.Book.Kitchen.Phone)
	}
	return notes, nil
}

// empties checks returned containers. Where none is named it is the kind that
// the kitchen owns most of.
func (x *dock) empties(list []commissary.Empties) ([]commissary.Empties, error) {
	list = slices.Clone(list)
	for i, e := range list {
		if e.Container == "" {
			most := 0
			for _, c := range x.Containers {
				if c.Owned > most {
					list[i].Container, most = c.ID, c.Owned
				}
			}
			if most > 0 {
				continue
			}
		}
		if !slices.ContainsFunc(x.Containers, func(c commissary.Container) bool { return c.ID == e.Container }) {
			f := commissary.Refuse(commissary.Invalid, "DROP_INVALID", "the stop cannot be confirmed like this; correct the lines named here")
			f.Faults = []commissary.Fault{{Where: fmt.Sprintf("empties[%d].container_id", i), Text: fmt.Sprintf("there is no container %q in the kitchen book", e.Container)}}
			return nil, f
		}
	}
	return list, nil
}

// hand moves the lots of a stop: to the shop, to the returns, or out of the books.
func (x *dock) hand(w *writing, d commissary.Drop) error {
	for _, l := range d.Lines {
		for _, m := range []commissary.Movement{
			{Kind: commissary.Delivered, Pieces: -l.Delivered(), To: d.Shop},
			{Kind: commissary.Returned, Pieces: -l.Refused, To: commissary.AtReturns, Why: l.Why},
			{Kind: commissary.Counted, Pieces: -l.Missing, Why: "missing at the stop" + because(l.Why)},
		} {
			if m.Pieces == 0 {
				continue
			}
			m.Lot, m.Place, m.At, m.By, m.Ref = l.Lot, commissary.OnVan(x.ride.Run, d.Shop), w.at, w.who, x.name()
			if err := w.Lots(x.id()).Move(m); err != nil {
				return err
			}
		}
	}
	return nil
}

func missed(d commissary.Drop) string {
	s := ""
	for _, l := range d.Lines {
		if l.Missing > 0 {
			s += fmt.Sprintf(", %d of lot %s missing", l.Missing, l.Lot)
		}
		if l.Refused > 0 {
			s += fmt.Sprintf(", %d of lot %s refused", l.Refused, l.Lot)
		}
	}
	for _, e := range d.Empties {
		s += fmt.Sprintf(", %d × %s back", e.Count, e.Container)
	}
	return s
}

// proofNotes says what of a stop nobody can prove later.
func (x *dock) proofNotes(d commissary.Drop) []string {
	var notes []string
	shop, _ := x.shop(d.Shop)
	switch {
	case d.Signed == "" && shop.Unattended:
		notes = append(notes, "Nobody there: the time "+x.zone.Short(d.At)+" is the receipt.")
	case d.Signed == "":
		notes = append(notes, "Nobody signed.")
	}
	if len(d.Probes) == 0 {
		notes = append(notes, "No product temperature was noted.")
	}
	return notes
}
