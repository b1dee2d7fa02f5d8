package plan

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan/internal/sched"
	"doughrun/commissary/quantity"
)

// class is needs that are alike to the planner: of one item, with the same
// instants.
type class struct {
	recipe, item int   // item: place among the recipe's items
	from, to     int64 // the end of mixing
	goodFrom     int64
	goodTo       int64
	best         int64 // end of mixing that meets the best age at mid-service
	ready        int64 // when its run departs
	bake         civil.Date
	pieces, open quantity.Pieces
	wants        [len(sources)]quantity.Pieces // what is asked for, by source
	needs        []int
	lead         int64 // by how many seconds it is taken before its turn
	what         bound // what kept it from being served in full
}

func (c *class) window(band bool) (from, to int64) {
	if band {
		return c.goodFrom, c.goodTo
	}
	return c.from, c.to
}

// loose is how many pieces of a class nobody has ordered yet.
func (c *class) loose() (n quantity.Pieces) {
	for turn, source := range sources {
		if source != commissary.FromOrder {
			n += c.wants[turn]
		}
	}
	return n
}

// search looks for batches that serve the classes: it builds a first plan by
// urgency, then takes parts of it away and builds them again in other ways as
// long as the work budget lasts, keeping what is not worse.
type search struct {
	k         *kitchen
	fl        *floor
	classes   []class
	classOf   map[service]int // by service, of the needs there are
	of        [][]int         // classes of each recipe, the one that closes first in front
	rng       *rand.Rand
	hands     *sched.Free // heads on shift, whatever is booked
	posted    map[taped]tape
	spans     []stretch
	price     [][]float64    // of a second of each vessel in each stretch, in batches
	touched   map[taped]bool // the sheets whose batches changed since all were alike
	banned    int            // a vessel that this build does without, to see where that leads; -1 none
	now       cost
	built     int64           // steps that the first build took
	lost      []int64         // when the batches of the plan in force end mixing that could not stay
	beyond    int64           // pieces that no search can help
	habits    map[taped]habit // how this build fills the batches of each sheet; nil: as full as they can be
	loose     bool            // but not in the batch at hand, which is to be the odd one
	unusual   bool            // this build makes batches smaller, or lets them wait
	still     int             // builds since one last brought a piece more, or one more in its band
	fullBoxes bool            // whatever the sheet, whole boxes only
	largest   bool            // this build takes the largest vessel that can be had
	sway      int64           // by how many seconds a varied build may judge urgency otherwise
}

// cost is the objective, in order of weight.
type cost [7]int64

const (
	costShort = iota
	costOff
	costBatches
	costSurplus
	costDeviation
	costWashes
	costFinish
)

func (c cost) compare(d cost) int { return slices.Compare(c[:], d[:]) }

func newSearch(k *kitchen, fl *floor, needs []commissary.Need, open []quantity.Pieces) *search {
	s := &search{k: k, fl: fl, of: make([][]int, len(k.recipes)), hands: k.crew(), posted: postedTapes(k), touched: map[taped]bool{}, banned: -1, now: cost{costShort: math.MaxInt64}, rng: rand.New(rand.NewPCG(k.in.Seed, 0x5ca1ab1e))}
	type key struct {
		recipe, item                       int
		from, to, goodFrom, goodTo, leaves int64
		bake                               civil.Date
	}
	index := map[key]int{}
	for i, n := range needs {
		if open[i] == 0 {
			continue
		}
		item := k.items[n.Item]
		r := k.byID[item.Formula]
		rec := &k.recipes[r]
		at := slices.Index(rec.items, n.Item)
		leaves := n.Departs.Unix()
		key := key{r, at, n.MadeFrom.Unix(), n.MadeTo.Unix(), n.GoodFrom.Unix(), n.GoodTo.Unix(), leaves, n.BakeDate}
		c, ok := index[key]
		if !ok {
			c = len(s.classes)
			index[key] = c
			// The batch must be through its steps before the run departs.
			last := leaves - rec.after
			middle := n.GoodFrom.Unix() + (n.GoodTo.Unix()-n.GoodFrom.Unix())/2
			s.classes = append(s.classes, class{recipe: r, item: at, from: key.from, to: min(key.to, last),
				goodFrom: key.goodFrom, goodTo: min(key.goodTo, last), best: middle, ready: leaves, bake: n.BakeDate, what: bound{kind: limitWindow}})
		}
		s.classes[c].pieces += open[i]
		s.classes[c].open += open[i]
		s.classes[c].needs = append(s.classes[c].needs, i)
		s.classes[c].wants[slices.Index(sources[:], n.Source)] += open[i]
	}
	// The order of classes must not hang on the names of shops.
	slices.SortStableFunc(s.classes, func(x, y class) int {
		return cmp.Or(cmp.Compare(x.goodTo, y.goodTo), cmp.Compare(x.to, y.to), cmp.Compare(x.goodFrom, y.goodFrom), cmp.Compare(x.from, y.from),
			cmp.Compare(x.ready, y.ready), x.bake.Compare(y.bake), cmp.Compare(x.recipe, y.recipe), cmp.Compare(x.item, y.item))
	})
	s.classOf = make(map[service]int, len(needs))
	for c := range s.classes {
		cl := &s.classes[c]
		for _, i := range cl.needs {
			s.classOf[service{needs[i].Shop, needs[i].Item, needs[i].BakeDate}] = c
		}
		s.of[cl.recipe] = append(s.of[cl.recipe], c)
		if most := s.mostPieces(cl); cl.pieces > most {
			s.beyond += int64(cl.pieces - most)
			cl.pieces, cl.open = most, most
		}
	}
	return s
}

// mostPieces is more of a class than its vessels could make in a week of
// nothing else: what is wanted above that is short whatever is planned, and
// masses stay small enough to add up.
func (s *search) mostPieces(cl *class) quantity.Pieces {
	rec := &s.k.recipes[cl.recipe]
	var net quantity.Mass
	for _, m := range rec.modes {
		batches := 7 * int64(quantity.Day) / max(m.load+m.mix+m.unload, 60) * int64(len(s.fl.vessels[m.vessel].units))
		all, err := quantity.Scale(m.net, batches, 1, quantity.Down)
		if err != nil {
			all = quantity.MaxMass
		}
		net = min(net+all, quantity.MaxMass)
	}
	return quantity.Pieces(net/rec.each[cl.item]) + 1
}

// run builds plans in a few manners, whatever that takes, and spends the rest of the work
// budget on making it better, at least half of it where no plan is in force. What
// stands on the floor can be posted at any time, so that a larger budget never ends worse.
func (s *search) run(budget int64) {
	s.spans = s.stretches()
	s.price = s.prices()
	s.first()
	s.others()
	until := max(budget, s.fl.steps+budget/2)
	if s.replans() {
		until = max(budget-s.built, s.fl.steps)
	}
	for s.fl.steps < until && len(s.fl.batches) > 0 {
		s.improve()
	}
}

// replans reports whether there is a plan in force to keep to.
func (s *search) replans() bool { return len(s.k.in.Before) > 0 }

// measure returns the objective of what stands on the floor.
func (s *search) measure() cost {
	c := cost{costShort: s.beyond}
	for i := range s.classes {
		c[costShort] += int64(s.classes[i].open)
	}
	c[costBatches] = int64(len(s.fl.batches))
	for _, p := range s.fl.batches {
		for _, n := range p.pieces {
			c[costSurplus] += int64(n)
		}
		for _, f := range p.fills {
			cl := &s.classes[f.class]
			n := int64(f.pieces)
			c[costSurplus] -= n
			if !s.inBand(p, f.class) {
				c[costOff] += n
			}
			c[costDeviation] += n * (max(p.mixEnd-cl.best, cl.best-p.mixEnd) / 60)
		}
		if v := s.k.book.Vessels[s.k.recipes[p.recipe].modes[p.mode].vessel]; p.setup > 0 && p.setup == int64(v.Wash) && v.Wash != v.Scrape {
			c[costWashes]++
		}
		c[costFinish] = max(c[costFinish], (p.done-s.fl.start)/60)
	}
	return c
}
