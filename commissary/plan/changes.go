package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// Changes says in words what a plan does otherwise than the batches before it:
// what is moved, resized, added or left out, by the time it is loaded. Batches
// are matched by formula, then by vessel, mass and nearness in time.
func Changes(b commissary.Book, before, after []commissary.Batch) ([]string, error) {
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	if err != nil {
		return nil, commissary.Refuse(commissary.Invalid, "ZONE_UNKNOWN", "%v", err)
	}
	c := changes{b, zone}
	type pair struct {
		old, new int
		cost     time.Duration
	}
	var pairs []pair
	for i, o := range before {
		for j, n := range after {
			if o.Formula != n.Formula || (len(o.Makes) == 0) != (len(n.Makes) == 0) {
				continue
			}
			cost := o.MixEnd.Sub(n.MixEnd).Abs()
			if o.Vessel != n.Vessel {
				cost += 2 * time.Hour
			}
			switch {
			case o.Mass > n.Mass*5/4 || n.Mass > o.Mass*5/4:
				cost += 12 * time.Hour // rather another batch
			case o.Mass != n.Mass:
				cost += time.Hour
			}
			if cost <= 24*time.Hour {
				pairs = append(pairs, pair{i, j, cost})
			}
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(a.cost, b.cost) })
	old, fresh := make([]bool, len(before)), make([]bool, len(after))
	type line struct {
		at   time.Time
		text string
	}
	var lines []line
	for _, p := range pairs {
		if old[p.old] || fresh[p.new] {
			continue
		}
		old[p.old], fresh[p.new] = true, true
		if text := c.moved(before[p.old], after[p.new]); text != "" {
			lines = append(lines, line{loadOf(after[p.new]), text})
		}
	}
	for i, o := range before {
		if !old[i] {
			lines = append(lines, line{loadOf(o), fmt.Sprintf("LEFT OUT %s: %s", o.ID, c.batch(o))})
		}
	}
	for j, n := range after {
		if !fresh[j] {
			lines = append(lines, line{loadOf(n), fmt.Sprintf("NEW %s: %s", n.ID, c.batch(n))})
		}
	}
	slices.SortStableFunc(lines, func(a, b line) int { return cmp.Or(a.at.Compare(b.at), cmp.Compare(a.text, b.text)) })
	texts := make([]string, len(lines))
	for i, l := range lines {
		texts[i] = l.text
	}
	return texts, nil
}

type changes struct {
	book commissary.Book
	zone *civil.Zone
}

func (c changes) formula(id string) string {
	for _, f := range c.book.Formulas {
		if f.ID == id {
			return f.Name
		}
	}
	return id
}

func (c changes) vessel(id string) string {
	for _, v := range c.book.Vessels {
		if v.ID == id {
			return v.Name
		}
	}
	return id
}

func (c changes) batch(b commissary.Batch) string {
	return fmt.Sprintf("%s, %s, on %s, load %s", c.formula(b.Formula), c.book.Kitchen.Units.Mass(b.Mass), c.vessel(b.Vessel), c.zone.Short(loadOf(b)))
}

// moved says what became of a batch; nothing when it stayed as it was.
func (c changes) moved(o, n commissary.Batch) string {
	var what string
	add := func(format string, args ...any) {
		if what != "" {
			what += ", "
		}
		what += fmt.Sprintf(format, args...)
	}
	if !loadOf(o).Equal(loadOf(n)) {
		add("load %s instead of %s", c.zone.Short(loadOf(n)), c.zone.Short(loadOf(o)))
	}
	if o.Vessel != n.Vessel {
		add("on %s instead of %s", c.vessel(n.Vessel), c.vessel(o.Vessel))
	}
	if o.Mass != n.Mass {
		add("%s instead of %s", c.book.Kitchen.Units.Mass(n.Mass), c.book.Kitchen.Units.Mass(o.Mass))
	}
	if a, b := benchOf(o), benchOf(n); !a.IsZero() && !b.IsZero() && what == "" && a.Sub(b).Abs() >= 5*time.Minute {
		add("at the bench %s instead of %s", c.zone.Short(b), c.zone.Short(a))
	}
	if what == "" {
		return ""
	}
	return fmt.Sprintf("CHANGED %s, now %s, %s: %s", o.ID, n.ID, c.formula(n.Formula), what)
}

// loadOf is when a batch is loaded.
func loadOf(b commissary.Batch) time.Time {
	for _, s := range b.Steps {
		if s.Step == commissary.StepMix {
			return s.From
		}
	}
	return b.MixEnd
}

// benchOf is when a batch comes to its bench; zero when it does not.
func benchOf(b commissary.Batch) time.Time {
	for _, s := range b.Steps {
		if s.Step == commissary.StepDivide || s.Step == commissary.StepPack {
			return s.From
		}
	}
	return time.Time{}
}
