package safety

import (
	"slices"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// Caution is a warning printed where work is done.
type Caution struct {
	Name string
	Text string
}

// Names of the cautions. A formula of the book may name further ones than
// those derived.
const (
	CautionMixer     = "mixer-guard"
	CautionKnife     = "knife-slicer"
	CautionKettle    = "hot-kettle"
	CautionLift      = "heavy-lift"
	CautionRawFlour  = "raw-flour"
	CautionOil       = "garlic-in-oil"
	CautionCooling   = "cooling"
	CautionAllergens = "allergens"
)

// AllCautions returns every caution, in the order they are printed.
func AllCautions() []Caution {
	return []Caution{
		{CautionMixer, "Mixer: guard shut before it turns, never a hand in a moving bowl. Stop it and lock it out before you scrape, free dough or clean. Maker's manual and local rules apply."},
		{CautionKnife, "Blades: unplug the slicer or blender before you open or clean it; guard and pusher in place, glove on. Maker's manual and local rules apply."},
		{CautionKettle, "Hot kettle: lid away from you, dry gloves, clear floor; two people to carry or tip. Local rules apply."},
		{CautionLift, "Heavy: two people or a lift for sacks, bowls and full stacks. Local rules set the limits."},
		{CautionRawFlour, "Raw flour: do not taste dough or batter; wash hands and surfaces before ready-to-eat food. Local food code applies."},
		{CautionOil, "Garlic or herbs in oil: into the cold at once, never at room temperature, discard at its date, the making day counted. Acidifying to keep it longer needs a process approved under local code."},
		{CautionCooling, "Cooling: shallow pans or blast chiller; core at 70 °F (21 °C) within 2 h of 135 °F (57 °C) and at 41 °F (5 °C) within 6 h, by probe, written down. If missed, reheat or discard as local code says."},
		{CautionAllergens, "Allergens: check the pack against the book, clean tools and vessel first; scraping is no wash. Local labelling law applies."},
	}
}

// OSHA 29 CFR 1910.263 wants a device to move bowls over 80 lb. For a sack the
// limit is common practice, no source.
const (
	heavyBowl = 36_287_390 * quantity.Milligram // 80 lb
	heavySack = 20 * quantity.Kilogram
)

// Cautions returns the cautions that stand on the sheet of a formula made in
// the given vessels, in printing order: those derived from its ingredients,
// steps, items and vessels, and those the formula names. Names that are not in
// the book, or no caution, are refused.
func Cautions(b commissary.Book, formula string, vessels ...commissary.Vessel) ([]Caution, error) {
	on := map[string]bool{}
	err := eachIngredient(b, formula, func(in commissary.Ingredient) {
		on[CautionRawFlour] = on[CautionRawFlour] || in.Kind == commissary.Flour
		on[CautionLift] = on[CautionLift] || in.Pack >= heavySack
	})
	if err != nil {
		return nil, err
	}
	sources, err := Sources(b, formula)
	if err != nil {
		return nil, err
	}
	on[CautionAllergens] = len(sources) > 0
	err = eachFormula(b, formula, map[string]bool{}, func(f commissary.Formula) error {
		for _, it := range b.Items {
			if it.Formula == f.ID && strings.HasPrefix(it.Shelf, GarlicOil) {
				on[CautionOil] = true
			}
		}
		// A prep that warns of it passes the warning on to what it goes into.
		on[CautionOil] = on[CautionOil] || slices.Contains(f.Cautions, CautionOil)
		return nil
	})
	if err != nil {
		return nil, err
	}
	f := b.Formulas[slices.IndexFunc(b.Formulas, func(f commissary.Formula) bool { return f.ID == formula })]
	for _, s := range f.Steps {
		on[CautionCooling] = on[CautionCooling] || s.Kind == commissary.StepCool
	}
	for _, v := range vessels {
		switch v.Kind {
		case "mixer":
			on[CautionMixer] = true
		case "blender", "slicer":
			on[CautionKnife] = true
		case "kettle":
			on[CautionKettle] = true
		}
		for _, row := range v.Capacity {
			on[CautionLift] = on[CautionLift] || row.Max > heavyBowl
		}
	}
	all := AllCautions()
	for _, name := range f.Cautions {
		if !slices.ContainsFunc(all, func(c Caution) bool { return c.Name == name }) {
			return nil, missing("caution", name, f.ID)
		}
		on[name] = true
	}
	return slices.DeleteFunc(all, func(c Caution) bool { return !on[c.Name] }), nil
}
