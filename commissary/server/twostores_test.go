package server_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/server"
	"doughrun/commissary/store"
	"doughrun/commissary/store/storetest"
	v1 "doughrun/proto/doughrun/v1"
)

// on makes a kitchen of start stand on a database, by the clock of another.
func on(t *testing.T, database string, of *clock) func(*server.Options) {
	facts, err := store.Open(t.Context(), database, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, facts.Close()) })
	return func(o *server.Options) {
		o.Store = facts
		if of != nil {
			o.Now = of.Now
		}
	}
}

// pair is two services that are asked the same, one after the other.
type pair struct {
	t     *testing.T
	conns [2]*grpc.ClientConn
	calls int
	by    map[string]int // calls that were answered, by method
}

func (p *pair) Invoke(ctx context.Context, method string, req, resp any, o ...grpc.CallOption) error {
	err := p.conns[0].Invoke(ctx, method, req, resp, o...)
	other := resp.(proto.Message).ProtoReflect().New().Interface()
	otherErr := p.conns[1].Invoke(ctx, method, req, other, o...)
	p.calls++
	require.True(p.t, sameStatus(status.Convert(err), status.Convert(otherErr)), "call %d, %s %v:\n%v\n%v", p.calls, method, req, status.Convert(err).Proto(), status.Convert(otherErr).Proto())
	require.True(p.t, proto.Equal(resp.(proto.Message), other), "call %d, %s %v:\n%v\n%v", p.calls, method, req, resp, other)
	if err == nil {
		p.by[method]++
	}
	return err
}

// sameStatus compares details as messages: packed maps have no order.
func sameStatus(a, b *status.Status) bool {
	return a.Code() == b.Code() && a.Message() == b.Message() &&
		slices.EqualFunc(a.Details(), b.Details(), func(x, y any) bool { return proto.Equal(x.(proto.Message), y.(proto.Message)) })
}

func (p *pair) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, errors.New("the contract has no streams")
}

// pairStore takes what a test keeps without a call.
type pairStore struct {
	commissary.Store
	other commissary.Store
}

func (s pairStore) Update(ctx context.Context, f func(commissary.Tx) error) error {
	return errors.Join(s.Store.Update(ctx, f), s.other.Update(ctx, f))
}

// The same calls are answered alike on SQLite and on PostgreSQL, one by one.
func TestBothDatabasesAnswerAlike(t *testing.T) {
	if testing.Short() {
		t.Skip("one call after the other: nothing for the race detector; it runs in the full form")
	}
	days, nights := 12, 10
	if os.Getenv("CASES") == "full" {
		days, nights = 150, 120
	}
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	databases := [2]string{filepath.Join(t.TempDir(), "facts.db"), storetest.StartPostgres(t).Database(t)}
	shared := &clock{now: evening()}
	both := pairStore{}
	seat := func(database string, keep *commissary.Store) *kitchen {
		return start(t, on(t, database, shared), func(o *server.Options) { *keep = o.Store })
	}
	k, other := seat(databases[0], &both.Store), seat(databases[1], &both.other)
	p := &pair{t: t, conns: [2]*grpc.ClientConn{k.conn, other.conn}, by: map[string]int{}}
	k.clock, k.store = shared, both
	k.books, k.orders, k.nights, k.plans = v1.NewKitchenServiceClient(p), v1.NewOrderServiceClient(p), v1.NewNightServiceClient(p), v1.NewPlanServiceClient(p)
	k.batches, k.lots, k.dispatches, k.audit = v1.NewBatchServiceClient(p), v1.NewLotServiceClient(p), v1.NewDispatchServiceClient(p), v1.NewAuditServiceClient(p)
	_, err := k.books.AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: main, Source: book(t), RequestId: id()})
	require.NoError(t, err)

	w := emptyWorld(k, seed)
	w.facts = both.Store
	for range days {
		w.night()
	}
	// unanswered is a call of the evening that has had no answer yet but a refusal.
	unanswered := func(methods ...string) string {
		for _, m := range methods {
			if p.by["/doughrun.v1."+m] == 0 {
				return m
			}
		}
		return ""
	}
	evenings := []string{"OrderService/SubmitOrder", "OrderService/CancelOrder", "OrderService/AdmitLateOrder", "NightService/CloseNight"}
	for n := 0; n < nights || n < 10*nights && unanswered(evenings...) != ""; n++ { // a few evenings may pass without one of them
		w.clock.Set(evening().AddDate(0, 0, n))
		takeOrders(k, w.r, main+"/nights/"+evening().AddDate(0, 0, n).Format(time.DateOnly))
	}
	for code := range w.received {
		_, err := k.lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: main + "/lots/" + code})
		require.NoError(t, err)
	}
	chain, err := k.audit.VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
	require.NoError(t, err)
	require.Zero(t, chain.GetBrokenSequence())
	require.Empty(t, unanswered(append(evenings, "PlanService/ReleasePlan", "BatchService/FinishBatch", "LotService/MoveLot", "LotService/ReceiveLot",
		"LotService/TraceLot")...), "it was never answered: %v", p.by)
	var facts [2]store.Extent
	for i, s := range []commissary.Store{both.Store, both.other} {
		facts[i], err = s.(*store.Store).Extent(t.Context())
		require.NoError(t, err)
	}
	require.Equal(t, facts[0], facts[1], "the same facts are kept")
	t.Logf("%d calls, %d rows", p.calls, facts[0].Rows)
}

// takeOrders makes calls about a night at random; many are refused.
func takeOrders(k *kitchen, r *rand.Rand, night string) {
	ctx := k.t.Context()
	plan := &v1.Plan{}
	for range 40 {
		order := night + "/orders/" + []string{"east", "west", "nobody"}[r.IntN(5)%3]
		etag := []string{"", "1", "2", "3"}[r.IntN(4)]
		if got, err := k.orders.GetOrder(ctx, &v1.GetOrderRequest{Name: order}); err == nil && r.IntN(4) > 0 {
			etag = got.GetOrder().GetEtag()
		}
		switch r.IntN(12) {
		case 0, 1, 2, 3, 4:
			_, _ = k.submit(order, etag, line([]string{"ball", "sauce-3kg", "none"}[r.IntN(7)%3], 8*r.Int64N(9)), line("ball", r.Int64N(3)))
			_, _ = k.submit(order, etag, line("ball", 8*r.Int64N(9)))
		case 5:
			_, _ = k.orders.CancelOrder(ctx, &v1.CancelOrderRequest{Name: order, Etag: etag, RequestId: id()})
		case 6:
			_, _ = k.orders.AdmitLateOrder(ctx, &v1.AdmitLateOrderRequest{Name: order, Etag: etag, LateReason: "the line was down", Lines: []*v1.OrderLine{line("ball", r.Int64N(9))}, RequestId: id()})
		case 7:
			_, _ = k.orders.ListOrders(ctx, &v1.ListOrdersRequest{Night: night, PageSize: 1})
			_, _ = k.audit.ListChanges(ctx, &v1.ListChangesRequest{Kitchen: main, Subject: night, PageSize: 5})
			_, _ = k.orders.ProposeOrder(ctx, &v1.ProposeOrderRequest{Night: night, ShopId: "east"})
		case 8:
			if r.IntN(3) == 0 {
				_, _ = k.nights.CloseNight(ctx, &v1.CloseNightRequest{Name: night, RequestId: id()})
			}
		default:
			if d, err := k.plans.DraftPlan(ctx, &v1.DraftPlanRequest{Night: night, Seed: 7, Steps: 300}); err == nil {
				plan = d.GetPlan()
			}
			_, _ = k.plans.ReleasePlan(ctx, &v1.ReleasePlanRequest{Night: night, PlanTime: plan.GetPlanTime(), Seed: 7, Steps: 300, InputHash: plan.GetInputHash(), RequestId: id()})
		}
	}
}

// cluster is several services on one database.
func cluster(t *testing.T, services int) []*kitchen {
	database := storetest.StartPostgres(t).Database(t)
	first := open(t, on(t, database, nil))
	all := []*kitchen{first}
	for len(all) < services {
		k := start(t, on(t, database, first.clock))
		k.clock = first.clock
		all = append(all, k)
	}
	return all
}

// However many services stand on a database, orders, cancels and closing are
// as if one came after the other.
func TestSeveralServicesAreLinearizable(t *testing.T) {
	histories := 30
	if os.Getenv("CASES") == "full" {
		histories = 500
	}
	all := cluster(t, 3)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	done := map[string]int{}
	for h := range histories {
		evening := evening().AddDate(0, 0, h)
		all[0].clock.Set(evening)
		history := concurrently(t, all, main+"/nights/"+evening.Format(time.DateOnly), rand.New(rand.NewPCG(seed, uint64(h))))
		for _, o := range history {
			done[o.Input.(deed).kind+" "+o.Output.(outcome).reason]++
		}
		require.Equal(t, porcupine.Ok, porcupine.CheckOperationsTimeout(gate, history, time.Minute), "seed %d, history %d: %v", seed, h, history)
	}
	t.Log(done)
	for _, kind := range []string{"submit ", "submit NIGHT_CLOSED", "submit ETAG_STALE", "close ", "read "} {
		require.Positive(t, done[kind], "%s never happened", kind)
	}
	for _, k := range all {
		chain, err := k.audit.VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
		require.NoError(t, err)
		require.Zero(t, chain.GetBrokenSequence())
	}
}

// Of many planners of a night, on several services, one releases at a time;
// what another has planned on the facts of before is refused.
func TestOnePlannerANight(t *testing.T) {
	all := cluster(t, 3)
	all[0].stock()
	for _, o := range []string{east, west} {
		_, err := all[1].submit(o, "", line("ball", 40))
		require.NoError(t, err)
	}
	all[0].clock.Set(at("2026-11-27T01:10:00-05:00"))
	all[2].close()
	p := all[0].draft()
	var mu sync.Mutex
	reasons := map[string]int{}
	var g sync.WaitGroup
	for n := range 9 {
		g.Go(func() {
			_, err := all[n%3].plans.ReleasePlan(t.Context(), release(p))
			mu.Lock()
			defer mu.Unlock()
			reasons[reasonOf(err)]++
		})
	}
	g.Wait()
	require.Equal(t, map[string]int{"": 1, "INPUTS_CHANGED": 8}, reasons)
	for n := range 4 { // then each on what the one before has done
		next, err := all[n%3].plans.DraftPlan(t.Context(), &v1.DraftPlanRequest{Night: night, Seed: 7, Steps: steps()})
		require.NoError(t, err)
		_, err = all[(n+1)%3].plans.ReleasePlan(t.Context(), release(next.GetPlan()))
		require.NoError(t, err)
	}
	list, err := all[2].plans.ListPlans(t.Context(), &v1.ListPlansRequest{Night: night})
	require.NoError(t, err)
	require.Len(t, list.GetPlans(), 5)
	for i, p := range list.GetPlans() {
		require.Equal(t, i == 0, p.GetState() == v1.PlanState_PLAN_STATE_RELEASED)
		require.Equal(t, strconv.Itoa(5-i), fmt.Sprint(p.GetRevision()))
	}
}

// A backup taken in the middle answers what the kitchen answered then.
func TestBackupTracesAlike(t *testing.T) {
	dir := t.TempDir()
	w := newWorld(t, 5, nil)
	for range 8 {
		w.night()
	}
	file := filepath.Join(dir, "week.backup")
	_, err := store.Backup(t.Context(), w.facts.(*store.Store), file)
	require.NoError(t, err)
	restored, err := store.Open(t.Context(), filepath.Join(dir, "restored.db"), store.Options{})
	require.NoError(t, err)
	_, err = store.Restore(t.Context(), file, restored, store.Copy)
	require.NoError(t, err)
	require.NoError(t, restored.Close())
	p := &pair{t: t, conns: [2]*grpc.ClientConn{w.conn, start(t, on(t, filepath.Join(dir, "restored.db"), w.clock)).conn}, by: map[string]int{}}
	lots := v1.NewLotServiceClient(p)
	all, err := lots.ListLots(t.Context(), &v1.ListLotsRequest{Kitchen: main, PageSize: 500})
	require.NoError(t, err)
	for _, l := range all.GetLots() {
		_, err := lots.TraceLot(t.Context(), &v1.TraceLotRequest{Name: l.GetName()})
		require.NoError(t, err)
	}
	_, err = v1.NewAuditServiceClient(p).VerifyChain(t.Context(), &v1.VerifyChainRequest{Kitchen: main})
	require.NoError(t, err)
	require.Greater(t, p.by["/doughrun.v1.LotService/TraceLot"], 10)
}
