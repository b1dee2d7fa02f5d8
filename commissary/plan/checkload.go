package plan

import (
	"fmt"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// load judges how a manifest's goods are stacked: all of them and nothing
// else, the last stop first, one shop on a dolly, cold and dry apart, stacks
// of one base within their height, on the dolly's floor and within what it
// carries.
func (c dispatchChecker) load(m commissary.Manifest) {
	says := func(limit, shop string, over int64, format string, args ...any) {
		c.broken(commissary.Reason{Code: commissary.BrokenLoad, Limit: limit, Shop: shop, Over: over}, "The load of run "+m.Run+": "+format, args...)
	}
	type goods struct{ shop, item, lot string }
	boxes := map[goods]int{}
	var order []goods
	stop := map[string]int{}
	mass := map[string]quantity.Mass{}
	for i, s := range m.Stops {
		stop[s.Shop] = i
		mass[s.Shop] += s.Mass
		for _, l := range s.Lines {
			g := goods{s.Shop, l.Item, l.Lot}
			boxes[g] += l.Boxes
			order = append(order, g)
		}
	}
	deepest := len(m.Stops)
	for n, d := range m.Load {
		at, known := stop[d.Shop]
		if !known || at > deepest {
			says("order", d.Shop, 0, "dolly %d for %q stands where the driver cannot reach it at its stop; load the last stop first.", n+1, d.Shop)
		}
		deepest = min(at, deepest)
		var sum quantity.Mass
		for _, s := range d.Stacks {
			sum += s.Mass
			c.stack(d, s, n+1, says)
			for _, l := range s.Layers {
				g := goods{d.Shop, l.Item, l.Lot}
				if _, ok := boxes[g]; !ok {
					order = append(order, g)
				}
				boxes[g] -= l.Boxes
			}
		}
		if sum != d.Mass {
			says("mass", d.Shop, int64(d.Mass-sum), "dolly %d says %v, its stacks come to %v.", n+1, d.Mass, sum)
		}
		mass[d.Shop] -= d.Mass
		c.deck(d, n+1, says)
	}
	for _, g := range order {
		if boxes[g] != 0 {
			says("containers", g.shop, int64(-boxes[g]), "it has %d containers more of %s, lot %s, for %s than stand on its dollies.", boxes[g], g.item, g.lot, g.shop)
			boxes[g] = 0
		}
	}
	for _, s := range m.Stops {
		if mass[s.Shop] != 0 {
			says("mass", s.Shop, int64(-mass[s.Shop]), "the dollies for %s differ from its goods by %v.", s.Shop, mass[s.Shop])
			mass[s.Shop] = 0
		}
	}
}

type loadSays = func(limit, shop string, over int64, format string, args ...any)

// stack judges one stack: one base, cold or dry as its dolly, no higher than
// each of its containers allows.
func (c dispatchChecker) stack(d commissary.LoadedDolly, s commissary.Stack, n int, says loadSays) {
	boxes := 0
	var base, kind string
	for i, l := range s.Layers {
		item := c.items[l.Item]
		box := c.boxes[item.Container]
		boxes += l.Boxes
		if l.Boxes <= 0 {
			says("containers", d.Shop, int64(l.Boxes), "dolly %d has %d containers of %s.", n, l.Boxes, l.Item)
		}
		is := fmt.Sprintf("%d x %d mm", box.Base.Long, box.Base.Wide)
		if box.Base.Long == 0 {
			is = box.ID
		}
		if i > 0 && is != base {
			says("base", d.Shop, 0, "dolly %d has %s on %s, whose base is another.", n, box.ID, kind)
		}
		base, kind = is, box.ID
		cold := false
		for _, z := range c.in.Book.ColdStore.Zones {
			cold = cold || z.ID == item.Zone && z.Cold
		}
		if cold != d.Cold {
			says("cold", d.Shop, 0, "dolly %d mixes cold and dry goods: %s.", n, l.Item)
		}
	}
	for _, l := range s.Layers {
		if box := c.boxes[c.items[l.Item].Container]; box.StackMax > 0 && boxes > box.StackMax {
			says("height", d.Shop, int64(boxes-box.StackMax), "dolly %d has a stack of %d with %s in it, which stands %d high at most.", n, boxes, box.ID, box.StackMax)
			break
		}
	}
	if boxes != s.Boxes {
		says("containers", d.Shop, int64(s.Boxes-boxes), "dolly %d says a stack of %d; its layers come to %d.", n, s.Boxes, boxes)
	}
}

// deck judges whether the stacks of a dolly stand on its floor without
// overlapping, and whether it carries them. What is larger than the floor, or
// whose base is not said, stands alone.
func (c dispatchChecker) deck(d commissary.LoadedDolly, n int, says loadSays) {
	dolly := c.in.Book.Dolly
	if dolly.Base.Long == 0 {
		return
	}
	for i, s := range d.Stacks {
		var box commissary.Container
		if len(s.Layers) > 0 {
			box = c.boxes[c.items[s.Layers[0].Item].Container]
		}
		lies := s.Base
		if lies.Wide > lies.Long {
			lies.Long, lies.Wide = lies.Wide, lies.Long
		}
		alone := box.Base.Long == 0 || box.Base.Long > dolly.Base.Long || box.Base.Wide > dolly.Base.Wide
		if alone && s.Base != dolly.Base || !alone && lies != box.Base {
			says("base", d.Shop, 0, "dolly %d has a stack of %s on %d x %d mm.", n, box.ID, s.Base.Long, s.Base.Wide)
		}
		if over := max(s.X+s.Base.Long-dolly.Base.Long, s.Y+s.Base.Wide-dolly.Base.Wide, -s.X, -s.Y); over > 0 {
			says("floor", d.Shop, int64(over), "dolly %d has a stack of %s %d mm over its edge.", n, box.ID, over)
		}
		for _, o := range d.Stacks[:i] {
			if s.X < o.X+o.Base.Long && o.X < s.X+s.Base.Long && s.Y < o.Y+o.Base.Wide && o.Y < s.Y+s.Base.Wide {
				says("floor", d.Shop, 0, "dolly %d has two stacks at one place.", n)
			}
		}
	}
	// A single container that is too heavy stands on some dolly all the same.
	if over := int64(d.Mass - dolly.Carries); dolly.Carries > 0 && over > 0 && !(len(d.Stacks) == 1 && d.Stacks[0].Boxes == 1) {
		says("carries", d.Shop, over, "dolly %d carries %v of the %v it may.", n, d.Mass, dolly.Carries)
	}
}
