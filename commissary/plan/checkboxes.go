package plan

import (
	"math"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// cleanBoxes judges whether there is a clean container, and an empty dolly,
// for everything that the plan boxes. A container is taken when the bench step
// of its pieces begins, or when they are ready where there is none; it goes
// with the run of the pieces in it, is back the book's days later, and clean
// when it is washed and dry. What nobody gets is in it until its hard maximum.
// A dolly is free when it is back.
func (c *checker) cleanBoxes() {
	for _, box := range c.in.Book.Containers {
		if n := int64(box.Clean()); n > 0 {
			for _, x := range exceeding(c.boxesTaken(box, 1, seconds(span(box.WashAndDry))), []hands{{math.MinInt64, math.MaxInt64, n, ""}}) {
				c.broken(commissary.Reason{Code: commissary.BrokenDirty, Limit: "boxes", Batch: x.batch, Over: x.used - x.free},
					"%d of %s are filled, out or dirty from %s to %s, there are %d. Make batch %s smaller or on another day.", x.used, box.Name, c.at(time.Unix(x.from, 0)), c.at(time.Unix(x.to, 0)), x.free, x.batch)
			}
		}
		if box.Dollies > 0 && box.PerDolly > 0 {
			for _, x := range exceeding(c.boxesTaken(box, quantity.Pieces(box.PerDolly), 0), []hands{{math.MinInt64, math.MaxInt64, int64(box.Dollies), ""}}) {
				c.broken(commissary.Reason{Code: commissary.BrokenDirty, Limit: "dollies", Batch: x.batch, Over: x.used - x.free},
					"%d dollies for %s are needed or out from %s to %s, there are %d. Make batch %s smaller or on another day.", x.used, box.Name, c.at(time.Unix(x.from, 0)), c.at(time.Unix(x.to, 0)), x.free, x.batch)
			}
		}
	}
}

// boxesTaken is when how many of a container, or of what carries so many of
// it, are not to be had.
func (c *checker) boxesTaken(box commissary.Container, carries quantity.Pieces, wash int64) []hands {
	type part struct {
		leaves time.Time
		pieces quantity.Pieces
	}
	away := time.Duration(box.DaysOut) * 24 * time.Hour
	var all []hands
	taken := func(item string, pieces quantity.Pieces, from, end time.Time, parts []part, owner string) {
		it := c.items[item]
		if it.Container != box.ID {
			return
		}
		slices.SortStableFunc(parts, func(a, b part) int { return a.leaves.Compare(b.leaves) })
		for _, p := range append(parts, part{end.Add(-away), pieces}) {
			before := boxesFor(max(pieces, 0), it.PerBox*carries)
			pieces -= p.pieces
			all = append(all, hands{from.Unix(), p.leaves.Add(away).Unix() + wash, before - boxesFor(max(pieces, 0), it.PerBox*carries), owner})
		}
	}
	goes := map[[2]string][]part{} // by lot code or batch id, and item
	for _, t := range c.plan.Takes {
		if n, ok := c.needs[service{t.Shop, t.Item, t.BakeDate}]; ok && t.Pieces > 0 && t.Pieces <= quantity.MaxPieces {
			k := [2]string{t.Lot + t.Batch, t.Item}
			goes[k] = append(goes[k], part{n.Departs, t.Pieces})
		}
	}
	for _, l := range c.in.Lots {
		if l.Item != "" && here(l) && l.Pieces > 0 && l.Pieces <= quantity.MaxPieces {
			taken(l.Item, l.Pieces, c.in.At, l.Made.Add(span(c.items[l.Item].Window.Max)), goes[[2]string{l.Code, l.Item}], "")
		}
	}
	for _, b := range c.in.Posted {
		if b.State != commissary.BatchPosted && b.State != commissary.BatchMixing {
			continue
		}
		for _, m := range b.Makes {
			taken(m.Item, m.Pieces, latest(c.in.At, benchTime(b, readyOf(b))), b.MixEnd.Add(span(c.items[m.Item].Window.Max)), goes[[2]string{b.ID, m.Item}], "")
		}
	}
	for _, b := range c.fresh {
		if !b.sound || !b.timed {
			continue
		}
		for _, m := range b.Makes {
			var parts []part
			for _, s := range b.Serves {
				if n, ok := c.needs[service{s.Shop, s.Item, s.BakeDate}]; ok && s.Item == m.Item {
					parts = append(parts, part{n.Departs, s.Pieces})
				}
			}
			taken(m.Item, m.Pieces, benchTime(b.Batch, b.ready), b.MixEnd.Add(span(c.items[m.Item].Window.Max)), parts, b.ID)
		}
	}
	for _, a := range c.in.Away {
		if a.Container == box.ID {
			all = append(all, hands{a.Left.Unix(), a.Left.Add(away).Unix() + wash, boxesFor(quantity.Pieces(a.Containers), carries), ""})
		}
	}
	return all
}

// benchTime is when a batch comes to its bench, or an instant where it never does.
func benchTime(b commissary.Batch, otherwise time.Time) time.Time {
	if at := benchOf(b); !at.IsZero() {
		return at
	}
	return otherwise
}
