package safety

import (
	"maps"
	"slices"
	"strings"

	"doughrun/commissary"
)

// group is one entry of a jurisdiction's list, with the words that are printed.
type group struct {
	words   string
	members []commissary.Allergen
	kinds   bool // the members are named in brackets
	species bool // the ingredients are named in brackets, since a book does not tell species
}

// lists holds what must be declared, in the order it is printed.
var lists = map[Jurisdiction][]group{
	// FALCPA 2004 and the FASTER Act 2021; the twelve tree nuts of FDA's
	// Questions and Answers, Edition 5 (January 2025), which took coconut,
	// chestnut and nine others off the list.
	US: {
		{words: "milk", members: []commissary.Allergen{commissary.Milk}},
		{words: "egg", members: []commissary.Allergen{commissary.Egg}},
		{words: "fish", members: []commissary.Allergen{commissary.Fish}, species: true},
		{words: "crustacean shellfish", members: []commissary.Allergen{commissary.Crustacean}, species: true},
		{words: "tree nuts", kinds: true, members: []commissary.Allergen{
			commissary.Almond, commissary.BlackWalnut, commissary.BrazilNut, commissary.CaliforniaWalnut,
			commissary.Cashew, commissary.Hazelnut, commissary.Heartnut, commissary.Macadamia,
			commissary.Pecan, commissary.PineNut, commissary.Pistachio, commissary.Walnut}},
		{words: "wheat", members: []commissary.Allergen{commissary.Wheat}},
		{words: "peanut", members: []commissary.Allergen{commissary.Peanut}},
		{words: "soy", members: []commissary.Allergen{commissary.Soy}},
		{words: "sesame", members: []commissary.Allergen{commissary.Sesame}},
	},
	// Regulation (EU) 1169/2011, Annex II. Its eight nuts name one walnut;
	// the other walnuts are declared as nuts too, which is the careful reading.
	EU: {
		{words: "cereals containing gluten", kinds: true, members: []commissary.Allergen{
			commissary.Wheat, commissary.Rye, commissary.Barley, commissary.Oats}},
		{words: "crustaceans", members: []commissary.Allergen{commissary.Crustacean}},
		{words: "eggs", members: []commissary.Allergen{commissary.Egg}},
		{words: "fish", members: []commissary.Allergen{commissary.Fish}},
		{words: "peanuts", members: []commissary.Allergen{commissary.Peanut}},
		{words: "soybeans", members: []commissary.Allergen{commissary.Soy}},
		{words: "milk", members: []commissary.Allergen{commissary.Milk}},
		{words: "nuts", kinds: true, members: []commissary.Allergen{
			commissary.Almond, commissary.Hazelnut, commissary.Walnut, commissary.Cashew, commissary.Pecan,
			commissary.BrazilNut, commissary.Pistachio, commissary.Macadamia,
			commissary.BlackWalnut, commissary.CaliforniaWalnut, commissary.Heartnut}},
		{words: "celery", members: []commissary.Allergen{commissary.Celery}},
		{words: "mustard", members: []commissary.Allergen{commissary.Mustard}},
		{words: "sesame", members: []commissary.Allergen{commissary.Sesame}},
		{words: "sulphites", members: []commissary.Allergen{commissary.Sulphites}},
		{words: "lupin", members: []commissary.Allergen{commissary.Lupin}},
		{words: "molluscs", members: []commissary.Allergen{commissary.Mollusc}},
	},
}

// Lists reports whether an allergen must be declared in the jurisdiction.
func (j Jurisdiction) Lists(a commissary.Allergen) bool {
	return slices.ContainsFunc(lists[j], func(g group) bool { return slices.Contains(g.members, a) })
}

// Source is an allergen and the names of the ingredients that bring it.
type Source struct {
	Allergen    commissary.Allergen
	Ingredients []string // sorted
}

// Sources follows a formula of the book through its preferments and the preps
// it uses and returns every allergen its ingredients name, whether or not a
// jurisdiction lists it, sorted. Exempt refined oil is left out. A name that
// is not in the book is refused.
func Sources(b commissary.Book, formula string) ([]Source, error) {
	from := map[commissary.Allergen]map[string]bool{}
	err := eachIngredient(b, formula, func(in commissary.Ingredient) {
		for _, a := range in.Allergens {
			if a == commissary.RefinedSoyOil {
				continue
			}
			if from[a] == nil {
				from[a] = map[string]bool{}
			}
			from[a][in.Name] = true
		}
	})
	if err != nil {
		return nil, err
	}
	var sources []Source
	for _, a := range slices.Sorted(maps.Keys(from)) {
		sources = append(sources, Source{a, slices.Sorted(maps.Keys(from[a]))})
	}
	return sources, nil
}

// Allergens returns the allergens of a formula, sorted: see Sources.
func Allergens(b commissary.Book, formula string) ([]commissary.Allergen, error) {
	sources, err := Sources(b, formula)
	var all []commissary.Allergen
	for _, s := range sources {
		all = append(all, s.Allergen)
	}
	return all, err
}

// Label returns what the jurisdiction wants declared, in its own words and
// order: kinds of nuts and cereals in brackets, and for the groups whose
// species must be named the ingredients that bring them.
func (j Jurisdiction) Label(sources []Source) []string {
	var label []string
	for _, g := range lists[j] {
		var inside []string
		found := false
		for _, s := range sources {
			if !slices.Contains(g.members, s.Allergen) {
				continue
			}
			found = true
			switch {
			case g.kinds:
				inside = append(inside, string(s.Allergen))
			case g.species:
				inside = append(inside, s.Ingredients...)
			}
		}
		switch {
		case len(inside) > 0:
			label = append(label, g.words+" ("+strings.Join(inside, ", ")+")")
		case found:
			label = append(label, g.words)
		}
	}
	return label
}

// MayFollow reports whether b may go into a vessel after a without a full
// wash: only when all of a's allergens are in b as well.
func MayFollow(a, b []commissary.Allergen) bool {
	return !slices.ContainsFunc(a, func(x commissary.Allergen) bool { return !slices.Contains(b, x) })
}

// Turn is one use of a vessel.
type Turn struct {
	Contains []commissary.Allergen
	Washed   bool // a full, signed wash stands before it; scraping is no wash
}

// MayContain returns, turn by turn, which allergens the vessel may bring into
// a batch that has them not itself, sorted. It starts from what the last batch
// before left behind.
func MayContain(left []commissary.Allergen, turns []Turn) [][]commissary.Allergen {
	carried := slices.Clone(left)
	extra := make([][]commissary.Allergen, len(turns))
	for i, t := range turns {
		if t.Washed {
			carried = nil
		}
		for _, a := range carried {
			if !slices.Contains(t.Contains, a) {
				extra[i] = append(extra[i], a)
			}
		}
		carried = append(carried, t.Contains...)
		slices.Sort(carried)
		carried = slices.Compact(carried)
		slices.Sort(extra[i])
		extra[i] = slices.Compact(extra[i])
	}
	return extra
}

// eachIngredient calls visit for every ingredient that goes into a formula,
// itself or through preferments and preps. A starter that feeds itself is
// visited once.
func eachIngredient(b commissary.Book, formula string, visit func(commissary.Ingredient)) error {
	return eachFormula(b, formula, map[string]bool{}, func(f commissary.Formula) error {
		for _, l := range f.Lines {
			if l.Ingredient == "" {
				continue
			}
			i := slices.IndexFunc(b.Ingredients, func(in commissary.Ingredient) bool { return in.ID == l.Ingredient })
			if i < 0 {
				return missing("ingredient", l.Ingredient, f.ID)
			}
			visit(b.Ingredients[i])
		}
		return nil
	})
}

func eachFormula(b commissary.Book, formula string, seen map[string]bool, visit func(commissary.Formula) error) error {
	if seen[formula] {
		return nil
	}
	seen[formula] = true
	i := slices.IndexFunc(b.Formulas, func(f commissary.Formula) bool { return f.ID == formula })
	if i < 0 {
		return missing("formula", formula, "")
	}
	f := b.Formulas[i]
	if err := visit(f); err != nil {
		return err
	}
	for _, p := range f.Preferments {
		if err := eachFormula(b, p.Formula, seen, visit); err != nil {
			return err
		}
	}
	for _, l := range f.Lines {
		if l.Prep == "" {
			continue
		}
		if err := eachFormula(b, l.Prep, seen, visit); err != nil {
			return err
		}
	}
	return nil
}

func missing(what, name, in string) error {
	if in != "" {
		in = " of the formula " + in
	}
	return commissary.Refuse(commissary.Invalid, "NAME_UNKNOWN",
		"the %s %q%s is not in the kitchen book; correct the name or add it to the book", what, name, in)
}
