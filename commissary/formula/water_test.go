package formula

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func temp(t require.TestingT, s string) quantity.Temp {
	v, err := quantity.ParseTemp(s)
	require.NoError(t, err)
	return v
}

func warming(t require.TestingT, s string) quantity.Temp {
	v, err := quantity.ParseTempDifference(s)
	require.NoError(t, err)
	return v
}

// Published sums of the factor method.
func TestFactorMethod(t *testing.T) {
	for _, c := range []struct {
		name, source        string
		target, flour, room string
		preferments         []string
		friction, water     string
	}{
		{"DDT-1", "Lehmann, Pizza Today, June 2018, p. 29", "80 °F", "65 °F", "75 °F", nil, "35 °F", "65 °F"},
		{"DDT-2", "San Francisco Baking Institute, Artisan I notes, 2009", "75 °F", "65 °F", "65 °F", nil, "8 °F", "87 °F"},
		{"DDT-3", "pizzamaking.com forum, topic 14506: 2 °F a minute for 8 minutes", "78 °F", "60 °F", "70 °F", nil, "16 °F", "88 °F"},
		{"DDT-4", "Treatise on Baking, The temperature of the bread dough", "78 °F", "67 °F", "85 °F", nil, "0 °F", "82 °F"},
		{"DDT-5", "Treatise on Baking, The temperature of the bread dough", "78 °F", "62 °F", "72 °F", nil, "0 °F", "100 °F"},
		{"DDT-6", "Cook's Illustrated, Precise water temperature for the perfect loaf", "75 °F", "71 °F", "71 °F", []string{"71 °F"}, "20 °F", "67 °F"},
		{"DDT-8", "allfoodsmagazine.com, Learning desired dough temperature, 2021", "26 °C", "24 °C", "19 °C", []string{"26 °C"}, "0 °C", "35 °C"},
		// With all else at 0 °F the water is the total temperature factor itself.
		{"DDT-9 straight", "Hamelman, Bread, p. 383", "76 °F", "0 °F", "0 °F", nil, "0 °F", "228 °F"},
		{"DDT-9 preferment", "Hamelman, Bread, p. 383", "76 °F", "0 °F", "0 °F", []string{"0 °F"}, "0 °F", "304 °F"},
		{"DDT-10 straight", "the rule of 240, thefreshloaf.com comment 163482", "80 °F", "0 °F", "0 °F", nil, "0 °F", "240 °F"},
		{"DDT-10 preferment", "the rule of 320, thefreshloaf.com comment 163482", "80 °F", "0 °F", "0 °F", []string{"0 °F"}, "0 °F", "320 °F"},
		{"two preferments, n = 5", "by hand: 5 × 24 − (20 + 18 + 22 + 6 + 10)", "24 °C", "18 °C", "20 °C", []string{"22 °C", "6 °C"}, "10 °C", "44 °C"},
	} {
		system := quantity.US
		if strings.HasSuffix(c.target, "C") {
			system = quantity.Metric
		}
		f := Factors{Target: temp(t, c.target), Room: temp(t, c.room), Flour: temp(t, c.flour), Friction: warming(t, c.friction)}
		for _, p := range c.preferments {
			f.Preferments = append(f.Preferments, temp(t, p))
		}
		require.Equal(t, c.water, system.Temp(f.WaterTemp()), "%s: %s", c.name, c.source)
		require.Equal(t, f.Target, f.DoughTemp(f.WaterTemp()), c.name)

		// And turned round: the batch that came out at its target shows the friction factor.
		m := Mixed{Room: f.Room, Flour: f.Flour, Preferments: f.Preferments, Water: f.WaterTemp(), Dough: f.Target}
		require.Equal(t, f.Friction, m.Friction(), c.name)
	}
}

func TestFactorMethodIsMonotone(t *testing.T) {
	degrees := func(name string) *rapid.Generator[quantity.Temp] {
		return rapid.Custom(func(t *rapid.T) quantity.Temp { return quantity.Temp(rapid.Int32Range(-5_000, 45_000).Draw(t, name)) })
	}
	rapid.Check(t, func(t *rapid.T) {
		f := Factors{Target: degrees("target").Draw(t, "t"), Room: degrees("room").Draw(t, "r"), Flour: degrees("flour").Draw(t, "f"), Friction: degrees("friction").Draw(t, "x"),
			Preferments: rapid.SliceOfN(degrees("preferment"), 0, 3).Draw(t, "p")}
		water := f.WaterTemp()
		require.Equal(t, f.Target, f.DoughTemp(water))
		more := quantity.Temp(rapid.Int32Range(1, 10_000).Draw(t, "more"))
		for name, warmer := range map[string]Factors{
			"room": {f.Target, f.Room + more, f.Flour, f.Preferments, f.Friction}, "flour": {f.Target, f.Room, f.Flour + more, f.Preferments, f.Friction},
			"friction": {f.Target, f.Room, f.Flour, f.Preferments, f.Friction + more},
		} {
			require.Equal(t, water-more, warmer.WaterTemp(), "a warmer %s asks for as much colder water", name)
		}
		f.Target += more
		require.Equal(t, water+quantity.Temp(3+len(f.Preferments))*more, f.WaterTemp())
	})
}

// Koerner Co.'s printed table: pounds of ice in a pound of formula water, by
// needed water temperature (rows) and tap (columns), °F. The formula of the
// replacement form agrees with every cell within 0.006. Two cells look like
// misprints, since they leave the run of their neighbours: 45 at tap 70 (0.141;
// the formula gives 0.137) and 35 at tap 50 (0.087; the formula gives 0.093).
func TestPublishedIceTable(t *testing.T) {
	taps := []int{32, 40, 50, 60, 70, 80}
	misprints := map[string]string{"45 at 70": "0.137", "35 at 50": "0.093"}
	cells := 0
	for _, row := range strings.Split(strings.TrimSpace(`
75 - - - - - 0.026
70 - - - - - 0.052
65 - - - - 0.027 0.077
60 - - - - 0.054 0.103
55 - - - 0.028 0.081 0.129
50 - - - 0.057 0.109 0.155
45 - - 0.030 0.086 0.141 0.181
40 - - 0.061 0.115 0.163 0.206
35 - 0.030 0.087 0.143 0.190 0.232
30 0.014 0.065 0.122 0.172 0.217 0.258
25 0.049 0.098 0.152 0.201 0.245 0.288
20 0.083 0.130 0.183 0.230 0.272 0.309
10 0.153 0.195 0.244 0.287 0.326 0.361
0 0.222 0.260 0.305 0.345 0.380 0.416
-30 - - - - - 0.573`), "\n") {
		fields := strings.Fields(row)
		for i, printed := range fields[1:] {
			if printed == "-" {
				continue
			}
			cells++
			cell := fmt.Sprintf("%s at %d", fields[0], taps[i])
			needed, tap := temp(t, fields[0]+" °F"), temp(t, fmt.Sprintf("%d °F", taps[i]))
			ice, err := MeltingIce().Replace(kg, tap, needed)
			require.NoError(t, err)
			published := mass(t, printed+" kg")
			require.InDelta(t, int64(published), int64(ice), 6_000, cell)
			if derived, ok := misprints[cell]; ok {
				require.Equal(t, mass(t, derived+" kg"), ice.RoundTo(g, quantity.Nearest), cell)
			}
		}
	}
	require.Equal(t, 56, cells)
}

// ICE-1, Gisslen, Professional Baking (from memory, the sum checked): 16 lb at
// 65 °F for 58 °F is 10 oz of ice and 15 lb 6 oz of water.
func TestIceInPounds(t *testing.T) {
	ice, err := MeltingIce().Replace(mass(t, "16 lb"), temp(t, "65 °F"), temp(t, "58 °F"))
	require.NoError(t, err)
	require.Equal(t, "10 oz", quantity.US.Mass(ice.RoundTo(mass(t, "1 oz"), quantity.Nearest)))
	part, err := MeltingIce().Replace(quantity.Mass(quantity.Whole), temp(t, "65 °F"), temp(t, "58 °F"))
	require.NoError(t, err)
	liquid, solid, err := Water{Ice: quantity.PPM(part)}.Split(mass(t, "16 lb"), mass(t, "1 oz"))
	require.NoError(t, err)
	require.Equal(t, "15 lb 6 oz", quantity.US.Mass(liquid))
	require.Equal(t, mass(t, "16 lb"), liquid+solid)
}

// ICE-2, a published trap (Argyriou, A simple calculation): 40 kg, tap 20 °C,
// needed 10 °C. The published answer, 4.4 kg of ice and 35.6 kg of water, uses
// the sum for added ice and calls it replacement: the blend comes to 9.0 °C.
// Replaced it is 4.00 kg; added, to 40 kg, 4.45. The source's latent heat is
// 334.6 ÷ 4.186 = 79.93 °C.
func TestReplacedAndAddedIce(t *testing.T) {
	ice := Ice{Melt: 79_930}
	replaced, err := ice.Replace(40*kg, temp(t, "20 °C"), temp(t, "10 °C"))
	require.NoError(t, err)
	require.Equal(t, 4*kg, replaced.RoundTo(10*g, quantity.Nearest))
	added, err := ice.Add(40*kg, temp(t, "20 °C"), temp(t, "10 °C"))
	require.NoError(t, err)
	require.Equal(t, mass(t, "4.45 kg"), added.RoundTo(10*g, quantity.Nearest))

	blend, err := ice.Blend(40*kg-replaced, temp(t, "20 °C"), replaced)
	require.NoError(t, err)
	require.Equal(t, "10 °C", blend.String())
	blend, err = ice.Blend(40*kg, temp(t, "20 °C"), added)
	require.NoError(t, err)
	require.Equal(t, "10 °C", blend.String())
	blend, err = ice.Blend(mass(t, "35.6 kg"), temp(t, "20 °C"), mass(t, "4.4 kg"))
	require.NoError(t, err)
	require.Equal(t, "9 °C", blend.String(), "the published answer is too cold")
}

// ICE-3, a published trap (Arduino forum, 2018): 30 l from 25 to 20 °C with
// ice at −18 °C added. The terms given, 2.108 × 18 + 334 + 4.187 × 20 = 455.684
// J/g, lead to 1378 g and not to the published 1383.
func TestIceColderThanFreezing(t *testing.T) {
	ice := Ice{Temp: temp(t, "-18 °C"), Melt: 79_771, Heat: 503_463} // 334 ÷ 4.187 and 2.108 ÷ 4.187
	added, err := ice.Add(30*kg, temp(t, "25 °C"), temp(t, "20 °C"))
	require.NoError(t, err)
	require.Equal(t, 1378*g, added.RoundTo(g, quantity.Nearest))
	replaced, err := ice.Replace(30*kg, temp(t, "25 °C"), temp(t, "20 °C"))
	require.NoError(t, err)
	// 30 × 5 ÷ (25 + 79.77 + 9.06) = 1.3177.
	require.Equal(t, 1318*g, replaced.RoundTo(g, quantity.Nearest))
	for _, part := range []struct{ water, ice quantity.Mass }{{30 * kg, added}, {30*kg - replaced, replaced}} {
		blend, err := ice.Blend(part.water, temp(t, "25 °C"), part.ice)
		require.NoError(t, err)
		require.Equal(t, "20 °C", blend.String())
	}
}

func TestIceIsExactAndMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ice := Ice{Temp: quantity.Temp(rapid.Int32Range(-25_000, 0).Draw(t, "ice")), Melt: 80_000, Heat: 500_000}
		tap := quantity.Temp(rapid.Int32Range(1_000, 30_000).Draw(t, "tap"))
		needed := quantity.Temp(rapid.Int32Range(-30_000, 35_000).Draw(t, "needed"))
		water := quantity.Mass(rapid.Int64Range(int64(kg), int64(500*kg)).Draw(t, "water"))
		replaced, err := ice.Replace(water, tap, needed)
		require.NoError(t, err)
		added, err := ice.Add(water, tap, needed)
		require.NoError(t, err)
		if needed >= tap {
			require.Zero(t, replaced)
			require.Zero(t, added)
			return
		}
		require.LessOrEqual(t, replaced, added, "replacing also takes away warm water")
		blend, err := ice.Blend(water-replaced, tap, replaced)
		require.NoError(t, err)
		require.InDelta(t, int64(needed), int64(blend), 1)
		blend, err = ice.Blend(water, tap, added)
		require.NoError(t, err)
		require.InDelta(t, int64(needed), int64(blend), 1)
		colder, err := ice.Replace(water, tap, needed-1_000)
		require.NoError(t, err)
		require.Greater(t, colder, replaced)
	})
}

func TestWaterAndIceSumToTheLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		division := rapid.SampledFrom([]quantity.Mass{0, 100, 5 * g, 50 * g}).Draw(t, "division")
		line := quantity.Mass(rapid.Int64Range(0, 4_000).Draw(t, "steps")) * max(division, 1)
		w := Water{Ice: quantity.PPM(rapid.Int64Range(0, int64(quantity.Whole)).Draw(t, "ice"))}
		liquid, ice, err := w.Split(line, division)
		require.NoError(t, err)
		require.Equal(t, line, liquid+ice)
		require.True(t, liquid >= 0 && ice >= 0)
		if division > 0 {
			require.Zero(t, liquid%division)
			require.Zero(t, ice%division)
		}
	})
}

// Targets out of reach are refused with what can be had.
func TestReach(t *testing.T) {
	f := Factors{Target: temp(t, "24 °C"), Room: temp(t, "30 °C"), Flour: temp(t, "28 °C"), Friction: warming(t, "14 °C")}
	tap := temp(t, "20 °C")
	// 72 − 72 = 0 °C: a fifth of the water as ice.
	w, err := Reach("dough", f, tap, MeltingIce(), UsualReaches())
	require.NoError(t, err)
	require.Equal(t, Water{Method: ByFactor, Needed: 0, Tap: tap, Ice: 200_000}, w)

	// Most ice brings the water to 20 − 0.573 × 100 = −37.3 °C and the dough to (72 − 37.3) ÷ 3 = 11.6 °C.
	cold := f
	cold.Target = temp(t, "11 °C")
	_, err = Reach("dough", cold, tap, MeltingIce(), UsualReaches())
	require.Equal(t, "DOUGH_TEMPERATURE_OUT_OF_REACH", reason(t, err))
	require.ErrorContains(t, err, "from 11.6 °C to 40.7 °C")
	cold.Target = temp(t, "11.6 °C")
	_, err = Reach("dough", cold, tap, MeltingIce(), UsualReaches())
	require.NoError(t, err, "the coldest dough that is named can be had")

	hot := Factors{Target: temp(t, "35 °C"), Room: temp(t, "15 °C"), Flour: temp(t, "10 °C"), Friction: warming(t, "5 °C")}
	_, err = Reach("dough", hot, tap, MeltingIce(), UsualReaches())
	require.Equal(t, "DOUGH_TEMPERATURE_OUT_OF_REACH", reason(t, err))
	require.ErrorContains(t, err, "to 26.7 °C", "(15 + 10 + 5 + 50) ÷ 3")
	hot.Target = temp(t, "26.6 °C")
	w, err = Reach("dough", hot, tap, MeltingIce(), UsualReaches())
	require.NoError(t, err)
	require.Zero(t, w.Ice)
}

func TestPlannedWater(t *testing.T) {
	b := pantry(poolish(t, "poolish", "flour 100, water 100"))
	f := dough(t, "flour 100, water 62, salt 2")
	v := mixer(commissary.CapacityRow{Max: 60 * kg})
	w, err := PlannedWater(b, v, f, false)
	require.NoError(t, err)
	require.Equal(t, Water{Method: ByTap, Needed: temp(t, "15 °C"), Tap: temp(t, "15 °C")}, w, "no target")

	f.Target = temp(t, "24 °C")
	v.Friction = []commissary.Friction{{Class: "medium", Factor: warming(t, "10 °C")}, {Class: "medium", Second: true, Factor: warming(t, "18 °C")}}
	for _, c := range []struct {
		second bool
		class  string
		want   string
		known  bool
	}{{false, "medium", "20 °C", true}, {true, "medium", "12 °C", true}, {false, "stiff", "12 °C", false}} {
		f.Class = c.class
		w, err = PlannedWater(b, v, f, c.second)
		require.NoError(t, err)
		require.Equal(t, c.want, w.Needed.String(), "72 − (22 + 20 + friction)")
		require.Equal(t, c.known, w.Assumed == "")
	}

	f.Class = "medium"
	f.Preferments = []commissary.PrefermentShare{{Formula: "poolish", Flour: percent(t, "20"), DaysBefore: 1}}
	w, err = PlannedWater(b, v, f, false)
	require.NoError(t, err)
	require.Equal(t, "22 °C", w.Needed.String(), "96 − (22 + 20 + 22 + 10)")
	b.Ingredients[0].Temp = temp(t, "5 °C")
	w, err = PlannedWater(b, v, f, false)
	require.NoError(t, err)
	require.Equal(t, "37 °C", w.Needed.String(), "flour from the cooler")
}

// Capacity follows the water: the same dough fits in winter and is derated in
// summer, when it needs ice.
func TestSeasons(t *testing.T) {
	b := pantry()
	f := dough(t, "flour 100, water 62, salt 2")
	f.Target = temp(t, "24 °C")
	v := mixer(commissary.CapacityRow{Max: 60 * kg}, commissary.Derating{Cause: commissary.ColdWater, Below: temp(t, "70 °F"), Factor: percent(t, "90")})
	v.Friction = []commissary.Friction{{Class: "medium", Factor: warming(t, "12 °C")}}
	for room, want := range map[string]string{"16 °C": "60 kg", "30 °C": "54 kg"} {
		b.Kitchen.RoomTemp, b.Kitchen.FlourTemp = temp(t, room), temp(t, room)
		w, err := PlannedWater(b, v, f, false)
		require.NoError(t, err)
		fill, err := Capacity(b, v, f, false, w)
		require.NoError(t, err)
		require.Equal(t, mass(t, want), fill.Largest, "room at %s, water at %s", room, w.Needed)
	}
}
