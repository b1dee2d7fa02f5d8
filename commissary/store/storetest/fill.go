package storetest

import (
	"errors"
	"testing"

	"doughrun/commissary"
)

// Fill keeps at least one fact of every kind in an empty store.
func Fill(t *testing.T, s commissary.Store) {
	t.Helper()
	for _, kitchen := range []string{here, there} {
		adoptBook(t, s, kitchen)
		releasePlan(t, s, kitchen, night, 1)
		releasePlan(t, s, kitchen, night, 2)
	}
	sack := commissary.Lot{Code: "flour.L1", Ingredient: "flour", Made: noon, Place: commissary.AtKitchen, NotAfter: noon.AddDate(0, 3, 0)}
	ball := someLot("B1")
	ball.Batch = "20261126-01"
	update(t, s, func(tx commissary.Tx) error {
		lots := tx.Lots(here)
		return errors.Join(
			tx.Nights(here).Put(commissary.Night{Date: night, State: commissary.NightClosed, Closed: noon}),
			tx.Nights(here).Put(commissary.Night{Date: night.AddDays(1), State: commissary.NightOpen}),
			tx.Orders(here).Append(someOrder(night, "north", 1)),
			tx.Orders(here).Append(someOrder(night, "north", 2)),
			tx.Orders(there).Append(commissary.Order{Night: night, Shop: "crème", Revision: 1, State: commissary.OrderAccepted, Closed: true, By: "closer", Submitted: noon}),
			tx.Counts(here).Put(commissary.Count{Night: night, Shop: "north", By: "manager", At: noon, Lines: []commissary.CountLine{{Item: "ball", Pieces: 5}}}),
			tx.Counts(here).PutSale(commissary.Sale{Shop: "north", Item: "ball", Day: night, Pieces: 4, Kind: commissary.SaleSoldOut}),
			tx.Counts(here).PutFit(commissary.Fit{Shop: "north", Item: "ball", Through: night, Text: []byte(`{"level": 4}`)}),
			tx.Batches(here).Put(commissary.PostedBatch{Batch: someBatch("20261126-01"), Night: night, Plan: 1, Revision: 1}),
			tx.Batches(here).PutMix("20261126-01", commissary.Mix{Vessel: "mixer", Class: "medium"}, noon),
			lots.Create(sack), lots.Create(ball), lots.Create(someLot("empty")),
			lots.Move(commissary.Movement{Lot: "flour.L1", Kind: commissary.Received, Mass: 25, At: noon, By: "dock", Ref: "DN 7"}),
			lots.Move(commissary.Movement{Lot: "flour.L1", Kind: commissary.Used, Mass: -7, At: noon}),
			lots.Move(commissary.Movement{Lot: "B1", Kind: commissary.Made, Pieces: 50, At: noon}),
			lots.Move(commissary.Movement{Lot: "B1", Kind: commissary.Picked, Pieces: -30, To: commissary.OnVan("dawn", "north"), At: noon}),
			lots.Draw(commissary.Draw{Batch: "20261126-01", Lot: "flour.L1", Mass: 7}),
			lots.Draw(commissary.Draw{Batch: "20261126-01", Lot: "empty", Possible: true}),
			lots.Change(commissary.InUse{Ingredient: "flour", Lot: "flour.L1", Kind: commissary.Opened, At: noon, By: "baker"}),
			lots.Hold(commissary.Hold{Lot: "B1", Cause: "flour.L1", Why: "metal", At: noon, By: "baker"}),
			tx.Dispatches(here).Append(someDispatch(night, 1)),
			tx.Rides(here).Put(commissary.Ride{Night: night, Run: "south", State: commissary.RideLoading}),
			tx.Outages(here).Append(commissary.ReportedOutage{Number: 1, By: "baker", Reported: noon}),
			tx.Replies("north").Put(commissary.Reply{RequestID: "r1", Call: "c", Digest: []byte{0, 1}, Answer: []byte("done\x00"), At: noon}),
			tx.Changes(here).Append(commissary.Change{At: noon, Who: "baker", Call: "CloseNight", Subject: "kitchens/main/nights/2026-11-26", Detail: "closed"}),
			tx.Changes(there).Append(commissary.Change{At: noon, Who: "baker", Call: "CloseNight", Subject: "kitchens/there/nights/2026-11-26", Detail: "closed"}),
			tx.Credentials().Add(credential(here, "c1", "till", commissary.RoleShop, "north")),
		)
	})
}

// GoOn keeps further facts in a store that Fill has filled, the same every time.
func GoOn(t *testing.T, s commissary.Store) {
	t.Helper()
	update(t, s, func(tx commissary.Tx) error {
		return errors.Join(
			tx.Lots(here).Move(commissary.Movement{Lot: "B1", Kind: commissary.Wasted, Pieces: -2, At: noon}),
			tx.Lots(here).Hold(commissary.Hold{Lot: "empty", Cause: "empty", Why: "metal", At: noon, By: "baker"}),
			tx.Changes(here).Append(commissary.Change{At: noon, Who: "baker", Call: "CloseNight", Subject: "kitchens/main/nights/2026-11-26", Detail: "again"}),
		)
	})
}
