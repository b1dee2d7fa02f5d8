package plan

import (
	"cmp"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan/internal/route"
)

const (
	// roundSteps is the work budget of one search for rounds. Up to a dozen or
	// two stops on one vehicle the exact table proves the best in less.
	roundSteps = 20_000
	// perVan is what a run costs that need not leave, in seconds of driving: a
	// round is saved where that makes the others longer by less.
	perVan = 1800
	// perMoved is what a stop costs that rides elsewhere than in the dispatch
	// in force, in seconds of driving: more than any detour.
	perMoved = 86_400
)

// routes says which shops each run visits, in driving order: the run's own
// where its order is fixed, and the best found where it is free. A stop for
// which there is no room or no time rides last on its own run.
func (k *kitchen) routes(day civil.Date, goods map[string]*commissary.ManifestStop) (map[string][]string, error) {
	routes := map[string][]string{}
	home := map[string][]string{} // by run, the shops whose own it is
	var runs []commissary.Run
	taken := map[string]bool{}
	for _, r := range k.book.Runs {
		if !r.Days.Has(day.Weekday()) {
			continue
		}
		runs = append(runs, r)
		for _, s := range r.Stops {
			if goods[s.Shop] != nil && !taken[s.Shop] {
				taken[s.Shop] = true
				home[r.ID] = append(home[r.ID], s.Shop)
			}
		}
	}
	var pool []commissary.Run
	for _, r := range runs {
		switch {
		case r.Sequence != commissary.Free:
			routes[r.ID] = home[r.ID]
		case r.Assign != commissary.Free:
			if err := k.search(day, []commissary.Run{r}, home, goods, routes); err != nil {
				return nil, err
			}
		default:
			pool = append(pool, r)
		}
	}
	return routes, k.search(day, pool, home, goods, routes)
}

// search fills in the routes of runs that share their stops.
func (k *kitchen) search(day civil.Date, runs []commissary.Run, home map[string][]string, goods map[string]*commissary.ManifestStop, routes map[string][]string) error {
	var shops []string
	for _, r := range runs {
		shops = append(shops, home[r.ID]...)
	}
	if len(shops) == 0 {
		return nil
	}
	data, err := k.roundData(day, runs, shops, goods)
	if err != nil {
		return err
	}
	p, err := route.New(data)
	if err != nil {
		return commissary.Refuse(commissary.Precondition, "TOO_MANY_STOPS", "the rounds of %s cannot be searched: %v; fix the order of some runs in the book", day, err)
	}
	found := route.Solve(p, route.Options{Seed: k.in.Seed, Steps: roundSteps})
	for v, stops := range found.Routes {
		for _, i := range stops {
			routes[runs[v].ID] = append(routes[runs[v].ID], shops[i])
		}
	}
	for _, u := range found.Unserved {
		own := slices.IndexFunc(runs, func(r commissary.Run) bool { return slices.Contains(home[r.ID], shops[u.Stop]) })
		routes[runs[own].ID] = append(routes[runs[own].ID], shops[u.Stop])
	}
	return nil
}

// roundData states the problem: seconds of the day, containers, milligrams
// and dollies. Road time is what is saved; what stays with the dispatch in
// force comes before that.
func (k *kitchen) roundData(day civil.Date, runs []commissary.Run, shops []string, goods map[string]*commissary.ManifestStop) (route.Data, error) {
	roads := newRoads(k.book)
	places := append([]string{commissary.KitchenPlace}, shops...)
	zero := k.zone.Instant(day, 0)
	clock := func(t time.Time) route.Time { return route.Time(max(seconds(t.Sub(zero)), 0)) }
	d := route.Data{Dimension: 3, Objective: route.Objective{PerTravel: 1}}
	for _, a := range places {
		var travel []route.Time
		var distance []route.Distance
		for _, b := range places {
			l, ok := roads.leg(a, b)
			if !ok {
				return d, k.noWay(a, b)
			}
			travel, distance = append(travel, route.Time(l.seconds)), append(distance, route.Distance(l.metres))
		}
		d.Travel, d.Distance = append(d.Travel, travel), append(d.Distance, distance)
	}
	for i, shop := range shops {
		g := goods[shop]
		s := route.Stop{Place: i + 1, Service: route.Time(k.stay(shop, runs[0].ID)),
			Demand: []route.Load{route.Load(g.Boxes), route.Load(g.Mass), route.Load(len(k.stow([]commissary.ManifestStop{*g})))}}
		s.Demand[1] += s.Demand[2] * route.Load(k.book.Dolly.Tare)
		if from, to := receiving(k.zone, k.shops[shop], day); !to.IsZero() {
			s.Windows = []route.Window{{Open: clock(from), Close: clock(to)}}
		}
		d.Stops = append(d.Stops, s)
	}
	limit := func(most int64) route.Load { return route.Load(cmp.Or(most, route.MaxValue)) }
	for _, r := range runs {
		v := k.vehicle(r.Vehicle)
		d.Vehicles = append(d.Vehicles, route.Vehicle{Price: perVan,
			Shift:    route.Window{Open: clock(k.zone.Instant(day, r.Departs)), Close: clock(k.backBy(r, day))},
			Capacity: []route.Load{limit(int64(v.Containers)), limit(int64(v.Payload)), limit(int64(v.Dollies))}})
	}
	if len(k.in.Rounds) == 0 {
		return d, nil
	}
	d.Objective.PerMoved = perMoved
	before := map[int]bool{}
	for _, r := range runs {
		var stops []int
		for _, b := range k.in.Rounds {
			for _, shop := range b.Shops {
				if i := slices.Index(shops, shop); b.Run == r.ID && i >= 0 && !before[i] {
					before[i] = true
					stops = append(stops, i)
				}
			}
		}
		d.Before = append(d.Before, stops)
	}
	return d, nil
}

func (k *kitchen) vehicle(id string) commissary.Vehicle {
	for _, v := range k.book.Vehicles {
		if v.ID == id {
			return v
		}
	}
	return commissary.Vehicle{ID: id, Name: id}
}

// backBy is when a run must be back: at the end of its driver's shift, and
// when its vehicle leaves on its next run. Two days on where neither is said.
func (k *kitchen) backBy(run commissary.Run, day civil.Date) time.Time {
	by := k.zone.Instant(day.AddDays(2), 0)
	if run.BackBy > 0 {
		by = k.zone.Instant(day, run.BackBy)
	}
	for _, r := range k.book.Runs {
		if r.ID != run.ID && r.Vehicle == run.Vehicle && r.Days.Has(day.Weekday()) && r.Departs > run.Departs {
			by = earliest(by, k.zone.Instant(day, r.Departs))
		}
	}
	return by
}
