package plan

import (
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan/internal/route"
	"doughrun/commissary/quantity"
)

// Drive says what it comes to when a run of a day visits shops in an order,
// somebody's own or the planner's. Both a fixed and a free run are driven by the roads, so that two
// orders can be compared. It refuses places between which nobody knows the way.
func Drive(b commissary.Book, day civil.Date, run string, shops []string) (commissary.Driven, error) {
	k, err := openKitchen(Input{Book: b, Night: day.AddDays(-1)})
	if err != nil {
		return commissary.Driven{}, err
	}
	goods := map[string]*commissary.ManifestStop{}
	for _, s := range shops {
		goods[s] = &commissary.ManifestStop{Shop: s}
	}
	r := k.run(run)
	data, err := k.roundData(day, []commissary.Run{r}, shops, goods)
	if err != nil {
		return commissary.Driven{}, err
	}
	p, err := route.New(data)
	if err != nil {
		return commissary.Driven{}, commissary.Refuse(commissary.Precondition, "TOO_MANY_STOPS", "run %s cannot be driven: %v", run, err)
	}
	order := make([]int, len(shops))
	for i := range order {
		order[i] = i
	}
	zero := k.zone.Instant(day, 0)
	at := func(t route.Time) time.Time { return zero.Add(time.Duration(t) * time.Second) }
	round := route.Drive(p, 0, order)
	d := commissary.Driven{Departs: k.zone.Instant(day, r.Departs), Back: at(round.Finish), Drive: quantity.Seconds(round.Travel), Metres: int64(round.Distance)}
	for i, v := range round.Visits {
		arrives := v.Arrive
		if i == 0 { // it leaves as the book says, however early that is
			arrives = data.Vehicles[0].Shift.Open + data.Travel[0][data.Stops[v.Stop].Place]
		}
		d.Wait += quantity.Seconds(v.Start - arrives)
		d.Stops = append(d.Stops, commissary.DrivenStop{Shop: shops[v.Stop], Arrives: at(arrives), Late: quantity.Seconds(v.Late)})
	}
	d.Overtime = quantity.Seconds(max(seconds(d.Back.Sub(k.backBy(r, day))), 0))
	roads := newRoads(k.book)
	here := commissary.KitchenPlace
	for _, place := range slices.Concat(shops, []string{commissary.KitchenPlace}) {
		roads.drive(here, place)
		here = place
	}
	d.Measured = roads.measured()
	return d, nil
}
