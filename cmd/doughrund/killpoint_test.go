package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
)

// killPlants are the named points at which the service is killed.
var killPlants = []plant{
	{"migrations", "commissary/store/store.go", "	_, err = p.Up(ctx)\n", `	_, _ = p.UpByOne(ctx) // an error shows below
	dieAt("between two migrations")
	_, err = p.Up(ctx)
	dieAt("migrations done")
`},
	before("transaction begun", "commissary/store/write.go", "	if err != nil && s.dialect.sort(err) == busy {"),
	before("turn begun", "commissary/store/write.go", "	if !w.run(t) {\n"),
	before("turn kept", "commissary/store/write.go", "	_, err := began.Exec(\"RELEASE turn\")"),
	{"commit", "commissary/store/write.go", "		err = began.Commit()\n", `		dieAt("before commit")
		err = began.Commit()
		dieAt("after commit")
`},
	before("stopping", "commissary/store/store.go", "	<-s.done\n"),
	before("backup made, not named", "commissary/store/backup.go", "		if err := os.Link(part, file); err != nil {"),
	before("place in the record taken", "commissary/store/change.go", "	hash := link(before.hash, e.kitchen, change, e.facts)"),
	before("change recorded, chain not moved", "commissary/store/write.go", "		err = longer.move(began)"),
	before("done, answer not kept", "commissary/server/write.go", "		b, err := proto.MarshalOptions{Deterministic: true}.Marshal(answer)"),
	before("committed, not answered", "commissary/server/write.go", "	if err != nil && !errors.Is(err, errDry) {"),
	before("answered, not sent", "commissary/server/call.go", "		level := slog.LevelInfo"),
	before("book kept, not recorded", "commissary/server/kitchen.go", "		if err := w.record(kitchen, wire.BookName(kitchen, r.Revision)"),
	before("order kept, not recorded", "commissary/server/order.go", "	return w.record(d.id(), wire.OrderName(d.id(), o.Night, o.Shop), \"revision %d %s, %d lines\""),
	before("night closed, not recorded", "commissary/server/night.go", "		resp := &v1.CloseNightResponse{Night: k.Night(n)}"),
	before("plan made, not kept", "commissary/server/plan.go", "	released, err := update(ctx, s.core, req, func(w *writing) (*v1.ReleasePlanResponse, error) {"),
	before("plan kept, batches not", "commissary/server/plan.go", "		if err := repost(w.Tx, id, released); err != nil {"),
	before("batches kept, night not", "commissary/server/plan.go", "		n.State = commissary.NightPlanned"),
	before("released, nobody told", "commissary/server/plan.go", "		s.released(id, date)"),
}

// before is a plant that ends the process before a line.
func before(name, file, line string) plant {
	indent := line[:len(line)-len(strings.TrimLeft(line, "\t"))]
	return plant{name, file, line, fmt.Sprintf("%sdieAt(%q)\n%s", indent, name, line)}
}

// killPoints are the names, and how often an evening passes each; those of the
// plan need one that is planned, which takes most of the time.
var killPoints = []struct {
	name   string
	passed int
	plans  bool
}{
	{"between two migrations", 1, false}, {"migrations done", 1, false}, {"transaction begun", 8, false}, {"turn begun", 8, false},
	{"turn kept", 8, false}, {"before commit", 8, false}, {"after commit", 8, false}, {"place in the record taken", 8, false},
	{"change recorded, chain not moved", 8, false}, {"done, answer not kept", 8, false}, {"committed, not answered", 8, false},
	{"answered, not sent", 8, false}, {"book kept, not recorded", 1, false}, {"order kept, not recorded", 6, false},
	{"night closed, not recorded", 1, false}, {"stopping", 1, false}, {"backup made, not named", 1, false},
	{"plan made, not kept", 1, true}, {"plan kept, batches not", 1, true}, {"batches kept, night not", 1, true}, {"released, nobody told", 1, true},
}

// evening is one night of the kitchen as calls, each with its request id for ever.
func evening(t *testing.T, clock string, plans bool) []func(context.Context, *running) error {
	const night = "kitchens/main/nights/2026-11-26"
	text, err := os.ReadFile("../../testdata/kitchen.yaml")
	require.NoError(t, err)
	book := &v1.AdoptBookRequest{Kitchen: "kitchens/main", Source: text, RequestId: uuid.NewString()}
	deeds := []func(context.Context, *running) error{func(ctx context.Context, r *running) error {
		_, err := v1.NewKitchenServiceClient(r).AdoptBook(ctx, book)
		return err
	}}
	for _, shop := range []string{"harbor", "market", "hilltop", "station", "college", "river"} {
		order := &v1.SubmitOrderRequest{Name: night + "/orders/" + shop, RequestId: uuid.NewString(), Lines: []*v1.OrderLine{{ItemId: "house-280", Pieces: 16}}}
		deeds = append(deeds, func(ctx context.Context, r *running) error {
			got, err := v1.NewOrderServiceClient(r).SubmitOrder(ctx, order)
			if err == nil && got.GetOrder().GetEtag() != "1" {
				err = fmt.Errorf("%s is at revision %s", shop, got.GetOrder().GetEtag())
			}
			return err
		})
	}
	closing := &v1.CloseNightRequest{Name: night, RequestId: uuid.NewString()}
	deeds = append(deeds, func(ctx context.Context, r *running) error {
		setClock(t, clock, "2026-11-27T02:30:00-05:00")
		_, err := v1.NewNightServiceClient(r).CloseNight(ctx, closing)
		return err
	})
	if !plans {
		return deeds
	}
	var release *v1.ReleasePlanRequest
	return append(deeds, func(ctx context.Context, r *running) error {
		plans := v1.NewPlanServiceClient(r)
		if release == nil {
			draft, err := plans.DraftPlan(ctx, &v1.DraftPlanRequest{Night: night, Seed: 1, Steps: 20})
			if err != nil {
				return err
			}
			release = &v1.ReleasePlanRequest{Night: night, PlanTime: draft.GetPlan().GetPlanTime(), Seed: 1, Steps: 20, InputHash: draft.GetPlan().GetInputHash(), RequestId: uuid.NewString()}
		}
		got, err := plans.ReleasePlan(ctx, release)
		if err == nil && got.GetPlan().GetRevision() != 1 {
			err = fmt.Errorf("the plan is at revision %d", got.GetPlan().GetRevision())
		}
		return err
	})
}

// Killed at a named point, the service comes back by itself, and the same
// calls sent again lead to the same evening: nothing lost, nothing twice.
func TestKilledAtNamedPoints(t *testing.T) {
	apart(t)
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	died, planned := 0, random.IntN(4)
	for i, p := range killPoints {
		if p.plans && cases(1, 0) == 1 && len(killPoints)-1-i != planned {
			t.Logf("%q waits for the full form: of the points in a release the short one takes one at random", p.name)
			continue
		}
		for _, n := range random.Perm(p.passed)[:cases(1, p.passed)] {
			n++
			t.Run(fmt.Sprintf("%s %d", p.name, n), func(t *testing.T) {
				if killedAt(t, fmt.Sprintf("%s#%d", p.name, n), p.plans) {
					died++
				} else {
					t.Error("the service was never killed: the run is void")
				}
			})
		}
	}
	t.Logf("killed %d times at %d points", died, len(killPoints))
}

func killedAt(t *testing.T, point string, planned bool) (died bool) {
	dir := t.TempDir()
	h := &house{t: t, program: sown(t), db: filepath.Join(dir, "facts.db")}
	clock := filepath.Join(dir, "clock")
	setClock(t, clock, "2026-11-26T20:00:00-05:00")
	t.Setenv("PLANTED", point)
	begin := func() *running {
		r := h.start()
		if r == nil {
			died = true
			t.Setenv("PLANTED", "")
			r = h.start()
		}
		require.NotNil(t, r, "the service does not come back")
		return r
	}
	r := begin()
	for i, deed := range evening(t, clock, planned) {
		for try := 0; ; try++ {
			ctx, stop := context.WithTimeout(t.Context(), 30*time.Second)
			err := deed(ctx, r)
			stop()
			if err == nil {
				break
			}
			require.Equal(t, codes.Unavailable, status.Code(err), "call %d: %v", i, err)
			require.Zero(t, try, "call %d: %v", i, err)
			r.end()
			died = true
			t.Setenv("PLANTED", "")
			r = begin()
		}
	}
	look := []string{h.db}
	if strings.HasPrefix(point, "backup") {
		look = append(look, backedUp(t, h, dir))
	}
	require.NoError(t, r.cmd.Process.Signal(syscall.SIGTERM))
	<-r.read
	err := r.cmd.Wait()
	died = died || err != nil || len(look) > 1
	r.Close()
	t.Setenv("PLANTED", "")
	for _, db := range look {
		h.db = db
		r := h.start()
		require.NotNil(t, r, "the service does not come back")
		night, err := v1.NewNightServiceClient(r).GetNight(t.Context(), &v1.GetNightRequest{Name: "kitchens/main/nights/2026-11-26"})
		require.NoError(t, err)
		orders, err := v1.NewOrderServiceClient(r).ListOrders(t.Context(), &v1.ListOrdersRequest{Night: "kitchens/main/nights/2026-11-26"})
		require.NoError(t, err)
		require.Len(t, orders.GetOrders(), 6)
		if !planned {
			require.Equal(t, v1.NightState_NIGHT_STATE_CLOSED, night.GetNight().GetState())
			require.Equal(t, int64(8), h.chain(r), "one change for the book, six orders and the closing")
		} else {
			require.Equal(t, v1.NightState_NIGHT_STATE_PLANNED, night.GetNight().GetState())
			plans, err := v1.NewPlanServiceClient(r).ListPlans(t.Context(), &v1.ListPlansRequest{Night: "kitchens/main/nights/2026-11-26"})
			require.NoError(t, err)
			require.Len(t, plans.GetPlans(), 1)
			require.Equal(t, int64(9), h.chain(r), "and one for the plan")
		}
		r.end()
	}
	return died
}

// backedUp kills a backup, makes another, and returns the database restored from it.
func backedUp(t *testing.T, h *house, dir string) string {
	file, restored := filepath.Join(dir, "evening.backup"), filepath.Join(dir, "restored.db")
	require.Error(t, exec.Command(h.program, "backup", file, "--database", h.db).Run(), "it was not killed")
	require.NoFileExists(t, file, "half a backup has its name")
	t.Setenv("PLANTED", "")
	for _, args := range [][]string{{"backup", file, "--database", h.db}, {"restore", file, "--database", restored}} {
		out, err := exec.Command(h.program, args...).CombinedOutput()
		require.NoError(t, err, string(out))
	}
	return restored
}
