package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Redispatch is a released dispatch again, after something was picked
// otherwise than listed: in.Lots are what is left to pick from, the rides say
// what is picked. What is picked stays, and so does what is listed, as long as
// its lot is there. What is missing comes from other lots in the shop's
// window, as Dispatch takes them; where those do not reach, the shops that are
// not picked for share anew by the book's policy. A run that has left gets
// nothing more, and no van goes to another shop for it. The result is a draft
// of the next revision.
func Redispatch(in Input, was commissary.Dispatch, rides []commissary.Ride) (commissary.Dispatch, error) {
	k, err := openKitchen(in)
	if err != nil {
		return commissary.Dispatch{}, err
	}
	d := was
	d.Revision, d.State, d.At, d.InputHash = 0, commissary.PlanDraft, in.At, Hash(in)
	d.Lines, d.Picks, d.Manifests = nil, nil, nil
	d.Exceptions = slices.DeleteFunc(slices.Clone(was.Exceptions), func(r commissary.Reason) bool {
		switch r.Code {
		case commissary.ReasonShort, commissary.ReasonOverload, commissary.ReasonLateStop, commissary.ReasonOvertime:
			return true
		}
		return false
	})
	r := &repick{kitchen: k, was: was, rides: rides, needs: map[service]commissary.Need{}}
	needs, _ := k.demand()
	for _, n := range needs {
		r.needs[serviceOf(n)] = n
	}
	lots := slices.Clone(canonical(in).Lots)
	slices.SortStableFunc(lots, func(a, b commissary.Lot) int { return a.Made.Compare(b.Made) })
	for _, item := range k.book.Items {
		r.item(&d, item, lots)
	}
	for _, m := range was.Manifests {
		again := m
		again.Stops, again.Boxes, again.Mass = nil, 0, 0
		for _, s := range m.Stops {
			if s = k.brings(m.Run, s, d.Picks); len(s.Lines) > 0 {
				again.Stops, again.Boxes, again.Mass = append(again.Stops, s), again.Boxes+s.Boxes, again.Mass+s.Mass
			}
		}
		if run := k.run(m.Run); len(again.Stops) < len(m.Stops) && run.Sequence == commissary.Free {
			if err := k.clock(&again, run, d.Delivery); err != nil {
				return commissary.Dispatch{}, err
			}
			for i := range again.Stops {
				k.mark(&again, &again.Stops[i], d.Picks)
			}
		}
		again.Load = k.stow(again.Stops)
		d.Manifests = append(d.Manifests, again)
	}
	for _, m := range d.Manifests {
		d.Exceptions = append(d.Exceptions, k.roadReasons(&d, m)...)
	}
	return d, nil
}

// repick is a dispatch whose open part is picked again.
type repick struct {
	*kitchen
	was   commissary.Dispatch
	rides []commissary.Ride
	needs map[service]commissary.Need
}

func serviceOfLine(l commissary.DispatchLine) service { return service{l.Shop, l.Item, l.BakeDate} }

// run is the run that brings a service's goods.
func (r *repick) run(s service) commissary.Ride {
	id := ""
	for _, p := range r.was.Picks {
		if s == (service{p.Shop, p.Item, p.BakeDate}) {
			id = p.Run
		}
	}
	for _, m := range r.was.Manifests {
		if id == "" && slices.ContainsFunc(m.Stops, func(x commissary.ManifestStop) bool { return x.Shop == s.shop }) {
			id = m.Run
		}
	}
	i := slices.IndexFunc(r.rides, func(x commissary.Ride) bool { return x.Run == id })
	if i < 0 {
		return commissary.Ride{} // nobody goes there: nothing is picked
	}
	return r.rides[i]
}

// arrives is when a run reaches a shop, as its page says.
func (r *repick) arrives(run, shop string) time.Time {
	for _, m := range r.was.Manifests {
		for _, s := range m.Stops {
			if m.Run == run && s.Shop == shop {
				return s.Arrives
			}
		}
	}
	return r.was.At
}

// wanted is a line with what is still to be picked for it.
type wanted struct {
	commissary.DispatchLine
	run      string
	open     quantity.Pieces
	leftOut  quantity.Pieces // stay in the kitchen on purpose
	windowed bool            // its need is known
	need     commissary.Need
}

// item picks one item's open part again.
func (r *repick) item(d *commissary.Dispatch, item commissary.Item, all []commissary.Lot) {
	var lines []wanted
	var fixed []commissary.Pick
	var before, fixedPieces quantity.Pieces
	for _, l := range r.was.Lines {
		if l.Item != item.ID {
			continue
		}
		before += l.Picked
		s := serviceOfLine(l)
		ride := r.run(s)
		w := wanted{DispatchLine: l, run: ride.Run, open: l.Ordered}
		for _, p := range ride.Picked {
			if s != (service{p.Shop, p.Item, p.BakeDate}) {
				continue
			}
			w.open -= p.Pieces
			if p.Cause == commissary.LeftOut {
				w.leftOut += p.Listed - p.Pieces
			}
			if p.Pieces > 0 {
				fixed = append(fixed, p.Of(ride.Run))
				fixedPieces += p.Pieces
			}
		}
		if w.open -= w.leftOut; ride.State != commissary.RideLoading {
			w.open = 0
		}
		w.need, w.windowed = r.needs[s]
		w.need.Run = ride.Run
		lines = append(lines, w)
	}
	if len(lines) == 0 {
		return
	}
	free := r.free(item, all)
	kept := r.keep(lines, free)
	fill := func(kept []commissary.Pick) []commissary.Pick {
		return slices.Concat(kept, r.pickLots(openNeeds(lines, kept), rest(free, kept), max(item.PerBox, 1)))
	}
	picks := fill(kept)
	if fixedPieces+sum(picks) < before {
		picks = fill(nil)
	}
	picks = append(picks, fixed...)
	left := rest(free, picks)
	for _, w := range lines {
		l := w.DispatchLine
		l.Picked, l.Why = 0, ""
		for _, p := range picks {
			if p.Shop == l.Shop && p.BakeDate == l.BakeDate {
				l.Picked += p.Pieces
			}
		}
		if l.Short = l.Ordered - l.Picked; l.Short > 0 {
			switch {
			case w.leftOut > 0:
				l.Why = fmt.Sprintf("%d stay in the kitchen, as was noted at the dock", w.leftOut)
			case w.windowed:
				l.Why = r.whyShort(item, w.need, left)
			default:
				l.Why = "no more are on hand"
			}
			d.Exceptions = append(d.Exceptions, r.shortReason(l))
		}
		d.Lines = append(d.Lines, l)
	}
	for _, p := range merge(picks) {
		p = r.boxed(p)
		i := slices.IndexFunc(r.was.Picks, p.Same)
		if i >= 0 { // its times are on the page already
			q := r.was.Picks[i]
			p.UseFrom, p.Best, p.UseBy, p.Unsure = q.UseFrom, q.Best, q.UseBy, q.Unsure
		} else {
			r.date(&p, r.arrives(p.Run, p.Shop))
		}
		d.Picks = append(d.Picks, p)
	}
}

// keep returns what is listed, not recorded, and still there.
func (r *repick) keep(lines []wanted, free []agedLot) []commissary.Pick {
	there := map[string]quantity.Pieces{}
	for _, l := range free {
		there[l.Code] = l.Pieces
	}
	var kept []commissary.Pick
	for _, w := range lines {
		open := w.open
		for _, p := range r.was.Picks {
			if serviceOfLine(w.DispatchLine) != (service{p.Shop, p.Item, p.BakeDate}) {
				continue
			}
			if give := min(r.openOf(p), there[p.Lot], open); give > 0 {
				kept = append(kept, commissary.Pick{Run: p.Run, Shop: p.Shop, Item: p.Item, BakeDate: p.BakeDate, Lot: p.Lot, Pieces: give})
				there[p.Lot] -= give
				open -= give
			}
		}
	}
	return kept
}

// openOf is how many pieces of a pick are not picked yet.
func (r *repick) openOf(p commissary.Pick) quantity.Pieces {
	for _, ride := range r.rides {
		if ride.Run == p.Run {
			return ride.Open(p, r.was.Revision)
		}
	}
	return 0
}

// openNeeds are the needs that picks leave open, in the order in which lots are given.
func openNeeds(lines []wanted, picks []commissary.Pick) []commissary.Need {
	var needs []commissary.Need
	for _, w := range lines {
		n := w.need
		n.Pieces = w.open
		for _, p := range picks {
			if p.Shop == w.Shop && p.BakeDate == w.BakeDate {
				n.Pieces -= p.Pieces
			}
		}
		if w.windowed && w.run != "" && n.Pieces > 0 {
			needs = append(needs, n)
		}
	}
	slices.SortStableFunc(needs, func(a, b commissary.Need) int {
		return cmp.Or(a.MadeTo.Compare(b.MadeTo), a.Departs.Compare(b.Departs), cmp.Compare(a.Run, b.Run), cmp.Compare(a.Shop, b.Shop))
	})
	return needs
}

func sum(picks []commissary.Pick) quantity.Pieces {
	var n quantity.Pieces
	for _, p := range picks {
		n += p.Pieces
	}
	return n
}

// Unfit says why a shop cannot use a lot for a line of a dispatch; empty: it can.
func Unfit(in Input, l commissary.DispatchLine, lot commissary.Lot) (string, error) {
	k, err := openKitchen(in)
	if err != nil {
		return "", err
	}
	needs, _ := k.demand()
	for _, n := range needs {
		if serviceOf(n) != serviceOfLine(l) {
			continue
		}
		switch item := k.items[l.Item]; {
		case lot.Made.After(n.MadeTo):
			return fmt.Sprintf("it is not %v old before the first pull of %s", item.Window.Min, n.BakeDate.Short()), nil
		case lot.Made.Before(n.MadeFrom):
			return fmt.Sprintf("it passes its use-by before the last stretch of %s", n.BakeDate.Short()), nil
		}
		return "", nil
	}
	return "its window is not known any more; look at the order and the book", nil
}
