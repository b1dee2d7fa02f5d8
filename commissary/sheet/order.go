package sheet

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Order is a receipt: the order as it was kept, and when.
func Order(o *v1.Order) string {
	p := newPage(o.GetSite(), "ORDER")
	p.order(o)
	return p.String()
}

func (p *page) order(o *v1.Order) {
	p.ends(strings.ToUpper(either(o.GetShopName(), o.GetShopId())), fmt.Sprintf("%s, revision %d", word(o.GetState(), "ORDER_STATE_"), o.GetRevision()))
	p.put(0, fmt.Sprintf("Night of %s. Kept %s, from %s.", longDay(o.GetNightDate()), p.exact(o.GetSubmitTime()), either(o.GetSubmittedBy(), nothing)))
	if o.GetPhonedBy() != "" {
		p.put(0, "Phoned in by "+o.GetPhonedBy()+"; written down and read back by "+either(o.GetSubmittedBy(), nothing)+".")
	}
	if o.GetLateBy() != "" {
		p.put(0, "Admitted late by "+o.GetLateBy()+": "+o.GetLateReason())
	}
	if o.GetClosed() {
		p.put(0, "The shop wants nothing at all.")
		return
	}
	lines := slices.Clone(o.GetLines())
	slices.SortStableFunc(lines, func(a, b *v1.OrderLine) int { return cmp.Compare(a.GetBakeDate(), b.GetBakeDate()) })
	for i, l := range lines {
		if i == 0 || lines[i-1].GetBakeDate() != l.GetBakeDate() {
			p.put(0, "For the service of "+longDay(l.GetBakeDate()))
		}
		p.row(2, []column{{"", 8, true}, {"", 60, false}}, []string{fmt.Sprint(l.GetPieces()), either(l.GetItemName(), l.GetItemId())})
	}
}

// Orders is every order of a night, one under the other.
func Orders(site *v1.Site, list []*v1.Order) string {
	p := newPage(site, "ORDERS")
	for i, o := range list {
		if i > 0 {
			p.rule('-')
		}
		p.order(o)
	}
	if len(list) == 0 {
		p.put(0, "Nobody has ordered.")
	}
	return p.String()
}

// Night is a night at one glance: where it stands, who has ordered and who
// has to be called.
func Night(n *v1.Night, c *v1.Catalogue, orders []*v1.Order) string {
	p := newPage(n.GetSite(), "NIGHT")
	p.ends("Night of "+longDay(n.GetNightDate()), word(n.GetState(), "NIGHT_STATE_"))
	if n.GetCloseTime() != nil {
		p.put(0, "Closed "+p.exact(n.GetCloseTime()))
	}
	byShop := map[string]*v1.Order{}
	for _, o := range orders {
		byShop[o.GetShopId()] = o
	}
	var rows [][]string
	var late []string
	var total int64
	for _, s := range c.GetShops() {
		name := either(s.GetName(), s.GetId())
		o := byShop[s.GetId()]
		if o == nil || o.GetState() == v1.OrderState_ORDER_STATE_CANCELLED {
			rows = append(rows, []string{name, "NO ORDER: standing order counts", "", "", ""})
			continue
		}
		var pieces int64
		for _, l := range o.GetLines() {
			pieces += l.GetPieces()
		}
		total += pieces
		what := word(o.GetState(), "ORDER_STATE_") + fmt.Sprintf(", revision %d", o.GetRevision())
		if o.GetClosed() {
			what += ", wants nothing"
		}
		if o.GetLateBy() != "" {
			late = append(late, name+": by "+o.GetLateBy()+", "+o.GetLateReason())
		}
		rows = append(rows, []string{name, what, fmt.Sprint(len(o.GetLines())), fmt.Sprint(pieces), p.at(o.GetSubmitTime())})
	}
	rows = append(rows, []string{"In all", "", "", fmt.Sprint(total), ""})
	p.table(0, []column{{"SHOP", 16, false}, {"ORDER", 32, false}, {"LINES", 5, true}, {"PIECES", 7, true}, {"KEPT", 16, false}}, rows)
	if len(late) > 0 {
		p.section("LATE", "admitted after the close")
		for _, l := range late {
			p.put(0, l)
		}
	}
	if len(n.GetSilentShops()) > 0 {
		p.section("CALL", "standing orders that nobody confirmed")
		for _, s := range n.GetSilentShops() {
			p.item(0, "[ ]", callLine(s))
		}
	}
	return p.String()
}

// callLine is one silent shop with its numbers and what counts unless it speaks.
func callLine(s *v1.SilentShop) string {
	numbers := either(s.GetPhone(), "no number in the book")
	if s.GetNightPhone() != "" {
		numbers += ", at night " + s.GetNightPhone()
	}
	counts := "has no standing order for it"
	if s.GetStandingPieces() > 0 {
		counts = "standing order of " + quantity.Counted(s.GetStandingPieces(), "piece") + " counts"
	}
	return either(s.GetShopName(), s.GetShopId()) + ": " + numbers + "; " + counts
}

// Nights lists nights.
func Nights(list []*v1.Night) string {
	if len(list) == 0 {
		return "No night has begun.\n"
	}
	p := newPage(list[0].GetSite(), "NIGHTS")
	var rows [][]string
	for _, n := range list {
		rows = append(rows, []string{longDay(n.GetNightDate()), word(n.GetState(), "NIGHT_STATE_"), p.at(n.GetCloseTime())})
	}
	p.table(0, []column{{"NIGHT OF", 16, false}, {"STATE", 11, false}, {"CLOSED", 16, false}}, rows)
	return p.String()
}
