package ferment

import (
	"fmt"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Judge returns what a kitchen book names that this package does not know: the
// model and types of yeast. Where is section, entry and key, as "kitchen.model".
func Judge(b commissary.Book) []commissary.Fault {
	var faults []commissary.Fault
	if m := Model(b.Kitchen.Model); m != "" && !slices.Contains(Models(), m) {
		faults = append(faults, commissary.Fault{Where: "kitchen.model", Text: fmt.Sprintf("there is no model %q; there are %v", m, Models())})
	}
	for _, in := range b.Ingredients {
		if _, err := Convert(ChartHeads, quantity.Percent, typeOf(in), Instant); in.Kind == commissary.Yeast && err != nil {
			faults = append(faults, commissary.Fault{Where: "ingredients." + in.ID + ".yeast", Text: err.Error()})
		}
	}
	return faults
}

// typeOf is the type of a yeast of the book: instant where it does not say.
func typeOf(in commissary.Ingredient) Yeast {
	if in.Yeast == "" {
		return Instant
	}
	return Yeast(in.Yeast)
}

// Yeasted returns a formula's dose of yeast as instant yeast, by a convention,
// and whether the type of one was not said and instant was assumed.
func Yeasted(b commissary.Book, f commissary.Formula, c Convention) (dose quantity.PPM, assumed bool, err error) {
	for _, l := range f.Lines {
		i := slices.IndexFunc(b.Ingredients, func(in commissary.Ingredient) bool { return in.ID == l.Ingredient })
		if i < 0 || b.Ingredients[i].Kind != commissary.Yeast {
			continue
		}
		part, err := Convert(c, l.Share, typeOf(b.Ingredients[i]), Instant)
		if err != nil {
			return 0, false, err
		}
		dose += part
		assumed = assumed || b.Ingredients[i].Yeast == ""
	}
	return dose, assumed, nil
}
