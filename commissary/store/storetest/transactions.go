package storetest

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

// seeded returns randomness whose seed a failing test shows.
func seeded(t *testing.T) *rand.Rand {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

var errMine = errors.New("changed my mind")

func checkUndone(t *testing.T, s commissary.Store) {
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot("kept")) })
	err := s.Update(t.Context(), func(tx commissary.Tx) error {
		if err := tx.Lots(here).Create(someLot("undone")); err != nil {
			return err
		}
		if _, err := tx.Lots(here).Get("undone"); err != nil {
			return fmt.Errorf("a transaction does not see its own work: %w", err)
		}
		if err := tx.Lots(here).Move(commissary.Movement{Lot: "kept", Kind: commissary.Made, Pieces: 5, At: noon}); err != nil {
			return err
		}
		if err := tx.Changes(here).Append(commissary.Change{At: noon, Who: "baker"}); err != nil {
			return err
		}
		return errMine
	})
	require.ErrorIs(t, err, errMine)
	require.Equal(t, []commissary.Lot{someLot("kept")}, read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).List("", 0) }))
	require.Equal(t, int64(1), read(t, s, func(tx commissary.Tx) (int64, error) { return tx.Changes(here).Verify() }), "the lot that is kept, which nobody recorded")

	// A refusal by rule is an answer: the closure may go on after it.
	update(t, s, func(tx commissary.Tx) error {
		if err := tx.Lots(here).Create(someLot("kept")); commissary.KindOf(err) != commissary.Conflict {
			return fmt.Errorf("got %w", err)
		}
		return tx.Lots(here).Create(someLot("next"))
	})
	// A refusal by the database is not: the closure fails even if it goes on.
	refuses(t, s, commissary.Precondition, "NOT_KEPT", func(tx commissary.Tx) error {
		orphan := someLot("orphan")
		orphan.Batch = "nowhere"
		_ = tx.Lots(here).Create(orphan)
		return tx.Lots(here).Create(someLot("after"))
	})
	missing(t, s, "LOT_NOT_FOUND", func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("after") })
}

// checkNeighbours sends closures that fail in every way beside ones that
// succeed, many at once so that they share commits.
func checkNeighbours(t *testing.T, s commissary.Store) {
	const callers, rounds = 64, 8
	var wg sync.WaitGroup
	errs := make([][]error, callers)
	for c := range callers {
		wg.Go(func() {
			for n := range rounds {
				errs[c] = append(errs[c], s.Update(t.Context(), func(tx commissary.Tx) error {
					if c%8 == 0 { // sees what the neighbours before it recorded, though no commit has
						if rows, err := tx.Changes(here).Verify(); err != nil {
							return err
						} else if last, err := tx.Changes(here).Last(); err != nil || last != rows {
							return fmt.Errorf("%d rows end at %d: %w", rows, last, err)
						}
					}
					if err := tx.Lots(here).Create(someLot(fmt.Sprintf("%02d-%d", c, n))); err != nil {
						return err
					}
					if err := tx.Changes(here).Append(commissary.Change{At: noon, Who: fmt.Sprint(c), Detail: fmt.Sprint(n)}); err != nil {
						return err
					}
					switch c % 4 {
					case 1:
						return errMine
					case 2:
						return tx.Lots(here).Move(commissary.Movement{Lot: fmt.Sprintf("%02d-%d", c, n), Kind: commissary.Used, Pieces: -1, At: noon})
					case 3:
						orphan := someLot("orphan")
						orphan.Batch = "nowhere"
						return tx.Lots(here).Create(orphan)
					}
					return nil
				}))
			}
		})
	}
	wg.Wait()
	for c := range callers {
		for _, err := range errs[c] {
			switch c % 4 {
			case 0:
				require.NoError(t, err)
			case 1:
				require.ErrorIs(t, err, errMine)
			case 2:
				refused(t, err, commissary.Precondition, "LOT_OVERDRAWN")
			case 3:
				refused(t, err, commissary.Precondition, "NOT_KEPT")
			}
		}
	}
	var want, got []string
	for c := 0; c < callers; c += 4 {
		for n := range rounds {
			want = append(want, fmt.Sprintf("%02d-%d", c, n))
		}
	}
	for _, l := range read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).List("", 0) }) {
		got = append(got, l.Code)
	}
	require.Equal(t, want, got)
	require.Equal(t, int64(len(want)), read(t, s, func(tx commissary.Tx) (int64, error) { return tx.Changes(here).Verify() }))
}

func checkPanic(t *testing.T, s commissary.Store) {
	func() {
		defer func() { require.Contains(t, fmt.Sprint(recover()), "oven door") }() // and where it was
		_ = s.Update(t.Context(), func(tx commissary.Tx) error {
			_ = tx.Lots(here).Create(someLot("undone"))
			panic("oven door")
		})
	}()
	require.PanicsWithValue(t, "oven door", func() {
		_ = s.View(t.Context(), func(commissary.Tx) error { panic("oven door") })
	})
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot("next")) })
	missing(t, s, "LOT_NOT_FOUND", func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("undone") })
}

// checkConcurrent lets 64 callers race for the revisions of one order, each
// until it has won twice: no revision is lost and none is given twice.
func checkConcurrent(t *testing.T, s commissary.Store) {
	const callers, wins = 64, 2
	var wg sync.WaitGroup
	errs := make([]error, callers)
	for c := range callers {
		wg.Go(func() {
			for n := range wins {
				err := s.Update(t.Context(), func(tx commissary.Tx) error {
					revision := 1
					kept, err := tx.Orders(here).Get(night, "north")
					if err == nil {
						revision = kept.Revision + 1
					} else if commissary.KindOf(err) != commissary.NotFound {
						return err
					}
					o := someOrder(night, "north", revision)
					o.By = fmt.Sprintf("%d/%d", c, n)
					if err := tx.Orders(here).Append(o); err != nil {
						return err
					}
					return tx.Changes(here).Append(commissary.Change{At: noon, Who: o.By, Subject: "order", Detail: fmt.Sprint(revision)})
				})
				errs[c] = errors.Join(errs[c], err)
				errs[c] = errors.Join(errs[c], s.View(t.Context(), func(tx commissary.Tx) error {
					_, err := tx.Orders(here).Get(night, "north")
					return err
				}))
			}
		})
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
	kept := read(t, s, func(tx commissary.Tx) (commissary.Order, error) { return tx.Orders(here).Get(night, "north") })
	require.Equal(t, callers*wins, kept.Revision)
	require.Equal(t, int64(callers*wins), read(t, s, func(tx commissary.Tx) (int64, error) { return tx.Changes(here).Verify() }))
	seen := map[string]bool{}
	for i, c := range read(t, s, func(tx commissary.Tx) ([]commissary.Change, error) { return tx.Changes(here).List("order", 0, 0) }) {
		require.Equal(t, fmt.Sprint(i+1), c.Detail)
		seen[c.Who] = true
	}
	require.Len(t, seen, callers*wins)
}

func checkSnapshot(t *testing.T, s commissary.Store) {
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot("A")) })
	view(t, s, func(tx commissary.Tx) error {
		before, err := tx.Lots(here).List("", 0)
		if err != nil {
			return err
		}
		code := "B"
		if len(before) == 2 {
			code = "C" // the closure may run twice
		}
		if err := s.Update(t.Context(), func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot(code)) }); err != nil {
			return err
		}
		after, err := tx.Lots(here).List("", 0)
		if err == nil && len(after) != len(before) {
			return errors.New("a view saw what was saved after it began")
		}
		return err
	})
	missing(t, s, "LOT_NOT_FOUND", func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("Z") })
	read(t, s, func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("B") })
}

func checkMisuse(t *testing.T, s commissary.Store) {
	refused(t, s.View(t.Context(), func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot("A")) }), commissary.Internal, "STORE_MISUSED")
	refused(t, s.View(t.Context(), func(tx commissary.Tx) error {
		return tx.Changes(here).Append(commissary.Change{At: noon})
	}), commissary.Internal, "STORE_MISUSED")
	var leaked commissary.Tx
	update(t, s, func(tx commissary.Tx) error {
		leaked = tx
		return nil
	})
	refused(t, leaked.Lots(here).Create(someLot("A")), commissary.Internal, "STORE_MISUSED")
	_, err := leaked.Lots(here).Get("A")
	refused(t, err, commissary.Internal, "STORE_MISUSED")
	require.Empty(t, read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).List("", 0) }))
}

// checkEnded: a call that has ended changes nothing, and one that ends while
// its closure runs is answered by what became of it.
func checkEnded(t *testing.T, s commissary.Store) {
	ended, end := context.WithCancel(t.Context())
	end()
	err := s.Update(ended, func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot("A")) })
	refused(t, err, commissary.Unavailable, "CALL_ENDED")
	require.ErrorIs(t, err, context.Canceled)
	err = s.View(ended, func(tx commissary.Tx) error {
		_, err := tx.Lots(here).List("", 0)
		return err
	})
	refused(t, err, commissary.Unavailable, "CALL_ENDED")

	ending, end := context.WithCancel(t.Context())
	err = s.Update(ending, func(tx commissary.Tx) error {
		if err := tx.Lots(here).Create(someLot("A")); err != nil {
			return err
		}
		end()
		return tx.Lots(here).Create(someLot("B"))
	})
	kept := read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).List("", 0) })
	if _, ok := s.(twice); ok { // the call had ended when the second run's turn came
		refused(t, err, commissary.Unavailable, "CALL_ENDED")
		require.Empty(t, kept)
		return
	}
	require.NoError(t, err)
	require.Len(t, kept, 2)
}

func checkReopened(t *testing.T, open func(t *testing.T) commissary.Store) {
	s := open(t)
	adoptBook(t, s, here)
	releasePlan(t, s, here, night, 1)
	update(t, s, func(tx commissary.Tx) error {
		return errors.Join(
			tx.Nights(here).Put(commissary.Night{Date: night, State: commissary.NightOpen}),
			tx.Orders(here).Append(someOrder(night, "north", 1)),
			tx.Batches(here).Put(commissary.PostedBatch{Batch: someBatch("20261126-01"), Night: night, Plan: 1, Revision: 1}),
			tx.Lots(here).Create(someLot("A")),
			tx.Lots(here).Move(commissary.Movement{Lot: "A", Kind: commissary.Made, Pieces: 7, At: noon}),
			tx.Dispatches(here).Append(someDispatch(night, 1)),
			tx.Replies("north").Put(commissary.Reply{RequestID: "r1", Call: "c", Digest: []byte{1}, Answer: []byte{2}, At: noon}),
			tx.Changes(here).Append(commissary.Change{At: noon, Who: "baker"}),
		)
	})
	everything := func(s commissary.Store) []any {
		var all []any
		view(t, s, func(tx commissary.Tx) error {
			all = nil
			keep := func(v any, err error) error {
				all = append(all, v)
				return err
			}
			return errors.Join(
				keep(tx.Books(here).Newest()),
				keep(tx.Nights(here).Get(night)),
				keep(tx.Orders(here).Get(night, "north")),
				keep(tx.Plans(here).Newest(night)),
				keep(tx.Batches(here).Get("20261126-01")),
				keep(tx.Lots(here).Get("A")),
				keep(tx.Lots(here).Movements("A")),
				keep(tx.Dispatches(here).Newest(night)),
				keep(tx.Replies("north").Get("r1")),
				keep(tx.Changes(here).List("", 0, 0)),
				keep(tx.Changes(here).Verify()),
			)
		})
		return all
	}
	before := everything(s)
	require.NoError(t, s.Close())

	s = open(t)
	defer func() { require.NoError(t, s.Close()) }()
	require.Equal(t, before, everything(s))
	update(t, s, func(tx commissary.Tx) error {
		return tx.Changes(here).Append(commissary.Change{At: noon, Who: "baker"})
	})
	require.Equal(t, int64(4), read(t, s, func(tx commissary.Tx) (int64, error) { return tx.Changes(here).Verify() }), "book and plan, which nobody recorded, and two")
}

func checkClosed(t *testing.T, s commissary.Store) {
	require.NoError(t, s.Close())
	require.NoError(t, s.Close(), "a second Close does no harm")
	none := func(commissary.Tx) error { return errors.New("ran after Close") }
	refused(t, s.Update(t.Context(), none), commissary.Unavailable, "STORE_CLOSED")
	refused(t, s.View(t.Context(), none), commissary.Unavailable, "STORE_CLOSED")
}
