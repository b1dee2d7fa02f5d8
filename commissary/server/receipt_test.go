package server_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"doughrun/commissary"
	"doughrun/commissary/server"
	v1 "doughrun/proto/doughrun/v1"
)

func (k *kitchen) receipt(name string) map[string]*v1.ReceiptLine {
	k.t.Helper()
	m, err := k.orders.GetReceipt(k.t.Context(), &v1.GetReceiptRequest{Name: name})
	require.NoError(k.t, err)
	lines := map[string]*v1.ReceiptLine{}
	for _, l := range m.GetLines() {
		lines[l.GetItemId()+" "+l.GetBakeDate()] = l
	}
	return lines
}

// adopt takes in the book with one text in the place of another.
func (k *kitchen) adopt(revision, old, with string) {
	k.t.Helper()
	text := book(k.t)
	require.Contains(k.t, string(text), old)
	_, err := k.books.AdoptBook(k.t.Context(), &v1.AdoptBookRequest{Kitchen: main, Etag: revision, RequestId: id(),
		Source: []byte(strings.Replace(string(text), old, with, 1))})
	require.NoError(k.t, err)
}

// From the order to the released goods the receipt says what is known.
func TestReceiptGrowsCertain(t *testing.T) {
	k := open(t)
	_, err := k.orders.GetReceipt(t.Context(), &v1.GetReceiptRequest{Name: east})
	refused(t, err, codes.NotFound, "ORDER_NOT_FOUND")
	k.stock()
	_, err = k.submit(east, "", line("ball", 72), line("sauce-3kg", 3))
	require.NoError(t, err)
	_, err = k.submit(west, "", line("ball", 40))
	require.NoError(t, err)

	ball := k.receipt(east)["ball 2026-11-27"]
	require.True(t, ball.GetProvisional())
	require.Equal(t, at("2026-11-26T22:30:00-05:00").UTC(), ball.GetCutOffTime().AsTime(), "its own class's cut-off")
	require.Equal(t, at("2026-11-27T01:00:00-05:00").UTC(), k.receipt(east)["sauce-3kg 2026-11-27"].GetCutOffTime().AsTime())
	require.Equal(t, "Morning round", ball.GetRunName())
	require.Equal(t, at("2026-11-27T07:15:00-05:00").UTC(), ball.GetArriveTime().AsTime())
	require.Equal(t, []string{"wheat"}, ball.GetAllergens())
	require.Len(t, ball.GetParts(), 1)
	require.Equal(t, at("2026-11-27T09:00:00-05:00").UTC(), ball.GetParts()[0].GetUseFromTime().AsTime(), "from the first pull")
	require.Equal(t, at("2026-11-27T22:00:00-05:00").UTC(), ball.GetParts()[0].GetUseByTime().AsTime(), "to the last stretch")
	// Eleven hours in waves of three, pulled two hours ahead, in whole boxes.
	var pulled int64
	for i, p := range ball.GetPulls() {
		require.Equal(t, at("2026-11-27T09:00:00-05:00").Add(time.Duration(3*i)*time.Hour).UTC(), p.GetPullTime().AsTime())
		pulled += p.GetPieces()
		if i < len(ball.GetPulls())-1 {
			require.Zero(t, p.GetPieces()%8)
		}
	}
	require.Len(t, ball.GetPulls(), 4)
	require.Equal(t, int64(72), pulled)

	// Planned: from lots, with this shop's own window, and short of what there is.
	k.clock.Set(at("2026-11-27T01:10:00-05:00"))
	k.close()
	_, err = k.plans.ReleasePlan(t.Context(), release(k.draft()))
	require.NoError(t, err)
	ball = k.receipt(east)["ball 2026-11-27"]
	require.True(t, ball.GetProvisional())
	var planned int64
	for _, p := range ball.GetParts() {
		require.Contains(t, []string{"B-25A", "B-25B"}, p.GetLotCode())
		made := at("2026-11-25T08:00:00-05:00")
		if p.GetLotCode() == "B-25B" {
			made = at("2026-11-25T10:00:00-05:00")
		}
		require.Equal(t, made.Add(24*time.Hour).UTC(), p.GetUseFromTime().AsTime())
		require.True(t, p.GetUseByTime().AsTime().Before(made.Add(72*time.Hour)), "a walk-in warmer than the cold store shortens it")
		planned += p.GetPieces()
	}
	require.Equal(t, int64(72), planned+ball.GetShortPieces())
	require.Positive(t, ball.GetShortPieces())
	require.NotEmpty(t, ball.GetShortReason())

	// Released: what really comes, and why not more.
	k.clock.Set(at("2026-11-27T05:30:00-05:00"))
	d, err := k.dispatches.DraftDispatch(t.Context(), &v1.DraftDispatchRequest{Night: night})
	require.NoError(t, err)
	r, err := k.dispatches.ReleaseDispatch(t.Context(), &v1.ReleaseDispatchRequest{Night: night, DraftTime: d.GetDispatch().GetDraftTime(),
		InputHash: d.GetDispatch().GetInputHash(), RequestId: id()})
	require.NoError(t, err)
	ball = k.receipt(east)["ball 2026-11-27"]
	require.False(t, ball.GetProvisional())
	var come int64
	for _, p := range ball.GetParts() {
		come += p.GetPieces()
		require.NotEmpty(t, p.GetLotCode())
	}
	for _, l := range r.GetDispatch().GetLines() {
		if l.GetShopId() == "east" && l.GetItemId() == "ball" {
			require.Equal(t, l.GetPickedPieces(), come)
			require.Equal(t, l.GetShortPieces(), ball.GetShortPieces())
			require.Equal(t, l.GetShortReason(), ball.GetShortReason())
		}
	}
	require.Equal(t, int64(72), come+ball.GetShortPieces())
}

// What the last receipt did not say about allergens stands out.
func TestReceiptSaysThatAllergensChanged(t *testing.T) {
	k := open(t)
	_, err := k.submit(east, "", line("ball", 8), line("sauce-3kg", 1))
	require.NoError(t, err)
	require.Empty(t, k.receipt(east)["sauce-3kg 2026-11-27"].GetAllergensAdded(), "there is no receipt before")
	k.clock.Set(evening().AddDate(0, 0, 1))
	k.adopt("1", "tomato: {name: Crushed tomatoes, kind: other", "tomato: {name: Crushed tomatoes, kind: other, allergens: [celery]")
	next := main + "/nights/2026-11-27/orders/east"
	_, err = k.submit(next, "", line("ball", 8), line("sauce-3kg", 1))
	require.NoError(t, err)
	lines := k.receipt(next)
	require.Equal(t, []string{"celery"}, lines["sauce-3kg 2026-11-28"].GetAllergensAdded())
	require.Empty(t, lines["ball 2026-11-28"].GetAllergensAdded())
	k.clock.Set(evening().AddDate(0, 0, 2))
	k.adopt("2", "kitchen:", "kitchen:")
	after := main + "/nights/2026-11-28/orders/east"
	_, err = k.submit(after, "", line("sauce-3kg", 1))
	require.NoError(t, err)
	require.Equal(t, []string{"celery"}, k.receipt(after)["sauce-3kg 2026-11-29"].GetAllergensGone())
}

// An order by telephone names who called, on the order and in the record.
func TestPhonedOrders(t *testing.T) {
	k := open(t)
	r, err := k.orders.SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: east, Lines: []*v1.OrderLine{line("ball", 8)}, PhonedBy: "the closer", RequestId: id()})
	require.NoError(t, err)
	require.Equal(t, "the closer", r.GetOrder().GetPhonedBy())
	got, err := k.orders.GetOrder(t.Context(), &v1.GetOrderRequest{Name: east})
	require.NoError(t, err)
	require.Equal(t, "the closer", got.GetOrder().GetPhonedBy())
	changes, err := k.audit.ListChanges(t.Context(), &v1.ListChangesRequest{Kitchen: main, Subject: east})
	require.NoError(t, err)
	require.Contains(t, changes.GetChanges()[0].GetDetail(), "phoned in by the closer")
	o, err := k.submit(east, "1", line("ball", 16))
	require.NoError(t, err)
	require.Empty(t, o.GetPhonedBy(), "the shop itself has spoken since")
}

// Silent shops stand on the call list, and those that said "closed" do not.
func TestCallList(t *testing.T) {
	k := open(t)
	silent := func() map[string]*v1.SilentShop {
		n, err := k.nights.GetNight(t.Context(), &v1.GetNightRequest{Name: night})
		require.NoError(t, err)
		all := map[string]*v1.SilentShop{}
		for _, s := range n.GetNight().GetSilentShops() {
			all[s.GetShopId()] = s
		}
		return all
	}
	require.Len(t, silent(), 2)
	require.Equal(t, "555-0131", silent()["east"].GetPhone())
	require.Equal(t, "555-0132", silent()["east"].GetNightPhone())
	require.Equal(t, int64(42), silent()["east"].GetStandingPieces())
	_, err := k.orders.SubmitOrder(t.Context(), &v1.SubmitOrderRequest{Name: west, Closed: true, RequestId: id()})
	require.NoError(t, err)
	require.Len(t, silent(), 1, "the explicit zero is an answer")
	o, err := k.submit(east, "", line("ball", 8))
	require.NoError(t, err)
	require.Empty(t, silent())
	_, err = k.orders.CancelOrder(t.Context(), &v1.CancelOrderRequest{Name: east, Etag: o.GetEtag(), RequestId: id()})
	require.NoError(t, err)
	require.Contains(t, silent(), "east", "withdrawn: its standing order speaks again")
	n, err := k.nights.CloseNight(t.Context(), &v1.CloseNightRequest{Name: night, RequestId: id()})
	require.NoError(t, err)
	require.Len(t, n.GetNight().GetSilentShops(), 1)
}

// A shop writes no telephoned order, and of the shops to be called it sees none but itself.
func TestAShopSpeaksForItselfAlone(t *testing.T) {
	s := protect(t, server.Rate{PerSecond: 1e6, Burst: 1e6, Together: 100})
	till := s.as(s.admit(commissary.Caller{Name: "till", Kitchen: "main", Role: commissary.RoleShop, Scope: "east"}))
	desk := s.as(s.admit(commissary.Caller{Name: "desk", Kitchen: "main", Role: commissary.RolePlanner}))
	silent := func(conn *grpc.ClientConn) (shops []string) {
		n, err := v1.NewNightServiceClient(conn).GetNight(t.Context(), &v1.GetNightRequest{Name: night})
		require.NoError(t, err)
		for _, s := range n.GetNight().GetSilentShops() {
			shops = append(shops, s.GetShopId())
		}
		return shops
	}
	require.Equal(t, []string{"east", "west"}, silent(desk))
	require.Equal(t, []string{"east"}, silent(till))

	phoned := &v1.SubmitOrderRequest{Name: east, Lines: []*v1.OrderLine{line("ball", 8)}, PhonedBy: "the closer", RequestId: id()}
	_, err := v1.NewOrderServiceClient(till).SubmitOrder(t.Context(), phoned)
	refused(t, err, codes.PermissionDenied, "NOT_ALLOWED")
	require.Equal(t, []string{"east", "west"}, silent(desk), "nothing was written down")
	_, err = v1.NewOrderServiceClient(desk).SubmitOrder(t.Context(), phoned)
	require.NoError(t, err, "the kitchen may")
	require.Empty(t, silent(till))
	require.Equal(t, []string{"west"}, silent(desk))
}
