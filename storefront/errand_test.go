package storefront

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront/outbox"
)

const south = "kitchens/main/nights/2026-11-26/manifests/south"

// dock answers a driver's errands: with errors as long as there are some.
type dock struct {
	v1.DispatchServiceClient
	script []error
	heard  []string
}

func (d *dock) next(what string) error {
	d.heard = append(d.heard, what)
	if len(d.script) == 0 {
		return nil
	}
	err := d.script[0]
	d.script = d.script[1:]
	return err
}

func (d *dock) DepartRun(_ context.Context, req *v1.DepartRunRequest, _ ...grpc.CallOption) (*v1.DepartRunResponse, error) {
	if err := d.next("depart " + req.GetRequestId()); err != nil {
		return nil, err
	}
	return &v1.DepartRunResponse{Manifest: &v1.Manifest{Name: req.GetName()}, Notes: []string{"mind the ice"}}, nil
}

func (d *dock) ConfirmStop(_ context.Context, req *v1.ConfirmStopRequest, _ ...grpc.CallOption) (*v1.ConfirmStopResponse, error) {
	if err := d.next(req.GetShopId() + " " + req.GetRequestId()); err != nil {
		return nil, err
	}
	return &v1.ConfirmStopResponse{Manifest: &v1.Manifest{Name: req.GetManifest()}, Drop: &v1.Drop{ShopId: req.GetShopId()}}, nil
}

// till answers a shop's counts.
type till struct {
	v1.OrderServiceClient
	*dock
}

func (d till) SubmitCount(_ context.Context, req *v1.SubmitCountRequest, _ ...grpc.CallOption) (*v1.SubmitCountResponse, error) {
	if err := d.next(req.GetShopId() + " counted " + req.GetRequestId()); err != nil {
		return nil, err
	}
	return &v1.SubmitCountResponse{Sales: []*v1.Sale{{ShopId: req.GetShopId(), Pieces: 7}}}, nil
}

func driver(script ...error) (*Client, *dock) {
	d := &dock{script: script}
	return &Client{orders: till{dock: d}, road: d, within: attemptWithin, pause: func(ctx context.Context, _ time.Duration) error { return context.Canceled }}, d
}

func TestErrandsWaitForALinkAndGoInOrder(t *testing.T) {
	now := func() time.Time { return time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC) }
	box := outbox.At(t.TempDir())
	stop := func(shop string) *v1.ConfirmStopRequest {
		return &v1.ConfirmStopRequest{Manifest: south, ShopId: shop, RequestId: uuid.NewString()}
	}
	first, second, leave := stop("harbor"), stop("market"), &v1.DepartRunRequest{Name: south, RequestId: uuid.NewString()}
	for _, req := range []outbox.Write{first, second, leave} { // the departure was forgotten and is said last
		_, err := box.Run(now(), req)
		require.NoError(t, err)
	}
	away := status.Error(codes.Unavailable, "no route")
	c, d := driver(away, status.Error(codes.FailedPrecondition, "too warm"))
	all, err := c.SendErrands(t.Context(), box, now)
	require.NoError(t, err)
	require.Equal(t, []string{"depart " + leave.GetRequestId()}, d.heard, "the first that meets no link is the last to try")
	for _, told := range all {
		require.Equal(t, outbox.Waiting, told.State)
	}
	// The departure is refused: its stops are not lost, and go with the next one.
	all, err = c.SendErrands(t.Context(), box, now)
	require.NoError(t, err)
	require.Equal(t, outbox.Refused, all[0].State)
	require.Equal(t, []outbox.State{outbox.Waiting, outbox.Waiting}, []outbox.State{all[1].State, all[2].State})
	require.ErrorContains(t, all[1].Err, "too warm")
	leave = &v1.DepartRunRequest{Name: south, Note: "chilled", RequestId: uuid.NewString()}
	_, err = box.Run(now(), leave)
	require.NoError(t, err)
	d.heard = nil
	all, err = c.SendErrands(t.Context(), box, now)
	require.NoError(t, err)
	require.Equal(t, []string{"depart " + leave.GetRequestId(), "harbor " + first.GetRequestId(), "market " + second.GetRequestId()}, d.heard)
	for _, told := range all {
		require.Equal(t, outbox.Accepted, told.State)
		require.Equal(t, south, told.Manifest.GetName())
	}
	require.Equal(t, "harbor", all[1].Drop.GetShopId())
	require.Equal(t, []string{"mind the ice"}, all[0].Notes)
	d.heard = nil
	all, err = c.SendErrands(t.Context(), box, now)
	require.NoError(t, err)
	require.Empty(t, all)
	require.Empty(t, d.heard, "what was answered is not told again")
	list, damaged, err := outbox.At(box.Dir()).Errands()
	require.NoError(t, err)
	require.Zero(t, damaged)
	require.Len(t, list, 4)
}

// A shop's counts go in the order in which they were made, whatever the kitchen
// says to another shop's.
func TestCountsWaitForALink(t *testing.T) {
	now := func() time.Time { return time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC) }
	box := outbox.At(t.TempDir())
	var counts []*v1.SubmitCountRequest
	for i, shop := range []string{"harbor", "harbor", "market"} {
		req := &v1.SubmitCountRequest{Night: fmt.Sprintf("kitchens/main/nights/2026-11-2%d", 5+i%2), ShopId: shop, RequestId: uuid.NewString(),
			Lines: []*v1.CountLine{{ItemId: "ball", Pieces: 29}}}
		_, err := box.Run(now(), req)
		require.NoError(t, err)
		counts = append(counts, req)
	}
	c, d := driver(status.Error(codes.Unavailable, "no route"))
	all, err := c.SendErrands(t.Context(), box, now)
	require.NoError(t, err)
	require.Len(t, d.heard, 1, "the first that meets no link is the last to try")
	require.Len(t, all, 3)
	d.script, d.heard = []error{status.Error(codes.Internal, "reference 7")}, nil
	_, err = c.SendErrands(t.Context(), box, now)
	require.NoError(t, err)
	require.Equal(t, []string{"harbor counted " + counts[0].GetRequestId(), "market counted " + counts[2].GetRequestId()}, d.heard)
	all, err = c.SendErrands(t.Context(), box, now)
	require.NoError(t, err)
	require.Equal(t, int64(7), all[0].Counted.GetSales()[0].GetPieces())
	require.Len(t, all, 2)
	list, _, err := outbox.At(box.Dir()).Errands()
	require.NoError(t, err)
	for i, e := range list {
		require.Equal(t, outbox.Accepted, e.State)
		require.True(t, proto.Equal(counts[i], e.Count()))
	}
}

// Whatever moment the machine dies at: an errand that was told to be kept is
// there, a torn one is not, and nothing else is touched.
func TestErrandsCutShort(t *testing.T) {
	box := outbox.At(t.TempDir())
	now := time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC)
	var kept []outbox.Write
	for i := range 3 {
		var req outbox.Write = &v1.ConfirmStopRequest{Manifest: south, ShopId: "harbor", Note: "ключ", RequestId: uuid.NewString()}
		if i == 2 {
			req = &v1.SubmitCountRequest{Night: "kitchens/main/nights/2026-11-26", ShopId: "harbor", RequestId: uuid.NewString(),
				Lines: []*v1.CountLine{{ItemId: "ball", MadeDate: "2026-11-25", Pieces: 29}}}
		}
		_, err := box.Run(now, req)
		require.NoError(t, err)
		kept = append(kept, req)
	}
	path := filepath.Join(box.Dir(), "errands.log")
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	before := 0
	for cut := range whole {
		if cut < len("doughrun errands 1\n") {
			continue
		}
		require.NoError(t, os.WriteFile(path, whole[:cut], 0o600))
		list, damaged, err := box.Errands()
		require.NoError(t, err)
		require.Zero(t, damaged, "cut at %d", cut)
		require.GreaterOrEqual(t, len(list), before)
		before = len(list)
		for i, e := range list {
			require.True(t, proto.Equal(kept[i], e.Request))
		}
		again, damaged, err := box.Errands()
		require.NoError(t, err)
		require.Zero(t, damaged)
		require.Len(t, again, len(list))
	}
	// Damage to nothing but the character that ends the last line costs no errand.
	require.NoError(t, os.WriteFile(path, append(whole[:len(whole)-1:len(whole)-1], 'X'), 0o600))
	list, damaged, err := box.Errands()
	require.NoError(t, err)
	require.Zero(t, damaged)
	require.Len(t, list, 3)
	// A damaged line in the middle is kept and counted, and the rest is read.
	spoiled := append([]byte(nil), whole...)
	spoiled[len("doughrun errands 1\n")+40] ^= 1
	require.NoError(t, os.WriteFile(path, spoiled, 0o600))
	list, damaged, err = box.Errands()
	require.NoError(t, err)
	require.Equal(t, 1, damaged)
	require.Len(t, list, 2)

	other := proto.CloneOf(kept[1].(*v1.ConfirmStopRequest))
	_, err = box.Run(now, other)
	require.NoError(t, err, "the same once more")
	other.Note = "another"
	_, err = box.Run(now, other)
	require.ErrorIs(t, err, outbox.ErrReused)
}

// What is settled long ago goes, what waits stays, however much there is.
func TestErrandsAreForgottenOnceSettled(t *testing.T) {
	box := outbox.At(t.TempDir())
	now := time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC)
	waits := uuid.NewString()
	_, err := box.Run(now, &v1.ConfirmStopRequest{Manifest: south, ShopId: "harbor", RequestId: waits})
	require.NoError(t, err)
	for range 230 {
		req := &v1.ConfirmStopRequest{Manifest: south, ShopId: "market", RequestId: uuid.NewString()}
		_, err := box.Run(now, req)
		require.NoError(t, err)
		_, err = box.Answer(now, req.GetRequestId(), outbox.Accepted, &v1.Manifest{Name: south}, "")
		require.NoError(t, err)
	}
	list, damaged, err := box.Errands()
	require.NoError(t, err)
	require.Zero(t, damaged)
	require.Less(t, len(list), 205)
	require.Equal(t, waits, list[0].ID)
	require.Equal(t, outbox.Waiting, list[0].State)
}

// The journal of errands is made shorter, and what waits or was answered of late stays as it was.
func TestErrandsStayShort(t *testing.T) {
	box := outbox.At(t.TempDir())
	now := time.Date(2026, 11, 27, 12, 0, 0, 0, time.UTC)
	errand := func() outbox.Errand {
		e, err := box.Run(now, &v1.DepartRunRequest{Name: south, RequestId: uuid.NewString()})
		require.NoError(t, err)
		return e
	}
	waits := errand()
	require.NoError(t, box.Missed(now, waits.ID, "the kitchen does not answer"))
	var last outbox.Errand
	for range 220 {
		e, err := box.Answer(now, errand().ID, outbox.Accepted, &v1.Manifest{Name: south}, "")
		require.NoError(t, err)
		last = e
	}
	list, damaged, err := box.Errands()
	require.NoError(t, err)
	require.Zero(t, damaged)
	require.Less(t, len(list), 202)
	require.Equal(t, waits.ID, list[0].ID, "what waits is never dropped")
	require.Equal(t, "the kitchen does not answer", list[0].Why)
	require.Equal(t, last.ID, list[len(list)-1].ID)
	for _, e := range list[1:] {
		require.Equal(t, outbox.Accepted, e.State)
		require.Equal(t, south, e.Manifest.GetName())
	}
}
