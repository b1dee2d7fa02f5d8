package plan

import (
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
func UseWindow(b *commissary.Book, zone *civil.Zone, made time.Time, item commissary.Item, shop commissary.Shop, arrives time.Time) Use {
	if item.Kind != commissary.Ball {
		u := Use{From: made.Add(span(item.Window.Min)), Best: made.Add(span(item.Window.Best)), By: made.Add(span(item.Window.Max))}
		if u.Mark, _ = shelf(b, item).UseBy(safety.Kept{Made: zone.Date(made)}); !u.Mark.IsZero() {
			u.By = earliest(u.By, zone.Instant(u.Mark.AddDays(1), 0))
			u.From, u.Best = earliest(u.From, u.By), earliest(u.Best, u.By)
			if last := zone.Date(u.By.Add(-time.Second)); last.Compare(u.Mark) < 0 {
				u.Mark = last // one date on the label: the window ends before the rule does
			}
		}
		return u
	}
	keeping := ferment.Keeping{Cold: b.ColdStore.Temp, WalkIn: walkIn(b, shop),
		Past: []ferment.Stage{{For: quantity.Seconds(max(seconds(arrives.Sub(made)), 0)), At: b.ColdStore.Temp}}}
	u := ferment.UseWindow(made, item.Window, keeping, ferment.Model(b.Kitchen.Model))
	return Use{From: u.From, Best: u.Best, By: u.By, Unsure: u.Unsure}
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

// arrival is when a run that leaves at an instant reaches a shop.
func arrival(run commissary.Run, departs time.Time, shop string) time.Time {
	at := departs
	for _, s := range run.Stops {
		at = at.Add(span(s.Travel))
		if s.Shop == shop {
			return at
		}
		at = at.Add(span(s.Stay))
	}
	return departs
}
