package plan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// DefaultSteps is the work budget of a plan that names none.
const DefaultSteps = 4000

// budget is the work budget in force.
func (in Input) budget() int64 {
	if in.Steps == 0 {
		return DefaultSteps
	}
	return in.Steps
}

// Make plans a night: what lots on hand serve, which batches are made when on
// what, and what cannot be done with the reason. Its result is a draft.
func Make(in Input) (commissary.Plan, error) {
	k, err := openKitchen(in)
	if err != nil {
		return commissary.Plan{}, err
	}
	p := commissary.Plan{Night: in.Night, State: commissary.PlanDraft, BookRev: in.Book.Revision, At: in.At, InputHash: Hash(k.in), Seed: in.Seed}
	p.Needs, p.Exceptions = k.demand()
	p.Needs = k.ahead(p.Needs)
	open := make([]quantity.Pieces, len(p.Needs))
	for i, n := range p.Needs {
		open[i] = n.Pieces
	}
	fl := openFloor(k)
	takes, reasons := takeFromLots(k, fl, p.Needs, open)
	p.Takes = takes
	fl.keepAlive()
	s := newSearch(k, fl, p.Needs, open)
	s.run(in.budget())
	unfed := fl.keepAlive()
	for _, group := range s.sheets(func(taped) bool { return true }) {
		s.alike(group) // marks the odd ones
	}
	s.now = s.measure()
	s.seeWhatBinds()
	served := s.serves(p.Needs, open)
	p.Batches = s.list(served)
	p.Steps = in.budget()
	p.Scores = s.scores()
	p.Exceptions = append(p.Exceptions, reasons...)
	p.Exceptions = append(p.Exceptions, unfed...)
	p.Exceptions = append(p.Exceptions, s.shorts(p.Needs, open)...)
	p.Exceptions = append(p.Exceptions, s.offBand()...)
	return p, nil
}

// serves shares what the batches give each class among its needs, orders
// before standing orders, in proportion where it does not reach, and lowers
// open to what nothing serves.
func (s *search) serves(needs []commissary.Need, open []quantity.Pieces) map[*placed][]commissary.Serve {
	order := slices.Clone(s.fl.batches)
	slices.SortFunc(order, s.before)
	supply := make([][]*placed, len(s.classes))
	for _, p := range order {
		for _, f := range p.fills {
			supply[f.class] = append(supply[f.class], p)
		}
	}
	out := map[*placed][]commissary.Serve{}
	for c := range s.classes {
		cl := &s.classes[c]
		awards := s.awards(cl, needs, open)
		at, left := 0, quantity.Pieces(0)
		for a, i := range cl.needs {
			n := needs[i]
			for awards[a] > 0 {
				if left == 0 {
					p := supply[c][at]
					left = given(p.fills, c)
					at++
				}
				give := min(left, awards[a])
				p := supply[c][at-1]
				out[p] = append(out[p], commissary.Serve{Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: give, Source: n.Source})
				awards[a] -= give
				left -= give
				open[i] -= give
			}
		}
	}
	return out
}

// awards shares a class's served pieces among its needs.
func (s *search) awards(cl *class, needs []commissary.Need, open []quantity.Pieces) []quantity.Pieces {
	wants := make([][]quantity.Pieces, len(sources))
	for turn, source := range sources {
		wants[turn] = make([]quantity.Pieces, len(cl.needs))
		for a, i := range cl.needs {
			if needs[i].Source == source {
				wants[turn][a] = open[i]
			}
		}
	}
	return inTurn(cl.pieces-cl.open, wants)
}

// before orders batches as the plan lists them.
func (s *search) before(a, b *placed) int {
	return cmp.Or(cmp.Compare(a.load, b.load), cmp.Compare(a.recipe, b.recipe),
		cmp.Compare(s.k.recipes[a.recipe].modes[a.mode].vessel, s.k.recipes[b.recipe].modes[b.mode].vessel), cmp.Compare(a.unit, b.unit))
}

// list turns what stands on the floor into the plan's batches, in the order
// they are loaded, numbered behind the batches that stand already.
func (s *search) list(served map[*placed][]commissary.Serve) []commissary.Batch {
	order := slices.Clone(s.fl.batches)
	slices.SortFunc(order, s.before)
	prefix := strings.ReplaceAll(s.k.in.Night.String(), "-", "") + "-"
	taken := 0
	for _, b := range s.k.in.Posted {
		var n int
		if rest, ok := strings.CutPrefix(b.ID, prefix); ok {
			if _, err := fmt.Sscanf(rest, "%d", &n); err == nil {
				taken = max(taken, n)
			}
		}
	}
	ids := map[*placed]string{}
	for i, p := range order {
		ids[p] = fmt.Sprintf("%s%02d", prefix, taken+i+1)
	}
	batches := make([]commissary.Batch, 0, len(order))
	for _, p := range order {
		r := &s.k.recipes[p.recipe]
		m := r.modes[p.mode]
		b := commissary.Batch{ID: ids[p], Formula: r.ID, Vessel: s.k.book.Vessels[m.vessel].ID, Unit: p.unit + 1, Second: m.second, State: commissary.BatchPlanned,
			Mass: p.mass, Odd: p.odd, Steps: s.fl.bookings(p), MixEnd: instant(p.mixEnd), Serves: served[p]}
		if sheet, err := s.k.sheet(r, p.mass); err == nil {
			b.Flour = sheet.Flour
		}
		for i, n := range p.pieces {
			if n > 0 {
				b.Makes = append(b.Makes, commissary.Making{Item: r.items[i], Pieces: n})
			}
		}
		for _, d := range p.draws {
			u := d.tub.use
			if d.tub.batch != nil {
				u.Batch = ids[d.tub.batch]
			}
			u.Mass = d.mass
			b.Uses = append(b.Uses, u)
		}
		slices.SortFunc(b.Serves, func(x, y commissary.Serve) int {
			return service{x.Shop, x.Item, x.BakeDate}.compare(service{y.Shop, y.Item, y.BakeDate})
		})
		batches = append(batches, b)
	}
	return batches
}

// seeWhatBinds notes for what is short what keeps another batch for it off the
// floor as it is at last: what did on the way there may be free again.
func (s *search) seeWhatBinds() {
	s.largest = false
	for c := range s.classes {
		if cl := &s.classes[c]; cl.open > 0 {
			at := len(s.fl.journal)
			if what, ok := s.grow(cl.recipe, c, false, nil); !ok {
				cl.what = what
			}
			s.fl.back(at)
		}
	}
}

// shorts says of every need that is not served in full what bound and when it
// could be had.
func (s *search) shorts(needs []commissary.Need, open []quantity.Pieces) []commissary.Reason {
	class := make(map[int]*class)
	for c := range s.classes {
		for _, i := range s.classes[c].needs {
			class[i] = &s.classes[c]
		}
	}
	soonest := map[string]time.Time{}
	var reasons []commissary.Reason
	for i, n := range needs {
		if open[i] == 0 {
			continue
		}
		item := s.k.items[n.Item]
		what := class[i].what
		e := commissary.Reason{Code: commissary.ReasonShort, Limit: cmp.Or(what.id, string(what.kind)), Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: open[i]}
		if what.kind == limitPreferment {
			e.Code = commissary.ReasonPrefermentCaps
		}
		if _, ok := soonest[n.Item]; !ok {
			soonest[n.Item] = s.soonest(item)
		}
		e.Earliest = soonest[n.Item]
		e.Text = fmt.Sprintf("%s is short %d of %d × %s for %s: %s", s.k.shopName(n.Shop), open[i], n.Pieces, item.Name, n.BakeDate.Short(), s.boundText(what, item))
		if !e.Earliest.IsZero() {
			e.Text += "; a new batch is ready " + s.k.zone.Short(e.Earliest) + " at the earliest"
		}
		e.Text += "."
		reasons = append(reasons, e)
	}
	return reasons
}

// offBand says which pieces are made inside their window but outside the good band.
func (s *search) offBand() []commissary.Reason {
	off := map[service]quantity.Pieces{}
	for _, p := range s.fl.batches {
		for _, f := range p.fills {
			cl := &s.classes[f.class]
			if p.mixEnd < cl.goodFrom || p.mixEnd > cl.goodTo {
				item := s.k.recipes[cl.recipe].items[cl.item]
				// A class is of one bake date, for its run departs for one.
				off[service{"", item, cl.bake}] += f.pieces
			}
		}
	}
	keys := make([]service, 0, len(off))
	for key := range off {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, service.compare)
	var reasons []commissary.Reason
	for _, key := range keys {
		item := s.k.items[key.item]
		reasons = append(reasons, commissary.Reason{Code: commissary.ReasonOffBand, Limit: string(limitWindow), Item: key.item, BakeDate: key.bake, Pieces: off[key],
			Text: fmt.Sprintf("%d × %s for %s are made inside their window but outside the good band of %v ± %v.", off[key], item.Name, key.bake.Short(), item.Window.Best, item.Window.Band)})
	}
	return reasons
}

// soonest is when one more smallest batch of an item could be old enough to use.
func (s *search) soonest(item commissary.Item) time.Time {
	r := s.k.byID[item.Formula]
	rec := &s.k.recipes[r]
	at := slices.Index(rec.items, item.ID)
	var best time.Time
	for i, mode := range rec.modes {
		pieces := make([]quantity.Pieces, len(rec.items))
		pieces[at] = max(quantity.Pieces(rec.netOf(mode.min)/item.Mass), 1)
		end := s.fl.start + int64(s.k.planDays()+1)*86400
		mark := len(s.fl.journal)
		p, _ := s.fl.put(want{recipe: r, mode: i, mass: mode.min, pieces: pieces, from: s.fl.start, to: end, ready: end + 86400})
		if p == nil {
			continue
		}
		if t := latest(instant(p.mixEnd).Add(span(item.Window.Min)), instant(p.done)); best.IsZero() || t.Before(best) {
			best = t
		}
		s.fl.back(mark)
	}
	return best
}

func (s *search) boundText(what bound, item commissary.Item) string {
	switch what.kind {
	case limitWindow:
		return fmt.Sprintf("no batch mixed from now on is %v old by the first pull", item.Window.Min)
	case limitCrew:
		return "nobody on shift is free in time"
	case limitCold:
		return "the cold store has no free places"
	case limitBoxes:
		box := s.k.boxes[item.Container]
		return fmt.Sprintf("no clean %s is left: %d can be filled, each %d days out, then %v to wash and dry", box.Name, box.Clean(), box.DaysOut, box.WashAndDry)
	case limitDollies:
		box := s.k.boxes[item.Container]
		return fmt.Sprintf("no dolly for %s is free: there are %d of %d each", box.Name, box.Dollies, box.PerDolly)
	case limitPullDown:
		return "the cold store cannot take more warm dough in that hour"
	case limitDeparture:
		return "it would not be ready when its run departs"
	case limitPreferment:
		return "there is not enough " + s.k.formulas[what.id].Name + " ripe in time"
	case limitBench:
		return s.k.benches[what.id].Name + " is full in that time"
	case limitVessel:
		return s.k.book.Vessels[s.k.vessel[what.id]].Name + " is full in that time"
	case limitScale:
		return "no scale is fine enough for so small a batch"
	}
	return "no vessel can make it"
}

var costNames = [len(cost{})]string{"short", "off_band", "batches", "surplus", "deviation", "washes", "finish"}

func (s *search) scores() []commissary.Score {
	scores := make([]commissary.Score, len(costNames))
	least := s.bound(s.now)
	for i, name := range costNames {
		scores[i] = commissary.Score{Name: name, Value: s.now[i], Bound: least[i]}
	}
	return scores
}
