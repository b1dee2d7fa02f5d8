package safety

import (
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func TestCautions(t *testing.T) {
	mixer := commissary.Vessel{Kind: "mixer", Capacity: []commissary.CapacityRow{{Max: 36 * quantity.Kilogram}}}
	big := commissary.Vessel{Kind: "mixer", Capacity: []commissary.CapacityRow{{Max: 37 * quantity.Kilogram}}} // 80 lb is 36.3 kg
	for _, row := range []struct {
		formula string
		vessels []commissary.Vessel
		want    []string
	}{
		{"dough", []commissary.Vessel{mixer}, []string{CautionMixer, CautionLift, CautionRawFlour, CautionAllergens}}, // 25 kg sack
		{"starter", nil, []string{CautionRawFlour, CautionAllergens}},
		{"starter", []commissary.Vessel{mixer}, []string{CautionMixer, CautionRawFlour, CautionAllergens}},
		{"starter", []commissary.Vessel{big}, []string{CautionMixer, CautionLift, CautionRawFlour, CautionAllergens}},
		{"garlic-oil", []commissary.Vessel{{Kind: "blender"}}, []string{CautionKnife, CautionOil}},
		{"pesto", []commissary.Vessel{{Kind: "blender"}}, []string{CautionKnife, CautionOil, CautionAllergens}},
		{"pesto", []commissary.Vessel{{Kind: "slicer"}}, []string{CautionKnife, CautionOil, CautionAllergens}},
		{"spread", []commissary.Vessel{{Kind: "kettle"}}, []string{CautionKettle, CautionOil, CautionCooling, CautionAllergens}},
	} {
		cautions, err := Cautions(kitchen(), row.formula, row.vessels...)
		require.NoError(t, err)
		var names []string
		for _, c := range cautions {
			names = append(names, c.Name)
		}
		require.Equal(t, row.want, names, row.formula)
	}

	b := kitchen()
	b.Items = nil
	b.Formulas[2].Cautions = []string{CautionOil, CautionLift} // on the oil, named by hand
	cautions, err := Cautions(b, "garlic-oil")
	require.NoError(t, err)
	require.Len(t, cautions, 2)
	cautions, err = Cautions(b, "pesto")
	require.NoError(t, err)
	require.Len(t, cautions, 2) // oil and allergens, but not the lift

	for formula, text := range map[string]string{"none": `the formula "none"`, "broken": "nothing", "shouting": `the caution "beware" of the formula shouting`} {
		_, err := Cautions(kitchen(), formula)
		require.ErrorContains(t, err, text)
	}
}

func TestCautionsDefer(t *testing.T) {
	for _, c := range AllCautions() {
		require.Regexp(t, "(?i)local (rules|code|food code|labelling law)", c.Text, c.Name)
		require.NotRegexp(t, `(?i)\bsafe`, c.Text, c.Name)
		require.LessOrEqual(t, len(c.Text), 240, "a caution is read at a glance: %s", c.Name)
	}
}
