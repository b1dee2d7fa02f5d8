package plan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// Make plans a night: what lots on hand serve, which batches are made when on
// what, and what cannot be done with the reason. Its result is a draft.
func Make(in Input) (commissary.Plan, error) {
	k, err := openKitchen(in)
	if err != nil {
		return commissary.Plan{}, err
	}
	p := commissary.Plan{Night: in.Night, State: commissary.PlanDraft, BookRev: in.Book.Revision, At: in.At, InputHash: Hash(in), Seed: in.Seed}
	p.Needs, p.Exceptions = k.demand()
	m := &making{k: k, floor: openFloor(k), needs: p.Needs, open: make([]quantity.Pieces, len(p.Needs)),
		limits: make([]string, len(p.Needs)), taped: map[string]quantity.Mass{}}
	for i, n := range p.Needs {
		m.open[i] = n.Pieces
	}
	p.Exceptions = append(p.Exceptions, m.takeFromLots()...)
	for _, band := range []bool{true, false} {
		for _, f := range m.urgent() {
			m.batch(f, band)
		}
	}
	p.Takes = m.takes
	p.Batches = m.list()
	p.Steps = m.floor.steps
	p.Exceptions = append(p.Exceptions, m.shorts()...)
	p.Scores = m.scores(p.Batches)
	return p, nil
}

// making is one run of Make.
type making struct {
	k      *kitchen
	floor  *floor
	needs  []commissary.Need
	open   []quantity.Pieces // of every need, what nothing serves yet
	limits []string          // of every need, what bound when it was tried
	takes  []commissary.Take
	taped  map[string]quantity.Mass // by formula, vessel and day: the mass on the sheet taped to the vessel
}

// stock is something made already, or certain to be made, that needs can take from.
type stock struct {
	take   commissary.Take // Lot or Batch filled in
	item   string
	made   time.Time
	pieces quantity.Pieces
}

// takeFromLots serves needs from lots on hand and posted batches: bake date by
// bake date, the oldest still in its window first. When there is too little
// for a date, the shops share it in proportion.
func (m *making) takeFromLots() []commissary.Reason {
	var reasons []commissary.Reason
	var stocks []stock
	for _, l := range m.k.in.Lots {
		switch {
		case l.Held != "":
			reasons = append(reasons, commissary.Reason{Code: commissary.ReasonHeldLot, Limit: l.Code, Item: l.Item, Pieces: l.Pieces,
				Text: "lot " + l.Code + " is on hold (" + l.Held + "): it is not used"})
		case l.Item == "":
			m.floor.tubs = append(m.floor.tubs, tub{formula: l.Formula, use: commissary.Use{Lot: l.Code}, batch: -1, made: l.Made.Unix(), left: l.Mass})
		default:
			stocks = append(stocks, stock{commissary.Take{Lot: l.Code}, l.Item, l.Made, l.Pieces})
			if w := m.k.items[l.Item].Window; l.Made.Add(span(w.Max)).Before(m.k.in.At) {
				reasons = append(reasons, commissary.Reason{Code: commissary.ReasonExpiredLot, Limit: l.Code, Item: l.Item, Pieces: l.Pieces,
					Text: fmt.Sprintf("lot %s (%d × %s) is past its hard maximum of %v since %s: discard it", l.Code, l.Pieces, m.k.items[l.Item].Name, w.Max, m.k.zone.Short(l.Made.Add(span(w.Max))))})
			}
		}
	}
	for _, b := range m.k.in.Posted {
		if b.State == commissary.BatchOut || b.State == commissary.BatchScrapped {
			continue
		}
		for _, mk := range b.Makes {
			stocks = append(stocks, stock{commissary.Take{Batch: b.ID}, mk.Item, b.MixEnd, mk.Pieces})
		}
		for _, u := range b.Uses {
			for i := range m.floor.tubs {
				if t := &m.floor.tubs[i]; u.Lot != "" && t.use.Lot == u.Lot {
					t.left = max(t.left-u.Mass, 0)
				}
			}
		}
		if f := m.k.formulas[b.Formula]; len(b.Makes) == 0 && f.ID != "" {
			m.floor.tubs = append(m.floor.tubs, tub{formula: f.ID, use: commissary.Use{Batch: b.ID}, batch: -1, made: b.MixEnd.Unix(), left: m.freeOf(b)})
		}
	}
	slices.SortStableFunc(m.floor.tubs, func(a, b tub) int { return cmp.Or(cmp.Compare(a.made, b.made), cmp.Compare(a.use.Lot, b.use.Lot)) })
	slices.SortStableFunc(stocks, func(a, b stock) int {
		return cmp.Or(a.made.Compare(b.made), cmp.Compare(a.take.Lot, b.take.Lot), cmp.Compare(a.take.Batch, b.take.Batch))
	})
	// Needs come sorted by bake date and item, so that a date's needs of one item stand together.
	for i := 0; i < len(m.needs); {
		j := i
		for j < len(m.needs) && m.needs[j].BakeDate == m.needs[i].BakeDate && m.needs[j].Item == m.needs[i].Item {
			j++
		}
		for s := range stocks {
			if stocks[s].item == m.needs[i].Item && stocks[s].pieces > 0 {
				m.share(&stocks[s], i, j)
			}
		}
		i = j
	}
	return reasons
}

// freeOf is what other posted batches leave of a posted preferment.
func (m *making) freeOf(b commissary.Batch) quantity.Mass {
	left, err := formula.ComesOut(m.k.formulas[b.Formula], b.Mass)
	if err != nil {
		return 0
	}
	for _, o := range m.k.in.Posted {
		for _, u := range o.Uses {
			if u.Batch == b.ID {
				left = max(left-u.Mass, 0)
			}
		}
	}
	return left
}

func (m *making) share(s *stock, from, to int) {
	var able []int
	var weights []quantity.Pieces
	var total quantity.Pieces
	for i := from; i < to; i++ {
		n := &m.needs[i]
		if m.open[i] > 0 && !s.made.Before(n.MadeFrom) && !s.made.After(n.MadeTo) {
			able, weights, total = append(able, i), append(weights, m.open[i]), total+m.open[i]
		}
	}
	parts, err := quantity.Apportion(min(s.pieces, total), weights)
	if err != nil {
		return
	}
	for a, i := range able {
		if parts[a] == 0 {
			continue
		}
		t := s.take
		t.Shop, t.Item, t.BakeDate, t.Pieces = m.needs[i].Shop, m.needs[i].Item, m.needs[i].BakeDate, parts[a]
		m.takes = append(m.takes, t)
		m.open[i] -= parts[a]
		s.pieces -= parts[a]
	}
}

// urgent lists the recipes that items are made from, the one whose needs must
// be made first in front.
func (m *making) urgent() []int {
	first := map[int]time.Time{}
	for i, n := range m.needs {
		if m.open[i] == 0 {
			continue
		}
		r := m.k.byID[m.k.items[n.Item].Formula]
		if t, ok := first[r]; !ok || n.MadeTo.Before(t) {
			first[r] = n.MadeTo
		}
	}
	var order []int
	for r := range m.k.recipes {
		if _, ok := first[r]; ok {
			order = append(order, r)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return first[a].Compare(first[b]) })
	return order
}

// workSpan is a stretch of time with people on shift.
type workSpan struct{ from, to int64 }

// workSpans lists when anybody works from the planning instant on.
func (m *making) workSpans() []workSpan {
	var spans []workSpan
	crew := m.k.shiftHeads(m.k.in.At, m.k.planDays()+3)
	for i, at := range crew.at {
		if crew.free[i] <= 0 || i+1 == len(crew.at) || crew.at[i+1] <= m.floor.start {
			continue
		}
		at = max(at, m.floor.start)
		// A break does not part a shift.
		if n := len(spans); n > 0 && at-spans[n-1].to <= 2*3600 {
			spans[n-1].to = crew.at[i+1]
		} else {
			spans = append(spans, workSpan{at, crew.at[i+1]})
		}
	}
	return spans
}

// batch sizes and places batches of one recipe for its open needs: inside
// their good band, or when band is false anywhere in their window. Needs that
// can be made in the same stretch of work share batches.
func (m *making) batch(r int, band bool) {
	rec := &m.k.recipes[r]
	if len(rec.modes) == 0 {
		return
	}
	shortest, after := rec.modes[0].load+rec.modes[0].mix, rec.modes[0].unload
	for _, s := range rec.Steps {
		if s.Kind != commissary.StepWeigh && s.Kind != commissary.StepHold {
			after += int64(s.Min)
		}
	}
	spans := m.workSpans()
	type chance struct {
		need     int
		from, to int64
		last     int // last span in which it can be made
	}
	var chances []chance
	for i, n := range m.needs {
		if m.open[i] == 0 || m.k.byID[m.k.items[n.Item].Formula] != r {
			continue
		}
		c := chance{i, n.MadeFrom.Unix(), n.MadeTo.Unix(), -1}
		if band {
			c.from, c.to = n.GoodFrom.Unix(), n.GoodTo.Unix()
		}
		c.to = min(c.to, n.Departs.Unix()-after)
		for s, w := range spans {
			if max(w.from+shortest, c.from) <= min(w.to, c.to) {
				c.last = s
			}
		}
		if c.last < 0 {
			if !band && m.limits[i] == "" {
				m.limits[i] = "window"
			}
			continue
		}
		chances = append(chances, c)
	}
	slices.SortStableFunc(chances, func(a, b chance) int {
		return cmp.Or(cmp.Compare(a.last, b.last), cmp.Compare(a.to, b.to))
	})
	for i, anchor := range chances {
		if m.open[anchor.need] == 0 {
			continue
		}
		w := spans[anchor.last]
		g := group{recipe: r, from: max(w.from+shortest, anchor.from), to: min(w.to, anchor.to), ready: never}
		for _, c := range chances[i:] {
			from, to := max(g.from, c.from), min(g.to, c.to)
			// A late joiner must not squeeze the group into a sliver.
			if m.open[c.need] == 0 || to-from < min((g.to-g.from)/2, 2*3600) {
				continue
			}
			g.from, g.to = from, to
			g.ready = min(g.ready, m.needs[c.need].Departs.Unix())
			g.needs = append(g.needs, c.need)
		}
		// Joiners that found no room here come again without the anchor.
		m.place(g)
	}
}

// group is needs that share batches.
type group struct {
	recipe   int
	needs    []int
	from, to int64
	ready    int64
}

// place puts as many batches on the floor as the group's open needs ask for,
// on the vessel that needs the fewest, then on the others.
func (m *making) place(g group) {
	r := &m.k.recipes[g.recipe]
	limit := ""
	for range r.modes {
		modes := slices.Clone(r.modes)
		slices.SortStableFunc(modes, func(a, b mode) int { return cmp.Compare(m.count(g, a), m.count(g, b)) })
		progress := false
		for _, mode := range modes {
			n := m.count(g, mode)
			if n == 0 {
				return
			}
			sizes, mass := m.split(g, mode, n)
			for _, makes := range sizes {
				p, bound := m.floor.put(want{recipe: g.recipe, mode: mode, mass: mass, makes: makes, from: g.from, to: g.to, ready: g.ready})
				if p == nil {
					limit = bound
					break
				}
				progress = true
				m.serve(g, p)
			}
			if progress {
				break
			}
		}
		if !progress {
			break
		}
	}
	for _, i := range g.needs {
		if m.open[i] > 0 {
			m.limits[i] = limit
		}
	}
}

// wanted is what a group still needs, by item in book order.
func (m *making) wanted(g group) []commissary.Making {
	var makes []commissary.Making
	for _, id := range m.k.recipes[g.recipe].items {
		var sum quantity.Pieces
		for _, i := range g.needs {
			if m.needs[i].Item == id {
				sum += m.open[i]
			}
		}
		if sum > 0 {
			makes = append(makes, commissary.Making{Item: id, Pieces: sum})
		}
	}
	return makes
}

// count is how many batches of a mode the group's open needs take.
func (m *making) count(g group, mode mode) int {
	r := &m.k.recipes[g.recipe]
	wanted := m.wanted(g)
	if len(wanted) == 0 {
		return 0
	}
	mass, err := m.k.massFor(*r, wanted)
	if err != nil {
		return 1 << 20
	}
	for n := int((mass + mode.max - 1) / mode.max); ; n++ {
		if _, mass := m.split(g, mode, n); mass <= mode.max {
			return n
		}
	}
}

// split shares a group's open needs over n batches of one mass, as evenly as
// whole pieces go; what room is left in a batch makes surplus of the item
// wanted most.
func (m *making) split(g group, mode mode, n int) ([][]commissary.Making, quantity.Mass) {
	r := &m.k.recipes[g.recipe]
	wanted := m.wanted(g)
	sizes := make([][]commissary.Making, n)
	first := 0
	most := wanted[0]
	for _, w := range wanted {
		if w.Pieces > most.Pieces {
			most = w
		}
		for b := range n {
			pieces := w.Pieces / quantity.Pieces(n)
			// The odd pieces of the next item go where those of this one did not.
			if (b-first+n)%n < int(w.Pieces%quantity.Pieces(n)) {
				pieces++
			}
			if pieces > 0 {
				sizes[b] = append(sizes[b], commissary.Making{Item: w.Item, Pieces: pieces})
			}
		}
		first = (first + int(w.Pieces%quantity.Pieces(n))) % n
	}
	mass := mode.min
	for _, s := range sizes {
		need, err := m.k.massFor(*r, s)
		if err != nil {
			return sizes, quantity.MaxMass
		}
		mass = max(mass, need)
	}
	key := m.tapeKey(g, mode)
	if taped, ok := m.taped[key]; ok && taped >= mass {
		mass = taped
	}
	piece := m.k.items[most.Item].Mass
	for b, s := range sizes {
		var used quantity.Mass
		for _, w := range s {
			used += m.k.items[w.Item].Mass * quantity.Mass(w.Pieces)
		}
		if extra := quantity.Pieces((r.netOf(mass) - used) / piece); extra > 0 {
			at := slices.IndexFunc(s, func(w commissary.Making) bool { return w.Item == most.Item })
			if at < 0 {
				sizes[b] = append(s, commissary.Making{Item: most.Item, Pieces: extra})
			} else {
				s[at].Pieces += extra
			}
		}
	}
	return sizes, mass
}

func (m *making) tapeKey(g group, mode mode) string {
	return m.k.recipes[g.recipe].ID + " " + mode.vessel + " " + m.k.zone.Date(instant(g.from)).String()
}

// serve gives a batch's pieces to the group's open needs: the one whose
// window closes first in front.
func (m *making) serve(g group, p *placed) {
	p.group = m.tapeKey(g, p.mode)
	if _, ok := m.taped[p.group]; !ok {
		m.taped[p.group] = p.mass
	}
	order := slices.Clone(g.needs)
	slices.SortStableFunc(order, func(a, b int) int { return m.needs[a].MadeTo.Compare(m.needs[b].MadeTo) })
	for _, mk := range p.makes {
		left := mk.Pieces
		for _, i := range order {
			n := m.needs[i]
			if give := min(left, m.open[i]); n.Item == mk.Item && give > 0 {
				p.serves = append(p.serves, commissary.Serve{Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: give, Source: n.Source})
				m.open[i] -= give
				left -= give
			}
		}
	}
}

// list turns what stands on the floor into the plan's batches, in the order
// they are loaded, numbered behind the batches that stand already.
func (m *making) list() []commissary.Batch {
	order := slices.Clone(m.floor.batches)
	slices.SortStableFunc(order, func(a, b *placed) int {
		return cmp.Or(cmp.Compare(a.load, b.load), cmp.Compare(a.mode.vessel, b.mode.vessel), cmp.Compare(a.unit, b.unit), cmp.Compare(a.recipe, b.recipe))
	})
	prefix := strings.ReplaceAll(m.k.in.Night.String(), "-", "") + "-"
	taken := 0
	for _, b := range m.k.in.Posted {
		var n int
		if rest, ok := strings.CutPrefix(b.ID, prefix); ok {
			if _, err := fmt.Sscanf(rest, "%d", &n); err == nil {
				taken = max(taken, n)
			}
		}
	}
	ids := map[int]string{}
	for i, p := range order {
		ids[p.index] = fmt.Sprintf("%s%02d", prefix, taken+i+1)
	}
	batches := make([]commissary.Batch, 0, len(order))
	for _, p := range order {
		r := m.k.recipes[p.recipe]
		b := commissary.Batch{ID: ids[p.index], Formula: r.ID, Vessel: p.mode.vessel, Unit: p.unit + 1, Second: p.mode.second, State: commissary.BatchPlanned,
			Mass: p.mass, Steps: p.steps, MixEnd: instant(p.mixEnd), Makes: p.makes, Serves: p.serves, Uses: p.uses}
		if sheet, err := m.k.sheet(r, p.mass); err == nil {
			b.Flour = sheet.Flour
		}
		for i, from := range p.from {
			if from >= 0 {
				b.Uses[i].Batch = ids[from]
			}
		}
		slices.SortStableFunc(b.Serves, func(x, y commissary.Serve) int {
			return service{x.Shop, x.Item, x.BakeDate}.compare(service{y.Shop, y.Item, y.BakeDate})
		})
		slices.SortStableFunc(b.Steps, func(x, y commissary.Booking) int { return x.From.Compare(y.From) })
		b.Odd = p.group != "" && m.taped[p.group] != p.mass
		batches = append(batches, b)
	}
	return batches
}

// shorts says of every need that is not served in full what bound and when it
// could be had, and of every piece outside its good band how far it is.
func (m *making) shorts() []commissary.Reason {
	var reasons []commissary.Reason
	for i, n := range m.needs {
		if m.open[i] == 0 {
			continue
		}
		item := m.k.items[n.Item]
		e := commissary.Reason{Code: commissary.ReasonShort, Limit: m.limits[i], Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: m.open[i]}
		if strings.HasPrefix(e.Limit, "preferment ") {
			e.Code = commissary.ReasonPrefermentCaps
		}
		e.Earliest = m.soonest(item)
		e.Text = fmt.Sprintf("%s is short %d of %d × %s for %s: %s", m.k.shopName(n.Shop), m.open[i], n.Pieces, item.Name, n.BakeDate.Short(), m.boundText(e.Limit, item))
		if !e.Earliest.IsZero() {
			e.Text += "; a new batch is ready " + m.k.zone.Short(e.Earliest) + " at the earliest"
		}
		e.Text += "."
		reasons = append(reasons, e)
	}
	byNeed := map[service]commissary.Need{}
	for _, n := range m.needs {
		byNeed[service{n.Shop, n.Item, n.BakeDate}] = n
	}
	off := map[string]quantity.Pieces{}
	var offKeys []string
	sample := map[string]commissary.Reason{}
	for _, p := range m.floor.batches {
		for _, s := range p.serves {
			n := byNeed[service{s.Shop, s.Item, s.BakeDate}]
			if made := instant(p.mixEnd); made.Before(n.GoodFrom) || made.After(n.GoodTo) {
				key := s.Item + " " + s.BakeDate.String()
				if _, ok := off[key]; !ok {
					offKeys = append(offKeys, key)
					sample[key] = commissary.Reason{Code: commissary.ReasonOffBand, Limit: "window", Item: s.Item, BakeDate: s.BakeDate}
				}
				off[key] += s.Pieces
			}
		}
	}
	slices.Sort(offKeys)
	for _, key := range offKeys {
		e := sample[key]
		e.Pieces = off[key]
		e.Text = fmt.Sprintf("%d × %s for %s are made inside their window but outside the good band of %v ± %v.", off[key], m.k.items[e.Item].Name, e.BakeDate.Short(), m.k.items[e.Item].Window.Best, m.k.items[e.Item].Window.Band)
		reasons = append(reasons, e)
	}
	return reasons
}

// soonest is when one more smallest batch of an item could be old enough to use.
func (m *making) soonest(item commissary.Item) time.Time {
	r := m.k.byID[item.Formula]
	var best time.Time
	for _, mode := range m.k.recipes[r].modes {
		depth, tubs := len(m.floor.batches), slices.Clone(m.floor.tubs)
		mass := mode.min
		pieces := max(quantity.Pieces(m.k.recipes[r].netOf(mass)/item.Mass), 1)
		p, _ := m.floor.put(want{recipe: r, mode: mode, mass: mass, makes: []commissary.Making{{Item: item.ID, Pieces: pieces}},
			from: m.floor.start, to: m.floor.start + int64(m.k.planDays()+1)*86400, ready: m.floor.start + int64(m.k.planDays()+2)*86400})
		if p == nil {
			continue
		}
		if t := latest(instant(p.mixEnd).Add(span(item.Window.Min)), instant(p.ready)); best.IsZero() || t.Before(best) {
			best = t
		}
		for len(m.floor.batches) > depth {
			m.floor.unbook()
		}
		m.floor.tubs = tubs
	}
	return best
}

func (m *making) boundText(limit string, item commissary.Item) string {
	switch {
	case limit == "window":
		return fmt.Sprintf("no batch mixed from now on is %v old by the first pull", item.Window.Min)
	case limit == "crew":
		return "nobody on shift is free in time"
	case limit == "cold":
		return "the cold store has no free places"
	case limit == "cold pull-down":
		return "the cold store cannot take more warm dough in that hour"
	case limit == "departure":
		return "it would not be ready when its run departs"
	case strings.HasPrefix(limit, "preferment "):
		return "there is not enough " + m.k.formulas[strings.TrimPrefix(limit, "preferment ")].Name + " ripe in time"
	case limit == "":
		return "no vessel can make it"
	}
	if b, ok := m.k.benches[limit]; ok {
		return b.Name + " is full in that time"
	}
	if v, ok := m.k.vessels[limit]; ok {
		return v.Name + " is full in that time"
	}
	return limit
}

// scores measures the plan by the components of the objective, in order.
func (m *making) scores(batches []commissary.Batch) []commissary.Score {
	var short, off, surplus, deviation, washes int64
	for i := range m.needs {
		short += int64(m.open[i])
	}
	byNeed := map[service]commissary.Need{}
	for _, n := range m.needs {
		byNeed[service{n.Shop, n.Item, n.BakeDate}] = n
	}
	var finish time.Time
	for _, b := range batches {
		for _, mk := range b.Makes {
			surplus += int64(mk.Pieces)
		}
		for _, s := range b.Serves {
			surplus -= int64(s.Pieces)
			n := byNeed[service{s.Shop, s.Item, s.BakeDate}]
			if b.MixEnd.Before(n.GoodFrom) || b.MixEnd.After(n.GoodTo) {
				off += int64(s.Pieces)
			}
			middle := n.GoodFrom.Add(n.GoodTo.Sub(n.GoodFrom) / 2)
			deviation += int64(s.Pieces) * int64(b.MixEnd.Sub(middle).Abs()/time.Minute)
		}
		for _, s := range b.Steps {
			if s.Step == commissary.StepWash && quantity.Seconds(s.To.Sub(s.From)/time.Second) == m.k.vessels[b.Vessel].Wash {
				washes++
			}
			if s.Step != commissary.StepHold {
				finish = latest(finish, s.To)
			}
		}
	}
	var end int64
	if !finish.IsZero() {
		end = max(int64(finish.Sub(m.k.in.At)/time.Minute), 0)
	}
	return []commissary.Score{{Name: "short", Value: short}, {Name: "off_band", Value: off}, {Name: "batches", Value: int64(len(batches))},
		{Name: "surplus", Value: surplus}, {Name: "deviation", Value: deviation}, {Name: "washes", Value: washes}, {Name: "finish", Value: end}}
}
