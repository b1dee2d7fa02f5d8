package formula

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func line(t testing.TB, s Sheet, id string) SheetLine {
	for _, l := range s.Lines {
		if l.ID() == id {
			return l
		}
	}
	require.FailNow(t, "no line for "+id)
	return SheetLine{}
}

// A batch of 57 kg at 0.35 % has about 121 g of yeast, which a floor scale of
// 50 g would turn into 100 g. Common practice, no source.
func TestEachLineOnItsOwnScale(t *testing.T) {
	s, err := Weigh(pantry(), dough(t, "flour 100, water 62, salt 2.5, yeast 0.35"), 57*kg)
	require.NoError(t, err)
	want := map[string]struct {
		mass  quantity.Mass
		scale string
	}{
		"flour": {34_600 * g, "floor"},        // 57 kg ÷ 1.6485 = 34.577 kg, stepped up
		"water": {21_450 * g, "floor"},        // 21.438
		"salt":  {865 * g, "bench"},           // 864.4 g
		"yeast": {mass(t, "121.1 g"), "gram"}, // 121.02 g of 57 kg, 121.10 g of what the flour's step makes of it
	}
	var sum quantity.Mass
	for _, l := range s.Lines {
		require.Equal(t, want[l.ID()].mass, l.Mass, l.ID())
		require.Equal(t, want[l.ID()].scale, l.Scale, l.ID())
		require.Equal(t, 1, l.Weighings)
		sum += l.Mass
	}
	require.Equal(t, sum, s.Mass)
	require.Equal(t, mass(t, "36.1 g"), s.Surplus)

	coarse := pantry()
	coarse.Scales = coarse.Scales[:1]
	_, err = Weigh(coarse, dough(t, "flour 100, water 62, salt 2.5, yeast 0.35"), 57*kg)
	require.Equal(t, "ROUNDING_TOO_COARSE", reason(t, err))
	require.ErrorContains(t, err, "yeast")
	require.ErrorContains(t, err, "turns 121.019 g into 100 g")
}

func reason(t require.TestingT, err error) string {
	require.Error(t, err)
	var e *commissary.Error
	require.ErrorAs(t, err, &e)
	return e.Reason
}

func TestNamedScaleAndLargeLines(t *testing.T) {
	b := pantry()
	for i := range b.Ingredients {
		if b.Ingredients[i].ID == "salt" {
			b.Ingredients[i].Scale = "gram"
		}
	}
	s, err := Weigh(b, dough(t, "flour 100, water 60, salt 2"), 324*kg)
	require.NoError(t, err)
	require.Equal(t, "gram", line(t, s, "salt").Scale)
	require.Equal(t, 8, line(t, s, "salt").Weighings, "4 kg on a scale that holds 500 g")
	require.Equal(t, "floor", line(t, s, "flour").Scale)
	require.Equal(t, 2, line(t, s, "flour").Weighings, "200 kg on a scale that holds 150 kg")

	b.Scales = nil
	s, err = Weigh(b, dough(t, "flour 100, water 60, salt 2"), 12_345_678)
	require.NoError(t, err)
	require.Zero(t, s.Surplus, "without scales nothing is stepped")
}

func TestAddingOrder(t *testing.T) {
	b := pantry(poolish(t, "poolish", "flour 100, water 100"))
	f := dough(t, "flour 100, water 62, salt 2.5, yeast 0.35, oil 2")
	f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: percent(t, "20"), DaysBefore: 1}}
	order := func() (ids []string) {
		s, err := Weigh(b, f, 50*kg)
		require.NoError(t, err)
		for _, l := range s.Lines {
			ids = append(ids, l.ID())
		}
		return ids
	}
	require.Equal(t, []string{"poolish", "flour", "water", "salt", "yeast", "oil"}, order())
	f.Order = []string{"water", "yeast", "flour", "salt", "oil"}
	require.Equal(t, []string{"poolish", "water", "yeast", "flour", "salt", "oil"}, order(), "a preferment that is not named goes in first")
	f.Order = []string{"water", "poolish", "flour"}
	require.Equal(t, []string{"water", "poolish", "flour", "salt", "yeast", "oil"}, order(), "what is not named goes in last")
}

// The flour tipped in the final mix is stepped up to whole half sacks, not the
// total flour: the poolish's was weighed yesterday.
func TestSacks(t *testing.T) {
	b := pantry(poolish(t, "poolish", "flour 100, water 100"))
	f := dough(t, "flour 100, water 62, salt 2.5, yeast 0.35")
	f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: percent(t, "20"), DaysBefore: 1}}
	f.Sack = mass(t, "12.5 kg")
	s, err := Weigh(b, f, 57*kg)
	require.NoError(t, err)
	// 57 kg holds 34.577 kg of flour, 27.66 of them tipped: three half sacks.
	require.Equal(t, mass(t, "37.5 kg"), line(t, s, "flour").Mass)
	// 37.5 ÷ 0.8 = 46.875 kg of flour, × 1.6485 = 77.27 kg of dough.
	require.InDelta(t, int64(mass(t, "77.27 kg")), int64(s.Mass), float64(100*g))
	require.Equal(t, s.Mass-57*kg, s.Surplus)
	again, err := Weigh(b, f, s.Mass)
	require.NoError(t, err)
	require.Equal(t, s.Lines, again.Lines)
}

// Where all flour is prefermented the rounding goes to water; where water is
// used up as well nothing may take it.
func TestRoundingWithoutFlourInTheFinalMix(t *testing.T) {
	b := pantry(poolish(t, "sponge", "flour 100, water 60"), poolish(t, "all", "flour 100, water 70"))
	f := dough(t, "flour 100, water 70, salt 2, sugar 5")
	f.Preferments = []commissary.PrefermentShare{{Formula: "sponge", Flour: quantity.Whole, DaysBefore: 1}}
	s, err := Weigh(b, f, 53_100*g)
	require.NoError(t, err)
	for _, id := range []string{"sponge", "salt", "sugar"} {
		l := line(t, s, id)
		require.Equal(t, l.Exact.RoundTo(l.Division, quantity.Nearest), l.Mass, id)
	}
	f.Preferments[0].Formula = "all"
	_, err = Weigh(b, f, 53_100*g)
	require.ErrorContains(t, err, "neither flour nor water")
}

// Preps are shares of the input mass, and their largest line, what they are
// made of, takes the rounding.
func TestPreps(t *testing.T) {
	sauce := commissary.Formula{ID: "sauce", Kind: commissary.Prep, Lines: lines(t, "tomato 95, oil 3, salt 1.2, sugar 0.8"), Yield: percent(t, "92"), Loss: percent(t, "1")}
	b := pantry(sauce)
	s, err := Weigh(b, sauce, 20_017*g)
	require.NoError(t, err)
	require.Zero(t, line(t, s, "tomato").Mass%(50*g))
	require.Equal(t, mass(t, "19.05 kg"), line(t, s, "tomato").Mass, "95 % is 19.016 kg, stepped up, and the batch follows to 20.05 kg")
	require.Equal(t, 600*g, line(t, s, "oil").Mass, "3 % is 601.6 g")
	require.Equal(t, mass(t, "240.6 g"), line(t, s, "salt").Mass, "1.2 %")
	require.Zero(t, s.Flour)

	// 12 packs of 1.5 kg are 18 kg; ÷ 0.99 ÷ 0.92.
	input, err := MassForPieces(sauce, 12, 1500*g)
	require.NoError(t, err)
	require.Equal(t, quantity.Mass(19_762_846), input)
	n, err := PiecesFrom(sauce, input, 1500*g)
	require.NoError(t, err)
	require.Equal(t, quantity.Pieces(12), n)

	// A prep may be an ingredient of another.
	mix := commissary.Formula{ID: "mix", Kind: commissary.Prep, Lines: []commissary.FormulaLine{{Prep: "sauce", Share: percent(t, "80")}, {Ingredient: "cheese", Share: percent(t, "20")}}}
	s, err = Weigh(b, mix, 10*kg)
	require.NoError(t, err)
	require.Equal(t, 8*kg, line(t, s, "sauce").Mass)
	require.Equal(t, 2*kg, line(t, s, "cheese").Mass)
}

// A preferment is stirred with what sticks to the tub on top: 2 % of the mixed
// mass, common practice, no source.
func TestPrefermentBatch(t *testing.T) {
	p := poolish(t, "poolish", "flour 100, water 100, yeast 0.1")
	p.Loss = percent(t, "2")
	stir, err := ToMix(p, 9_800*g)
	require.NoError(t, err)
	require.Equal(t, 10*kg, stir)
	s, err := Weigh(pantry(p), p, stir)
	require.NoError(t, err)
	// Half of 9.995 kg each: water rounds to 5 kg and the rest falls on flour.
	require.Equal(t, 5*kg, line(t, s, "water").Mass)
	require.Equal(t, 4_995*g, line(t, s, "flour").Mass)
	require.Zero(t, s.Surplus)
	require.Equal(t, 5*g, line(t, s, "yeast").Mass)
}

// Dough mass = pieces × ball ÷ (1 − loss), by hand: 160 × 250 g = 40 kg, ÷ 0.98
// = 40.816 326 53... kg, up to the milligram.
func TestMassForPieces(t *testing.T) {
	f := dough(t, "flour 100, water 60")
	f.Loss = percent(t, "2")
	m, err := MassForPieces(f, 160, 250*g)
	require.NoError(t, err)
	require.Equal(t, quantity.Mass(40_816_327), m)
	f.Loss = quantity.Whole
	_, err = MassForPieces(f, 160, 250*g)
	require.ErrorContains(t, err, "below 100 %")
	_, err = MassForPieces(dough(t, "flour 100"), quantity.MaxPieces, quantity.MaxMass)
	require.ErrorIs(t, err, quantity.ErrOverflow)
	_, err = PiecesFrom(dough(t, "flour 100"), kg, 0)
	require.Error(t, err)
}

func TestPiecesComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := commissary.Formula{ID: "f", Kind: commissary.Prep,
			Loss:  quantity.PPM(rapid.Int64Range(0, 900_000).Draw(t, "loss")),
			Yield: quantity.PPM(rapid.Int64Range(1_000, 1_500_000).Draw(t, "yield"))}
		n := quantity.Pieces(rapid.Int64Range(1, 10_000).Draw(t, "pieces"))
		each := quantity.Mass(rapid.Int64Range(int64(g), int64(5*kg)).Draw(t, "each"))
		m, err := MassForPieces(f, n, each)
		require.NoError(t, err)
		got, err := PiecesFrom(f, m, each)
		require.NoError(t, err)
		// A yield above 100 % leaves more than a milligram of room, never a piece.
		require.Equal(t, n, got)
		less, err := PiecesFrom(f, m-1, each)
		require.NoError(t, err)
		require.Equal(t, n-1, less, "a milligram less does not give the last piece")
	})
}

// anyDough draws a formula a kitchen could write, with or without a preferment.
func anyDough(t *rapid.T) (commissary.Book, commissary.Formula) {
	share := func(name string, from, to int64) quantity.PPM {
		return quantity.PPM(rapid.Int64Range(from, to).Draw(t, name))
	}
	some := func(name string, from, to int64) quantity.PPM { // or none at all
		if !rapid.Bool().Draw(t, "with "+name) {
			return 0
		}
		return share(name, from, to)
	}
	rye := some("strong", 100_000, 300_000)
	water := share("water", 450_000, 900_000)
	f := commissary.Formula{ID: "dough", Kind: commissary.Dough, Class: "medium", Lines: []commissary.FormulaLine{
		{Ingredient: "flour", Share: quantity.Whole - rye}, {Ingredient: "strong", Share: rye}, {Ingredient: "water", Share: water},
		{Ingredient: "yeast", Share: share("yeast", 2_000, 20_000)}, {Ingredient: "salt", Share: share("salt", 15_000, 30_000)}, {Ingredient: "milk", Share: some("milk", 10_000, 60_000)},
	}}
	p := commissary.Formula{ID: "poolish", Kind: commissary.Preferment, Lines: []commissary.FormulaLine{
		{Ingredient: "flour", Share: quantity.Whole}, {Ingredient: "water", Share: share("poolish water", 500_000, 1_000_000)}, {Ingredient: "yeast", Share: some("poolish yeast", 500, 2_000)},
	}}
	if rapid.Bool().Draw(t, "with preferment") {
		f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: share("prefermented", 50_000, 400_000), DaysBefore: 1}}
	}
	f.Sack = rapid.SampledFrom([]quantity.Mass{0, 0, mass(t, "12.5 kg"), mass(t, "25 lb")}).Draw(t, "sack")
	return pantry(p), f
}

func TestEverySheet(t *testing.T) {
	refused := 0
	rapid.Check(t, func(t *rapid.T) {
		b, f := anyDough(t)
		wanted := quantity.Mass(rapid.Int64Range(int64(5*kg), int64(250*kg)).Draw(t, "wanted"))
		s, err := Weigh(b, f, wanted)
		if err != nil {
			require.Equal(t, "ROUNDING_TOO_COARSE", reason(t, err))
			refused++
			return
		}
		exact, err := Split(b, f, s.Mass)
		require.NoError(t, err)
		want := append([]Line{}, exact.Final...)
		for _, p := range exact.Preferments {
			want = append(want, Line{Preferment: p.Formula, Mass: p.Mass})
		}

		var sum quantity.Mass
		for _, l := range s.Lines {
			sum += l.Mass
			require.InDelta(t, int64(massOf(t, want, l.ID())), int64(l.Exact), 8, "%s: the split is rounded to add up, the sheet is not", l.ID())
			moved := l.Mass - l.Exact
			require.LessOrEqual(t, max(moved, -moved)*100, l.Exact, "%s moved by more than 1 %%", l.ID())
			if l.Ingredient == "flour" {
				step := l.Division
				if f.Sack > 0 {
					step = f.Sack
				}
				require.Zero(t, l.Mass%step)
				continue
			}
			require.Zero(t, l.Mass%l.Division, l.ID())
			require.LessOrEqual(t, max(moved, -moved)*2, l.Division, "%s takes nothing but its own rounding", l.ID())
		}
		require.Equal(t, sum, s.Mass, "the lines sum to the batch")
		require.GreaterOrEqual(t, s.Mass, wanted)
		require.Equal(t, s.Mass-wanted, s.Surplus)
		if f.Sack == 0 {
			require.Less(t, s.Surplus, 150*g, "no more than a division of flour and what it moves")
		}

		again, err := Weigh(b, f, s.Mass)
		require.NoError(t, err)
		require.Zero(t, again.Surplus)
		require.Equal(t, s.Lines, again.Lines, "a batch that was weighed is weighed the same again")
	})
	t.Logf("%d sheets refused as too coarse", refused)
}

func TestSplitAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, f := anyDough(t)
		m := quantity.Mass(rapid.Int64Range(1, int64(quantity.MaxMass)).Draw(t, "mass"))
		parts, err := Split(b, f, m)
		require.NoError(t, err)
		left := map[string]quantity.Mass{}
		var sum quantity.Mass
		for _, l := range parts.Final {
			left[l.ID()] += l.Mass
			sum += l.Mass
		}
		for _, p := range parts.Preferments {
			var whole quantity.Mass
			for _, l := range p.Lines {
				left[l.ID()] += l.Mass
				whole += l.Mass
			}
			require.Equal(t, whole, p.Mass)
			sum += whole
		}
		require.Equal(t, m, sum)
		for _, l := range parts.Total {
			require.Equal(t, left[l.ID()], l.Mass, "%s: total = final + preferments", l.ID())
		}
	})
}

func TestRefusedSizes(t *testing.T) {
	for _, m := range []quantity.Mass{0, -1, quantity.MaxMass + 1} {
		_, err := Weigh(pantry(), dough(t, "flour 100, water 60"), m)
		require.ErrorContains(t, err, "cannot be weighed")
	}
	_, err := Weigh(pantry(), dough(t, "flour 100, water 62, salt 2.5, yeast 0.35"), 500*g)
	require.Equal(t, "ROUNDING_TOO_COARSE", reason(t, err))
	require.ErrorContains(t, err, "or more")
}
