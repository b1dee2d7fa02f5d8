package server_test

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/plan"
	"doughrun/commissary/quantity"
	"doughrun/commissary/server"
	"doughrun/commissary/trace"
	v1 "doughrun/proto/doughrun/v1"
)

// world runs nights through the calls and keeps its own book of what it did.
type world struct {
	*kitchen
	r     *rand.Rand
	facts commissary.Store // as the service sees it
	date  civil.Date

	received map[string]int64            // by ingredient lot
	bin      map[string][]string         // what is in use, by ingredient
	expected map[[2]string]bool          // batch and lot: surely drawn
	batches  []string                    // that came out
	balls    map[string]int64            // at the kitchen, by lot
	held     map[string]bool             // lots on hold
	until    map[string]time.Time        // when a lot must be used
	picked   map[string]map[string]int64 // by shop and lot
	dropped  map[string]map[string]int64
	ordered  int64
	short    int64
	refused  int
	n        int
}

func newWorld(t *testing.T, seed uint64, bend func(commissary.Lots) commissary.Lots) *world {
	w := emptyWorld(nil, seed)
	w.kitchen = open(t, func(o *server.Options) {
		if bend != nil {
			o.Store = bent{o.Store, bend}
		}
		w.facts = o.Store
	})
	return w
}

func emptyWorld(k *kitchen, seed uint64) *world {
	return &world{kitchen: k, r: rand.New(rand.NewPCG(seed, 99)), date: civil.Date{Year: 2026, Month: time.January, Day: 5}, received: map[string]int64{}, bin: map[string][]string{},
		expected: map[[2]string]bool{}, balls: map[string]int64{}, held: map[string]bool{}, until: map[string]time.Time{}, picked: map[string]map[string]int64{"east": {}, "west": {}}, dropped: map[string]map[string]int64{"east": {}, "west": {}}}
}

func (w *world) at(hour, minute int) {
	w.clock.Set(at(fmt.Sprintf("%sT%02d:%02d:00Z", w.date, hour, minute)))
}

// may makes a call that is allowed to be refused: a refusal changes nothing.
func (w *world) may(err error) bool {
	if err != nil {
		require.NotEqual(w.t, "INTERNAL", reasonOf(err), status.Convert(err).Message())
		w.refused++
	}
	return err == nil
}

// supply receives a lot and takes it into use. It reports whether that was
// only found, so that nobody knows what was in use before.
func (w *world) supply(ingredient string) bool {
	w.n++
	kg := 20 + w.r.Int64N(60)
	code := w.receive(ingredient, fmt.Sprintf("%d", w.n), kg, nil).GetCode()
	w.received[code] = kg * 1_000_000
	kind := v1.InUseKind_IN_USE_KIND_OPENED
	switch w.r.IntN(4) {
	case 0:
		kind = v1.InUseKind_IN_USE_KIND_TOPPED_UP
	case 1:
		kind = v1.InUseKind_IN_USE_KIND_FOUND
	}
	if _, err := w.use(ingredient, code, kind); !w.may(err) {
		return false
	}
	if kind == v1.InUseKind_IN_USE_KIND_TOPPED_UP {
		w.bin[ingredient] = append(slices.Clone(w.bin[ingredient]), code)
	} else {
		w.bin[ingredient] = []string{code}
	}
	return kind == v1.InUseKind_IN_USE_KIND_FOUND
}

var doughLines = []string{"flour", "yeast", "salt"}

// bake posts a batch, starts it, and finishes or scraps it.
func (w *world) bake(number int) {
	pieces := int64(40 + w.r.IntN(80))
	began := w.clock.Now()
	b := commissary.PostedBatch{Batch: commissary.Batch{ID: fmt.Sprintf("%s-%02d", w.date.String()[:4]+w.date.String()[5:7]+w.date.String()[8:], number), Formula: "dough", Vessel: "mixer", Unit: 1,
		State: commissary.BatchPosted, Mass: quantity.Mass(pieces * 254_000), MixEnd: began.Add(20 * time.Minute),
		Steps: []commissary.Booking{{Step: commissary.StepMix, Resource: "mixer", From: began, To: began.Add(25 * time.Minute), Heads: 1}},
		Makes: []commissary.Making{{Item: "ball", Pieces: quantity.Pieces(pieces)}}}, Night: w.date, Plan: 1, Revision: 1}
	require.NoError(w.t, w.kitchen.store.Update(w.t.Context(), func(tx commissary.Tx) error { return tx.Batches("main").Put(b) }))
	name := main + "/batches/" + b.ID
	started, err := w.kitchen.batches.StartBatch(w.t.Context(), &v1.StartBatchRequest{Name: name, Etag: "1", RequestId: id()})
	if !w.may(err) {
		return
	}
	carried := map[string]bool{}
	note := func() {
		for _, i := range doughLines {
			for _, l := range w.bin[i] {
				carried[l] = true
			}
		}
	}
	note()
	w.clock.Set(began.Add(10 * time.Minute))
	if w.r.IntN(4) == 0 {
		i := doughLines[w.r.IntN(3)]
		before := w.bin[i]
		if w.supply(i) {
			for _, l := range before {
				delete(carried, l)
			}
		}
		note()
	}
	w.clock.Set(began.Add(time.Hour))
	if w.r.IntN(15) == 0 {
		_, err := w.kitchen.batches.ScrapBatch(w.t.Context(), &v1.ScrapBatchRequest{Name: name, Etag: started.GetBatch().GetEtag(), RequestId: id(), Reason: "salt forgotten"})
		require.NoError(w.t, err)
		return
	}
	again := w.rework()
	out, err := w.finish(started.GetBatch(), func(r *v1.FinishBatchRequest) {
		r.Confirm, r.ExpiredReason, r.Actual = true, "not looked at here", &v1.BatchActual{}
		if w.r.IntN(2) == 0 {
			r.Actual.Pieces = []*v1.BatchPieces{{ItemId: "ball", Pieces: pieces - w.r.Int64N(9)}}
		}
		if again != nil {
			r.Actual.Reworked = []*v1.Reworked{again}
		}
		if w.r.IntN(3) == 0 {
			r.Actual.DoughTempMillicelsius = proto.Int32(20_000 + w.r.Int32N(9_000))
		}
	})
	require.NoError(w.t, err)
	if again != nil {
		w.balls[again.GetLotCode()] -= again.GetPieces()
		carried[again.GetLotCode()] = true
	}
	lot := out.GetLots()[0]
	for l := range carried {
		w.expected[[2]string{b.ID, l}] = true
	}
	w.batches = append(w.batches, b.ID)
	w.balls[lot.GetCode()] = lot.GetPieces()
	w.held[lot.GetCode()] = lot.GetHeldReason() != ""
	w.until[lot.GetCode()] = lot.GetUseByTime().AsTime()
	if w.r.IntN(4) == 0 {
		less := lot.GetPieces() - 1
		actual := &v1.BatchActual{Pieces: []*v1.BatchPieces{{ItemId: "ball", Pieces: less}}}
		if w.r.IntN(2) == 0 {
			actual.MassMg = out.GetBatch().GetMassMg() - w.r.Int64N(out.GetBatch().GetMassMg()/100)
		}
		_, err := w.kitchen.batches.CorrectBatch(w.t.Context(), &v1.CorrectBatchRequest{Name: name, Etag: out.GetBatch().GetEtag(), RequestId: id(), Reason: "miscounted", Confirm: true, Actual: actual})
		require.NoError(w.t, err)
		w.balls[lot.GetCode()] = less
	}
}

// rework sometimes chooses some dough of yesterday to work in again.
func (w *world) rework() *v1.Reworked {
	if w.r.IntN(4) > 0 {
		return nil
	}
	yesterday := strings.ReplaceAll(w.date.AddDays(-1).String(), "-", "")
	for _, c := range slices.Sorted(maps.Keys(w.balls)) {
		if strings.HasPrefix(c, yesterday) && w.balls[c] > 0 && !w.held[c] && w.until[c].After(w.clock.Now()) {
			return &v1.Reworked{LotCode: c, Pieces: 1 + w.r.Int64N(min(w.balls[c], 3))}
		}
	}
	return nil
}

// deliver shares what there is among two orders, picks, drives and drops it.
func (w *world) deliver() {
	claims := []plan.Claim{{Shop: "east", Asked: quantity.Pieces(w.r.IntN(90))}, {Shop: "west", Asked: quantity.Pieces(w.r.IntN(90))}}
	var supply int64
	var codes []string
	for c, n := range w.balls {
		if !w.held[c] && n > 0 {
			supply += n
			codes = append(codes, c)
		}
	}
	slices.Sort(codes)
	for i, want := range plan.Award(commissary.Proportional, quantity.Pieces(supply), claims, 8) {
		shop, left := claims[i].Shop, int64(want)
		w.ordered, w.short = w.ordered+int64(claims[i].Asked), w.short+int64(claims[i].Asked-want)
		for _, c := range codes {
			take := min(left, w.balls[c])
			if take == 0 {
				continue
			}
			van := commissary.OnVan("round", shop)
			if err := w.move(c, "", van, take, ""); err != nil {
				w.short += take // the bent store may refuse it
				left -= take
				continue
			}
			w.balls[c], left = w.balls[c]-take, left-take
			w.picked[shop][c] += take
			if w.r.IntN(20) == 0 {
				w.may(w.move(c, van, commissary.AtReturns, take, "the shop was closed"))
				w.may(w.move(c, commissary.AtReturns, "waste", take, "the shop was closed"))
			} else if w.may(w.move(c, van, shop, take, "")) {
				w.dropped[shop][c] += take
			}
			switch w.r.IntN(8) {
			case 0:
				w.may(w.move(c, shop, map[string]string{"east": "west", "west": "east"}[shop], 1+w.r.Int64N(take), ""))
			case 1:
				w.may(w.move(c, shop, "waste", 1, "dropped"))
			case 2:
				w.may(w.move(c, shop, "kitchen", 1, "not sold")) // never
			case 3:
				w.may(w.move(c, "", van, w.balls[c]+1, "")) // more than there is
			}
		}
	}
}

func (w *world) night() {
	w.date = w.date.AddDays(1)
	require.NoError(w.t, w.kitchen.store.Update(w.t.Context(), func(tx commissary.Tx) error {
		return tx.Plans("main").Append(commissary.Plan{Night: w.date, Revision: 1, State: commissary.PlanReleased, BookRev: 1})
	}))
	w.at(9, 0)
	for _, i := range doughLines {
		if len(w.bin[i]) == 0 || w.r.IntN(3) == 0 {
			w.supply(i)
		}
	}
	for n := range 1 + w.r.IntN(2) {
		w.at(10+2*n, 0)
		w.bake(n + 1)
	}
	w.at(15, 0)
	w.deliver()
	for _, c := range slices.Sorted(maps.Keys(w.balls)) {
		if w.balls[c] > 0 && w.r.IntN(12) == 0 {
			name := main + "/lots/" + c
			if !w.held[c] {
				down, err := w.lots.HoldLot(w.t.Context(), &v1.HoldLotRequest{Name: name, Reason: "smells", RequestId: id()})
				w.may(err)
				w.holds(down.GetLots())
			} else {
				down, err := w.lots.ReleaseLot(w.t.Context(), &v1.ReleaseLotRequest{Name: name, Reason: "it does not", RequestId: id()})
				w.may(err)
				w.holds(down.GetLots())
			}
			break
		}
	}
}

// holds notes which lots are on hold now.
func (w *world) holds(lots []*v1.Lot) {
	for _, l := range lots {
		w.held[l.GetCode()] = l.GetHeldReason() != ""
	}
}

// invariants names what is broken, by invariant.
func (w *world) invariants() map[string]string {
	broken := map[string]string{}
	says := func(what, format string, args ...any) {
		if broken[what] == "" {
			broken[what] = fmt.Sprintf(format, args...)
		}
	}
	err := w.facts.View(w.t.Context(), func(tx commissary.Tx) error {
		book := tx.Lots("main")
		lots, err := book.List("", 0)
		if err != nil {
			return err
		}
		traces := map[string]trace.Trace{}
		var all int64
		for _, l := range lots {
			moves, err := book.Moves([]string{l.Code})
			if err != nil {
				return err
			}
			at, err := book.At(l.Code)
			if err != nil {
				return err
			}
			sums, made, madeRows, used := map[string]int64{}, int64(0), 0, int64(0)
			drop := map[string]int64{}
			for _, m := range moves {
				n := int64(m.Pieces) + int64(m.Mass)
				sums[m.Place] += n
				if m.To != "" {
					sums[m.To] -= n
				}
				if sums[m.Place] < 0 || m.To != "" && sums[m.To] < 0 {
					says("stock", "%s falls to %d at %s", l.Code, sums[m.Place], m.Place)
				}
				switch m.Kind {
				case commissary.Made:
					made, madeRows = made+n, madeRows+1
				case commissary.Corrected:
					made += n
				case commissary.Used:
					used -= n
				case commissary.Delivered:
					drop[m.To] -= n
				case commissary.Picked:
					_, shop, _ := commissary.VanOf(m.To)
					drop["van "+shop] -= n
				}
			}
			for _, x := range at {
				n := int64(x.Pieces) + int64(x.Mass)
				if n < 0 || n != sums[x.Place] {
					says("stock", "%s has %d at %s, its movements come to %d", l.Code, n, x.Place, sums[x.Place])
				}
				delete(sums, x.Place)
			}
			for place, n := range sums {
				if n != 0 {
					says("stock", "%s has nothing at %s, its movements come to %d", l.Code, place, n)
				}
			}
			if b := trace.Account(moves); !b.Closes() {
				says("conservation", "%s: %+v", l.Code, b)
			}
			if l.Item != "" {
				for _, shop := range []string{"east", "west"} {
					all += drop["van "+shop]
					if drop[shop] != w.dropped[shop][l.Code] || drop["van "+shop] != w.picked[shop][l.Code] {
						says("conservation", "%s to %s: %d picked, %d dropped; the records say %d and %d", l.Code, shop, w.picked[shop][l.Code], w.dropped[shop][l.Code], drop["van "+shop], drop[shop])
					}
				}
				b, err := tx.Batches("main").Get(l.Batch)
				if err != nil {
					return err
				}
				o, _ := b.Outcome()
				if madeRows != 1 || len(o.Makes) != 1 || made != int64(o.Makes[0].Pieces) {
					says("batch", "%s: %d made in %d records, its batch says %v", l.Code, made, madeRows, o.Makes)
				}
			}
			if l.Ingredient != "" {
				draws, err := book.DrawnFrom([]string{l.Code})
				if err != nil {
					return err
				}
				var drawn int64
				for _, d := range draws {
					drawn += int64(d.Mass)
				}
				if left := w.received[l.Code] - used; drawn != used || left != int64(l.Mass) {
					says("ingredients", "%s: %d received, %d used, %d drawn, %d left", l.Code, w.received[l.Code], used, drawn, l.Mass)
				}
			}
			if traces[l.Code], err = trace.Follow(book, l.Code); err != nil {
				return err
			}
		}
		if w.ordered != all+w.short {
			says("conservation", "%d ordered, %d picked and %d short", w.ordered, all, w.short)
		}
		reach := map[[2]string]bool{}
		for code, t := range traces {
			for _, n := range t.Nodes {
				switch n.Side {
				case trace.WentInto:
					reach[[2]string{code, n.Code}] = n.Possible
				}
			}
		}
		back := 0
		for code, t := range traces {
			for _, n := range t.Nodes {
				if n.Side != trace.CameFrom {
					continue
				}
				back++
				if p, ok := reach[[2]string{n.Code, code}]; !ok || p != n.Possible {
					says("trace", "%s came from %s, which does not lead to it", code, n.Code)
				}
			}
		}
		if back != len(reach) {
			says("trace", "%d ways forwards, %d backwards", len(reach), back)
		}
		for _, b := range w.batches {
			made, err := book.MadeBy([]string{b})
			if err != nil {
				return err
			}
			if len(made) != 1 {
				says("batch", "batch %s has %d lots", b, len(made))
			}
		}
		for e := range w.expected {
			if _, ok := traces[e[1]]; !ok {
				says("trace", "lot %s is gone", e[1])
				continue
			}
			sure := false
			for _, d := range traces[e[1]].Draws {
				sure = sure || d.Batch == e[0] && d.Lot == e[1] && !d.Possible
			}
			if !sure {
				says("trace", "batch %s took from %s, and nothing says so", e[0], e[1])
			}
		}
		return nil
	})
	require.NoError(w.t, err)
	return broken
}

// nightsAtOnce is how long one history is; there are as many as are needed.
const nightsAtOnce = 25

func TestInvariantsOverRandomNights(t *testing.T) {
	nights := 100
	switch {
	case os.Getenv("CASES") == "full":
		nights = 10_000
	case testing.Short(): // under the race detector
		nights = 50
	}
	var baked, refused atomic.Int64
	t.Run("histories", func(t *testing.T) {
		for seed := range uint64(nights / nightsAtOnce) {
			t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
				t.Parallel()
				w := newWorld(t, seed, nil)
				for range nightsAtOnce {
					w.night()
				}
				require.Empty(t, w.invariants(), "seed %d", seed)
				baked.Add(int64(len(w.batches)))
				refused.Add(int64(w.refused))
			})
		}
	})
	require.Positive(t, baked.Load())
	require.Positive(t, refused.Load(), "what must be refused was tried")
	t.Logf("%d nights, %d batches, %d refusals", nights, baked.Load(), refused.Load())
}

// bent is a store whose lots are mistaken.
type bent struct {
	commissary.Store
	bend func(commissary.Lots) commissary.Lots
}

type bentTx struct {
	commissary.Tx
	bend func(commissary.Lots) commissary.Lots
}

func (b bentTx) Lots(kitchen string) commissary.Lots { return b.bend(b.Tx.Lots(kitchen)) }

type bentLots struct {
	commissary.Lots
	move  func(commissary.Movement) []commissary.Movement
	draw  func(commissary.Draw) []commissary.Draw
	moves func([]commissary.Movement) []commissary.Movement
	at    func([]commissary.Lot) []commissary.Lot
	made  func([]commissary.Lot) []commissary.Lot
	drawn func([]commissary.Draw) []commissary.Draw
}

func (l bentLots) Move(m commissary.Movement) error {
	if l.move == nil {
		return l.Lots.Move(m)
	}
	for _, x := range l.move(m) {
		if err := l.Lots.Move(x); err != nil {
			return err
		}
	}
	return nil
}

func (l bentLots) Draw(d commissary.Draw) error {
	if l.draw == nil {
		return l.Lots.Draw(d)
	}
	for _, x := range l.draw(d) {
		if err := l.Lots.Draw(x); err != nil {
			return err
		}
	}
	return nil
}

func bentRead[R any](f func([]R) []R, rows []R, err error) ([]R, error) {
	if f == nil || err != nil {
		return rows, err
	}
	return f(rows), nil
}

func (l bentLots) Moves(codes []string) ([]commissary.Movement, error) {
	rows, err := l.Lots.Moves(codes)
	return bentRead(l.moves, rows, err)
}

func (l bentLots) At(code string) ([]commissary.Lot, error) {
	rows, err := l.Lots.At(code)
	return bentRead(l.at, rows, err)
}

func (l bentLots) MadeBy(batches []string) ([]commissary.Lot, error) {
	rows, err := l.Lots.MadeBy(batches)
	return bentRead(l.made, rows, err)
}

func (l bentLots) DrawnFrom(codes []string) ([]commissary.Draw, error) {
	rows, err := l.Lots.DrawnFrom(codes)
	return bentRead(l.drawn, rows, err)
}

func (b bent) View(ctx context.Context, f func(commissary.Tx) error) error {
	return b.Store.View(ctx, func(tx commissary.Tx) error { return f(bentTx{tx, b.bend}) })
}

func (b bent) Update(ctx context.Context, f func(commissary.Tx) error) error {
	return b.Store.Update(ctx, func(tx commissary.Tx) error { return f(bentTx{tx, b.bend}) })
}

func TestInvariantsCatchMutants(t *testing.T) {
	if testing.Short() {
		t.Skip("one call after the other: nothing for the race detector; it runs in the full form")
	}
	type movement = commissary.Movement
	on := func(kind commissary.MovementKind, f func(movement) []movement) bentLots {
		return bentLots{move: func(m movement) []movement {
			if m.Kind == kind {
				return f(m)
			}
			return []movement{m}
		}}
	}
	less := func(by int64) func(movement) []movement {
		return func(m movement) []movement {
			if m.Pieces < 0 {
				m.Pieces += quantity.Pieces(by)
			}
			m.Mass /= quantity.Mass(by + 1)
			return []movement{m}
		}
	}
	none := func(movement) []movement { return nil }
	for _, m := range []struct {
		invariant, name string
		lots            bentLots
	}{
		{"conservation", "a ball is lost at the drop", on(commissary.Delivered, less(1))},
		{"conservation", "dropped at the other shop", on(commissary.Delivered, func(m movement) []movement {
			m.To = map[string]string{"east": "west", "west": "east"}[m.To]
			return []movement{m}
		})},
		{"conservation", "a drop without a place", on(commissary.Delivered, func(m movement) []movement { m.To = ""; return []movement{m} })},
		{"conservation", "a pick is not recorded", on(commissary.Picked, none)},
		{"batch", "one more than came out", on(commissary.Made, func(m movement) []movement { m.Pieces++; return []movement{m} })},
		{"batch", "made twice", on(commissary.Made, func(m movement) []movement { return []movement{m, m} })},
		{"batch", "a correction is forgotten", on(commissary.Corrected, none)},
		{"ingredients", "half is taken", on(commissary.Used, less(1))},
		{"ingredients", "nothing is taken", on(commissary.Used, none)},
		{"ingredients", "the draw says nothing", bentLots{draw: func(d commissary.Draw) []commissary.Draw { d.Mass = 0; return []commissary.Draw{d} }}},
		{"ingredients", "a delivery is not recorded", on(commissary.Received, none)},
		{"stock", "the first movement is not shown", bentLots{moves: func(m []movement) []movement { return m[min(1, len(m)):] }}},
		{"stock", "newest first", bentLots{moves: func(m []movement) []movement { slices.Reverse(m); return m }}},
		{"stock", "below zero", bentLots{at: func(l []commissary.Lot) []commissary.Lot {
			for i := range l {
				l[i].Pieces, l[i].Mass = -l[i].Pieces, -l[i].Mass
			}
			return l
		}}},
		{"stock", "one place is forgotten", bentLots{at: func(l []commissary.Lot) []commissary.Lot { return l[min(1, len(l)):] }}},
		{"trace", "draws are not kept", bentLots{draw: func(d commissary.Draw) []commissary.Draw { return nil }}},
		{"trace", "every draw is only possible", bentLots{draw: func(d commissary.Draw) []commissary.Draw { d.Possible = true; return []commissary.Draw{d} }}},
		{"trace", "one draw is not shown forwards", bentLots{drawn: func(d []commissary.Draw) []commissary.Draw { return d[min(1, len(d)):] }}},
		{"trace", "one lot of a generation is not shown", bentLots{made: func(l []commissary.Lot) []commissary.Lot { return l[min(1, len(l)):] }}},
	} {
		t.Run(m.invariant+", "+m.name, func(t *testing.T) {
			w := newWorld(t, 1, func(l commissary.Lots) commissary.Lots {
				m := m.lots
				m.Lots = l
				return m
			})
			for range 16 {
				w.night()
			}
			require.Contains(t, w.invariants(), m.invariant)
		})
	}
}
