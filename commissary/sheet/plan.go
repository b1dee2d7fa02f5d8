package sheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Plan is the plan at one glance: where what is wanted comes from, which lots
// to use, the batches day by day with their firm share, and what could not be
// honoured.
func Plan(m *v1.Plan) string { return planPage(m).String() }

func planPage(m *v1.Plan) *page {
	p := newPage(m.GetSite(), "BATCH PLAN")
	p.ends("Night of "+longDay(m.GetNightDate()), standing(m.GetState(), m.GetRevision()))
	p.put(0, fmt.Sprintf("Made for %s, book revision %d, inputs %.12s", p.exact(m.GetPlanTime()), m.GetBookRevision(), either(m.GetInputHash(), nothing)))
	n := namesOf(m)
	p.exceptions(m.GetExceptions(), n)
	p.sources(m)
	p.lotsToUse(m)
	p.days(m)
	p.scores(m.GetScores())
	return p
}

// standing says what a revision of a plan or dispatch is worth.
func standing(s v1.PlanState, revision int32) string {
	if revision == 0 {
		return "DRAFT, NOT RELEASED"
	}
	return fmt.Sprintf("REVISION %d, %s", revision, word(s, "PLAN_STATE_"))
}

func namesOf(m *v1.Plan) names {
	n := newNames()
	for _, x := range m.GetNeeds() {
		n.shops[x.GetShopId()], n.items[x.GetItemId()] = x.GetShopName(), x.GetItemName()
	}
	for _, b := range m.GetBatches() {
		for _, x := range b.GetMakes() {
			n.items[x.GetItemId()] = x.GetItemName()
		}
	}
	return n
}

func (p *page) exceptions(list []*v1.Reason, n names) {
	if len(list) == 0 {
		p.section("NO EXCEPTIONS", "")
		p.put(0, "Everything that is wanted is served.")
		return
	}
	p.section("EXCEPTIONS", quantity.Counted(len(list), "reason"))
	p.reasons(list, n)
}

// wanted is one item for one bake date.
type wanted struct{ date, item string }

// sources shows, by bake date and item, what is wanted and where it comes from.
func (p *page) sources(m *v1.Plan) {
	type row struct {
		name                                  string
		all, ordered, lots, posted, to, short int64
	}
	var keys []wanted
	rows := map[wanted]*row{}
	of := func(date, item, name string) *row {
		k := wanted{date, item}
		if rows[k] == nil {
			rows[k] = &row{name: either(name, item)}
			keys = append(keys, k)
		}
		return rows[k]
	}
	for _, x := range m.GetNeeds() {
		r := of(x.GetBakeDate(), x.GetItemId(), x.GetItemName())
		r.all += x.GetPieces()
		r.short += x.GetPieces()
		if x.GetSource() == v1.Source_SOURCE_ORDER {
			r.ordered += x.GetPieces()
		}
	}
	for _, x := range m.GetTakes() {
		r := of(x.GetBakeDate(), x.GetItemId(), x.GetItemName())
		r.short -= x.GetPieces()
		if x.GetBatchId() != "" {
			r.posted += x.GetPieces()
		} else {
			r.lots += x.GetPieces()
		}
	}
	for _, b := range m.GetBatches() {
		for _, x := range b.GetServes() {
			r := of(x.GetBakeDate(), x.GetItemId(), x.GetItemName())
			r.to += x.GetPieces()
			r.short -= x.GetPieces()
		}
	}
	slices.SortStableFunc(keys, func(a, b wanted) int { return cmp.Compare(a.date, b.date) })
	p.section("WANTED, AND WHERE IT COMES FROM", "pieces")
	cols := []column{{"ITEM", 28, false}, {"WANTED", 7, true}, {"ORDERED", 7, true}, {"LOTS", 7, true}, {"POSTED", 7, true}, {"TO MAKE", 7, true}, {"SHORT", 7, true}}
	for i, k := range keys {
		if i == 0 || keys[i-1].date != k.date {
			p.put(0, "For "+longDay(k.date))
			if i == 0 {
				p.table(2, cols, nil)
			}
		}
		r := rows[k]
		cells := []string{r.name}
		for _, v := range []int64{r.all, r.ordered, r.lots, r.posted, r.to, r.short} {
			cells = append(cells, number(v))
		}
		p.row(2, cols, cells)
	}
	if len(keys) == 0 {
		p.put(0, "Nothing.")
	}
}

func number(v int64) string {
	if v == 0 {
		return nothing
	}
	return fmt.Sprint(v)
}

// lotsToUse shows what is taken from what is there.
func (p *page) lotsToUse(m *v1.Plan) {
	type taken struct{ date, item, from string }
	names, pieces := map[string]string{}, map[taken]int64{}
	var order []taken
	for _, t := range m.GetTakes() {
		k := taken{t.GetBakeDate(), t.GetItemId(), "lot " + t.GetLotCode()}
		if t.GetBatchId() != "" {
			k.from = "batch " + t.GetBatchId() + ", posted earlier"
		}
		if pieces[k] == 0 {
			order = append(order, k)
		}
		pieces[k] += t.GetPieces()
		names[t.GetItemId()] = either(t.GetItemName(), t.GetItemId())
	}
	if len(order) == 0 {
		return
	}
	slices.SortStableFunc(order, func(a, b taken) int { return cmp.Compare(a.date, b.date) })
	p.section("TAKEN FROM LOTS ON HAND AND BATCHES POSTED EARLIER", "")
	var rows [][]string
	for _, k := range order {
		rows = append(rows, []string{day(k.date), names[k.item], fmt.Sprint(pieces[k]), k.from})
	}
	p.table(0, []column{{"FOR", 10, false}, {"ITEM", 24, false}, {"PIECES", 6, true}, {"FROM", 37, false}}, rows)
}

// days shows the batches by the day on which they are loaded.
func (p *page) days(m *v1.Plan) {
	batches := slices.Clone(m.GetBatches())
	slices.SortStableFunc(batches, func(a, b *v1.Batch) int {
		return cmp.Or(Loads(a).AsTime().Compare(Loads(b).AsTime()), cmp.Compare(a.GetId(), b.GetId()))
	})
	several := severalOf(batches)
	fed := map[string][]*v1.Batch{} // batch → whom it feeds
	for _, b := range batches {
		for _, u := range b.GetUses() {
			if list := fed[u.GetBatchId()]; u.GetBatchId() != "" && !slices.Contains(list, b) {
				fed[u.GetBatchId()] = append(list, b)
			}
		}
	}
	for len(batches) > 0 {
		d := p.on(Loads(batches[0]))
		end := slices.IndexFunc(batches, func(b *v1.Batch) bool { return p.on(Loads(b)) != d })
		if end < 0 {
			end = len(batches)
		}
		p.day(m, d, batches[:end], several, fed)
		batches = batches[end:]
	}
	if len(m.GetBatches()) == 0 {
		p.section("NO BATCHES", "")
		p.put(0, "Nothing has to be made.")
	}
}

func (p *page) day(m *v1.Plan, d civil.Date, batches []*v1.Batch, several map[string]bool, fed map[string][]*v1.Batch) {
	title := fmt.Sprintf("TO MAKE ON %s: %s", strings.ToUpper(d.Long()), quantity.Counted(len(batches), "batch"))
	if ordered, all := share(batches...); ordered == 0 && all > 0 {
		title += ", NOT ORDERED YET"
	}
	p.section(title, firmMark(batches...))
	cols := []column{{"LOAD", 12, false}, {"BATCH", 11, false}, {"FORMULA", 19, false}, {"VESSEL", 19, false}, {"MASS", 9, true}, {"FIRM", 5, true}}
	p.table(0, cols, nil)
	for _, b := range batches {
		p.row(0, cols, []string{p.mark(Loads(b)), b.GetId(), either(b.GetFormulaName(), b.GetFormulaId()), vesselOf(b, several[b.GetVesselId()]), p.about(b.GetMassMg()), firm(eaten(b, fed)...)})
		if b.GetOdd() {
			p.put(13, "*** ODD: its weights differ from the other batches ***")
		}
		for _, x := range b.GetMakes() {
			p.put(13, made(b, x))
		}
		if text := notOrdered(b); text != "" {
			p.put(13, text)
		}
		if list := fed[b.GetId()]; len(list) > 0 {
			ids := make([]string, len(list))
			for i, x := range list {
				ids[i] = x.GetId()
			}
			slices.Sort(ids)
			p.put(13, "goes into "+strings.Join(ids, ", "))
		}
		if m.GetRevision() > 0 && b.GetState() == v1.BatchState_BATCH_STATE_PLANNED {
			p.put(13, "not posted yet: the next plan may change it")
		}
	}
}

// made says how many of an item a batch makes, and for when.
func made(b *v1.Batch, x *v1.BatchMaking) string {
	left := x.GetPieces()
	var dates []string
	forDay := map[string]int64{}
	for _, s := range b.GetServes() {
		if s.GetItemId() != x.GetItemId() {
			continue
		}
		if forDay[s.GetBakeDate()] == 0 {
			dates = append(dates, s.GetBakeDate())
		}
		forDay[s.GetBakeDate()] += s.GetPieces()
		left -= s.GetPieces()
	}
	slices.Sort(dates)
	var parts []string
	for _, d := range dates {
		parts = append(parts, fmt.Sprintf("%d for %s", forDay[d], day(d)))
	}
	if left != 0 || len(dates) == 0 {
		parts = append(parts, fmt.Sprintf("SURPLUS %d", left))
	}
	return fmt.Sprintf("%d x %s: %s", x.GetPieces(), either(x.GetItemName(), x.GetItemId()), strings.Join(parts, ", "))
}

// Loads is when a batch's vessel is loaded.
func Loads(b *v1.Batch) *timestamppb.Timestamp {
	for _, s := range b.GetSteps() {
		if s.GetKind() == v1.StepKind_STEP_KIND_MIX {
			return s.GetStartTime()
		}
	}
	return b.GetMixEndTime()
}

// eaten is the batches whose pieces a batch ends in: itself, or those that
// what makes no pieces goes into.
func eaten(b *v1.Batch, fed map[string][]*v1.Batch) []*v1.Batch {
	if len(b.GetMakes()) > 0 {
		return []*v1.Batch{b}
	}
	var all []*v1.Batch
	for _, x := range fed[b.GetId()] {
		all = append(all, eaten(x, fed)...)
	}
	return all
}

// notOrdered says who spoke for the pieces of a batch, where not all are ordered.
func notOrdered(b *v1.Batch) string {
	from := map[v1.Source]int64{}
	for _, s := range b.GetServes() {
		from[s.GetSource()] += s.GetPieces()
	}
	var parts []string
	for _, s := range []struct {
		source v1.Source
		text   string
	}{{v1.Source_SOURCE_ORDER, "ordered"}, {v1.Source_SOURCE_STANDING, "by standing order"}, {v1.Source_SOURCE_FORECAST, "by forecast"}} {
		if n := from[s.source]; n > 0 || s.source == v1.Source_SOURCE_ORDER {
			parts = append(parts, fmt.Sprintf("%d %s", n, s.text))
		}
	}
	if len(parts) == 1 {
		return ""
	}
	return strings.Join(parts, ", ")
}

// share counts the pieces that shops have ordered among those that are made.
func share(batches ...*v1.Batch) (ordered, all int64) {
	for _, b := range batches {
		for _, x := range b.GetMakes() {
			all += x.GetPieces()
		}
		for _, s := range b.GetServes() {
			if s.GetSource() == v1.Source_SOURCE_ORDER {
				ordered += s.GetPieces()
			}
		}
	}
	return ordered, all
}

// firm is the share of a batch's pieces that is ordered, in percent and cut
// down: only what is ordered to the last piece is 100 %.
func firm(batches ...*v1.Batch) string {
	ordered, all := share(batches...)
	if all == 0 {
		return nothing
	}
	return fmt.Sprintf("%d %%", ordered*100/all)
}

// firmMark shows the firm share so that nobody overlooks it.
func firmMark(batches ...*v1.Batch) string {
	if _, all := share(batches...); all == 0 {
		return ""
	}
	return ">>> FIRM " + firm(batches...) + " <<<"
}

// scores says how good the plan is, beside what no plan can beat.
func (p *page) scores(list []*v1.Score) {
	if len(list) == 0 {
		return
	}
	p.section("HOW GOOD IT IS", "in order of weight")
	var rows [][]string
	for _, s := range list {
		rows = append(rows, []string{either(components[s.GetComponent()], s.GetComponent()), fmt.Sprint(s.GetValue()), fmt.Sprint(s.GetBound())})
	}
	p.table(0, []column{{"", 45, false}, {"THIS PLAN", 10, true}, {"NO PLAN BELOW", 14, true}}, rows)
}

// components says what the parts of a score count.
var components = map[string]string{
	"short":     "pieces short",
	"off_band":  "pieces outside the good band of their age",
	"batches":   "batches",
	"surplus":   "pieces left over",
	"deviation": "minutes off the best age, times pieces",
	"washes":    "full washes",
	"finish":    "minutes until the last step is done",
}

// Plans lists a night's released plans.
func Plans(site *v1.Site, list []*v1.PlanSummary) string {
	p := newPage(site, "PLANS")
	var rows [][]string
	for _, s := range list {
		rows = append(rows, []string{fmt.Sprint(s.GetRevision()), word(s.GetState(), "PLAN_STATE_"), p.at(s.GetPlanTime()),
			fmt.Sprint(s.GetBatchCount()), fmt.Sprint(s.GetExceptionCount()), fmt.Sprintf("%.12s", s.GetInputHash())})
	}
	p.table(0, []column{{"REV", 4, true}, {"STATE", 11, false}, {"MADE FOR", 16, false}, {"BATCHES", 7, true}, {"EXCEPTIONS", 10, true}, {"INPUTS", 12, false}}, rows)
	return p.String()
}
