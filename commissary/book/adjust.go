package book

import (
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// adjustments reads holidays and events and what they do to sales.
func (r *reader) adjustments(f *fields) {
	f.section("adjustments", "adjustment", false, func(_ string, e *fields) {
		since := r.wrong
		a := commissary.Adjustment{
			Name:   must(e, "name", "Street fair", words),
			From:   must(e, "from", "2026-12-24", civil.ParseDate),
			To:     read(e, "to", civil.ParseDate),
			Shops:  e.words("shops", "shop"),
			Items:  e.words("items", "item"),
			Change: read(e, "change", signed(quantity.ParsePPM)),
			Pieces: read(e, "pieces", signed(quantity.ParsePieces))}
		for _, s := range a.Shops {
			e.ref(e.at("shops"), "shop", s)
		}
		for _, i := range a.Items {
			e.ref(e.at("items"), "item", i)
		}
		if a.To.IsZero() {
			a.To = a.From
		}
		if r.wrong == since {
			switch {
			case a.To.Compare(a.From) < 0:
				r.fault(e.at("to"), "%s: its last day %s is before its first, %s", e.what, a.To, a.From)
			case a.Change < -quantity.Whole:
				r.fault(e.at("change"), "%s: sales cannot fall by more than 100 %%", e.what)
			case a.Change == 0 && a.Pieces == 0:
				r.fault(e.line, "%s changes nothing; write for example \"change: +25 %%\" or \"pieces: 20\"", e.what)
			}
		}
		r.book.Adjustments = append(r.book.Adjustments, a)
	})
}

// signed reads a value with a plus or a minus before it.
func signed[T ~int64](parse func(string) (T, error)) func(string) (T, error) {
	return func(s string) (T, error) {
		digits, negative := strings.CutPrefix(s, "-")
		if !negative {
			digits = strings.TrimPrefix(s, "+")
		}
		v, err := parse(strings.TrimSpace(digits))
		if negative {
			v = -v
		}
		return v, err
	}
}
