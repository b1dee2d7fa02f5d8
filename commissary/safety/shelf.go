package safety

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// The kinds of shelf rule that an item of the book names in its field Shelf.
const (
	// Prep is chilled food that may be eaten without further cooking. US: use,
	// sell or discard within 7 calendar days at 41 °F or below, the day of
	// making being day 1 (Food Code 2022, 3-501.17). EU: no number in law.
	Prep = "prep"
	// GarlicOil is garlic or herbs in oil, not acidified by an approved
	// process: 4 days at 40 °F or below (National Center for Home Food
	// Preservation, 2015, after Nummer et al. 2011), of which the making day is
	// the first here. Longer needs a process approved under local code.
	GarlicOil = "garlic-oil"
	// HardCheese is hard or semi-soft cheese exempt from date marking (Food
	// Code 2022, 3-501.17); mozzarella and ricotta are not.
	HardCheese = "hard-cheese"
	// Dough is raw dough. It is not ready to eat, so date marking does not set
	// its life; the item's window does.
	Dough = "dough"
	// Dry needs no cold; the days, if any, are the operator's.
	Dry = "dry"
)

// Shelf is how long food keeps its date, in calendar days of which the first
// is the day of making.
type Shelf struct {
	Kind   string
	Days   int           // 0: no date mark
	Opened int           // days from opening at the shop, the day of opening being the first; 0: no second limit
	Cold   quantity.Temp // keep at or below; 0 for Dry
	Text   string        // for the label
}

// Shelf reads an item's shelf rule: a kind, and the operator's own days where
// the law leaves them open or the operator is stricter: "prep", "prep-5" for
// five days, "prep-5-opened-2" for two days from opening at the shop. It
// refuses more days than the rule allows.
func (j Jurisdiction) Shelf(rule string) (Shelf, error) {
	refuse := func(format string, args ...any) (Shelf, error) {
		return Shelf{}, commissary.Refuse(commissary.Invalid, "SHELF_RULE", "the shelf rule %q %s", rule,
			fmt.Sprintf(format, args...))
	}
	m := rulePattern.FindStringSubmatch(rule)
	if m == nil {
		return refuse("is unknown; write one of %s, %s, %s, %s, %s, with days after it if they are your own: \"%s-3\", \"%s-3-opened-2\"",
			Prep, GarlicOil, HardCheese, Dough, Dry, Prep, Prep)
	}
	s := Shelf{Kind: m[1], Cold: ColdHold}
	own, _ := strconv.Atoi(m[2]) // at most three digits, or empty
	s.Opened, _ = strconv.Atoi(m[3])
	most := 0 // longest the rule allows; 0: the operator's own
	switch {
	case s.Kind == Prep && j == US:
		most = 7
	case s.Kind == GarlicOil:
		most, s.Cold = 4, OilHold
	case s.Kind == Dry:
		s.Cold = 0
	}
	s.Days = most
	if own > 0 {
		s.Days = own
	}
	switch {
	case s.Kind == Dough && (own > 0 || s.Opened > 0):
		return refuse("has days; the life of raw dough is its item's window: write \"%s\"", Dough)
	case most > 0 && own > most:
		return refuse("is longer than the %d days allowed; write \"%s\" or fewer days", most, s.Kind)
	case s.Kind == Prep && s.Days == 0:
		return refuse("needs your own days where the law states none; write for example \"%s-3\"", Prep)
	case s.Opened > 0 && s.Days > 0 && s.Opened > s.Days:
		return refuse("keeps an opened pack longer than a closed one; write fewer days after \"opened\"")
	case s.Kind == Dough:
		s.Text = "Raw dough: bake before eating, keep cold. The window shown is one of quality."
	case s.Days == 0 && s.Opened == 0:
	case s.Kind == Dry:
		s.Text = "Use by the end of the day shown."
	default:
		s.Text = "Use or discard by the end of the day shown; the making day is counted. Keep cold throughout. Local code may be stricter."
	}
	if s.Opened > 0 {
		s.Text = strings.TrimSpace(s.Text + fmt.Sprintf(" Once opened within %d days, the day of opening counted, and never past the day shown.", s.Opened))
	}
	return s, nil
}

var rulePattern = regexp.MustCompile("^(" + strings.Join([]string{Prep, GarlicOil, HardCheese, Dough, Dry}, "|") +
	`)(?:-([1-9][0-9]{0,2}))?(?:-opened-([1-9][0-9]{0,2}))?$`)

// Kept is how a lot of food was kept.
type Kept struct {
	Made     civil.Date   // in the kitchen's zone; day 1
	Inputs   []civil.Date // use-by dates of what went into it: the earliest wins
	NotAfter civil.Date   // a maker's own use-by, which freezing does not move; zero: none
	Frozen   []Freezing
	Opened   civil.Date // at the shop; opening does not restart anything; zero: closed
}

// Freezing pauses the count: the day food is frozen is not counted, the day
// it is thawed is.
type Freezing struct {
	On, Thawed civil.Date // Thawed is zero while it is frozen
}

// UseBy returns the last day a lot may be used, to its end. It is zero when
// no date is marked, and while the lot is frozen; left is then how many days
// it will have from the day of thawing on. Food that was frozen after its date
// stays past its date.
func (s Shelf) UseBy(k Kept) (by civil.Date, left int) {
	if s.Kind == Dough {
		return civil.Date{}, 0
	}
	if s.Days > 0 {
		by = k.Made.AddDays(s.Days - 1)
	}
	for _, d := range k.Inputs {
		by = earlier(by, d)
	}
	freezings := slices.Clone(k.Frozen)
	slices.SortFunc(freezings, func(a, b Freezing) int { return a.On.Compare(b.On) })
	for _, f := range freezings {
		if by.IsZero() || f.On.Compare(by) > 0 {
			break
		}
		if f.Thawed.IsZero() {
			return civil.Date{}, by.Days(f.On) + 1
		}
		by = by.AddDays(max(0, f.Thawed.Days(f.On)))
	}
	if s.Opened > 0 && !k.Opened.IsZero() {
		by = earlier(by, k.Opened.AddDays(s.Opened-1))
	}
	return earlier(by, k.NotAfter), 0
}

// earlier returns the earlier date; a zero one is no limit.
func earlier(a, b civil.Date) civil.Date {
	if a.IsZero() || !b.IsZero() && b.Compare(a) < 0 {
		return b
	}
	return a
}
