package sheet

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Reasons lists what a check found. The catalogue names shops and items.
func Reasons(c *v1.Catalogue, what string, list []*v1.Reason) string {
	p := newPage(c.GetSite(), "CHECK OF THE "+strings.ToUpper(what))
	if len(list) == 0 {
		p.put(0, "All well: the "+what+" can be carried out.")
		return p.String()
	}
	p.put(0, fmt.Sprintf("The %s breaks %s:", what, quantity.Counted(len(list), "limit")))
	p.blank()
	p.reasons(list, namesIn(c))
	return p.String()
}

// names gives ids the names that people know.
type names struct{ shops, items map[string]string }

func newNames() names { return names{map[string]string{}, map[string]string{}} }

func namesIn(c *v1.Catalogue) names {
	n := newNames()
	for _, s := range c.GetShops() {
		n.shops[s.GetId()] = s.GetName()
	}
	for _, it := range c.GetItems() {
		n.items[it.GetId()] = it.GetName()
	}
	return n
}

func (n names) shop(id string) string { return either(n.shops[id], id) }
func (n names) item(id string) string { return either(n.items[id], id) }

// about is what reasons have in common that are told as one.
type about struct{ code, item, date, limit string }

// reasons writes exceptions, those that differ only in their shop as one, in
// the order in which they first appear.
func (p *page) reasons(list []*v1.Reason, n names) {
	var order []about
	groups := map[about][]*v1.Reason{}
	for _, r := range list {
		a := about{r.GetCode(), r.GetItemId(), r.GetBakeDate(), r.GetLimit()}
		if len(groups[a]) == 0 {
			order = append(order, a)
		}
		groups[a] = append(groups[a], r)
	}
	for _, a := range order {
		group := groups[a]
		alone := func(r *v1.Reason) bool { return r.GetShopId() == "" }
		if len(group) == 1 || a.item == "" || slices.ContainsFunc(group, alone) {
			for _, r := range group {
				p.item(0, "*", words(a.code)+": "+either(r.GetText(), nothing))
			}
		} else {
			p.item(0, "*", p.together(a, group, n))
		}
		for _, help := range helps(group) {
			p.put(2, "What would help: "+help)
		}
	}
}

// together tells several shops' reasons as one.
func (p *page) together(a about, group []*v1.Reason, n names) string {
	var shops []string
	pieces := map[string]int64{}
	var total int64
	for _, r := range group {
		if !slices.Contains(shops, r.GetShopId()) {
			shops = append(shops, r.GetShopId())
		}
		pieces[r.GetShopId()] += r.GetPieces()
		total += r.GetPieces()
	}
	for i, s := range shops {
		shops[i] = n.shop(s)
		if pieces[s] > 0 {
			shops[i] += fmt.Sprintf(" %d", pieces[s])
		}
	}
	text := words(a.code) + ": "
	if total > 0 {
		text += fmt.Sprintf("%d x ", total)
	}
	text += n.item(a.item)
	if a.date != "" {
		text += " for " + day(a.date)
	}
	if a.limit != "" {
		text += ", bound by " + a.limit
	}
	text += " [" + strings.Join(shops, ", ") + "]"
	if t := soonest(group); t != nil {
		text += ", to be had " + p.at(t) + " at the earliest"
	}
	return text
}

// soonest is when the first of a group could be had; nil when nobody knows.
func soonest(group []*v1.Reason) *timestamppb.Timestamp {
	var first *timestamppb.Timestamp
	for _, r := range group {
		if t := r.GetEarliestTime(); t != nil && (first == nil || t.AsTime().Before(first.AsTime())) {
			first = t
		}
	}
	return first
}

// helps are the different changes that would help a group.
func helps(group []*v1.Reason) []string {
	var all []string
	for _, r := range group {
		if r.GetRelax() != "" && !slices.Contains(all, r.GetRelax()) {
			all = append(all, r.GetRelax())
		}
	}
	return all
}

// words writes a code for people.
func words(code string) string { return strings.ReplaceAll(code, "_", " ") }
