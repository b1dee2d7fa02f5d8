package plan

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
)

// A forecast counts for a service that neither an order nor a standing order
// speaks for, and for nothing else.
func TestForecastCountsWhereNobodySpoke(t *testing.T) {
	in := demoNight(t)
	before, _, err := Demand(in)
	require.NoError(t, err)
	of := func(needs []commissary.Need, shop, item string, bake civil.Date) *commissary.Need {
		i := slices.IndexFunc(needs, func(n commissary.Need) bool { return n.Shop == shop && n.Item == item && n.BakeDate == bake })
		if i < 0 {
			return nil
		}
		return &needs[i]
	}
	ordered := before[slices.IndexFunc(before, func(n commissary.Need) bool { return n.Source == commissary.FromOrder })]
	standing := before[slices.IndexFunc(before, func(n commissary.Need) bool { return n.Source == commissary.FromStanding })]
	// A shop without its standing order for one item.
	silent := standing
	in.Book.Shops = slices.Clone(in.Book.Shops)
	shop := &in.Book.Shops[slices.IndexFunc(in.Book.Shops, func(s commissary.Shop) bool { return s.ID == silent.Shop })]
	all := shop.Standing
	shop.Standing = slices.DeleteFunc(slices.Clone(all), func(s commissary.Standing) bool { return s.Item == silent.Item })
	before, told, err := Demand(in)
	require.NoError(t, err)
	require.Nil(t, of(before, silent.Shop, silent.Item, silent.BakeDate))
	standing = before[slices.IndexFunc(before, func(n commissary.Need) bool { return n.Source == commissary.FromStanding })]
	unguessed := in
	in.Forecast = []commissary.Expected{
		{Shop: ordered.Shop, Item: ordered.Item, BakeDate: ordered.BakeDate, Pieces: 999},
		{Shop: standing.Shop, Item: standing.Item, BakeDate: standing.BakeDate, Pieces: 999},
		{Shop: silent.Shop, Item: silent.Item, BakeDate: silent.BakeDate, Pieces: 17},
		{Shop: silent.Shop, Item: silent.Item, BakeDate: in.Night, Pieces: 17},                  // past
		{Shop: silent.Shop, Item: silent.Item, BakeDate: in.Night.AddDays(40), Pieces: 17},      // beyond what is planned
		{Shop: "riverside", Item: "house-280", BakeDate: in.Night.AddDays(4), Pieces: 17},       // closed
		{Shop: "nowhere", Item: "nothing", BakeDate: in.Night.AddDays(3), Pieces: 17},           // unknown
		{Shop: silent.Shop, Item: silent.Item, BakeDate: silent.BakeDate.AddDays(1), Pieces: 0}, // nothing
	}
	needs, reasons, err := Demand(in)
	require.NoError(t, err)
	require.Len(t, needs, len(before)+1)
	n := of(needs, silent.Shop, silent.Item, silent.BakeDate)
	require.NotNil(t, n)
	require.Equal(t, quantity.Pieces(17), n.Pieces)
	require.Equal(t, commissary.FromForecast, n.Source)
	require.Equal(t, texts(told), texts(reasons), "nobody is asked about a guess")

	// An order that leaves an item out for its default date says that none is wanted.
	orders := slices.Clone(in.Orders)
	at := slices.IndexFunc(orders, func(o commissary.Order) bool { return o.Shop == ordered.Shop })
	orders[at].Lines = slices.DeleteFunc(slices.Clone(orders[at].Lines), func(l commissary.OrderLine) bool { return l.Item == ordered.Item && l.BakeDate == ordered.BakeDate })
	in.Orders = orders
	needs, _, err = Demand(in)
	require.NoError(t, err)
	if it := in.Book.Items[slices.IndexFunc(in.Book.Items, func(i commissary.Item) bool { return i.ID == ordered.Item })]; ordered.BakeDate == in.Night.AddDays(it.Ship.BakeAfter) {
		require.Nil(t, of(needs, ordered.Shop, ordered.Item, ordered.BakeDate))
	}

	require.NotEqual(t, Hash(unguessed), Hash(in))
	turned := in
	turned.Forecast = slices.Clone(in.Forecast)
	slices.Reverse(turned.Forecast)
	require.Equal(t, Hash(in), Hash(turned))
	in.Steps = 100
	p, err := Make(in)
	require.NoError(t, err)
	require.Empty(t, texts(Check(in, p)))
}

// What is ordered gets the lots before what is only guessed.
func TestOrdersGetTheLotsFirst(t *testing.T) {
	in := demoNight(t)
	in.Steps = 1
	p, err := Make(in)
	require.NoError(t, err)
	for _, e := range p.Exceptions {
		if e.Code != commissary.ReasonShort {
			continue
		}
		for _, k := range p.Takes {
			if k.Item == e.Item && k.BakeDate == e.BakeDate {
				i := slices.IndexFunc(p.Needs, func(n commissary.Need) bool { return n.Shop == k.Shop && n.Item == k.Item && n.BakeDate == k.BakeDate })
				require.Equal(t, commissary.FromOrder, p.Needs[i].Source, "%v takes what %v lacks", k, e)
			}
		}
	}
	s := stock{item: "x", pieces: 10}
	open := []quantity.Pieces{8, 8}
	needs := []commissary.Need{{Shop: "a", Source: commissary.FromForecast, Pieces: 8}, {Shop: "b", Source: commissary.FromOrder, Pieces: 8}}
	takes := s.share(needs, open)
	require.Equal(t, []commissary.Take{{Shop: "b", Pieces: 8}, {Shop: "a", Pieces: 2}}, takes)
}

// Preferment for what nobody ordered yet is stirred with the book's cushion,
// and no dough of the plan counts on it.
func TestCushionOnPreferments(t *testing.T) {
	made := func(cushion quantity.PPM, firm bool) (stirred, spare quantity.Mass) {
		in := quietNight(t)
		in.Book.Kitchen.Cushion = cushion
		in.Lots = slices.DeleteFunc(slices.Clone(in.Lots), func(l commissary.Lot) bool { return l.Formula == "poolish" })
		in.Orders = nil
		if firm { // what stands is ordered
			needs, _, err := Demand(in)
			require.NoError(t, err)
			for _, s := range in.Book.Shops {
				o := commissary.Order{Night: in.Night, Shop: s.ID, Revision: 1, State: commissary.OrderAccepted}
				for _, n := range needs {
					if n.Shop == s.ID {
						o.Lines = append(o.Lines, commissary.OrderLine{Item: n.Item, Pieces: n.Pieces, BakeDate: n.BakeDate})
					}
				}
				in.Orders = append(in.Orders, o)
			}
		}
		p, err := Make(in)
		require.NoError(t, err)
		require.Empty(t, texts(Check(in, p)))
		for _, b := range p.Batches {
			if b.Formula == "poolish" {
				out, err := formula.ComesOut(in.Book.Formulas[slices.IndexFunc(in.Book.Formulas, func(f commissary.Formula) bool { return f.ID == "poolish" })], b.Mass)
				require.NoError(t, err)
				stirred += out
				spare += out
			}
			for _, u := range b.Uses {
				if u.Batch != "" {
					spare -= u.Mass
				}
			}
		}
		return stirred, spare
	}
	plain, rest := made(0, false)
	require.NotZero(t, plain)
	cushioned, spare := made(20*quantity.Percent, false)
	need := plain - rest
	require.GreaterOrEqual(t, spare, need*20/100, "a good fifth more than the doughs take")
	require.Greater(t, cushioned, plain)
	ordered, _ := made(0, true)
	without, _ := made(20*quantity.Percent, true)
	require.Equal(t, ordered, without, "what is ordered needs no cushion")
}
