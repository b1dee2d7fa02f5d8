package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// stock is something made already, or certain to be made, that needs can take from.
type stock struct {
	take   commissary.Take // Lot or Batch filled in
	item   string
	young  time.Time // its two clocks
	old    time.Time
	ready  time.Time // in the cold store and fit to be picked
	pieces quantity.Pieces
}

// takeFromLots serves needs from lots on hand and posted batches: bake date by
// bake date, the oldest still in its window first. When there is too little
// for a date, the shops share it in proportion. It lowers open and puts
// preferments on the floor.
func takeFromLots(k *kitchen, fl *floor, needs []commissary.Need, open []quantity.Pieces) ([]commissary.Take, []commissary.Reason) {
	var reasons []commissary.Reason
	var stocks []stock
	for _, l := range k.in.Lots {
		r, known := k.byID[l.Formula]
		switch {
		case l.Held != "":
			reasons = append(reasons, commissary.Reason{Code: commissary.ReasonHeldLot, Limit: l.Code, Item: l.Item, Pieces: l.Pieces,
				Text: "lot " + l.Code + " is on hold (" + l.Held + "): it is not used"})
		case l.Item == "" && known:
			fl.tubs = append(fl.tubs, &tub{recipe: r, use: commissary.Use{Lot: l.Code}, made: l.Made.Unix(), until: usableUntil(k, l), left: l.Mass})
		case l.Item != "":
			young, old := clocks(k.book, k.zone, l, k.items[l.Item])
			stocks = append(stocks, stock{commissary.Take{Lot: l.Code}, l.Item, young, old, k.in.At, l.Pieces})
			switch w := k.items[l.Item].Window; {
			case !l.NotAfter.IsZero() && l.NotAfter.Before(k.in.At):
				reasons = append(reasons, commissary.Reason{Code: commissary.ReasonExpiredLot, Limit: l.Code, Item: l.Item, Pieces: l.Pieces,
					Text: fmt.Sprintf("lot %s (%d × %s) holds something that was to be used by %s: discard it", l.Code, l.Pieces, k.items[l.Item].Name, k.zone.Short(l.NotAfter))})
			case l.Made.Add(span(w.Max)).Before(k.in.At):
				reasons = append(reasons, commissary.Reason{Code: commissary.ReasonExpiredLot, Limit: l.Code, Item: l.Item, Pieces: l.Pieces,
					Text: fmt.Sprintf("lot %s (%d × %s) is past its hard maximum of %v since %s: discard it", l.Code, l.Pieces, k.items[l.Item].Name, w.Max, k.zone.Short(l.Made.Add(span(w.Max))))})
			}
		}
	}
	for _, b := range k.in.Posted {
		if b.State == commissary.BatchOut || b.State == commissary.BatchScrapped {
			continue
		}
		ready := b.MixEnd
		for _, s := range b.Steps {
			if s.Step != commissary.StepHold {
				ready = latest(ready, s.To)
			}
		}
		for _, mk := range b.Makes {
			stocks = append(stocks, stock{commissary.Take{Batch: b.ID}, mk.Item, b.MixEnd, b.MixEnd, ready, mk.Pieces})
		}
		for _, u := range b.Uses {
			for _, t := range fl.tubs {
				if u.Lot != "" && t.use.Lot == u.Lot {
					t.left = max(t.left-u.Mass, 0)
				}
			}
		}
		if r, ok := k.byID[b.Formula]; ok && len(b.Makes) == 0 {
			fl.tubs = append(fl.tubs, &tub{recipe: r, use: commissary.Use{Batch: b.ID}, made: b.MixEnd.Unix(), ready: ready.Unix(), until: heldUntil(k, b.ID), left: freeOf(k, b)})
		}
	}
	slices.SortStableFunc(fl.tubs, func(a, b *tub) int {
		return cmp.Or(cmp.Compare(a.made, b.made), cmp.Compare(a.use.Lot, b.use.Lot), cmp.Compare(a.use.Batch, b.use.Batch))
	})
	slices.SortStableFunc(stocks, func(a, b stock) int {
		return cmp.Or(a.old.Compare(b.old), cmp.Compare(a.take.Lot, b.take.Lot), cmp.Compare(a.take.Batch, b.take.Batch))
	})
	byItem := map[string][]*stock{}
	for i := range stocks {
		byItem[stocks[i].item] = append(byItem[stocks[i].item], &stocks[i])
	}
	var takes []commissary.Take
	// Needs come sorted by bake date and item, so that a date's needs of one item stand together.
	for i := 0; i < len(needs); {
		j := i
		for j < len(needs) && needs[j].BakeDate == needs[i].BakeDate && needs[j].Item == needs[i].Item {
			j++
		}
		for _, s := range byItem[needs[i].Item] {
			if s.pieces > 0 {
				takes = append(takes, s.share(needs[i:j], open[i:j])...)
			}
		}
		i = j
	}
	fl.shelve(needs, takes)
	return takes, reasons
}

// shelve holds the cold places of the lots on hand, and of what is taken from
// posted batches beyond their own hold: what a need takes until its run
// departs, the rest until the lot's hard maximum.
func (fl *floor) shelve(needs []commissary.Need, takes []commissary.Take) {
	departs := map[service]int64{}
	for _, n := range needs {
		departs[service{n.Shop, n.Item, n.BakeDate}] = n.Departs.Unix()
	}
	leaves := map[service][]leaving{} // by lot or batch, and item
	for _, t := range takes {
		key := service{shop: t.Lot + t.Batch, item: t.Item}
		leaves[key] = append(leaves[key], leaving{departs[service{t.Shop, t.Item, t.BakeDate}], t.Pieces})
	}
	for _, order := range leaves {
		slices.SortStableFunc(order, func(a, b leaving) int { return cmp.Compare(a.at, b.at) })
	}
	box := func(id, item string, pieces quantity.Pieces, from int64, made time.Time) {
		if x := fl.crates[fl.k.items[item].Container]; x != nil {
			for _, f := range x.fill(fl.k.items[item].PerBox, pieces, from, made.Add(span(fl.k.items[item].Window.Max)).Unix(), leaves[service{shop: id, item: item}]) {
				f.book(-1)
			}
		}
	}
	stay := func(id, item string, pieces quantity.Pieces, from, until int64) {
		order := leaves[service{shop: id, item: item}]
		slots := int64(fl.k.boxes[fl.k.items[item].Container].Slots)
		for _, o := range append(order, leaving{at: until}) {
			fl.cold.Add(from, o.at, -slots*fl.k.boxesOf(item, max(pieces, 0)))
			from, pieces = max(from, o.at), pieces-o.pieces
		}
	}
	for _, l := range fl.k.in.Lots {
		if l.Item != "" {
			box(l.Code, l.Item, l.Pieces, fl.start, l.Made)
			stay(l.Code, l.Item, l.Pieces, fl.start, l.Made.Add(span(fl.k.items[l.Item].Window.Max)).Unix())
		}
	}
	for _, b := range fl.k.in.Posted {
		if b.State == commissary.BatchOut || b.State == commissary.BatchScrapped {
			continue
		}
		held := fl.start
		for _, s := range b.Steps {
			if s.Step == commissary.StepHold {
				held = max(held, s.To.Unix())
			}
		}
		for _, mk := range b.Makes {
			box(b.ID, mk.Item, mk.Pieces, max(boxedAt(b).Unix(), fl.start), b.MixEnd)
			// What leaves before the hold ends is inside it.
			key := service{shop: b.ID, item: mk.Item}
			late := slices.DeleteFunc(slices.Clone(leaves[key]), func(l leaving) bool { return l.at <= held })
			leaves[key] = late
			var pieces quantity.Pieces
			for _, l := range late {
				pieces += l.pieces
			}
			stay(b.ID, mk.Item, pieces, held, held)
		}
	}
}

// boxedAt is when the pieces of a posted batch are boxed.
func boxedAt(b commissary.Batch) time.Time {
	ready := b.MixEnd
	for _, s := range b.Steps {
		switch s.Step {
		case commissary.StepDivide, commissary.StepPack:
			return s.From
		case commissary.StepHold:
		default:
			ready = latest(ready, s.To)
		}
	}
	return ready
}

// heldUntil is until when a posted batch is booked to stay in its vessel; for
// ever where it is not a posted batch, or stands packed.
func heldUntil(k *kitchen, batch string) int64 {
	for _, b := range k.in.Posted {
		if b.ID != batch || batch == "" || k.formulas[b.Formula].Kind == commissary.Prep {
			continue
		}
		var until int64
		for _, s := range b.Steps {
			if s.Resource == b.Vessel {
				until = max(until, s.To.Unix())
			}
		}
		return until
	}
	return sched.Never
}

// usableUntil is until when a lot may be drawn from: as long as it stays in
// its vessel, and no longer than what went into it may be used.
func usableUntil(k *kitchen, l commissary.Lot) int64 {
	until := heldUntil(k, l.Batch)
	if !l.NotAfter.IsZero() {
		until = min(until, l.NotAfter.Unix())
	}
	return until
}

// freeOf is what other posted batches leave of a posted preferment.
func freeOf(k *kitchen, b commissary.Batch) quantity.Mass {
	left, err := formula.ComesOut(k.formulas[b.Formula], b.Mass)
	if err != nil {
		return 0
	}
	for _, o := range k.in.Posted {
		for _, u := range o.Uses {
			if u.Batch == b.ID {
				left = max(left-u.Mass, 0)
			}
		}
	}
	return left
}

// share gives what there is to the needs whose window it is in: to those that
// are ordered first, then by standing order, then by forecast.
func (s *stock) share(needs []commissary.Need, open []quantity.Pieces) (takes []commissary.Take) {
	for _, source := range sources {
		takes = append(takes, s.shareAmong(source, needs, open)...)
	}
	return takes
}

func (s *stock) shareAmong(source commissary.Source, needs []commissary.Need, open []quantity.Pieces) []commissary.Take {
	var able []int
	var weights []quantity.Pieces
	var total quantity.Pieces
	for i, n := range needs {
		if n.Source == source && open[i] > 0 && !s.old.Before(n.MadeFrom) && !s.young.After(n.MadeTo) && !s.ready.After(n.Departs) {
			able, weights, total = append(able, i), append(weights, open[i]), total+open[i]
		}
	}
	parts, err := quantity.Apportion(min(s.pieces, total), weights)
	if err != nil {
		return nil
	}
	var takes []commissary.Take
	for a, i := range able {
		if parts[a] == 0 {
			continue
		}
		t := s.take
		t.Shop, t.Item, t.BakeDate, t.Pieces = needs[i].Shop, needs[i].Item, needs[i].BakeDate, parts[a]
		takes = append(takes, t)
		open[i] -= parts[a]
		s.pieces -= parts[a]
	}
	return takes
}
