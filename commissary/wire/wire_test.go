package wire_test

import (
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

func show(m proto.Message) string { return protojson.MarshalOptions{Multiline: true}.Format(m) }

// carry sends a message through a file, as a plan travels that somebody moved by hand.
func carry[M proto.Message](t require.TestingT, m, into M) M {
	text, err := protojson.Marshal(m)
	require.NoError(t, err)
	require.NoError(t, protojson.Unmarshal(text, into))
	return into
}

func TestPlanRoundTrip(t *testing.T) {
	known := words(t)
	rapid.Check(t, func(t *rapid.T) {
		var want commissary.Plan
		drawer{t, known}.fill(reflect.ValueOf(&want).Elem(), "plan")
		got, err := wire.ReadPlan(carry(t, wire.For(commissary.Book{}).Plan(want), &v1.Plan{}))
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func TestDispatchRoundTrip(t *testing.T) {
	known := words(t)
	rapid.Check(t, func(t *rapid.T) {
		var want commissary.Dispatch
		drawer{t, known}.fill(reflect.ValueOf(&want).Elem(), "dispatch")
		got, err := wire.ReadDispatch(carry(t, wire.For(commissary.Book{}).Dispatch(want), &v1.Dispatch{}))
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func TestOrderLinesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want commissary.Order
		drawer{t, nil}.fill(reflect.ValueOf(&want.Lines).Elem(), "lines")
		got, err := wire.ReadOrderLines(wire.OrderLines(want.Lines))
		require.NoError(t, err)
		require.Equal(t, want.Lines, got)
	})
}

func TestCountsRoundTrip(t *testing.T) {
	book := commissary.Book{
		Ingredients: []commissary.Ingredient{{ID: "flour"}},
		Formulas:    []commissary.Formula{{ID: "dough"}, {ID: "poolish"}},
		Items:       []commissary.Item{{ID: "ball", Formula: "dough"}},
	}
	rapid.Check(t, func(t *rapid.T) {
		var want []commissary.Lot
		drawer{t, nil}.fill(reflect.ValueOf(&want).Elem(), "lots")
		for i := range want {
			l := &want[i]
			l.Item, l.Formula = "ball", "dough"
			if rapid.Bool().Draw(t, "preferment") {
				l.Item, l.Formula = "", "poolish"
			}
			if rapid.Bool().Draw(t, "ingredient") {
				l.Item, l.Formula, l.Ingredient = "", "", "flour"
			} else {
				l.Ingredient = ""
			}
			l.Place = rapid.SampledFrom([]string{"kitchen", "north"}).Draw(t, "place")
			l.Batch, l.Receipt, l.Off, l.NotAfter = "", commissary.Receipt{}, 0, time.Time{} // a count says none of these
		}
		got, err := wire.ReadCounts(book, wire.Counts(want))
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

// written is one noun with a value in every field, and its message.
type written struct {
	name  string
	noun  reflect.Value // addressable
	write func() proto.Message
	// unsaid lists the noun's fields that do not change the message, with the reason.
	unsaid map[string]string
	// unfilled lists the message's fields that stay empty, with the reason.
	unfilled map[string]string
}

func everything(t *testing.T) []written {
	known := words(t)
	w := wire.For(full[commissary.Book](known))
	var (
		revision = full[commissary.BookRevision](known)
		order    = full[commissary.Order](known)
		night    = full[commissary.Night](known)
		plan     = full[commissary.Plan](known)
		batch    = full[commissary.PostedBatch](known)
		lot      = full[commissary.Lot](known)
		movement = full[commissary.Movement](known)
		dispatch = full[commissary.Dispatch](known)
		change   = full[commissary.Change](known)
		ride     = full[commissary.Ride](known)
	)
	const services = "the service's, which writes the ride beside it"
	const window = "the service works it out"
	const now = "the service says what stands when it is asked"
	const posted = "a batch of a plan is not posted; GetBatch shows what it became"
	return []written{
		{name: "book revision", noun: reflect.ValueOf(&revision).Elem(),
			write:  func() proto.Message { return wire.BookRevision("main", revision) },
			unsaid: map[string]string{"Source": "it travels beside the revision, in GetBook alone, for its size"}},
		{name: "order", noun: reflect.ValueOf(&order).Elem(), write: func() proto.Message { return w.Order(order) }},
		{name: "night", noun: reflect.ValueOf(&night).Elem(), write: func() proto.Message { return w.Night(night) },
			unfilled: map[string]string{"silent_shops": "it follows from the night's orders, which the server looks up"}},
		{name: "plan", noun: reflect.ValueOf(&plan).Elem(), write: func() proto.Message { return w.Plan(plan) },
			unfilled: map[string]string{
				"batches.name": posted, "batches.etag": posted, "batches.night_date": posted, "batches.plan_revision": posted,
				"batches.revision": posted, "batches.start_time": posted, "batches.finish_time": posted,
				"batches.outcomes": posted, "batches.scrapped_by": posted, "batches.scrap_reason": posted,
			}},
		{name: "batch", noun: reflect.ValueOf(&batch).Elem(), write: func() proto.Message { return w.Batch(batch) }},
		{name: "lot", noun: reflect.ValueOf(&lot).Elem(), write: func() proto.Message { return w.Lot(lot, lot) },
			unfilled: map[string]string{"use_from_time": window, "best_time": window, "use_by_time": window}},
		{name: "movement", noun: reflect.ValueOf(&movement).Elem(), write: func() proto.Message { return wire.Movement(movement) }},
		{name: "dispatch", noun: reflect.ValueOf(&dispatch).Elem(), write: func() proto.Message { return w.Dispatch(dispatch) },
			unfilled: map[string]string{
				"picks.held_reason": now, "manifests.stops.lines.held_reason": now, "manifests.stops.new_allergens": now,
				"manifests.ride": services, "manifests.probe_limit_millicelsius": services,
				"manifests.after_run_name": services, "manifests.after_back_time": services,
				"manifests.stops.receive_from_time": services, "manifests.stops.receive_to_time": services,
				"manifests.stops.late": "it follows from an exception of a late order",
			}},
		{name: "ride", noun: reflect.ValueOf(&ride).Elem(), write: func() proto.Message { return w.Ride(ride) },
			unsaid: map[string]string{"Night": "the manifest's", "Run": "the manifest's"}},
		{name: "change", noun: reflect.ValueOf(&change).Elem(), write: func() proto.Message { return wire.Change(change) }},
	}
}

func TestEveryFieldOfANounIsSaid(t *testing.T) {
	known := words(t)
	for _, n := range everything(t) {
		t.Run(n.name, func(t *testing.T) {
			base := proto.Clone(n.write()) // a message may share bytes with its noun
			var unsaid []string
			leaves(n.noun, "", func(path string, leaf reflect.Value) {
				old := reflect.New(leaf.Type()).Elem()
				old.Set(leaf)
				change(leaf, known)
				if proto.Equal(base, n.write()) {
					unsaid = append(unsaid, path)
				}
				leaf.Set(old)
			})
			require.ElementsMatch(t, slices.Collect(maps.Keys(n.unsaid)), unsaid, "what the message does not say, beside what is listed with a reason")
		})
	}
}

func TestEveryFieldOfAMessageIsFilled(t *testing.T) {
	known := words(t)
	catalogue := wire.For(full[commissary.Book](known)).Catalogue()
	plan := full[commissary.Plan](known)
	list, err := wire.For(full[commissary.Book](known)).PickList(full[commissary.Dispatch](known), "a")
	require.NoError(t, err)
	others := []written{
		{name: "catalogue", write: func() proto.Message { return catalogue }},
		{name: "plan summary", write: func() proto.Message { return wire.For(commissary.Book{}).PlanSummary(plan) }},
		{name: "pick list", write: func() proto.Message { return list },
			unfilled: map[string]string{"runs.picked": "the service's, which writes the ride beside it",
				"runs.after_run_name": "the service's, which knows all runs of the morning", "runs.after_back_time": "the service's", "runs.picks.held_reason": "the service says what stands when it is asked"}},
	}
	for _, n := range append(everything(t), others...) {
		t.Run(n.name, func(t *testing.T) {
			var unfilled []string
			fields(n.write().ProtoReflect(), "", func(path string, in protoreflect.Message, field protoreflect.FieldDescriptor) {
				if !in.Has(field) {
					unfilled = append(unfilled, path)
				}
			})
			require.ElementsMatch(t, slices.Collect(maps.Keys(n.unfilled)), unfilled, "what stays empty, beside what is listed with a reason")
		})
	}
}

func TestEveryFieldOfAMessageIsRead(t *testing.T) {
	known := words(t)
	w := wire.For(full[commissary.Book](known))
	plan, dispatch := w.Plan(full[commissary.Plan](known)), w.Dispatch(full[commissary.Dispatch](known))
	count := &v1.StockCount{LotCode: "L1", ItemId: "a", FormulaId: "a", Pieces: 1, MassMg: 1, MadeTime: timestamppb.Now(), HeldReason: "torn bag", Place: "north"}
	line := &v1.OrderLine{ItemId: "a", Pieces: 1, BakeDate: "2026-11-28", ItemName: "A"}

	const forPeople = "for people, from the book"
	for _, c := range []struct {
		name    string
		message proto.Message
		read    func() any
		ignored map[string]string
	}{
		{"plan", plan, func() any { return first(wire.ReadPlan(plan)) }, map[string]string{
			"name": "follows from night and revision",
			"site": forPeople, "site.kitchen_id": forPeople, "site.kitchen_name": forPeople, "site.time_zone": forPeople, "site.units": forPeople,
			"needs.shop_name": forPeople, "needs.item_name": forPeople, "needs.run_name": forPeople,
			"takes.shop_name": forPeople, "takes.item_name": forPeople,
			"batches.name": "follows from the id", "batches.formula_name": forPeople, "batches.vessel_name": forPeople,
			"batches.steps.resource_name": forPeople, "batches.makes.item_name": forPeople,
			"batches.serves.shop_name": forPeople, "batches.serves.item_name": forPeople,
			"batches.etag": "the store's", "batches.night_date": "the store's", "batches.plan_revision": "the store's",
			"batches.revision": "the store's", "batches.start_time": "the store's", "batches.finish_time": "the store's",
			"batches.outcomes": "the store's", "batches.scrapped_by": "the store's", "batches.scrap_reason": "the store's",
		}},
		{"dispatch", dispatch, func() any { return first(wire.ReadDispatch(dispatch)) }, map[string]string{
			"name": "follows from night and revision",
			"site": forPeople, "site.kitchen_id": forPeople, "site.kitchen_name": forPeople, "site.time_zone": forPeople, "site.units": forPeople,
			"lines.shop_name": forPeople, "lines.item_name": forPeople,
			"picks.run_name": forPeople, "picks.shop_name": forPeople, "picks.item_name": forPeople, "picks.zone_name": forPeople,
			"picks.container_name": forPeople, "picks.held_reason": "the store's", "manifests.stops.lines.held_reason": "the store's", "manifests.stops.new_allergens": "the store's",
			"manifests.name": "follows from night and run", "manifests.run_name": forPeople, "manifests.vehicle_name": forPeople,
			"manifests.delivery_date": "the dispatch's", "manifests.dispatch_revision": "the dispatch's",
			"manifests.site": forPeople, "manifests.site.kitchen_id": forPeople, "manifests.site.kitchen_name": forPeople,
			"manifests.site.time_zone": forPeople, "manifests.site.units": forPeople,
			"manifests.load.shop_name": forPeople, "manifests.load.stacks.layers.item_name": forPeople, "manifests.load.stacks.layers.container_name": forPeople,
			"manifests.dolly_long_mm": "the book's", "manifests.dolly_wide_mm": "the book's", "manifests.stops.expected_empties.container_name": forPeople,
			"manifests.stops.shop_name": forPeople, "manifests.stops.address": forPeople, "manifests.stops.phone": forPeople,
			"manifests.stops.access": forPeople, "manifests.stops.unattended": forPeople,
			"manifests.stops.late": forPeople, "manifests.stops.receive_from_time": forPeople, "manifests.stops.receive_to_time": forPeople,
			"manifests.ride": "the service's", "manifests.probe_limit_millicelsius": "the service's",
			"manifests.after_run_name": "the service's", "manifests.after_back_time": "the service's",
			"manifests.stops.lines.item_name": forPeople, "manifests.stops.lines.container_name": forPeople,
		}},
		{"order line", line, func() any { return first(wire.ReadOrderLines([]*v1.OrderLine{line})) }, map[string]string{
			"item_name": forPeople,
		}},
		{"stock count", count, func() any { return first(wire.ReadCounts(commissary.Book{}, []*v1.StockCount{count})) }, map[string]string{
			"formula_id":      "a count with an item has none; without one it is read",
			"ingredient_id":   "a count with an item has none; without one it is read",
			"variance_reason": "the movement's, which the service makes",
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			base := c.read()
			var ignored []string
			fields(c.message.ProtoReflect(), "", func(path string, in protoreflect.Message, field protoreflect.FieldDescriptor) {
				before := proto.Clone(in.Interface()).ProtoReflect()
				in.Clear(field)
				if reflect.DeepEqual(base, c.read()) {
					ignored = append(ignored, path)
				}
				if before.Has(field) {
					in.Set(field, before.Get(field))
				}
			})
			require.ElementsMatch(t, slices.Collect(maps.Keys(c.ignored)), ignored, "what reading does not see, beside what is listed with a reason")
		})
	}
}

func first[N any](n N, _ error) N { return n }

// Every word of the nouns has its value in the contract, and every value its word.
func TestWordsAreThoseOfTheContract(t *testing.T) {
	known := words(t)
	for kind, enum := range map[string]protoreflect.Enum{
		"OrderState":   v1.OrderState(0),
		"NightState":   v1.NightState(0),
		"Source":       v1.Source(0),
		"PlanState":    v1.PlanState(0),
		"BatchState":   v1.BatchState(0),
		"StepKind":     v1.StepKind(0),
		"ItemKind":     v1.ItemKind(0),
		"FormulaKind":  v1.FormulaKind(0),
		"MovementKind": v1.MovementKind(0),
		"InUseKind":    v1.InUseKind(0),
		"RideState":    v1.RideState(0),
		"StopState":    v1.StopState(0),
		"ShortCause":   v1.ShortCause(0),
		"WarmAction":   v1.WarmAction(0),
	} {
		var values []string
		list := enum.Descriptor().Values()
		prefix, _ := strings.CutSuffix(string(list.Get(0).Name()), "UNSPECIFIED")
		for i := 1; i < list.Len(); i++ {
			values = append(values, strings.TrimPrefix(string(list.Get(i).Name()), prefix))
		}
		var wanted []string
		for _, w := range known[kind] {
			wanted = append(wanted, strings.ToUpper(w))
		}
		require.ElementsMatch(t, wanted, values, kind)
	}
}

// What the translation writes keeps the field rules of the contract.
func TestWhatIsWrittenKeepsTheRules(t *testing.T) {
	known := words(t)
	w := wire.For(full[commissary.Book](known))
	night := wire.NightName("main", someDay)
	plan, dispatch := full[commissary.Plan](known), full[commissary.Dispatch](known)
	for _, p := range []commissary.Plan{plan, {Night: someDay}} {
		require.NoError(t, protovalidate.Validate(&v1.CheckPlanRequest{Night: night, Plan: w.Plan(p)}))
	}
	for _, d := range []commissary.Dispatch{dispatch, {Night: someDay, Delivery: someDay.AddDays(1)}} {
		require.NoError(t, protovalidate.Validate(&v1.CheckDispatchRequest{Night: night, Dispatch: w.Dispatch(d)}))
	}
}

func TestReadRefuses(t *testing.T) {
	badTime := &timestamppb.Timestamp{Seconds: 1 << 40}
	for _, c := range []struct {
		name  string
		read  func() error
		where string
		text  string
	}{
		{"a date that is not in the calendar", func() error {
			_, err := wire.ReadOrderLines([]*v1.OrderLine{{}, {BakeDate: "2026-02-30"}})
			return err
		}, "lines[1].bake_date", `"2026-02-30" is not a date`},
		{"an instant beyond all years", func() error {
			_, err := wire.ReadPlan(&v1.Plan{Batches: []*v1.Batch{{Steps: []*v1.BatchStep{{EndTime: badTime}}}}})
			return err
		}, "plan.batches[0].steps[0].end_time", "not an instant"},
		{"a value the contract does not have", func() error {
			_, err := wire.ReadDispatch(&v1.Dispatch{Lines: []*v1.DispatchLine{{Source: 99}}})
			return err
		}, "dispatch.lines[0].source", "99 is unknown"},
		{"an item the book does not have", func() error {
			_, err := wire.ReadCounts(commissary.Book{}, []*v1.StockCount{{ItemId: "moon"}})
			return err
		}, "counts[0].item_id", `"moon" is no item`},
		{"a formula the book does not have", func() error {
			_, err := wire.ReadCounts(commissary.Book{}, []*v1.StockCount{{FormulaId: "moon"}})
			return err
		}, "counts[0].formula_id", `"moon" is no formula`},
		{"an etag that nobody gave out", func() error { _, err := wire.ReadETag("07"); return err }, "etag", `"07" is no etag`},
	} {
		t.Run(c.name, func(t *testing.T) {
			var e *commissary.Error
			require.ErrorAs(t, c.read(), &e)
			require.Equal(t, commissary.Invalid, e.Kind)
			require.Len(t, e.Faults, 1)
			require.Equal(t, c.where, e.Faults[0].Where)
			require.Contains(t, e.Faults[0].Text, c.text)
		})
	}

	var many []*v1.OrderLine
	for range 30 {
		many = append(many, &v1.OrderLine{BakeDate: "soon"})
	}
	_, err := wire.ReadOrderLines(many)
	var e *commissary.Error
	require.ErrorAs(t, err, &e)
	require.Len(t, e.Faults, 20)
}

func TestETag(t *testing.T) {
	for revision, tag := range map[int]string{0: "", 1: "1", 12: "12"} {
		got, err := wire.ReadETag(tag)
		require.NoError(t, err)
		require.Equal(t, revision, got)
	}
	require.Equal(t, "12", wire.For(commissary.Book{}).Order(commissary.Order{Revision: 12}).Etag)
	for _, bad := range []string{"0", "-1", "+1", " 1", "x", "99999999999"} {
		_, err := wire.ReadETag(bad)
		require.Error(t, err, bad)
	}
}

func TestDraftsHaveNoName(t *testing.T) {
	w := wire.For(kitchen)
	require.Empty(t, w.Plan(commissary.Plan{Night: someDay}).Name)
	require.Equal(t, "kitchens/main/nights/2026-11-26/plans/2", w.Plan(commissary.Plan{Night: someDay, Revision: 2}).Name)
	d := commissary.Dispatch{Night: someDay, Delivery: someDay.AddDays(1), Manifests: []commissary.Manifest{{Run: "early"}}}
	require.Empty(t, w.Dispatch(d).Name)
	require.Empty(t, w.Dispatch(d).Manifests[0].Name)
	d.Revision = 1
	require.Equal(t, "kitchens/main/nights/2026-11-26/dispatches/1", w.Dispatch(d).Name)
	require.Equal(t, "kitchens/main/nights/2026-11-26/manifests/early", w.Dispatch(d).Manifests[0].Name)
}

func TestPickListGoesTheWayOfTheWork(t *testing.T) {
	pick := func(run, shop, item, zone, lot string) commissary.Pick {
		return commissary.Pick{Run: run, Shop: shop, Item: item, Zone: zone, Lot: lot, Pieces: 1}
	}
	d := commissary.Dispatch{
		Night: someDay, Delivery: civil.Date{Year: 2026, Month: 11, Day: 27}, Revision: 3,
		Picks: []commissary.Pick{
			pick("early", "north", "sauce", "door", "L1"),
			pick("early", "north", "ball-250", "far", "L3"),
			pick("late", "north", "sauce", "door", "L1"),
			pick("early", "north", "ball-250", "far", "L2"),
			pick("early", "south", "sauce", "door", "L1"),
		},
		Manifests: []commissary.Manifest{
			{Run: "early", Vehicle: "van", Boxes: 4, Mass: 5, Stops: []commissary.ManifestStop{{Shop: "north"}, {Shop: "south"}}},
			{Run: "late", Stops: []commissary.ManifestStop{{Shop: "north"}}},
		},
	}
	list, err := wire.For(kitchen).PickList(d, "")
	require.NoError(t, err)
	require.Equal(t, "kitchens/main/nights/2026-11-26/dispatches/3", list.Dispatch)
	require.Len(t, list.Runs, 2)
	require.Len(t, list.Runs[1].Picks, 1)
	early := list.Runs[0]
	require.Equal(t, []any{"Early run", "White van", int32(4), int64(5)}, []any{early.RunName, early.VehicleName, early.Containers, early.MassMg})
	var way []string
	for _, p := range early.Picks {
		way = append(way, strings.Join([]string{p.ShopName, p.ZoneName, p.ItemName, p.LotCode}, " / "))
	}
	require.Equal(t, []string{
		"South Gate / By the door / Tomato sauce / L1",
		"North Gate / Far wall / Ball 250 g / L2",
		"North Gate / Far wall / Ball 250 g / L3",
		"North Gate / By the door / Tomato sauce / L1",
	}, way)

	list, err = wire.For(kitchen).PickList(d, "late")
	require.NoError(t, err)
	require.Len(t, list.Runs, 1)
	_, err = wire.For(kitchen).PickList(d, "noon")
	require.Equal(t, commissary.NotFound, commissary.KindOf(err))
	require.ErrorContains(t, err, `"noon" carries nothing on 2026-11-27`)
}
