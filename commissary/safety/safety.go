// Package safety says what a kitchen has to print and watch: allergens from
// ingredients through formulas, date marks, cooling and holding limits, and
// which caution stands where.
//
// It repeats published rules so that a sheet can carry them. Local code and
// the kitchen's own approved procedures come first, and nothing computed here
// replaces a thermometer or a label.
package safety

import "doughrun/commissary"

// Jurisdiction is whose allergen list and shelf rules a kitchen follows.
type Jurisdiction string

// The jurisdictions.
const (
	US Jurisdiction = "us" // nine allergens; FDA model Food Code 2022, as states adopt it
	EU Jurisdiction = "eu" // Regulation (EU) 1169/2011, fourteen allergens; the operator's own days
)

// In returns the jurisdiction of a kitchen book's name for it.
func In(name string) (Jurisdiction, error) {
	switch j := Jurisdiction(name); j {
	case US, EU:
		return j, nil
	}
	return "", commissary.Refuse(commissary.Invalid, "JURISDICTION_UNKNOWN",
		"the jurisdiction %q is unknown; write %q or %q", name, US, EU)
}
