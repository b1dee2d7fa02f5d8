package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/ferment"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
)

// Finished mixings of an invented kitchen: the big mixer warms its dough more
// than its book says. By hand: 4 × 25 − (22 + 20 + 18 + 22) = 18, and so on.
const finishedMixes = `vessel,class,speed,fill,target,actual,room,flour,water,preferments
big-mixer,medium,second,90 %,24 °C,25 °C,22 °C,20 °C,18 °C,22 °C
big-mixer,medium,second,95 %,24 °C,24.5 °C,22 °C,20 °C,18 °C,22 °C
big-mixer,medium,second,85 %,24 °C,24 °C,22 °C,20 °C,18 °C,22 °C
big-mixer,medium,second,40 %,24 °C,30 °C,22 °C,20 °C,18 °C,22 °C
small-mixer,medium,second,90 %,24 °C,30 °C,22 °C,20 °C,18 °C,22 °C
`

// Every calculator's page, so that a change of the arithmetic is seen.
func TestCalculatorsAreAsTheyWere(t *testing.T) {
	mixes := write(t, "mixes.csv", finishedMixes)
	for name, args := range map[string][]string{
		"scale":         {"scale", "house-dough", "--kitchen", kitchenFile, "--pieces", "1120 house-280", "--pieces", "12 x 430 g"},
		"scale-flour":   {"scale", "pan-dough", "--kitchen", kitchenFile, "--flour", "25 kg"},
		"scale-us":      {"scale", "poolish", "--kitchen", kitchenFile, "--dough", "75 lb", "--units", "us"},
		"scale-prep":    {"scale", "tomato-sauce", "--kitchen", kitchenFile, "--pieces", "18 sauce-3kg"},
		"scale.json":    {"scale", "pan-dough", "--kitchen", kitchenFile, "--flour", "25 kg", "--output", "json"},
		"water":         {"water", "house-dough", "--kitchen", kitchenFile},
		"water-ice":     {"water", "house-dough", "--kitchen", kitchenFile, "--tap", "25 °C", "--dough", "60 kg"},
		"water-us":      {"water", "pan-dough", "--kitchen", kitchenFile, "--room", "80 °F", "--flour", "75 °F", "--friction", "25 °F", "--tap", "68 °F", "--units", "us"},
		"water-balance": {"water", "house-dough", "--kitchen", kitchenFile, "--method", "balance", "--preferment", "4 °C"},
		"water-learnt":  {"water", "house-dough", "--kitchen", kitchenFile, "--mixes", mixes, "--fill", "90 %"},
		"water.json":    {"water", "house-dough", "--kitchen", kitchenFile, "--tap", "25 °C", "--dough", "60 kg", "--output", "json"},
		"capacity":      {"capacity", "house-dough", "--kitchen", kitchenFile},
		"capacity-tub":  {"capacity", "poolish", "--kitchen", kitchenFile, "--vessel", "poolish-tub", "--units", "us"},
		"capacity.json": {"capacity", "pan-dough", "--kitchen", kitchenFile, "--output", "json"},
		"yeast":         {"yeast", "--stage", "2 h at 24 °C", "--stage", "46 h to 3 °C", "--ball", "280 g", "--flour", "50 kg"},
		"yeast-us":      {"yeast", "--stage", "72 h at 37 °F", "--flour", "50 lb", "--units", "us", "--convention", "one_third"},
		"yeast.json":    {"yeast", "--stage", "24 h at 10 °C", "--output", "json"},
		"ready":         {"ready", "--yeast", "0.3 %", "--type", "fresh", "--stage", "4 h at 72 °F", "--stage", "48 h at 40 °F", "--units", "us"},
		"ready-item":    {"ready", "--kitchen", kitchenFile, "--item", "house-280"},
		"ready-shop":    {"ready", "--kitchen", kitchenFile, "--item", "house-280", "--made", "2026-11-25 05:10", "--shop", "station", "--arrives", "2026-11-27 06:55"},
		"ready.json":    {"ready", "--kitchen", kitchenFile, "--item", "pan-520", "--made", "2026-11-25 05:10", "--output", "json"},
	} {
		t.Run(name, func(t *testing.T) {
			r := do(t, append([]string{"formula"}, args...)...)
			require.Equal(t, exitDone, r.code, r.stderr)
			if filepath.Ext(name) == "" {
				name += ".txt"
			} else {
				require.True(t, json.Valid([]byte(r.stdout)))
			}
			path := filepath.Join("testdata", "formula", name)
			if *update {
				require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
				require.NoError(t, os.WriteFile(path, []byte(r.stdout), 0o644))
			}
			require.Equal(t, read(t, path), r.stdout, "go test ./cmd/doughrun -run Calculators -update writes it anew")
		})
	}
}

// A kitchen that thinks in pounds and Fahrenheit is answered so, the arithmetic
// too, whatever the book's masses are written in.
func TestCalculatorsUseTheKitchensUnits(t *testing.T) {
	text := replaced(t, read(t, kitchenFile), "units: metric", "units: us")
	text = replaced(t, text, "House ball 430 g", "House ball 15 oz")
	text = replaced(t, text, "    mass: 430 g", "    mass: 15 oz")
	us := write(t, "kitchen.yaml", replaced(t, text, "  room: 22 °C", "  room: 72 °F"))
	for _, tc := range []struct {
		args []string
		want []string
	}{
		{[]string{"scale", "house-dough", "--pieces", "40 house-430"}, []string{"40 × 15 oz", " lb "}},
		{[]string{"water", "house-dough", "--tap", "77 °F", "--dough", "130 lb"}, []string{"4 × 75.2 °F − (room 72 + ", "of ice"}},
		{[]string{"yeast", "--stage", "2 h at 75 °F", "--stage", "46 h to 37 °F", "--ball", "10 oz", "--flour", "50 lb"}, []string{"cooling from 75 °F to 37 °F", "for 50 lb"}},
		{[]string{"ready", "--item", "house-430", "--made", "2026-11-25 05:10", "--shop", "station"}, []string{"°F"}},
		{[]string{"capacity", "house-dough"}, []string{" lb", "°F"}},
	} {
		r := do(t, append([]string{"formula", tc.args[0]}, append(tc.args[1:], "--kitchen", us)...)...)
		require.Equal(t, exitDone, r.code, r.stderr)
		for _, want := range tc.want {
			require.Contains(t, r.stdout, want)
		}
		require.NotRegexp(t, `\dkg|\d g\b|\d kg|°C`, r.stdout)
	}
}

// What the published sources say of these cases, beside what is printed.
func TestCalculatorsAgainstTheirSources(t *testing.T) {
	// TXCraig1, pizzamaking.com topic 26831: 72 h at 37 °F is 0.224 % instant.
	r := do(t, "formula", "yeast", "--stage", "72 h at 37 °F", "--output", "json")
	var y struct{ Result dosed }
	require.NoError(t, json.Unmarshal([]byte(r.stdout), &y))
	require.InDelta(t, 2240, y.Result.InstantPPM, 20, "the cell's hours are whole: 1 h in 72 is 1.9 % of the dose")
	require.InDelta(t, 72*3600, y.Result.ReadySeconds, 120, "a dose in whole parts per million: one in 2,240 is 84 s")

	// topic 22649: fresh 0.3 % for 4 h at 72 °F and 48 h at 40 °F is 4/7 + 48/97 = 1.06.
	r = do(t, "formula", "ready", "--yeast", "0.3 %", "--type", "fresh", "--stage", "4 h at 72 °F", "--stage", "48 h at 40 °F", "--output", "json")
	var d struct{ Result readied }
	require.NoError(t, json.Unmarshal([]byte(r.stdout), &d))
	require.InDelta(t, 1_060_000, d.Result.DonePPM, 15_000, "its lives are whole hours: half of one in 7 is 7 % of 0.57")

	// Lehmann, Pizza Today, June 2018, p. 29: 3 × 80 − (65 + 75 + 35) = 65 °F.
	r = do(t, "formula", "water", "pan-dough", "--kitchen", kitchenFile, "--target", "80 °F", "--flour", "65 °F", "--room", "75 °F", "--friction", "35 °F", "--units", "us")
	require.Contains(t, r.stdout, "3 × 80 °F − (room 75 + flour 65 + friction 35) = 65 °F")
	require.Contains(t, r.stdout, "\nwater at 65 °F\n")

	// By hand from finishedMixes: 18, 16 and 14 at about this fill; the median.
	r = do(t, "formula", "water", "house-dough", "--kitchen", kitchenFile, "--mixes", write(t, "m.csv", finishedMixes))
	require.Contains(t, r.stdout, "friction 16) = 16 °C")
	r = do(t, "formula", "water", "house-dough", "--kitchen", kitchenFile, "--mixes", write(t, "m.csv", finishedMixes), "--fill", "30 %")
	require.Contains(t, r.stdout, "fewer than three mixings")
}

func TestCalculatorsRefuse(t *testing.T) {
	stiff := write(t, "stiff.yaml", replaced(t, read(t, kitchenFile), "    class: medium\n    lines:\n      pizza-flour: 80 %", "    class: stiff\n    lines:\n      pizza-flour: 80 %"))
	for _, tc := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"scale", "house-dough", "--kitchen", kitchenFile}, exitUsage, "at least one of the flags"},
		{[]string{"scale", "house-dough", "--kitchen", kitchenFile, "--flour", "1 kg", "--dough", "1 kg"}, exitUsage, "none of the others can be"},
		{[]string{"scale", "house-dough", "--kitchen", kitchenFile, "--dough", "200 g"}, exitRefused, "rounding to the scales moves lines by more than 1 %"},
		{[]string{"scale", "house-dough", "--kitchen", kitchenFile, "--pieces", "12 pan-520"}, exitRefused, "is made from pan-dough"},
		{[]string{"scale", "house-dough", "--kitchen", kitchenFile, "--pieces", "12 balls"}, exitRefused, `write for example "1120 house-280"`},
		{[]string{"scale", "house-dogh", "--kitchen", kitchenFile, "--dough", "60 kg"}, exitRefused, `no formula "house-dogh"`},
		{[]string{"scale", "house-dough", "--dough", "60 kg"}, exitUsage, `"kitchen" not set`},
		{[]string{"water", "house-dough", "--kitchen", kitchenFile, "--target", "2 °C"}, exitRefused, "the dough can be had from 8.9 °C to 31.3 °C"},
		{[]string{"water", "house-dough", "--kitchen", kitchenFile, "--room", "20"}, exitRefused, "--room:"},
		{[]string{"water", "house-dough", "--kitchen", kitchenFile, "--method", "guess"}, exitRefused, "write factor or balance"},
		{[]string{"water", "pan-dough", "--kitchen", kitchenFile, "--preferment", "4 °C"}, exitRefused, "1 given, and the formula has 0"},
		{[]string{"capacity", "house-dough", "--kitchen", kitchenFile, "--vessel", "kettle"}, exitRefused, `no row for class medium: Tilting kettle`},
		// Never second speed for the stiff class: no vessel's row allows it.
		{[]string{"capacity", "house-dough", "--kitchen", stiff}, exitRefused, "mixes at second speed, which every vessel forbids for class \"stiff\""},
		{[]string{"yeast", "--stage", "2 h at 24"}, exitRefused, "the unit is missing"},
		{[]string{"yeast", "--stage", "2 h to 24 °C"}, exitRefused, `write a stage "at" a temperature before it`},
		{[]string{"yeast", "--stage", "2 h at 24 °C", "--stage", "40 h to 3 °C"}, exitRefused, "give --ball"},
		{[]string{"yeast", "--stage", "2 min at 3 °C"}, exitRefused, "make the stages warmer or longer"},
		{[]string{"ready", "--item", "house-280"}, exitUsage, "--item without --kitchen"},
		{[]string{"ready", "--yeast", "0.2 %", "--stage", "2 h at 24 °C", "--shop", "harbor"}, exitUsage, "name it with --item"},
		{[]string{"ready", "--yeast", "0.2 %", "--type", "wild", "--stage", "2 h at 24 °C"}, exitRefused, `"wild" is unknown`},
		{[]string{"ready", "--kitchen", kitchenFile, "--item", "sauce-3kg"}, exitRefused, "is no dough"},
	} {
		r := do(t, append([]string{"formula"}, tc.args...)...)
		require.Equal(t, tc.code, r.code, "%v: %s", tc.args, r.stderr)
		require.Contains(t, r.stderr, tc.want, tc.args)
		require.Empty(t, r.stdout)
	}
}

// A kitchen book names only what the other rooms know.
func TestKitchenCheckJudgesTheWholeBook(t *testing.T) {
	text := read(t, kitchenFile)
	for from, tc := range map[string]struct{ to, want string }{
		"model: q10_bread":          {"model: q10_cake", `kitchen.model: there is no model "q10_cake"`},
		"cautions: [garlic-in-oil]": {"cautions: [garlic-in-water]", `there is no caution "garlic-in-water"`},
		"shelf: prep\n":             {"shelf: prep-9\n", "longer than the 7 days allowed"},
	} {
		r := do(t, "kitchen", "check", write(t, "book.yaml", replaced(t, text, from, tc.to)))
		require.Equal(t, exitRefused, r.code)
		require.Contains(t, r.stderr, tc.want)
		require.Regexp(t, `book\.yaml:\d\d`, r.stderr)
	}
}

func FuzzStage(f *testing.F) {
	for _, s := range []string{"2 h at 24 °C", "48 h to 3 °C", "1 h 30 min at 75 °F", "at", " to ", "9999999 d at 1 C", "2 h at 24 °C to 3 °C"} {
		f.Add(s)
	}
	warm := []ferment.Stage{{For: quantity.Hour, At: 24 * quantity.Degree}}
	f.Fuzz(func(t *testing.T, s string) {
		stage, err := parseStage(s, warm, 280*quantity.Gram)
		if err != nil {
			return
		}
		require.GreaterOrEqual(t, stage.For, quantity.Seconds(0))
		require.LessOrEqual(t, stage.For, quantity.MaxSeconds)
		stages := append(warm, stage)
		require.Positive(t, ferment.Ready(2000, stages, stage.At))
		_, _ = ferment.Dose(stages)
		var a answer
		new(bookFile).workStages(&a, 2000, stages)
		require.Len(t, a.Working, 3)
	})
}

func FuzzPieces(f *testing.F) {
	for _, s := range []string{"1120 house-280", "12 x 280 g", "12 × 1 lb 4 oz", "0 house-280", "x 280 g", "99999999999 x 1 t"} {
		f.Add(s)
	}
	items := []commissary.Item{{ID: "house-280", Mass: 280 * quantity.Gram}}
	f.Fuzz(func(t *testing.T, s string) {
		b, err := parsePieces(s, items)
		if err != nil {
			return
		}
		require.Positive(t, b.pieces)
		require.LessOrEqual(t, b.pieces, quantity.MaxPieces)
		require.Positive(t, b.each)
	})
}

// replaced is a text with the first of something changed; it must be there.
func replaced(t *testing.T, text, from, to string) string {
	t.Helper()
	require.Contains(t, text, from)
	return strings.Replace(text, from, to, 1)
}

// calculated runs a calculator on what somebody typed: it answers or says what
// is wrong, and never both.
func calculated(t *testing.T, args ...string) {
	t.Helper()
	r := do(t, append([]string{"formula"}, args...)...)
	require.Contains(t, []int{exitDone, exitUsage, exitRefused}, r.code, r.stderr)
	require.Equal(t, r.code == exitDone, r.stdout != "", r.stderr)
	require.True(t, r.code == exitDone || r.stderr != "")
}

func FuzzYeast(f *testing.F) {
	f.Add("2 h at 24 °C", "46 h to 3 °C", "280 g", "50 kg", "chart_heads")
	f.Add("72 h at 37 °F", "", "", "50 lb", "one_third")
	f.Add("0 s at 0 °C", "1 min to -5 °C", "0 g", "-1 kg", "\x00")
	f.Fuzz(func(t *testing.T, first, second, ball, flour, convention string) {
		calculated(t, "yeast", "--stage="+first, "--stage="+second, "--ball="+ball, "--flour="+flour, "--convention="+convention)
		calculated(t, "yeast", "--stage="+first, "--flour="+flour, "--output=json")
	})
}

func FuzzReady(f *testing.F) {
	f.Add("0.2 %", "instant", "4 h at 72 °F", "3 °C", "280 g")
	f.Add("0.3 %", "fresh", "48 h to 40 °F", "", "")
	f.Add("0 %", "wild", "", "-300 °C", "1 t")
	f.Fuzz(func(t *testing.T, yeast, kind, stage, then, ball string) {
		calculated(t, "ready", "--yeast="+yeast, "--type="+kind, "--stage=2 h at 24 °C", "--stage="+stage, "--then="+then, "--ball="+ball)
	})
}

// Whatever stands in a file of facts, it is applied whole or refused with its
// faults, and no lot is without pieces.
func FuzzFacts(f *testing.F) {
	text, err := os.ReadFile(kitchenFile)
	require.NoError(f, err)
	b, err := wholeBook(kitchenFile, text)
	require.NoError(f, err)
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	require.NoError(f, err)
	f.Add(factColumns + "\noutage,big-mixer,2026-11-27 05:00,2026-11-27 09:00,,,belt\n")
	f.Add(factColumns + "\nout,20261126-01,2026-11-27 05:00,,house-280,12,\nstarted,20261126-02,2026-11-27 05:00,,,,\nscrapped,20261126-02,2026-11-27 05:00,,,,torn\n")
	f.Add(factColumns + "\nout,20261126-01,,,,-1,\n\"")
	f.Fuzz(func(t *testing.T, facts string) {
		in := plan.Input{Book: b}
		batches := map[string]*commissary.Batch{}
		for _, id := range []string{"20261126-01", "20261126-02"} {
			batches[id] = &commissary.Batch{ID: id, Formula: "house-dough", State: commissary.BatchPosted, Makes: []commissary.Making{{Item: "house-280", Pieces: 96}, {Item: "house-430", Pieces: 60}}}
		}
		if err := applyFacts("facts.csv", []byte(facts), zone, &in, batches); err != nil {
			var e *commissary.Error
			require.ErrorAs(t, err, &e)
			require.NotEmpty(t, e.Faults)
			return
		}
		for _, l := range in.Lots {
			require.Positive(t, l.Pieces)
			require.NotEmpty(t, l.Code)
		}
		for _, o := range in.Outages {
			require.True(t, isResource(b, o.Resource))
			require.True(t, o.To.IsZero() || o.To.After(o.From))
		}
	})
}
