package storetest

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

// checkLedger holds lots to their places.
func checkLedger(t *testing.T, s commissary.Store) {
	van := commissary.OnVan("dawn", "north")
	move := func(m commissary.Movement) func(commissary.Tx) error {
		return func(tx commissary.Tx) error { m.Lot, m.At = "L1", noon; return tx.Lots(here).Move(m) }
	}
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot("L1")) })
	update(t, s, move(commissary.Movement{Kind: commissary.Made, Pieces: 50}))
	update(t, s, move(commissary.Movement{Kind: commissary.Picked, Pieces: -30, To: van}))
	update(t, s, move(commissary.Movement{Kind: commissary.Delivered, Pieces: -28, Place: van, To: "north", Ref: "m1", Why: "two fell"}))
	refuses(t, s, commissary.Precondition, "LOT_OVERDRAWN", move(commissary.Movement{Kind: commissary.Delivered, Pieces: -3, Place: van, To: "north"}))
	refuses(t, s, commissary.Precondition, "LOT_OVERDRAWN", move(commissary.Movement{Kind: commissary.Wasted, Pieces: -1, Place: "south"}))
	// What came in somewhere is not taken back by a transfer that runs backwards.
	refuses(t, s, commissary.Internal, "STORE_REFUSED", move(commissary.Movement{Kind: commissary.Moved, Pieces: 1, To: "south"}))
	refuses(t, s, commissary.Internal, "STORE_REFUSED", move(commissary.Movement{Kind: commissary.Moved, Pieces: -1, Place: van, To: van}))
	places := map[string]int64{}
	for _, l := range read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).At("L1") }) {
		places[l.Place] = int64(l.Pieces)
	}
	require.Equal(t, map[string]int64{"kitchen": 20, van: 2, "north": 28}, places)
	require.Len(t, read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).OnHand() }), 3)
	require.Equal(t, int64(20), int64(read(t, s, func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("L1") }).Pieces))
	moves := read(t, s, func(tx commissary.Tx) ([]commissary.Movement, error) { return tx.Lots(here).Movements("L1") })
	require.Equal(t, commissary.Movement{Lot: "L1", Kind: commissary.Delivered, Pieces: -28, Place: van, To: "north", At: noon, Ref: "m1", Why: "two fell"}, moves[2])
}

// checkHolds holds lots for a cause, and frees them together.
func checkHolds(t *testing.T, s commissary.Store) {
	for _, code := range []string{"A", "B", "C"} {
		update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Create(someLot(code)) })
	}
	hold := func(lot, cause, why string) {
		t.Helper()
		update(t, s, func(tx commissary.Tx) error {
			return tx.Lots(here).Hold(commissary.Hold{Lot: lot, Cause: cause, Why: why, At: noon, By: "baker"})
		})
	}
	held := func(lot string) string {
		return read(t, s, func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get(lot) }).Held
	}
	hold("A", "A", "metal")
	hold("B", "A", "made from A")
	hold("B", "B", "smells")
	hold("B", "B", "smells more")
	require.Equal(t, []string{"metal", "made from A", ""}, []string{held("A"), held("B"), held("C")})
	require.Len(t, read(t, s, func(tx commissary.Tx) ([]commissary.Hold, error) { return tx.Lots(here).Holds("B") }), 2)
	update(t, s, func(tx commissary.Tx) error {
		codes, err := tx.Lots(here).Free("A", "magnet found nothing", "baker", noon)
		require.Equal(t, []string{"A", "B"}, codes)
		return err
	})
	require.Equal(t, []string{"", "smells"}, []string{held("A"), held("B")})
	refuses(t, s, commissary.NotFound, "HOLD_NOT_FOUND", func(tx commissary.Tx) error {
		_, err := tx.Lots(here).Free("A", "again", "baker", noon)
		return err
	})
	hold("A", "A", "once more")
	require.Equal(t, "once more", held("A"))
}

// checkDraws keeps what went into what, and what is in use.
func checkDraws(t *testing.T, s commissary.Store) {
	adoptBook(t, s, here)
	releasePlan(t, s, here, night, 1)
	sack := commissary.Lot{Code: "flour.L1", Ingredient: "flour", Made: noon, Place: commissary.AtKitchen, Receipt: commissary.Receipt{Supplier: "Hollow Mill", Printed: "L1",
		UseBy: civil.Date{Year: 2027, Month: time.March, Day: 1}, Probed: true, Temp: 12_000, Allergens: []commissary.Allergen{commissary.Wheat}, Differs: "x"}}
	ball := someLot("B1")
	ball.Batch = "20261126-01"
	update(t, s, func(tx commissary.Tx) error {
		if err := tx.Batches(here).Put(commissary.PostedBatch{Batch: someBatch("20261126-01"), Night: night, Plan: 1, Revision: 1}); err != nil {
			return err
		}
		if err := tx.Lots(here).Create(sack); err != nil {
			return err
		}
		return tx.Lots(here).Create(ball)
	})
	require.Equal(t, sack, read(t, s, func(tx commissary.Tx) (commissary.Lot, error) { return tx.Lots(here).Get("flour.L1") }))
	sack.Receipt.Differs, sack.Receipt.Settled, sack.Made = "", "baker: told", noon.Add(time.Hour)
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Amend(sack) })
	require.Equal(t, []commissary.Lot{sack}, read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) {
		return tx.Lots(here).Of([]string{"flour.L1", "none"})
	}))
	refuses(t, s, commissary.NotFound, "LOT_NOT_FOUND", func(tx commissary.Tx) error { return tx.Lots(here).Amend(someLot("none")) })

	may := commissary.Draw{Batch: "20261126-01", Lot: "flour.L1", Possible: true}
	did := commissary.Draw{Batch: "20261126-01", Lot: "flour.L1", Mass: 7}
	for _, d := range []commissary.Draw{may, did, may} {
		update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Draw(d) })
	}
	require.Equal(t, []commissary.Draw{did}, read(t, s, func(tx commissary.Tx) ([]commissary.Draw, error) {
		return tx.Lots(here).DrawnFrom([]string{"flour.L1"})
	}), "what is certain stays certain")
	require.Equal(t, []commissary.Draw{did}, read(t, s, func(tx commissary.Tx) ([]commissary.Draw, error) {
		return tx.Lots(here).DrawnBy([]string{"20261126-01"})
	}))
	require.Equal(t, []commissary.Lot{ball}, read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) { return tx.Lots(here).MadeBy([]string{"20261126-01"}) }))
	require.Empty(t, read(t, s, func(tx commissary.Tx) ([]commissary.Lot, error) {
		return tx.Lots(there).MadeBy([]string{"20261126-01"})
	}))
	less := commissary.Draw{Batch: "20261126-01", Lot: "flour.L1", Pieces: 2, Mass: 3, Possible: true}
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Redraw(less) })
	require.Equal(t, []commissary.Draw{less}, read(t, s, func(tx commissary.Tx) ([]commissary.Draw, error) {
		return tx.Lots(here).DrawnBy([]string{"20261126-01"})
	}), "a correction is kept whatever was kept before")
	at := func(hour int) time.Time { return noon.Add(time.Duration(hour) * time.Hour) }
	mix := commissary.Mix{Vessel: "mixer", Class: "medium", Second: true, Actual: 25_000}
	update(t, s, func(tx commissary.Tx) error {
		if err := tx.Batches(here).PutMix("20261126-01", commissary.Mix{Vessel: "mixer", Class: "medium"}, at(0)); err != nil {
			return err
		}
		return tx.Batches(here).PutMix("20261126-01", mix, at(1))
	})
	mixes := func(second bool, before time.Time) []commissary.Mix {
		return read(t, s, func(tx commissary.Tx) ([]commissary.Mix, error) {
			return tx.Batches(here).Mixes("mixer", "medium", second, before, 5)
		})
	}
	require.Equal(t, []commissary.Mix{mix}, mixes(true, at(2)))
	require.Empty(t, mixes(true, at(1)), "not at the instant itself")
	require.Empty(t, mixes(false, at(2)), "kept once")
	require.Empty(t, read(t, s, func(tx commissary.Tx) ([]commissary.Draw, error) { return tx.Lots(here).DrawnFrom(nil) }))
	refuses(t, s, commissary.Precondition, "NOT_KEPT", func(tx commissary.Tx) error {
		return tx.Lots(here).Draw(commissary.Draw{Batch: "20261126-09", Lot: "flour.L1"})
	})

	received := commissary.Movement{Lot: "flour.L1", Kind: commissary.Received, Mass: 25, Place: commissary.AtKitchen, At: noon, By: "dock", Ref: "DN 7"}
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Move(received) })
	update(t, s, func(tx commissary.Tx) error {
		return tx.Lots(here).Move(commissary.Movement{Lot: "flour.L1", Kind: commissary.Used, Mass: -7, At: noon})
	})
	require.Equal(t, []commissary.Movement{received}, read(t, s, func(tx commissary.Tx) ([]commissary.Movement, error) {
		return tx.Lots(here).Receipts([]string{"flour.L1"})
	}))

	opened := commissary.InUse{Ingredient: "flour", Lot: "flour.L1", Kind: commissary.Opened, At: noon, By: "baker", Why: "salt keeps"}
	cleaned := commissary.InUse{Ingredient: "flour", Kind: commissary.CleanedOut, At: noon.Add(time.Hour), By: "baker"}
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Change(cleaned) })
	update(t, s, func(tx commissary.Tx) error { return tx.Lots(here).Change(opened) })
	require.Equal(t, []commissary.InUse{opened, cleaned}, read(t, s, func(tx commissary.Tx) ([]commissary.InUse, error) { return tx.Lots(here).Changes("flour") }))
	refuses(t, s, commissary.Internal, "STORE_REFUSED", func(tx commissary.Tx) error {
		return tx.Lots(here).Change(commissary.InUse{Ingredient: "flour", Kind: commissary.Opened, At: noon})
	})
}
