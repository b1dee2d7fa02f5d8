package commissary

import "slices"

// The allergens a kitchen book may name. Which of them must be declared, and
// under what words, depends on the jurisdiction: see package safety.
const (
	Wheat  Allergen = "wheat" // spelt and khorasan too
	Rye    Allergen = "rye"
	Barley Allergen = "barley"
	Oats   Allergen = "oats"

	Milk       Allergen = "milk"
	Egg        Allergen = "egg"
	Fish       Allergen = "fish"
	Crustacean Allergen = "crustacean"
	Mollusc    Allergen = "mollusc"
	Peanut     Allergen = "peanut"
	Soy        Allergen = "soy"
	Sesame     Allergen = "sesame"
	Celery     Allergen = "celery"
	Mustard    Allergen = "mustard"
	Lupin      Allergen = "lupin"
	Sulphites  Allergen = "sulphites" // more than 10 mg/kg or 10 mg/l as total sulphur dioxide

	Almond           Allergen = "almond"
	BlackWalnut      Allergen = "black walnut"
	BrazilNut        Allergen = "brazil nut"
	CaliforniaWalnut Allergen = "california walnut"
	Cashew           Allergen = "cashew"
	Hazelnut         Allergen = "hazelnut"
	Heartnut         Allergen = "heartnut" // Japanese walnut
	Macadamia        Allergen = "macadamia"
	Pecan            Allergen = "pecan"
	PineNut          Allergen = "pine nut"
	Pistachio        Allergen = "pistachio"
	Walnut           Allergen = "walnut" // English or Persian walnut

	// No jurisdiction here lists these two, but they were or are asked for.
	Coconut  Allergen = "coconut"
	Chestnut Allergen = "chestnut"
	// RefinedSoyOil is highly refined soy oil, exempt everywhere: a book that
	// says so keeps the next reader from wondering. It never reaches a label.
	RefinedSoyOil Allergen = "refined soy oil"
)

// Allergens returns every name a kitchen book may use, sorted.
func Allergens() []Allergen {
	all := []Allergen{
		Wheat, Rye, Barley, Oats,
		Milk, Egg, Fish, Crustacean, Mollusc, Peanut, Soy, Sesame, Celery, Mustard, Lupin, Sulphites,
		Almond, BlackWalnut, BrazilNut, CaliforniaWalnut, Cashew, Hazelnut, Heartnut, Macadamia, Pecan, PineNut, Pistachio, Walnut,
		Coconut, Chestnut, RefinedSoyOil,
	}
	slices.Sort(all)
	return all
}

// Known reports whether a is one of Allergens.
func (a Allergen) Known() bool {
	_, found := slices.BinarySearch(Allergens(), a)
	return found
}
