package plan

import (
	"fmt"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// roadReasons says where a run is too much for its vehicle, too late for a
// shop or too long for its driver, each with a way on.
func (k *kitchen) roadReasons(d *commissary.Dispatch, m commissary.Manifest) []commissary.Reason {
	var reasons []commissary.Reason
	run, v := k.run(m.Run), k.vehicle(m.Vehicle)
	over := func(by int64, load, most string) {
		if by <= 0 {
			return
		}
		relax := k.relieve(d, m)
		reasons = append(reasons, commissary.Reason{Code: commissary.ReasonOverload, Limit: v.ID, Over: by, Relax: relax,
			Text: fmt.Sprintf("%s: %s on %s, which %s. %s.", run.Name, load, v.Name, most, relax)})
	}
	units := k.book.Kitchen.Units
	if v.Containers > 0 {
		over(int64(m.Boxes-v.Containers), fmt.Sprintf("%d containers", m.Boxes), fmt.Sprintf("holds %d", v.Containers))
	}
	if v.Payload > 0 {
		rolling := k.rolling(m)
		over(int64(rolling-v.Payload), units.Mass(rolling), "may carry "+units.Mass(v.Payload))
	}
	if v.Dollies > 0 && k.book.Dolly.Base.Long > 0 {
		over(int64(len(m.Load)-v.Dollies), fmt.Sprintf("%d dollies", len(m.Load)), fmt.Sprintf("has room for %d", v.Dollies))
	}
	for _, s := range m.Stops {
		_, closes := receiving(k.zone, k.shops[s.Shop], d.Delivery)
		late := seconds(s.Arrives.Sub(closes))
		if closes.IsZero() || late <= 0 {
			continue
		}
		relax := fmt.Sprintf("Let %s leave %s earlier, put %s on another run, or agree a key drop with the shop", run.Name, upMinutes(late), k.shopName(s.Shop))
		if direct, ok := newRoads(k.book).leg(commissary.KitchenPlace, s.Shop); ok && m.Departs.Add(time.Duration(direct.seconds)*time.Second).After(closes) {
			relax = fmt.Sprintf("Even driven to first it is too late: correct the receiving hours of %s or let %s leave earlier, or agree a key drop with the shop", k.shopName(s.Shop), run.Name)
		}
		reasons = append(reasons, commissary.Reason{Code: commissary.ReasonLateStop, Limit: m.Run, Shop: s.Shop, Over: late, Relax: relax,
			Text: fmt.Sprintf("%s reaches %s at %s; it receives until %s. %s.", run.Name, k.shopName(s.Shop), k.zone.Short(s.Arrives), k.zone.Short(closes), relax)})
	}
	if by := k.backBy(run, d.Delivery); m.Back.After(by) {
		late := seconds(m.Back.Sub(by))
		relax := "Give its last stop to another run, or let it leave earlier"
		reasons = append(reasons, commissary.Reason{Code: commissary.ReasonOvertime, Limit: m.Run, Over: late, Relax: relax,
			Text: fmt.Sprintf("%s is back at %s; it must be back by %s. %s.", run.Name, k.zone.Short(m.Back), k.zone.Short(by), relax)})
	}
	return reasons
}

// upMinutes is a time in whole minutes, upwards.
func upMinutes(s int64) quantity.Seconds {
	return quantity.Seconds((s+59)/60) * quantity.Minute
}

// rolling is what a run's vehicle carries: the goods and the dollies below them.
func (k *kitchen) rolling(m commissary.Manifest) quantity.Mass {
	if k.book.Dolly.Base.Long == 0 {
		return m.Mass
	}
	return m.Mass + k.book.Dolly.Tare*quantity.Mass(len(m.Load))
}

// relieve is the smallest change that makes a load fit: the smallest stop that
// another run of the morning has room for, or else a second run.
func (k *kitchen) relieve(d *commissary.Dispatch, m commissary.Manifest) string {
	var best *commissary.ManifestStop
	var to string
	for _, r := range k.book.Runs {
		if r.ID == m.Run || r.Vehicle == m.Vehicle || !r.Days.Has(d.Delivery.Weekday()) {
			continue
		}
		other := commissary.Manifest{Run: r.ID, Vehicle: r.Vehicle}
		for _, x := range d.Manifests {
			if x.Run == r.ID {
				other = x
			}
		}
		for i := range m.Stops {
			s := &m.Stops[i]
			moved := commissary.Manifest{Boxes: other.Boxes + s.Boxes, Mass: other.Mass + s.Mass, Load: append(k.stow([]commissary.ManifestStop{*s}), other.Load...)}
			rest := commissary.Manifest{Boxes: m.Boxes - s.Boxes, Mass: m.Mass - s.Mass, Load: make([]commissary.LoadedDolly, len(m.Load)+len(other.Load)-len(moved.Load))}
			if k.fits(r.Vehicle, moved) && k.fits(m.Vehicle, rest) && (best == nil || s.Mass < best.Mass) {
				best, to = s, fmt.Sprintf("%s, whose %s has room", r.Name, k.vehicle(r.Vehicle).Name)
			}
		}
	}
	if best != nil {
		return fmt.Sprintf("Move %s (%s) to %s", k.shopName(best.Shop), quantity.Counted(best.Boxes, "container"), to)
	}
	return fmt.Sprintf("No other run has room for one of its stops: take what is over on a second run, once %s is back at %s", k.vehicle(m.Vehicle).Name, k.zone.Short(m.Back))
}

// fits reports whether a vehicle carries a load.
func (k *kitchen) fits(vehicle string, m commissary.Manifest) bool {
	v := k.vehicle(vehicle)
	return (v.Containers == 0 || m.Boxes <= v.Containers) && (v.Payload == 0 || k.rolling(m) <= v.Payload) &&
		(v.Dollies == 0 || k.book.Dolly.Base.Long == 0 || len(m.Load) <= v.Dollies)
}

func (k *kitchen) run(id string) commissary.Run {
	for _, r := range k.book.Runs {
		if r.ID == id {
			return r
		}
	}
	return commissary.Run{ID: id, Name: id}
}
