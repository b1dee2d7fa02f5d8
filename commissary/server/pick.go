package server

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"

	"doughrun/commissary"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// RecordPick picks again inside its transaction, although planning has no
// place there: it is small, and two pickers must not both be sent to what is
// left of one lot.
func (s dispatches) RecordPick(ctx context.Context, req *v1.RecordPickRequest) (*v1.RecordPickResponse, error) {
	var again func() // tells that the papers have changed
	resp, err := update(ctx, s.core, req, func(w *writing) (*v1.RecordPickResponse, error) {
		again = func() {}
		x, err := s.dock(w.Tx, req.GetManifest())
		if err != nil {
			return nil, err
		}
		if err := x.loading(); err != nil {
			return nil, err
		}
		picked, err := wire.ReadPicked(x.Book, req.GetLines())
		if err != nil {
			return nil, err
		}
		correct := make([]bool, len(picked))
		for i, l := range req.GetLines() {
			correct[i] = l.GetCorrect()
		}
		if len(picked) == 0 {
			if picked, err = x.open(req.GetShopId()); err != nil {
				return nil, err
			}
			if len(picked) == 0 {
				return nil, x.refuse("NOTHING_OPEN", "everything on the list is recorded already; look at the pick list")
			}
			correct = make([]bool, len(picked))
		}
		// Loading a night is work, and only what was never listed asks for it.
		night := sync.OnceValues(func() (plan.Input, error) {
			_, in, err := s.loadNight(w.Tx, x.id(), x.d.Night, w.at)
			return in, err
		})
		var said []string
		// What ends a lot comes last, so that it does not end it for the other lines.
		for _, i := range endsLast(picked) {
			l := &picked[i]
			if err := x.page(req.GetPage(), l.Shop); err != nil {
				return nil, err
			}
			if err := x.judge(night, l, fmt.Sprintf("lines[%d]", i), correct[i]); err != nil {
				return nil, err
			}
			if correct[i] {
				if err := x.unload(w, *l); err != nil {
					return nil, err
				}
			}
			if err := x.load(w, *l, req.GetFound()); err != nil {
				return nil, err
			}
			said = append(said, fmt.Sprintf("%s %d of %s for %s%s", l.Item, l.Pieces, l.Lot, l.Shop, shortly(*l)))
		}
		was := x.d
		if err := w.Rides(x.id()).Put(*x.ride); err != nil {
			return nil, err
		}
		if x.differs() {
			if err := s.again(w, x); err != nil {
				return nil, err
			}
			again = func() { s.released(x.id(), x.d.Night) }
		}
		changes := x.changes(was)
		if err := w.record(x.id(), x.name(), "picked: %s%s", strings.Join(said, "; "), newRevision(was, x.d)); err != nil {
			return nil, err
		}
		resp := &v1.RecordPickResponse{Manifest: x.manifest(), Changes: changes, DispatchRevision: int32(x.d.Revision)}
		if resp.PickList, err = x.pickList(x.d, "", x.rides); err != nil {
			return nil, err
		}
		resp.PickList.Runs = slices.DeleteFunc(resp.PickList.Runs, func(r *v1.PickRun) bool { return r.GetRunId() != x.ride.Run })
		return resp, nil
	})
	if err == nil && again != nil {
		again()
	}
	return resp, err
}

func endsLast(lines []commissary.PickedLine) []int {
	var first, last []int
	for i, l := range lines {
		if l.Cause == commissary.NotThere {
			last = append(last, i)
		} else {
			first = append(first, i)
		}
	}
	return append(first, last...)
}

func shortly(l commissary.PickedLine) string {
	if l.Cause == "" {
		return ""
	}
	return fmt.Sprintf(" instead of %d, %s%s", l.Listed, strings.ToLower(strings.ReplaceAll(string(l.Cause), "_", " ")), because(l.Note))
}

func newRevision(was, is commissary.Dispatch) string {
	if was.Revision == is.Revision {
		return ""
	}
	return fmt.Sprintf(". Picked again as revision %d, inputs %s", is.Revision, is.InputHash)
}

// open are the lines of the list that nobody has recorded, as if they were
// picked as listed: a shop's, or the whole run's.
func (x *dock) open(shop string) ([]commissary.PickedLine, error) {
	var lines []commissary.PickedLine
	for _, p := range x.d.Picks {
		if p.Run != x.ride.Run || shop != "" && p.Shop != shop {
			continue
		}
		if n := x.ride.Open(p, x.d.Revision); n > 0 {
			lines = append(lines, commissary.PickedLine{Shop: p.Shop, Item: p.Item, BakeDate: p.BakeDate, Lot: p.Lot, Listed: n, Pieces: n})
		}
	}
	if shop != "" && !slices.ContainsFunc(x.d.Picks, func(p commissary.Pick) bool { return p.Run == x.ride.Run && p.Shop == shop }) {
		return nil, x.refuse("SHOP_NOT_ON_RUN", "run %s brings nothing to %q; look at the pick list", x.ride.Run, shop)
	}
	return lines, nil
}

// listed returns the picks on the list for a shop's item.
func (x *dock) listed(l commissary.PickedLine) []commissary.Pick {
	var all []commissary.Pick
	for _, p := range x.d.Picks {
		if p.Run == x.ride.Run && p.Shop == l.Shop && p.Item == l.Item && (l.BakeDate.IsZero() || p.BakeDate == l.BakeDate) && (l.Lot == "" || p.Lot == l.Lot) {
			all = append(all, p)
		}
	}
	return all
}

// judge completes what somebody says was picked, and refuses what cannot be.
func (x *dock) judge(night func() (plan.Input, error), l *commissary.PickedLine, where string, correct bool) error {
	invalid := func(format string, args ...any) error {
		e := commissary.Refuse(commissary.Invalid, "PICK_INVALID", "what was picked cannot be recorded; correct the lines named here")
		e.Faults = []commissary.Fault{{Where: where, Text: fmt.Sprintf(format, args...)}}
		return e
	}
	if !slices.ContainsFunc(x.d.Manifests, func(m commissary.Manifest) bool {
		return m.Run == x.ride.Run && slices.ContainsFunc(m.Stops, func(s commissary.ManifestStop) bool { return s.Shop == l.Shop })
	}) {
		return invalid("run %s does not stop at %q", x.ride.Run, l.Shop)
	}
	list := x.listed(*l)
	if l.Lot == "" && len(list) > 1 {
		open := slices.DeleteFunc(slices.Clone(list), func(p commissary.Pick) bool { return x.ride.Open(p, x.d.Revision) == 0 })
		if len(open) != 1 {
			return invalid("%s gets %s in %s; say which lot and which day", l.Shop, l.Item, quantity.Counted(len(list), "line"))
		}
		list = open
	}
	if l.Lot == "" {
		if len(list) == 0 {
			return invalid("no lot of %s is listed for %s; say which was picked", l.Item, l.Shop)
		}
		l.Lot, l.BakeDate = list[0].Lot, list[0].BakeDate
	}
	if l.BakeDate.IsZero() {
		var days []string
		for _, line := range x.d.Lines {
			if line.Shop == l.Shop && line.Item == l.Item {
				l.BakeDate = line.BakeDate
				days = append(days, line.BakeDate.String())
			}
		}
		if len(days) != 1 {
			return invalid("%s gets %s for %d days (%s); say which", l.Shop, l.Item, len(days), strings.Join(days, ", "))
		}
	}
	i := slices.IndexFunc(x.d.Lines, func(d commissary.DispatchLine) bool {
		return d.Shop == l.Shop && d.Item == l.Item && d.BakeDate == l.BakeDate
	})
	if i < 0 {
		return invalid("%s ordered no %s for %s", l.Shop, l.Item, l.BakeDate.Short())
	}
	line := x.d.Lines[i]
	lot, err := x.tx.Lots(x.id()).Get(l.Lot)
	if err != nil {
		return err
	}
	if lot.Item != l.Item {
		return invalid("lot %s is %s, not %s; read the label again", l.Lot, what(lot), l.Item)
	}
	key := l.Of(x.ride.Run)
	key.Pieces = 0
	for _, p := range list {
		if p.Lot == l.Lot && p.BakeDate == l.BakeDate {
			key = p
		}
	}
	before, recorded := x.ride.PickedOf(key)
	l.Listed = x.ride.Open(key, x.d.Revision)
	if correct {
		if !recorded {
			return invalid("nothing was recorded of lot %s for %s; leave the correction out", l.Lot, l.Shop)
		}
		l.Listed = max(key.Pieces, before.Listed)
	}
	if recorded && !correct && l.Listed == 0 {
		e := x.refuse("LINE_PICKED", "lot %s for %s is recorded already: %d pieces, by %s at %s; to put it right, say that it is a correction", l.Lot, l.Shop, before.Pieces, before.By, x.zone.Short(before.At))
		e.Meta["lot"], e.Meta["shop"] = l.Lot, l.Shop
		return e
	}
	var others quantity.Pieces
	for _, p := range x.ride.Picked {
		if p.Shop == l.Shop && p.Item == l.Item && p.BakeDate == l.BakeDate && !(correct && p.Lot == l.Lot) {
			others += p.Pieces
		}
	}
	switch {
	case others+l.Pieces > line.Ordered:
		return invalid("%s ordered %d × %s for %s; %d more are too many", l.Shop, line.Ordered, l.Item, l.BakeDate.Short(), others+l.Pieces-line.Ordered)
	case l.Pieces < l.Listed && l.Cause == "":
		return invalid("%d are fewer than the %d listed; say why: not there, damaged, on hold or left out", l.Pieces, l.Listed)
	case l.Pieces >= l.Listed && l.Cause != "":
		return invalid("%d are not fewer than the %d listed; leave the cause out", l.Pieces, l.Listed)
	}
	if l.Pieces == 0 {
		return nil
	}
	if err := free(lot); err != nil {
		return err
	}
	if key.Pieces == 0 {
		in, err := night()
		if err != nil {
			return err
		}
		unfit, err := plan.Unfit(in, line, lot)
		if err != nil {
			return err
		}
		if unfit != "" {
			return invalid("lot %s does not serve %s: %s; take another", l.Lot, l.Shop, unfit)
		}
	}
	return nil
}

// load moves what was picked onto the van, settles what is missing, and keeps the line.
func (x *dock) load(w *writing, l commissary.PickedLine, found bool) error {
	l.At, l.By, l.Revision = w.at, w.who, x.d.Revision
	lots, ref := w.Lots(x.id()), x.name()
	lot, err := lots.Get(l.Lot)
	if err != nil {
		return err
	}
	if l.Pieces > 0 {
		if err := free(lot); err != nil {
			return err
		}
	}
	if more := l.Pieces - lot.Pieces; more > 0 {
		if !found {
			e := x.refuse("LOT_OVERDRAWN", "the records have %d pieces of lot %s in the kitchen, not the %d for %s; count again, and if they are there say that they were found", lot.Pieces, l.Lot, l.Pieces, l.Shop)
			e.Meta["lot"] = l.Lot
			return e
		}
		if err := lots.Move(commissary.Movement{Lot: l.Lot, Kind: commissary.Counted, Pieces: more, At: w.at, By: w.who, Ref: ref, Why: "found while picking"}); err != nil {
			return err
		}
		lot.Pieces = l.Pieces
	}
	if l.Pieces > 0 {
		if err := lots.Move(commissary.Movement{Lot: l.Lot, Kind: commissary.Picked, Pieces: -l.Pieces, To: commissary.OnVan(x.ride.Run, l.Shop), At: w.at, By: w.who, Ref: ref}); err != nil {
			return err
		}
	}
	gone := commissary.Movement{Lot: l.Lot, At: w.at, By: w.who, Ref: ref, Why: "while picking" + because(l.Note)}
	switch left := lot.Pieces - l.Pieces; l.Cause {
	case commissary.NotThere:
		gone.Kind, gone.Pieces = commissary.Counted, -left
	case commissary.Damaged:
		gone.Kind, gone.Pieces = commissary.Wasted, -min(l.Listed-l.Pieces, left)
	}
	if gone.Pieces != 0 {
		if err := lots.Move(gone); err != nil {
			return err
		}
	}
	if i := x.recorded(l); i >= 0 {
		before := x.ride.Picked[i]
		l.Pieces, l.Listed = l.Pieces+before.Pieces, l.Listed+before.Pieces
		x.ride.Picked[i] = l
		return nil
	}
	x.ride.Picked = append(x.ride.Picked, l)
	return nil
}

// recorded is where a line stands among those of the run; below zero: nowhere.
func (x *dock) recorded(l commissary.PickedLine) int {
	return slices.IndexFunc(x.ride.Picked, func(p commissary.PickedLine) bool { return p.Of("").Same(l.Of("")) })
}

// unload takes back what was recorded of a line.
func (x *dock) unload(w *writing, l commissary.PickedLine) error {
	i := x.recorded(l)
	p := x.ride.Picked[i]
	x.ride.Picked = slices.Delete(slices.Clone(x.ride.Picked), i, i+1)
	if p.Pieces == 0 {
		return nil
	}
	return w.Lots(x.id()).Move(commissary.Movement{Lot: l.Lot, Kind: commissary.Moved, Pieces: -p.Pieces, Place: commissary.OnVan(x.ride.Run, l.Shop), To: commissary.AtKitchen,
		At: w.at, By: w.who, Ref: x.name(), Why: "the pick is put right"})
}

func (k *kitchen) shopName(id string) string {
	if s, ok := k.shop(id); ok {
		return s.Name
	}
	return id
}
