package server_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	v1 "doughrun/proto/doughrun/v1"
)

// frozenKitchen is a kitchen at five in the morning: both shops have ordered,
// the night is closed and planned, and 80 balls and 4 pails lie ready.
func frozenKitchen(t *testing.T) *kitchen {
	k := open(t)
	k.stock()
	_, err := k.submit(east, "", line("ball", 40), line("sauce-3kg", 3))
	require.NoError(t, err)
	_, err = k.submit(west, "", line("ball", 24))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T01:10:00-05:00"))
	k.close()
	// With the whole work budget: what is spare depends on the plan.
	r, err := k.plans.DraftPlan(t.Context(), &v1.DraftPlanRequest{Night: night, Seed: 7})
	require.NoError(t, err)
	_, err = k.plans.ReleasePlan(t.Context(), release(r.GetPlan()))
	require.NoError(t, err)
	return k
}

func (k *kitchen) admit(name, etag string, lines ...*v1.OrderLine) (*v1.Order, error) {
	r, err := k.orders.AdmitLateOrder(k.t.Context(), &v1.AdmitLateOrderRequest{Name: name, Etag: etag, Lines: lines, LateReason: "phoned", RequestId: id()})
	return r.GetOrder(), err
}

// Each line freezes at its own moment: until a quarter to five more sauce can
// be cooked, after that there is what is spare; balls come from the surplus.
func TestLinesFreezeAtTheirOwnMoment(t *testing.T) {
	k := frozenKitchen(t)
	k.clock.Set(at("2026-11-27T04:40:00-05:00"))
	o, err := k.admit(east, "1", line("ball", 40), line("sauce-3kg", 9))
	require.NoError(t, err, "a kettle could still begin")
	require.Equal(t, v1.OrderState_ORDER_STATE_LATE, o.GetState())

	k = frozenKitchen(t)
	k.clock.Set(at("2026-11-27T05:00:00-05:00"))
	_, err = k.admit(east, "1", line("ball", 40), line("sauce-3kg", 5))
	s, info, faults := refused(t, err, codes.FailedPrecondition, "LINE_FROZEN")
	require.Contains(t, s.Message(), "frozen")
	require.Len(t, faults, 1)
	require.Equal(t, "lines[1]", faults[0].GetField())
	require.Contains(t, faults[0].GetDescription(), "frozen since Fri 27 Nov 04:45 -05:00")
	require.Contains(t, faults[0].GetDescription(), "1 more can come from surplus")
	require.Contains(t, faults[0].GetDescription(), "the earliest night that still works for it is 2026-11-27, for Sat 28 Nov")
	require.Equal(t, "2026-11-27", info.GetMetadata()["earliest_night"])
	_, err = k.admit(east, "1", line("ball", 40), line("sauce-3kg", 4))
	require.NoError(t, err, "one pail is spare")

	// Of 80 balls 64 are promised.
	_, err = k.admit(east, "2", line("ball", 57), line("sauce-3kg", 4))
	_, _, faults = refused(t, err, codes.FailedPrecondition, "LINE_FROZEN")
	require.Contains(t, faults[0].GetDescription(), "57 instead of 40: frozen since Thu 26 Nov 08:")
	require.Contains(t, faults[0].GetDescription(), "16 more can come from surplus")
	_, err = k.admit(east, "2", line("ball", 52), line("sauce-3kg", 4))
	require.NoError(t, err, "12 more balls from the surplus")
	_, err = k.admit(west, "1", line("ball", 29))
	_, _, faults = refused(t, err, codes.FailedPrecondition, "LINE_FROZEN")
	require.Contains(t, faults[0].GetDescription(), "4 more can come from surplus", "what was given away is gone")
	_, err = k.admit(west, "1", line("ball", 10))
	require.NoError(t, err, "less always can")
	_, err = k.admit(east, "3", line("ball", 70), line("sauce-3kg", 4))
	require.NoError(t, err, "and frees what was made")

	// What the shop itself sends is refused with the same judgement, line by line.
	_, err = k.submit(west, "2", line("ball", 11))
	_, _, faults = refused(t, err, codes.FailedPrecondition, "NIGHT_CLOSED")
	require.Contains(t, faults[0].GetDescription(), "0 more can come from surplus")

	// Once the goods are released nothing of that delivery moves.
	k.clock.Set(at("2026-11-27T05:30:00-05:00"))
	d, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
	require.NoError(t, err)
	_, err = k.dispatches.ReleaseDispatch(t.Context(), &v1.ReleaseDispatchRequest{Night: night, DraftTime: d.GetDispatch().GetDraftTime(),
		InputHash: d.GetDispatch().GetInputHash(), RequestId: id()})
	require.NoError(t, err)
	manifests, err := k.dispatches.ListManifests(t.Context(), &v1.ListManifestsRequest{Night: night})
	require.NoError(t, err)
	for _, s := range manifests.GetManifests()[0].GetStops() {
		require.Contains(t, s.GetLate(), "admitted after the close by local (phoned)", "the driver sees it too")
	}
	_, err = k.admit(west, "2", line("ball", 9))
	_, _, faults = refused(t, err, codes.FailedPrecondition, "NIGHT_DISPATCHED")
	require.Contains(t, faults[0].GetDescription(), "the goods were released")
	require.Contains(t, faults[0].GetDescription(), "for Sat 28 Nov")
}

// A dough freezes when its last batch begins, though another could still come
// in time; until then the batch is made larger.
func TestADoughFreezesWhenItIsMixed(t *testing.T) {
	k := frozenKitchen(t)
	var dough *v1.Batch
	for _, b := range k.posted() {
		for _, s := range b.GetServes() {
			if s.GetItemId() == "ball" && s.GetBakeDate() == "2026-11-28" {
				require.True(t, dough == nil || dough == b, "one batch")
				dough = b
			}
		}
	}
	require.NotNil(t, dough)
	began := dough.GetSteps()[0].GetStartTime().AsTime()
	k.clock.Set(began)
	saturday := &v1.OrderLine{ItemId: "ball", Pieces: 64, BakeDate: "2026-11-28"}
	_, err := k.admit(east, "1", line("ball", 40), line("sauce-3kg", 3), saturday)
	require.NoError(t, err)
	_, err = k.batches.StartBatch(t.Context(), &v1.StartBatchRequest{Name: dough.GetName(), Etag: dough.GetEtag(), RequestId: id()})
	require.NoError(t, err)
	k.clock.Set(began.Add(10 * time.Minute))
	saturday.Pieces = 200
	_, err = k.admit(east, "2", line("ball", 40), line("sauce-3kg", 3), saturday)
	_, _, faults := refused(t, err, codes.FailedPrecondition, "LINE_FROZEN")
	require.Contains(t, faults[0].GetDescription(), "batch "+dough.GetId()+", the last one for it, began")
	require.Contains(t, faults[0].GetDescription(), "for Sun 29 Nov")
}

// A prep freezes when its batch begins, though another could still come in time.
func TestAPrepFreezesWhenItIsStarted(t *testing.T) {
	k := open(t)
	_, err := k.submit(east, "", line("sauce-3kg", 6))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T01:10:00-05:00"))
	k.close()
	_, err = k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	var sauce *v1.Batch
	for _, b := range k.posted() {
		for _, s := range b.GetServes() {
			if s.GetItemId() == "sauce-3kg" && s.GetBakeDate() == "2026-11-27" {
				require.True(t, sauce == nil || sauce == b, "one batch")
				sauce = b
			}
		}
	}
	require.NotNil(t, sauce)
	began := sauce.GetSteps()[0].GetStartTime().AsTime()
	require.True(t, began.Before(at("2026-11-27T04:44:00-05:00")), "before the last moment for a kettle")
	k.clock.Set(began)
	_, err = k.admit(east, "1", line("sauce-3kg", 7))
	require.NoError(t, err, "it can still be made larger")
	_, err = k.batches.StartBatch(t.Context(), &v1.StartBatchRequest{Name: sauce.GetName(), Etag: sauce.GetEtag(), RequestId: id()})
	require.NoError(t, err)
	k.clock.Set(began.Add(time.Minute))
	_, err = k.admit(east, "2", line("sauce-3kg", 40))
	_, _, faults := refused(t, err, codes.FailedPrecondition, "LINE_FROZEN")
	require.Contains(t, faults[0].GetDescription(), "batch "+sauce.GetId()+", the last one for it, began")
	require.Contains(t, faults[0].GetDescription(), "for Sat 28 Nov")
}
