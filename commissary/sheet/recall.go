package sheet

import (
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	v1 "doughrun/proto/doughrun/v1"
)

// Trace is a lot with everything it came from and everything it went into.
func Trace(m *v1.TraceLotResponse) string {
	p := newPage(m.GetSite(), "TRACE")
	for _, part := range []struct {
		side  v1.TraceSide
		title string
	}{{v1.TraceSide_TRACE_SIDE_CAME_FROM, "CAME FROM"}, {v1.TraceSide_TRACE_SIDE_ITSELF, "THE LOT"}, {v1.TraceSide_TRACE_SIDE_WENT_INTO, "WENT INTO"}} {
		p.section(part.title, "")
		p.tracedLots(m.GetLots(), part.side)
	}
	p.taken(m)
	if len(m.GetSisterCodes()) > 0 {
		p.section("SISTERS", "lots of the same batch")
		p.put(0, strings.Join(m.GetSisterCodes(), ", "))
	}
	p.balances(m.GetLots())
	return p.String()
}

// taken are the batches of a trace, each with what it took and where its sheet is.
func (p *page) taken(m *v1.TraceLotResponse) {
	if len(m.GetDraws()) == 0 {
		return
	}
	lots := map[string]*v1.Lot{}
	for _, t := range m.GetLots() {
		lots[t.GetLot().GetCode()] = t.GetLot()
	}
	p.section("BY THESE BATCHES", "doughrun batch sheet BATCH prints a sheet")
	var rows [][]string
	for _, d := range m.GetDraws() {
		much := "-"
		if d.GetMassMg() > 0 {
			much = p.weight(d.GetMassMg())
		}
		rows = append(rows, []string{d.GetBatchId(), d.GetLotCode(), whatOf(lots[d.GetLotCode()]), much, sure(d.GetPossible())})
	}
	p.table(0, []column{{"BATCH", 13, false}, {"TOOK FROM", 24, false}, {"WHAT", 18, false}, {"HOW MUCH", 10, true}, {"", 8, false}}, rows)
}

func (p *page) tracedLots(list []*v1.TracedLot, side v1.TraceSide) {
	var rows [][]string
	for _, t := range list {
		if t.GetSide() != side {
			continue
		}
		l := t.GetLot()
		rows = append(rows, []string{l.GetCode(), whatOf(l), sure(t.GetPossible()), p.at(l.GetMadeTime()), either(l.GetBatchId(), l.GetReceipt().GetSupplier()), place(l)})
	}
	p.table(0, []column{{"LOT", 22, false}, {"WHAT", 14, false}, {"", 8, false}, {"MADE", 11, false}, {"BATCH", 12, false}, {"", 7, false}}, rows)
	if len(rows) == 0 {
		p.put(0, "None.")
	}
}

// sure says whether something is certain.
func sure(possible bool) string {
	if possible {
		return "possible"
	}
	return "certain"
}

// balances accounts for lots: what came in is delivered, on hand, used, wasted or unknown.
func (p *page) balances(list []*v1.TracedLot) {
	p.section("WHAT BECAME OF THEM", "")
	var rows [][]string
	for _, t := range list {
		b := t.GetBalance()
		if b == nil {
			continue
		}
		row := []string{t.GetLot().GetCode()}
		for _, n := range []int64{b.GetCameIn(), b.GetDelivered(), b.GetOnHand(), b.GetUsed(), b.GetWasted(), b.GetUnknown()} {
			row = append(row, p.amount(t.GetLot(), n, n))
		}
		rows = append(rows, row)
	}
	p.table(0, []column{{"LOT", 22, false}, {"CAME IN", 9, true}, {"DELIVERED", 9, true}, {"ON HAND", 9, true}, {"USED", 8, true}, {"WASTED", 8, true}, {"UNKNOWN", 9, true}}, rows)
}

// Recall is the page of a recall: whom to call first, what they have, what became of everything.
func Recall(m *v1.GetRecallPackResponse, drill bool) string { return recallPage(m, drill).String() }

func recallPage(m *v1.GetRecallPackResponse, drill bool) *page {
	what := "RECALL"
	if drill {
		what = "RECALL DRILL: AN EXERCISE"
	}
	p := newPage(m.GetSite(), what)
	p.ends("LOT "+m.GetLot().GetCode(), whatOf(m.GetLot()))
	if r := m.GetLot().GetReceipt(); r != nil {
		p.put(0, fmt.Sprintf("From %s, lot code %s.", r.GetSupplier(), r.GetPrintedCode()))
	}
	if m.GetLot().GetHeldReason() == "" {
		p.put(0, "*** NOT ON HOLD: doughrun lot hold "+m.GetLot().GetCode()+" stops picks and drops everywhere. ***")
	}
	p.section("CALL THESE SHOPS", "certain and possible: take back both")
	// One line a shop: lot by lot they stand in shops.csv.
	var rows [][]string
	for i := 0; i < len(m.GetShops()); {
		first := m.GetShops()[i]
		var lots, came, left, van int64
		possible := true
		since := first.GetFirstTime()
		for ; i < len(m.GetShops()) && m.GetShops()[i].GetShopId() == first.GetShopId(); i++ {
			s := m.GetShops()[i]
			lots, came, left, van = lots+1, came+s.GetPieces(), left+s.GetLeftPieces(), van+s.GetUnderWayPieces()
			possible = possible && s.GetPossible()
			if t := s.GetFirstTime(); t != nil && (since == nil || t.AsTime().Before(since.AsTime())) {
				since = t
			}
		}
		rows = append(rows, []string{either(first.GetShopName(), first.GetShopId()), either(first.GetNightPhone(), first.GetPhone()), fmt.Sprint(lots), fmt.Sprint(came),
			fmt.Sprint(left), fmt.Sprint(van), sure(possible), p.at(since)})
	}
	p.table(0, []column{{"SHOP", 18, false}, {"CALL", 9, false}, {"LOTS", 4, true}, {"CAME", 6, true}, {"LEFT", 6, true}, {"VAN", 5, true}, {"", 8, false}, {"FIRST", 16, false}}, rows)
	if len(rows) == 0 {
		p.put(0, "It reached no shop.")
	}
	p.balances(m.GetLots())
	p.section("RECORDS", "")
	p.put(0, fmt.Sprintf("%d of transforming (21 CFR 1.1350), %d of shipping (21 CFR 1.1340), %d of receiving (21 CFR 1.1345).", len(m.GetTransformings()), len(m.GetShippings()), len(m.GetReceivings())))
	p.put(0, "Written for a recall of one lot; whether a food is on the traceability list, and what local law asks besides, is for whoever answers for the kitchen.")
	return p
}

// RecallFiles are the files of a recall by name: the page and its tables as CSV.
func RecallFiles(m *v1.GetRecallPackResponse, drill bool) map[string]string {
	p := blankPage(m.GetSite())
	much := func(n int64, unit string) (string, string) {
		if unit == "pieces" {
			return strconv.FormatInt(n, 10), unit
		}
		if n == 0 {
			return "", "not known"
		}
		text := p.mass(n)
		number, of, _ := strings.Cut(text, " ")
		return number, of
	}
	shops := [][]string{{"shop", "name", "address", "phone", "night phone", "lot code", "what", "pieces received", "pieces left", "pieces under way", "runs", "first", "last", "certain or possible", "on hold"}}
	for _, s := range m.GetShops() {
		shops = append(shops, []string{s.GetShopId(), s.GetShopName(), s.GetAddress(), s.GetPhone(), s.GetNightPhone(), s.GetLotCode(), s.GetDescription(), fmt.Sprint(s.GetPieces()),
			fmt.Sprint(s.GetLeftPieces()), fmt.Sprint(s.GetUnderWayPieces()), strings.Join(s.GetRunIds(), " "), moment(s.GetFirstTime()), moment(s.GetLastTime()), sure(s.GetPossible()), s.GetHeldReason()})
	}
	transforming := [][]string{slices.Concat(TransformingInput, TransformingOutput, []string{"certain or possible"})}
	for _, r := range m.GetTransformings() {
		in, inUnit := much(r.GetInputQuantity(), r.GetInputUnit())
		out, outUnit := much(r.GetQuantity(), r.GetUnit())
		transforming = append(transforming, []string{r.GetInputLotCode(), r.GetInputDescription(), in + " " + inUnit, r.GetLotCode(), r.GetLocation(), r.GetCompletedDate(),
			r.GetDescription(), out + " " + outUnit, r.GetDocumentType() + " " + r.GetDocumentNumber(), sure(r.GetPossible())})
	}
	shipping := [][]string{Shipping}
	for _, r := range m.GetShippings() {
		n, unit := much(r.GetQuantity(), r.GetUnit())
		shipping = append(shipping, []string{r.GetLotCode(), n + " " + unit, r.GetDescription(), r.GetRecipient(), r.GetShippedFrom(), r.GetShippedDate(), r.GetLotCodeSource(), r.GetDocumentType() + " " + r.GetDocumentNumber()})
	}
	receiving := [][]string{Receiving}
	for _, r := range m.GetReceivings() {
		n, unit := much(r.GetQuantity(), r.GetUnit())
		receiving = append(receiving, []string{r.GetLotCode(), n + " " + unit, r.GetDescription(), r.GetSource(), r.GetReceivedAt(), r.GetReceivedDate(), r.GetLotCodeSource(), r.GetDocumentType() + " " + r.GetDocumentNumber()})
	}
	return map[string]string{
		"recall.txt":       Recall(m, drill),
		"shops.csv":        commas(shops),
		"transforming.csv": commas(transforming),
		"shipping.csv":     commas(shipping),
		"receiving.csv":    commas(receiving),
	}
}

// The key data elements of a recall's tables, in the order of the columns.
// Title 21 CFR, sections 1.1340, 1.1345 and 1.1350.
var (
	Shipping = []string{"traceability lot code", "quantity and unit", "product description", "immediate next recipient", "shipped from",
		"date shipped", "lot code source", "reference document"}
	Receiving = []string{"traceability lot code", "quantity and unit", "product description", "immediate previous source", "received at",
		"date received", "lot code source", "reference document"}
	TransformingInput  = []string{"input lot code", "input description", "input quantity and unit"}
	TransformingOutput = []string{"new lot code", "transformed at", "date completed", "product description", "quantity and unit", "reference document"}
)

func moment(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339)
}

// commas writes a table as CSV. What a spreadsheet would take for a formula
// gets an apostrophe in front.
func commas(rows [][]string) string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	var safe []string
	for _, row := range rows {
		safe = safe[:0]
		for _, s := range row {
			s = clean(s)
			if s != "" && strings.ContainsRune("=+-@", rune(s[0])) {
				if _, err := strconv.ParseFloat(s, 64); err != nil {
					s = "'" + s
				}
			}
			safe = append(safe, s)
		}
		_ = w.Write(safe) // a strings.Builder takes everything
	}
	w.Flush()
	return b.String()
}
