package sched

import (
	"cmp"
	"slices"
)

// block is a run that must lie wholly between from and to, and the energy (amount × ticks) it needs there.
type block struct {
	holder   int
	from, to int64
	energy   int64
	on       lit
}

// maxEnergy bounds the energies that are compared; resources beyond it go without this reasoning.
const maxEnergy = int64(1) << 60

// measurable tells whether all energies of a resource fit into maxEnergy.
func (p *profile) measurable() bool {
	fits := func(a, b int64) bool { return b == 0 || a <= maxEnergy/b }
	for _, c := range p.capacity {
		if !fits(c.Amount, p.horizon) {
			return false
		}
	}
	for _, h := range p.holders {
		for _, m := range append(slices.Clone(h.modes), h.base) {
			if !fits(m.amount*int64(len(p.holders)), max(m.length, 1)) {
				return false
			}
		}
	}
	return true
}

// area returns the capacity between time 0 and t, summed over the ticks.
func (p *profile) area(t int64) int64 {
	var sum int64
	for i, c := range p.capacity {
		end := t
		if i+1 < len(p.capacity) {
			end = min(t, p.capacity[i+1].From)
		}
		if c.From >= end {
			break
		}
		sum += c.Amount * (end - c.From)
	}
	return sum
}

// runEnergy refutes intervals that hold more work than the capacity can do (overload checking; see P. Baptiste, C. Le
// Pape, W. Nuijten, "Constraint-Based Scheduling", 2001, chapter 3).
func (e *engine) runEnergy(p *profile) bool {
	blocks := p.blocks[:0]
	ends := p.edges[:0]
	for i, h := range p.holders {
		held := e.held(&h)
		if held.amount == 0 || held.length == 0 || !e.isTrue(held.on) {
			continue
		}
		b := block{i, e.value(h.start), -e.value(h.end.neg()), held.amount * held.length, held.on}
		blocks = append(blocks, b)
		ends = append(ends, b.to)
	}
	p.blocks, p.edges = blocks, ends
	slices.SortFunc(blocks, func(a, b block) int { return cmp.Or(cmp.Compare(b.from, a.from), a.holder-b.holder) })
	slices.Sort(ends)
	for _, to := range slices.Compact(ends) {
		e.steps += int64(len(blocks)) / 4
		var sum int64
		upTo := p.area(to)
		for k, b := range blocks {
			if b.to > to {
				continue
			}
			sum += b.energy
			if k+1 < len(blocks) && blocks[k+1].from == b.from {
				continue
			}
			if spare := sum - (upTo - p.area(b.from)) - 1; spare >= 0 {
				e.conflict = e.conflict[:0]
				for _, c := range blocks[:k+1] {
					if c.to > to {
						continue
					}
					if c.energy <= spare {
						spare -= c.energy
						continue
					}
					h := &p.holders[c.holder]
					e.conflict = append(e.conflict, c.on, h.start.least(b.from), h.end.neg().least(-to))
				}
				return false
			}
		}
	}
	return true
}
