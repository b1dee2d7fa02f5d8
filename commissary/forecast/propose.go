package forecast

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Calendar is what is known beforehand about a shop's days.
type Calendar struct {
	Service     civil.Weekdays // days with a service; none: every day
	Closed      []civil.Date   // closed all the same
	Adjustments []Adjustment
}

// Adjustment is a holiday or one-off event and what it does to the sale of
// each of its days.
type Adjustment struct {
	Name   string
	From   civil.Date
	To     civil.Date      // last day
	Item   string          // empty: every item
	Change quantity.PPM    // of the sale: 250,000 is a quarter more; not below −Whole
	Pieces quantity.Pieces // added after the change; may be below zero
}

// open reports whether there is a service.
func (c Calendar) open(day civil.Date) bool {
	return (c.Service == 0 || c.Service.Has(day.Weekday())) && !slices.Contains(c.Closed, day)
}

// Stock is cold stock of an item on hand, or already coming. Balls that were
// pulled are not stock.
type Stock struct {
	Pieces quantity.Pieces
	From   civil.Date // first service it may be used in; zero: any
	To     civil.Date // last service it may be used in; zero: no limit
	Coming bool       // not on hand yet
}

// Ask is what a proposal is made from.
type Ask struct {
	Item  commissary.Item
	Fit   Fit
	Night civil.Date // the evening of the count: its sale is over
	From  civil.Date // first service the delivery must cover
	To    civil.Date // last
	Stock []Stock
}

// Proposal is a proposed order with its arithmetic: the lines add up as
// printed.
type Proposal struct {
	Item     string
	From, To civil.Date // services covered
	Days     []DaySale  // from the day after the night to the last one covered

	Sell   quantity.Pieces // expected sale of the services covered
	Safety quantity.Pieces // beyond it; below zero where throwing away costs more than running out
	Left   quantity.Pieces // on hand, and still there and usable for those services
	Coming quantity.Pieces // already coming, likewise
	Need   quantity.Pieces // sell + safety − left − coming, at least zero
	Order  quantity.Pieces // Need in full containers
	Boxes  int64           // containers; 0 where the item has none
	Lapse  quantity.Pieces // stock that is expected to pass its date unsold before the last service covered ends

	Ratio quantity.PPM // of nights that the stock should last
	Known int          // misses behind the safety; below 20 a normal spread stands in
}

// DaySale is the expected sale of one day.
type DaySale struct {
	Date    civil.Date
	Covered bool // by the delivery; otherwise a day before it
	Closed  bool
	Usual   Milli // if it were an ordinary open day
	Changes []Change
	Sale    Milli // Usual and Changes together; 0 when closed
}

// Change is what one adjustment did to a day.
type Change struct {
	Name string
	By   Milli
}

// Term is one line of the arithmetic.
type Term struct {
	Label  string
	Pieces quantity.Pieces // with its sign
}

// Terms returns the lines that add up to Need, or to less than zero where
// nothing is needed.
func (p Proposal) Terms() []Term {
	return []Term{{"will sell", p.Sell}, {"safety", p.Safety}, {"left", -p.Left}, {"coming", -p.Coming}}
}

// String prints the arithmetic on one line:
// will sell 84 + safety 9 − left 21 − coming 24 = 48 → 6 boxes.
func (p Proposal) String() string {
	var b strings.Builder
	for i, t := range p.Terms() {
		sign, n := " + ", t.Pieces
		if n < 0 || n == 0 && i >= 2 {
			sign, n = " − ", -n
		}
		if i == 0 {
			sign = ""
		}
		fmt.Fprintf(&b, "%s%s %d", sign, t.Label, n)
	}
	total := p.Sell + p.Safety - p.Left - p.Coming
	if total < 0 {
		fmt.Fprintf(&b, ": enough, %d over", -total)
		return b.String()
	}
	fmt.Fprintf(&b, " = %d", total)
	switch {
	case p.Boxes == 1:
		b.WriteString(" → 1 box")
	case p.Boxes > 1:
		fmt.Fprintf(&b, " → %d boxes", p.Boxes)
	}
	return b.String()
}

// Changes returns what each adjustment did to the covered days in all, in the
// order in which they applied.
func (p Proposal) Changes() []Change {
	var all []Change
	for _, d := range p.Days {
		if !d.Covered {
			continue
		}
		for _, c := range d.Changes {
			i := slices.IndexFunc(all, func(x Change) bool { return x.Name == c.Name })
			if i < 0 {
				all = append(all, c)
			} else {
				all[i].By += c.By
			}
		}
	}
	return all
}

// Propose works out what to order: the expected sale of the services the
// delivery must cover, and safety, less what is on hand and coming and still
// usable then, up to full containers. Until the delivery and during its days
// the stock is used as it lapses first, at the expected sale; what it falls
// short before the delivery is lost, not owed. Safety covers the days from the
// night on where stock is carried into the covered ones, for a busy day before
// then leaves less; otherwise the covered days alone. Spans longer than Reach
// take the spread of Reach, relative to their sale, which is on the wide side.
// It is Invalid for input that makes no sense and Precondition when the fit
// does not reach the days.
func Propose(a Ask, c Calendar) (Proposal, error) {
	if err := a.check(c); err != nil {
		return Proposal{}, err
	}
	p := Proposal{Item: a.Item.ID, From: a.From, To: a.To, Days: make([]DaySale, 0, a.To.Days(a.Night))}
	var sell, before Milli
	open, openBefore := 0, 0
	for day := a.Night.AddDays(1); day.Compare(a.To) <= 0; day = day.AddDays(1) {
		s, err := a.sale(c, day)
		if err != nil {
			return Proposal{}, err
		}
		p.Days = append(p.Days, s)
		switch {
		case s.Closed:
		case s.Covered:
			sell, open = sell+s.Sale, open+1
		default:
			before, openBefore = before+s.Sale, openBefore+1
		}
	}
	p.use(a.Stock)

	var err error
	if p.Ratio, err = Ratio(a.Item.CostOut, a.Item.CostWaste); err != nil {
		return Proposal{}, err
	}
	spanned, days := sell, open
	if p.Left+p.Coming > 0 {
		spanned, days = sell+before, open+openBefore
	}
	p.Sell = sell.whole(quantity.Nearest)
	if open > 0 {
		spread := a.Fit.Spread[min(days, Reach)-1]
		safety, err := spread.safety(spanned, p.Ratio)
		if err != nil {
			return Proposal{}, err
		}
		p.Known = spread.Misses
		p.Safety = max(safety.whole(quantity.Up), -p.Sell)
	}
	p.Need = max(p.Sell+p.Safety-p.Left-p.Coming, 0)
	p.Order = p.Need
	if per := a.Item.PerBox; per > 1 {
		p.Boxes = int64((p.Need + per - 1) / per)
		p.Order = quantity.Pieces(p.Boxes) * per
	}
	return p, nil
}

func (a Ask) check(c Calendar) error {
	bad := func(format string, args ...any) error {
		return commissary.Refuse(commissary.Invalid, "PROPOSAL_INVALID", "%s at shop %s: "+format,
			append([]any{a.Item.ID, a.Fit.Shop}, args...)...)
	}
	switch {
	case a.Fit.Item != a.Item.ID:
		return bad("the forecast is that of %s; take the item's own", a.Fit.Item)
	case a.From.Compare(a.Night) <= 0 || a.To.Compare(a.From) < 0:
		return bad("a delivery after the night of %s cannot cover %s to %s; give later days in order", a.Night, a.From, a.To)
	case a.To.Days(a.Night) > Horizon:
		return bad("the delivery would cover days up to %s; ask for %d days at most", a.To, Horizon)
	}
	for _, s := range a.Stock {
		if s.Pieces < 0 || s.Pieces > quantity.MaxPieces {
			return bad("%d pieces in stock cannot be; count again", s.Pieces)
		}
	}
	for _, e := range c.Adjustments {
		if e.Change < -quantity.Whole || e.Change > quantity.MaxPPM || e.Pieces < -quantity.MaxPieces || e.Pieces > quantity.MaxPieces {
			return bad("the adjustment %q is out of range; change a sale by −100 %% to +10,000 %%", e.Name)
		}
	}
	return nil
}

// Sale returns the expected sale of the fit's item on a day, adjustments applied.
func (f Fit) Sale(c Calendar, day civil.Date) (Milli, error) {
	s, err := Ask{Item: commissary.Item{ID: f.Item}, Fit: f}.sale(c, day)
	return s.Sale, err
}

// sale returns the expected sale of a day, its adjustments applied in their
// order, each to what those before it left.
func (a Ask) sale(c Calendar, day civil.Date) (DaySale, error) {
	s := DaySale{Date: day, Covered: day.Compare(a.From) >= 0, Closed: !c.open(day)}
	if s.Closed {
		return s, nil
	}
	var err error
	if s.Usual, err = a.Fit.On(day); err != nil {
		return s, err
	}
	s.Sale = s.Usual
	for _, e := range c.Adjustments {
		if e.From.Compare(day) > 0 || e.To.Compare(day) < 0 || e.Item != "" && e.Item != a.Item.ID {
			continue
		}
		by, err := quantity.Share(s.Sale, e.Change, quantity.Nearest)
		if err != nil {
			return s, err
		}
		by = max(by+Milli(e.Pieces)*Piece, -s.Sale)
		s.Sale += by
		if s.Sale > Milli(quantity.MaxPieces)*Piece {
			return s, commissary.Refuse(commissary.Invalid, "PROPOSAL_INVALID",
				"%s at shop %s: with %q more than %d pieces would sell on %s; lower the adjustment",
				a.Item.ID, a.Fit.Shop, e.Name, quantity.MaxPieces, day)
		}
		s.Changes = append(s.Changes, Change{e.Name, by})
	}
	return s, nil
}

// use lets the expected sales of the days take from the stock, what lapses
// first first, and sets what the covered days have from it. What is left after
// the last day and still good then counts as well.
func (p *Proposal) use(stock []Stock) {
	type heap struct {
		Stock
		left Milli
	}
	heaps := make([]heap, 0, len(stock))
	for _, s := range stock {
		if s.To.IsZero() {
			s.To = p.To.AddDays(1)
		}
		heaps = append(heaps, heap{s, Milli(s.Pieces) * Piece})
	}
	slices.SortStableFunc(heaps, func(a, b heap) int {
		coming := func(s Stock) int {
			if s.Coming {
				return 1
			}
			return 0
		}
		return cmp.Or(a.To.Compare(b.To), a.From.Compare(b.From), cmp.Compare(coming(a.Stock), coming(b.Stock)))
	})
	var left, coming, lapse Milli
	add := func(h heap, m Milli) {
		if h.Coming {
			coming += m
		} else {
			left += m
		}
	}
	for _, day := range p.Days {
		want := day.Sale
		for i := range heaps {
			h := &heaps[i]
			if h.From.Compare(day.Date) > 0 || h.To.Compare(day.Date) < 0 {
				continue
			}
			took := min(want, h.left)
			want, h.left = want-took, h.left-took
			if day.Covered {
				add(*h, took)
			}
		}
	}
	for _, h := range heaps {
		switch {
		case h.To.Compare(p.To) < 0:
			lapse += h.left
		case h.From.Compare(p.To) <= 0:
			add(h, h.left)
		}
	}
	p.Left, p.Coming, p.Lapse = left.whole(quantity.Down), coming.whole(quantity.Down), lapse.whole(quantity.Nearest)
}
