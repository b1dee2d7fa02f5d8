package ferment

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func TestJudgeKnowsEveryModel(t *testing.T) {
	require.Empty(t, Judge(commissary.Book{}), "the default")
	for _, m := range Models() {
		require.Empty(t, Judge(commissary.Book{Kitchen: commissary.Kitchen{Model: string(m)}}))
	}
	faults := Judge(commissary.Book{Kitchen: commissary.Kitchen{Model: "magic"},
		Ingredients: []commissary.Ingredient{{ID: "y", Kind: commissary.Yeast, Yeast: "wild"}, {ID: "salt", Kind: commissary.Salt}}})
	require.Len(t, faults, 2)
	require.Equal(t, "kitchen.model", faults[0].Where)
	require.Contains(t, faults[0].Text, "q10_bread")
	require.Equal(t, "ingredients.y.yeast", faults[1].Where)
}

// 0.3 % fresh and 0.126 % active dry are 0.096 % instant each: the heads of the chart.
func TestYeastedAddsTypesUp(t *testing.T) {
	b := commissary.Book{Ingredients: []commissary.Ingredient{{ID: "f", Kind: commissary.Yeast, Yeast: "fresh"},
		{ID: "d", Kind: commissary.Yeast, Yeast: "active_dry"}, {ID: "x", Kind: commissary.Yeast}, {ID: "flour", Kind: commissary.Flour}}}
	f := commissary.Formula{Lines: []commissary.FormulaLine{{Ingredient: "flour", Share: quantity.Whole}, {Ingredient: "f", Share: 3000}, {Ingredient: "d", Share: 1260}}}
	dose, assumed, err := Yeasted(b, f, ChartHeads)
	require.NoError(t, err)
	require.False(t, assumed)
	require.Equal(t, quantity.PPM(1920), dose)
	f.Lines = append(f.Lines, commissary.FormulaLine{Ingredient: "x", Share: 500})
	dose, assumed, err = Yeasted(b, f, ChartHeads)
	require.NoError(t, err)
	require.True(t, assumed)
	require.Equal(t, quantity.PPM(2420), dose)
}
