package plan

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Check judges any plan against the rules of the kitchen book, whoever made or
// moved it. It uses nothing that Make uses but the demand and the arithmetic
// of formulas. Every rule that is broken comes back as a reason with a Broken
// code, the limit, and by how much it is exceeded in the limit's own unit:
// milligrams, seconds, pieces, heads or places. Nothing back means that all is
// well.
//
// Batches that stand already (in.Posted) and lots on hand are facts: they take
// up room, hands and vessels and are not blamed; what the plan adds to them is.
func Check(in Input, p commissary.Plan) []commissary.Reason {
	c, err := newChecker(in, in)
	if err != nil {
		return []commissary.Reason{{Code: commissary.BrokenInput, Limit: "book", Text: err.Error()}}
	}
	c.plan = p
	c.header()
	c.split()
	for i := range c.fresh {
		c.batch(&c.fresh[i])
	}
	c.unique()
	c.identical()
	c.inputs()
	c.serves()
	c.takes()
	c.sums()
	c.vessels()
	c.resources()
	c.cleanBoxes()
	c.starters()
	c.outages()
	c.scores()
	return c.out
}

// checker is one run of Check or CheckDispatch: the book by name, and what
// was found so far.
type checker struct {
	in       Input
	zone     *civil.Zone
	items    map[string]commissary.Item
	formulas map[string]commissary.Formula
	mixers   map[string]commissary.Vessel
	benches  map[string]commissary.Bench
	boxes    map[string]commissary.Container
	shops    map[string]commissary.Shop
	lots     map[string]commissary.Lot
	posted   map[string]commissary.Batch
	demanded []commissary.Need // what Demand says, in its order
	said     []commissary.Reason
	needs    map[service]commissary.Need
	aged     map[string][2]time.Time // the two clocks of a lot, by code

	plan  commissary.Plan
	fresh []judged            // the batches the plan adds
	byID  map[string]*judged  // the same, by id
	uses  map[string][]taking // who draws from a batch or lot, by its id or code
	out   []commissary.Reason
}

// judged is a batch of the plan with what its steps come to.
type judged struct {
	commissary.Batch
	sound bool      // names are known and quantities in range
	timed bool      // it has one mix, so that it can be set in time
	load  time.Time // the vessel is first touched, cleaning apart
	mixed time.Time // unloaded
	ready time.Time // end of the last step before the hold
	off   time.Time // the vessel is empty again
}

// taking is what one batch of the plan draws from a lot or another batch.
type taking struct {
	by   *judged
	mass quantity.Mass
}

// newChecker reads the book, and the demand of what is asked.
func newChecker(in, asked Input) (*checker, error) {
	zone, err := civil.LoadZone(in.Book.Kitchen.Zone)
	if err != nil {
		return nil, err
	}
	c := &checker{in: in, zone: zone, byID: map[string]*judged{}, uses: map[string][]taking{}, needs: map[service]commissary.Need{}, aged: map[string][2]time.Time{},
		items:    named(in.Book.Items, func(x commissary.Item) string { return x.ID }),
		formulas: named(in.Book.Formulas, func(x commissary.Formula) string { return x.ID }),
		mixers:   named(in.Book.Vessels, func(x commissary.Vessel) string { return x.ID }),
		benches:  named(in.Book.Benches, func(x commissary.Bench) string { return x.ID }),
		boxes:    named(in.Book.Containers, func(x commissary.Container) string { return x.ID }),
		shops:    named(in.Book.Shops, func(x commissary.Shop) string { return x.ID }),
		lots:     named(in.Lots, func(x commissary.Lot) string { return x.Code }),
		posted:   named(in.Posted, func(x commissary.Batch) string { return x.ID })}
	if c.demanded, c.said, err = Demand(asked); err != nil {
		return nil, err
	}
	for _, n := range c.demanded {
		c.needs[serviceOf(n)] = n
	}
	return c, nil
}

func named[T any](all []T, id func(T) string) map[string]T {
	m := make(map[string]T, len(all))
	for _, x := range all {
		m[id(x)] = x
	}
	return m
}

func serviceOf(n commissary.Need) service { return service{n.Shop, n.Item, n.BakeDate} }

// broken keeps a reason, with a sentence for people.
func (c *checker) broken(r commissary.Reason, format string, args ...any) {
	r.Text = fmt.Sprintf(format, args...)
	c.out = append(c.out, r)
}

// at prints an instant for people.
func (c *checker) at(t time.Time) string { return c.zone.Short(t) }

func seconds(d time.Duration) int64 { return int64(d / time.Second) }

// header compares what the plan says it was made from, and its demand, with
// what it is judged by.
func (c *checker) header() {
	p := c.plan
	differs := func(limit, what, says, is string) {
		if says != is {
			c.broken(commissary.Reason{Code: commissary.BrokenInput, Limit: limit},
				"The plan was made for %s %s, but it is judged by %s. Draft it again.", what, says, is)
		}
	}
	differs("night", "the night of", p.Night.String(), c.in.Night.String())
	differs("at", "the instant", p.At.UTC().Format(time.RFC3339), c.in.At.UTC().Format(time.RFC3339))
	differs("book", "book revision", fmt.Sprint(p.BookRev), fmt.Sprint(c.in.Book.Revision))
	in := c.in
	in.Seed, in.Steps = p.Seed, p.Steps // a plan is judged by the search it names
	differs("input", "the inputs", p.InputHash, Hash(in))
	c.demand(p.Needs)
	c.unsaid(c.said, p.Exceptions)
	c.lotsSaid()
}

// lotsSaid holds the plan to telling people of lots that must not be used.
func (c *checker) lotsSaid() {
	for _, l := range c.in.Lots {
		code, what := commissary.ReasonHeldLot, "is on hold ("+l.Held+")"
		if l.Held == "" {
			code, what = commissary.ReasonExpiredLot, "is past its time"
		}
		expired := l.Item != "" && (l.Made.Add(span(c.items[l.Item].Window.Max)).Before(c.in.At) || !l.NotAfter.IsZero() && l.NotAfter.Before(c.in.At))
		said := func(r commissary.Reason) bool { return r.Code == code && r.Limit == l.Code }
		if (l.Held != "" || expired) && !slices.ContainsFunc(c.plan.Exceptions, said) {
			c.broken(commissary.Reason{Code: commissary.BrokenUnsaid, Limit: l.Code, Item: l.Item, Pieces: l.Pieces}, "Nobody is told that lot %s %s.", l.Code, what)
		}
	}
}

// demand compares the plan's needs with what the shops want.
func (c *checker) demand(needs []commissary.Need) {
	seen := map[service]bool{}
	for _, n := range needs {
		s := serviceOf(n)
		r := commissary.Reason{Code: commissary.BrokenDemand, Limit: "demand", Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: n.Pieces}
		want, ok := c.needs[s]
		switch {
		case !ok:
			r.Over = int64(n.Pieces)
			c.broken(r, "The plan says that %s needs %d × %s for %s, but nobody ordered it. Take the need out.", n.Shop, n.Pieces, n.Item, n.BakeDate)
		case seen[s]:
			r.Over = int64(n.Pieces)
			c.broken(r, "The plan lists the need of %s for %s on %s twice. Keep one.", n.Shop, n.Item, n.BakeDate)
		case n.Pieces != want.Pieces:
			r.Over = int64(n.Pieces - want.Pieces)
			c.broken(r, "The plan says that %s needs %d × %s for %s; it is %d.", n.Shop, n.Pieces, n.Item, n.BakeDate, want.Pieces)
		case !sameNeed(n, want):
			c.broken(r, "The plan binds the need of %s for %s on %s to another run, source or window than the book and the orders give. Draft it again.", n.Shop, n.Item, n.BakeDate)
		}
		seen[s] = true
	}
	for _, n := range c.demanded {
		if !seen[serviceOf(n)] {
			c.broken(commissary.Reason{Code: commissary.BrokenDemand, Limit: "demand", Shop: n.Shop, Item: n.Item, BakeDate: n.BakeDate, Pieces: n.Pieces, Over: int64(n.Pieces)},
				"The plan leaves out that %s needs %d × %s for %s. Plan it, or say that it is short.", n.Shop, n.Pieces, n.Item, n.BakeDate)
		}
	}
}

func sameNeed(a, b commissary.Need) bool {
	return serviceOf(a) == serviceOf(b) && a.Pieces == b.Pieces && a.Source == b.Source && a.Run == b.Run && a.Departs.Equal(b.Departs) &&
		a.MadeFrom.Equal(b.MadeFrom) && a.MadeTo.Equal(b.MadeTo) && a.GoodFrom.Equal(b.GoodFrom) && a.GoodTo.Equal(b.GoodTo)
}

// unsaid names exceptions that must be told to people and are not.
func (c *checker) unsaid(must, said []commissary.Reason) {
	type key struct {
		code              commissary.ReasonCode
		shop, item, limit string
		bake              civil.Date
		pieces            quantity.Pieces
	}
	of := func(r commissary.Reason) key { return key{r.Code, r.Shop, r.Item, r.Limit, r.BakeDate, r.Pieces} }
	told := map[key]bool{}
	for _, r := range said {
		told[of(r)] = true
	}
	for _, r := range must {
		if !told[of(r)] {
			c.broken(commissary.Reason{Code: commissary.BrokenUnsaid, Limit: string(r.Code), Shop: r.Shop, Item: r.Item, BakeDate: r.BakeDate, Pieces: r.Pieces},
				"Nobody is told: %s", r.Text)
		}
	}
}

// split parts the plan's batches into those that stand already, which must be
// as they were posted, and those that the plan adds.
func (c *checker) split() {
	for _, b := range c.plan.Batches {
		old, ok := c.posted[b.ID]
		switch {
		case !ok && b.State != commissary.BatchPlanned && !(b.State == commissary.BatchPosted && c.plan.State != commissary.PlanDraft):
			c.broken(commissary.Reason{Code: commissary.BrokenStarted, Limit: string(b.State), Batch: b.ID},
				"Batch %s is said to be %s, but nobody posted it. A plan starts nothing.", b.ID, b.State)
			fallthrough
		case !ok:
			c.fresh = append(c.fresh, judged{Batch: b})
		case !sameBatch(old, b):
			c.broken(commissary.Reason{Code: commissary.BrokenStarted, Limit: string(old.State), Batch: b.ID},
				"Batch %s is %s already and must stay as it is, but the plan changes it. Leave it out of the plan.", b.ID, old.State)
		}
	}
}

// sameBatch compares two batches by their canonical bytes, state apart.
func sameBatch(a, b commissary.Batch) bool {
	bytes := func(b commissary.Batch) string {
		b.State = ""
		b.MixEnd = b.MixEnd.UTC()
		b.Steps = slices.Concat([]commissary.Booking{}, b.Steps)
		for i := range b.Steps {
			b.Steps[i].From, b.Steps[i].To = b.Steps[i].From.UTC(), b.Steps[i].To.UTC()
		}
		b.Makes, b.Serves, b.Uses = slices.Concat([]commissary.Making{}, b.Makes), slices.Concat([]commissary.Serve{}, b.Serves), slices.Concat([]commissary.Use{}, b.Uses)
		out, err := json.Marshal(b)
		if err != nil {
			return err.Error() // a time beyond year 9999
		}
		return string(out)
	}
	return bytes(a) == bytes(b)
}

// unique gives every batch that the plan adds its place by id.
func (c *checker) unique() {
	for i := range c.fresh {
		b := &c.fresh[i]
		if _, taken := c.byID[b.ID]; taken || b.ID == "" {
			c.broken(commissary.Reason{Code: commissary.BrokenUnknown, Limit: "batch", Batch: b.ID}, "Two batches are called %q, or one has no name. Give each its own.", b.ID)
			continue
		}
		c.byID[b.ID] = b
	}
}

// identical holds the batches of one formula on one vessel and working day to
// one mass, for one sheet is taped to the vessel; one may differ and is marked.
// Batches that make no pieces, such as preferments, are each stirred for the
// mix they feed and may all differ.
// Batches that make no pieces are stirred each for the mix it feeds.
func (c *checker) identical() {
	type sheet struct {
		formula, vessel string
		day             civil.Date
	}
	type entry struct {
		commissary.Batch
		fresh bool
	}
	groups := map[sheet][]entry{}
	add := func(b commissary.Batch, load time.Time, fresh bool) {
		if len(b.Makes) == 0 {
			return
		}
		k := sheet{b.Formula, b.Vessel, c.zone.Date(load)}
		groups[k] = append(groups[k], entry{b, fresh})
	}
	for _, b := range c.in.Posted {
		if load, ok := loaded(b); ok && b.State != commissary.BatchScrapped {
			add(b, load, false)
		}
	}
	for _, b := range c.fresh {
		if b.timed {
			add(b.Batch, b.load, true)
		}
	}
	keys := slices.SortedFunc(maps.Keys(groups), func(a, b sheet) int {
		return cmp.Or(a.day.Compare(b.day), cmp.Compare(a.formula, b.formula), cmp.Compare(a.vessel, b.vessel))
	})
	for _, k := range keys {
		group := groups[k]
		var common quantity.Mass
		odd := 0
		for _, b := range group {
			if b.Odd {
				odd++
			} else if common == 0 {
				common = b.Mass
			}
		}
		for _, b := range group {
			r := commissary.Reason{Code: commissary.BrokenIdentical, Limit: k.vessel, Batch: b.ID, Over: int64(b.Mass - common)}
			switch {
			case !b.fresh:
			case b.Odd && odd > 1:
				c.broken(r, "%d batches of %s on %s on %s are marked odd; at most one may differ from the sheet taped to the vessel.", odd, k.formula, k.vessel, k.day)
			case !b.Odd && b.Mass != common:
				c.broken(r, "Batch %s of %s is %v, others on %s on %s are %v. Make them alike, or mark the one that differs as odd.", b.ID, k.formula, b.Mass, k.vessel, k.day, common)
			}
		}
	}
}

// loaded returns when a batch's vessel is first touched, cleaning apart.
func loaded(b commissary.Batch) (time.Time, bool) {
	for _, s := range b.Steps {
		if s.Step == commissary.StepMix {
			return s.From, true
		}
	}
	return time.Time{}, false
}

// scores measures the plan anew, and whether it says what it makes off band.
//
//	short      pieces that are short
//	off_band   pieces from new batches mixed outside their need's good band
//	batches    new batches
//	surplus    pieces that new batches make and no need gets
//	deviation  pieces × whole minutes between the end of mixing and the middle of the good band
//	washes     full washes
//	finish     whole minutes from the planning instant to the end of the last step before a hold
func (c *checker) scores() {
	var short, off, told, surplus, deviation, washes, finish int64
	for _, e := range c.plan.Exceptions {
		switch e.Code {
		case commissary.ReasonShort, commissary.ReasonPrefermentCaps:
			short += int64(e.Pieces)
		case commissary.ReasonOffBand:
			told += int64(e.Pieces)
		}
	}
	for _, b := range c.fresh {
		if !b.sound || !b.timed {
			return // said already, and nothing to measure
		}
		for _, m := range b.Makes {
			surplus += int64(m.Pieces)
		}
		for _, s := range b.Serves {
			n, ok := c.needs[service{s.Shop, s.Item, s.BakeDate}]
			if !ok {
				return
			}
			surplus -= int64(s.Pieces)
			if b.MixEnd.Before(n.GoodFrom) || b.MixEnd.After(n.GoodTo) {
				off += int64(s.Pieces)
			}
			middle := n.GoodFrom.Unix() + (n.GoodTo.Unix()-n.GoodFrom.Unix())/2
			deviation += int64(s.Pieces) * (max(b.MixEnd.Unix()-middle, middle-b.MixEnd.Unix()) / 60)
		}
		v := c.mixers[b.Vessel]
		for _, s := range b.Steps {
			if s.Step == commissary.StepWash && v.Wash > v.Scrape && seconds(s.To.Sub(s.From)) >= int64(v.Wash) {
				washes++
			}
		}
		finish = max(finish, seconds(b.ready.Sub(c.in.At))/60)
	}
	if off != told {
		c.broken(commissary.Reason{Code: commissary.BrokenUnsaid, Limit: string(commissary.ReasonOffBand), Pieces: quantity.Pieces(off), Over: off - told},
			"%d pieces are made outside their good band; people are told of %d.", off, told)
	}
	want := []commissary.Score{{Name: "short", Value: short}, {Name: "off_band", Value: off}, {Name: "batches", Value: int64(len(c.fresh))}, {Name: "surplus", Value: surplus},
		{Name: "deviation", Value: deviation}, {Name: "washes", Value: washes}, {Name: "finish", Value: finish}}
	names := make([]string, len(want))
	for i, w := range want {
		names[i] = w.Name
		at := slices.IndexFunc(c.plan.Scores, func(s commissary.Score) bool { return s.Name == w.Name })
		if at < 0 {
			c.broken(commissary.Reason{Code: commissary.BrokenScore, Limit: w.Name}, "The plan does not say its score %s, which is %d.", w.Name, w.Value)
			continue
		}
		s := c.plan.Scores[at]
		if s.Value != w.Value {
			c.broken(commissary.Reason{Code: commissary.BrokenScore, Limit: w.Name, Over: s.Value - w.Value}, "The plan says %s = %d; measured anew it is %d.", w.Name, s.Value, w.Value)
		}
		if s.Bound > w.Value {
			c.broken(commissary.Reason{Code: commissary.BrokenScore, Limit: w.Name, Over: s.Bound - w.Value}, "The plan says that no plan can have %s below %d, but it has %d itself.", w.Name, s.Bound, w.Value)
		}
	}
	if !slices.EqualFunc(c.plan.Scores, names, func(s commissary.Score, n string) bool { return s.Name == n }) {
		c.broken(commissary.Reason{Code: commissary.BrokenScore, Limit: "scores"}, "The scores must be %v, in this order.", names)
	}
}
