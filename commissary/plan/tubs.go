package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// tub is an amount of a preferment or made prep that batches may draw from.
type tub struct {
	recipe int
	use    commissary.Use // Lot or Batch filled in; neither for a planned one
	batch  *placed        // the planned batch it comes from
	made   int64
	ready  int64 // out of its vessel and through its steps
	until  int64 // its vessel is held until then
	left   quantity.Mass
}

// draw is what a batch takes from a tub.
type draw struct {
	tub  *tub
	mass quantity.Mass
}

// feed takes the preferments and preps of a batch from what is in the tubs,
// oldest first, and plans new ones for the rest. It returns what was missing.
func (fl *floor) feed(r *recipe, p *placed) bound {
	if len(r.inputs) == 0 {
		return bound{}
	}
	sheet, err := fl.k.sheet(r, p.mass)
	if err != nil {
		return bound{kind: limitScale}
	}
	for _, in := range r.inputs {
		source := &fl.k.recipes[in.recipe]
		latest := p.load - int64(source.Ripe.Min)
		if in.daysBefore > 0 {
			latest = min(latest, fl.k.dayEnd(p.load, in.daysBefore))
		}
		oldest, itself := fl.k.oldestInput(source), in.recipe == p.recipe
		if itself && source.Starter() {
			oldest = source.FeedWithin
		}
		var need quantity.Mass
		for _, l := range sheet.Lines {
			if l.Preferment == source.ID || l.Prep == source.ID {
				need += l.Mass
			}
		}
		for _, t := range fl.tubs {
			age := quantity.Seconds(p.load - t.made)
			if need == 0 || t.recipe != in.recipe || t.left == 0 || t.made > latest || t.ready > p.load || age > oldest || t.until < p.load && !itself {
				continue // what a starter is fed from is kept back, out of its tub
			}
			amount := min(need, t.left)
			fl.draw(p, t, amount)
			need -= amount
		}
		for need > 0 {
			spare := fl.cushion(need, p)
			t := fl.stir(in.recipe, source, p.load, latest, need+spare)
			if t == nil {
				return bound{kind: limitPreferment, id: source.ID}
			}
			amount := min(need, t.left)
			fl.draw(p, t, amount)
			fl.leave(t, max(t.left-spare, 0))
			if t.left < amount/20 {
				fl.leave(t, 0) // a scraping is not kept for another batch
			}
			need -= amount
		}
	}
	return bound{}
}

// cushion is what is stirred above the need of a batch, for shops that may order
// more than is counted on: the book's share of what nobody has ordered yet.
func (fl *floor) cushion(need quantity.Mass, p *placed) quantity.Mass {
	var loose, all quantity.Pieces
	for _, g := range p.goes {
		loose, all = loose+g.loose, all+g.pieces
	}
	if loose == 0 {
		return 0
	}
	part, err := quantity.Scale(need, int64(loose), int64(all), quantity.Up)
	if err == nil {
		part, err = quantity.Share(part, fl.k.book.Kitchen.Cushion, quantity.Up)
	}
	if err != nil {
		return 0
	}
	return part
}

func (fl *floor) draw(p *placed, t *tub, amount quantity.Mass) {
	fl.leave(t, t.left-amount)
	p.draws = append(p.draws, draw{t, amount})
	if t.batch != nil {
		t.batch.feeds++
		fl.journal = append(fl.journal, func() { t.batch.feeds-- })
	}
}

// leave sets what is left in a tub.
func (fl *floor) leave(t *tub, left quantity.Mass) {
	before := t.left
	t.left = left
	fl.journal = append(fl.journal, func() { t.left = before })
}

func (fl *floor) setTubs(tubs []*tub) {
	before := fl.tubs
	fl.tubs = tubs
	fl.journal = append(fl.journal, func() { fl.tubs = before })
}

// tubStep is what the mass of a preferment is stepped up to.
const tubStep = quantity.Kilogram / 2

// stir plans a new batch of a preferment or a made prep to be ripe at a time,
// near its best age if that can be.
func (fl *floor) stir(recipe int, source *recipe, at, latest int64, need quantity.Mass) *tub {
	gross, err := formula.ToMix(source.Formula, need)
	// Stepped up, so that tubs for mixes of nearly one size get one size.
	gross = gross.RoundTo(tubStep, quantity.Up)
	if err == nil {
		gross, err = fl.k.weighable(source, gross)
	}
	if err != nil {
		return nil
	}
	ripe := source.Ripe
	for i, m := range source.modes {
		w := want{recipe: recipe, mode: i, mass: max(min(gross, m.max), m.min), ready: at, until: at,
			pieces: make([]quantity.Pieces, len(source.items)), from: at - int64(ripe.Best+ripe.Band), to: min(at-int64(ripe.Best-ripe.Band), latest)}
		if source.Kind == commissary.Prep {
			w.until = 0 // it is packed, not left in its vessel
		}
		p, _ := fl.put(w)
		if p == nil {
			w.from, w.to = at-int64(fl.k.oldestInput(source)), latest
			p, _ = fl.put(w)
		}
		if p != nil {
			t := &tub{recipe: recipe, batch: p, made: p.mixEnd, ready: p.done, until: sched.Never, left: source.netOf(p.mass)}
			if w.until > 0 {
				t.until = w.until
			}
			i, _ := slices.BinarySearchFunc(fl.tubs, t, func(a, b *tub) int { return cmp.Compare(a.made, b.made) })
			fl.setTubs(slices.Insert(slices.Clone(fl.tubs), i, t))
			return t
		}
	}
	return nil
}
