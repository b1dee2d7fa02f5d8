package safety

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
)

// The cross table: FDA, Questions and Answers on food allergens, Edition 5
// (January 2025), against Regulation (EU) 1169/2011, Annex II.
func TestCrossTable(t *testing.T) {
	for _, row := range []struct {
		name   string
		brings []commissary.Allergen
		us, eu []string
	}{
		{"pine nuts", []commissary.Allergen{commissary.PineNut}, []string{"tree nuts (pine nut)"}, nil},
		{"coconut", []commissary.Allergen{commissary.Coconut}, nil, nil},
		{"chestnut flour", []commissary.Allergen{commissary.Chestnut}, nil, nil},
		{"mustard", []commissary.Allergen{commissary.Mustard}, nil, []string{"mustard"}},
		{"celery", []commissary.Allergen{commissary.Celery}, nil, []string{"celery"}},
		{"lupin", []commissary.Allergen{commissary.Lupin}, nil, []string{"lupin"}},
		{"squid", []commissary.Allergen{commissary.Mollusc}, nil, []string{"molluscs"}},
		{"wine vinegar", []commissary.Allergen{commissary.Sulphites}, nil, []string{"sulphites"}},
		{"rye flour", []commissary.Allergen{commissary.Rye}, nil, []string{"cereals containing gluten (rye)"}},
		{"malt", []commissary.Allergen{commissary.Barley}, nil, []string{"cereals containing gluten (barley)"}},
		{"oats", []commissary.Allergen{commissary.Oats}, nil, []string{"cereals containing gluten (oats)"}},
		{"mixed flour", []commissary.Allergen{commissary.Wheat, commissary.Rye}, []string{"wheat"}, []string{"cereals containing gluten (rye, wheat)"}},
		{"sesame", []commissary.Allergen{commissary.Sesame}, []string{"sesame"}, []string{"sesame"}},
		{"refined soy oil", []commissary.Allergen{commissary.RefinedSoyOil}, nil, nil},
		{"soy sauce", []commissary.Allergen{commissary.Soy}, []string{"soy"}, []string{"soybeans"}},
		{"anchovy", []commissary.Allergen{commissary.Fish}, []string{"fish (anchovy)"}, []string{"fish"}},
		{"prawns", []commissary.Allergen{commissary.Crustacean}, []string{"crustacean shellfish (prawns)"}, []string{"crustaceans"}},
		{"hard cheese", []commissary.Allergen{commissary.Egg, commissary.Milk}, []string{"milk", "egg"}, []string{"eggs", "milk"}},
	} {
		b := commissary.Book{
			Ingredients: []commissary.Ingredient{{ID: "x", Name: row.name, Allergens: row.brings}},
			Formulas:    []commissary.Formula{{ID: "f", Lines: []commissary.FormulaLine{{Ingredient: "x"}}}},
		}
		sources, err := Sources(b, "f")
		require.NoError(t, err)
		require.Equal(t, row.us, US.Label(sources), row.name)
		require.Equal(t, row.eu, EU.Label(sources), row.name)
	}
}

func TestLists(t *testing.T) {
	// FALCPA 2004 and FASTER Act 2021: nine, of which FDA's Edition 5 names twelve tree nuts; Annex II: fourteen, of which eight nuts.
	require.Len(t, lists[US], 9)
	require.Len(t, lists[EU], 14)
	count := func(j Jurisdiction, words string) int {
		return len(lists[j][slices.IndexFunc(lists[j], func(g group) bool { return g.words == words })].members)
	}
	require.Equal(t, 12, count(US, "tree nuts"))
	require.Equal(t, 8+3, count(EU, "nuts")) // and the walnuts that Annex II has no name for
	require.Equal(t, 4, count(EU, "cereals containing gluten"))
	for _, a := range commissary.Allergens() {
		require.True(t, a.Known())
		unlisted := slices.Contains([]commissary.Allergen{commissary.Coconut, commissary.Chestnut, commissary.RefinedSoyOil}, a)
		require.Equal(t, !unlisted, US.Lists(a) || EU.Lists(a), string(a))
	}
	require.False(t, commissary.Allergen("gluten").Known())
	for _, j := range []Jurisdiction{US, EU} {
		var members []commissary.Allergen
		for _, g := range lists[j] {
			members = append(members, g.members...)
		}
		for _, m := range members {
			require.True(t, m.Known(), string(m))
		}
		slices.Sort(members)
		require.Len(t, slices.Compact(slices.Clone(members)), len(members), "nothing is declared twice")
		got, err := In(string(j))
		require.NoError(t, err)
		require.Equal(t, j, got)
	}
	_, err := In("")
	require.ErrorContains(t, err, `write "us" or "eu"`)
}

// kitchen has a starter that feeds itself, a prep that goes into a prep, and a dough.
func kitchen() commissary.Book {
	line := func(ingredient, prep string) commissary.FormulaLine {
		return commissary.FormulaLine{Ingredient: ingredient, Prep: prep}
	}
	return commissary.Book{
		Ingredients: []commissary.Ingredient{
			{ID: "flour", Name: "Flour", Kind: commissary.Flour, Allergens: []commissary.Allergen{commissary.Wheat}, Pack: 25_000_000},
			{ID: "rye", Name: "Rye flour", Kind: commissary.Flour, Allergens: []commissary.Allergen{commissary.Rye}},
			{ID: "cheese", Name: "Hard cheese", Allergens: []commissary.Allergen{commissary.Milk, commissary.Egg}},
			{ID: "kernels", Name: "Pine kernels", Allergens: []commissary.Allergen{commissary.PineNut}},
			{ID: "butter", Name: "Butter", Allergens: []commissary.Allergen{commissary.Milk}},
			{ID: "oil", Name: "Olive oil"}, {ID: "water", Name: "Water", Kind: commissary.Water},
		},
		Formulas: []commissary.Formula{
			{ID: "starter", Kind: commissary.Preferment, Lines: []commissary.FormulaLine{line("rye", ""), line("water", "")},
				Preferments: []commissary.PrefermentShare{{Formula: "starter", DaysBefore: 1}}},
			{ID: "dough", Kind: commissary.Dough, Lines: []commissary.FormulaLine{line("flour", ""), line("water", "")},
				Preferments: []commissary.PrefermentShare{{Formula: "starter"}}},
			{ID: "garlic-oil", Kind: commissary.Prep, Lines: []commissary.FormulaLine{line("oil", "")}},
			{ID: "pesto", Kind: commissary.Prep, Lines: []commissary.FormulaLine{line("cheese", ""), line("kernels", ""), line("", "garlic-oil")}},
			{ID: "spread", Kind: commissary.Prep, Lines: []commissary.FormulaLine{line("butter", ""), line("", "pesto")},
				Steps: []commissary.Step{{Kind: commissary.StepCool}}},
			{ID: "broken", Lines: []commissary.FormulaLine{line("nothing", "")}},
			{ID: "shouting", Lines: []commissary.FormulaLine{line("oil", "")}, Cautions: []string{"beware"}},
		},
		Items: []commissary.Item{{ID: "garlic-oil-500g", Formula: "garlic-oil", Shelf: "garlic-oil-3"}},
	}
}

func TestAllergensComeThroughPrefermentsAndPreps(t *testing.T) {
	all, err := Allergens(kitchen(), "dough")
	require.NoError(t, err)
	require.Equal(t, []commissary.Allergen{commissary.Rye, commissary.Wheat}, all)
	sources, err := Sources(kitchen(), "spread")
	require.NoError(t, err)
	require.Equal(t, []Source{
		{commissary.Egg, []string{"Hard cheese"}},
		{commissary.Milk, []string{"Butter", "Hard cheese"}},
		{commissary.PineNut, []string{"Pine kernels"}},
	}, sources)
	require.Equal(t, []string{"milk", "egg", "tree nuts (pine nut)"}, US.Label(sources))
	require.Equal(t, []string{"eggs", "milk"}, EU.Label(sources))
	all, err = Allergens(kitchen(), "garlic-oil")
	require.NoError(t, err)
	require.Empty(t, all)
	for formula, text := range map[string]string{"broken": `the ingredient "nothing" of the formula broken`, "none": `the formula "none"`} {
		_, err := Allergens(kitchen(), formula)
		require.ErrorContains(t, err, text)
		require.Equal(t, commissary.Invalid, commissary.KindOf(err))
	}
}

func TestMayFollow(t *testing.T) {
	nut, sesame := []commissary.Allergen{commissary.Hazelnut}, []commissary.Allergen{commissary.Sesame}
	both := []commissary.Allergen{commissary.Sesame, commissary.Hazelnut}
	require.True(t, MayFollow(nil, nut))
	require.True(t, MayFollow(nut, nut))
	require.True(t, MayFollow(nut, both))
	require.False(t, MayFollow(nut, nil))
	require.False(t, MayFollow(both, nut))
	require.False(t, MayFollow(nut, sesame)) // one blender: neither order
	require.False(t, MayFollow(sesame, nut))
}

func TestMayContain(t *testing.T) {
	milk, egg, nut := commissary.Milk, commissary.Egg, commissary.PineNut
	require.Equal(t, [][]commissary.Allergen{
		{egg},       // from yesterday's last batch
		{egg},       // still there: milk is its own
		nil,         // washed
		{milk},      // after plain milk
		{milk, nut}, // scraped only
	}, MayContain([]commissary.Allergen{egg}, []Turn{
		{Contains: []commissary.Allergen{milk}},
		{Contains: []commissary.Allergen{milk, nut}},
		{Contains: []commissary.Allergen{milk}, Washed: true},
		{Contains: []commissary.Allergen{nut}},
		{},
	}))
	require.Empty(t, MayContain(nil, nil))
}

// A row of batches in which each may follow the one before carries nothing
// over, and the other way round.
func TestMayFollowAgreesWithMayContain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		some := rapid.SliceOfNDistinct(rapid.SampledFrom(commissary.Allergens()[:5]), 0, 4, rapid.ID)
		turns := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Turn {
			return Turn{some.Draw(t, "contains"), rapid.Bool().Draw(t, "washed")}
		}), 1, 6).Draw(t, "turns")
		follows := true
		for i := 1; i < len(turns); i++ {
			follows = follows && (turns[i].Washed || MayFollow(turns[i-1].Contains, turns[i].Contains))
		}
		carries := false
		for _, extra := range MayContain(nil, turns) {
			carries = carries || len(extra) > 0
		}
		require.Equal(t, follows, !carries)
	})
}
