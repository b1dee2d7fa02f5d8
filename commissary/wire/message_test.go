package wire_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

var kitchen = commissary.Book{
	Kitchen:    commissary.Kitchen{ID: "main", Name: "Quay Street Kitchen", Zone: "America/New_York", Address: "4 Quay Street", Phone: "555-0100"},
	Containers: []commissary.Container{{ID: "tray", Name: "dough tray"}},
	Formulas:   []commissary.Formula{{ID: "plain", Name: "Plain dough", Kind: commissary.Dough}},
	Vessels:    []commissary.Vessel{{ID: "big", Name: "Big mixer"}},
	Benches:    []commissary.Bench{{ID: "bench", Name: "Long bench"}},
	ColdStore:  commissary.ColdStore{Zones: []commissary.Zone{{ID: "far", Name: "Far wall"}, {ID: "door", Name: "By the door"}}},
	CutOffs:    []commissary.CutOff{{Class: "dough", At: 86400 + 1800, Days: 1}},
	Items: []commissary.Item{
		{ID: "ball-250", Name: "Ball 250 g", Kind: commissary.Ball, Formula: "plain", Mass: 250_000, Container: "tray", PerBox: 15, Zone: "far",
			CutOff: "dough", Ship: commissary.ShipPolicy{BakeAfter: 2, DeliverBefore: 1}},
		{ID: "sauce", Name: "Tomato sauce", Kind: commissary.Pack, Container: "pail", Zone: "door"},
	},
	Shops:    []commissary.Shop{{ID: "north", Name: "North Gate", Access: "key box left"}, {ID: "south", Name: "South Gate"}},
	Vehicles: []commissary.Vehicle{{ID: "van", Name: "White van"}},
	Runs:     []commissary.Run{{ID: "early", Name: "Early run"}},
}

func at(hour int) time.Time { return time.Date(2026, 11, 27, hour, 0, 0, 0, time.UTC) }

var site = &v1.Site{KitchenId: "main", KitchenName: "Quay Street Kitchen", TimeZone: "America/New_York", Units: v1.UnitSystem_UNIT_SYSTEM_METRIC}

// Each value stands in its own field: neighbours of the same type are not swapped.
func TestMessagesSayWhatTheNounsSay(t *testing.T) {
	w := wire.For(kitchen)
	for _, c := range []struct {
		name      string
		want, got proto.Message
	}{
		{"book revision", &v1.BookRevision{Name: "kitchens/main/books/3", Revision: 3, Etag: "3", AdoptTime: timestamppb.New(at(1)), AdoptedBy: "ada"},
			wire.BookRevision("main", commissary.BookRevision{Revision: 3, Source: []byte("x"), Adopted: at(1), By: "ada"})},
		{"catalogue", &v1.Catalogue{
			Site: site, Address: "4 Quay Street", Phone: "555-0100",
			Shops: []*v1.CatalogueShop{{Id: "north", Name: "North Gate"}, {Id: "south", Name: "South Gate"}},
			Items: []*v1.CatalogueItem{
				{Id: "ball-250", Name: "Ball 250 g", Kind: v1.ItemKind_ITEM_KIND_BALL, FormulaId: "plain", MassMg: 250_000, ContainerId: "tray",
					ContainerName: "dough tray", PiecesPerContainer: 15, ZoneId: "far", ZoneName: "Far wall", CutOffClass: "dough", CutOffSeconds: 88_200,
					CutOffDays: 1, BakeAfterDays: 2, DeliverBeforeDays: 1},
				{Id: "sauce", Name: "Tomato sauce", Kind: v1.ItemKind_ITEM_KIND_PACK, ContainerId: "pail", ContainerName: "pail", ZoneId: "door",
					ZoneName: "By the door"},
			},
			Formulas: []*v1.CatalogueFormula{{Id: "plain", Name: "Plain dough", Kind: v1.FormulaKind_FORMULA_KIND_DOUGH}},
		}, w.Catalogue()},
		{"order", &v1.Order{
			Name: "kitchens/main/nights/2026-11-26/orders/north", Etag: "2", NightDate: "2026-11-26", ShopId: "north", ShopName: "North Gate", Revision: 2,
			State:       v1.OrderState_ORDER_STATE_LATE,
			Lines:       []*v1.OrderLine{{ItemId: "sauce", ItemName: "Tomato sauce", Pieces: 4, BakeDate: "2026-11-28"}},
			SubmittedBy: "bea", SubmitTime: timestamppb.New(at(2)), LateBy: "cem", LateReason: "flooded cellar", Site: site,
		}, w.Order(commissary.Order{
			Night: someDay, Shop: "north", Revision: 2, State: commissary.OrderLate,
			Lines: []commissary.OrderLine{{Item: "sauce", Pieces: 4, BakeDate: someDay.AddDays(2)}},
			By:    "bea", Submitted: at(2), LateBy: "cem", LateWhy: "flooded cellar",
		})},
		{"plan", &v1.Plan{
			NightDate: "2026-11-26", State: v1.PlanState_PLAN_STATE_DRAFT, BookRevision: 3, PlanTime: timestamppb.New(at(1)), InputHash: "h", Seed: 4, Steps: 5,
			Needs: []*v1.Need{{ShopId: "north", ShopName: "North Gate", ItemId: "sauce", ItemName: "Tomato sauce", BakeDate: "2026-11-28", Pieces: 6,
				Source: v1.Source_SOURCE_STANDING, RunId: "early", RunName: "Early run", DepartTime: timestamppb.New(at(2)),
				EarliestMixEndTime: timestamppb.New(at(3)), LatestMixEndTime: timestamppb.New(at(6)), GoodFromTime: timestamppb.New(at(4)),
				GoodToTime: timestamppb.New(at(5))}},
			Takes: []*v1.Take{{LotCode: "L1", BatchId: "20261125-01", ShopId: "north", ShopName: "North Gate", ItemId: "sauce", ItemName: "Tomato sauce",
				BakeDate: "2026-11-28", Pieces: 7}},
			Scores: []*v1.Score{{Component: "short", Value: 8, Bound: 2}},
			Exceptions: []*v1.Reason{{Code: "SHORT", Text: "six short", Limit: "cold", ShopId: "north", ItemId: "sauce", BatchId: "20261126-03",
				BakeDate: "2026-11-28", Pieces: 6, Over: 9, EarliestTime: timestamppb.New(at(7)), Relax: "two more places"}},
			Site: site,
		}, w.Plan(commissary.Plan{
			Night: someDay, State: commissary.PlanDraft, BookRev: 3, At: at(1), InputHash: "h", Seed: 4, Steps: 5,
			Needs: []commissary.Need{{Shop: "north", Item: "sauce", BakeDate: someDay.AddDays(2), Pieces: 6, Source: commissary.FromStanding, Run: "early",
				Departs: at(2), MadeFrom: at(3), MadeTo: at(6), GoodFrom: at(4), GoodTo: at(5)}},
			Takes:  []commissary.Take{{Lot: "L1", Batch: "20261125-01", Shop: "north", Item: "sauce", BakeDate: someDay.AddDays(2), Pieces: 7}},
			Scores: []commissary.Score{{Name: "short", Value: 8, Bound: 2}},
			Exceptions: []commissary.Reason{{Code: commissary.ReasonShort, Text: "six short", Limit: "cold", Shop: "north", Item: "sauce", Batch: "20261126-03",
				BakeDate: someDay.AddDays(2), Pieces: 6, Over: 9, Earliest: at(7), Relax: "two more places"}},
		})},
		{"dispatch", &v1.Dispatch{
			NightDate: "2026-11-26", DeliveryDate: "2026-11-27", State: v1.PlanState_PLAN_STATE_DRAFT, DraftTime: timestamppb.New(at(1)), InputHash: "h",
			Lines: []*v1.DispatchLine{{ShopId: "north", ShopName: "North Gate", ItemId: "sauce", ItemName: "Tomato sauce", BakeDate: "2026-11-28",
				Source: v1.Source_SOURCE_ORDER, OrderedPieces: 9, PickedPieces: 7, ShortPieces: 2, ShortReason: "none left"}},
			Picks: []*v1.Pick{{RunId: "early", RunName: "Early run", ShopId: "north", ShopName: "North Gate", ItemId: "ball-250", ItemName: "Ball 250 g",
				BakeDate: "2026-11-28", LotCode: "L1", ZoneId: "far", ZoneName: "Far wall", ContainerName: "dough tray", Pieces: 37, FullContainers: 2,
				LoosePieces: 7, UseFromTime: timestamppb.New(at(2)), UseByTime: timestamppb.New(at(3))}},
			Manifests: []*v1.Manifest{{
				RunId: "early", RunName: "Early run", VehicleId: "van", VehicleName: "White van", DeliveryDate: "2026-11-27", DepartTime: timestamppb.New(at(4)),
				Containers: 11, MassMg: 12, Site: site,
				Stops: []*v1.ManifestStop{{ShopId: "north", ShopName: "North Gate", Access: "key box left", ArriveTime: timestamppb.New(at(5)), Containers: 13,
					MassMg: 14, Allergens: []string{"wheat"},
					Lines: []*v1.ManifestLine{{ItemId: "ball-250", ItemName: "Ball 250 g", LotCode: "L1", Pieces: 15, Containers: 16, ContainerName: "dough tray",
						UseFromTime: timestamppb.New(at(6)), UseByTime: timestamppb.New(at(7))}}}},
			}},
			Site: site,
		}, w.Dispatch(commissary.Dispatch{
			Night: someDay, Delivery: someDay.AddDays(1), State: commissary.PlanDraft, At: at(1), InputHash: "h",
			Lines: []commissary.DispatchLine{{Shop: "north", Item: "sauce", BakeDate: someDay.AddDays(2), Source: commissary.FromOrder, Ordered: 9, Picked: 7,
				Short: 2, Why: "none left"}},
			Picks: []commissary.Pick{{Run: "early", Shop: "north", Item: "ball-250", BakeDate: someDay.AddDays(2), Lot: "L1", Zone: "far", Pieces: 37, Full: 2,
				Loose: 7, UseFrom: at(2), UseBy: at(3)}},
			Manifests: []commissary.Manifest{{Run: "early", Vehicle: "van", Departs: at(4), Boxes: 11, Mass: 12,
				Stops: []commissary.ManifestStop{{Shop: "north", Arrives: at(5), Boxes: 13, Mass: 14, Allergens: []commissary.Allergen{commissary.Wheat},
					Lines: []commissary.ManifestLine{{Item: "ball-250", Lot: "L1", Pieces: 15, Boxes: 16, UseFrom: at(6), UseBy: at(7)}}}}}},
		})},
		{"night", &v1.Night{Name: "kitchens/main/nights/2026-11-26", NightDate: "2026-11-26", State: v1.NightState_NIGHT_STATE_CLOSED,
			CloseTime: timestamppb.New(at(3)), Site: site},
			w.Night(commissary.Night{Date: someDay, State: commissary.NightClosed, Closed: at(3)})},
		{"batch", &v1.Batch{
			Name: "kitchens/main/batches/20261126-03", Etag: "5", Id: "20261126-03", FormulaId: "plain", FormulaName: "Plain dough", VesselId: "big",
			VesselName: "Big mixer", VesselUnit: 2, SecondSpeed: true, State: v1.BatchState_BATCH_STATE_OUT, FlourMassMg: 10, MassMg: 16,
			Steps: []*v1.BatchStep{
				{Kind: v1.StepKind_STEP_KIND_DIVIDE, ResourceId: "bench", ResourceName: "Long bench", StartTime: timestamppb.New(at(4)),
					EndTime: timestamppb.New(at(5)), Heads: 2, ContainerSlots: 3},
				{Kind: v1.StepKind_STEP_KIND_HOLD, ResourceId: "cold", ResourceName: "cold store"},
			},
			MixEndTime: timestamppb.New(at(3)), Uses: []*v1.BatchUse{{LotCode: "L1", MassMg: 7}, {BatchId: "20261126-01"}},
			NightDate: "2026-11-26", PlanRevision: 4, Revision: 5, StartTime: timestamppb.New(at(6)), FinishTime: timestamppb.New(at(7)),
		}, w.Batch(commissary.PostedBatch{
			Batch: commissary.Batch{
				ID: "20261126-03", Formula: "plain", Vessel: "big", Unit: 2, Second: true, State: commissary.BatchOut, Flour: 10, Mass: 16,
				Steps: []commissary.Booking{
					{Step: commissary.StepDivide, Resource: "bench", From: at(4), To: at(5), Heads: 2, Slots: 3},
					{Step: commissary.StepHold, Resource: "cold"},
				},
				MixEnd: at(3), Uses: []commissary.Use{{Lot: "L1", Mass: 7}, {Batch: "20261126-01"}},
			},
			Night: someDay, Plan: 4, Revision: 5, Started: at(6), Finished: at(7),
		})},
		{"lot", &v1.Lot{Name: "kitchens/main/lots/L1", Code: "L1", ItemId: "ball-250", ItemName: "Ball 250 g", FormulaId: "plain", FormulaName: "Plain dough",
			Pieces: 9, MassMg: 8, MadeTime: timestamppb.New(at(1)), Place: "kitchen", BatchId: "20261126-03", HeldReason: "smell"},
			w.Lot(commissary.Lot{Code: "L1", Item: "ball-250", Formula: "plain", Pieces: 9, Mass: 8, Made: at(1), Place: "kitchen", Batch: "20261126-03", Held: "smell"})},
		{"movement", &v1.Movement{LotCode: "L1", Kind: v1.MovementKind_MOVEMENT_KIND_PICKED, Pieces: -9, MassMg: -8, MoveTime: timestamppb.New(at(1)),
			MovedBy: "bea", Reference: "early"},
			wire.Movement(commissary.Movement{Lot: "L1", Kind: commissary.Picked, Pieces: -9, Mass: -8, At: at(1), By: "bea", Ref: "early"})},
		{"change", &v1.Change{Sequence: 7, ChangeTime: timestamppb.New(at(1)), Caller: "bea", Call: "CloseNight", Subject: "kitchens/main/nights/2026-11-26",
			Detail: "closed", Hash: []byte{1}},
			wire.Change(commissary.Change{Seq: 7, At: at(1), Who: "bea", Call: "CloseNight", Subject: "kitchens/main/nights/2026-11-26", Detail: "closed", Hash: []byte{1}})},
	} {
		t.Run(c.name, func(t *testing.T) { equalMessages(t, c.want, c.got) })
	}
}
