package server_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
)

const round = night + "/manifests/round"

// loading returns a kitchen whose dispatch is released: 48 balls and 3 sauces
// for east, 40 balls for west, of 80 balls and 4 sauces on hand.
func loading(t *testing.T) (*kitchen, *v1.Dispatch) {
	k := closed(t)
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T05:30:00-05:00"))
	return k, k.dispatch()
}

func (k *kitchen) dispatch() *v1.Dispatch {
	k.t.Helper()
	draft, err := k.dispatches.DraftDispatch(k.t.Context(), &v1.DraftDispatchRequest{Night: night})
	require.NoError(k.t, err)
	d := draft.GetDispatch()
	r, err := k.dispatches.ReleaseDispatch(k.t.Context(), &v1.ReleaseDispatchRequest{Night: night, DraftTime: d.GetDraftTime(), InputHash: d.GetInputHash(), RequestId: id()})
	require.NoError(k.t, err)
	return r.GetDispatch()
}

func (k *kitchen) newest() *v1.Dispatch {
	k.t.Helper()
	r, err := k.dispatches.GetDispatch(k.t.Context(), &v1.GetDispatchRequest{Name: night + "/dispatches/newest"})
	require.NoError(k.t, err)
	return r.GetDispatch()
}

func (k *kitchen) pick(req *v1.RecordPickRequest) (*v1.RecordPickResponse, error) {
	req.Manifest, req.RequestId = round, id()
	return k.dispatches.RecordPick(k.t.Context(), req)
}

func entry(shop, item, lot string, pieces int64, cause v1.ShortCause) *v1.PickEntry {
	return &v1.PickEntry{ShopId: shop, ItemId: item, LotCode: lot, Pieces: pieces, Cause: cause}
}

func (k *kitchen) depart(change func(*v1.DepartRunRequest)) (*v1.DepartRunResponse, error) {
	req := &v1.DepartRunRequest{Name: round, RequestId: id()}
	if change != nil {
		change(req)
	}
	return k.dispatches.DepartRun(k.t.Context(), req)
}

func (k *kitchen) confirm(shop string, change func(*v1.ConfirmStopRequest)) (*v1.ConfirmStopResponse, error) {
	req := &v1.ConfirmStopRequest{Manifest: round, ShopId: shop, RequestId: id()}
	if change != nil {
		change(req)
	}
	return k.dispatches.ConfirmStop(k.t.Context(), req)
}

// where is what is where of a lot.
func (k *kitchen) where(lot string) map[string]int64 {
	places := map[string]int64{}
	for _, s := range k.lot(lot).GetLot().GetStocks() {
		places[s.GetPlace()] = s.GetPieces()
	}
	return places
}

// rides is what rides for a shop, by lot.
func rides(m *v1.Manifest, shop string) map[string]int64 {
	lots := map[string]int64{}
	for _, s := range m.GetStops() {
		for _, l := range s.GetLines() {
			if s.GetShopId() == shop {
				lots[l.GetLotCode()] += l.GetPieces()
			}
		}
	}
	return lots
}

// adds requires that lines, picks, manifests and what is recorded say one thing.
func adds(t *testing.T, d *v1.Dispatch) {
	t.Helper()
	picked, onPicks, onManifests := map[string]int64{}, map[string]int64{}, map[string]int64{}
	for _, l := range d.GetLines() {
		require.Equal(t, l.GetOrderedPieces(), l.GetPickedPieces()+l.GetShortPieces())
		require.Equal(t, l.GetShortPieces() > 0, l.GetShortReason() != "", l)
		picked[l.GetShopId()+" "+l.GetItemId()] += l.GetPickedPieces()
	}
	for _, p := range d.GetPicks() {
		onPicks[p.GetShopId()+" "+p.GetItemId()] += p.GetPieces()
		require.Positive(t, p.GetPieces())
	}
	for _, m := range d.GetManifests() {
		for _, s := range m.GetStops() {
			for _, l := range s.GetLines() {
				onManifests[s.GetShopId()+" "+l.GetItemId()] += l.GetPieces()
			}
		}
	}
	for key, n := range picked {
		require.Equal(t, n, onPicks[key], key)
		require.Equal(t, n, onManifests[key], key)
	}
	require.Len(t, onManifests, len(onPicks))
}

// Goods stay in the kitchen until they are picked, and nobody else gets them.
func TestReleasedGoodsArePromised(t *testing.T) {
	k, d := loading(t)
	require.Equal(t, map[string]int64{"kitchen": 60}, k.where("B-25A"))
	twice, err := k.dispatches.CheckDispatch(t.Context(), &v1.CheckDispatchRequest{Night: night, Dispatch: d})
	require.NoError(t, err)
	overdrawn := map[string]bool{}
	for _, r := range twice.GetReasons() {
		if r.GetCode() == "LOT_OVERDRAWN" {
			overdrawn[r.GetLimit()] = true
		}
	}
	require.Equal(t, map[string]bool{"B-25A": true, "B-25B": true, "S-26": true}, overdrawn, "what is promised is not given twice")
	pack, err := k.lots.GetRecallPack(t.Context(), &v1.GetRecallPackRequest{Name: main + "/lots/B-25A"})
	require.NoError(t, err)
	var promised int64
	for _, s := range pack.GetShops() {
		promised += s.GetUnderWayPieces()
		require.Equal(t, []string{"round"}, s.GetRunIds())
	}
	require.Equal(t, int64(60), promised, "a recall knows who is promised the lot")
	adds(t, d)
	for _, m := range d.GetManifests() {
		require.Equal(t, v1.RideState_RIDE_STATE_LOADING, m.GetRide().GetState())
		require.Equal(t, int32(5000), m.GetProbeLimitMillicelsius())
		require.NotNil(t, m.GetStops()[0].GetReceiveFromTime())
	}
}

func TestShortPicksArePickedAgainAtOnce(t *testing.T) {
	const thereNot, damaged, left = v1.ShortCause_SHORT_CAUSE_NOT_THERE, v1.ShortCause_SHORT_CAUSE_DAMAGED, v1.ShortCause_SHORT_CAUSE_LEFT_OUT
	t.Run("from another lot", func(t *testing.T) {
		k, _ := loading(t)
		_, err := k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
			{LotCode: "B-25C", ItemId: "ball", Pieces: 40, MadeTime: stamp(at("2026-11-25T11:00:00-05:00"))}}})
		require.NoError(t, err)
		east := rides(k.newest().GetManifests()[0], "east")
		r, err := k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{entry("east", "ball", "B-25A", east["B-25A"]-8, damaged)}})
		require.NoError(t, err)
		require.Equal(t, int32(2), r.GetDispatchRevision())
		require.Equal(t, []string{"Run round, East Side: pick 16 × Ball 250 g from lot B-25C."}, r.GetChanges(), "it was short of 8 before")
		adds(t, k.newest())
		require.Equal(t, int64(16), rides(r.GetManifest(), "east")["B-25C"])
		// What was picked again is picked, and all of it adds up in the ledger.
		_, err = k.pick(&v1.RecordPickRequest{})
		require.NoError(t, err)
		require.Equal(t, map[string]int64{"van/round/east": 16, "kitchen": 24}, k.where("B-25C"))
		_, err = k.pick(&v1.RecordPickRequest{})
		refused(t, err, codes.FailedPrecondition, "NOTHING_OPEN")
	})
	t.Run("from the same lot", func(t *testing.T) {
		k, _ := loading(t)
		_, err := k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
			{LotCode: "B-25A", ItemId: "ball", Pieces: 100, MadeTime: stamp(at("2026-11-25T08:00:00-05:00"))}}})
		require.NoError(t, err)
		r, err := k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{entry("east", "ball", "B-25A", 32, damaged)}})
		require.NoError(t, err)
		require.Contains(t, strings.Join(r.GetChanges(), " "), "pick 16 × Ball 250 g from lot B-25A")
		_, err = k.pick(&v1.RecordPickRequest{ShopId: "east"})
		require.NoError(t, err)
		require.Equal(t, int64(48), k.where("B-25A")["van/round/east"])
		adds(t, k.newest())
	})
	t.Run("where there is no more, shops that are not picked for share", func(t *testing.T) {
		k, d := loading(t)
		_, err := k.pick(&v1.RecordPickRequest{ShopId: "west"})
		require.NoError(t, err)
		west := rides(k.newest().GetManifests()[0], "west")
		was := rides(d.GetManifests()[0], "east")
		r, err := k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{entry("east", "ball", "B-25A", was["B-25A"]-8, thereNot)}})
		require.NoError(t, err)
		require.Equal(t, west, rides(r.GetManifest(), "west"), "what is picked is never taken back")
		require.Contains(t, strings.Join(r.GetChanges(), " "), "East Side is short")
		require.Zero(t, k.where("B-25A")["kitchen"])
		adds(t, k.newest())
	})
	t.Run("not at all where it stays on purpose", func(t *testing.T) {
		k, _ := loading(t)
		r, err := k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{{ShopId: "east", ItemId: "sauce-3kg", Pieces: 1, Cause: left, Note: "the van is full"}}})
		require.NoError(t, err)
		require.Contains(t, strings.Join(r.GetChanges(), " "), "2 stay in the kitchen")
		require.Equal(t, map[string]int64{"kitchen": 3, "van/round/east": 1}, k.where("S-26"))
		adds(t, k.newest())
	})
}

func TestPicksThatCannotBe(t *testing.T) {
	const none, damaged = v1.ShortCause_SHORT_CAUSE_UNSPECIFIED, v1.ShortCause_SHORT_CAUSE_DAMAGED
	k, d := loading(t)
	listed := rides(d.GetManifests()[0], "east")["B-25A"]
	_, err := k.lots.CountStock(t.Context(), &v1.CountStockRequest{Kitchen: main, RequestId: id(), Counts: []*v1.StockCount{
		{LotCode: "B-27", ItemId: "ball", Pieces: 40, MadeTime: stamp(at("2026-11-27T04:30:00-05:00"))}}})
	require.NoError(t, err)
	for _, tc := range []struct {
		name   string
		line   *v1.PickEntry
		code   codes.Code
		reason string
		says   string
	}{
		{"fewer and no cause", entry("east", "ball", "B-25A", listed-1, none), codes.InvalidArgument, "PICK_INVALID", "say why"},
		{"a cause and not fewer", entry("east", "ball", "B-25A", listed, damaged), codes.InvalidArgument, "PICK_INVALID", "leave the cause out"},
		{"more than ordered", entry("east", "ball", "B-25A", 49, none), codes.InvalidArgument, "PICK_INVALID", "1 more are too many"},
		{"too young", entry("east", "ball", "B-27", 8, none), codes.InvalidArgument, "PICK_INVALID", "old before the first pull"},
		{"the wrong label", entry("east", "ball", "S-26", 1, none), codes.InvalidArgument, "PICK_INVALID", "read the label again"},
		{"nobody ordered it", entry("west", "sauce-3kg", "S-26", 1, none), codes.InvalidArgument, "PICK_INVALID", "gets sauce-3kg for 0 days"},
		{"no such shop on the run", entry("north", "ball", "B-25A", 1, none), codes.InvalidArgument, "PICK_INVALID", "does not stop"},
		{"no such lot", entry("east", "ball", "B-99", 1, none), codes.NotFound, "LOT_NOT_FOUND", "B-99"},
		{"containers that do not add up", &v1.PickEntry{ShopId: "east", ItemId: "ball", LotCode: "B-25A", Pieces: listed, FullContainers: 5, LoosePieces: 7}, codes.InvalidArgument, "MESSAGE_INVALID", "come to 47"},
		{"a correction of nothing", &v1.PickEntry{ShopId: "east", ItemId: "ball", LotCode: "B-25A", Pieces: listed, Correct: true}, codes.InvalidArgument, "PICK_INVALID", "leave the correction out"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{tc.line}})
			s, _, faults := refused(t, err, tc.code, tc.reason)
			require.Contains(t, s.Message()+fmt.Sprint(faults), tc.says)
			require.Equal(t, int64(60), k.where("B-25A")["kitchen"], "nothing moved")
		})
	}
	// Recorded twice, put right, and found beyond the records.
	whole := entry("east", "ball", "B-25A", listed, none)
	_, err = k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{whole}})
	require.NoError(t, err)
	_, err = k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{whole}})
	refused(t, err, codes.FailedPrecondition, "LINE_PICKED")
	right := proto.CloneOf(whole)
	right.Correct, right.Pieces, right.Cause = true, listed-2, damaged
	_, err = k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{right}})
	require.NoError(t, err)
	require.Equal(t, listed-2, k.where("B-25A")["van/round/east"])
	require.Equal(t, 60-listed, k.where("B-25A")["kitchen"])
	adds(t, k.newest())
	more := entry("west", "ball", "B-25B", 22, none)
	_, err = k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{more}})
	refused(t, err, codes.FailedPrecondition, "LOT_OVERDRAWN")
	_, err = k.pick(&v1.RecordPickRequest{Found: true, Lines: []*v1.PickEntry{more}})
	require.NoError(t, err)
	require.Equal(t, map[string]int64{"van/round/west": 22}, k.where("B-25B"))
	adds(t, k.newest())
}

// Two pickers at the same time: each line is recorded once, whoever is first,
// nothing is picked that is not there, and the sums hold all along.
func TestTwoPickersAtOnce(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	k, d := loading(t)
	var entries []*v1.PickEntry
	for _, p := range d.GetPicks() {
		entries = append(entries, entry(p.GetShopId(), p.GetItemId(), p.GetLotCode(), p.GetPieces(), 0))
	}
	r := rand.New(rand.NewPCG(seed, 1))
	short := entries[r.IntN(len(entries))]
	fewer := proto.CloneOf(short)
	fewer.Pieces, fewer.Cause = short.GetPieces()-1, v1.ShortCause_SHORT_CAUSE_DAMAGED
	done := map[string]int{}
	var mu sync.Mutex
	var g sync.WaitGroup
	for picker := range 2 {
		order := rand.New(rand.NewPCG(seed, uint64(picker))).Perm(len(entries))
		g.Go(func() {
			for _, i := range order {
				e := entries[i]
				if e == short && picker == 1 {
					e = fewer
				}
				// A lost answer: the same request goes out twice.
				req := &v1.RecordPickRequest{Manifest: round, Lines: []*v1.PickEntry{e}, RequestId: id()}
				first, err := k.dispatches.RecordPick(t.Context(), req)
				again, err2 := k.dispatches.RecordPick(t.Context(), req)
				mu.Lock()
				switch {
				case err == nil && err2 == nil && proto.Equal(first, again):
					done[fmt.Sprint(i)]++
				case reasonOf(err) == "LINE_PICKED" && reasonOf(err2) == "LINE_PICKED":
				default:
					t.Errorf("%v: %v, then %v", e, err, err2)
				}
				mu.Unlock()
			}
		})
	}
	g.Wait()
	require.Len(t, done, len(entries))
	for i, n := range done {
		require.Equal(t, 1, n, "line %s", i)
	}
	adds(t, k.newest())
	onVan, recorded := int64(0), int64(0)
	for _, lot := range []string{"B-25A", "B-25B", "S-26"} {
		for place, n := range k.where(lot) {
			if strings.HasPrefix(place, "van/") {
				onVan += n
			}
		}
	}
	for _, l := range k.newest().GetManifests()[0].GetRide().GetPicked() {
		recorded += l.GetPieces()
	}
	require.Equal(t, recorded, onVan)
}

// The whole way: ordered = picked + short = delivered + missing + refused + short.
func TestARunIsDrivenToItsEnd(t *testing.T) {
	k, d := loading(t)
	_, err := k.confirm("east", nil)
	refused(t, err, codes.FailedPrecondition, "RUN_NOT_LEFT")
	// A clock that is days behind does not make the run leave before it was released.
	req := &v1.DepartRunRequest{Name: round, DepartTime: stamp(k.clock.Now().Add(-48 * time.Hour)), Probes: []*v1.Probe{{LotCode: "B-25A", TempMillicelsius: 5_000}}, RequestId: id()}
	left, err := k.dispatches.DepartRun(t.Context(), req)
	require.NoError(t, err)
	require.Equal(t, []string{fmt.Sprintf("%d lines were not recorded as picked and ride as listed.", len(d.GetPicks()))}, left.GetNotes())
	require.Equal(t, v1.RideState_RIDE_STATE_DEPARTED, left.GetManifest().GetRide().GetState())
	require.Equal(t, k.clock.Now().UTC(), left.GetManifest().GetRide().GetDeparture().GetDepartTime().AsTime())
	again, err := k.dispatches.DepartRun(t.Context(), req)
	require.NoError(t, err)
	same(t, left, again)
	_, err = k.depart(nil)
	refused(t, err, codes.FailedPrecondition, "RUN_LEFT")
	_, err = k.pick(&v1.RecordPickRequest{})
	refused(t, err, codes.FailedPrecondition, "RUN_LEFT")

	k.wait(2 * time.Hour)
	for name, tc := range map[string]struct {
		change func(*v1.ConfirmStopRequest)
		code   codes.Code
		reason string
	}{
		"more missing than rides": {func(r *v1.ConfirmStopRequest) {
			r.Differences = []*v1.Difference{{ItemId: "sauce-3kg", MissingPieces: 2, RefusedPieces: 2, Reason: "x"}}
		}, codes.InvalidArgument, "DROP_INVALID"},
		"refused and no reason": {func(r *v1.ConfirmStopRequest) {
			r.Differences = []*v1.Difference{{ItemId: "sauce-3kg", RefusedPieces: 2}}
		}, codes.InvalidArgument, "MESSAGE_INVALID"},
		"an item that does not ride":   {func(r *v1.ConfirmStopRequest) { r.Differences = []*v1.Difference{{ItemId: "nuts", MissingPieces: 2}} }, codes.InvalidArgument, "DROP_INVALID"},
		"all refused and nobody knows": {func(r *v1.ConfirmStopRequest) { r.AllRefused = true }, codes.InvalidArgument, "MESSAGE_INVALID"},
		"a shop that is not on it":     {func(r *v1.ConfirmStopRequest) { r.ShopId = "north" }, codes.NotFound, "STOP_NOT_FOUND"},
		"too warm and no action": {func(r *v1.ConfirmStopRequest) { r.Probes = []*v1.Probe{{TempMillicelsius: 5_001}} },
			codes.FailedPrecondition, "TOO_WARM"},
		"an action and not warm": {func(r *v1.ConfirmStopRequest) { r.WarmAction = v1.WarmAction_WARM_ACTION_CHILL }, codes.FailedPrecondition, "NOT_WARM"},
		"unknown containers": {func(r *v1.ConfirmStopRequest) { r.Empties = []*v1.Empties{{ContainerId: "sack", Count: 2}} },
			codes.InvalidArgument, "DROP_INVALID"},
	} {
		_, err := k.confirm("east", tc.change)
		s, _, _ := refused(t, err, tc.code, tc.reason)
		t.Log(name, ":", s.Message())
	}
	stop := &v1.ConfirmStopRequest{Manifest: round, ShopId: "east", RequestId: id(), SignedBy: "K. 7", Probes: []*v1.Probe{{TempMillicelsius: 4_200}},
		DropTime: stamp(at("2026-11-27T07:20:00-05:00")), Empties: []*v1.Empties{{Count: 6}},
		Differences: []*v1.Difference{{ItemId: "sauce-3kg", MissingPieces: 1, RefusedPieces: 1, Reason: "lid open"}}}
	drop, err := k.dispatches.ConfirmStop(t.Context(), stop)
	require.NoError(t, err)
	require.Equal(t, v1.StopState_STOP_STATE_DIFFERS, drop.GetDrop().GetState())
	require.Equal(t, at("2026-11-27T07:20:00-05:00").UTC(), drop.GetDrop().GetDropTime().AsTime())
	require.Empty(t, drop.GetNotes())
	require.Equal(t, map[string]int64{"kitchen": 1, "east": 1, "returns": 1}, k.where("S-26"))
	r, err := k.orders.GetReceipt(t.Context(), &v1.GetReceiptRequest{Name: east})
	require.NoError(t, err)
	sauce := r.GetLines()[1].GetParts()[0]
	require.Equal(t, []int64{3, 1, 1}, []int64{sauce.GetPieces(), sauce.GetMissingPieces(), sauce.GetRefusedPieces()})
	require.Equal(t, "lid open", sauce.GetRefusedReason())
	twice, err := k.dispatches.ConfirmStop(t.Context(), stop)
	require.NoError(t, err)
	same(t, drop, twice)
	_, err = k.confirm("east", nil)
	s, _, _ := refused(t, err, codes.FailedPrecondition, "STOP_CONFIRMED")
	require.Contains(t, s.Message(), "as local said at")
	require.Error(t, k.move("S-26", "returns", "east", 1, ""), "what was refused is never sold again")

	last, err := k.confirm("west", nil)
	require.NoError(t, err)
	require.Equal(t, []string{"Nobody signed.", "No product temperature was noted."}, last.GetNotes())
	require.Equal(t, v1.RideState_RIDE_STATE_CLOSED, last.GetManifest().GetRide().GetState())

	var ordered, short, delivered, missing, refusedPieces int64
	for _, l := range k.newest().GetLines() {
		ordered, short = ordered+l.GetOrderedPieces(), short+l.GetShortPieces()
	}
	for _, d := range last.GetManifest().GetRide().GetDrops() {
		for _, l := range d.GetLines() {
			delivered, missing, refusedPieces = delivered+l.GetDeliveredPieces(), missing+l.GetMissingPieces(), refusedPieces+l.GetRefusedPieces()
		}
	}
	require.Equal(t, []int64{91, 91 - short - 2, 1, 1}, []int64{ordered, delivered, missing, refusedPieces})
	var there int64
	for _, lot := range []string{"B-25A", "B-25B", "S-26"} {
		there += k.where(lot)["east"] + k.where(lot)["west"]
		require.Empty(t, k.where(lot)["van/round/east"]+k.where(lot)["van/round/west"])
	}
	require.Equal(t, delivered, there, "the ledger says so too")
	v, err := k.audit.VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
	require.NoError(t, err)
	require.Zero(t, v.GetBrokenSequence())
}

// A hold stops picks, departures and drops of that moment on, and each says what to do.
func TestAHoldStopsAtOnce(t *testing.T) {
	k, _ := loading(t)
	hold := func() {
		_, err := k.lots.HoldLot(t.Context(), &v1.HoldLotRequest{Name: main + "/lots/S-26", Reason: "metal", RequestId: id()})
		require.NoError(t, err)
	}
	free := func() {
		_, err := k.lots.ReleaseLot(t.Context(), &v1.ReleaseLotRequest{Name: main + "/lots/S-26", Reason: "none found", RequestId: id()})
		require.NoError(t, err)
	}
	hold()
	_, err := k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{entry("east", "sauce-3kg", "", 3, 0)}})
	refused(t, err, codes.FailedPrecondition, "LOT_HELD")
	_, err = k.depart(nil)
	refused(t, err, codes.FailedPrecondition, "LOT_HELD")
	free()
	_, err = k.pick(&v1.RecordPickRequest{})
	require.NoError(t, err)
	hold()
	_, err = k.depart(nil)
	s, _, _ := refused(t, err, codes.FailedPrecondition, "LOT_HELD")
	require.Contains(t, s.Message(), "Take it off")
	free()
	_, err = k.depart(nil)
	require.NoError(t, err)
	hold()
	_, err = k.confirm("east", nil)
	s, _, _ = refused(t, err, codes.FailedPrecondition, "LOT_HELD")
	require.Contains(t, s.Message(), "Leave it on the van")
	drop, err := k.confirm("east", func(r *v1.ConfirmStopRequest) { r.HoldBack = true })
	require.NoError(t, err)
	require.Contains(t, strings.Join(drop.GetNotes(), " "), "goes back apart")
	require.Equal(t, map[string]int64{"kitchen": 1, "returns": 3}, k.where("S-26"))
	_, err = k.confirm("west", nil)
	require.NoError(t, err, "what is not on hold goes on")

	// Taken off a van that has not left, it is in the kitchen again, on hold.
	k, _ = loading(t)
	_, err = k.pick(&v1.RecordPickRequest{})
	require.NoError(t, err)
	_, err = k.lots.HoldLot(t.Context(), &v1.HoldLotRequest{Name: main + "/lots/S-26", Reason: "metal", RequestId: id()})
	require.NoError(t, err)
	_, err = k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{{ShopId: "east", ItemId: "sauce-3kg", LotCode: "S-26", Cause: v1.ShortCause_SHORT_CAUSE_ON_HOLD, Correct: true}}})
	require.NoError(t, err)
	require.Equal(t, map[string]int64{"kitchen": 4}, k.where("S-26"))
	_, err = k.depart(nil)
	require.NoError(t, err)
	adds(t, k.newest())
}

func TestGoodsThatAreTooWarm(t *testing.T) {
	k, _ := loading(t)
	warm := []*v1.Probe{{LotCode: "B-25A", TempMillicelsius: 6_100}}
	for _, action := range []v1.WarmAction{0, v1.WarmAction_WARM_ACTION_REFUSE, v1.WarmAction_WARM_ACTION_CHILL} {
		_, err := k.depart(func(r *v1.DepartRunRequest) { r.Probes, r.WarmAction = warm, action })
		s, _, _ := refused(t, err, codes.FailedPrecondition, "TOO_WARM")
		require.Contains(t, s.Message(), "6.1 °C")
		require.Contains(t, s.Message(), "5 °C")
		require.Contains(t, s.Message(), "Local code decides")
	}
	left, err := k.depart(func(r *v1.DepartRunRequest) {
		r.Probes, r.WarmAction, r.Note = warm, v1.WarmAction_WARM_ACTION_CHILL, "the head baker decided"
	})
	require.NoError(t, err)
	require.Contains(t, strings.Join(left.GetNotes(), " "), "Probe again at the first stop")
	drop, err := k.confirm("east", func(r *v1.ConfirmStopRequest) { r.Probes, r.WarmAction = warm, v1.WarmAction_WARM_ACTION_REFUSE })
	require.NoError(t, err)
	for _, l := range drop.GetDrop().GetLines() {
		if l.GetLotCode() == "B-25A" {
			require.Zero(t, l.GetDeliveredPieces())
			require.Equal(t, "too warm", l.GetReason())
		} else {
			require.Zero(t, l.GetRefusedPieces())
		}
	}
	drop, err = k.confirm("west", func(r *v1.ConfirmStopRequest) {
		r.Probes, r.WarmAction = []*v1.Probe{{TempMillicelsius: 9_000}}, v1.WarmAction_WARM_ACTION_HOLD
	})
	require.NoError(t, err)
	require.Equal(t, v1.StopState_STOP_STATE_DIFFERS, drop.GetDrop().GetState())
	require.Contains(t, strings.Join(drop.GetNotes(), " "), "nothing of it is used until the kitchen")

	// Each shop's receipt says what became of it.
	parts := func(shop string) map[string]*v1.ReceiptPart {
		r, err := k.orders.GetReceipt(t.Context(), &v1.GetReceiptRequest{Name: night + "/orders/" + shop})
		require.NoError(t, err)
		all := map[string]*v1.ReceiptPart{}
		for _, l := range r.GetLines() {
			for _, p := range l.GetParts() {
				if l.GetBakeDate() == "2026-11-27" {
					all[p.GetLotCode()] = p
				}
			}
		}
		return all
	}
	gone := parts("east")["B-25A"]
	require.Equal(t, gone.GetPieces(), gone.GetRefusedPieces())
	require.Equal(t, "too warm", gone.GetRefusedReason())
	require.Empty(t, gone.GetWarmNote())
	aside := parts("west")
	require.NotEmpty(t, aside)
	for _, p := range aside {
		require.Contains(t, p.GetWarmNote(), "Put aside and marked")
		require.Zero(t, p.GetRefusedPieces())
	}
}

// More than the van carries rides all the same, and a reason says what is over
// and what to do. One shop to a dolly holds after a short pick too.
func TestALoadThatIsTooMuch(t *testing.T) {
	k := closed(t, "  van: {name: Van, containers: 100, payload: 900 kg}", "  van: {name: Van, containers: 8, payload: 50 kg, dollies: 1}\n\ndolly: {base: 60 x 40 cm, tare: 9 kg, carries: 200 kg}")
	_, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T05:30:00-05:00"))
	over := func(d *v1.Dispatch) []string {
		var all []string
		for _, e := range d.GetExceptions() {
			if e.GetCode() == "OVERLOAD" {
				require.NotEmpty(t, e.GetRelax(), e.GetText())
				all = append(all, e.GetText())
			}
		}
		return all
	}
	oneEach := func(d *v1.Dispatch) {
		for _, m := range d.GetManifests() {
			on := map[string]int64{}
			for _, dolly := range m.GetLoad() {
				require.NotEmpty(t, dolly.GetShopId())
				for _, s := range dolly.GetStacks() {
					for _, l := range s.GetLayers() {
						on[dolly.GetShopId()] += int64(l.GetContainers())
					}
				}
			}
			for _, s := range m.GetStops() {
				require.Equal(t, int64(s.GetContainers()), on[s.GetShopId()], s.GetShopId())
			}
			require.Len(t, on, len(m.GetStops()))
		}
	}
	d := k.dispatch()
	said := strings.Join(over(d), "\n")
	for _, part := range []string{"containers on Van, which holds 8", "may carry 50 kg", "dollies on Van, which has room for 1",
		"take what is over on a second run, once Van is back at"} {
		require.Contains(t, said, part)
	}
	oneEach(d)
	_, err = k.pick(&v1.RecordPickRequest{Lines: []*v1.PickEntry{{ShopId: "east", ItemId: "ball", LotCode: "B-25A", Pieces: 8, Cause: v1.ShortCause_SHORT_CAUSE_LEFT_OUT, Note: "the van is full"}}})
	require.NoError(t, err)
	again := k.newest()
	require.Equal(t, int32(2), again.GetRevision())
	require.Less(t, again.GetManifests()[0].GetMassMg(), d.GetManifests()[0].GetMassMg())
	oneEach(again)
	require.NotEqual(t, over(d), over(again), "said of what rides now")
	adds(t, again)
}

// A page from before the last change is refused where it would mislead, and
// only there.
func TestOldPagesAreWastePaper(t *testing.T) {
	k, d := loading(t)
	listed := rides(d.GetManifests()[0], "east")["B-25A"]
	_, err := k.pick(&v1.RecordPickRequest{Page: "1", Lines: []*v1.PickEntry{entry("east", "ball", "B-25A", listed-1, v1.ShortCause_SHORT_CAUSE_NOT_THERE)}})
	require.NoError(t, err)
	is := k.newest()
	require.Equal(t, int32(2), is.GetRevision())
	for _, page := range []string{"1", d.GetInputHash()[:12], round + "#" + d.GetInputHash()[:12], night + "/dispatches/1/picks#" + d.GetInputHash()[:12], "7", "ffffffffffff"} {
		_, err = k.pick(&v1.RecordPickRequest{Page: page, ShopId: "east"})
		s, _, _ := refused(t, err, codes.FailedPrecondition, "PAGE_SUPERSEDED")
		require.Contains(t, s.Message(), "print it again")
	}
	_, err = k.pick(&v1.RecordPickRequest{Page: night + "/manifests/sunday#" + is.GetInputHash()[:12], ShopId: "east"})
	refused(t, err, codes.FailedPrecondition, "PAGE_OF_ANOTHER")
	unchanged := true
	for _, p := range is.GetManifests()[0].GetRide().GetPages() {
		unchanged = unchanged && (p.GetShopId() != "west" || p.GetDispatchRevision() == 1)
	}
	if unchanged {
		_, err = k.pick(&v1.RecordPickRequest{Page: "1", ShopId: "west"})
		require.NoError(t, err, "nothing changed for west")
	}
	_, err = k.depart(func(r *v1.DepartRunRequest) { r.Page = "1" })
	refused(t, err, codes.FailedPrecondition, "PAGE_SUPERSEDED")
	_, err = k.depart(func(r *v1.DepartRunRequest) { r.Page = round + "#" + is.GetInputHash()[:12] })
	require.NoError(t, err)
	_, err = k.confirm("east", func(r *v1.ConfirmStopRequest) { r.Page = "1" })
	refused(t, err, codes.FailedPrecondition, "PAGE_SUPERSEDED")
	_, err = k.confirm("east", func(r *v1.ConfirmStopRequest) { r.Page = "2" })
	require.NoError(t, err)
}

func TestOldBatchSheetsAreWastePaper(t *testing.T) {
	k := closed(t)
	first, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	k.wait(2 * time.Minute)
	second, err := k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	var b *v1.Batch
	for _, x := range k.posted() {
		if b == nil || x.GetSteps()[0].GetStartTime().AsTime().Before(b.GetSteps()[0].GetStartTime().AsTime()) {
			b = x
		}
	}
	start := func(page string) error {
		_, err := k.batches.StartBatch(t.Context(), &v1.StartBatchRequest{Name: b.GetName(), Etag: b.GetEtag(), Page: page, RequestId: id()})
		return err
	}
	refused(t, start(b.GetName()+"#"+first.GetPlan().GetInputHash()[:12]), codes.FailedPrecondition, "PAGE_SUPERSEDED")
	refused(t, start("1"), codes.FailedPrecondition, "PAGE_SUPERSEDED")
	refused(t, start(main+"/batches/20261126-99#"+second.GetPlan().GetInputHash()[:12]), codes.FailedPrecondition, "PAGE_OF_ANOTHER")
	require.NotEqual(t, "PAGE_SUPERSEDED", reasonOf(start(b.GetName()+"#"+second.GetPlan().GetInputHash()[:12])))
}
