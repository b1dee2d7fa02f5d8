package sheet

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

// read returns a message that stands in testdata.
func read[M proto.Message](t *testing.T, name string, m M) M {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name))
	require.NoError(t, err)
	require.NoError(t, protojson.Unmarshal(b, m))
	return m
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got, "look at the difference; go test ./commissary/sheet -update writes it")
}

// fits requires what holds for every sheet.
func fits(t *testing.T, text string) {
	t.Helper()
	require.True(t, strings.HasSuffix(text, "\n"))
	for i, line := range strings.Split(text, "\n") {
		require.LessOrEqual(t, cells(line), columns, "line %d: %s", i+1, line)
		require.Equal(t, strings.TrimRight(line, " "), line, "line %d ends with blanks", i+1)
		for _, r := range line {
			require.False(t, unicode.IsControl(r), "line %d: %q", i+1, line)
		}
	}
}

func TestSheetsAreAsTheyWere(t *testing.T) {
	catalogue := read(t, "catalogue.json", &v1.Catalogue{})
	site := catalogue.GetSite()
	inPounds := func(s *v1.Site) { s.Units = v1.UnitSystem_UNIT_SYSTEM_US }
	for _, tc := range []struct {
		name string
		text func(t *testing.T) string
	}{
		{"plan", func(t *testing.T) string { return Plan(read(t, "plan.json", &v1.Plan{})) }},
		{"plan-draft", func(t *testing.T) string {
			m := read(t, "plan.json", &v1.Plan{})
			m.Revision, m.Exceptions = 0, nil
			return Plan(m)
		}},
		{"batch", func(t *testing.T) string {
			m := read(t, "batch.json", &v1.GetBatchResponse{})
			return Batch(m.GetBatch(), m.GetSheet())
		}},
		{"batch-us", func(t *testing.T) string {
			m := read(t, "batch.json", &v1.GetBatchResponse{})
			inPounds(m.GetSheet().GetSite())
			for _, l := range m.GetSheet().GetLines()[:1] {
				l.ScaleDivisionMg, l.MassMg, l.IceMassMg = 28_350, 12_700_586, 2_267_962
			}
			return Batch(m.GetBatch(), m.GetSheet())
		}},
		{"picks", func(t *testing.T) string { return Picks(read(t, "picks.json", &v1.PickList{})) }},
		{"manifest", func(t *testing.T) string { return Manifest(read(t, "manifest.json", &v1.Manifest{})) }},
		{"manifest-us", func(t *testing.T) string {
			m := read(t, "manifest.json", &v1.Manifest{})
			inPounds(m.GetSite())
			return Manifest(m)
		}},
		{"dispatch", func(t *testing.T) string { return Dispatch(read(t, "dispatch.json", &v1.Dispatch{})) }},
		{"order", func(t *testing.T) string { return Order(read(t, "order.json", &v1.Order{})) }},
		{"orders", func(t *testing.T) string {
			late := read(t, "order.json", &v1.Order{})
			late.ShopName, late.State, late.LateBy, late.LateReason = "Hilltop", v1.OrderState_ORDER_STATE_LATE, "planner", "the line was dead"
			closed := read(t, "order.json", &v1.Order{})
			closed.ShopName, closed.Lines, closed.Closed = "Riverside", nil, true
			return Orders(site, []*v1.Order{late, closed})
		}},
		{"night", func(t *testing.T) string {
			n := read(t, "night.json", &v1.Night{})
			n.SilentShops = []*v1.SilentShop{{ShopName: "Market Square", Phone: "555-0103", NightPhone: "555-0104", StandingPieces: 162}, {ShopName: "Riverside", Phone: "555-0111"}}
			late := read(t, "order.json", &v1.Order{})
			late.ShopId, late.State, late.LateBy, late.LateReason = "hilltop", v1.OrderState_ORDER_STATE_LATE, "planner", "the line was dead"
			return Night(n, catalogue, []*v1.Order{read(t, "order.json", &v1.Order{}), late})
		}},
		{"nights", func(t *testing.T) string { return Nights([]*v1.Night{read(t, "night.json", &v1.Night{})}) }},
		{"lots", func(t *testing.T) string { return Lots(site, read(t, "lots.json", &v1.ListLotsResponse{}).GetLots()) }},
		{"lot", func(t *testing.T) string {
			m := read(t, "lot.json", &v1.GetLotResponse{})
			return Lot(site, m.GetLot(), m.GetMovements())
		}},
		{"finished", func(t *testing.T) string {
			b := read(t, "batch.json", &v1.GetBatchResponse{}).GetBatch()
			b.State = v1.BatchState_BATCH_STATE_OUT
			b.Outcomes = []*v1.BatchOutcome{{}, {MixEndTime: b.GetMixEndTime(), MassMg: b.GetMassMg(), DoughTempMillicelsius: proto.Int32(26_700),
				FarFromPlan: []string{"the dough is at 26.7 °C, planned were 24 °C"}, Notes: []string{"no lot of Pizza flour is recorded as in use"}}}
			l := read(t, "lot.json", &v1.GetLotResponse{}).GetLot()
			l.UseFromTime, l.BestTime, l.UseByTime = l.GetMadeTime(), l.GetMadeTime(), l.GetMadeTime()
			return Finished(site, b, []*v1.Lot{l})
		}},
		{"begun", func(t *testing.T) string {
			b := read(t, "batch.json", &v1.GetBatchResponse{}).GetBatch()
			b.State = v1.BatchState_BATCH_STATE_MIXING
			return Finished(site, b, nil)
		}},
		{"trace", func(t *testing.T) string {
			flour := &v1.Lot{Code: "pizza-flour.W48", IngredientName: "Pizza flour", MadeTime: read(t, "lot.json", &v1.GetLotResponse{}).GetLot().GetMadeTime(), Receipt: &v1.Receipt{Supplier: "Hollow Mill"}}
			ball := read(t, "lot.json", &v1.GetLotResponse{}).GetLot()
			return Trace(&v1.TraceLotResponse{Site: site, SisterCodes: []string{"20261126-03-25"},
				Lots: []*v1.TracedLot{{Lot: flour, Side: v1.TraceSide_TRACE_SIDE_ITSELF, Balance: &v1.Balance{CameIn: 226_796_185, OnHand: 205_236_185, Used: 21_560_000}},
					{Lot: ball, Side: v1.TraceSide_TRACE_SIDE_WENT_INTO, Balance: &v1.Balance{CameIn: 146, OnHand: 146}}},
				Draws: []*v1.TracedDraw{{BatchId: "20261126-03", LotCode: "pizza-flour.W48", MassMg: 21_560_000}, {BatchId: "20261126-05", LotCode: "pizza-flour.W48", Possible: true}}})
		}},
		{"book", func(t *testing.T) string { return Book(catalogue, nil) }},
		{"changes", func(t *testing.T) string {
			return Changes(site, read(t, "changes.json", &v1.ListChangesResponse{}).GetChanges())
		}},
		{"chain-broken", func(t *testing.T) string {
			return Chain(site, &v1.VerifyChainResponse{Verified: 41, BrokenSequence: 42})
		}},
		{"facts-altered", func(t *testing.T) string {
			return Chain(site, &v1.VerifyChainResponse{Verified: 41, AlteredFacts: []string{"order_lines main, 2026-11-26, harbor, 1, 2 is not as the record has it"}})
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			text := tc.text(t)
			fits(t, text)
			golden(t, tc.name+".txt", text)
		})
	}
}

// The numbers at the foot of a pick list are those of its lines.
func TestPickTotalsAreThoseOfTheirLines(t *testing.T) {
	m := read(t, "picks.json", &v1.PickList{})
	text := Picks(m)
	for _, r := range m.GetRuns() {
		boxes, pieces := map[string]int64{}, map[string]int64{}
		for _, k := range r.GetPicks() {
			boxes[k.GetShopId()] += int64(k.GetFullContainers())
			if k.GetLoosePieces() > 0 {
				boxes[k.GetShopId()]++
			}
			pieces[k.GetShopId()] += k.GetPieces()
		}
		var all int64
		for shop := range boxes {
			require.Contains(t, text, fmt.Sprintf("In all %s, %s:", quantity.Counted(boxes[shop], "container"), quantity.Counted(pieces[shop], "piece")))
			all += boxes[shop]
		}
		require.EqualValues(t, r.GetContainers(), all)
	}
}

// Forty reasons are six lines: those that differ only in their shop are one.
func TestReasonsThatDifferOnlyInTheirShopAreOne(t *testing.T) {
	var list []*v1.Reason
	n := newNames()
	for shop := range 10 {
		id := fmt.Sprint("s", shop)
		n.shops[id] = fmt.Sprint("S", shop)
		for _, item := range []string{"a", "b"} {
			for _, date := range []string{"2026-11-27", "2026-11-28"} {
				list = append(list, &v1.Reason{Code: "SHORT", Text: "the long way", ShopId: id, ItemId: item, BakeDate: date, Limit: "window", Pieces: 2,
					EarliestTime: timestamppb.New(time.Date(2026, 11, 28, 10+shop, 0, 0, 0, time.UTC))})
			}
		}
	}
	list[0].Limit = "dough-bench"
	list[1].Code = "PREFERMENT_CAPS"
	require.Len(t, list, 40)
	p := blankPage(nil)
	p.reasons(list, n)
	var told []string
	for line := range strings.Lines(p.String()) {
		if strings.HasPrefix(line, "* ") {
			told = append(told, line)
		}
	}
	require.Len(t, told, 6)
	require.Contains(t, p.String(), "* SHORT: the long way\n* PREFERMENT CAPS: the long way\n")
	flat := strings.Join(strings.Fields(p.String()), " ")
	require.Contains(t, flat, "* SHORT: 20 x b for Fri 27 Nov, bound by window [S0 2, S1 2, S2 2, S3 2, S4 2, S5 2, S6 2, S7 2, S8 2, S9 2], to be had Sat 28 Nov 10:00 at the earliest")
	require.Contains(t, flat, "* SHORT: 18 x a for Sat 28 Nov, bound by window [S1 2,")
}

func TestReasonsOfACheck(t *testing.T) {
	c := &v1.Catalogue{}
	require.Contains(t, Reasons(c, "plan", nil), "All well")
	text := Reasons(c, "plan", []*v1.Reason{
		{Code: "OVER_CAPACITY", Text: "Batch 1 is 3 kg over.", BatchId: "1", Relax: "Move 3 kg."},
		{Code: "OVER_CAPACITY", Text: "Batch 2 is 4 kg over.", BatchId: "2", Relax: "Move 3 kg."},
	})
	require.Contains(t, text, "* OVER CAPACITY: Batch 1 is 3 kg over.\n* OVER CAPACITY: Batch 2 is 4 kg over.\n  What would help: Move 3 kg.\n")
	require.Contains(t, text, "breaks 2 limits")
}

func TestFirmIsCutDown(t *testing.T) {
	batch := func(made, ordered int64) *v1.Batch {
		return &v1.Batch{Makes: []*v1.BatchMaking{{Pieces: made}}, Serves: []*v1.BatchServe{
			{Pieces: ordered, Source: v1.Source_SOURCE_ORDER}, {Pieces: made - ordered, Source: v1.Source_SOURCE_STANDING}}}
	}
	require.Equal(t, "99 %", firm(batch(1000, 999)))
	require.Equal(t, "100 %", firm(batch(1000, 1000)))
	require.Equal(t, "0 %", firm(batch(1000, 9)))
	require.Equal(t, "50 %", firm(batch(30, 30), batch(30, 0)))
	require.Equal(t, nothing, firm(&v1.Batch{}))
	require.Empty(t, firmMark(&v1.Batch{}))
}

func TestMassOnAScale(t *testing.T) {
	for _, tc := range []struct {
		mg, division int64
		want         string
	}{
		{36_400_000, 20_000, "36.40 kg"},
		{840_000, 20_000, "0.84 kg"},
		{57_000_000, 50_000, "57.00 kg"},
		{57_000_000, 1_000_000, "57 kg"},
		{855_000, 5_000, "855 g"},
		{1_855_000, 5_000, "1.855 kg"},
		{121_200, 100, "121.2 g"},
		{12_110, 10, "12.11 g"},
		{12_700_586, 28_350, "28 lb"},    // ounces
		{1_133_981, 14_175, "2 lb 8 oz"}, // half ounces
		{62_369, 2_835, "2.2 oz"},        // tenths of an ounce
		{12_345_678, 0, "12.345678 kg"},
	} {
		require.Equal(t, tc.want, onScale(tc.mg, tc.division), "%d mg in steps of %d", tc.mg, tc.division)
	}
}

func TestAbout(t *testing.T) {
	p := blankPage(nil)
	require.Equal(t, "10.52 kg", p.about(10_520_820))
	require.Equal(t, "0.97 kg", p.about(972_767))
	require.Equal(t, "0.01 kg", p.about(5_000))
	p = blankPage(&v1.Site{Units: v1.UnitSystem_UNIT_SYSTEM_US})
	require.Equal(t, "1.0 lb", p.about(453_592))
	require.Equal(t, "23.2 lb", p.about(10_520_820))
}

func TestFold(t *testing.T) {
	require.Equal(t, []string{""}, fold("", 5))
	require.Equal(t, []string{"one", "two", "three"}, fold("one two three", 5))
	require.Equal(t, []string{"one two", "three"}, fold("one  two\nthree", 7))
	require.Equal(t, []string{"20261126-", "01-1G x"}, fold("20261126-01-1G x", 10))
	require.Equal(t, []string{"2026112", "6-01-1G", "x"}, fold("20261126-01-1G x", 7))
	require.Equal(t, []string{"生", "x"}, fold("生 x", 1), "what cannot fit stands alone")
	require.Equal(t, []string{"生地", "生地"}, fold("生地生地", 5))
}

func TestWideCharactersKeepTheColumns(t *testing.T) {
	p := blankPage(nil)
	p.table(0, []column{{"", 8, false}, {"", 3, true}}, [][]string{{"ball", "1"}, {"ピザ", "2"}, {"Caffe\u0300", "3"}, {"é", "4"}})
	for line := range strings.Lines(p.String()) {
		require.Equal(t, 12, cells(strings.TrimSuffix(line, "\n")), line)
	}
}

func TestNamesCannotMoveTheCursor(t *testing.T) {
	o := read(t, "order.json", &v1.Order{})
	o.ShopName = "Harbor\x1b[2J\r\u202eRow\n"
	fits(t, Order(o))
	require.Contains(t, Order(o), "HARBOR[2JROW")
}

// Half a sheet is better than none.
func TestEmptyMessagesArePrintedToo(t *testing.T) {
	for _, text := range []string{
		Plan(nil), Plan(&v1.Plan{Batches: []*v1.Batch{{}}, Needs: []*v1.Need{{}}, Takes: []*v1.Take{{}}, Scores: []*v1.Score{{}}, Exceptions: []*v1.Reason{{}}}),
		Plans(nil, []*v1.PlanSummary{{}}), Batch(nil, nil),
		Batch(&v1.Batch{Steps: []*v1.BatchStep{{}}}, &v1.BatchSheet{Lines: []*v1.SheetLine{{}}, Divides: []*v1.DivideLine{{}}, Cautions: []string{""}}),
		Batches(nil, []*v1.Batch{{}}), Finished(nil, &v1.Batch{}, []*v1.Lot{{}}), Picks(nil), Picks(&v1.PickList{Runs: []*v1.PickRun{{Picks: []*v1.Pick{{}}}}}),
		Manifest(nil), Manifest(&v1.Manifest{Stops: []*v1.ManifestStop{{Lines: []*v1.ManifestLine{{}}}}}), Manifests([]*v1.Manifest{nil, nil}),
		Dispatch(&v1.Dispatch{Lines: []*v1.DispatchLine{{}}, Manifests: []*v1.Manifest{{}}}), Order(nil), Orders(nil, nil), Night(nil, nil, nil), Nights(nil),
		Lots(nil, []*v1.Lot{{}}), Lot(nil, nil, []*v1.Movement{{}}), Book(nil, &v1.BookRevision{}), Book(&v1.Catalogue{Items: []*v1.CatalogueItem{{}}, Shops: []*v1.CatalogueShop{{}}}, nil),
		Changes(nil, []*v1.Change{{}}), Chain(nil, nil),
	} {
		fits(t, text)
	}
}

func TestAnUnknownZoneIsSaid(t *testing.T) {
	m := read(t, "plan.json", &v1.Plan{})
	m.Site.TimeZone = "Atlantis/Capital"
	text := Plan(m)
	fits(t, text)
	require.Contains(t, text, "Atlantis/Capital is unknown here: all times are UTC")
}
