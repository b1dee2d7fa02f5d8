package storetest

import (
	"errors"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

func checkBooks(t *testing.T, s commissary.Store) {
	missing(t, s, "BOOK_NOT_FOUND", func(tx commissary.Tx) (commissary.BookRevision, error) { return tx.Books(here).Newest() })
	revision := func(n int) commissary.BookRevision {
		return commissary.BookRevision{Revision: n, Source: fmt.Appendf(nil, "book %d\x00\xff", n), Adopted: noon.Add(time.Duration(n) * time.Hour), By: "baker"}
	}
	for n := 1; n <= 4; n++ {
		update(t, s, func(tx commissary.Tx) error { return tx.Books(here).Append(revision(n)) })
	}
	for _, wrong := range []int{-1, 0, 4, 6} {
		refuses(t, s, commissary.Conflict, "STALE_REVISION", func(tx commissary.Tx) error { return tx.Books(here).Append(revision(wrong)) })
	}
	require.Equal(t, revision(4), read(t, s, func(tx commissary.Tx) (commissary.BookRevision, error) { return tx.Books(here).Newest() }))
	require.Equal(t, 4, read(t, s, func(tx commissary.Tx) (int, error) { return tx.Books(here).Revision() }))
	require.Zero(t, read(t, s, func(tx commissary.Tx) (int, error) { return tx.Books(there).Revision() }))
	require.Equal(t, revision(2), read(t, s, func(tx commissary.Tx) (commissary.BookRevision, error) { return tx.Books(here).Get(2) }))
	missing(t, s, "BOOK_NOT_FOUND", func(tx commissary.Tx) (commissary.BookRevision, error) { return tx.Books(here).Get(5) })
	missing(t, s, "BOOK_NOT_FOUND", func(tx commissary.Tx) (commissary.BookRevision, error) { return tx.Books(there).Get(1) })

	for _, c := range []struct {
		before, limit int
		want          []int
	}{{0, 0, []int{4, 3, 2, 1}}, {0, 2, []int{4, 3}}, {3, 9, []int{2, 1}}, {1, 9, nil}} {
		var got []int
		for _, r := range read(t, s, func(tx commissary.Tx) ([]commissary.BookRevision, error) {
			return tx.Books(here).List(c.before, c.limit)
		}) {
			want := revision(r.Revision)
			want.Source = nil
			require.Equal(t, want, r)
			got = append(got, r.Revision)
		}
		require.Equal(t, c.want, got, "before %d limit %d", c.before, c.limit)
	}
}

func checkNights(t *testing.T, s commissary.Store) {
	missing(t, s, "NIGHT_NOT_FOUND", func(tx commissary.Tx) (commissary.Night, error) { return tx.Nights(here).Get(night) })
	for n := range 4 {
		update(t, s, func(tx commissary.Tx) error {
			return tx.Nights(here).Put(commissary.Night{Date: night.AddDays(n), State: commissary.NightOpen})
		})
	}
	closed := commissary.Night{Date: night, State: commissary.NightClosed, Closed: noon}
	update(t, s, func(tx commissary.Tx) error { return tx.Nights(here).Put(closed) })
	update(t, s, func(tx commissary.Tx) error {
		return errors.Join(tx.Nights(here).Touch(night), tx.Nights(there).Touch(night.AddDays(1)))
	})
	require.Equal(t, commissary.NightOpen, read(t, s, func(tx commissary.Tx) (commissary.Night, error) { return tx.Nights(there).Get(night.AddDays(1)) }).State)
	require.Equal(t, closed, read(t, s, func(tx commissary.Tx) (commissary.Night, error) { return tx.Nights(here).Get(night) }))
	require.Equal(t, commissary.Night{Date: night.AddDays(3), State: commissary.NightOpen},
		read(t, s, func(tx commissary.Tx) (commissary.Night, error) { return tx.Nights(here).Get(night.AddDays(3)) }))
	missing(t, s, "NIGHT_NOT_FOUND", func(tx commissary.Tx) (commissary.Night, error) { return tx.Nights(there).Get(night) })
	refuses(t, s, commissary.Internal, "STORE_REFUSED", func(tx commissary.Tx) error {
		return tx.Nights(here).Put(commissary.Night{State: commissary.NightOpen})
	})

	for _, c := range []struct {
		before civil.Date
		limit  int
		want   []int // days after the first night
	}{{civil.Date{}, 0, []int{3, 2, 1, 0}}, {civil.Date{}, 2, []int{3, 2}}, {night.AddDays(2), 9, []int{1, 0}}, {night, 9, nil}} {
		var got []int
		for _, n := range read(t, s, func(tx commissary.Tx) ([]commissary.Night, error) { return tx.Nights(here).List(c.before, c.limit) }) {
			got = append(got, n.Date.Days(night))
		}
		require.Equal(t, c.want, got, "before %s limit %d", c.before, c.limit)
	}
}

func someOrder(night civil.Date, shop string, revision int) commissary.Order {
	return commissary.Order{Night: night, Shop: shop, Revision: revision, State: commissary.OrderAccepted,
		Lines: []commissary.OrderLine{
			{Item: "round-280", Pieces: quantity.Pieces(60 + revision), BakeDate: night.AddDays(2)},
			{Item: "round-280", Pieces: 0, BakeDate: night.AddDays(3)},
			{Item: "crema", Pieces: 4, BakeDate: night.AddDays(2)},
		},
		By: "closer", Submitted: noon.Add(time.Duration(revision) * time.Minute)}
}

func checkOrders(t *testing.T, s commissary.Store) {
	missing(t, s, "ORDER_NOT_FOUND", func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(here).Get(night, "north") })
	add := func(o commissary.Order) {
		t.Helper()
		update(t, s, func(tx commissary.Tx) error { return tx.Orders(here).Append(o) })
	}
	next := night.AddDays(1)
	shut := commissary.Order{Night: next, Shop: "east", Revision: 1, State: commissary.OrderAccepted, Closed: true, By: "closer", Submitted: noon}
	late := commissary.Order{Night: night, Shop: "west", Revision: 2, State: commissary.OrderLate, By: "closer", Submitted: noon, Phoned: "the closer",
		LateBy: "baker", LateWhy: "the line was down", Lines: someOrder(night, "west", 2).Lines}
	add(someOrder(night, "north", 1))
	add(someOrder(night, "west", 1))
	add(someOrder(night, "east", 1))
	add(someOrder(night, "north", 2))
	add(late)
	add(shut)
	add(someOrder(night.AddDays(-1), "north", 1))

	for _, wrong := range []int{0, 1, 2, 4} {
		refuses(t, s, commissary.Conflict, "STALE_REVISION", func(tx commissary.Tx) error { return tx.Orders(here).Append(someOrder(night, "north", wrong)) })
	}
	refuses(t, s, commissary.Internal, "STORE_REFUSED", func(tx commissary.Tx) error {
		o := someOrder(night, "north", 3)
		o.State = commissary.OrderLate // admitted by nobody
		return tx.Orders(here).Append(o)
	})
	require.Equal(t, someOrder(night, "north", 2), read(t, s, func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(here).Get(night, "north") }))
	require.Equal(t, late, read(t, s, func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(here).Get(night, "west") }))
	require.Equal(t, shut, read(t, s, func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(here).Get(next, "east") }))
	missing(t, s, "ORDER_NOT_FOUND", func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(there).Get(night, "north") })

	orders := func(after string, limit int) []commissary.Order {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Order, error) { return tx.Orders(here).List(night, after, limit) })
	}
	all := []commissary.Order{someOrder(night, "east", 1), someOrder(night, "north", 2), late}
	require.Equal(t, all, orders("", 0))
	require.Equal(t, all[:2], orders("", 2))
	require.Equal(t, all[2:], orders("north", 2))
	require.Empty(t, orders("west", 2))
	require.Empty(t, read(t, s, func(tx commissary.Tx) ([]commissary.Order, error) { return tx.Orders(there).List(night, "", 0) }))

	since := func(kitchen string, from civil.Date) []commissary.Order {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Order, error) { return tx.Orders(kitchen).Since(from) })
	}
	require.Equal(t, append(all, shut), since(here, night))
	require.Equal(t, []commissary.Order{shut}, since(here, next))
	require.Len(t, since(here, night.AddDays(-9)), 5)
	require.Empty(t, since(there, night))
}

func checkOrderLines(t *testing.T, s commissary.Store) {
	o := someOrder(night, "north", 1)
	o.Lines = append(o.Lines, o.Lines[0])
	refuses(t, s, commissary.Invalid, "LINE_TWICE", func(tx commissary.Tx) error { return tx.Orders(here).Append(o) })
	o.Lines[3].Item, o.Lines[3].Pieces = "other", -1
	refuses(t, s, commissary.Internal, "STORE_REFUSED", func(tx commissary.Tx) error { return tx.Orders(here).Append(o) })
	missing(t, s, "ORDER_NOT_FOUND", func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(here).Get(night, "north") })

	o.Lines[3].Pieces = math.MaxInt64
	update(t, s, func(tx commissary.Tx) error { return tx.Orders(here).Append(o) })
	require.Equal(t, o, read(t, s, func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(here).Get(night, "north") }))
}

func someBatch(id string) commissary.Batch {
	return commissary.Batch{ID: id, Formula: "direct", Vessel: "spiral", Unit: 1, Second: true, State: commissary.BatchPosted,
		Flour: 25_000_000, Mass: 41_000_000, MixEnd: noon,
		Steps:  []commissary.Booking{{Step: commissary.StepMix, Resource: "spiral", From: noon.Add(-time.Hour), To: noon, Heads: 1}},
		Makes:  []commissary.Making{{Item: "round-280", Pieces: 146}},
		Serves: []commissary.Serve{{Shop: "north", Item: "round-280", BakeDate: night.AddDays(2), Pieces: 62, Source: commissary.FromOrder}},
		Uses:   []commissary.Use{{Lot: "L1", Mass: 5_000_000}}}
}

func somePlan(night civil.Date, revision int) commissary.Plan {
	return commissary.Plan{Night: night, Revision: revision, State: commissary.PlanReleased, BookRev: 1, At: noon,
		InputHash: fmt.Sprintf("%064d", revision), Seed: math.MaxUint64, Steps: 4711,
		Needs:      []commissary.Need{{Shop: "north", Item: "round-280", BakeDate: night.AddDays(2), Pieces: 62, Source: commissary.FromOrder, Run: "dawn", Departs: noon}},
		Takes:      []commissary.Take{},
		Batches:    []commissary.Batch{someBatch("20261126-01")},
		Scores:     []commissary.Score{{Name: "short", Value: 3, Bound: 1}},
		Exceptions: []commissary.Reason{{Code: commissary.ReasonShort, Text: "3 pieces are short", Shop: "north", Pieces: 3}}}
}

func checkPlans(t *testing.T, s commissary.Store) {
	refuses(t, s, commissary.Precondition, "NOT_KEPT", func(tx commissary.Tx) error { return tx.Plans(here).Append(somePlan(night, 1)) })
	adoptBook(t, s, here)
	missing(t, s, "PLAN_NOT_FOUND", func(tx commissary.Tx) (commissary.Plan, error) { return tx.Plans(here).Newest(night) })
	for n := 1; n <= 3; n++ {
		releasePlan(t, s, here, night, n)
	}
	releasePlan(t, s, here, night.AddDays(1), 1)
	for _, wrong := range []int{0, 3, 5} {
		refuses(t, s, commissary.Conflict, "STALE_REVISION", func(tx commissary.Tx) error { return tx.Plans(here).Append(somePlan(night, wrong)) })
	}
	refuses(t, s, commissary.Internal, "STORE_REFUSED", func(tx commissary.Tx) error {
		p := somePlan(night, 4)
		p.State = commissary.PlanDraft
		return tx.Plans(here).Append(p)
	})

	superseded := func(n int) commissary.Plan {
		p := somePlan(night, n)
		p.State = commissary.PlanSuperseded
		return p
	}
	require.Equal(t, somePlan(night, 3), read(t, s, func(tx commissary.Tx) (commissary.Plan, error) { return tx.Plans(here).Newest(night) }))
	require.Equal(t, superseded(2), read(t, s, func(tx commissary.Tx) (commissary.Plan, error) { return tx.Plans(here).Get(night, 2) }))
	missing(t, s, "PLAN_NOT_FOUND", func(tx commissary.Tx) (commissary.Plan, error) { return tx.Plans(here).Get(night, 4) })
	missing(t, s, "PLAN_NOT_FOUND", func(tx commissary.Tx) (commissary.Plan, error) { return tx.Plans(there).Newest(night) })

	plans := func(before, limit int) []commissary.Plan {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Plan, error) { return tx.Plans(here).List(night, before, limit) })
	}
	all := []commissary.Plan{somePlan(night, 3), superseded(2), superseded(1)}
	require.Equal(t, all, plans(0, 0))
	require.Equal(t, all[:2], plans(0, 2))
	require.Equal(t, all[2:], plans(2, 2))
	require.Empty(t, plans(1, 2))
}

func checkBatches(t *testing.T, s commissary.Store) {
	posted := func(id string, n civil.Date, revision int, state commissary.BatchState) commissary.PostedBatch {
		b := commissary.PostedBatch{Batch: someBatch(id), Night: n, Plan: 1, Revision: revision}
		b.State = state
		if state != commissary.BatchPosted {
			b.Started = noon
		}
		return b
	}
	put := func(b commissary.PostedBatch) func(commissary.Tx) error {
		return func(tx commissary.Tx) error { return tx.Batches(here).Put(b) }
	}
	refuses(t, s, commissary.Precondition, "NOT_KEPT", put(posted("20261126-01", night, 1, commissary.BatchPosted)))
	adoptBook(t, s, here)
	releasePlan(t, s, here, night, 1)
	releasePlan(t, s, here, night.AddDays(1), 1)
	missing(t, s, "BATCH_NOT_FOUND", func(tx commissary.Tx) (commissary.PostedBatch, error) { return tx.Batches(here).Get("20261126-01") })

	for n := 1; n <= 4; n++ {
		update(t, s, put(posted(fmt.Sprintf("20261126-%02d", n), night, 1, commissary.BatchPosted)))
	}
	update(t, s, put(posted("20261127-01", night.AddDays(1), 1, commissary.BatchPosted)))
	update(t, s, put(posted("20261126-02", night, 2, commissary.BatchMixing)))
	update(t, s, put(posted("20261126-03", night, 2, commissary.BatchMixing)))
	update(t, s, put(posted("20261126-03", night, 3, commissary.BatchOut)))
	for _, wrong := range []int{0, 1, 3} {
		refuses(t, s, commissary.Conflict, "STALE_REVISION", put(posted("20261126-01", night, wrong, commissary.BatchMixing)))
	}
	refuses(t, s, commissary.Conflict, "STALE_REVISION", put(posted("20261126-09", night, 2, commissary.BatchPosted)))
	refuses(t, s, commissary.Internal, "STORE_REFUSED", put(posted("20261126-09", night, 1, commissary.BatchPlanned)))

	require.Equal(t, posted("20261126-03", night, 3, commissary.BatchOut),
		read(t, s, func(tx commissary.Tx) (commissary.PostedBatch, error) { return tx.Batches(here).Get("20261126-03") }))
	missing(t, s, "BATCH_NOT_FOUND", func(tx commissary.Tx) (commissary.PostedBatch, error) { return tx.Batches(there).Get("20261126-03") })

	ids := func(get func(commissary.Tx) ([]commissary.PostedBatch, error)) []string {
		var all []string
		for _, b := range read(t, s, get) {
			all = append(all, b.ID)
		}
		return all
	}
	list := func(after string, limit int) []string {
		return ids(func(tx commissary.Tx) ([]commissary.PostedBatch, error) {
			return tx.Batches(here).List(night, after, limit)
		})
	}
	open := func(tx commissary.Tx) ([]commissary.PostedBatch, error) { return tx.Batches(here).Open() }
	require.Equal(t, []string{"20261126-01", "20261126-02", "20261126-04", "20261127-01"}, ids(open))
	require.Equal(t, []string{"20261126-01", "20261126-02", "20261126-03", "20261126-04"}, list("", 0))
	require.Equal(t, []string{"20261126-01", "20261126-02"}, list("", 2))
	require.Equal(t, []string{"20261126-03", "20261126-04"}, list("20261126-02", 2))
	require.Empty(t, list("20261126-04", 2))
	require.Empty(t, read(t, s, func(tx commissary.Tx) ([]commissary.PostedBatch, error) { return tx.Batches(there).Open() }))

	remove := func(id string) func(commissary.Tx) error {
		return func(tx commissary.Tx) error { return tx.Batches(here).Delete(id) }
	}
	update(t, s, remove("20261126-04"))
	refuses(t, s, commissary.NotFound, "BATCH_NOT_FOUND", remove("20261126-04"))
	refuses(t, s, commissary.Precondition, "BATCH_STARTED", remove("20261126-02"))
	refuses(t, s, commissary.Precondition, "BATCH_STARTED", remove("20261126-03"))
	require.Equal(t, []string{"20261126-01", "20261126-02", "20261127-01"}, ids(open))
	update(t, s, put(posted("20261126-04", night, 1, commissary.BatchPosted)))
}

func someLot(code string) commissary.Lot {
	return commissary.Lot{Code: code, Item: "round-280", Formula: "direct", Made: noon, Place: "kitchen"}
}

func checkLots(t *testing.T, s commissary.Store) {
	missing(t, s, "LOT_NOT_FOUND", func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("L1") })
	missing(t, s, "LOT_NOT_FOUND", func(tx commissary.Tx) ([]commissary.Movement, error) { return tx.Lots(here).Movements("L1") })
	create := func(l commissary.Lot) func(commissary.Tx) error {
		return func(tx commissary.Tx) error { return tx.Lots(here).Create(l) }
	}
	move := func(m commissary.Movement) func(commissary.Tx) error {
		return func(tx commissary.Tx) error { return tx.Lots(here).Move(m) }
	}
	held := commissary.Lot{Code: "L2", Formula: "poolish", Made: noon, Place: "kitchen", Held: "tub lid was open"}
	claimed := someLot("L1")
	claimed.Pieces, claimed.Mass = 1000, 1000 // its quantity comes from movements alone
	update(t, s, create(claimed))
	update(t, s, create(held))
	update(t, s, create(someLot("L3")))
	refuses(t, s, commissary.Conflict, "LOT_EXISTS", create(someLot("L1")))
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(there).Create(someLot("L1")) })
	require.Equal(t, someLot("L1"), read(t, s, func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("L1") }))
	require.Empty(t, read(t, s, func(tx commissary.Tx) ([]commissary.Movement, error) { return tx.Lots(here).Movements("L1") }))
	refuses(t, s, commissary.Precondition, "NOT_KEPT", create(commissary.Lot{Code: "L4", Formula: "direct", Made: noon, Batch: "20261126-01"}))

	made := commissary.Movement{Lot: "L1", Kind: commissary.Made, Pieces: 146, Place: commissary.AtKitchen, At: noon, By: "baker", Ref: "20261126-01"}
	picked := commissary.Movement{Lot: "L1", Kind: commissary.Picked, Pieces: -100, Place: commissary.AtKitchen, At: noon.Add(time.Hour), By: "dock", Ref: "dawn"}
	stirred := commissary.Movement{Lot: "L2", Kind: commissary.Made, Mass: 5_000_000, At: noon, By: "baker"}
	update(t, s, move(made))
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(there).Move(made) })
	update(t, s, move(picked))
	update(t, s, move(stirred))
	refuses(t, s, commissary.Precondition, "LOT_OVERDRAWN", move(commissary.Movement{Lot: "L1", Kind: commissary.Picked, Pieces: -47, At: noon}))
	refuses(t, s, commissary.Precondition, "LOT_OVERDRAWN", move(commissary.Movement{Lot: "L1", Kind: commissary.Picked, Mass: -1, At: noon}))
	refuses(t, s, commissary.Precondition, "LOT_OVERDRAWN", move(commissary.Movement{Lot: "L2", Kind: commissary.Used, Mass: -5_000_001, At: noon}))
	refuses(t, s, commissary.NotFound, "LOT_NOT_FOUND", move(commissary.Movement{Lot: "L9", Kind: commissary.Made, Pieces: 1, At: noon}))
	refuses(t, s, commissary.Internal, "STORE_REFUSED", move(commissary.Movement{Lot: "L1", Kind: commissary.Made, Pieces: math.MaxInt64, At: noon}))
	require.Equal(t, []commissary.Movement{made, picked},
		read(t, s, func(tx commissary.Tx) ([]commissary.Movement, error) { return tx.Lots(here).Movements("L1") }))

	one := someLot("L1")
	one.Pieces = 46
	held.Mass = 5_000_000
	onHand := func() []commissary.Lot {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).OnHand() })
	}
	list := func(after string, limit int) []commissary.Lot {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).List(after, limit) })
	}
	require.Equal(t, []commissary.Lot{one, held}, onHand())
	require.Equal(t, []commissary.Lot{one, held, someLot("L3")}, list("", 0))
	require.Equal(t, []commissary.Lot{one, held}, list("", 2))
	require.Equal(t, []commissary.Lot{someLot("L3")}, list("L2", 2))
	require.Empty(t, list("L3", 2))
	update(t, s, move(commissary.Movement{Lot: "L1", Kind: commissary.Picked, Pieces: -46, At: noon}))
	require.Equal(t, []commissary.Lot{held}, onHand())

	// A lot keeps its batch from then on.
	adoptBook(t, s, here)
	releasePlan(t, s, here, night, 1)
	update(t, s, func(tx commissary.Tx) error {
		return tx.Batches(here).Put(commissary.PostedBatch{Batch: someBatch("20261126-01"), Night: night, Plan: 1, Revision: 1})
	})
	from := someLot("L5")
	from.Batch = "20261126-01"
	update(t, s, create(from))
	require.Equal(t, from, read(t, s, func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("L5") }))
	refuses(t, s, commissary.Precondition, "NOT_KEPT", func(tx commissary.Tx) error { return tx.Batches(here).Delete("20261126-01") })
}

// checkLotSums moves at random and compares with sums of its own.
func checkLotSums(t *testing.T, s commissary.Store) {
	r := seeded(t)
	codes := []string{"A", "B", "C"}
	pieces, mass, moves := map[string]int64{}, map[string]int64{}, map[string]int{}
	update(t, s, func(tx commissary.Tx) error {
		var errs []error
		for _, c := range codes {
			errs = append(errs, tx.Lots(here).Create(someLot(c)))
		}
		return errors.Join(errs...)
	})
	overdrawn := 0
	for range 200 {
		code := codes[r.IntN(len(codes))]
		p, m := r.Int64N(21)-10, r.Int64N(21)-10
		err := s.Update(t.Context(), func(tx commissary.Tx) error {
			return tx.Lots(here).Move(commissary.Movement{Lot: code, Kind: commissary.Counted, Pieces: quantity.Pieces(p), Mass: quantity.Mass(m), At: noon})
		})
		if pieces[code]+p < 0 || mass[code]+m < 0 {
			refused(t, err, commissary.Precondition, "LOT_OVERDRAWN")
			overdrawn++
			continue
		}
		require.NoError(t, err)
		pieces[code] += p
		mass[code] += m
		moves[code]++
	}
	require.NotZero(t, overdrawn, "no case was overdrawn")
	for _, code := range codes {
		lot := read(t, s, func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get(code) })
		require.Equal(t, quantity.Pieces(pieces[code]), lot.Pieces)
		require.Equal(t, quantity.Mass(mass[code]), lot.Mass)
		kept := read(t, s, func(tx commissary.Tx) ([]commissary.Movement, error) { return tx.Lots(here).Movements(code) })
		require.Len(t, kept, moves[code])
		for _, m := range kept {
			lot.Pieces -= m.Pieces
			lot.Mass -= m.Mass
		}
		require.Zero(t, lot.Pieces)
		require.Zero(t, lot.Mass)
	}
}

func someDispatch(night civil.Date, revision int) commissary.Dispatch {
	return commissary.Dispatch{Night: night, Delivery: night.AddDays(1), Revision: revision, State: commissary.PlanReleased,
		InputHash: fmt.Sprintf("%064d", revision),
		Lines: []commissary.DispatchLine{{Shop: "north", Item: "round-280", BakeDate: night.AddDays(2), Source: commissary.FromStanding,
			Ordered: 60, Picked: 58, Short: 2, Why: "lot L1 ran out"}},
		Picks: []commissary.Pick{{Run: "dawn", Shop: "north", Item: "round-280", BakeDate: night.AddDays(2), Lot: "L1", Pieces: 58, Full: 9, Loose: 4, UseFrom: noon, UseBy: noon.Add(time.Hour)}},
		Manifests: []commissary.Manifest{{Run: "dawn", Vehicle: "van", Departs: noon, Boxes: 10, Mass: 20_000_000,
			Stops: []commissary.ManifestStop{{Shop: "north", Arrives: noon, Allergens: []commissary.Allergen{"wheat"}}}}}}
}

func checkDispatches(t *testing.T, s commissary.Store) {
	missing(t, s, "DISPATCH_NOT_FOUND", func(tx commissary.Tx) (commissary.Dispatch, error) { return tx.Dispatches(here).Newest(night) })
	for n := 1; n <= 3; n++ {
		update(t, s, func(tx commissary.Tx) error { return tx.Dispatches(here).Append(someDispatch(night, n)) })
	}
	for _, wrong := range []int{0, 3, 5} {
		refuses(t, s, commissary.Conflict, "STALE_REVISION", func(tx commissary.Tx) error { return tx.Dispatches(here).Append(someDispatch(night, wrong)) })
	}
	before := someDispatch(night, 2)
	before.State = commissary.PlanSuperseded
	require.Equal(t, someDispatch(night, 3), read(t, s, func(tx commissary.Tx) (commissary.Dispatch, error) { return tx.Dispatches(here).Newest(night) }))
	require.Equal(t, before, read(t, s, func(tx commissary.Tx) (commissary.Dispatch, error) { return tx.Dispatches(here).Get(night, 2) }))
	missing(t, s, "DISPATCH_NOT_FOUND", func(tx commissary.Tx) (commissary.Dispatch, error) { return tx.Dispatches(here).Get(night, 4) })
	missing(t, s, "DISPATCH_NOT_FOUND", func(tx commissary.Tx) (commissary.Dispatch, error) { return tx.Dispatches(there).Newest(night) })
	missing(t, s, "DISPATCH_NOT_FOUND", func(tx commissary.Tx) (commissary.Dispatch, error) {
		return tx.Dispatches(here).Newest(night.AddDays(1))
	})
	update(t, s, func(tx commissary.Tx) error { return tx.Dispatches(here).Append(someDispatch(night.AddDays(1), 1)) })
	require.Equal(t, someDispatch(night, 3), read(t, s, func(tx commissary.Tx) (commissary.Dispatch, error) { return tx.Dispatches(here).Newest(night) }))
}

func checkReplies(t *testing.T, s commissary.Store) {
	get := func(caller, id string) func(commissary.Tx) (commissary.Reply, error) {
		return func(tx commissary.Tx) (commissary.Reply, error) { return tx.Replies(caller).Get(id) }
	}
	first := commissary.Reply{RequestID: "r1", Call: "/doughrun.v1.OrderService/SubmitOrder", Digest: []byte{0, 1}, Answer: []byte("done\x00"), At: noon}
	other := first
	other.Answer = []byte("another")
	missing(t, s, "REPLY_NOT_FOUND", get("north", "r1"))
	update(t, s, func(tx commissary.Tx) error { return tx.Replies("north").Put(first) })
	refuses(t, s, commissary.Conflict, "REQUEST_SETTLED", func(tx commissary.Tx) error { return tx.Replies("north").Put(other) })
	missing(t, s, "REPLY_NOT_FOUND", get("south", "r1"))
	update(t, s, func(tx commissary.Tx) error { return tx.Replies("south").Put(other) })
	require.Equal(t, first, read(t, s, get("north", "r1")))
	require.Equal(t, other, read(t, s, get("south", "r1")))

	// An empty answer is an answer.
	update(t, s, func(tx commissary.Tx) error {
		return tx.Replies("north").Put(commissary.Reply{RequestID: "r2", Call: "c", At: noon})
	})
	require.Empty(t, read(t, s, get("north", "r2")).Answer)
}

func checkChanges(t *testing.T, s commissary.Store) {
	verify := func(kitchen string) int64 {
		rows := read(t, s, func(tx commissary.Tx) (int64, error) { return tx.Changes(kitchen).Verify() })
		require.Equal(t, rows, read(t, s, func(tx commissary.Tx) (int64, error) { return tx.Changes(kitchen).Last() }))
		return rows
	}
	require.Zero(t, verify(here))
	for n := range 6 {
		for _, kitchen := range []string{here, there} {
			update(t, s, func(tx commissary.Tx) error {
				return tx.Changes(kitchen).Append(commissary.Change{Seq: 99, Hash: []byte("forged"), At: noon, Who: "baker", Call: "CloseNight",
					Subject: fmt.Sprintf("kitchens/%s/nights/2026-11-2%d", kitchen, n), Detail: "closed"})
			})
		}
	}
	require.Equal(t, int64(6), verify(here))
	list := func(subject string, after int64, limit int) []commissary.Change {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Change, error) {
			return tx.Changes(here).List(subject, after, limit)
		})
	}
	all := list("", 0, 0)
	seen := map[string]bool{}
	for i, c := range all {
		require.Equal(t, int64(i+1), c.Seq)
		require.Len(t, c.Hash, 32)
		require.False(t, seen[string(c.Hash)], "two rows have one hash")
		seen[string(c.Hash)] = true
		c.Seq, c.Hash = 0, nil
		require.Equal(t, commissary.Change{At: noon, Who: "baker", Call: "CloseNight",
			Subject: fmt.Sprintf("kitchens/main/nights/2026-11-2%d", i), Detail: "closed"}, c)
	}
	require.Len(t, all, 6)
	require.Equal(t, all[:2], list("kitchens/main/", 0, 2))
	require.Equal(t, all[2:4], list("kitchens/main/", 2, 2))
	require.Equal(t, all[3:4], list("kitchens/main/nights/2026-11-23", 0, 0))
	require.Empty(t, list("kitchens/main/nights/2026-11-2%", 0, 0), "a prefix is no pattern")
	require.Empty(t, list("", 6, 0))
}
