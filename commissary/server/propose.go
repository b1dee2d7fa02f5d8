package server

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/forecast"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// historyDays is how far back a forecast looks.
const historyDays = 2 * 365

// usualDays is how far back the usual quantity of a weekday is looked for.
const usualDays = 10 * 7

// standingFor is how many counted days a forecast needs before it is believed
// more than the standing order: two weeks (common practice, no source).
const standingFor = 14

// till is what one shop's proposal is made from.
type till struct {
	*kitchen
	shop   commissary.Shop
	night  civil.Date
	at     time.Time
	count  *commissary.Count
	series map[string]forecast.Series // of late, for what is usual
	fits   map[string]forecast.Fit
	earned []commissary.Order // of nights before, for days after this one
}

// till reads it in one transaction.
func (c *core) till(ctx context.Context, id, shopID string, night civil.Date) (*till, error) {
	var t *till
	err := c.view(ctx, func(tx commissary.Tx, at time.Time) error {
		k, shop, err := c.counter(tx, id, shopID)
		if err != nil {
			return err
		}
		t = &till{kitchen: k, shop: shop, night: night, at: at}
		n, err := tx.Counts(id).Get(night, shopID)
		if err == nil {
			t.count = &n
		} else if commissary.KindOf(err) != commissary.NotFound {
			return err
		}
		sales, err := tx.Counts(id).Sales(shopID, night.AddDays(1-usualDays))
		if err != nil {
			return err
		}
		t.series = k.history(shop, night, sales)
		if t.fits, err = k.stored(tx, shop, night, t.series); err != nil {
			return err
		}
		orders, err := tx.Orders(id).Since(night.AddDays(-max(k.Book.Kitchen.PlanDays, 1)))
		if err != nil {
			return err
		}
		t.earned = slices.DeleteFunc(orders, func(o commissary.Order) bool {
			return o.Shop != shopID || o.Night.Compare(night) >= 0 || o.State == commissary.OrderCancelled
		})
		return nil
	})
	return t, err
}

// history sorts a shop's sales into series that end on a night.
func (k *kitchen) history(shop commissary.Shop, night civil.Date, sales []commissary.Sale) map[string]forecast.Series {
	kinds := map[commissary.SaleKind]forecast.Kind{commissary.SaleOrdinary: forecast.Counted, commissary.SaleSoldOut: forecast.SoldOut,
		commissary.SaleClosed: forecast.Closed, commissary.SaleEvent: forecast.Event}
	all := map[string]forecast.Series{}
	for _, v := range sales {
		if v.Day.Compare(night) > 0 {
			continue
		}
		s, ok := all[v.Item]
		if !ok {
			s = forecast.Series{Shop: v.Shop, Item: v.Item, First: v.Day, Days: make([]forecast.Day, night.Days(v.Day)+1)}
			for i := range s.Days {
				if !shop.Trades(v.Day.AddDays(i)) {
					s.Days[i].Kind = forecast.Closed
				}
			}
		}
		day := forecast.Day{Kind: kinds[v.Kind], Sold: v.Pieces}
		if day.Kind == forecast.Counted && len(k.adjusting(shop.ID, v.Item, v.Day)) > 0 {
			day.Kind = forecast.Event // the book says that it was no ordinary day
		}
		s.Days[v.Day.Days(s.First)] = day
		all[v.Item] = s
	}
	return all
}

// expected is what every shop is expected to sell on the days that a night's
// plan looks at, of each item with enough history to believe it. Nothing is
// read of what standing orders speak for on all of these days.
func (c *core) expected(tx commissary.Tx, id string, k *kitchen, night civil.Date) ([]commissary.Expected, error) {
	var all []commissary.Expected
	days := max(k.Book.Kitchen.PlanDays, 1)
	open := func(shop commissary.Shop, it commissary.Item) bool {
		for d := range days {
			bake := night.AddDays(1 + it.Ship.DeliverBefore + d)
			if shop.Trades(bake) && !slices.ContainsFunc(shop.Standing, func(s commissary.Standing) bool { return s.Item == it.ID && s.Days.Has(bake.Weekday()) }) {
				return true
			}
		}
		return false
	}
	for _, shop := range k.Book.Shops {
		items := slices.DeleteFunc(slices.Clone(k.Items), func(it commissary.Item) bool { return !open(shop, it) })
		if len(items) == 0 {
			continue
		}
		sales, err := tx.Counts(id).Sales(shop.ID, night.AddDays(1-usualDays))
		if err != nil {
			return nil, err
		}
		fits, err := k.stored(tx, shop, night, k.history(shop, night, sales))
		if err != nil {
			return nil, err
		}
		for _, it := range items {
			fit, known := fits[it.ID]
			if !known || fit.Counted < standingFor {
				continue
			}
			calendar := forecast.Calendar{Adjustments: k.adjustments(shop.ID, it.ID)}
			first := night.AddDays(1 + it.Ship.DeliverBefore)
			for d := range days {
				bake := first.AddDays(d)
				sells, err := fit.Sale(calendar, bake)
				if err != nil {
					return nil, err
				}
				if n := sells.Pieces(); n > 0 && shop.Trades(bake) {
					all = append(all, commissary.Expected{Shop: shop.ID, Item: it.ID, BakeDate: bake, Pieces: n})
				}
			}
		}
	}
	return all, nil
}

// adjusting are the book's adjustments of a shop's item on a day.
func (k *kitchen) adjusting(shop, item string, day civil.Date) []commissary.Adjustment {
	var all []commissary.Adjustment
	for _, a := range k.Adjustments {
		if a.From.Compare(day) <= 0 && a.To.Compare(day) >= 0 && adjusts(a, shop, item) {
			all = append(all, a)
		}
	}
	return all
}

// adjustments are the book's, and then others, of a shop's item.
func (k *kitchen) adjustments(shop, item string, others ...commissary.Adjustment) []forecast.Adjustment {
	var all []forecast.Adjustment
	for _, a := range slices.Concat(k.Adjustments, others) {
		if adjusts(a, shop, item) {
			all = append(all, forecast.Adjustment{Name: a.Name, From: a.From, To: a.To, Change: a.Change, Pieces: a.Pieces})
		}
	}
	return all
}

// adjusts reports whether an adjustment is for a shop's item.
func adjusts(a commissary.Adjustment, shop, item string) bool {
	return (len(a.Shops) == 0 || slices.Contains(a.Shops, shop)) && (len(a.Items) == 0 || slices.Contains(a.Items, item))
}

func (s orders) ProposeOrder(ctx context.Context, req *v1.ProposeOrderRequest) (*v1.ProposeOrderResponse, error) {
	id, night, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	adjustments, err := wire.ReadAdjustments(req.GetAdjustments())
	if err != nil {
		return nil, err
	}
	wanted, err := wire.ReadOrderLines(req.GetWanted())
	if err != nil {
		return nil, err
	}
	t, err := s.till(ctx, id, req.GetShopId(), night)
	if err != nil {
		return nil, err
	}
	calendar := forecast.Calendar{}
	for _, x := range t.shop.Service {
		calendar.Service |= x.Days
	}
	resp := &v1.ProposeOrderResponse{Counted: t.count != nil, Site: t.Site()}
	for _, it := range t.Items {
		calendar.Adjustments = t.adjustments(t.shop.ID, it.ID, adjustments...)
		line, err := t.propose(it, calendar)
		if err != nil {
			return nil, err
		}
		i := slices.IndexFunc(wanted, func(l commissary.OrderLine) bool { return l.Item == it.ID })
		if line == nil && i < 0 {
			continue
		}
		if line == nil {
			line = t.line(it)
		}
		if i >= 0 {
			bake := wanted[i].BakeDate
			if bake.IsZero() {
				bake = night.AddDays(it.Ship.BakeAfter)
			}
			named := t.series[it.ID]
			named.Item = it.Name
			line.Question, _ = named.Unusual(bake, wanted[i].Pieces, it.PerBox)
		}
		resp.Lines = append(resp.Lines, line)
	}
	return resp, nil
}

func (t *till) line(it commissary.Item) *v1.ProposedLine {
	return &v1.ProposedLine{ItemId: it.ID, ItemName: it.Name, BakeDate: t.night.AddDays(it.Ship.BakeAfter).String(), PiecesPerContainer: int64(it.PerBox)}
}

// propose returns an item's line, or nil where the shop has nothing to do with it.
func (t *till) propose(it commissary.Item, calendar forecast.Calendar) (*v1.ProposedLine, error) {
	learned, known := t.fits[it.ID]
	stands := slices.ContainsFunc(t.shop.Standing, func(s commissary.Standing) bool { return s.Item == it.ID })
	stock := t.stock(it)
	if !known && !stands && len(stock) == 0 {
		return nil, nil
	}
	line := t.line(it)
	if line.Obstacle = t.obstacle(t.shop, it, t.night, t.at); line.Obstacle != "" {
		return line, nil
	}
	fit := forecast.FromStanding(t.shop.ID, it.ID, t.shop.Standing, t.night)
	line.Basis = "no history: the standing order"
	if known {
		if learned.Counted >= standingFor || !stands {
			fit = learned
			line.Basis = fmt.Sprintf("%d days counted, by %s", fit.Counted, method(fit.Methods[0]))
			if a := fit.Accuracy; a.Forecasts > 0 {
				line.Basis += fmt.Sprintf("; off by %s a day, %s too %s on the whole", a.MAE, max(a.Bias, -a.Bias), map[bool]string{true: "high", false: "low"}[a.Bias >= 0])
			}
		} else {
			line.Basis = fmt.Sprintf("%d days counted, not %d yet: the standing order", learned.Counted, standingFor)
		}
	}
	from := t.night.AddDays(it.Ship.BakeAfter)
	to := from
	if next, ok := t.nextService(t.shop, it, from.AddDays(1), forecast.Horizon/2); ok {
		to = next.AddDays(-1) // a night's order covers what the next delivery does not
	}
	p, err := forecast.Propose(forecast.Ask{Item: it, Fit: fit, Night: t.night, From: from, To: to, Stock: stock}, calendar)
	if err != nil {
		return nil, err
	}
	line.ToDate = to.String()
	line.SellPieces, line.SafetyPieces, line.LeftPieces, line.ComingPieces = int64(p.Sell), int64(p.Safety), int64(p.Left), int64(p.Coming)
	line.NeedPieces, line.Pieces, line.Boxes, line.LapsePieces, line.Working = int64(p.Need), int64(p.Order), p.Boxes, int64(p.Lapse), p.String()
	for _, c := range p.Changes() {
		line.Changes = append(line.Changes, &v1.SaleChange{Name: c.Name, Pieces: int64(c.By.Pieces())})
	}
	return line, nil
}

// method is a forecast's method in words, without the numbers it is set to.
func method(name string) string {
	words := strings.Split(name, ", ")
	if last := words[len(words)-1]; len(words) > 1 && strings.Trim(last, "0123456789. ") == "" {
		words = words[:len(words)-1]
	}
	return strings.Join(words, ", ")
}

// stock is what was counted of an item and what earlier nights ordered for
// services to come. A label names a day and not an hour: a ball is taken to be
// made at its beginning where it must not be too old, and at noon where it
// must be old enough. A label that was not read is good for one service.
func (t *till) stock(it commissary.Item) []forecast.Stock {
	var stock []forecast.Stock
	first := t.night.AddDays(1)
	if t.count != nil {
		for _, l := range t.count.Lines {
			if l.Item != it.ID || l.Pieces == 0 {
				continue
			}
			s := forecast.Stock{Pieces: l.Pieces, To: first}
			if !l.Made.IsZero() {
				s.From, s.To = t.usable(it, l.Made)
			}
			stock = append(stock, s)
		}
	}
	newest := map[civil.Date]commissary.OrderLine{}
	for _, o := range t.earned { // by night, so that the newest comes last
		for _, l := range o.Lines {
			if l.Item == it.ID && l.BakeDate.Compare(first) > 0 {
				newest[l.BakeDate] = l
			}
		}
	}
	for bake, l := range newest {
		stock = append(stock, forecast.Stock{Pieces: l.Pieces, From: bake, Coming: true})
	}
	slices.SortFunc(stock, func(a, b forecast.Stock) int {
		return cmp.Or(a.From.Compare(b.From), a.To.Compare(b.To), cmp.Compare(a.Pieces, b.Pieces))
	})
	return stock
}

// usable returns the first and the last service in which what was made on a
// day may be used.
func (t *till) usable(it commissary.Item, made civil.Date) (from, to civil.Date) {
	young := t.zone.Instant(made, 12*3600).Add(time.Duration(it.Window.Min+it.PullLead) * time.Second)
	old := t.zone.Instant(made, 0).Add(time.Duration(it.Window.Max) * time.Second)
	from, to = made, made.AddDays(-1)
	for d := 0; d <= int(it.Window.Max/86400)+1; d++ {
		day := made.AddDays(d)
		i := slices.IndexFunc(t.shop.Service, func(s commissary.Service) bool { return s.Days.Has(day.Weekday()) })
		if i < 0 {
			continue
		}
		if hours := t.shop.Service[i].Hours; !t.zone.Instant(day, hours.To).After(old) {
			to = day
		} else {
			break
		}
		if t.zone.Instant(day, t.shop.Service[i].Hours.From).Before(young) {
			from = day.AddDays(1)
		}
	}
	return from, to
}

func (s orders) GetCatalog(ctx context.Context, req *v1.GetCatalogRequest) (*v1.GetCatalogResponse, error) {
	id, night, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	t, err := s.till(ctx, id, req.GetShopId(), night)
	if err != nil {
		return nil, err
	}
	resp := &v1.GetCatalogResponse{Site: t.Site()}
	type hit struct {
		line *v1.CatalogLine
		rank int
	}
	var hits []hit
	for _, it := range t.Items {
		rank, ok := matching(it.Name+" "+it.ID, req.GetSearch())
		if !ok {
			continue
		}
		bake := night.AddDays(it.Ship.BakeAfter)
		line := &v1.CatalogLine{ItemId: it.ID, ItemName: it.Name, BakeDate: bake.String(), PiecesPerContainer: int64(it.PerBox),
			Obstacle: t.obstacle(t.shop, it, night, t.at)}
		d := desk{kitchen: t.kitchen, night: night, shop: t.shop, at: t.at}
		line.CutOffTime = wire.Instant(d.cutOff(it, bake))
		for _, st := range t.shop.Standing {
			if st.Item == it.ID && st.Days.Has(bake.Weekday()) {
				line.ParPieces += int64(st.Pieces)
			}
		}
		if usual, ok := t.series[it.ID].Usual(bake.Weekday()); ok {
			n := int64(usual)
			line.UsualPieces = &n
		}
		hits = append(hits, hit{line, rank})
	}
	slices.SortStableFunc(hits, func(a, b hit) int { return cmp.Compare(a.rank, b.rank) })
	for _, h := range hits {
		resp.Lines = append(resp.Lines, h.line)
	}
	return resp, nil
}

// matching reports whether the letters of a search occur in a text in their
// order, and how well: 0 at its beginning, 1 at the beginning of a word, 2
// together, 3 apart.
func matching(text, search string) (rank int, ok bool) {
	text, search = strings.ToLower(text), strings.ToLower(strings.Join(strings.Fields(search), " "))
	switch {
	case strings.HasPrefix(text, search):
		return 0, true
	case strings.Contains(text, " "+search):
		return 1, true
	case strings.Contains(text, search):
		return 2, true
	}
	rest := text
	for _, r := range search {
		if r == ' ' {
			continue
		}
		i := strings.IndexRune(rest, r)
		if i < 0 {
			return 0, false
		}
		rest = rest[i+len(string(r)):]
	}
	return 3, true
}
