package plan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// nextPlan is how long after one plan the next is made: what need not begin
// before that is open whatever has begun.
const nextPlan = 24 * time.Hour

// Change is one line that comes after the close, or is changed then.
type Change struct {
	Shop, Item string
	BakeDate   civil.Date
	Was, Want  quantity.Pieces
}

// Freeze is when one line freezes and what can still be added to it.
type Freeze struct {
	At    time.Time       // from then on nothing more is made for it
	Why   string          // what happens then, or happened
	Past  bool            // it is so at the input's instant
	Spare quantity.Pieces // once past: what is on hand or in the making beyond what is promised
}

// Allows reports whether the change can still be made: less always can, for
// it frees what was made.
func (f Freeze) Allows(c Change) bool { return !f.Past || c.Want-c.Was <= f.Spare }

// Freezes judges changes of a night after its close, each by the moment at
// which its own line freezes: when the last batch for its item and service has
// begun, or else when the last one that could still come in time would have to
// begin; at the latest when its run leaves. After that more comes only from
// the surplus: lots on hand and posted batches, beyond what other services
// that are frozen too can claim. Changes are judged one after the other, each
// on what those before it leave.
func Freezes(in Input, posted []commissary.PostedBatch, changes []Change) ([]Freeze, error) {
	k, err := openKitchen(in)
	if err != nil {
		return nil, err
	}
	needs, _ := k.demand()
	needs = k.ahead(needs)
	var supply []commissary.Lot
	for _, l := range k.in.Lots {
		if l.Item != "" && l.Held == "" && l.Pieces > 0 {
			supply = append(supply, l)
		}
	}
	for _, b := range posted {
		if b.State != commissary.BatchPosted && b.State != commissary.BatchMixing {
			continue
		}
		for _, m := range b.Makes {
			supply = append(supply, commissary.Lot{Item: m.Item, Pieces: m.Pieces, Made: b.MixEnd})
		}
	}
	freezes := make([]Freeze, len(changes))
	for i, c := range changes {
		n := commissary.Need{Shop: c.Shop, Item: c.Item, BakeDate: c.BakeDate, Pieces: c.Want}
		if r, ok := k.bind(&n); !ok {
			freezes[i] = Freeze{At: in.At, Why: r.Text, Past: true}
			continue
		}
		f := k.freeze(n, posted)
		if f.Past && in.At.Before(n.Departs) {
			f.Spare = k.spare(needs, n, supply, posted)
		}
		freezes[i] = f
		if !f.Allows(c) {
			continue
		}
		at := slices.IndexFunc(needs, func(x commissary.Need) bool { return x.Shop == c.Shop && x.Item == c.Item && x.BakeDate == c.BakeDate })
		if at < 0 {
			needs = append(needs, n)
		} else {
			needs[at].Pieces = c.Want
		}
	}
	return freezes, nil
}

// LastBegins returns when the last batch for a shop's service could begin:
// mixed, rested, divided and cold in time for its run, and old enough at the
// first pull. It says nothing of whether a vessel or hands are free. False
// where no run brings it, the shop does not trade, or no vessel makes it.
func LastBegins(b commissary.Book) (func(shop, item string, bake civil.Date) (time.Time, bool), error) {
	k, err := openKitchen(Input{Book: b})
	if err != nil {
		return nil, err
	}
	return func(shop, item string, bake civil.Date) (time.Time, bool) {
		n := commissary.Need{Shop: shop, Item: item, BakeDate: bake, Pieces: 1}
		if _, ok := k.bind(&n); !ok {
			return time.Time{}, false
		}
		return k.lastBegin(n)
	}, nil
}

func (k *kitchen) lastBegin(n commissary.Need) (time.Time, bool) {
	at, ok := k.byID[k.items[n.Item].Formula]
	if !ok || len(k.recipes[at].modes) == 0 {
		return time.Time{}, false
	}
	r := &k.recipes[at]
	quickest := r.modes[0].load + r.modes[0].mix
	for _, m := range r.modes[1:] {
		quickest = min(quickest, m.load+m.mix)
	}
	mixed := earliest(n.MadeTo, n.Departs.Add(-time.Duration(r.after)*time.Second))
	return mixed.Add(-time.Duration(quickest) * time.Second), true
}

// freeze is when a need's line freezes, without what is spare.
func (k *kitchen) freeze(n commissary.Need, posted []commissary.PostedBatch) Freeze {
	now := k.in.At
	if now.After(n.Departs) {
		return Freeze{At: n.Departs, Why: "its run left", Past: true}
	}
	last, ok := k.lastBegin(n)
	if !ok {
		return Freeze{At: now, Why: "no vessel in the book makes it", Past: true}
	}
	f := Freeze{At: last, Why: "the last batch that could come in time had to begin", Past: now.After(last)}
	if !f.Past {
		f.Why = "the last batch that could come in time has to begin"
	}
	if last.After(now.Add(nextPlan)) {
		return f // the next plan makes it
	}
	var begun *commissary.PostedBatch
	for i, b := range posted {
		if !slices.ContainsFunc(b.Serves, func(s commissary.Serve) bool { return s.Item == n.Item && s.BakeDate == n.BakeDate }) {
			continue
		}
		switch b.State {
		case commissary.BatchPosted:
			return f // it can still be made larger
		case commissary.BatchMixing, commissary.BatchOut:
			if begun == nil || b.Started.After(begun.Started) {
				begun = &posted[i]
			}
		}
	}
	if begun != nil && begun.Started.Before(last) {
		f = Freeze{At: begun.Started, Why: fmt.Sprintf("batch %s, the last one for it, began", begun.ID), Past: true}
	}
	return f
}

// spare is how many more pieces a need could get without taking from others
// that nothing more is made for. Lots are points in time and needs are spans,
// so that handing out each lot to the span that ends first serves as many as
// can be (Glover, "Maximum matching in a convex bipartite graph", Naval
// Research Logistics Quarterly 14 (1967) 313-316).
func (k *kitchen) spare(needs []commissary.Need, n commissary.Need, supply []commissary.Lot, posted []commissary.PostedBatch) quantity.Pieces {
	var claims []commissary.Need
	for _, x := range needs {
		if x.Item == n.Item && k.freeze(x, posted).Past {
			claims = append(claims, x)
		}
	}
	lots := slices.DeleteFunc(slices.Clone(supply), func(l commissary.Lot) bool { return l.Item != n.Item })
	slices.SortStableFunc(lots, func(a, b commissary.Lot) int { return a.Made.Compare(b.Made) })
	var all quantity.Pieces
	for _, l := range lots {
		all += l.Pieces
	}
	n.Pieces = all
	return served(append(slices.Clone(claims), n), lots) - served(claims, lots)
}

// served is how many pieces lots, oldest first, can give to needs.
func served(needs []commissary.Need, lots []commissary.Lot) quantity.Pieces {
	needs = slices.Clone(needs)
	slices.SortStableFunc(needs, func(a, b commissary.Need) int {
		return cmp.Or(a.MadeTo.Compare(b.MadeTo), cmp.Compare(a.Shop, b.Shop))
	})
	var sum quantity.Pieces
	for _, l := range lots {
		for i := range needs {
			if l.Made.Before(needs[i].MadeFrom) || l.Made.After(needs[i].MadeTo) {
				continue
			}
			give := min(l.Pieces, needs[i].Pieces)
			l.Pieces, needs[i].Pieces, sum = l.Pieces-give, needs[i].Pieces-give, sum+give
		}
	}
	return sum
}
