package safety

import (
	"fmt"
	"slices"

	"doughrun/commissary"
)

// Judge returns what a kitchen book names that this package does not know or
// allow: its jurisdiction, items' shelf rules, formulas' cautions and
// ingredients' allergens. Where is section, entry and key, as
// "items.house-280.shelf".
func Judge(b commissary.Book) []commissary.Fault {
	var faults []commissary.Fault
	fault := func(where, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: where, Text: fmt.Sprintf(format, args...)})
	}
	j, err := In(b.Kitchen.Jurisdiction)
	if err != nil {
		fault("kitchen.jurisdiction", "%v", err)
	}
	for _, in := range b.Ingredients {
		for _, a := range in.Allergens {
			if !a.Known() {
				fault("ingredients."+in.ID+".allergens", "there is no allergen %q; name the nut or cereal itself", a)
			}
		}
	}
	var names []string
	for _, c := range AllCautions() {
		names = append(names, c.Name)
	}
	for _, f := range b.Formulas {
		for _, c := range f.Cautions {
			if !slices.Contains(names, c) {
				fault("formulas."+f.ID+".cautions", "there is no caution %q; there are %v", c, names)
			}
		}
	}
	for _, it := range b.Items {
		// An item without a rule marks no date.
		if _, shelf := j.Shelf(it.Shelf); err == nil && it.Shelf != "" && shelf != nil {
			fault("items."+it.ID+".shelf", "%v", shelf)
		}
	}
	return faults
}
