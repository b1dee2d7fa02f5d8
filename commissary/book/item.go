package book

import (
	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func (r *reader) items(f *fields) {
	kinds := oneOf(commissary.Ball, commissary.Pack)
	f.section("items", "item", true, func(id string, e *fields) {
		it := commissary.Item{ID: id,
			Name:      must(e, "name", "House ball 280 g", words),
			Kind:      must(e, "kind", "ball", kinds),
			Formula:   e.refer("formula", "formula", true, "house-dough"),
			Mass:      must(e, "mass", "280 g", above(quantity.ParseMass)),
			Tolerance: read(e, "tolerance", upTo(20*quantity.Percent)),
			Container: e.refer("container", "container", true, "dough-box"),
			PerBox:    quantity.Pieces(must(e, "per_box", "8", whole(1, 10_000))),
			Zone:      e.refer("zone", "zone", true, "dough"),
			CutOff:    e.refer("cut_off", "cut-off", true, "dough"),
			PullLead:  read(e, "pull_lead", shortTime),
			Tempered:  read(e, "tempered", shortTime),
			Shelf:     read(e, "shelf", name),
			GTIN:      read(e, "gtin", gtin),
			CostOut:   read(e, "cost_out", money),
			CostWaste: read(e, "cost_waste", money)}
		window, ok := e.window("window", true)
		it.Window = window
		r.ship(e, &it)
		r.book.Items = append(r.book.Items, it)
		r.checks = append(r.checks, func() { r.judgeItem(e, it, ok) })
	})
}

func (r *reader) ship(e *fields, it *commissary.Item) {
	n := e.take("ship")
	if n == nil {
		e.missing("ship", "{bake_after: 1, deliver_before: 0}")
		return
	}
	s := r.open(n, e.at("ship"), e.what+", ship")
	since := r.wrong
	it.Ship = commissary.ShipPolicy{
		BakeAfter:     int(must(s, "bake_after", "1", whole(1, 14))),
		DeliverBefore: int(must(s, "deliver_before", "0", whole(0, 13)))}
	s.close()
	if !s.broken && r.wrong == since && it.Ship.BakeAfter-it.Ship.DeliverBefore < 1 {
		r.fault(s.at("deliver_before"), "%s: delivered %d days before a bake day that is %d days after the night would be on the night itself or earlier; at most %d",
			s.what, it.Ship.DeliverBefore, it.Ship.BakeAfter, it.Ship.BakeAfter-1)
	}
}

// judgeItem checks an item against its formula, its bench and the shops' hours.
func (r *reader) judgeItem(e *fields, it commissary.Item, window bool) {
	made, ok := r.formula(it.Formula)
	if !ok || made.Kind == "" || it.Kind == "" {
		return
	}
	want := map[commissary.ItemKind]commissary.FormulaKind{commissary.Ball: commissary.Dough, commissary.Pack: commissary.Prep}[it.Kind]
	if made.Kind != want {
		r.fault(e.at("formula"), "%s: a %s is made from a %s, but %q is a %s", e.what, it.Kind, want, it.Formula, made.Kind)
		return
	}
	r.judgeBench(e, it, made)
	if window {
		r.judgeService(e, it)
	}
}

// judgeBench checks that the formula's bench has a rate for the item.
func (r *reader) judgeBench(e *fields, it commissary.Item, made *commissary.Formula) {
	step := commissary.StepDivide
	if made.Kind == commissary.Prep {
		step = commissary.StepPack
	}
	for _, s := range made.Steps {
		if s.Kind != step {
			continue
		}
		for _, b := range r.book.Benches {
			if b.ID != s.Bench {
				continue
			}
			for _, rate := range b.Rates {
				if (rate.Class == "" || rate.Class == made.Class) && (rate.UpTo == 0 || it.Mass <= rate.UpTo) {
					return
				}
			}
			if it.Mass > 0 {
				r.fault(e.at("mass"), "%s: bench %q has no rate for class %q at %s; add a row to its rates", e.what, b.ID, made.Class, r.mass(it.Mass))
			}
		}
		return
	}
	r.fault(e.at("formula"), "%s: formula %q has no %s step; add one with its bench", e.what, it.Formula, step)
}

// judgeService checks that one batch can be old enough at some shop's first
// pull and still young enough at its last stretch.
func (r *reader) judgeService(e *fields, it commissary.Item) {
	room := it.Window.Max - it.Window.Min
	for _, shop := range r.book.Shops {
		for _, s := range shop.Service {
			if long := quantity.Seconds(s.To - s.From); long > room {
				r.fault(e.at("window"), "%s: the window from %s to %s is %s long, but shop %q serves for %s; no batch is ready at its first pull and still good at its last stretch",
					e.what, hours(it.Window.Min), hours(it.Window.Max), hours(room), shop.ID, hours(long))
				return
			}
		}
	}
}
