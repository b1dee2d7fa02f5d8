package server_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"

	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

func TestSubmitOrderKeepsTheWholeOrder(t *testing.T) {
	k := open(t)
	o, err := k.submit(east, "", line("ball", 48), line("sauce-3kg", 3))
	require.NoError(t, err)
	require.Equal(t, "1", o.GetEtag())
	require.Equal(t, v1.OrderState_ORDER_STATE_ACCEPTED, o.GetState())
	require.Equal(t, "2026-11-27", o.GetLines()[0].GetBakeDate(), "the item's default")
	require.Equal(t, evening().UTC(), o.GetSubmitTime().AsTime())
	require.Equal(t, "East Side", o.GetShopName())

	o, err = k.submit(east, "1", line("ball", 50))
	require.NoError(t, err)
	require.Equal(t, "2", o.GetEtag())
	got, err := k.orders.GetOrder(t.Context(), &v1.GetOrderRequest{Name: east})
	require.NoError(t, err)
	same(t, o, got.GetOrder())
	require.Len(t, got.GetOrder().GetLines(), 1, "what is left out is wanted at zero")

	r, err := k.orders.SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: west, Closed: true, RequestId: id()})
	require.NoError(t, err)
	require.True(t, r.GetOrder().GetClosed())
}

func TestSubmitOrderRefuses(t *testing.T) {
	k := open(t)
	_, err := k.submit(east, "", line("ball", 48))
	require.NoError(t, err)
	on := func(item, bake string) *v1.OrderLine { return &v1.OrderLine{ItemId: item, Pieces: 1, BakeDate: bake} }
	for _, tc := range []struct {
		name   string
		req    *v1.SubmitOrderRequest
		code   codes.Code
		reason string
		field  string // of the first violation
		text   string // part of the message or the violation
	}{
		{"unknown item", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{line("ball", 1), line("loaf", 1)}}, codes.InvalidArgument, "ORDER_INVALID", "lines[1].item_id", `"loaf"`},
		{"unknown shop", &v1.SubmitOrderRequest{Name: night + "/orders/south", Lines: []*v1.OrderLine{line("ball", 1)}}, codes.NotFound, "SHOP_NOT_FOUND", "", `"south"`},
		{"unknown kitchen", &v1.SubmitOrderRequest{Name: strings.Replace(west, "main", "other", 1), Lines: []*v1.OrderLine{line("ball", 1)}}, codes.NotFound, "KITCHEN_NOT_FOUND", "", `"other"`},
		{"twice", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{line("ball", 1), on("ball", "2026-11-27")}}, codes.InvalidArgument, "ORDER_INVALID", "lines[1]", "stands in lines[0] already"},
		{"delivered already", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{on("ball", "2026-11-26")}}, codes.InvalidArgument, "ORDER_INVALID", "lines[0].bake_date", "2026-11-27"},
		{"too far ahead", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{on("ball", "2026-12-01")}}, codes.InvalidArgument, "ORDER_INVALID", "lines[0].bake_date", "2026-11-30"},
		{"closed day", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{on("ball", "2026-11-30")}}, codes.InvalidArgument, "ORDER_INVALID", "lines[0].bake_date", "does not trade on Mon 30 Nov"},
		{"no run", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{on("ball", "2026-11-29")}}, codes.InvalidArgument, "ORDER_INVALID", "lines[0].bake_date", "no run stops at West End on Sun 29 Nov"},
		{"no such date", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{on("ball", "2026-11-31")}}, codes.InvalidArgument, "MESSAGE_INVALID", "lines[0].bake_date", "is not a date"},
		{"no such night", &v1.SubmitOrderRequest{Name: main + "/nights/2026-02-30/orders/west", Lines: []*v1.OrderLine{line("ball", 1)}}, codes.InvalidArgument, "NAME_INVALID", "", "2026-02-30"},
		{"night too far", &v1.SubmitOrderRequest{Name: main + "/nights/2062-11-26/orders/west", Lines: []*v1.OrderLine{line("ball", 1)}}, codes.InvalidArgument, "NIGHT_TOO_FAR", "name", "2026-12-27"},
		{"zero pieces", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{line("ball", 0)}}, codes.InvalidArgument, "FIELDS_INVALID", "lines[0].pieces", ""},
		{"negative pieces", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{line("ball", -3)}}, codes.InvalidArgument, "FIELDS_INVALID", "lines[0].pieces", ""},
		{"huge", &v1.SubmitOrderRequest{Name: west, Lines: []*v1.OrderLine{line("ball", 1<<62)}}, codes.InvalidArgument, "FIELDS_INVALID", "lines[0].pieces", ""},
		{"nothing", &v1.SubmitOrderRequest{Name: west}, codes.InvalidArgument, "FIELDS_INVALID", "request", "lines or says closed"},
		{"malformed name", &v1.SubmitOrderRequest{Name: "orders/west", Lines: []*v1.OrderLine{line("ball", 1)}}, codes.InvalidArgument, "FIELDS_INVALID", "name", ""},
		{"etag missing", &v1.SubmitOrderRequest{Name: east, Lines: []*v1.OrderLine{line("ball", 1)}}, codes.Aborted, "ETAG_MISSING", "", "read it, decide again"},
		{"etag stale", &v1.SubmitOrderRequest{Name: east, Etag: "7", Lines: []*v1.OrderLine{line("ball", 1)}}, codes.Aborted, "ETAG_STALE", "", "revision 1"},
		{"etag of nothing", &v1.SubmitOrderRequest{Name: west, Etag: "1", Lines: []*v1.OrderLine{line("ball", 1)}}, codes.Aborted, "ETAG_STALE", "", "leave the etag out"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for _, dry := range []bool{true, false} {
				tc.req.RequestId, tc.req.ValidateOnly = id(), dry
				_, err := k.orders.SubmitOrder(t.Context(), tc.req)
				s, _, faults := refused(t, err, tc.code, tc.reason)
				said := s.Message()
				if tc.field != "" {
					require.Equal(t, tc.field, faults[0].GetField())
					said += faults[0].GetDescription()
				}
				require.Contains(t, said, tc.text)
			}
		})
	}
	list, err := k.orders.ListOrders(t.Context(), &v1.ListOrdersRequest{Night: night})
	require.NoError(t, err)
	require.Len(t, list.GetOrders(), 1, "a refusal changes nothing")
	require.Equal(t, "1", list.GetOrders()[0].GetEtag())
}

func TestValidateOnlyKeepsNothing(t *testing.T) {
	k := open(t)
	r, err := k.orders.SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: east, Lines: []*v1.OrderLine{line("ball", 1)}, RequestId: id(), ValidateOnly: true})
	require.NoError(t, err)
	require.Equal(t, "1", r.GetOrder().GetEtag(), "as it would be")
	_, err = k.orders.GetOrder(t.Context(), &v1.GetOrderRequest{Name: east})
	refused(t, err, codes.NotFound, "ORDER_NOT_FOUND")
	n, err := k.nights.CloseNight(t.Context(), &v1.CloseNightRequest{Name: night, RequestId: id(), ValidateOnly: true})
	require.NoError(t, err)
	require.Equal(t, v1.NightState_NIGHT_STATE_CLOSED, n.GetNight().GetState())
	_, err = k.submit(east, "", line("ball", 1))
	require.NoError(t, err)
}

func TestAResendReturnsTheFirstAnswer(t *testing.T) {
	k := open(t)
	req := &v1.SubmitOrderRequest{Name: east, Lines: []*v1.OrderLine{line("ball", 48)}, RequestId: id()}
	first, err := k.orders.SubmitOrder(t.Context(), req)
	require.NoError(t, err)
	_, err = k.submit(east, "1", line("ball", 10))
	require.NoError(t, err)
	k.close()
	k.clock.Set(evening().Add(24 * time.Hour))
	again, err := k.orders.SubmitOrder(t.Context(), req)
	require.NoError(t, err)
	same(t, first, again)

	changes, err := k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: east})
	require.NoError(t, err)
	require.Len(t, changes.GetChanges(), 2, "one row a change, none for the resend")

	// The same id for something else, in content or in call.
	req.Lines[0].Pieces = 49
	_, err = k.orders.SubmitOrder(t.Context(), req)
	_, _, faults := refused(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
	require.Equal(t, "request_id", faults[0].GetField())
	_, err = k.nights.CloseNight(t.Context(), &v1.CloseNightRequest{Name: main + "/nights/2026-11-27", RequestId: req.GetRequestId()})
	refused(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
}

// The same request many times at once is one order, and every answer the same.
func TestResendsAtOnce(t *testing.T) {
	k := open(t)
	req := &v1.SubmitOrderRequest{Name: east, Lines: []*v1.OrderLine{line("ball", 48)}, RequestId: id()}
	answers, errs := make([]*v1.SubmitOrderResponse, 32), make([]error, 32)
	var g sync.WaitGroup
	// They all wait for their turn behind another transaction.
	inside, enough := make(chan struct{}), make(chan struct{})
	g.Go(func() {
		_ = k.store.Update(t.Context(), func(commissary.Tx) error {
			close(inside)
			<-enough
			return errors.New("nothing to keep")
		})
	})
	<-inside
	for i := range answers {
		g.Go(func() { answers[i], errs[i] = k.orders.SubmitOrder(t.Context(), req) })
	}
	time.Sleep(50 * time.Millisecond)
	close(enough)
	g.Wait()
	for i, err := range errs {
		require.NoError(t, err)
		same(t, answers[0], answers[i])
	}
	changes, err := k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: east})
	require.NoError(t, err)
	require.Len(t, changes.GetChanges(), 1)
}

func TestCutOffsAreJudgedLineByLine(t *testing.T) {
	k := open(t)
	_, err := k.submit(east, "", line("ball", 48), line("sauce-3kg", 3))
	require.NoError(t, err)

	// To the second: the dough's last moment is 22:30.
	k.clock.Set(at("2026-11-26T22:30:00-05:00"))
	_, err = k.submit(east, "1", line("ball", 49), line("sauce-3kg", 3))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-26T22:30:01-05:00"))
	_, err = k.submit(east, "2", line("ball", 50), line("sauce-3kg", 3))
	_, info, faults := refused(t, err, codes.InvalidArgument, "CUT_OFF_PASSED")
	require.Equal(t, "2026-11-27", info.GetMetadata()["earliest_night"])
	require.Len(t, faults, 1)
	require.Equal(t, "lines[0]", faults[0].GetField())
	require.Contains(t, faults[0].GetDescription(), "Thu 26 Nov 22:30 -05:00")
	require.Contains(t, faults[0].GetDescription(), "it stays at 49")

	// Left out is a change as well, kept is none.
	_, err = k.submit(east, "2", line("sauce-3kg", 4))
	_, _, faults = refused(t, err, codes.InvalidArgument, "CUT_OFF_PASSED")
	require.Equal(t, "lines", faults[0].GetField())
	_, err = k.submit(east, "2", line("sauce-3kg", 4), line("ball", 49))
	require.NoError(t, err)
	// A later bake date has its cut-off on a later night.
	_, err = k.submit(east, "3", line("sauce-3kg", 4), line("ball", 49), &v1.OrderLine{ItemId: "ball", Pieces: 8, BakeDate: "2026-11-28"})
	require.NoError(t, err)

	// A first order may not undo the standing order's dough either.
	_, err = k.submit(west, "", line("sauce-3kg", 1))
	_, _, faults = refused(t, err, codes.InvalidArgument, "CUT_OFF_PASSED")
	require.Contains(t, faults[0].GetDescription(), "it stays at 24")
	_, err = k.submit(west, "", line("sauce-3kg", 1), line("ball", 24))
	require.NoError(t, err)

	// Half past midnight still belongs to the evening; at one it is over.
	k.clock.Set(at("2026-11-27T00:30:00-05:00"))
	_, err = k.submit(west, "1", line("sauce-3kg", 2), line("ball", 24))
	require.NoError(t, err)
	k.clock.Set(at("2026-11-27T01:00:01-05:00"))
	_, err = k.submit(west, "2", line("sauce-3kg", 3), line("ball", 24))
	refused(t, err, codes.InvalidArgument, "CUT_OFF_PASSED")
	_, err = k.orders.CancelOrder(t.Context(), &v1.CancelOrderRequest{Name: west, Etag: "2", RequestId: id()})
	_, _, faults = refused(t, err, codes.InvalidArgument, "CUT_OFF_PASSED")
	require.Equal(t, "name", faults[0].GetField(), "a cancel has no lines to blame")
}

func TestCancelOrder(t *testing.T) {
	k := open(t)
	cancel := func(etag string) (*v1.CancelOrderResponse, error) {
		return k.orders.CancelOrder(t.Context(), &v1.CancelOrderRequest{Name: east, Etag: etag, RequestId: id()})
	}
	_, err := cancel("1")
	refused(t, err, codes.NotFound, "ORDER_NOT_FOUND")
	_, err = k.submit(east, "", line("ball", 48))
	require.NoError(t, err)
	_, err = cancel("2")
	refused(t, err, codes.Aborted, "ETAG_STALE")
	r, err := cancel("1")
	require.NoError(t, err)
	require.Equal(t, v1.OrderState_ORDER_STATE_CANCELLED, r.GetOrder().GetState())
	_, err = cancel("2")
	refused(t, err, codes.FailedPrecondition, "ORDER_CANCELLED")
	_, err = k.submit(east, "", line("ball", 48))
	refused(t, err, codes.Aborted, "ETAG_MISSING")
	_, err = k.submit(east, "2", line("ball", 48))
	require.NoError(t, err)
	k.close()
	_, err = cancel("3")
	refused(t, err, codes.FailedPrecondition, "NIGHT_CLOSED")
}

func TestAfterTheClose(t *testing.T) {
	k := open(t)
	k.stock()
	admit := &v1.AdmitLateOrderRequest{Name: east, Lines: []*v1.OrderLine{line("ball", 48)}, LateReason: "phone was down", RequestId: id()}
	_, err := k.orders.AdmitLateOrder(t.Context(), admit)
	refused(t, err, codes.FailedPrecondition, "NIGHT_OPEN")
	k.close()
	_, err = k.nights.CloseNight(t.Context(), &v1.CloseNightRequest{Name: night, RequestId: id()})
	refused(t, err, codes.FailedPrecondition, "NIGHT_CLOSED")

	_, err = k.submit(east, "", line("ball", 48))
	s, info, _ := refused(t, err, codes.FailedPrecondition, "NIGHT_CLOSED")
	require.Equal(t, "2026-11-27", info.GetMetadata()["earliest_night"])
	require.Contains(t, s.Message(), "2026-11-27")
	require.Contains(t, s.Message(), "555-0130", "whom to call")
	require.Contains(t, s.Message(), "for Sat 28 Nov")

	for _, reason := range []string{"", "x"} {
		bad := &v1.AdmitLateOrderRequest{Name: east, Lines: admit.GetLines(), LateReason: reason, RequestId: id()}
		_, err = k.orders.AdmitLateOrder(t.Context(), bad)
		_, _, faults := refused(t, err, codes.InvalidArgument, "FIELDS_INVALID")
		require.Equal(t, "late_reason", faults[0].GetField())
	}
	k.clock.Set(at("2026-11-27T03:00:00-05:00"))
	r, err := k.orders.AdmitLateOrder(t.Context(), admit)
	require.NoError(t, err, "the cut-offs do not hold for the planner")
	require.Equal(t, v1.OrderState_ORDER_STATE_LATE, r.GetOrder().GetState())
	require.Equal(t, "phone was down", r.GetOrder().GetLateReason())
	require.NotEmpty(t, r.GetOrder().GetLateBy())
	_, err = k.orders.AdmitLateOrder(t.Context(), &v1.AdmitLateOrderRequest{Name: east, Lines: admit.GetLines(), LateReason: "again", RequestId: id()})
	refused(t, err, codes.Aborted, "ETAG_MISSING")
}

// Whatever is accepted is in the night before it closes, and nothing after.
func TestSubmitsAgainstTheClose(t *testing.T) {
	k := open(t)
	const shops, tries = 2, 15
	var (
		wg       sync.WaitGroup
		mu       sync.Mutex
		accepted = map[string]string{} // newest etag by order
	)
	for i := range shops * tries {
		name := []string{east, west}[i%shops]
		wg.Go(func() {
			for etag := ""; ; {
				o, err := k.submit(name, etag, line("ball", int64(1+i)))
				if err == nil {
					mu.Lock()
					if len(o.GetEtag()) > len(accepted[name]) || len(o.GetEtag()) == len(accepted[name]) && o.GetEtag() > accepted[name] {
						accepted[name] = o.GetEtag()
					}
					mu.Unlock()
					return
				}
				if reasonOf(err) == "NIGHT_CLOSED" {
					return
				}
				if got, err := k.orders.GetOrder(t.Context(), &v1.GetOrderRequest{Name: name}); err == nil {
					etag = got.GetOrder().GetEtag()
				}
			}
		})
	}
	wg.Go(func() {
		time.Sleep(5 * time.Millisecond)
		k.close()
	})
	wg.Wait()

	list, err := k.orders.ListOrders(t.Context(), &v1.ListOrdersRequest{Night: night})
	require.NoError(t, err)
	kept := map[string]string{}
	for _, o := range list.GetOrders() {
		kept[o.GetName()] = o.GetEtag()
	}
	require.Equal(t, accepted, kept)

	// The record shows the close after every submission.
	changes, err := k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: night})
	require.NoError(t, err)
	for i, c := range changes.GetChanges() {
		closes := c.GetSubject() == night
		require.Equal(t, i == len(changes.GetChanges())-1, closes, "%d %s", i, c.GetDetail())
	}
}

func TestListOrdersInPages(t *testing.T) {
	k := open(t)
	for _, name := range []string{west, east} {
		_, err := k.submit(name, "", line("ball", 8))
		require.NoError(t, err)
	}
	first, err := k.orders.ListOrders(t.Context(), &v1.ListOrdersRequest{Night: night, PageSize: 1})
	require.NoError(t, err)
	require.Equal(t, east, first.GetOrders()[0].GetName())
	second, err := k.orders.ListOrders(t.Context(), &v1.ListOrdersRequest{Night: night, PageSize: 1, PageToken: first.GetNextPageToken()})
	require.NoError(t, err)
	require.Equal(t, west, second.GetOrders()[0].GetName())
	require.Empty(t, second.GetNextPageToken())

	for _, req := range []*v1.ListOrdersRequest{
		{Night: main + "/nights/2026-11-27", PageToken: first.GetNextPageToken()},
		{Night: night, PageToken: "east"},
		{Night: night, PageToken: "!"},
	} {
		_, err = k.orders.ListOrders(t.Context(), req)
		refused(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
	}
	_, err = k.nights.ListNights(t.Context(), &v1.ListNightsRequest{Kitchen: main, PageToken: first.GetNextPageToken()})
	refused(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
	_, err = k.orders.ListOrders(t.Context(), &v1.ListOrdersRequest{Night: night, PageSize: -1})
	refused(t, err, codes.InvalidArgument, "FIELDS_INVALID")
	all, err := k.orders.ListOrders(t.Context(), &v1.ListOrdersRequest{Night: night, PageSize: 1 << 30})
	require.NoError(t, err, "a page too large is made smaller")
	require.Len(t, all.GetOrders(), 2)
}

func TestListNights(t *testing.T) {
	k := open(t)
	got, err := k.nights.GetNight(t.Context(), &v1.GetNightRequest{Name: night})
	require.NoError(t, err)
	require.Equal(t, v1.NightState_NIGHT_STATE_OPEN, got.GetNight().GetState(), "nobody touched it")
	for day := 27; day <= 29; day++ {
		_, err := k.submit(fmt.Sprintf("%s/nights/2026-11-%d/orders/east", main, day), "", line("sauce-3kg", 1))
		require.NoError(t, err)
	}
	var dates []string
	for token := ""; ; {
		list, err := k.nights.ListNights(t.Context(), &v1.ListNightsRequest{Kitchen: main, PageSize: 2, PageToken: token})
		require.NoError(t, err)
		for _, n := range list.GetNights() {
			dates = append(dates, n.GetNightDate())
		}
		if token = list.GetNextPageToken(); token == "" {
			break
		}
	}
	require.Equal(t, []string{"2026-11-29", "2026-11-28", "2026-11-27"}, dates)
}
