package server

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
)

// differs reports whether something was picked otherwise than listed by the
// revision in force, or something listed can no longer be picked.
func (x *dock) differs() bool {
	for _, r := range x.rides {
		for _, l := range r.Picked {
			if l.Revision == x.d.Revision && !slices.ContainsFunc(x.d.Picks, func(p commissary.Pick) bool {
				return p.Same(l.Of(r.Run)) && p.Pieces == l.Pieces
			}) {
				return true
			}
		}
	}
	return false
}

// again gives the dispatch its next revision from what is left to pick from.
func (s dispatches) again(w *writing, x *dock) error {
	_, in, err := s.loadNight(w.Tx, x.id(), x.d.Night, w.at)
	if err != nil {
		return err
	}
	if in.Lots, err = x.pickable(in.Lots); err != nil {
		return err
	}
	d, err := plan.Redispatch(in, x.d, x.rides)
	if err != nil {
		return err
	}
	d.Revision, d.State = x.d.Revision+1, commissary.PlanReleased
	if err := w.Dispatches(x.id()).Append(d); err != nil {
		return err
	}
	for i := range x.rides {
		x.rides[i].Since = since(x.rides[i], x.d, d)
		if err := w.Rides(x.id()).Put(x.rides[i]); err != nil {
			return err
		}
	}
	x.d = d
	return nil
}

// pickable is what this dispatch may pick from: what lies in the kitchen and
// is not promised to another, and, with nothing left of them, the lots that it
// has picked.
func (x *dock) pickable(free []commissary.Lot) ([]commissary.Lot, error) {
	others, err := promised(x.tx, x.id())
	if err != nil {
		return nil, err
	}
	var codes []string
	for _, l := range free {
		codes = append(codes, l.Code)
	}
	for _, r := range x.rides {
		for _, l := range r.Picked {
			codes = append(codes, l.Lot)
		}
		for _, p := range x.d.Picks {
			if p.Run == r.Run {
				others[p.Lot] -= r.Open(p, x.d.Revision)
				codes = append(codes, p.Lot)
			}
		}
	}
	lots, err := x.tx.Lots(x.id()).Of(codes)
	for i := range lots {
		lots[i].Pieces = max(lots[i].Pieces-others[lots[i].Code], 0)
	}
	return lots, err
}

// since is which pages are in force after a new revision: those of the shops
// for which nothing changed stay.
func since(r commissary.Ride, was, is commissary.Dispatch) []commissary.PageSince {
	brings := func(d commissary.Dispatch, shop string) (lines []commissary.ManifestLine) {
		for _, m := range d.Manifests {
			for _, s := range m.Stops {
				if m.Run == r.Run && s.Shop == shop {
					lines = s.Lines
				}
			}
		}
		return lines
	}
	pages := slices.Clone(r.Since)
	for i, s := range pages {
		if !reflect.DeepEqual(brings(was, s.Shop), brings(is, s.Shop)) {
			pages[i].Revision = is.Revision
		}
	}
	return pages
}

// changes says what is picked otherwise from now on.
func (x *dock) changes(was commissary.Dispatch) []string {
	var said []string
	for _, m := range x.d.Manifests {
		for _, r := range x.rides {
			if r.Run != m.Run {
				continue
			}
			for _, p := range x.d.Picks {
				i := slices.IndexFunc(was.Picks, p.Same)
				open := r.Open(p, x.d.Revision)
				if p.Run != r.Run || open == 0 || i >= 0 && r.Open(was.Picks[i], was.Revision) == open {
					continue
				}
				item, _ := x.item(p.Item)
				said = append(said, fmt.Sprintf("Run %s, %s: pick %d × %s from lot %s.", m.Run, x.shopName(p.Shop), open, item.Name, p.Lot))
			}
		}
	}
	for _, l := range x.d.Lines {
		for _, before := range was.Lines {
			if before.Shop == l.Shop && before.Item == l.Item && before.BakeDate == l.BakeDate && l.Short > before.Short {
				item, _ := x.item(l.Item)
				said = append(said, fmt.Sprintf("%s is short %d × %s for %s: %s. Tell the shop.", x.shopName(l.Shop), l.Short, item.Name, l.BakeDate.Short(), l.Why))
			}
		}
	}
	return said
}

// ridesOf makes the rides of a dispatch that is being released.
func ridesOf(d commissary.Dispatch) []commissary.Ride {
	var rides []commissary.Ride
	for _, m := range d.Manifests {
		r := commissary.Ride{Night: d.Night, Run: m.Run, State: commissary.RideLoading}
		for _, s := range m.Stops {
			r.Since = append(r.Since, commissary.PageSince{Shop: s.Shop, Revision: d.Revision})
		}
		slices.SortFunc(r.Since, func(a, b commissary.PageSince) int { return strings.Compare(a.Shop, b.Shop) })
		rides = append(rides, r)
	}
	return rides
}

// promised is how many pieces of each lot are on the lists of runs that are
// still loading, and not picked yet: they lie in the kitchen and are spoken for.
func promised(tx commissary.Tx, id string) (map[string]quantity.Pieces, error) {
	rides, err := tx.Rides(id).Loading()
	if err != nil {
		return nil, err
	}
	all := map[string]quantity.Pieces{}
	for _, r := range rides {
		d, err := tx.Dispatches(id).Newest(r.Night)
		if err != nil {
			return nil, err
		}
		for _, p := range d.Picks {
			if p.Run == r.Run {
				all[p.Lot] += r.Open(p, d.Revision)
			}
		}
	}
	return all, nil
}

// spoken is a lot list without what is promised.
func spoken(lots []commissary.Lot, promised map[string]quantity.Pieces) []commissary.Lot {
	var free []commissary.Lot
	for _, l := range lots {
		n := promised[l.Code]
		if l.Pieces = max(l.Pieces-n, 0); n == 0 || l.Pieces > 0 {
			free = append(free, l)
		}
	}
	return free
}
