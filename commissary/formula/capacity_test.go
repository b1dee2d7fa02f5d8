package formula

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// mixer is a vessel with one row for the class "medium".
func mixer(row commissary.CapacityRow, deratings ...commissary.Derating) commissary.Vessel {
	row.Class = "medium"
	if row.Basis == "" {
		row.Basis = commissary.OfDough
	}
	return commissary.Vessel{ID: "mixer", Capacity: []commissary.CapacityRow{row}, Deratings: deratings, SmallestPPM: 300_000}
}

// warm is water that derates nothing.
var warm = Water{Needed: 25 * quantity.Degree}

// Varimixer AR100 manual: solids = capacity × 100 ÷ (absorption + 100); 70 kg
// at 60 % is 43.75 kg of solids and 26.25 kg of liquid.
func TestMakersSplit(t *testing.T) {
	plain := dough(t, "flour 100, water 60")
	fill, err := Capacity(pantry(), mixer(commissary.CapacityRow{Max: 70 * kg, Basis: commissary.OfFlourWater}), plain, false, warm)
	require.NoError(t, err)
	require.Equal(t, 70*kg, fill.Largest, "flour and water are all there is")
	parts, err := Split(pantry(), plain, fill.Largest)
	require.NoError(t, err)
	require.Equal(t, mass(t, "43.75 kg"), massOf(t, parts.Final, "flour"))
	require.Equal(t, mass(t, "26.25 kg"), massOf(t, parts.Final, "water"))

	// With salt and oil the dough is more than flour and water: 70 × 167 ÷ 160.
	rich := dough(t, "flour 100, water 60, salt 2, oil 5")
	fill, err = Capacity(pantry(), mixer(commissary.CapacityRow{Max: 70 * kg, Basis: commissary.OfFlourWater}), rich, false, warm)
	require.NoError(t, err)
	require.Equal(t, mass(t, "73.0625 kg"), fill.Largest)
	fill, err = Capacity(pantry(), mixer(commissary.CapacityRow{Max: 70 * kg, Basis: commissary.OfDough}), rich, false, warm)
	require.NoError(t, err)
	require.Equal(t, 70*kg, fill.Largest)
}

// The real absorption of charts that print flour and water (Fargo CE-3401XG,
// identical Axis AX-M40; Hobart HSM10): some labels are wrong, so that the
// masses and not the labels must be believed.
func TestChartsOfFlourAndWater(t *testing.T) {
	for _, c := range []struct {
		name, flour, water, hydration string
	}{
		{"Fargo, bread 60 %", "25 lb", "15 lb", "60.0"},
		{"Fargo, heavy 55 %", "20 lb", "11 lb", "55.0"},
		{"Fargo, thin pizza 40 %", "15 lb", "6 lb", "40.0"},
		{"Fargo, medium pizza, labelled 50 %", "20 lb", "11 lb", "55.0"},
		{"Fargo, thick pizza 60 %", "20 lb", "12 lb", "60.0"},
		{"Fargo, donut, labelled 65 %", "15 lb", "10 lb", "66.7"},
		{"Fargo, whole wheat 70 %", "25 lb", "17.5 lb", "70.0"},
		{"HSM10, light, labelled 65 %", "2.7 kg", "1.8 kg", "66.7"},
		{"HSM10, heavy 50 %", "2 kg", "1 kg", "50.0"},
		{"HSM10, pizza, labelled 40 %", "1.6 kg", "0.65 kg", "40.6"},
	} {
		f, err := Gather(pantry(), "chart", []Line{{Ingredient: "flour", Mass: mass(t, c.flour)}, {Ingredient: "water", Mass: mass(t, c.water)}})
		require.NoError(t, err)
		s, err := Overall(pantry(), f)
		require.NoError(t, err)
		shown(t, c.hydration, s.Water, c.name)
	}
}

// Hobart HL600 manual: a dough drier than the row's is derated by actual ÷
// listed absorption. Thin pizza 40 lb at 40 %; at 30 % it is 75 %, 30 lb (18.2
// kg becomes 13.6).
func TestLowAbsorption(t *testing.T) {
	listed := percent(t, "40")
	for _, c := range []struct{ largest, want string }{{"40 lb", "30 lb"}, {"18.2 kg", "13.65 kg"}} {
		fill, err := Capacity(pantry(), mixer(commissary.CapacityRow{Max: mass(t, c.largest), Listed: listed}), dough(t, "flour 100, water 30"), false, warm)
		require.NoError(t, err)
		require.InDelta(t, int64(mass(t, c.want)), int64(fill.Largest), 1)
		require.Equal(t, []Cut{{CutLowAbsorption, percent(t, "75")}}, fill.Cuts)
	}
	// Oil is not water, a preferment's water is: 20 % in the dough and 20 % in the sponge are 40 %.
	b := pantry(poolish(t, "sponge", "flour 100, water 100"))
	f := dough(t, "flour 100, water 40, oil 5")
	f.Preferments = []commissary.PrefermentShare{{Formula: "sponge", Flour: percent(t, "20")}}
	fill, err := Capacity(b, mixer(commissary.CapacityRow{Max: 40 * lb, Listed: listed}), f, false, warm)
	require.NoError(t, err)
	require.Empty(t, fill.Cuts)
}

// Published deratings: high-gluten flour −10 % (Metcalfe, Centaur, Univex,
// Hobart HL600) or −25 % (Hobart HSM10); water below 70 °F or ice −10 %
// (Centaur, Metcalfe), below 65 °F −10 % (Univex), −15 to −20 % (Hobart HL600).
// No maker says how two combine: multiplied, by choice.
func TestDeratings(t *testing.T) {
	cold := func(below, factor string) commissary.Derating {
		limit, err := quantity.ParseTemp(below)
		require.NoError(t, err)
		return commissary.Derating{Cause: commissary.ColdWater, Below: limit, Factor: percent(t, factor)}
	}
	strong := func(factor string) commissary.Derating {
		return commissary.Derating{Cause: commissary.StrongFlour, Factor: percent(t, factor)}
	}
	at := func(s string, ice quantity.PPM) Water {
		needed, err := quantity.ParseTemp(s)
		require.NoError(t, err)
		return Water{Needed: needed, Ice: ice}
	}
	plain, highGluten := "flour 100, water 50", "flour 90, strong 10, water 50"
	for _, c := range []struct {
		name      string
		deratings []commissary.Derating
		shares    string
		water     Water
		want      string // of 100 kg
		cuts      int
	}{
		{"Centaur, water at 70 °F", []commissary.Derating{cold("70 °F", "90")}, plain, at("70 °F", 0), "100 kg", 0},
		{"Centaur, water below", []commissary.Derating{cold("70 °F", "90")}, plain, at("69 °F", 0), "90 kg", 1},
		{"Centaur, ice", []commissary.Derating{cold("70 °F", "90")}, plain, at("75 °F", 1), "90 kg", 1},
		{"Univex, not cold yet", []commissary.Derating{cold("65 °F", "90")}, plain, at("66 °F", 0), "100 kg", 0},
		{"Univex, cold", []commissary.Derating{cold("65 °F", "90")}, plain, at("64 °F", 0), "90 kg", 1},
		{"HL600, cold", []commissary.Derating{cold("18 °C", "80")}, plain, at("17 °C", 0), "80 kg", 1},
		{"Metcalfe, strong flour", []commissary.Derating{strong("90")}, highGluten, warm, "90 kg", 1},
		{"Metcalfe, plain flour", []commissary.Derating{strong("90")}, plain, warm, "100 kg", 0},
		{"HSM10, strong flour", []commissary.Derating{strong("75")}, highGluten, warm, "75 kg", 1},
		{"Centaur, both", []commissary.Derating{cold("70 °F", "90"), strong("90")}, highGluten, at("60 °F", 0), "81 kg", 2},
	} {
		fill, err := Capacity(pantry(), mixer(commissary.CapacityRow{Max: 100 * kg}, c.deratings...), dough(t, c.shares), false, c.water)
		require.NoError(t, err)
		require.Equal(t, mass(t, c.want), fill.Largest, c.name)
		require.Len(t, fill.Cuts, c.cuts, c.name)
		require.Equal(t, 30*kg, fill.Smallest, "a derating does not move the smallest fill")
	}
}

// Charts are not monotone in absorption (Metcalfe MP60; Centaur MAC60 at second
// speed half the batch): the row of the class counts and nothing between rows.
func TestRowsAreLookedUp(t *testing.T) {
	v := commissary.Vessel{ID: "mp60", Capacity: []commissary.CapacityRow{
		{Class: "thin", Max: 18 * kg, Basis: commissary.OfDough, MaxMix: 5 * quantity.Minute},
		{Class: "medium", Max: 32 * kg, Basis: commissary.OfDough},
		{Class: "heavy", Max: 30 * kg, Basis: commissary.OfDough},
		{Class: "bread", Max: 26 * kg, Basis: commissary.OfDough},
		{Class: "thick", Max: mass(t, "31.7 kg"), Basis: commissary.OfDough},
		{Class: "donut", Max: 17 * kg, Basis: commissary.OfDough, Second: true},
		{Class: "medium", Max: 16 * kg, Basis: commissary.OfDough, Second: true},
	}}
	for _, c := range []struct {
		class, shares string
		second        bool
		want          string
	}{
		{"thin", "flour 100, water 40", false, "18 kg"},
		{"medium", "flour 100, water 50", false, "32 kg"},
		{"medium", "flour 100, water 50", true, "16 kg"},
		{"heavy", "flour 100, water 55", false, "30 kg"},
		{"bread", "flour 100, water 60", false, "26 kg"}, // wetter than heavy, and yet less
		{"thick", "flour 100, water 60", false, "31.7 kg"},
		{"donut", "flour 100, water 65", false, "17 kg"},
		{"donut", "flour 100, water 65", true, "17 kg"},
		{"bread", "flour 100, water 57.5", false, "26 kg"}, // between two rows
	} {
		f := dough(t, c.shares)
		f.Class = c.class
		fill, err := Capacity(pantry(), v, f, c.second, warm)
		require.NoError(t, err)
		require.Equal(t, mass(t, c.want), fill.Largest, "%s second %v", c.class, c.second)
		require.Equal(t, c.class, fill.Row.Class)
	}
	f := dough(t, "flour 100, water 40")
	f.Class = "thin"
	_, err := Capacity(pantry(), v, f, true, warm)
	require.Equal(t, "SPEED_NOT_ALLOWED", reason(t, err))
	f.Class = "rye"
	_, err = Capacity(pantry(), v, f, false, warm)
	require.Equal(t, "CLASS_NOT_ALLOWED", reason(t, err))
	_, err = Capacity(pantry(), commissary.Vessel{ID: "bowl"}, f, false, warm)
	require.Equal(t, "CLASS_NOT_ALLOWED", reason(t, err), "a vessel without table and volume holds nothing")
}

// A tub of 40 l holds 16 kg of a poolish that rises to 2.5 times its volume,
// at a litre per kilogram when stirred (an assumption, no source).
func TestTubs(t *testing.T) {
	p := poolish(t, "poolish", "flour 100, water 100")
	p.Class, p.Rise = "poolish", percent(t, "250")
	tub := commissary.Vessel{ID: "tub", Volume: 40_000, SmallestPPM: 100_000}
	fill, err := Capacity(pantry(), tub, p, false, warm)
	require.NoError(t, err)
	require.Equal(t, 16*kg, fill.Largest)
	require.Equal(t, mass(t, "1.6 kg"), fill.Smallest)
	require.Equal(t, []Cut{{CutRise, percent(t, "40")}}, fill.Cuts)

	tub.Capacity = []commissary.CapacityRow{{Class: "poolish", Max: 12 * kg, Basis: commissary.OfDough}}
	fill, err = Capacity(pantry(), tub, p, false, warm)
	require.NoError(t, err)
	require.Equal(t, 12*kg, fill.Largest, "the table binds before the rim")
	require.Empty(t, fill.Cuts)

	p.Rise = 0
	tub.Capacity = nil
	fill, err = Capacity(pantry(), tub, p, false, warm)
	require.NoError(t, err)
	require.Equal(t, 40*kg, fill.Largest, "without a stated rise the volume stays")
}

func TestCutsOnlyLower(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, f := anyDough(t)
		most := quantity.Mass(rapid.Int64Range(int64(kg), int64(200*kg)).Draw(t, "most"))
		row := commissary.CapacityRow{Max: most, Basis: commissary.OfDough, Listed: quantity.PPM(rapid.Int64Range(0, 700_000).Draw(t, "listed"))}
		ds := []commissary.Derating{
			{Cause: commissary.ColdWater, Below: 20 * quantity.Degree, Factor: quantity.PPM(rapid.Int64Range(500_000, 1_000_000).Draw(t, "cold"))},
			{Cause: commissary.StrongFlour, Factor: quantity.PPM(rapid.Int64Range(500_000, 1_000_000).Draw(t, "strong"))},
		}
		water := Water{Needed: quantity.Temp(rapid.Int32Range(-5_000, 40_000).Draw(t, "water"))}
		fill, err := Capacity(b, mixer(row, ds...), f, false, water)
		require.NoError(t, err)
		// The same by hand: the product of all cuts, in any order, to a milligram for each.
		left := float64(most)
		for _, c := range fill.Cuts {
			left *= float64(c.Factor) / float64(quantity.Whole)
		}
		require.InDelta(t, left, float64(fill.Largest), float64(most)*1e-6+3)
		require.LessOrEqual(t, fill.Largest, most)
		colder := water
		colder.Needed -= 5_000
		less, err := Capacity(b, mixer(row, ds...), f, false, colder)
		require.NoError(t, err)
		require.LessOrEqual(t, less.Largest, fill.Largest, "colder water never gives room")
	})
}
