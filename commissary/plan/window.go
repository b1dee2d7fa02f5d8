package plan

import (
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/ferment"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
)

// Use is when one place may use one lot: an estimate of quality, cut by the
// book's hard maximum and by the date a prep is marked with.
type Use struct {
	From, Best, By time.Time
	Unsure         quantity.Seconds // how far they may move under another published rule
	Mark           civil.Date       // last day of a prep, to be marked on it; zero: none is marked
}

// UseWindow is when a shop may use a lot that reaches it at an instant. A ball
// stays at the cold store's temperature until then, the van's included, and in
// the shop's walk-in after it; a shop without one keeps it as the cold store
// does. A prep does not ferment: it has the book's window and its date mark.
// What a lot was made from may end it earlier, and of a lot only its code,
// item and times count.
func UseWindow(b *commissary.Book, zone *civil.Zone, l commissary.Lot, item commissary.Item, shop commissary.Shop, arrives time.Time) Use {
	if item.Kind != commissary.Ball {
		made := l.Made
		u := Use{From: made.Add(span(item.Window.Min)), Best: made.Add(span(item.Window.Best)), By: made.Add(span(item.Window.Max))}
		u.Mark, _ = shelf(b, item).UseBy(safety.Kept{Made: zone.Date(made)})
		if !l.NotAfter.IsZero() {
			u.By = earliest(u.By, l.NotAfter)
			if last := zone.Date(l.NotAfter.Add(-time.Second)); u.Mark.IsZero() || last.Compare(u.Mark) < 0 {
				u.Mark = last // the earliest date of what went in wins
			}
		}
		if !u.Mark.IsZero() {
			u.By = earliest(u.By, zone.Instant(u.Mark.AddDays(1), 0))
			if last := zone.Date(u.By.Add(-time.Second)); last.Compare(u.Mark) < 0 {
				u.Mark = last // one date on the label: the window ends before the rule does
			}
		}
		u.From, u.Best = earliest(u.From, u.By), earliest(u.Best, u.By)
		return u
	}
	convert := func(made time.Time) ferment.Usable {
		keeping := ferment.Keeping{Cold: b.ColdStore.Temp, WalkIn: walkIn(b, shop),
			Past: []ferment.Stage{{For: quantity.Seconds(max(seconds(arrives.Sub(made)), 0)), At: b.ColdStore.Temp}}}
		return ferment.UseWindow(made, item.Window, keeping, ferment.Model(b.Kitchen.Model))
	}
	young, old := clocks(b, zone, l, item)
	u := convert(young)
	if !old.Equal(young) {
		u.By = convert(old).By
	}
	return Use{From: earliest(u.From, u.By), Best: earliest(u.Best, u.By), By: u.By, Unsure: u.Unsure}
}

// clocks returns the ends of mixing that a lot's window is counted from: young
// for when it is ready, old for how long it keeps. A dough that came out warmer
// than its target is ahead, at both; a colder one is ready later and keeps no
// longer for it, for the hard maximum is counted on the clock. What must not
// outlive what went into it is as old as that makes it.
func clocks(b *commissary.Book, zone *civil.Zone, l commissary.Lot, item commissary.Item) (young, old time.Time) {
	young, old = l.Made, l.Made
	known := slices.ContainsFunc(b.Formulas, func(f commissary.Formula) bool { return f.ID == item.Formula })
	if l.Off != 0 && item.Kind == commissary.Ball && known {
		ahead := ferment.Model(b.Kitchen.Model).Ahead(b.ColdStore.Temp, ferment.Process(*b, item, item.Window.Best), l.Off)
		young = young.Add(-span(ahead))
		old = earliest(old, young)
	}
	if !l.NotAfter.IsZero() {
		// In a walk-in as cold as the cold store; a warmer one takes more from it.
		old = earliest(old, oldest(b, zone, item, commissary.Shop{}, l.NotAfter, l.NotAfter))
	}
	return young, old
}

// oldest is the earliest end of mixing with which UseWindow reaches an instant.
func oldest(b *commissary.Book, zone *civil.Zone, item commissary.Item, shop commissary.Shop, arrives, last time.Time) time.Time {
	from := last.Add(-span(item.Window.Max))
	if item.Kind != commissary.Ball {
		if days := shelf(b, item).Days; days > 0 {
			// The last stretch may be past midnight: the day it lies on counts.
			from = latest(from, zone.Instant(zone.Date(last.Add(-time.Second)).AddDays(1-days), 0))
		}
		return from
	}
	warmer, cold := walkIn(b, shop), b.ColdStore.Temp
	stay := seconds(last.Sub(arrives))
	if warmer == cold || stay <= 0 {
		return from
	}
	// What the stay at the shop amounts to in the cold store; the second makes
	// up for rounding.
	aged := ferment.Model(b.Kitchen.Model).Age(cold, []ferment.Stage{{For: quantity.Seconds(stay), At: warmer}}) + 1
	return latest(from, arrives.Add(span(aged-item.Window.Max)))
}

// walkIn is the temperature a shop keeps its lots at: the cold store's where
// the book has none for it.
func walkIn(b *commissary.Book, shop commissary.Shop) quantity.Temp {
	if shop.WalkIn == 0 {
		return b.ColdStore.Temp
	}
	return shop.WalkIn
}

// shelf is an item's shelf rule; one that cannot be read marks no date. Books
// with such a rule are refused where they are taken in.
func shelf(b *commissary.Book, item commissary.Item) safety.Shelf {
	s, err := safety.Jurisdiction(b.Kitchen.Jurisdiction).Shelf(item.Shelf)
	if err != nil {
		return safety.Shelf{Kind: safety.Dough}
	}
	return s
}

// Arrivals is when a run with a fixed order reaches each of its shops on a day,
// waiting where it comes before a shop receives.
func Arrivals(b *commissary.Book, zone *civil.Zone, run commissary.Run, day civil.Date) map[string]time.Time {
	receiving := make(map[string]commissary.Hours, len(b.Shops))
	for _, s := range b.Shops {
		receiving[s.ID] = s.Receiving
	}
	at := zone.Instant(day, run.Departs)
	arrives := make(map[string]time.Time, len(run.Stops))
	for _, s := range run.Stops {
		at = at.Add(span(s.Travel))
		if _, twice := arrives[s.Shop]; !twice {
			arrives[s.Shop] = at
		}
		if h := receiving[s.Shop]; h != (commissary.Hours{}) {
			at = latest(at, zone.Instant(day, h.From))
		}
		at = at.Add(span(s.Stay))
	}
	return arrives
}
