// Package storetest is the contract of commissary.Store as tests: every store
// must pass Run.
package storetest

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// Run checks a store against the contract. open opens a store of the given
// test's own, empty at first; called again with the same test after Close it
// opens the same store again.
func Run(t *testing.T, open func(t *testing.T) commissary.Store) {
	nouns := []struct {
		name  string
		check func(t *testing.T, s commissary.Store)
	}{
		{"Books", checkBooks},
		{"Nights", checkNights},
		{"Orders", checkOrders},
		{"OrderLines", checkOrderLines},
		{"Counts", checkCounts},
		{"Fits", checkFits},
		{"Kitchens", checkKitchens},
		{"Plans", checkPlans},
		{"Batches", checkBatches},
		{"Lots", checkLots},
		{"LotSums", checkLotSums},
		{"Ledger", checkLedger},
		{"Holds", checkHolds},
		{"Draws", checkDraws},
		{"Dispatches", checkDispatches},
		{"Rides", checkRides},
		{"Outages", checkOutages},
		{"Replies", checkReplies},
		{"Changes", checkChanges},
		{"Credentials", checkCredentials},
		{"Undone", checkUndone},
		{"Neighbours", checkNeighbours},
		{"Panic", checkPanic},
		{"Concurrent", checkConcurrent},
		{"Snapshot", checkSnapshot},
		{"Misuse", checkMisuse},
		{"Ended", checkEnded},
	}
	for _, n := range nouns {
		t.Run(n.name, func(t *testing.T) {
			s := open(t)
			defer func() { require.NoError(t, s.Close()) }()
			n.check(t, s)
		})
	}
	t.Run("Reopened", func(t *testing.T) { checkReopened(t, open) })
	t.Run("Closed", func(t *testing.T) { checkClosed(t, open(t)) })
}

// Twice returns a store that runs every closure twice and keeps the work of
// the second run, as any store may. Whoever's closures keep a state of their
// own shows over it.
func Twice(s commissary.Store) commissary.Store { return twice{s} }

type twice struct{ commissary.Store }

var errAgain = errors.New("once more")

func (s twice) View(ctx context.Context, f func(commissary.Tx) error) error {
	if err := s.Store.View(ctx, f); err != nil {
		return err
	}
	return s.Store.View(ctx, f)
}

func (s twice) Update(ctx context.Context, f func(commissary.Tx) error) error {
	err := s.Store.Update(ctx, func(tx commissary.Tx) error {
		if err := f(tx); err != nil {
			return err
		}
		return errAgain
	})
	if !errors.Is(err, errAgain) {
		return err
	}
	return s.Store.Update(ctx, f)
}

const (
	here  = "main"
	there = "annexe"
)

var (
	night = civil.Date{Year: 2026, Month: time.November, Day: 26}
	noon  = time.UnixMicro(1_795_694_400_123_456).UTC()
)

// update and view expect success.
func update(t *testing.T, s commissary.Store, f func(commissary.Tx) error) {
	t.Helper()
	require.NoError(t, s.Update(t.Context(), f))
}

func view(t *testing.T, s commissary.Store, f func(commissary.Tx) error) {
	t.Helper()
	require.NoError(t, s.View(t.Context(), f))
}

// refuses expects the refusal of f, and that it leaves the store as it was for others.
func refuses(t *testing.T, s commissary.Store, kind commissary.Kind, reason string, f func(commissary.Tx) error) {
	t.Helper()
	refused(t, s.Update(t.Context(), f), kind, reason)
}

func refused(t *testing.T, err error, kind commissary.Kind, reason string) {
	t.Helper()
	var e *commissary.Error
	require.ErrorAs(t, err, &e)
	require.Equal(t, reason, e.Reason, e.Text)
	require.Equal(t, kind, e.Kind)
	require.NotEmpty(t, e.Text)
}

// read returns what one get of a view returns.
func read[T any](t *testing.T, s commissary.Store, get func(commissary.Tx) (T, error)) T {
	t.Helper()
	var got T
	view(t, s, func(tx commissary.Tx) (err error) {
		got, err = get(tx)
		return err
	})
	return got
}

// missing expects that one get of a view finds nothing.
func missing[T any](t *testing.T, s commissary.Store, reason string, get func(commissary.Tx) (T, error)) {
	t.Helper()
	refused(t, s.View(t.Context(), func(tx commissary.Tx) error {
		_, err := get(tx)
		return err
	}), commissary.NotFound, reason)
}

// adoptBook keeps the first book of a kitchen, which plans refer to.
func adoptBook(t *testing.T, s commissary.Store, kitchen string) {
	t.Helper()
	update(t, s, func(tx commissary.Tx) error {
		return tx.Books(kitchen).Append(commissary.BookRevision{Revision: 1, Source: []byte("kitchen: {}\n"), Adopted: noon, By: "baker"})
	})
}

// releasePlan keeps a plan of a night.
func releasePlan(t *testing.T, s commissary.Store, kitchen string, night civil.Date, revision int) {
	t.Helper()
	update(t, s, func(tx commissary.Tx) error { return tx.Plans(kitchen).Append(somePlan(night, revision)) })
}
