package plan

import (
	"cmp"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// crate is one kind of container over time. Pieces are boxed when their bench
// step begins, or when they are ready where there is none. A box leaves with
// its delivery, is back some days later, and clean when it is washed and dry; a
// dolly is free as soon as it is back. What nobody takes stays in its box
// until its hard maximum. One item of one batch to a box, and to a dolly.
type crate struct {
	clean, dollies *sched.Free // nil: not counted
	away, wash     int64
	perDolly       int64
}

func (k *kitchen) crates() map[string]*crate {
	all := map[string]*crate{}
	for _, c := range k.book.Containers {
		x := &crate{away: int64(c.DaysOut) * int64(quantity.Day), wash: int64(c.WashAndDry), perDolly: int64(c.PerDolly)}
		if n := c.Clean(); n > 0 {
			x.clean = sched.NewFree(int64(n))
		}
		if c.Dollies > 0 && c.PerDolly > 0 {
			x.dollies = sched.NewFree(int64(c.Dollies))
		}
		if x.clean != nil || x.dollies != nil {
			all[c.ID] = x
		}
	}
	for _, a := range k.in.Away {
		if x := all[a.Container]; x != nil {
			left, n := a.Left.Unix(), int64(a.Containers)
			for _, t := range x.fill(1, quantity.Pieces(n), left, left, []leaving{{left, quantity.Pieces(n)}}) {
				t.book(-1)
			}
		}
	}
	return all
}

// leaving is pieces of something made that leave at a time.
type leaving struct {
	at     int64
	pieces quantity.Pieces
}

// filled is boxes or dollies that are not to be had for a time.
type filling struct {
	of       *sched.Free
	kind     limit
	from, to int64
	amount   int64
}

func (f filling) book(sign int64) { f.of.Add(f.from, f.to, sign*f.amount) }

// fill is what so many pieces take that are boxed at a time and leave as told,
// by time; what is left stays until the last.
func (x *crate) fill(perBox, pieces quantity.Pieces, from, until int64, goes []leaving) (all []filling) {
	add := func(of *sched.Free, kind limit, per, wash int64) {
		if of == nil {
			return
		}
		left := int64(pieces)
		stand := func(n int64) int64 { return (max(n, 0) + per - 1) / per }
		for _, g := range goes {
			n := stand(left) - stand(left-int64(g.pieces))
			left -= int64(g.pieces)
			all = append(all, filling{of, kind, from, g.at + x.away + wash, n})
		}
		all = append(all, filling{of, kind, from, until + wash, stand(left)})
	}
	per := int64(max(perBox, 1))
	add(x.clean, limitBoxes, per, x.wash)
	add(x.dollies, limitDollies, per*max(x.perDolly, 1), 0)
	return slices.DeleteFunc(all, func(f filling) bool { return f.amount == 0 })
}

// boxed is what the pieces of a batch take that is put together as far as its steps.
func (fl *floor) boxed(r *recipe, p *placed) (all []filling) {
	if len(fl.crates) == 0 {
		return nil
	}
	from := p.done
	if i := slices.IndexFunc(p.steps, func(s hold) bool { return s.kind == commissary.StepDivide || s.kind == commissary.StepPack }); i >= 0 {
		from = p.steps[i].from
	}
	for i, n := range p.pieces {
		it := fl.k.items[r.items[i]]
		x := fl.crates[it.Container]
		if n == 0 || x == nil {
			continue
		}
		var goes []leaving
		for _, g := range p.goes {
			if g.item == i {
				goes = append(goes, g.leaving)
			}
		}
		all = append(all, x.fill(it.PerBox, n, from, p.mixEnd+int64(it.Window.Max), goes)...)
	}
	return all
}

// lacking names what there is too little of, and by how much later it would
// have to be taken; the name is empty where all is to be had. All of them are
// taken at one time and given back one after the other.
func lacking(all []filling) (kind limit, later int64) {
	for _, f := range all {
		var need int64
		since := f.from
		for _, o := range all {
			switch {
			case o.of != f.of:
			case o.to >= f.to:
				need += o.amount
			default:
				since = max(since, o.to)
			}
		}
		if t := f.of.Since(since, f.to, need); t > since && t-f.from > later {
			kind, later = f.kind, t-f.from
		}
	}
	return kind, later
}

// Filled is containers of a kind, or what carries them, that the batches of a
// plan keep from being filled anew for a time.
type Filled struct {
	Container string // id
	Dollies   bool   // of the dollies for it
	From, To  time.Time
	Amount    int64
}

// FilledBy lists what a plan's batches take of the containers that the book
// counts: lots on hand and what is on the road are not among them.
func FilledBy(b commissary.Book, p commissary.Plan) (all []Filled) {
	k := &kitchen{book: &b}
	crates, items, departs := k.crates(), map[string]commissary.Item{}, map[service]int64{}
	for _, it := range b.Items {
		items[it.ID] = it
	}
	for _, n := range p.Needs {
		departs[service{n.Shop, n.Item, n.BakeDate}] = n.Departs.Unix()
	}
	for _, batch := range p.Batches {
		for _, m := range batch.Makes {
			it := items[m.Item]
			x := crates[it.Container]
			if x == nil {
				continue
			}
			var goes []leaving
			for _, s := range batch.Serves {
				if at, ok := departs[service{s.Shop, s.Item, s.BakeDate}]; ok && s.Item == m.Item {
					goes = append(goes, leaving{at, s.Pieces})
				}
			}
			slices.SortStableFunc(goes, func(a, b leaving) int { return cmp.Compare(a.at, b.at) })
			from := benchTime(batch, readyOf(batch)).Unix()
			for _, f := range x.fill(it.PerBox, m.Pieces, from, batch.MixEnd.Unix()+int64(it.Window.Max), goes) {
				all = append(all, Filled{it.Container, f.kind == limitDollies, instant(f.from), instant(f.to), f.amount})
			}
		}
	}
	return all
}
