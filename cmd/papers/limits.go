package papers

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/sheet"
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
