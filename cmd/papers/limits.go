package papers

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// Limits is what a kitchen has on the days of a plan; without a book nothing is known.
func Limits(b commissary.Book, m *v1.Plan) sheet.Limits {
	lim := sheet.Limits{Places: int64(b.ColdStore.Slots)}
	night, err := civil.ParseDate(m.GetNightDate())
	if err != nil || b.Kitchen.Zone == "" {
		return lim
	}
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	if err != nil {
		return lim
	}
	lim.Boxes = boxes(b, m)
	for d := range b.Kitchen.PlanDays + 4 {
		on := night.AddDays(d - 1)
		for _, s := range b.Shifts {
			if !s.Days.Has(on.Weekday()) {
				continue
			}
			lim.Crew = append(lim.Crew, sheet.Shift{From: zone.Instant(on, s.From), To: zone.Instant(on, s.To), Heads: int64(s.Heads)})
			for _, x := range s.Breaks {
				lim.Crew = append(lim.Crew, sheet.Shift{From: zone.Instant(on, x.From), To: zone.Instant(on, x.To), Heads: -int64(s.Heads)})
			}
		}
	}
	return lim
}

// boxes are the containers and dollies that the book counts, with what the
// batches of a plan take of them.
func boxes(b commissary.Book, m *v1.Plan) (all []sheet.Boxes) {
	p, err := wire.ReadPlan(m)
	if err != nil {
		return nil // the plan is shown without them
	}
	filled := plan.FilledBy(b, p)
	add := func(c commissary.Container, name string, there int, dollies bool) {
		x := sheet.Boxes{Name: name, There: int64(there)}
		for _, f := range filled {
			if f.Container == c.ID && f.Dollies == dollies {
				x.Taken = append(x.Taken, sheet.Shift{From: f.From, To: f.To, Heads: f.Amount})
			}
		}
		if there > 0 && len(x.Taken) > 0 {
			all = append(all, x)
		}
	}
	for _, c := range b.Containers {
		add(c, c.Name, c.Clean(), false)
		add(c, c.Name+" dollies", c.Dollies, true)
	}
	return all
}
