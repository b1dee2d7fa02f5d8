package wire_test

import (
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

var names = []struct {
	noun, name string
	parse      func(string) ([]any, error)
	want       []any
	request    func(name string) proto.Message // a request with the name, whose field rules must agree
}{
	{"kitchen", wire.KitchenName("main"),
		func(s string) ([]any, error) { k, err := wire.ParseKitchen(s); return []any{k}, err },
		[]any{"main"}, func(s string) proto.Message { return &v1.ListNightsRequest{Kitchen: s} }},
	{"book", wire.BookName("main", 7),
		func(s string) ([]any, error) { k, r, err := wire.ParseBook(s); return []any{k, r}, err },
		[]any{"main", 7}, func(s string) proto.Message { return &v1.GetBookRequest{Name: s} }},
	{"newest book", wire.BookName("main", 0),
		func(s string) ([]any, error) { k, r, err := wire.ParseBook(s); return []any{k, r}, err },
		[]any{"main", 0}, func(s string) proto.Message { return &v1.GetBookRequest{Name: s} }},
	{"night", wire.NightName("main", someDay),
		func(s string) ([]any, error) { k, d, err := wire.ParseNight(s); return []any{k, d}, err },
		[]any{"main", someDay}, func(s string) proto.Message { return &v1.GetNightRequest{Name: s} }},
	{"order", wire.OrderName("main", someDay, "north"),
		func(s string) ([]any, error) { k, d, id, err := wire.ParseOrder(s); return []any{k, d, id}, err },
		[]any{"main", someDay, "north"}, func(s string) proto.Message { return &v1.GetOrderRequest{Name: s} }},
	{"plan", wire.PlanName("main", someDay, 2),
		func(s string) ([]any, error) { k, d, r, err := wire.ParsePlan(s); return []any{k, d, r}, err },
		[]any{"main", someDay, 2}, func(s string) proto.Message { return &v1.GetPlanRequest{Name: s} }},
	{"dispatch", wire.DispatchName("main", someDay, 0),
		func(s string) ([]any, error) { k, d, r, err := wire.ParseDispatch(s); return []any{k, d, r}, err },
		[]any{"main", someDay, 0}, func(s string) proto.Message { return &v1.GetDispatchRequest{Name: s} }},
	{"manifest", wire.ManifestName("main", someDay, "early"),
		func(s string) ([]any, error) { k, d, id, err := wire.ParseManifest(s); return []any{k, d, id}, err },
		[]any{"main", someDay, "early"}, func(s string) proto.Message { return &v1.GetManifestRequest{Name: s} }},
	{"batch", wire.BatchName("main", "20261126-03"),
		func(s string) ([]any, error) { k, id, err := wire.ParseBatch(s); return []any{k, id}, err },
		[]any{"main", "20261126-03"}, func(s string) proto.Message { return &v1.GetBatchRequest{Name: s} }},
	{"lot", wire.LotName("main", "N26.03-A"),
		func(s string) ([]any, error) { k, id, err := wire.ParseLot(s); return []any{k, id}, err },
		[]any{"main", "N26.03-A"}, func(s string) proto.Message { return &v1.GetLotRequest{Name: s} }},
}

func TestNames(t *testing.T) {
	for _, c := range names {
		got, err := c.parse(c.name)
		require.NoError(t, err, c.noun)
		require.Equal(t, c.want, got, c.noun)
		require.NoError(t, protovalidate.Validate(c.request(c.name)), c.noun)
	}
}

func TestNamesRefused(t *testing.T) {
	for name, why := range map[string]string{
		"":                                "too few or too many parts",
		"kitchens/main/nights/2026-11-26": "too few or too many parts",
		"kitchens/main/nights/2026-11-26/shops/north":    `"shops" stands where orders should`,
		"kitchens/Main/nights/2026-11-26/orders/north":   `"Main" is not a kitchen`,
		"kitchens/main/nights/2026-13-26/orders/north":   `"2026-13-26" is not a date`,
		"kitchens/main/nights/2026-11-26/orders/":        `"" is not a shop`,
		"kitchens/main/nights/2026-11-26/orders/-north":  `"-north" is not a shop`,
		"kitchens/main/nights/2026-11-26/orders/north\n": `"north\n" is not a shop`,
	} {
		_, _, _, err := wire.ParseOrder(name)
		var e *commissary.Error
		require.ErrorAs(t, err, &e, name)
		require.Equal(t, commissary.Invalid, e.Kind)
		require.Contains(t, e.Text, why)
		require.Contains(t, e.Text, "write kitchens/KITCHEN/nights/DATE/orders/SHOP")
	}
	for _, bad := range []string{"0", "01", "-1", "latest", "1000000000"} {
		_, _, err := wire.ParseBook("kitchens/main/books/" + bad)
		require.ErrorContains(t, err, "is not a revision")
	}
}

// The field rules of the contract and the parser agree on every name but one
// with a date that only the calendar refuses.
func TestNamesKeepTheRulesOfTheContract(t *testing.T) {
	validator, err := protovalidate.New()
	require.NoError(t, err)
	letters := rapid.SampledFrom([]rune("kmain/-.09AZa z\n:ü"))
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(names).Draw(t, "noun")
		name := []rune(c.name)
		for range rapid.IntRange(1, 3).Draw(t, "changes") {
			i := rapid.IntRange(0, len(name)-1).Draw(t, "at")
			if r := letters.Draw(t, "letter"); rapid.Bool().Draw(t, "insert") {
				name = append(name[:i:i], append([]rune{r}, name[i:]...)...)
			} else {
				name[i] = r
			}
		}
		_, err := c.parse(string(name))
		rules := validator.Validate(c.request(string(name)))
		if err != nil && rules == nil {
			require.ErrorContains(t, err, "is not a date")
			return
		}
		require.Equal(t, rules == nil, err == nil, "%q: the rules say %v, the parser %v", string(name), rules, err)
	})
}

// The longest of everything that the contract allows is allowed by the parser, and one more is not, on both sides.
func TestNamesAtTheirLongest(t *testing.T) {
	long := func(n int) string { return strings.Repeat("a", n) }
	for noun, pair := range map[string][2]string{
		"kitchen":  {wire.KitchenName(long(63)), wire.KitchenName(long(64))},
		"order":    {wire.OrderName("main", someDay, long(63)), wire.OrderName("main", someDay, long(64))},
		"manifest": {wire.ManifestName("main", someDay, long(63)), wire.ManifestName("main", someDay, long(64))},
		"book":     {wire.BookName("main", 999_999_999), wire.BookName("main", 1_000_000_000)},
		"plan":     {wire.PlanName("main", someDay, 999_999_999), wire.PlanName("main", someDay, 1_000_000_000)},
		"dispatch": {wire.DispatchName("main", someDay, 999_999_999), wire.DispatchName("main", someDay, 1_000_000_000)},
		"batch":    {wire.BatchName("main", "20261126-0123"), wire.BatchName("main", "20261126-01234")},
		"lot":      {wire.LotName("main", long(64)), wire.LotName("main", long(65))},
	} {
		for _, c := range names {
			if c.noun != noun {
				continue
			}
			_, err := c.parse(pair[0])
			require.NoError(t, err, noun)
			require.NoError(t, protovalidate.Validate(c.request(pair[0])), noun)
			_, err = c.parse(pair[1])
			require.Error(t, err, noun)
			require.Error(t, protovalidate.Validate(c.request(pair[1])), noun)
		}
	}
}

// Names made from any noun can be read again.
func TestNamesRoundTrip(t *testing.T) {
	id := rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,20}`)
	rapid.Check(t, func(t *rapid.T) {
		k, shop := id.Draw(t, "kitchen"), id.Draw(t, "shop")
		night := civil.Date{Year: 2026, Month: 1, Day: 1}.AddDays(rapid.IntRange(0, 20_000).Draw(t, "days"))
		revision := rapid.IntRange(0, 999_999_999).Draw(t, "revision")
		gotK, gotNight, gotShop, err := wire.ParseOrder(wire.OrderName(k, night, shop))
		require.NoError(t, err)
		require.Equal(t, []any{k, night, shop}, []any{gotK, gotNight, gotShop})
		gotK, gotNight, gotRevision, err := wire.ParsePlan(wire.PlanName(k, night, revision))
		require.NoError(t, err)
		require.Equal(t, []any{k, night, revision}, []any{gotK, gotNight, gotRevision})
	})
}
