package server

import (
	"maps"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
)

// outDays is for how many nights back batches that came out still matter: the
// vessels stand as they left them.
const outDays = 2

// draftLife is how old a draft may be when it is released: what it plans has
// not begun by then.
const draftLife = 15 * time.Minute

// loadNight returns everything a plan or a dispatch of a night is made from,
// as it stands at an instant. It is the one way from the store to plan.Input.
//
// Batches that this night's own plan posted and nobody has started are left
// out: a new plan of the night replaces them.
func (c *core) loadNight(tx commissary.Tx, id string, date civil.Date, at time.Time) (*kitchen, plan.Input, error) {
	k, err := c.kitchen(tx, id, 0)
	if err != nil {
		return nil, plan.Input{}, noBook(err)
	}
	if k, _, err = k.declaring(tx, at); err != nil {
		return nil, plan.Input{}, err
	}
	in := plan.Input{Book: k.Book, Night: date, At: at}
	if in.Forecast, err = c.expected(tx, id, k, date); err != nil {
		return nil, in, err
	}
	if in.Usual, err = k.usual(tx, date); err != nil {
		return nil, in, err
	}
	orders, err := tx.Orders(id).Since(date.AddDays(-max(k.Book.Kitchen.PlanDays, 1)))
	if err != nil {
		return nil, in, err
	}
	in.Orders = slices.DeleteFunc(orders, func(o commissary.Order) bool { return o.Night.Compare(date) > 0 })
	lots, err := tx.Lots(id).OnHand()
	if err != nil {
		return nil, in, err
	}
	in.Lots = slices.DeleteFunc(lots, func(l commissary.Lot) bool {
		return l.Place != commissary.AtKitchen || l.Ingredient != ""
	})
	spokenFor, err := promised(tx, id)
	if err != nil {
		return nil, in, err
	}
	in.Lots = spoken(in.Lots, spokenFor)

	if err := driven(tx, id, &in); err != nil {
		return nil, in, err
	}

	posted, err := tx.Batches(id).Open()
	if err != nil {
		return nil, in, err
	}
	posted = slices.DeleteFunc(posted, func(b commissary.PostedBatch) bool { return b.State == commissary.BatchPosted && b.Night == date })
	for d := -outDays; d <= 0; d++ {
		of, err := tx.Batches(id).List(date.AddDays(d), "", 0)
		if err != nil {
			return nil, in, err
		}
		for _, b := range of {
			if b.State == commissary.BatchScrapped { // its id stays taken, and nothing else of it
				b.Steps = slices.DeleteFunc(slices.Clone(b.Steps), func(s commissary.Booking) bool { return s.From.After(b.Finished) })
			}
			if b.State == commissary.BatchOut || b.State == commissary.BatchScrapped {
				posted = append(posted, b)
			}
		}
	}
	// What came out of a batch is a lot: whoever takes from the one takes from the other.
	lotOf := map[string]string{}
	for _, l := range in.Lots {
		if l.Item == "" && l.Batch != "" {
			lotOf[l.Batch] = l.Code
		}
	}
	for _, b := range posted {
		for i, u := range b.Uses {
			if code, ok := lotOf[u.Batch]; ok {
				b.Uses[i] = commissary.Use{Lot: code, Mass: u.Mass}
			}
		}
		in.Posted = append(in.Posted, b.Batch)
	}
	err = c.inForce(tx, id, &in)
	return k, in, err
}

// inForce adds what stands against a plan from nothing: what is out of order,
// the boxes that deliveries took along, and what of the plan in force has not
// begun, which stays where it was as far as that still serves.
func (c *core) inForce(tx commissary.Tx, id string, in *plan.Input) error {
	outages, err := tx.Outages(id).NotOver(in.At)
	if err != nil {
		return err
	}
	for _, o := range outages {
		in.Outages = append(in.Outages, o.Outage)
	}
	var move []commissary.Batch
	in.Posted, move = plan.Standing(in.Posted, in.Outages)
	p, err := tx.Plans(id).Newest(in.Night)
	switch {
	case err == nil:
		begun := map[string]bool{}
		for _, b := range in.Posted {
			begun[b.ID] = true
		}
		for _, b := range p.Batches {
			if !begun[b.ID] {
				b.State = commissary.BatchPlanned
				in.Before = append(in.Before, b)
			}
		}
	case commissary.KindOf(err) != commissary.NotFound:
		return err
	}
	in.Before = append(in.Before, move...)
	return c.away(tx, id, in)
}

// away adds the containers of deliveries that may still be out or unwashed.
func (c *core) away(tx commissary.Tx, id string, in *plan.Input) error {
	out := 0
	for _, b := range in.Book.Containers {
		out = max(out, b.DaysOut+int(b.WashAndDry/quantity.Day)+1)
	}
	container := map[string]string{}
	for _, it := range in.Book.Items {
		container[it.ID] = it.Container
	}
	for d := -out; d <= 0; d++ {
		dispatch, err := tx.Dispatches(id).Newest(in.Night.AddDays(d))
		if commissary.KindOf(err) == commissary.NotFound {
			continue
		}
		if err != nil {
			return err
		}
		for _, m := range dispatch.Manifests {
			if m.Departs.After(in.At) {
				continue // its lots are on hand still
			}
			boxes := map[string]int{}
			for _, p := range dispatch.Picks {
				if p.Run == m.Run {
					boxes[container[p.Item]] += p.Full
					if p.Loose > 0 {
						boxes[container[p.Item]]++
					}
				}
			}
			for _, id := range slices.Sorted(maps.Keys(boxes)) {
				in.Away = append(in.Away, commissary.Away{Container: id, Containers: boxes[id], Left: m.Departs})
			}
		}
	}
	return nil
}

// driven fills in what released dispatches have to say: the night's own the
// order of driving, those of the nights before what the shops have.
func driven(tx commissary.Tx, id string, in *plan.Input) error {
	for back := range outDays + 2 {
		d, err := tx.Dispatches(id).Newest(in.Night.AddDays(-back))
		switch {
		case commissary.KindOf(err) == commissary.NotFound:
			continue
		case err != nil:
			return err
		}
		if back > 0 {
			for _, p := range d.Picks {
				in.Delivered = append(in.Delivered, plan.Delivered{Shop: p.Shop, Item: p.Item, BakeDate: p.BakeDate, Boxes: p.Boxes()})
			}
			continue
		}
		for _, m := range d.Manifests {
			r := commissary.Round{Run: m.Run}
			for _, s := range m.Stops {
				r.Shops = append(r.Shops, s.Shop)
			}
			in.Rounds = append(in.Rounds, r)
		}
	}
	return nil
}

// noBook turns an unknown kitchen into a refusal to plan.
func noBook(err error) error {
	if commissary.KindOf(err) == commissary.NotFound {
		return commissary.Refuse(commissary.Precondition, "NO_BOOK", "%v", err)
	}
	return err
}

// nextMinute is the instant a draft is made for: nothing starts the moment it
// is drafted.
func nextMinute(at time.Time) time.Time {
	t := at.Truncate(time.Minute)
	if t.Before(at) {
		t = t.Add(time.Minute)
	}
	return t
}

// fresh refuses a draft that was made for an instant too long past, or still to come.
func (k *kitchen) fresh(draft, at time.Time) error {
	if draft.After(nextMinute(at)) || draft.Before(at.Add(-draftLife)) {
		e := commissary.Refuse(commissary.Precondition, "DRAFT_TOO_OLD", "the draft was made for %s, and it is %s; draft again and look again",
			k.zone.Long(draft), k.zone.Long(at))
		e.Meta = map[string]string{"draft_time": draft.Format(time.RFC3339), "time": at.Format(time.RFC3339)}
		return e
	}
	return nil
}

// unchanged refuses a draft whose inputs are no longer what they were.
func unchanged(in plan.Input, hash string) error {
	if plan.Hash(in) == hash {
		return nil
	}
	return commissary.Refuse(commissary.Conflict, "INPUTS_CHANGED", "orders, lots, batches or the book have changed since the draft; draft again and look again")
}
