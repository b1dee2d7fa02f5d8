package book

import (
	"bytes"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func demoNight(t testing.TB, file string) []byte {
	data, err := os.ReadFile("../../testdata/night/" + file)
	require.NoError(t, err)
	return data
}

func day(t testing.TB, s string) civil.Date {
	d, err := civil.ParseDate(s)
	require.NoError(t, err)
	return d
}

func smallBook(t testing.TB) commissary.Book {
	b, err := Read("small.yaml", []byte(small(t)))
	require.NoError(t, err)
	return b
}

func TestReadOrdersDemo(t *testing.T) {
	b, night := demoBook(t), day(t, "2026-11-26")
	text := demoNight(t, "orders.csv")
	orders, err := ReadOrders("orders.csv", text, b, night)
	require.NoError(t, err)
	require.Len(t, orders, 6)

	// Shuffled rows are the same orders.
	lines := bytes.SplitAfter(text, []byte("\n"))
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rand.New(rand.NewPCG(seed, 1)).Shuffle(len(lines)-2, func(i, j int) { lines[i+1], lines[j+1] = lines[j+1], lines[i+1] })
	shuffled, err := ReadOrders("orders.csv", bytes.Join(lines, nil), b, night)
	require.NoError(t, err)
	require.Equal(t, orders, shuffled)
}

func TestReadOrders(t *testing.T) {
	// A byte mark, carriage returns, spaces and blank lines are what other
	// people's programs write.
	text := "\uFEFFshop,item,quantity,bake_date\r\nnorth, pail ,3,\r\n\r\nnorth,ball,60,2026-11-29\r\nnorth,ball,40,\r\n"
	orders, err := ReadOrders("o.csv", []byte(text), smallBook(t), day(t, "2026-11-26"))
	require.NoError(t, err)
	require.Equal(t, []commissary.Order{{Night: day(t, "2026-11-26"), Shop: "north", Revision: 1, State: commissary.OrderAccepted, By: "file",
		Lines: []commissary.OrderLine{
			{Item: "ball", Pieces: 40, BakeDate: day(t, "2026-11-28")},
			{Item: "ball", Pieces: 60, BakeDate: day(t, "2026-11-29")},
			{Item: "pail", Pieces: 3, BakeDate: day(t, "2026-11-27")}}}}, orders)
}

func TestReadOrdersRefuses(t *testing.T) {
	for name, test := range map[string]struct{ rows, want string }{
		"unknown shop":            {"nroth,ball,4,", `o.csv:2: there is no shop "nroth" in the kitchen book; did you mean "north"?`},
		"missing shop":            {",ball,4,", `o.csv:2: the shop is missing`},
		"unknown item":            {"north,bal,4,", `o.csv:2: there is no item "bal" in the kitchen book; did you mean "ball"?`},
		"zero":                    {"north,ball,0,", `o.csv:2: quantity: an order for zero pieces; leave the line out`},
		"negative":                {"north,ball,-4,", `o.csv:2: quantity: "-4" is not a whole number from 1 to 100000`},
		"huge":                    {"north,ball,100001,", `o.csv:2: quantity: "100001" is not a whole number from 1 to 100000`},
		"beyond counting":         {"north,ball,99999999999999999999,", `o.csv:2: quantity: "99999999999999999999" is not a whole number from 1 to 100000`},
		"a half":                  {"north,ball,4.5,", `o.csv:2: quantity: "4.5" is not a whole number from 1 to 100000`},
		"a unit":                  {"north,ball,4 kg,", `o.csv:2: quantity: "4 kg" has a unit; orders count pieces, so write digits only, for example 24`},
		"no quantity":             {"north,ball,,", `o.csv:2: quantity: it is missing; write how many pieces, for example 24`},
		"bad date":                {"north,ball,4,28/11/2026", `o.csv:2: bake_date: "28/11/2026" is not a date; write year-month-day, for example 2026-11-27`},
		"no such day":             {"north,ball,4,2026-11-31", `o.csv:2: bake_date: "2026-11-31" is not a date; write year-month-day, for example 2026-11-27`},
		"the night itself":        {"north,pail,4,2026-11-26", `o.csv:2: bake_date: Thu 26 Nov 2026 is too early; what is ordered on the night of Thu 26 Nov 2026 can be baked from Fri 27 Nov 2026 on`},
		"before it can travel":    {"north,ball,4,2026-11-27", `o.csv:2: bake_date: Fri 27 Nov 2026 is too early; what is ordered on the night of Thu 26 Nov 2026 can be baked from Sat 28 Nov 2026 on`},
		"next year":               {"north,ball,4,2027-11-28", `o.csv:2: bake_date: Sun 28 Nov 2027 is more than 90 days after the night of Thu 26 Nov 2026; check the year`},
		"twice":                   {"north,ball,4,\nnorth,pail,4,\nnorth,ball,5,2026-11-28", `o.csv:4: shop "north" orders "ball" for Sat 28 Nov 2026 twice, first on line 2; write one line with the sum`},
		"too many columns":        {"north,ball,4,,x", `o.csv:2: 5 values where the header has 4 (shop, item, quantity, bake_date)`},
		"too few columns":         {"north,ball", `o.csv:2: 2 values where the header has 4 (shop, item, quantity, bake_date)`},
		"a quote that never ends": {"north,\"ball,4,", `o.csv:2: this is not CSV: extraneous or missing " in quoted-field; look at the quotes and commas on this line`},
	} {
		t.Run(name, func(t *testing.T) {
			text := "shop,item,quantity,bake_date\n" + test.rows + "\n"
			orders, err := ReadOrders("o.csv", []byte(text), smallBook(t), day(t, "2026-11-26"))
			require.Equal(t, []string{test.want}, faults(t, err))
			require.Empty(t, orders)
			require.ErrorContains(t, err, "the order file has 1 fault and was not taken:")
		})
	}
}

func TestReadOrdersUnreadable(t *testing.T) {
	for name, test := range map[string]struct{ text, want string }{
		"nothing":      {"", `o.csv:1: the file is empty; the first line is "shop,item,quantity,bake_date"`},
		"no header":    {"north,ball,4,\n", `o.csv:1: the header is "north,ball,4,"; it must be "shop,item,quantity,bake_date"`},
		"other header": {"shop,item,qty,bake_date\n", `o.csv:1: the header is "shop,item,qty,bake_date"; it must be "shop,item,quantity,bake_date"`},
		"not UTF-8":    {"shop,item,quantity,bake_date\nnorth,b\xe4ll,4,\n", `o.csv:2: the text is not UTF-8; save the file as UTF-8`},
		"too large":    {strings.Repeat("x", maxBytes+1), `o.csv:1: the file has 1048577 bytes; at most 1048576 are read`},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ReadOrders("o.csv", []byte(test.text), smallBook(t), day(t, "2026-11-26"))
			require.Equal(t, []string{test.want}, faults(t, err))
		})
	}
}

func TestReadForecast(t *testing.T) {
	text := "shop,item,bake_date,quantity\nnorth,pail,2026-11-28,3\nnorth,ball,2026-11-28,40\n"
	all, err := ReadForecast("f.csv", []byte(text), smallBook(t))
	require.NoError(t, err)
	require.Equal(t, []commissary.Expected{
		{Shop: "north", Item: "ball", BakeDate: day(t, "2026-11-28"), Pieces: 40},
		{Shop: "north", Item: "pail", BakeDate: day(t, "2026-11-28"), Pieces: 3}}, all)
	_, err = ReadForecast("f.csv", []byte("shop,item,bake_date,quantity\nnroth,ball,28/11/2026,4 kg\nnorth,ball,2026-11-28,3\nnorth,ball,2026-11-28,4\n"), smallBook(t))
	require.Equal(t, []string{
		`f.csv:2: there is no shop "nroth" in the kitchen book; did you mean "north"?`,
		`f.csv:2: bake_date: "28/11/2026" is not a date; write year-month-day, for example 2026-11-27`,
		`f.csv:2: quantity: "4 kg" is not a whole number from 0 to 100000`,
		`f.csv:4: shop "north" is forecast to sell "ball" on Sat 28 Nov 2026 twice, first on line 3; keep one`}, faults(t, err))
}

func TestReadLots(t *testing.T) {
	text := "code,item,formula,quantity,made,held\n" +
		"20261125-02-ball,ball,,40,2026-11-25 05:10,box lid was off\n" +
		"20261125-01.tub,,poolish,18 kg,2026-11-25T16:30:00+01:00,\n"
	lots, err := ReadLots("l.csv", []byte(text), smallBook(t))
	require.NoError(t, err)
	require.Equal(t, []commissary.Lot{
		{Code: "20261125-01.tub", Formula: "poolish", Mass: 18 * quantity.Kilogram, Made: time.Date(2026, 11, 25, 15, 30, 0, 0, time.UTC), Place: "kitchen"},
		{Code: "20261125-02-ball", Item: "ball", Formula: "dough", Pieces: 40, Made: time.Date(2026, 11, 25, 4, 10, 0, 0, time.UTC), Place: "kitchen", Held: "box lid was off"},
	}, lots)
}

func TestReadLotsRefuses(t *testing.T) {
	for name, test := range map[string]struct{ rows, want string }{
		"no code":               {",ball,,4,2026-11-25 05:10,", `l.csv:2: code "" is not a lot code; use up to 64 letters, digits, single dashes and dots`},
		"code twice":            {"a,ball,,4,2026-11-25 05:10,\na,ball,,4,2026-11-25 05:10,", `l.csv:3: lot "a" stands twice, first on line 2; one line for each lot`},
		"unknown item":          {"a,bell,,4,2026-11-25 05:10,", `l.csv:2: there is no item "bell" in the kitchen book; did you mean "ball"?`},
		"neither":               {"a,,,4,2026-11-25 05:10,", `l.csv:2: the formula is missing`},
		"unknown formula":       {"a,,polish,4 kg,2026-11-25 05:10,", `l.csv:2: there is no formula "polish" in the kitchen book; did you mean "poolish"?`},
		"wrong formula":         {"a,ball,sauce,4,2026-11-25 05:10,", `l.csv:2: item "ball" is made from formula "dough", not "sauce"; correct it or leave it empty`},
		"loose dough":           {"a,,dough,4 kg,2026-11-25 05:10,", `l.csv:2: a lot of dough "dough" is counted in pieces; name the item`},
		"balls by mass":         {"a,ball,,4 kg,2026-11-25 05:10,", `l.csv:2: quantity: "4 kg" is not a count of "ball"; write digits only, for example 24`},
		"preferment by count":   {"a,,poolish,4,2026-11-25 05:10,", `l.csv:2: quantity: "4" is not a mass of "poolish"; write for example "18 kg"`},
		"nothing of preferment": {"a,,poolish,0 kg,2026-11-25 05:10,", `l.csv:2: quantity: "0 kg" is not a mass of "poolish"; write for example "18 kg"`},
		"no time":               {"a,ball,,4,2026-11-25,", `l.csv:2: made: "2026-11-25" is not a time; write for example "2026-11-25 05:10", or "2026-11-25T05:10:00-05:00"`},
		"held over two lines":   {"a,ball,,4,2026-11-25 05:10,\"a\nb\"", `l.csv:2: held: write the reason on one line of at most 200 characters`},
	} {
		t.Run(name, func(t *testing.T) {
			lots, err := ReadLots("l.csv", []byte("code,item,formula,quantity,made,held\n"+test.rows+"\n"), smallBook(t))
			require.Equal(t, []string{test.want}, faults(t, err))
			require.Empty(t, lots)
		})
	}
}

// The demo's lots cover Friday but for six pan balls: those made on Thursday
// are too young for Friday's first pull.
func TestDemoNightIsShortOfSixPanBalls(t *testing.T) {
	b, night := demoBook(t), day(t, "2026-11-26")
	lots, err := ReadLots("lots.csv", demoNight(t, "lots.csv"), b)
	require.NoError(t, err)
	orders, err := ReadOrders("orders.csv", demoNight(t, "orders.csv"), b, night)
	require.NoError(t, err)
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	require.NoError(t, err)

	left := map[string]quantity.Pieces{}
	for _, l := range lots {
		i := slices.IndexFunc(b.Items, func(it commissary.Item) bool { return it.ID == l.Item })
		// No shop pulls before 11:00 or stretches after 01:00.
		if i >= 0 && !l.Made.After(zone.Instant(night, 11*3600).Add(time.Duration(quantity.Day-b.Items[i].Window.Min)*time.Second)) &&
			!l.Made.Before(zone.Instant(night, 49*3600).Add(-time.Duration(b.Items[i].Window.Max)*time.Second)) {
			left[l.Item] += l.Pieces
		}
	}
	short := map[string]quantity.Pieces{}
	for _, o := range orders {
		for _, l := range o.Lines {
			if l.BakeDate == night.AddDays(1) {
				left[l.Item] -= l.Pieces
			}
		}
	}
	for item, n := range left {
		if n < 0 {
			short[item] = -n
		}
	}
	require.Equal(t, map[string]quantity.Pieces{"pan-520": 6, "basil-500g": 17}, short, "the basil sauce is made on the morning itself")
}

func FuzzReadOrders(f *testing.F) {
	b := demoBook(f)
	f.Add(demoNight(f, "orders.csv"))
	f.Add([]byte("shop,item,quantity,bake_date\nharbor,pan-520,6,2026-11-28\n"))
	f.Add([]byte("\uFEFFshop,item,quantity,bake_date\r\nharbor,\"pan-520\",x,\r\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		orders, err := ReadOrders("o.csv", data, b, day(t, "2026-11-26"))
		if err != nil {
			require.Empty(t, orders)
			require.NotEmpty(t, faults(t, err))
			return
		}
		for _, o := range orders {
			require.NotEmpty(t, o.Lines)
			for _, l := range o.Lines {
				require.Positive(t, l.Pieces)
				require.Positive(t, l.BakeDate.Days(o.Night))
			}
		}
	})
}

// Whatever a file of lots says, it is read whole or refused with its faults.
func FuzzReadLots(f *testing.F) {
	b := demoBook(f)
	f.Add(demoNight(f, "lots.csv"))
	f.Add([]byte("code,item,formula,quantity,made,held\nP-1,,poolish,18 kg,2026-11-25 05:10,a wet sack\n"))
	f.Add([]byte("code,item,formula,quantity,made,held\na,house-280,pan-dough,-1,2026-11-01 01:30,\na,,house-dough,1 kg,2026-11-25T05:10:00-05:00,\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		lots, err := ReadLots("l.csv", data, b)
		if err != nil {
			require.Empty(t, lots)
			require.NotEmpty(t, faults(t, err))
			return
		}
		for i, l := range lots {
			require.True(t, i == 0 || lots[i-1].Code < l.Code, "in order, and no code twice")
			require.Equal(t, l.Item != "", l.Pieces > 0)
			require.Equal(t, l.Item == "", l.Mass > 0)
			require.NotEmpty(t, l.Formula)
			require.False(t, l.Made.IsZero())
		}
	})
}
