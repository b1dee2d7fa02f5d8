package plan

import (
	"cmp"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
)

// kitchen is the book made ready for planning: names resolved, formulas
// turned into recipes with the vessels that can make them.
type kitchen struct {
	in       Input
	book     *commissary.Book
	zone     *civil.Zone
	items    map[string]commissary.Item
	shops    map[string]commissary.Shop
	formulas map[string]commissary.Formula
	boxes    map[string]commissary.Container
	visits   map[delivery]visit
	rounds   map[delivery]map[string]time.Time
	recipes  []recipe       // in book order
	byID     map[string]int // formula id to recipe
	vessel   map[string]int // vessel id to its place in the book
	benches  map[string]commissary.Bench
	follows  []bool // by recipe and recipe: may be made behind it with no wash
}

// recipe is one formula as the planner sees it.
type recipe struct {
	commissary.Formula
	items     []string        // items made from it, in book order
	each      []quantity.Mass // the mass of one piece of each
	inputs    []input
	modes     []mode // vessels that can make it, largest first
	after     int64  // least time from the end of mixing to the end of the last step
	allergens []commissary.Allergen
	sheets    map[quantity.Mass]formula.Sheet // by the mass asked for
}

// input is a preferment, or a made prep, that a batch takes in.
type input struct {
	recipe     int
	daysBefore int // made at least so many days before the batch
}

// mode is one way to make a recipe: a vessel, the speed, and the masses it takes.
type mode struct {
	vessel   int // place in the book
	second   bool
	max, min quantity.Mass
	net      quantity.Mass // that comes out of the largest
	load     int64
	mix      int64
	unload   int64
	heads    int64
}

func openKitchen(in Input) (*kitchen, error) {
	in = canonical(in)
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	if err != nil {
		return nil, commissary.Refuse(commissary.Invalid, "ZONE_UNKNOWN", "%v", err)
	}
	k := &kitchen{in: in, book: &in.Book, zone: zone,
		items: map[string]commissary.Item{}, shops: map[string]commissary.Shop{},
		formulas: map[string]commissary.Formula{}, boxes: map[string]commissary.Container{},
		byID: map[string]int{}, visits: map[delivery]visit{}, rounds: map[delivery]map[string]time.Time{}, vessel: map[string]int{}, benches: map[string]commissary.Bench{}}
	for _, x := range in.Book.Items {
		k.items[x.ID] = x
	}
	for _, x := range in.Book.Shops {
		k.shops[x.ID] = x
	}
	for _, x := range in.Book.Formulas {
		k.formulas[x.ID] = x
	}
	for _, x := range in.Book.Containers {
		k.boxes[x.ID] = x
	}
	for i, x := range in.Book.Vessels {
		k.vessel[x.ID] = i
	}
	for _, x := range in.Book.Benches {
		k.benches[x.ID] = x
	}
	for i, f := range in.Book.Formulas {
		k.byID[f.ID] = i
	}
	for _, f := range in.Book.Formulas {
		r, err := k.recipe(f)
		if err != nil {
			return nil, err
		}
		k.recipes = append(k.recipes, r)
	}
	for _, before := range k.recipes {
		for _, after := range k.recipes {
			k.follows = append(k.follows, safety.MayFollow(before.allergens, after.allergens))
		}
	}
	return k, nil
}

func (k *kitchen) planDays() int { return max(k.book.Kitchen.PlanDays, 1) }

func (k *kitchen) shopName(id string) string {
	if s, ok := k.shops[id]; ok {
		return s.Name
	}
	return id
}

func (k *kitchen) recipe(f commissary.Formula) (recipe, error) {
	allergens, err := safety.Allergens(*k.book, f.ID)
	if err != nil {
		return recipe{}, err
	}
	r := recipe{Formula: f, allergens: allergens, sheets: map[quantity.Mass]formula.Sheet{}}
	for _, it := range k.book.Items {
		if it.Formula == f.ID {
			r.items = append(r.items, it.ID)
			r.each = append(r.each, it.Mass)
		}
	}
	for _, p := range f.Preferments {
		r.inputs = append(r.inputs, input{k.byID[p.Formula], p.DaysBefore})
	}
	for _, l := range f.Lines {
		if l.Prep != "" {
			r.inputs = append(r.inputs, input{k.byID[l.Prep], 0})
		}
	}
	for i, v := range k.book.Vessels {
		m, ok, err := k.modeOf(&r, v, i)
		if err != nil {
			return r, err
		}
		if ok {
			r.modes = append(r.modes, m)
		}
	}
	for i, m := range r.modes {
		if i == 0 || m.unload < r.after {
			r.after = m.unload
		}
	}
	for _, s := range f.Steps {
		if s.Kind != commissary.StepWeigh && s.Kind != commissary.StepHold {
			r.after += int64(s.Min)
		}
	}
	slices.SortStableFunc(r.modes, func(a, b mode) int { return cmp.Compare(b.max, a.max) })
	return r, nil
}

// modeOf says how a vessel makes a recipe: at the speeds the formula asks
// for, up to the maker's figure for its class with the deratings that its own
// water causes, and not longer from the end of mixing to the last piece in
// the cold than the formula allows.
func (k *kitchen) modeOf(r *recipe, v commissary.Vessel, at int) (mode, bool, error) {
	m := mode{vessel: at, second: r.MixSecond > 0, load: int64(v.Load),
		mix: int64(r.MixFirst + r.MixSecond), unload: int64(v.Unload), heads: int64(max(v.Heads, 1))}
	water, err := formula.PlannedWater(*k.book, v, r.Formula, m.second)
	if err != nil && commissary.KindOf(err) == commissary.Internal {
		return m, false, err
	}
	fill, err := formula.Capacity(*k.book, v, r.Formula, m.second, water)
	if err != nil {
		return m, false, nil // this vessel does not make it
	}
	m.max = min(fill.Largest, k.coldCap(r, m))
	if m.max = k.weighableWithin(r, m.max); m.max == 0 {
		return m, false, nil
	}
	if m.min, err = k.weighable(r, fill.Smallest); err != nil || m.min > m.max {
		return m, false, nil
	}
	m.net = r.netOf(m.max)
	return m, true, nil
}

// sheet weighs up a batch of at least the mass. Small masses that the scales
// are too coarse for are stepped up to the next that can be weighed.
func (k *kitchen) sheet(r *recipe, mass quantity.Mass) (formula.Sheet, error) {
	if s, ok := r.sheets[mass]; ok {
		return s, nil
	}
	var err error
	for m, tries := max(mass, quantity.Gram), 0; tries < 60; m, tries = m+max(m/8, quantity.Gram), tries+1 {
		var s formula.Sheet
		if s, err = formula.Weigh(*k.book, r.Formula, m); err == nil {
			r.sheets[mass] = s
			return s, nil
		}
	}
	return formula.Sheet{}, err
}

// weighable is the smallest batch mass from the given one up that the sheet can show.
func (k *kitchen) weighable(r *recipe, mass quantity.Mass) (quantity.Mass, error) {
	s, err := k.sheet(r, mass)
	return s.Mass, err
}

// weighableWithin is the largest batch mass up to the given one that the sheet can show.
func (k *kitchen) weighableWithin(r *recipe, most quantity.Mass) quantity.Mass {
	for ask := most; ask > 0; {
		m, err := k.weighable(r, ask)
		if err != nil {
			return 0
		}
		if m <= most {
			return m
		}
		ask -= m - most
	}
	return 0
}

// coldCap is the largest batch that the bench can put in the cold in time.
func (k *kitchen) coldCap(r *recipe, m mode) quantity.Mass {
	cap := quantity.MaxMass
	if r.ColdWithin == 0 {
		return cap
	}
	left := int64(r.ColdWithin) - m.unload
	for _, s := range r.Steps {
		switch s.Kind {
		case commissary.StepRest:
			left -= int64(s.Min)
		case commissary.StepDivide, commissary.StepPack:
			// The slowest item bounds: its pieces in the time left.
			for _, id := range r.items {
				it := k.items[id]
				pieces, err := quantity.MulDiv(max(left-int64(s.Min), 0), k.rate(r, s, it), 3600, quantity.Down)
				if err != nil {
					continue
				}
				if mass, err := formula.MassForPieces(r.Formula, quantity.Pieces(pieces), it.Mass); err == nil {
					cap = min(cap, mass)
				}
			}
			return cap
		}
	}
	return cap
}

// rate is how many pieces of an item an hour a bench step puts out.
func (k *kitchen) rate(r *recipe, s commissary.Step, it commissary.Item) int64 {
	for _, br := range k.benches[s.Bench].Rates {
		if (br.Class == "" || br.Class == r.Class) && (br.UpTo == 0 || it.Mass <= br.UpTo) {
			return int64(br.PerHour) * int64(max(s.Heads, 1))
		}
	}
	return 0
}

// oldestInput is how old a preferment or a made prep may be when it goes into
// a batch: a prep as old as an item made from it.
func (k *kitchen) oldestInput(source *recipe) quantity.Seconds {
	oldest := source.Ripe.Max
	if source.Kind == commissary.Prep {
		for i, id := range source.items {
			if m := k.items[id].Window.Max; i == 0 || m < oldest {
				oldest = m
			}
		}
		if len(source.items) == 0 {
			oldest = quantity.MaxSeconds
		}
	}
	return oldest
}

// dayEnd is when the civil day so many days before an instant's ends.
func (k *kitchen) dayEnd(at int64, before int) int64 {
	return k.zone.Instant(k.zone.Date(instant(at)).AddDays(1-before), 0).Unix() - 1
}

// benchTime is how long a bench step takes for the pieces of a batch.
func (k *kitchen) benchTime(r *recipe, s commissary.Step, pieces []quantity.Pieces) int64 {
	seconds := int64(s.Min)
	for i, n := range pieces {
		if rate := k.rate(r, s, k.items[r.items[i]]); rate > 0 {
			t, err := quantity.MulDiv(int64(n), 3600, rate, quantity.Up)
			if err != nil {
				t = int64(quantity.MaxSeconds)
			}
			seconds += t
		}
	}
	return seconds
}

// boxesOf is how many containers pieces of an item fill.
func (k *kitchen) boxesOf(item string, pieces quantity.Pieces) int64 {
	per := max(k.items[item].PerBox, 1)
	return int64((pieces + per - 1) / per)
}

// slots is how many cold places a batch's containers hold, nested or cross-stacked.
func (k *kitchen) slots(r *recipe, pieces []quantity.Pieces, crossed bool) int64 {
	var n int64
	for i, count := range pieces {
		box := k.boxes[k.items[r.items[i]].Container]
		per := int64(box.Slots)
		if crossed {
			per = int64(max(box.Crossed, box.Slots))
		}
		n += per * k.boxesOf(r.items[i], count)
	}
	return n
}

// massFor is the smallest batch mass that makes the pieces and can be weighed.
func (k *kitchen) massFor(r *recipe, pieces []quantity.Pieces) (quantity.Mass, error) {
	gross, err := formula.ToMix(r.Formula, k.massOf(r, pieces))
	if err != nil {
		return 0, err
	}
	return k.weighable(r, gross)
}

// massOf is the mass of the pieces themselves.
func (k *kitchen) massOf(r *recipe, pieces []quantity.Pieces) quantity.Mass {
	var net quantity.Mass
	for i, n := range pieces {
		// Pieces and piece masses are bounded by the book and the orders, so this stays small.
		net += r.each[i] * quantity.Mass(n)
	}
	return net
}

// netOf is the mass that comes out of a batch.
func (r *recipe) netOf(m quantity.Mass) quantity.Mass {
	net, err := formula.ComesOut(r.Formula, m)
	if err != nil {
		return 0
	}
	return net
}

// setup is the cleaning between two fillings of a vessel: nothing before the
// first, a scrape where the allergens of the one before are all in the next,
// a full wash otherwise.
func (k *kitchen) setup(v commissary.Vessel) func(before, after int) int64 {
	scrape, wash := int64(v.Scrape), int64(v.Wash)
	return func(before, after int) int64 {
		switch {
		case before == dirty || after == dirty:
			return wash
		case before < 0 || after < 0:
			return 0
		case before == after || k.follows[before*len(k.recipes)+after]:
			return scrape
		}
		return wash
	}
}

// crew is the hands over time: heads on shift, none in a break.
func (k *kitchen) crew() *sched.Free {
	crew := sched.NewFree(0)
	first := k.zone.Date(k.in.At).AddDays(-3)
	for d := range k.planDays() + 7 {
		date := first.AddDays(d)
		for _, s := range k.book.Shifts {
			if !s.Days.Has(date.Weekday()) {
				continue
			}
			crew.Add(k.zone.Instant(date, s.From).Unix(), k.zone.Instant(date, s.To).Unix(), int64(s.Heads))
			for _, b := range s.Breaks {
				crew.Add(k.zone.Instant(date, b.From).Unix(), k.zone.Instant(date, b.To).Unix(), -int64(s.Heads))
			}
		}
	}
	return crew
}
