package server

import (
	"fmt"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// mixesRead is how many of a vessel's last mixings of a class and speed are
// looked at; formula.Learn takes those of the batch's own fill band.
const mixesRead = 60

// told is when a batch's sheet was last worked out anew: at its start. What
// was measured later changes no sheet that somebody works from.
func told(b commissary.PostedBatch, now time.Time) time.Time {
	if !b.Started.IsZero() {
		return b.Started
	}
	return now
}

// learnt is a batch's vessel with the friction that its last mixings show, in
// the place of the book's, and a line that says so; empty where they show
// none.
func (k *kitchen) learnt(b commissary.Batch, f commissary.Formula, v commissary.Vessel, mixes []commissary.Mix) (commissary.Vessel, string) {
	var same []formula.Mixed
	for _, m := range mixes {
		same = append(same, formula.Mixed{Room: m.Room, Flour: m.Flour, Water: m.Water, Preferments: m.Preferments, Dough: m.Actual, Fill: m.Fill})
	}
	factor, ok := formula.Learn(same, k.fill(b, f, v))
	if !ok {
		return v, ""
	}
	v.Friction = []commissary.Friction{{Class: f.Class, Second: b.Second, Factor: factor}}
	return v, fmt.Sprintf("friction learnt from the last mixings on %s at about this fill, the median; not the book's", v.Name)
}

// fill is a batch's share of its vessel's largest fill; 0 where the book has none.
func (k *kitchen) fill(b commissary.Batch, f commissary.Formula, v commissary.Vessel) quantity.PPM {
	water, _ := formula.PlannedWater(k.Book, v, f, b.Second) // one out of reach is cold all the same
	c, err := formula.Capacity(k.Book, v, f, b.Second, water)
	if err != nil || c.Largest == 0 {
		return 0
	}
	share, err := quantity.MulDiv(int64(b.Mass), int64(quantity.Whole), int64(c.Largest), quantity.Nearest)
	if err != nil {
		return 0
	}
	return quantity.PPM(share)
}

// measured keeps what a finished dough's temperature says of its vessel: it
// was mixed with the water that its sheet said, by the book of its plan.
func (c *core) measured(w *writing, id string, b commissary.PostedBatch, o commissary.Outcome) error {
	if !o.Probed {
		return nil
	}
	p, err := w.Plans(id).Get(b.Night, b.Plan)
	if err != nil {
		return err
	}
	k, err := c.kitchen(w.Tx, id, p.BookRev)
	if err != nil {
		return err
	}
	f, err := k.formula(b.Formula)
	if err != nil || f.Kind != commissary.Dough || f.Target == 0 {
		return nil // nothing is learnt from it
	}
	for _, v := range k.Vessels {
		if v.ID != b.Vessel {
			continue
		}
		mixes, err := w.Batches(id).Mixes(v.ID, f.Class, b.Second, told(b, w.at), mixesRead)
		if err != nil {
			return err
		}
		now, _ := k.learnt(b.Batch, f, v, mixes)
		factors, _ := formula.PlannedFactors(k.Book, now, f, b.Second)
		water, err := formula.WaterBy(k.Book, f, factors)
		if err != nil {
			return nil // the sheet had no water to go by
		}
		return w.Batches(id).PutMix(b.ID, commissary.Mix{Vessel: v.ID, Class: f.Class, Second: b.Second, Fill: k.fill(b.Batch, f, v), Target: f.Target, Actual: o.Temp,
			Room: factors.Room, Flour: factors.Flour, Water: water.Needed, Preferments: factors.Preferments}, o.Made)
	}
	return nil
}
