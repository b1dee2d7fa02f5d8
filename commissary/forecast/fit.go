package forecast

import (
	"math"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

const (
	// Horizon is how many days after its last count a fit can be asked about.
	Horizon = 28
	// Reach is how many days ahead the back-test looks, and the longest span
	// of open days whose misses it gathers.
	Reach = 7

	backtest = 26 * Reach // so many last days are back-tested: half a year
	warmUp   = 4 * Reach  // days the methods see before they are compared
	believed = 2 * Reach  // days they are compared before the comparison decides
	averaged = 8          // so many methods are averaged
)

// A miss counts half as much as one sixteen weeks later.
const forgetMiss = 0.9938303 // 2^(−1/112)

// sparseBelow is the share of days with a sale under which an item counts as
// sparse: the mean interval between sales is above 1.32 days (Syntetos, Boylan
// and Croston, "On the categorization of demand patterns", Journal of the
// Operational Research Society 56 (2005) 495-503; from memory). Absolute misses
// are least at the median, which for such items is next to nothing, so their
// methods are judged by the square.
const sparseBelow = 1 / 1.32

// Fit is what was learned about one item at one shop, as whole numbers to be
// stored. It says the same whichever methods stand behind it.
type Fit struct {
	Shop    string
	Item    string
	Through civil.Date // last day of the history
	Counted int        // days learned from: ordinary and sold-out ones
	Sparse  bool       // many days sell nothing
	// Methods are the ones averaged, the best of the back-test first; a single
	// one while there is too little history to choose by.
	Methods  []string
	Ahead    [Horizon]Milli // expected sale of each day after Through if it is an ordinary open day
	Accuracy Accuracy
	Spread   [Reach]Spread // misses of the sum over 1, 2, … open days in a row
}

// On returns the expected sale of an ordinary open day. It is Precondition
// when the fit does not reach it.
func (f Fit) On(day civil.Date) (Milli, error) {
	ahead := day.Days(f.Through)
	if ahead < 1 || ahead > Horizon {
		return 0, commissary.Refuse(commissary.Precondition, "FORECAST_OUT_OF_REACH",
			"the forecast of %s at shop %s holds from %s to %s and not on %s; learn again from the newest counts",
			f.Item, f.Shop, f.Through.AddDays(1), f.Through.AddDays(Horizon), day)
	}
	return f.Ahead[ahead-1], nil
}

// As returns a fit for an item without history that is expected to sell a
// share of what this one sells, with the same weekdays and relative misses.
func (f Fit) As(shop, item string, share quantity.PPM) (Fit, error) {
	if share < 0 || share > quantity.MaxPPM {
		return Fit{}, commissary.Refuse(commissary.Invalid, "SHARE_INVALID",
			"item %s at shop %s cannot sell %d parts per million of %s; give a share from 0 to 10,000 %%", item, shop, share, f.Item)
	}
	g := f
	g.Shop, g.Item, g.Counted, g.Accuracy = shop, item, 0, Accuracy{MASE: Undefined}
	g.Methods = []string{"as " + f.Item + " at " + f.Shop}
	for i, m := range f.Ahead {
		v, err := quantity.Share(m, share, quantity.Nearest)
		if err != nil {
			return Fit{}, err
		}
		g.Ahead[i] = v
	}
	return g, nil
}

// FromStanding returns a fit for an item without history and without a
// likeness: it sells what its shop's standing order says.
func FromStanding(shop, item string, standing []commissary.Standing, through civil.Date) Fit {
	f := Fit{Shop: shop, Item: item, Through: through, Methods: []string{"standing order"}, Accuracy: Accuracy{MASE: Undefined}}
	for i := range f.Ahead {
		for _, s := range standing {
			if s.Item == item && s.Days.Has(through.AddDays(i+1).Weekday()) {
				f.Ahead[i] += Milli(s.Pieces) * Piece
			}
		}
	}
	f.spreadFrom([Reach][]float64{})
	return f
}

// Learn back-tests every method on the last half year of a series, day by
// day and up to a week ahead, and averages the eight with the least misses,
// recent ones weighing more: averages of good methods do as well as the best
// of them and change less from night to night (Timmermann, "Forecast
// combinations", Handbook of Economic Forecasting 1 (2006) 135-196, for a
// survey). Accuracy and Spread come from averages that were chosen, at every
// step, on the days before it alone. It is Invalid when the series is not one.
func Learn(s Series) (Fit, error) {
	if err := s.check(); err != nil {
		return Fit{}, err
	}
	f := Fit{Shop: s.Shop, Item: s.Item, Through: s.Through()}
	// A history starts with its first count.
	first := slices.IndexFunc(s.Days, Day.teaches)
	if first < 0 {
		first = len(s.Days)
	}
	c := newContest(s.First.AddDays(first), s.Days[first:])
	for d := range c.days {
		c.judge(d)
		c.learn(d)
		c.predict(d)
	}
	f.Counted, f.Sparse = c.counted, c.sparse()
	f.Methods = c.names()
	for h := range Horizon {
		f.Ahead[h] = milli(c.ahead(len(c.days)-1, h+1))
	}
	f.Accuracy = measure(c.misses, seasonalScale(s.Days))
	f.spreadFrom(c.windows)
	return f, nil
}

// contest is a back-test under way. A forecast made after day d for h days
// later stands in row d modulo Reach, column h−1.
type contest struct {
	weekday int // of day 0
	days    []Day
	start   int // first origin

	methods []method
	models  []model
	made    [Reach][][Reach]float64
	chosen  [Reach][Reach]float64 // by the average of the best
	settled [Reach]bool           // whether it was chosen on a believed comparison

	absolute, square []float64 // by method, discounted
	compared         int       // days
	ranking          []int

	counted, selling int
	misses           []float64        // forecast − sale, of one day
	windows          [Reach][]float64 // (sale − forecast) ÷ forecast, of 1, 2, … open days in a row
}

func newContest(first civil.Date, days []Day) *contest {
	methods := methods()
	n := len(methods)
	c := &contest{
		weekday: int(first.Weekday()), days: days, start: max(warmUp, len(days)-backtest),
		methods: methods, models: make([]model, n),
		absolute: make([]float64, n), square: make([]float64, n), ranking: make([]int, n),
		misses: make([]float64, 0, Reach*backtest),
	}
	for i := range c.windows {
		c.windows[i] = make([]float64, 0, (Reach-i)*backtest)
	}
	for i, m := range methods {
		c.models[i], c.ranking[i] = m.start(), i
	}
	for i := range c.made {
		c.made[i] = make([][Reach]float64, n)
	}
	return c
}

func (c *contest) on(d int) int { return (c.weekday + d) % 7 }

// judge holds the forecasts of the week before against day d, and the chosen
// ones of the origin a week back, whose days have all passed, against their sums.
func (c *contest) judge(d int) {
	if d <= c.start {
		return
	}
	day := c.days[d]
	if day.teaches() {
		c.compared++
		for i := range c.methods {
			c.absolute[i], c.square[i] = mul(c.absolute[i], forgetMiss), mul(c.square[i], forgetMiss)
		}
		for h := 1; h <= Reach && d-h >= c.start; h++ {
			row := (d - h) % Reach
			for i := range c.made[row] {
				expected := c.made[row][i][h-1]
				miss := expected - day.given(expected)
				c.absolute[i] += math.Abs(miss)
				c.square[i] += mul(miss, miss)
			}
			if expected := c.chosen[row][h-1]; c.settled[row] {
				c.misses = append(c.misses, expected-day.given(expected))
			}
		}
	}
	if d-Reach >= c.start && c.settled[d%Reach] {
		c.gather(d - Reach)
	}
}

// gather adds the misses of all spans of open days in the week after an
// origin. A day nobody counted, or an event, ends a span.
func (c *contest) gather(origin int) {
	for from := 1; from <= Reach; from++ {
		open, sold, expected := 0, 0.0, 0.0
		for h := from; h <= Reach; h++ {
			day, e := c.days[origin+h], c.chosen[origin%Reach][h-1]
			if day.Kind == Closed {
				continue
			}
			if !day.teaches() {
				break
			}
			sold, expected = sold+day.given(e), expected+e
			c.windows[open] = append(c.windows[open], (sold-expected)/max(expected, 1))
			open++
		}
	}
}

// learn lets the methods see day d.
func (c *contest) learn(d int) {
	day, weekday := c.days[d], c.on(d)
	if !day.teaches() {
		for _, m := range c.models {
			m.pass(weekday)
		}
		return
	}
	c.counted++
	if day.Sold > 0 {
		c.selling++
	}
	for _, m := range c.models {
		sold := float64(day.Sold)
		if day.Kind == SoldOut {
			sold = day.given(m.ahead(weekday, 1))
		}
		m.take(weekday, sold)
	}
}

func (c *contest) sparse() bool {
	return float64(c.selling) < mul(sparseBelow, float64(c.counted))
}

// predict makes and keeps the forecasts of origin d and ranks the methods.
func (c *contest) predict(d int) {
	if d < c.start {
		return
	}
	row := d % Reach
	for i, m := range c.models {
		for h := 1; h <= Reach; h++ {
			c.made[row][i][h-1] = max(0, m.ahead(c.on(d+h), h))
		}
	}
	score := c.absolute
	if c.sparse() {
		score = c.square
	}
	// By insertion: from one day to the next hardly any method changes its place.
	r := c.ranking
	for i := range r {
		for j := i; j > 0 && (score[r[j]] < score[r[j-1]] || score[r[j]] == score[r[j-1]] && r[j] < r[j-1]); j-- {
			r[j], r[j-1] = r[j-1], r[j]
		}
	}
	c.settled[row] = c.compared >= believed
	best := c.best()
	for h := range Reach {
		sum := 0.0
		for _, i := range best {
			sum += c.made[row][i][h]
		}
		c.chosen[row][h] = sum / float64(len(best))
	}
}

// best returns the methods that count now.
func (c *contest) best() []int {
	if c.compared < believed {
		return []int{plainMethod}
	}
	return c.ranking[:averaged]
}

func (c *contest) ahead(d, h int) float64 {
	sum, best := 0.0, c.best()
	for _, i := range best {
		sum += max(0, c.models[i].ahead(c.on(d+h), h))
	}
	return sum / float64(len(best))
}

func (c *contest) names() []string {
	var names []string
	for _, i := range c.best() {
		names = append(names, c.methods[i].name)
	}
	return names
}

// milli rounds pieces to thousandths.
func milli(pieces float64) Milli { return Milli(math.Round(mul(pieces, float64(Piece)))) }
