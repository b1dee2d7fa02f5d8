package safety

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

func TestJudgeNamesWhatIsUnknown(t *testing.T) {
	good := commissary.Book{
		Kitchen:     commissary.Kitchen{Jurisdiction: "us"},
		Ingredients: []commissary.Ingredient{{ID: "nut", Allergens: []commissary.Allergen{commissary.PineNut}}},
		Formulas:    []commissary.Formula{{ID: "oil", Cautions: []string{CautionOil}}},
		Items:       []commissary.Item{{ID: "a", Shelf: "prep-5-opened-2"}, {ID: "b"}, {ID: "c", Shelf: Dough}},
	}
	require.Empty(t, Judge(good))
	for _, tc := range []struct {
		where, text string
		set         func(b *commissary.Book)
	}{
		{"kitchen.jurisdiction", `"mars" is unknown`, func(b *commissary.Book) { b.Kitchen.Jurisdiction = "mars" }},
		{"ingredients.nut.allergens", `no allergen "nuts"`, func(b *commissary.Book) {
			b.Ingredients = []commissary.Ingredient{{ID: "nut", Allergens: []commissary.Allergen{"nuts"}}}
		}},
		{"formulas.oil.cautions", `no caution "beware"`, func(b *commissary.Book) {
			b.Formulas = []commissary.Formula{{ID: "oil", Cautions: []string{"beware"}}}
		}},
		{"items.a.shelf", "longer than the 7 days", func(b *commissary.Book) { b.Items = []commissary.Item{{ID: "a", Shelf: "prep-8"}} }},
		{"items.a.shelf", "is unknown", func(b *commissary.Book) { b.Items = []commissary.Item{{ID: "a", Shelf: "fridge"}} }},
	} {
		b := good
		tc.set(&b)
		faults := Judge(b)
		require.Len(t, faults, 1, tc.where)
		require.Equal(t, tc.where, faults[0].Where)
		require.Contains(t, faults[0].Text, tc.text)
	}
	// The operator's own days are asked for where the law leaves them open.
	eu := good
	eu.Kitchen.Jurisdiction = "eu"
	eu.Items = []commissary.Item{{ID: "a", Shelf: Prep}}
	require.Len(t, Judge(eu), 1)
}
