package book

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func demoBytes(t testing.TB) []byte {
	data, err := os.ReadFile("../../testdata/kitchen.yaml")
	require.NoError(t, err)
	return data
}

func demoBook(t testing.TB) commissary.Book {
	b, err := Read("kitchen.yaml", demoBytes(t))
	require.NoError(t, err)
	return b
}

func TestReadDemoKitchen(t *testing.T) {
	b := demoBook(t)
	require.Len(t, b.Shops, 6)
	require.Len(t, b.Runs, 2)
	sizes := map[string]int{}
	preps := 0
	for _, it := range b.Items {
		sizes[it.Formula]++
	}
	for _, f := range b.Formulas {
		if f.Kind == commissary.Prep {
			preps++
		}
	}
	require.Equal(t, 2, sizes["house-dough"], "two ball sizes of one dough")
	require.Equal(t, 5, preps)
}

// Every field the small book sets arrives where it belongs.
func TestReadSmall(t *testing.T) {
	b, err := Read("small.yaml", []byte(small(t)))
	require.NoError(t, err)

	require.Equal(t, commissary.Kitchen{ID: "main", Name: "Small Kitchen", Zone: "Europe/Rome", Units: quantity.Metric, Jurisdiction: "eu",
		RoomTemp: 22_000, FlourTemp: 20_000, TapWater: 15_000, PlanDays: 3, Dispatch: 5 * 3600}, b.Kitchen)
	require.Equal(t, commissary.Scale{ID: "fine", Division: 10, Holds: 2 * quantity.Kilogram}, b.Scales[2])
	require.Equal(t, []commissary.Container{{ID: "box", Name: "Box", Tare: 1500 * quantity.Gram, Owned: 100, Slots: 1, Crossed: 2}}, b.Containers)
	require.Equal(t, commissary.Ingredient{ID: "flour", Name: "Flour", Kind: commissary.Flour,
		Allergens: []commissary.Allergen{commissary.Wheat}, Pack: 25 * quantity.Kilogram}, b.Ingredients[0])
	require.Equal(t, commissary.Formula{ID: "dough", Name: "Dough", Kind: commissary.Dough, Class: "medium",
		Lines: []commissary.FormulaLine{{Ingredient: "flour", Share: 1_000_000}, {Ingredient: "water", Share: 620_000},
			{Ingredient: "yeast", Share: 2000}, {Ingredient: "salt", Share: 26_000}},
		Preferments: []commissary.PrefermentShare{{Formula: "poolish", Flour: 300_000, DaysBefore: 1}},
		Target:      24_000, MixFirst: 240, MixSecond: 360,
		Steps: []commissary.Step{{Kind: commissary.StepDivide, Bench: "table", Heads: 2}, {Kind: commissary.StepChill, Min: 7200},
			{Kind: commissary.StepNest, Heads: 1, Min: 600}, {Kind: commissary.StepHold}}}, b.Formulas[0])
	require.Equal(t, commissary.Window{Min: 36000, Best: 50400, Band: 10800, Max: 64800}, b.Formulas[1].Ripe)
	require.Equal(t, quantity.PPM(2_500_000), b.Formulas[1].Rise)
	require.Equal(t, quantity.PPM(960_000), b.Formulas[2].Yield)

	require.Equal(t, []commissary.CutOff{{Class: "dough", At: 90_000 + 1800}, {Class: "early", At: 72_000, Days: 1}}, b.CutOffs,
		"up to noon a cut-off lies on the next day")
	require.Equal(t, commissary.Item{ID: "ball", Name: "Ball", Kind: commissary.Ball, Formula: "dough", Mass: 280 * quantity.Gram,
		Window:    commissary.Window{Min: quantity.Day, Best: 2 * quantity.Day, Band: 12 * quantity.Hour, Max: 3 * quantity.Day},
		Container: "box", PerBox: 8, Zone: "cold", CutOff: "dough", Ship: commissary.ShipPolicy{BakeAfter: 2, DeliverBefore: 1}}, b.Items[0])

	require.Equal(t, commissary.Vessel{ID: "mixer", Name: "Mixer", Kind: "mixer", Count: 1, SmallestPPM: 250_000,
		Load: 480, Unload: 300, Scrape: 180, Wash: 1200, Heads: 1,
		Capacity:  []commissary.CapacityRow{{Class: "medium", Second: true, Max: 80 * quantity.Kilogram, Basis: commissary.OfFlourWater, MaxMix: 720}},
		Deratings: []commissary.Derating{{Cause: commissary.ColdWater, Below: 18_000, Factor: 900_000}},
		Friction:  []commissary.Friction{{Class: "medium", Second: true, Factor: 10_000}}}, b.Vessels[0], "18 °F of warming are 10 °C")
	require.EqualValues(t, 75_708, b.Vessels[1].Volume, "20 US gallons of 3.785411784 L")
	require.Equal(t, 2, b.Vessels[1].Count)
	require.Equal(t, []commissary.BenchRate{{Class: "medium", UpTo: 500 * quantity.Gram, PerHour: 300}, {Class: "sauce", PerHour: 60}}, b.Benches[0].Rates)
	require.Equal(t, commissary.ColdStore{Slots: 200, Temp: 3000, Zones: []commissary.Zone{{ID: "cold", Name: "Cold room", Cold: true}}}, b.ColdStore)

	weekdays := civil.EveryDay &^ civil.Weekdays(0).With(time.Sunday)
	require.Equal(t, []commissary.Shift{{ID: "day", Days: weekdays, From: 14_400, To: 46_800, Heads: 4,
		Breaks: []commissary.Break{{From: 28_800, To: 30_600}}}}, b.Shifts)
	shop := b.Shops[0]
	closed := civil.Weekdays(0).With(time.Monday)
	require.Equal(t, []commissary.Service{{Days: civil.EveryDay &^ closed, Hours: commissary.Hours{From: 39_600, To: 90_000}}}, shop.Service,
		"a service that ends at 01:00 ends on the next day")
	require.Equal(t, commissary.Hours{From: 21_600, To: 36_000}, shop.Receiving)
	require.Equal(t, []commissary.Standing{
		{Item: "ball", Days: civil.Weekdays(0).With(time.Tuesday).With(time.Wednesday).With(time.Thursday), Pieces: 40},
		{Item: "ball", Days: civil.Weekdays(0).With(time.Friday).With(time.Saturday).With(time.Sunday), Pieces: 60}}, shop.Standing)
	require.Equal(t, []commissary.Run{{ID: "morning", Name: "Morning", Vehicle: "van", Days: civil.EveryDay, Departs: 23_400,
		Stops: []commissary.Stop{{Shop: "north", Travel: 720, Stay: 900}}}}, b.Runs)
}

// biga is a second preferment for the small book.
const biga = "  biga:\n    name: Biga\n    kind: preferment\n    class: poolish\n    lines: {flour: 100 %, water: 40 %, yeast: 0.1 %}\n    target: 20 °C\n" +
	"    mix: {first: 5 min}\n    ripe: {min: 10 h, best: 14 h, band: 3 h, max: 18 h}\n    rise: 150 %\n"

// What the trade does is taken, though it looks like what is refused.
func TestReadTakes(t *testing.T) {
	for name, changes := range map[string][]change{
		"a starter fed from yesterday's":   {{"    target: 22 °C\n", "    target: 22 °C\n    preferments: {poolish: {flour: 10 %, days_before: 1}}\n"}},
		"a prep in a dough":                {{"      salt: 2.6 %\n", "      salt: 2.6 %\n      sauce: 3 %\n"}},
		"all of the flour prefermented":    {{"poolish: {flour: 30 %", "poolish: {flour: 62 %"}},
		"an age window of days":            {{"max: 72 h", "max: 3 d"}},
		"pounds and degrees Fahrenheit":    {{"max: 80 kg", "max: 176 lb 6 oz"}, {"target: 24 °C", "target: 75.2 °F"}},
		"days as a list":                   {{"days: Mon-Sat", "days: [Mon, Tue-Sat]"}},
		"a shift over midnight":            {{"from: 04:00, to: 13:00", "from: 22:00, to: 06:00"}, {"{from: 08:00, to: 08:30}", "{from: 02:00, to: 02:30}"}},
		"carriage returns and a byte mark": {{"kitchen: {id", "\uFEFFkitchen: {id"}, {"    name: North\n", "    name: North\r\n"}},
		"a formula kept for winter":        {{"cut_offs:\n", biga + "cut_offs:\n"}},
		"a string in quotes":               {{"    name: North\n", "    name: \"North: corner # 3\"\n"}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Read("k.yaml", []byte(edited(t, changes...)))
			require.NoError(t, err)
		})
	}
}

// Faults that need more than one edit.
func TestReadRefusesTogether(t *testing.T) {
	for name, test := range map[string]refusal{
		"preferments hold more than the flour": {
			[]change{{"      poolish: {flour: 30 %, days_before: 1}\n", "      poolish: {flour: 30 %}\n      biga: {flour: 80 %}\n"}, {"cut_offs:\n", biga + "cut_offs:\n"}},
			[]string{`k.yaml:25: formula "dough": its preferments hold 110 % of the flour; at most 100 %`}},
		"two preferments need each other": {
			[]change{{"    target: 22 °C\n", "    target: 22 °C\n    preferments: {biga: {flour: 10 %}}\n"},
				{"cut_offs:\n", biga + "    preferments: {poolish: {flour: 10 %}}\ncut_offs:\n"}},
			[]string{`k.yaml:34: formula "poolish" needs itself on the same day (poolish needs biga needs poolish); take one of them out, or set days_before to 1 for a preferment kept from the day before`}},
		"faults come by line": {
			[]change{{"mass: 280 g", "mass: 280"}, {"zone: Europe/Rome", "zone: Rome"}, {"vehicle: van", "vehicle: bus"}},
			[]string{
				`k.yaml:1: kitchen: "zone": the time zone "Rome" is unknown; write an IANA name, for example "America/New_York"`,
				`k.yaml:57: item "ball": "mass": "280" is not a mass: the unit is missing; write for example "250 g", "12.5 kg" or "2 lb 3 oz"`,
				`k.yaml:92: run "morning": there is no vehicle "bus"; there is only van`}},
		"a kitchen in pounds is told in pounds": {
			[]change{{"units: metric", "units: us"}, {"up_to: 500 g", "up_to: 8 oz"}},
			[]string{`k.yaml:57: item "ball": bench "table" has no rate for class "medium" at 9.88 oz; add a row to its rates`}},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Read("k.yaml", []byte(edited(t, test.changes...)))
			require.Equal(t, test.want, faults(t, err))
		})
	}
}

func TestReadUnreadable(t *testing.T) {
	deep := strings.Repeat("[", 5000) + strings.Repeat("]", 5000)
	bomb := "a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n"
	for name, test := range map[string]struct{ text, want string }{
		"nothing":        {"", `k.yaml:1: the file is empty; a kitchen book begins with the section "kitchen:"`},
		"only a comment": {"# nothing\n", `k.yaml:1: the file is empty; a kitchen book begins with the section "kitchen:"`},
		"a list":         {"- a\n", `k.yaml:1: the kitchen book needs keys with values below it, not one value or a list`},
		"too large":      {strings.Repeat("#", maxBytes+1), `k.yaml:1: the file has 1048577 bytes; at most 1048576 are read`},
		"not UTF-8":      {"kitchen:\n  name: Caf\xe9\n", `k.yaml:2: the text is not UTF-8; save the file as UTF-8`},
		"too deep":       {deep, `k.yaml:1: the file is nested more than 12 deep; a kitchen book is not`},
		"aliases":        {bomb, `k.yaml:1: anchors (&) and aliases (*) are not read; write the entry out`},
		"a key that is a list": {small(t) + "[a, b]: c\n",
			`k.yaml:97: the kitchen book has a key that is not a plain word`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Read("k.yaml", []byte(test.text))
			require.Equal(t, []string{test.want}, faults(t, err))
		})
	}
}

func TestReadListsTwentyFaults(t *testing.T) {
	var text strings.Builder
	text.WriteString(small(t))
	for i := range 27 {
		fmt.Fprintf(&text, "extra%d: 1\n", i)
	}
	_, err := Read("k.yaml", []byte(text.String()))
	all := faults(t, err)
	require.Len(t, all, 20)
	require.Equal(t, `k.yaml:97: the kitchen book has no key "extra0"`, all[0])
	require.ErrorContains(t, err, "the kitchen book has 27 faults and was not taken; the first 20 follow, … and 7 more:\n  k.yaml:97: ")
}

// Hostile files of the largest size are refused in seconds, not minutes.
func TestReadHostile(t *testing.T) {
	fill := func(head, each string) string {
		var b strings.Builder
		b.WriteString(head)
		for i := 0; b.Len() < maxBytes-len(each)-20; i++ {
			fmt.Fprintf(&b, each, i)
		}
		return b.String()
	}
	// Thousands of rows of capacity tables against hundreds of formulas.
	rows := small(t) + "\n"
	var tables, formulas strings.Builder
	for i := range 18 {
		fmt.Fprintf(&tables, "  m%d: {name: M, kind: mixer, load: 1 s, unload: 1 s, scrape: 1 s, wash: 1 s, heads: 1, capacity: [%s{class: c, max: 1 kg, basis: dough}]}\n",
			i, strings.Repeat("{class: medium, max: 9 kg, basis: flour_water},", 900))
	}
	for i := range 450 {
		fmt.Fprintf(&formulas, "  f%d: {name: F, kind: dough, class: medium, target: 24 °C, mix: {first: 1 s}, lines: {flour: 100 %%, water: 60 %%, salt: 2 %%, yeast: 1 %%, tomato: 9 %%}}\n", i)
	}
	rows = strings.Replace(rows, "vessels:\n", "vessels:\n"+tables.String(), 1)
	rows = strings.Replace(rows, "formulas:\n", "formulas:\n"+formulas.String(), 1)
	require.Less(t, len(rows), maxBytes)
	require.Greater(t, len(rows), maxBytes*3/4)

	for name, text := range map[string]string{
		"formulas × rows":  rows,
		"many shops":       fill("shops:\n", "  s%d: {}\n"),
		"many keys":        fill("", "k%d: 1\n"),
		"many formulas":    fill("formulas:\n", "  f%d: {lines: {a: 1 %%, b: 2 %%, c: 3 %%}}\n"),
		"many lines":       fill("formulas:\n  f:\n    lines:\n", "      l%d: 1 %%\n"),
		"many allergens":   fill("ingredients:\n  f:\n    allergens: [", "a%d, "),
		"open brackets":    strings.Repeat("[", maxBytes),
		"open braces":      strings.Repeat("{a: ", maxBytes/4),
		"question marks":   strings.Repeat("? ", maxBytes/2),
		"dashes":           strings.Repeat("- ", maxBytes/2),
		"one long word":    strings.Repeat("a", maxBytes),
		"one long key":     strings.Repeat("a", maxBytes-3) + ": b",
		"many short lines": strings.Repeat("a\n", maxBytes/2),
	} {
		t.Run(name, func(t *testing.T) {
			start := time.Now()
			_, err := Read("k.yaml", []byte(text))
			require.NotEmpty(t, faults(t, err))
			for _, f := range faults(t, err) {
				require.Less(t, len(f), 400)
			}
			require.Less(t, time.Since(start), 20*time.Second)
			t.Log(time.Since(start).Round(time.Millisecond))
		})
	}
}

func FuzzRead(f *testing.F) {
	f.Add(demoBytes(f))
	f.Add([]byte(small(f)))
	for _, test := range refusals {
		f.Add([]byte(edited(f, test.changes...)))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		b, err := Read("k.yaml", data)
		if err == nil {
			require.NotEmpty(t, b.Shops)
			return
		}
		require.Empty(t, b)
		all := faults(t, err)
		require.NotEmpty(t, all)
		require.LessOrEqual(t, len(all), maxFaults)
	})
}

// A judge of another room has its faults told by line.
func TestJudgesFaultsHaveLines(t *testing.T) {
	data := demoBytes(t)
	judge := func(b commissary.Book) []commissary.Fault {
		return []commissary.Fault{{Where: "items.house-280.shelf", Text: "no"}, {Where: "kitchen.model", Text: "no"},
			{Where: "formulas.poolish.cautions", Text: "no"}, {Where: "nowhere.at.all", Text: "no"}}
	}
	_, err := Read("k.yaml", data, judge)
	var e *commissary.Error
	require.ErrorAs(t, err, &e)
	lines := strings.Split(string(data), "\n")
	var where []string
	for _, f := range e.Faults {
		where = append(where, f.Where)
	}
	at := func(text string) string {
		return fmt.Sprintf("k.yaml:%d", slices.IndexFunc(lines, func(l string) bool { return strings.HasPrefix(l, text) })+1)
	}
	require.Equal(t, "k.yaml:1", where[0])
	require.ElementsMatch(t, []string{"k.yaml:1", at("  model:"), at("  poolish:"), at("    shelf: dough")}, where)
	require.Contains(t, e.Faults[1].Text, "kitchen.model: no")
}

func TestReadTakesTheDoughScience(t *testing.T) {
	data := demoBytes(t)
	b, err := Read("k.yaml", data)
	require.NoError(t, err)
	require.Equal(t, "q10_bread", b.Kitchen.Model)
	require.Equal(t, "factor", b.Kitchen.Water)
	require.Equal(t, commissary.Ice{Kind: "chipped"}, b.Kitchen.Ice)
	require.Contains(t, b.Kitchen.TooWarm, "into the cold")
	for from, want := range map[string]string{
		"model: q10_bread":                       "model: Q10 Bread",
		"water_by: factor":                       "water_by: guess",
		"kind: chipped":                          "kind: dry",
		"yeast: instant":                         "yeast: wild",
		"kind: salt, pack: 10 kg":                "kind: salt, yeast: fresh, pack: 10 kg",
		"temp: 0 °C}":                            "temp: 4 °C}",
		"{step: rest, min: 15 min, max: 30 min}": "{step: rest, min: 15 min, rise_from: 75 %}",
		"{step: rest, min: 20 min, max: 1 h}":    "{step: rest, min: 20 min, rise_from: 75 %, rise_to: 50 %}",
	} {
		require.Equal(t, 1, strings.Count(string(data), from), from)
		_, err := Read("k.yaml", []byte(strings.Replace(string(data), from, want, 1)))
		var e *commissary.Error
		require.ErrorAs(t, err, &e, want)
		require.Len(t, e.Faults, 1, want)
	}
}

var keyRead = regexp.MustCompile(`\b(?:read|must)\(\w+, "([a-z_]+)"|\b\w\.(?:refer|take|section|words|groups|window)\("([a-z_]+)"`)

// The book to copy is the reference of the book: whatever the reader takes
// stands in it, used or explained.
func TestTheExampleNamesEveryKey(t *testing.T) {
	sources, err := filepath.Glob("*.go")
	require.NoError(t, err)
	example := string(demoBytes(t))
	keys := 0
	for _, file := range sources {
		if strings.HasSuffix(file, "_test.go") {
			continue
		}
		source, err := os.ReadFile(file)
		require.NoError(t, err)
		for _, m := range keyRead.FindAllStringSubmatch(string(source), -1) {
			key := m[1] + m[2]
			require.Regexp(t, `\b`+key+`\b`, example, "%s takes %q, and testdata/kitchen.yaml does not name it", file, key)
			keys++
		}
	}
	require.Greater(t, keys, 100)
}
