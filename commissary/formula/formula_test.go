package formula

import (
	"math/big"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

const (
	lb = quantity.Mass(453_592)
	g  = quantity.Gram
	kg = quantity.Kilogram
)

// pantry is a book with plain ingredients and a floor, a bench and a gram scale.
func pantry(formulas ...commissary.Formula) commissary.Book {
	return commissary.Book{
		Kitchen: commissary.Kitchen{RoomTemp: 22 * quantity.Degree, FlourTemp: 20 * quantity.Degree, TapWater: 15 * quantity.Degree},
		Scales: []commissary.Scale{
			{ID: "floor", Division: 50 * g, Holds: 150 * kg},
			{ID: "bench", Division: 5 * g, Holds: 15 * kg},
			{ID: "gram", Division: 100 * quantity.Milligram, Holds: 500 * g},
		},
		Ingredients: []commissary.Ingredient{
			{ID: "flour", Kind: commissary.Flour, Allergens: []commissary.Allergen{"wheat"}},
			{ID: "strong", Kind: commissary.Flour, Strong: true, Allergens: []commissary.Allergen{"wheat"}},
			{ID: "water", Kind: commissary.Water},
			{ID: "yeast", Kind: commissary.Yeast},
			{ID: "salt", Kind: commissary.Salt},
			{ID: "oil", Kind: commissary.Other},
			{ID: "sugar", Kind: commissary.Other},
			{ID: "milk", Kind: commissary.Other, Allergens: []commissary.Allergen{"milk"}},
			{ID: "seed", Kind: commissary.Other},
			{ID: "tomato", Kind: commissary.Other},
			{ID: "cheese", Kind: commissary.Other, Allergens: []commissary.Allergen{"milk"}},
		},
		Formulas: formulas,
	}
}

func percent(t require.TestingT, s string) quantity.PPM {
	p, err := quantity.ParsePPM(s)
	require.NoError(t, err)
	return p
}

func mass(t require.TestingT, s string) quantity.Mass {
	m, err := quantity.ParseMass(s)
	require.NoError(t, err)
	return m
}

// lines reads "flour 100, water 63, salt 1.75".
func lines(t testing.TB, s string) []commissary.FormulaLine {
	var all []commissary.FormulaLine
	for _, part := range strings.Split(s, ", ") {
		name, share, ok := strings.Cut(part, " ")
		require.True(t, ok, part)
		all = append(all, commissary.FormulaLine{Ingredient: name, Share: percent(t, share)})
	}
	return all
}

func dough(t testing.TB, shares string) commissary.Formula {
	return commissary.Formula{ID: "dough", Kind: commissary.Dough, Class: "medium", Lines: lines(t, shares)}
}

func poolish(t testing.TB, id, shares string) commissary.Formula {
	return commissary.Formula{ID: id, Kind: commissary.Preferment, Lines: lines(t, shares)}
}

// printed requires a mass to show as the source prints it: to so many decimals
// of a gram.
func printed(t testing.TB, want string, got quantity.Mass, msg string) {
	_, decimals, _ := strings.Cut(want, ".")
	require.Equal(t, want, big.NewRat(int64(got), int64(g)).FloatString(len(decimals)), msg)
}

// massOf returns the mass of one line.
func massOf(t require.TestingT, all []Line, id string) quantity.Mass {
	for _, l := range all {
		if l.ID() == id {
			return l.Mass
		}
	}
	require.FailNow(t, "no line for "+id)
	return 0
}

// Published formulas: their total of percentages, and the masses at one size.
func TestPublishedFormulas(t *testing.T) {
	for _, c := range []struct {
		name, source  string
		shares, total string
		flour, dough  string // exactly one is given, the other follows
		want          map[string]string
	}{
		{
			name: "BP-2 pan pizza", source: "pizzamaking.com forum, topic 19129",
			shares: "flour 100, water 67, salt 1.95, yeast 0.4, oil 2, sugar 2", total: "173.35 %", dough: "340.2 g",
			want: map[string]string{"flour": "196.25", "water": "131.49", "salt": "3.83", "yeast": "0.79", "oil": "3.93"},
		},
		{
			name: "BP-4 yield backwards", source: "Dawg House Bakery, Calculating dough yield, 2022",
			shares: "flour 100, water 80, salt 2", total: "182 %", dough: "1340 g",
			want: map[string]string{"flour": "736", "dough": "1340"},
		},
		{
			name: "BP-3 New York dough", source: "Lehmann, pizzamaking.com forum, topic 2699",
			shares: "flour 100, water 63, salt 1.75, yeast 0.25, oil 1", total: "166 %", flour: "50 lb",
			want: map[string]string{"water": "14288.16", "salt": "396.89", "yeast": "56.70", "oil": "226.80", "dough": "37648.17"}, // 31.5 lb, 14 oz, 2 oz, 8 oz, 83 lb
		},
		{
			name: "BP-8 heavy bread", source: "Hobart HL600 manual, p. 22",
			shares: "flour 100, water 55, yeast 2, salt 2.5, sugar 5, oil 5, milk 6", total: "175.5 %", flour: "100 kg",
			want: map[string]string{"dough": "175500"},
		},
		{
			name: "BP-8 pizza", source: "Hobart HL600 manual, p. 22",
			shares: "flour 100, water 50, yeast 1, salt 1.5, oil 2", total: "154.5 %", flour: "100 kg",
			want: map[string]string{"dough": "154500"},
		},
		{
			name: "BP-8 donut", source: "Hobart HL600 manual, p. 22",
			shares: "flour 100, water 65, yeast 5, salt 2.5, sugar 15, oil 15, milk 8", total: "210.5 %", flour: "100 kg",
			want: map[string]string{"dough": "210500"},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			b, f := pantry(), dough(t, c.shares)
			s, err := Overall(b, f)
			require.NoError(t, err)
			require.Equal(t, c.total, s.Total.String(), c.source)
			size := quantity.Mass(0)
			if c.dough != "" {
				size = mass(t, c.dough)
			} else {
				size, err = DoughFor(b, f, mass(t, c.flour))
				require.NoError(t, err)
			}
			parts, err := Split(b, f, size)
			require.NoError(t, err)
			flour, err := FlourFor(b, f, size)
			require.NoError(t, err)
			require.InDelta(t, int64(parts.Flour), int64(flour), 1)
			for id, want := range c.want {
				got := size
				if id != "dough" {
					got = massOf(t, parts.Final, id)
				}
				printed(t, want, got, c.source+": "+id)
			}
		})
	}
	t.Run("BP-3 at 25 lb", func(t *testing.T) {
		size, err := DoughFor(pantry(), dough(t, "flour 100, water 63, salt 1.75, yeast 0.25, oil 1"), mass(t, "25 lb"))
		require.NoError(t, err)
		require.InDelta(t, int64(mass(t, "41.5 lb")), int64(size), 1)
	})
}

// BP-2 with its preferment, which at 100 % hydration weighs 10 % of the flour,
// so that 5 % of the flour is prefermented. The source prints 19.63 g for the
// whole although its parts 9.81 + 9.81 are 19.62: the exact mass is 19.625 g.
func TestPrefermentOfThePanPizza(t *testing.T) {
	b := pantry(poolish(t, "poolish", "flour 100, water 100"))
	f := dough(t, "flour 100, water 67, salt 1.95, yeast 0.4, oil 2, sugar 2")
	f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: percent(t, "5"), DaysBefore: 1}}
	parts, err := Split(b, f, mass(t, "340.2 g"))
	require.NoError(t, err)
	p := parts.Preferments[0]
	printed(t, "9.81", massOf(t, p.Lines, "flour"), "pizzamaking.com, topic 19129")
	printed(t, "9.81", massOf(t, p.Lines, "water"), "pizzamaking.com, topic 19129")
	require.Equal(t, massOf(t, p.Lines, "flour")+massOf(t, p.Lines, "water"), p.Mass, "parts add up before anything is rounded for print")
	require.InDelta(t, 19_625, int64(p.Mass), 1)
	require.Equal(t, 1, p.DaysBefore)
}

// The reverse notation: a preferment stands as an ingredient of the final
// dough, and its flour and water must be counted in.
func TestPrefermentsCountedIn(t *testing.T) {
	for _, c := range []struct {
		name, source string
		preferment   string
		final        []Line
		flour        string // grams
		hydration    string // percent, as printed
		prefermented string
		ignored      string // hydration if the preferment is not counted in
		more         map[string]string
		dough        string
	}{
		{
			name: "BP-1 poolish baguette", source: "Wild Yeast, Baker's percentage 4; flour and share thefreshloaf.com node 31317",
			preferment: "flour 100, water 100, yeast 0.0641",
			final:      []Line{{Ingredient: "flour", Mass: 900 * g}, {Ingredient: "water", Mass: 468 * g}, {Ingredient: "yeast", Mass: 9 * g}, {Ingredient: "salt", Mass: 27 * g}, {Preferment: "levain", Mass: 936_300}},
			flour:      "1368", hydration: "68.42", prefermented: "34.2", ignored: "52", more: map[string]string{"salt": "1.97", "yeast": "0.68"}, dough: "2340.3",
		},
		{
			name: "BP-5 levain", source: "thefreshloaf.com node 69688",
			preferment: "flour 100, water 100",
			final:      []Line{{Ingredient: "flour", Mass: 1000 * g}, {Ingredient: "water", Mass: 750 * g}, {Preferment: "levain", Mass: 200 * g}},
			flour:      "1100", hydration: "77.3", prefermented: "9.1", ignored: "75", dough: "1950",
		},
		{
			name: "BP-6 levain", source: "thefreshloaf.com node 24286",
			preferment: "flour 100, water 100",
			final:      []Line{{Ingredient: "flour", Mass: 375 * g}, {Preferment: "levain", Mass: 225 * g}, {Ingredient: "water", Mass: 283 * g}, {Ingredient: "salt", Mass: 10 * g}},
			flour:      "487.5", hydration: "81", prefermented: "23", ignored: "75", dough: "893",
		},
		{
			name: "BP-7 stiff levain", source: "thefreshloaf.com node 62948",
			preferment: "flour 100, water 60",
			final:      []Line{{Ingredient: "flour", Mass: 1000 * g}, {Ingredient: "water", Mass: 700 * g}, {Preferment: "levain", Mass: 150 * g}, {Ingredient: "salt", Mass: 20 * g}},
			flour:      "1093.75", hydration: "69.1", prefermented: "8.6", ignored: "70", dough: "1870",
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := pantry(poolish(t, "levain", c.preferment))
			f, err := Gather(b, "gathered", c.final)
			require.NoError(t, err)
			s, err := Overall(b, f)
			require.NoError(t, err)
			shown(t, c.hydration, s.Water, c.source+": hydration")
			shown(t, c.prefermented, s.Prefermented, c.source+": share of flour prefermented")
			naive, err := shareOf(massOf(t, c.final, "water"), massOf(t, c.final, "flour"))
			require.NoError(t, err)
			shown(t, c.ignored, naive, c.source+": what it is not")
			for _, l := range f.Lines {
				if want, ok := c.more[l.Ingredient]; ok {
					shown(t, want, l.Share, c.source+": "+l.Ingredient)
				}
			}

			// And forwards again: the gathered formula splits into what was written.
			b.Formulas = append(b.Formulas, f)
			size := mass(t, c.dough+" g")
			parts, err := Split(b, f, size)
			require.NoError(t, err)
			require.InDelta(t, int64(mass(t, c.flour+" g")), int64(parts.Flour), 10)
			for _, l := range c.final {
				var got quantity.Mass
				if l.Preferment != "" {
					got = parts.Preferments[0].Mass
				} else {
					got = massOf(t, parts.Final, l.ID())
				}
				require.InDelta(t, int64(l.Mass), int64(got), 5, "%s: shares are kept to the part per million", l.ID())
			}
		})
	}
}

// shown requires a share to print as the source prints it.
func shown(t testing.TB, want string, got quantity.PPM, msg string) {
	_, decimals, _ := strings.Cut(want, ".")
	require.Equal(t, want, big.NewRat(int64(got), int64(quantity.Percent)).FloatString(len(decimals)), msg)
}

// BP-1 as printed in the preferment-as-ingredient notation: the poolish is
// 200 % of its flour and 936 g, the final dough 260 % of its own flour and
// 2340 g, the 0.3 g of yeast left out of both (Wild Yeast, Baker's percentage 4).
func TestFinalDoughNotation(t *testing.T) {
	b := pantry(poolish(t, "poolish", "flour 100, water 100"))
	s, err := Overall(b, b.Formulas[0])
	require.NoError(t, err)
	require.Equal(t, "200 %", s.Total.String())
	size, err := DoughFor(b, b.Formulas[0], 468*g)
	require.NoError(t, err)
	require.Equal(t, 936*g, size)
	final := quantity.PPM(0)
	for _, m := range []quantity.Mass{900 * g, 468 * g, 9 * g, 27 * g, 936 * g} {
		share, err := shareOf(m, 900*g)
		require.NoError(t, err)
		final += share
	}
	require.Equal(t, "260 %", final.String())
}

// BP-9: per litre of water 1.6 to 1.8 kg of flour is a hydration of 55.6 to
// 62.5 % (AVPN, international regulation).
func TestNeapolitanRange(t *testing.T) {
	for flour, want := range map[quantity.Mass]string{1800 * g: "55.6", 1600 * g: "62.5"} {
		f, err := Gather(pantry(), "napoletana", []Line{{Ingredient: "water", Mass: kg}, {Ingredient: "flour", Mass: flour}, {Ingredient: "salt", Mass: 50 * g}})
		require.NoError(t, err)
		s, err := Overall(pantry(), f)
		require.NoError(t, err)
		shown(t, want, s.Water, "hydration")
	}
}

// BP-10: 30 % of the flour is prefermented and seeds are 10 % of that flour,
// so that they are 3 % of the total.
func TestSeedsInThePreferment(t *testing.T) {
	b := pantry(poolish(t, "soaker", "flour 100, water 100, seed 10"))
	f := dough(t, "flour 100, water 65, seed 3, salt 2")
	f.Preferments = []commissary.PrefermentShare{{Formula: "soaker", Flour: percent(t, "30")}}
	size, err := DoughFor(b, f, 100*kg)
	require.NoError(t, err)
	parts, err := Split(b, f, size)
	require.NoError(t, err)
	require.Equal(t, 3*kg, massOf(t, parts.Preferments[0].Lines, "seed"))
	for _, l := range parts.Final {
		require.NotEqual(t, "seed", l.Ingredient, "all seeds are in the soaker")
	}
}

// "25 % prefermented" of 1000 g of flour is 250 g, with 125 g of water at 50 %
// hydration (thefreshloaf.com, print/16942).
func TestPrefermentedShare(t *testing.T) {
	b := pantry(poolish(t, "biga", "flour 100, water 50"))
	f := dough(t, "flour 100, water 70, salt 2")
	f.Preferments = []commissary.PrefermentShare{{Formula: "biga", Flour: percent(t, "25")}}
	parts, err := Split(b, f, 1720*g)
	require.NoError(t, err)
	require.Equal(t, 250*g, parts.Preferments[0].Flour)
	require.Equal(t, 125*g, massOf(t, parts.Preferments[0].Lines, "water"))
	require.Equal(t, 750*g, massOf(t, parts.Final, "flour"))
	require.Equal(t, 575*g, massOf(t, parts.Final, "water"))
}

// A final line below zero is an error of the formula, usually the water's.
func TestPrefermentsThatHoldTooMuch(t *testing.T) {
	b := pantry(poolish(t, "poolish", "flour 100, water 100"), poolish(t, "seeded", "flour 100, water 50, seed 10"))
	for name, c := range map[string]struct {
		shares, preferment, flour string
		want                      []string
	}{
		"water":                  {"flour 100, water 60, salt 2", "poolish", "70", []string{"water", "70 %", "60 %"}},
		"flour":                  {"flour 60, strong 40, water 80", "poolish", "65", []string{"flour", "65 %", "60 %"}},
		"missing from the total": {"flour 100, water 60", "seeded", "30", []string{"seed", "3 %", "none"}},
		"more than all flour":    {"flour 100, water 120", "poolish", "101", []string{"101 %", "100 %"}},
		"unknown preferment":     {"flour 100, water 60", "biga", "30", []string{`"biga"`, "no preferment"}},
	} {
		f := dough(t, c.shares)
		f.Preferments = []commissary.PrefermentShare{{Formula: c.preferment, Flour: percent(t, c.flour)}}
		for what, try := range map[string]func() error{
			"split": func() error { _, err := Split(b, f, 10*kg); return err },
			"weigh": func() error { _, err := Weigh(b, f, 10*kg); return err },
		} {
			err := try()
			require.Error(t, err, "%s %s", name, what)
			require.Equal(t, commissary.Invalid, commissary.KindOf(err))
			for _, text := range append(c.want, "formula dough") {
				require.ErrorContains(t, err, text, "%s %s", name, what)
			}
		}
	}
}

func TestRefusedFormulas(t *testing.T) {
	for shares, want := range map[string]string{
		"flour 90, water 60":           "add up to 100 %; they add up to 90 %",
		"flour 60, strong 41, water 2": "they add up to 101 %",
		"flour 100, rye 10":            `"rye", which is no ingredient`,
	} {
		_, err := Overall(pantry(), dough(t, shares))
		require.ErrorContains(t, err, want)
	}
	sauce := commissary.Formula{ID: "sauce", Kind: commissary.Prep, Lines: lines(t, "tomato 90, oil 9")}
	_, err := Overall(pantry(), sauce)
	require.ErrorContains(t, err, "must add up to 100 %; they add up to 99 %")

	same := dough(t, "flour 100, water 60")
	same.Preferments = []commissary.PrefermentShare{{Formula: "dough", Flour: percent(t, "10")}}
	_, err = Split(pantry(same), same, kg)
	require.ErrorContains(t, err, "on the same day")
}

// Old dough is held back from yesterday's, and a starter is fed from itself:
// both count like any preferment.
func TestOldDough(t *testing.T) {
	f := dough(t, "flour 100, water 60, salt 2, yeast 0.3")
	f.Preferments = []commissary.PrefermentShare{{Formula: "dough", Flour: percent(t, "10"), DaysBefore: 1}}
	parts, err := Split(pantry(f), f, mass(t, "162.3 kg"))
	require.NoError(t, err)
	require.Equal(t, mass(t, "16.23 kg"), parts.Preferments[0].Mass)
	require.Equal(t, 90*kg, massOf(t, parts.Final, "flour"))
	require.Equal(t, 270*g, massOf(t, parts.Final, "yeast"))
}
