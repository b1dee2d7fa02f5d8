package plan

import (
	"cmp"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// stow stacks what a run brings: the last stop first, because what is loaded
// first stands deepest, and one shop on a dolly, cold and dry apart. A stack
// holds containers of one base, the heaviest below, no more than the lowest
// of their stack heights and no more than a dolly carries. Where the kitchen
// has no dolly, a shop's cold or dry stacks stand together on the floor.
func (k *kitchen) stow(stops []commissary.ManifestStop) []commissary.LoadedDolly {
	var load []commissary.LoadedDolly
	for _, stop := range slices.Backward(stops) {
		for _, cold := range []bool{true, false} {
			load = append(load, k.roll(stop.Shop, cold, k.stacks(stop, cold))...)
		}
	}
	return load
}

// tower is a stack that grows.
type tower struct {
	commissary.Stack
	foot footing
	most int // containers; 0: not limited
}

// footing tells what may stand on each other: one base, or one kind where its
// base is not said.
type footing struct {
	base commissary.Base
	kind string
}

func footingOf(c commissary.Container) footing {
	if c.Base == (commissary.Base{}) {
		return footing{kind: c.ID}
	}
	return footing{base: c.Base}
}

// stacks stacks the cold or the dry goods of a stop.
func (k *kitchen) stacks(stop commissary.ManifestStop, cold bool) []tower {
	type portion struct {
		commissary.ManifestLine
		kind       commissary.Container
		full, last quantity.Mass // of a full container, and of the last, which may be split
	}
	var goods []portion
	for _, l := range stop.Lines {
		item := k.items[l.Item]
		if l.Boxes <= 0 || k.cold(item.Zone) != cold {
			continue
		}
		p := portion{ManifestLine: l, kind: k.boxes[item.Container]}
		p.full = item.Mass*quantity.Mass(max(item.PerBox, 1)) + p.kind.Tare
		p.last = item.Mass*quantity.Mass(l.Pieces) + p.kind.Tare*quantity.Mass(l.Boxes) - p.full*quantity.Mass(l.Boxes-1)
		goods = append(goods, p)
	}
	slices.SortStableFunc(goods, func(a, b portion) int {
		return cmp.Or(cmp.Compare(b.kind.Base.Long*b.kind.Base.Wide, a.kind.Base.Long*a.kind.Base.Wide),
			cmp.Compare(b.kind.Base.Long, a.kind.Base.Long), cmp.Compare(footingOf(a.kind).kind, footingOf(b.kind).kind), cmp.Compare(b.full, a.full))
	})
	var towers []tower
	for _, p := range goods {
		for n := range p.Boxes {
			mass := p.full
			if n == p.Boxes-1 {
				mass = p.last
			}
			if last := len(towers) - 1; last < 0 || !towers[last].takes(p.kind, mass, k.book.Dolly.Carries) {
				towers = append(towers, tower{foot: footingOf(p.kind)})
			}
			towers[len(towers)-1].put(p.ManifestLine, p.kind, mass)
		}
	}
	return towers
}

// takes reports whether one more container may stand on a stack.
func (t *tower) takes(c commissary.Container, mass, carries quantity.Mass) bool {
	most := least(t.most, c.StackMax)
	return t.foot == footingOf(c) && (most == 0 || t.Boxes < most) && (carries == 0 || t.Mass+mass <= carries)
}

// least is the lower of two limits, of which 0 is none.
func least(a, b int) int {
	if a == 0 || b == 0 {
		return max(a, b)
	}
	return min(a, b)
}

func (t *tower) put(l commissary.ManifestLine, c commissary.Container, mass quantity.Mass) {
	t.most = least(t.most, c.StackMax)
	t.Boxes++
	t.Mass += mass
	if top := len(t.Layers) - 1; top >= 0 && t.Layers[top].Item == l.Item && t.Layers[top].Lot == l.Lot {
		t.Layers[top].Boxes++
		return
	}
	t.Layers = append(t.Layers, commissary.Layer{Item: l.Item, Lot: l.Lot, Boxes: 1})
}

// roll stands stacks on dollies, each on the first that has room. A dolly's
// floor is filled in rows along its long side.
func (k *kitchen) roll(shop string, cold bool, towers []tower) []commissary.LoadedDolly {
	dolly := k.book.Dolly
	var load []commissary.LoadedDolly
	var decks []deck
	for _, t := range towers {
		on := -1
		if dolly.Base == (commissary.Base{}) {
			if on = 0; len(load) == 0 {
				load, decks = append(load, commissary.LoadedDolly{Shop: shop, Cold: cold}), append(decks, deck{})
			}
		}
		base := t.foot.base
		if base == (commissary.Base{}) {
			base = dolly.Base // takes it all
		}
		for i := 0; on < 0; i++ {
			if i == len(load) {
				load = append(load, commissary.LoadedDolly{Shop: shop, Cold: cold})
				decks = append(decks, deck{all: dolly.Base})
			}
			if dolly.Carries > 0 && load[i].Mass > 0 && load[i].Mass+t.Mass > dolly.Carries {
				continue
			}
			if decks[i].lay(&t.Stack, base) {
				on = i
			}
		}
		load[on].Stacks = append(load[on].Stacks, t.Stack)
		load[on].Mass += t.Mass
	}
	return load
}

// deck is a dolly's floor, filled in rows.
type deck struct {
	all       commissary.Base
	y, deep   int // of the row begun last
	x         int // its filled part
	anyStands bool
}

// lay finds room for a stack, as its base lies or turned. What is larger than
// the floor takes it alone.
func (f *deck) lay(s *commissary.Stack, base commissary.Base) bool {
	if !f.anyStands && (base.Long > f.all.Long || base.Wide > f.all.Wide) {
		base = f.all
	}
	turned := commissary.Base{Long: base.Wide, Wide: base.Long}
	ways := []commissary.Base{base, turned}
	if f.holds(turned) > f.holds(base) {
		slices.Reverse(ways)
	}
	for _, b := range ways {
		switch {
		case f.x+b.Long <= f.all.Long && b.Wide <= f.deep:
		case b.Long <= f.all.Long && f.y+f.deep+b.Wide <= f.all.Wide:
			f.x, f.y, f.deep = 0, f.y+f.deep, b.Wide
		default:
			continue
		}
		s.X, s.Y, s.Base = f.x, f.y, b
		f.x += b.Long
		f.anyStands = true
		return true
	}
	return false
}

// holds is how many stacks of one base, lying so, fill the empty floor.
func (f *deck) holds(b commissary.Base) int { return (f.all.Long / b.Long) * (f.all.Wide / b.Wide) }

// cold reports whether goods of a storage zone stay cold on the road.
func (k *kitchen) cold(zone string) bool {
	return slices.ContainsFunc(k.book.ColdStore.Zones, func(z commissary.Zone) bool { return z.ID == zone && z.Cold })
}
