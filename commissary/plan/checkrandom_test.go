package plan

import (
	"bytes"
	"encoding/json"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// randomNight is a day around the demo kitchen: other orders, other lots on
// hand, another kitchen's limits, at another time of the night.
func randomNight(t testing.TB, seed uint64) Input {
	in := demoNight(t)
	rng := rand.New(rand.NewPCG(seed, 7))
	in.Seed, in.Steps = seed, 60
	in.Orders = slices.Clone(in.Orders)
	in.Orders = slices.DeleteFunc(in.Orders, func(commissary.Order) bool { return rng.IntN(8) == 0 })
	factor := 25 + rng.IntN(200)
	for i := range in.Orders {
		lines := slices.Clone(in.Orders[i].Lines)
		for j := range lines {
			lines[j].Pieces = max(lines[j].Pieces*quantity.Pieces(factor+rng.IntN(50))/100, 0)
		}
		in.Orders[i].Lines = slices.DeleteFunc(lines, func(commissary.OrderLine) bool { return rng.IntN(15) == 0 })
	}
	in.Lots = slices.Clone(in.Lots)
	in.Lots = slices.DeleteFunc(in.Lots, func(commissary.Lot) bool { return rng.IntN(5) == 0 })
	for i := range in.Lots {
		l := &in.Lots[i]
		l.Made = l.Made.Add(time.Duration(rng.IntN(600)-300) * time.Minute)
		if l.Made.After(in.At) {
			l.Made = in.At
		}
		if rng.IntN(12) == 0 {
			l.Held = "label torn off"
		}
		l.Pieces = l.Pieces * quantity.Pieces(20+rng.IntN(160)) / 100
	}
	in.At = in.At.Add(time.Duration(rng.IntN(12*60)-3*60) * time.Minute)
	b := &in.Book
	b.Kitchen.PlanDays = 1 + rng.IntN(4)
	b.Shifts = slices.Clone(b.Shifts)
	for i := range b.Shifts {
		b.Shifts[i].Heads = max(b.Shifts[i].Heads-rng.IntN(4), 1)
	}
	if rng.IntN(3) == 0 {
		b.ColdStore.Slots = 200 + rng.IntN(500)
	}
	if rng.IntN(3) == 0 {
		b.ColdStore.PullDown = quantity.Mass(60+rng.IntN(120)) * quantity.Kilogram
	}
	formulaOf := func(id string) *commissary.Formula {
		return &b.Formulas[slices.IndexFunc(b.Formulas, func(f commissary.Formula) bool { return f.ID == id })]
	}
	if rng.IntN(4) == 0 { // sacks
		formulaOf("pan-dough").Sack = 12500 * quantity.Gram
	}
	if rng.IntN(4) == 0 { // weighed up by hand before
		f := formulaOf("house-dough")
		f.Steps = slices.Insert(f.Steps, 0, commissary.Step{Kind: commissary.StepWeigh, Min: 10 * quantity.Minute, Wait: quantity.Hour, Heads: 1})
	}
	if rng.IntN(4) == 0 { // a pressed bench
		formulaOf("house-dough").ColdWithin = quantity.Seconds(35+rng.IntN(40)) * quantity.Minute
	}
	if rng.IntN(4) == 0 { // a brand of sugar that must not get into the other dough
		for i := range b.Ingredients {
			if b.Ingredients[i].ID == "sugar" {
				b.Ingredients[i].Allergens = []commissary.Allergen{commissary.Mustard}
			}
		}
	}
	if rng.IntN(6) == 0 { // a prep made with another
		f := formulaOf("tomato-sauce")
		for i := range f.Lines {
			if f.Lines[i].Ingredient == "olive-oil" {
				f.Lines[i] = commissary.FormulaLine{Prep: "garlic-oil", Share: f.Lines[i].Share}
			}
		}
	}
	for i := range b.Vessels {
		b.Vessels[i].Count = max(b.Vessels[i].Count+rng.IntN(3)-1, 1)
	}
	if rng.IntN(4) == 0 { // around the end of summer time
		in.shift(-25 - rng.IntN(4))
	}
	if rng.IntN(3) == 0 { // too few boxes, and some of them out
		box := &b.Containers[slices.IndexFunc(b.Containers, func(c commissary.Container) bool { return c.ID == "dough-box" })]
		box.Owned, box.DaysOut, box.WashAndDry = 120+rng.IntN(300), rng.IntN(4), quantity.Seconds(rng.IntN(6))*quantity.Hour
		if rng.IntN(2) == 0 {
			box.PerDolly, box.Dollies = 5+rng.IntN(20), 10+rng.IntN(30)
		}
		if rng.IntN(3) == 0 {
			box.Lids = box.Owned - rng.IntN(30)
		}
		if rng.IntN(2) == 0 {
			in.Away = append(in.Away, commissary.Away{Container: box.ID, Containers: rng.IntN(60), Left: in.At.Add(-time.Duration(rng.IntN(72)) * time.Hour)})
		}
	}
	return in
}

// shift moves a night by whole days.
func (in *Input) shift(days int) {
	in.Night = in.Night.AddDays(days)
	in.At = in.At.AddDate(0, 0, days)
	for i := range in.Lots {
		in.Lots[i].Made = in.Lots[i].Made.AddDate(0, 0, days)
	}
	for i := range in.Orders {
		in.Orders[i].Night = in.Night
		for j := range in.Orders[i].Lines {
			in.Orders[i].Lines[j].BakeDate = in.Orders[i].Lines[j].BakeDate.AddDays(days)
		}
	}
}

// later is the same kitchen some hours on: what the first plan began stands,
// and some orders have changed.
func later(in Input, p commissary.Plan, seed uint64) Input {
	rng := rand.New(rand.NewPCG(seed, 11))
	in.At = in.At.Add(time.Duration(rng.IntN(16*60)) * time.Minute)
	for _, b := range p.Batches {
		first := b.Steps[0].From
		for _, s := range b.Steps {
			first = earliest(first, s.From)
		}
		switch {
		case b.MixEnd.Before(in.At) && len(b.Makes) > 0 && rng.IntN(3) == 0:
			b.State = commissary.BatchOut
			for i, m := range b.Makes {
				in.Lots = append(slices.Clone(in.Lots), commissary.Lot{Code: commissary.LotCode(b.ID, i+1), Item: m.Item, Formula: b.Formula, Pieces: m.Pieces, Made: b.MixEnd, Place: "kitchen", Batch: b.ID})
			}
		case first.Before(in.At) && len(b.Serves) > 0 && rng.IntN(8) == 0:
			b.State = commissary.BatchScrapped
		case first.Before(in.At):
			b.State = commissary.BatchMixing
		case rng.IntN(6) == 0 && len(b.Uses) == 0:
			b.State = commissary.BatchPosted
		default:
			continue
		}
		in.Posted = append(in.Posted, b)
	}
	// What a posted batch draws from stands too.
	for i := 0; i < len(in.Posted); i++ {
		for _, u := range in.Posted[i].Uses {
			if u.Batch != "" && !slices.ContainsFunc(in.Posted, func(b commissary.Batch) bool { return b.ID == u.Batch }) {
				at := slices.IndexFunc(p.Batches, func(b commissary.Batch) bool { return b.ID == u.Batch })
				b := p.Batches[at]
				b.State = commissary.BatchPosted
				in.Posted = append(in.Posted, b)
			}
		}
	}
	in.Orders = slices.DeleteFunc(slices.Clone(in.Orders), func(commissary.Order) bool { return rng.IntN(8) == 0 })
	return in
}

func TestCheckFindsNothingInWhatMakeMade(t *testing.T) {
	for seed := range days(t) {
		in := randomNight(t, seed)
		for round := range 3 {
			p, err := Make(in)
			require.NoError(t, err, "seed %d", seed)
			assert.Empty(t, texts(Check(in, p)), "seed %d round %d", seed, round)
			in = later(in, p, seed)
		}
	}
}

func TestCheckFindsNothingInWhatDispatchMade(t *testing.T) {
	for seed := range days(t) {
		in := randomNight(t, seed)
		d, err := Dispatch(in)
		require.NoError(t, err, "seed %d", seed)
		assert.Empty(t, texts(CheckDispatch(in, d)), "seed %d", seed)
	}
}

// days is how many random days are tried; DAYS asks for more.
func days(t *testing.T) uint64 {
	if n, err := strconv.Atoi(os.Getenv("DAYS")); err == nil {
		return uint64(n)
	}
	if testing.Short() {
		return 20
	}
	return 60
}

// Check must give an answer to any plan that a file can hold.
func TestCheckJudgesAnyPlan(t *testing.T) {
	in := quietNight(t)
	p, err := Make(in)
	require.NoError(t, err)
	d, err := Dispatch(in)
	require.NoError(t, err)
	plan, err := json.Marshal(p)
	require.NoError(t, err)
	dispatch, err := json.Marshal(d)
	require.NoError(t, err)
	const seed = 5
	rng := rand.New(rand.NewPCG(seed, 3))
	odd := []any{-1, 0, 1, math.MaxInt64, math.MinInt64, "", "sauce-3kg", "cold", nil, false, "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2026-11-27"}
	judged := 0
	for range 150 {
		for _, text := range [][]byte{plan, dispatch} {
			var tree any
			read := json.NewDecoder(bytes.NewReader(text))
			read.UseNumber()
			require.NoError(t, read.Decode(&tree))
			for range 1 + rng.IntN(3) {
				tree = spoil(rng, tree, odd)
			}
			changed, err := json.Marshal(tree)
			require.NoError(t, err)
			var p commissary.Plan
			var d commissary.Dispatch
			if json.Unmarshal(changed, &p) == nil && json.Unmarshal(changed, &d) == nil {
				judged++
				require.NotPanics(t, func() { Check(in, p); CheckDispatch(in, d) }, "seed %d: %s", seed, changed)
			}
		}
	}
	require.Greater(t, judged, 50)
}

// spoil replaces one value somewhere in a tree.
func spoil(rng *rand.Rand, tree any, odd []any) any {
	switch x := tree.(type) {
	case map[string]any:
		keys := slices.Sorted(maps.Keys(x))
		if len(keys) > 0 {
			k := keys[rng.IntN(len(keys))]
			x[k] = spoil(rng, x[k], odd)
		}
		return x
	case []any:
		if len(x) > 0 {
			i := rng.IntN(len(x))
			x[i] = spoil(rng, x[i], odd)
		}
		return x
	}
	return odd[rng.IntN(len(odd))]
}
