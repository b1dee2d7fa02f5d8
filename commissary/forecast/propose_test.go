package forecast

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// wednesday is the night most of these tests order on.
var wednesday = civil.Date{Year: 2026, Month: time.November, Day: 25}

// balls is an item that costs four times as much to run out of as to throw away.
var balls = commissary.Item{ID: "ball-250", PerBox: 8, CostOut: 400, CostWaste: 100}

// flat is a fit that expects the same every day and whose misses at the
// critical ratio of balls are a tenth of it, whatever the span.
func flat(pieces quantity.Pieces) Fit {
	f := Fit{Shop: "harbour", Item: balls.ID, Through: wednesday}
	for i := range f.Ahead {
		f.Ahead[i] = Milli(pieces) * Piece
	}
	var windows [Reach][]float64
	for i := range windows {
		for k := range 100 {
			windows[i] = append(windows[i], (float64(k)-79)/1000+0.1) // the 80th of 100 is 0.1
		}
	}
	f.spreadFrom(windows)
	return f
}

func days(from, to int) (civil.Date, civil.Date) {
	return wednesday.AddDays(from), wednesday.AddDays(to)
}

func TestPropose(t *testing.T) {
	closed := []civil.Date{wednesday.AddDays(2)}
	for _, c := range []struct {
		name     string
		from, to int
		stock    []Stock
		calendar Calendar
		want     string
		lapse    quantity.Pieces
		order    quantity.Pieces
	}{
		{"nothing on hand", 1, 1, nil, Calendar{},
			"will sell 42 + safety 5 − left 0 − coming 0 = 47 → 6 boxes", 0, 48},
		{"two days, some on hand and coming", 1, 2, []Stock{{Pieces: 21}, {Pieces: 24, Coming: true}}, Calendar{},
			"will sell 84 + safety 9 − left 21 − coming 24 = 48 → 6 boxes", 0, 48},
		{"what is on hand sells before the delivery, and the day until then may take more", 2, 2, []Stock{{Pieces: 50}}, Calendar{},
			"will sell 42 + safety 9 − left 8 − coming 0 = 43 → 6 boxes", 0, 48},
		{"sold out before the delivery: lost, not owed", 2, 2, []Stock{{Pieces: 30}}, Calendar{},
			"will sell 42 + safety 5 − left 0 − coming 0 = 47 → 6 boxes", 0, 48},
		{"stock lapses before the days covered", 2, 2, []Stock{{Pieces: 50, To: wednesday.AddDays(1)}}, Calendar{},
			"will sell 42 + safety 5 − left 0 − coming 0 = 47 → 6 boxes", 8, 48},
		{"stock lapses among the days covered: only what sells by then", 1, 2, []Stock{{Pieces: 50, To: wednesday.AddDays(1)}}, Calendar{},
			"will sell 84 + safety 9 − left 42 − coming 0 = 51 → 7 boxes", 8, 56},
		{"first what lapses first", 1, 2, []Stock{{Pieces: 42, Coming: true}, {Pieces: 42, To: wednesday.AddDays(1)}}, Calendar{},
			"will sell 84 + safety 9 − left 42 − coming 42 = 9 → 2 boxes", 0, 16},
		{"not yet ripe on the days covered", 1, 1, []Stock{{Pieces: 40, From: wednesday.AddDays(2)}}, Calendar{},
			"will sell 42 + safety 5 − left 0 − coming 0 = 47 → 6 boxes", 0, 48},
		{"enough", 1, 1, []Stock{{Pieces: 90}}, Calendar{},
			"will sell 42 + safety 5 − left 90 − coming 0: enough, 43 over", 0, 0},
		{"just enough", 1, 1, []Stock{{Pieces: 47}}, Calendar{},
			"will sell 42 + safety 5 − left 47 − coming 0 = 0", 0, 0},
		{"one box", 1, 1, []Stock{{Pieces: 46}}, Calendar{},
			"will sell 42 + safety 5 − left 46 − coming 0 = 1 → 1 box", 0, 8},
		{"a closed day sells nothing", 1, 2, nil, Calendar{Closed: closed},
			"will sell 42 + safety 5 − left 0 − coming 0 = 47 → 6 boxes", 0, 48},
		{"a delivery for a closed day alone", 2, 2, nil, Calendar{Closed: closed},
			"will sell 0 + safety 0 − left 0 − coming 0 = 0", 0, 0},
		{"closed by the weekly service", 2, 2, nil, Calendar{Service: civil.EveryDay &^ (1 << time.Friday)},
			"will sell 0 + safety 0 − left 0 − coming 0 = 0", 0, 0},
		{"a street fair: half as much again, and a party of ten", 1, 1, nil, Calendar{Adjustments: []Adjustment{
			{Name: "street fair", From: wednesday.AddDays(1), To: wednesday.AddDays(3), Change: 50 * quantity.Percent},
			{Name: "party", From: wednesday.AddDays(1), To: wednesday.AddDays(1), Item: balls.ID, Pieces: 10},
			{Name: "of another item", From: wednesday.AddDays(1), To: wednesday.AddDays(1), Item: "other", Pieces: 100},
			{Name: "over already", From: wednesday.AddDays(-3), To: wednesday, Pieces: 100}}},
			"will sell 73 + safety 8 − left 0 − coming 0 = 81 → 11 boxes", 0, 88},
		{"an event cannot take away more than would sell", 1, 1, nil, Calendar{Adjustments: []Adjustment{
			{Name: "road works", From: wednesday, To: wednesday.AddDays(1), Pieces: -100}}},
			"will sell 0 + safety 1 − left 0 − coming 0 = 1 → 1 box", 0, 8},
	} {
		t.Run(c.name, func(t *testing.T) {
			from, to := days(c.from, c.to)
			p, err := Propose(Ask{Item: balls, Fit: flat(42), Night: wednesday, From: from, To: to, Stock: c.stock}, c.calendar)
			require.NoError(t, err)
			require.Equal(t, c.want, p.String())
			require.Equal(t, c.lapse, p.Lapse, "lapse")
			require.Equal(t, c.order, p.Order, "order")
			require.Equal(t, 80*quantity.Percent, p.Ratio)
		})
	}
}

func TestProposeShowsItsAdjustments(t *testing.T) {
	from, to := days(2, 2)
	p, err := Propose(Ask{Item: balls, Fit: flat(40), Night: wednesday, From: from, To: to}, Calendar{Adjustments: []Adjustment{
		{Name: "holiday", From: from, To: to, Change: -25 * quantity.Percent},
		{Name: "party", From: from, To: to, Pieces: 6},
	}})
	require.NoError(t, err)
	require.Equal(t, []DaySale{
		{Date: wednesday.AddDays(1), Usual: 40 * Piece, Sale: 40 * Piece},
		{Date: from, Covered: true, Usual: 40 * Piece, Sale: 36 * Piece,
			Changes: []Change{{"holiday", -10 * Piece}, {"party", 6 * Piece}}},
	}, p.Days)
}

// NV-5's lesson: where throwing away costs more than running out, less than
// the expected sale is wanted.
func TestSafetyBelowZero(t *testing.T) {
	item := balls
	item.CostOut, item.CostWaste, item.PerBox = 6, 9, 0
	from, to := days(1, 1)
	p, err := Propose(Ask{Item: item, Fit: flat(100), Night: wednesday, From: from, To: to}, Calendar{})
	require.NoError(t, err)
	require.Equal(t, 40*quantity.Percent, p.Ratio)
	require.Equal(t, "will sell 100 + safety 6 − left 0 − coming 0 = 106", p.String())

	few := FromStanding("harbour", balls.ID, []commissary.Standing{{Item: balls.ID, Days: civil.EveryDay, Pieces: 100}}, wednesday)
	p, err = Propose(Ask{Item: item, Fit: few, Night: wednesday, From: from, To: to}, Calendar{})
	require.NoError(t, err)
	require.Equal(t, "will sell 100 − safety 2 − left 0 − coming 0 = 98", p.String()) // z(0.4) × 10 = −2.5, up to −2
	require.Zero(t, p.Known)
}

func TestProposeRefuses(t *testing.T) {
	from, to := days(1, 2)
	good := func() Ask { return Ask{Item: balls, Fit: flat(42), Night: wednesday, From: from, To: to} }
	for name, c := range map[string]struct {
		change func(*Ask, *Calendar)
		kind   commissary.Kind
		says   string
	}{
		"another item's fit": {func(a *Ask, _ *Calendar) { a.Fit.Item = "other" }, commissary.Invalid, "take the item's own"},
		"days out of order":  {func(a *Ask, _ *Calendar) { a.To = wednesday }, commissary.Invalid, "later days in order"},
		"the night itself":   {func(a *Ask, _ *Calendar) { a.From = wednesday }, commissary.Invalid, "later days in order"},
		"too far":            {func(a *Ask, _ *Calendar) { a.To = wednesday.AddDays(Horizon + 1) }, commissary.Invalid, "28 days at most"},
		"stale fit":          {func(a *Ask, _ *Calendar) { a.Fit.Through = wednesday.AddDays(-27) }, commissary.Precondition, "learn again"},
		"fit of the future":  {func(a *Ask, _ *Calendar) { a.Fit.Through = from }, commissary.Precondition, "learn again"},
		"stock below zero":   {func(a *Ask, _ *Calendar) { a.Stock = []Stock{{Pieces: -1}} }, commissary.Invalid, "count again"},
		"cost below zero":    {func(a *Ask, _ *Calendar) { a.Item.CostOut = -1 }, commissary.Invalid, "give costs"},
		"adjusted below nothing": {func(_ *Ask, c *Calendar) {
			c.Adjustments = []Adjustment{{Name: "strike", From: from, To: to, Change: -101 * quantity.Percent}}
		}, commissary.Invalid, `"strike" is out of range`},
		"adjusted beyond reason": {func(a *Ask, c *Calendar) {
			a.Fit = flat(quantity.MaxPieces)
			c.Adjustments = []Adjustment{{Name: "fair", From: from, To: to, Change: quantity.Whole}}
		}, commissary.Invalid, "lower the adjustment"},
	} {
		a, calendar := good(), Calendar{}
		c.change(&a, &calendar)
		_, err := Propose(a, calendar)
		require.Equal(t, c.kind, commissary.KindOf(err), "%s: %v", name, err)
		require.ErrorContains(t, err, c.says, name)
	}
}

// Whatever is asked: the lines add up, the order is in full containers and
// holds the need by less than one more, nothing is negative that should not
// be, no stock counts twice, and the same question has the same answer.
func TestProposalAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		item := balls
		item.PerBox = quantity.Pieces(rapid.IntRange(0, 40).Draw(t, "per box"))
		item.CostOut, item.CostWaste = rapid.Int64Range(0, 900).Draw(t, "out"), rapid.Int64Range(0, 900).Draw(t, "waste")
		from := rapid.IntRange(1, 6).Draw(t, "from")
		to := rapid.IntRange(from, 10).Draw(t, "to")
		a := Ask{Item: item, Fit: flat(quantity.Pieces(rapid.IntRange(0, 200).Draw(t, "sale"))), Night: wednesday}
		a.From, a.To = days(from, to)
		var total quantity.Pieces
		for range rapid.IntRange(0, 4).Draw(t, "heaps") {
			s := Stock{Pieces: quantity.Pieces(rapid.IntRange(0, 300).Draw(t, "pieces")), Coming: rapid.Bool().Draw(t, "coming")}
			if rapid.Bool().Draw(t, "dated") {
				s.To = wednesday.AddDays(rapid.IntRange(0, 12).Draw(t, "last"))
			}
			total += s.Pieces
			a.Stock = append(a.Stock, s)
		}
		c := Calendar{Service: civil.Weekdays(rapid.IntRange(0, 127).Draw(t, "service"))}
		p, err := Propose(a, c)
		require.NoError(t, err)
		var sum quantity.Pieces
		for _, term := range p.Terms() {
			sum += term.Pieces
		}
		require.Equal(t, max(sum, 0), p.Need)
		require.True(t, p.Left >= 0 && p.Coming >= 0 && p.Lapse >= 0 && p.Sell >= 0 && p.Sell+p.Safety >= 0)
		require.LessOrEqual(t, p.Left+p.Coming+p.Lapse, total+1) // lapse is rounded to the nearest
		require.GreaterOrEqual(t, p.Order, p.Need)
		if item.PerBox > 1 {
			require.Zero(t, p.Order%item.PerBox)
			require.Equal(t, p.Order, quantity.Pieces(p.Boxes)*item.PerBox)
			require.Less(t, p.Order-p.Need, item.PerBox)
		} else {
			require.Equal(t, p.Need, p.Order)
		}
		again, err := Propose(a, c)
		require.NoError(t, err)
		require.Equal(t, p, again)
	})
}

// A fit is stored as whole numbers and comes back the same.
func TestFitIsStored(t *testing.T) {
	fit, err := Learn(realSeries(t, 1))
	require.NoError(t, err)
	text, err := json.Marshal(fit)
	require.NoError(t, err)
	require.NotContains(t, string(text), "e-")
	var back Fit
	require.NoError(t, json.Unmarshal(text, &back))
	require.Equal(t, fit, back)
	t.Logf("%d bytes as JSON", len(text))
}
