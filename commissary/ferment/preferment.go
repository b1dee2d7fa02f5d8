package ferment

import (
	"fmt"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Tub is a preferment that is wanted at a mixing time.
type Tub struct {
	Made   time.Time         // end of stirring: age zero
	Mix    time.Time         // when the dough is to be mixed from it
	Now    time.Time         // nothing can be done before
	Window commissary.Window // the formula's ripe window
	Stated quantity.Temp     // the temperature that window holds for
	Room   quantity.Temp     // where the tub stands
	Cold   quantity.Temp     // of the cold store
	Mass   quantity.Mass     // in the tub: a large one goes on fermenting for hours in the cold
}

// Action is what to do with a preferment.
type Action string

// The actions.
const (
	Use     Action = "use"     // ripe at mixing time
	StirAt  Action = "stir_at" // not stirred yet: stir at At instead
	MixAt   Action = "mix_at"  // mix the dough at At instead
	Warm    Action = "warm"    // the room is too cold for it to ripen within its window
	Chill   Action = "chill"   // put it in the cold store at At
	Discard Action = "discard" // over-ripe: nothing saves it
)

// Advice is what to do with a preferment so that it is ripe when the dough is
// mixed, as a sentence a caller can put into a commissary.Reason.
type Advice struct {
	Do   Action
	At   time.Time // of StirAt, MixAt and Chill; zero otherwise
	Ripe Usable    // in the room, as planned
	Text string    // without clock times: the caller prints Mix and At in the kitchen's zone
}

// Advise says what to do when the preferment would be under-ripe or over-ripe
// at mixing time. Against over-ripeness it prefers, in this order: stirring
// later, chilling, mixing earlier, discarding. Nothing outlasts the window's
// hard maximum.
func (t Tub) Advise(m Model) Advice {
	ripe := UseWindow(t.Made, t.Window, Keeping{Cold: t.Stated, WalkIn: t.Room}, m)
	stir := t.Mix.Add(-ripe.Best.Sub(t.Made)) // for the best age at mixing time
	stirred := !t.Made.After(t.Now)
	switch {
	case ripe.Unripe:
		return Advice{Warm, time.Time{}, ripe,
			"The preferment is too cold to ripen before its hard maximum. Keep it warmer."}
	case !t.Mix.Before(ripe.From) && !t.Mix.After(ripe.By):
		return Advice{Use, time.Time{}, ripe, "The preferment is ripe at mixing time."}
	case t.Mix.Before(ripe.From):
		young := apart(ripe.From, t.Mix)
		if !stirred && !t.Mix.Before(t.Now.Add(ripe.From.Sub(t.Made))) {
			return Advice{StirAt, later(t.Now, stir), ripe,
				fmt.Sprintf("The preferment would be %s too young at mixing time. Stir it earlier.", young)}
		}
		return Advice{MixAt, ripe.From, ripe,
			fmt.Sprintf("The preferment is %s too young at mixing time. Mix later.", young)}
	}
	over := apart(t.Mix, ripe.By)
	if !stirred {
		return Advice{StirAt, stir, ripe,
			fmt.Sprintf("The preferment would be over-ripe at mixing time, by %s. Stir it later.", over)}
	}
	if at, found := t.chill(ripe.Model); found {
		return Advice{Chill, at, ripe,
			fmt.Sprintf("The preferment would be over-ripe at mixing time, by %s. Chill it until then.", over)}
	}
	if !ripe.By.Before(t.Now) {
		return Advice{MixAt, later(t.Now, ripe.Best), ripe,
			fmt.Sprintf("The preferment would be over-ripe at mixing time, by %s, and chilling does not save it. Mix earlier.", over)}
	}
	return Advice{Discard, time.Time{}, ripe,
		fmt.Sprintf("The preferment has been over-ripe for %s. Discard it.", apart(t.Now, ripe.By))}
}

// chill returns when, to the minute, putting the tub into the cold store makes
// it best at mixing time, or Now when that is already past but it would still
// be within its window, and false when chilling does not save it.
func (t Tub) chill(m Model) (time.Time, bool) {
	if t.Mix.Sub(t.Made) > time.Duration(t.Window.Max)*time.Second {
		return time.Time{}, false
	}
	end := quantity.Seconds(t.Mix.Sub(t.Made) / time.Second)
	ageAt := func(out quantity.Seconds) quantity.Seconds {
		return m.Age(t.Stated, []Stage{{For: out, At: t.Room}, {For: end - out, At: t.Cold, Mass: t.Mass, From: t.Room}})
	}
	first := quantity.Seconds(max(0, t.Now.Sub(t.Made)) / time.Second)
	if first > end || ageAt(first) > t.Window.Max {
		return time.Time{}, false
	}
	low, high := first, end // the longer it stays out, the older it is
	for high-low > quantity.Minute {
		if middle := (low + high) / 2; ageAt(middle) <= t.Window.Best {
			low = middle
		} else {
			high = middle
		}
	}
	return t.Made.Add(time.Duration(low) * time.Second), true
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// apart is the length of time from b to a, for people.
func apart(a, b time.Time) quantity.Seconds {
	return minutes(quantity.Seconds(a.Sub(b) / time.Second))
}
