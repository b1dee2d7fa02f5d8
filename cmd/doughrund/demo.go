package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/wire"
	"doughrun/config"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/storefront"
	"doughrun/testdata"
)

func demoCommand() *cobra.Command {
	var output string
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Play one night of an invented kitchen through the real service",
		Long: "Starts the real service on this machine with a database of its own in a temporary folder, lets six\n" +
			"invented shops order over gRPC, closes the night, plans, bakes what is due before the vans leave,\n" +
			"picks, prints, and drives one run to its end. The clock is the demo's own. Nothing is left behind.",
		Args: cobra.NoArgs,
	}
	cmd.Flags().StringVar(&output, "output", "text", "text, or json for one document with everything")
	cmd.RunE = act(func(cmd *cobra.Command) error {
		if output != "text" && output != "json" {
			return &failure{exitUsage, fmt.Errorf("--output %q is unknown; write text or json", output)}
		}
		night, err := playNight(cmd.Context(), cmd.ErrOrStderr())
		if err != nil {
			return err
		}
		if output == "json" {
			return night.writeJSON(cmd.OutOrStdout())
		}
		return night.write(cmd.OutOrStdout())
	})
	return cmd
}

// The demo's night and shop that misses it.
const (
	demoKitchen  = "main"
	demoNight    = "2026-11-26"
	tooLateShop  = "river"
	amendingShop = "market"
	resendShop   = "station"
)

// played is what one night left on the table.
type played struct {
	receipts   []receipt
	refusal    string
	plan       *v1.Plan
	batch      *v1.GetBatchResponse
	finished   []*v1.Lot
	dispatch   *v1.Dispatch
	picks      *v1.PickList
	manifests  []*v1.Manifest
	road       *v1.Manifest // the run that was driven, at its end
	said       []string     // by dock and driver
	ledger     map[string]*v1.GetLotResponse
	orders     []*v1.Order
	lots       []*v1.Lot
	lotsBefore map[string]int64
	chain      *v1.VerifyChainResponse
}

type receipt struct {
	shop, said string
	order      *v1.Order
}

// stage is the running service with a clock that the demo turns.
type stage struct {
	ctx   context.Context
	talk  io.Writer
	zone  *civil.Zone
	night civil.Date
	now   atomic.Int64
	conn  *grpc.ClientConn
}

func (s *stage) turn(clock string) error {
	c, err := civil.ParseClock(clock)
	if err != nil {
		return err
	}
	if c <= 12*3600 {
		c = c.NextDay()
	}
	s.now.Store(s.zone.Instant(s.night, c).Unix())
	return nil
}

func (s *stage) say(format string, args ...any) {
	fmt.Fprintf(s.talk, "%s  %s\n", s.zone.Short(time.Unix(s.now.Load(), 0)), fmt.Sprintf(format, args...))
}

// playNight starts the service, plays the night and stops the service.
func playNight(ctx context.Context, talk io.Writer) (*played, error) {
	dir, err := os.MkdirTemp("", "doughrun-demo-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	source, err := testdata.Files.ReadFile("kitchen.yaml")
	if err != nil {
		return nil, err
	}
	b, err := book.Read("kitchen.yaml", source)
	if err != nil {
		return nil, err
	}
	s := &stage{ctx: ctx, talk: talk}
	if s.night, err = civil.ParseDate(demoNight); err != nil {
		return nil, err
	}
	if s.zone, err = civil.LoadZone(b.Kitchen.Zone); err != nil {
		return nil, err
	}
	if err := s.turn("22:30"); err != nil {
		return nil, err
	}

	settings := config.Service{Listen: "127.0.0.1:0", Database: filepath.Join(dir, "demo.db"), CallLimit: time.Minute, StopLimit: 10 * time.Second, LogLevel: "error", LogFormat: "text"}
	serving, stop := context.WithCancel(ctx)
	address, served := make(chan net.Addr, 1), make(chan error, 1)
	go func() {
		served <- serve(serving, settings, func() time.Time { return time.Unix(s.now.Load(), 0) }, logger(settings, talk), func(a net.Addr) { address <- a })
	}()
	select {
	case err := <-served:
		stop()
		return nil, err
	case a := <-address:
		s.say("the service listens on %s; its database is in a temporary folder", a)
		if s.conn, err = grpc.NewClient(a.String(), grpc.WithTransportCredentials(insecure.NewCredentials())); err != nil {
			stop()
			return nil, errors.Join(err, <-served)
		}
	}
	night, err := s.play(source, b)
	s.conn.Close() // every answer is in
	stop()
	if err := errors.Join(err, <-served); err != nil {
		return nil, plain(err)
	}
	return night, nil
}

// plain turns a refusal that came over the wire back into one of our own.
func plain(err error) error {
	if st, ok := status.FromError(err); ok && err != nil {
		return commissary.Refuse(commissary.Precondition, "DEMO", "%s", st.Message())
	}
	return err
}

func (s *stage) play(source []byte, b commissary.Book) (*played, error) {
	night := &played{lotsBefore: map[string]int64{}, ledger: map[string]*v1.GetLotResponse{}}
	if err := s.open(source, b, night); err != nil {
		return nil, err
	}
	if err := s.order(b, night); err != nil {
		return nil, err
	}
	if err := s.bake(night); err != nil {
		return nil, err
	}
	if err := s.send(night); err != nil {
		return nil, err
	}
	if err := s.drive(night); err != nil {
		return nil, err
	}
	return night, s.gather(night)
}

// open adopts the book and counts in what lies in the cold store.
func (s *stage) open(source []byte, b commissary.Book, night *played) error {
	_, err := v1.NewKitchenServiceClient(s.conn).AdoptBook(s.ctx, &v1.AdoptBookRequest{Kitchen: wire.KitchenName(demoKitchen),
		Source: source, FileName: "kitchen.yaml", RequestId: uuid.NewString()})
	if err != nil {
		return err
	}
	csv, err := testdata.Files.ReadFile("night/lots.csv")
	if err != nil {
		return err
	}
	lots, err := book.ReadLots("lots.csv", csv, b)
	if err != nil {
		return err
	}
	counted, err := v1.NewLotServiceClient(s.conn).CountStock(s.ctx, &v1.CountStockRequest{Kitchen: wire.KitchenName(demoKitchen),
		Counts: wire.Counts(lots), RequestId: uuid.NewString()})
	if err != nil {
		return err
	}
	for _, l := range counted.GetLots() {
		night.lotsBefore[l.GetCode()] = l.GetPieces() + l.GetMassMg()
	}
	s.say("the kitchen book is adopted and %d lots are counted in the cold store", len(lots))
	return nil
}

// order lets the shops order at once, closes the night, and plans it.
func (s *stage) order(b commissary.Book, night *played) error {
	csv, err := testdata.Files.ReadFile("night/orders.csv")
	if err != nil {
		return err
	}
	orders, err := book.ReadOrders("orders.csv", csv, b, s.night)
	if err != nil {
		return err
	}
	if err := s.turn("23:40"); err != nil {
		return err
	}
	shop := storefront.New(s.conn)
	requests := map[string]*v1.SubmitOrderRequest{}
	for _, o := range orders {
		requests[o.Shop] = &v1.SubmitOrderRequest{Name: wire.OrderName(demoKitchen, s.night, o.Shop), Lines: wire.OrderLines(o.Lines), RequestId: uuid.NewString()}
	}
	var mutex sync.Mutex
	var failed error
	var wait sync.WaitGroup
	for _, o := range orders {
		if o.Shop == tooLateShop {
			continue
		}
		wait.Go(func() {
			r, err := shop.Submit(s.ctx, requests[o.Shop])
			said := "accepted"
			if err == nil && o.Shop == resendShop {
				// The answer got lost on the way: the same request goes out again.
				var again storefront.Receipt
				if again, err = shop.Submit(s.ctx, requests[o.Shop]); err == nil && !proto.Equal(again.Order, r.Order) {
					err = errors.New("the order sent twice got two answers")
				}
				said = "accepted; sent twice, taken once"
			}
			if err == nil && o.Shop == amendingShop {
				amended := proto.CloneOf(requests[o.Shop])
				amended.RequestId, amended.Etag = uuid.NewString(), r.Order.GetEtag()
				amended.Lines[0].Pieces += 8
				r, err = shop.Submit(s.ctx, amended)
				said = fmt.Sprintf("accepted; amended once, 8 more × %s", amended.Lines[0].GetItemId())
			}
			mutex.Lock()
			defer mutex.Unlock()
			if err != nil {
				failed = errors.Join(failed, fmt.Errorf("%s: %w", o.Shop, err))
				return
			}
			night.receipts = append(night.receipts, receipt{o.Shop, said, r.Order})
		})
	}
	wait.Wait()
	if failed != nil {
		return failed
	}
	slices.SortFunc(night.receipts, func(a, b receipt) int { return strings.Compare(a.shop, b.shop) })
	s.say("%d shops have ordered at the same time", len(night.receipts))

	if err := s.turn("02:05"); err != nil {
		return err
	}
	if _, err := v1.NewNightServiceClient(s.conn).CloseNight(s.ctx, &v1.CloseNightRequest{Name: wire.NightName(demoKitchen, s.night), RequestId: uuid.NewString()}); err != nil {
		return err
	}
	s.say("the night is closed")
	if _, err := shop.Submit(s.ctx, requests[tooLateShop]); err != nil {
		night.refusal = status.Convert(err).Message()
		s.say("%s comes too late and is told so", tooLateShop)
	} else {
		return errors.New("an order after the close was accepted")
	}

	plans := v1.NewPlanServiceClient(s.conn)
	name := wire.NightName(demoKitchen, s.night)
	draft, err := plans.DraftPlan(s.ctx, &v1.DraftPlanRequest{Night: name})
	if err != nil {
		return err
	}
	checked, err := plans.CheckPlan(s.ctx, &v1.CheckPlanRequest{Night: name, Plan: draft.GetPlan()})
	if err != nil {
		return err
	}
	if n := len(checked.GetReasons()); n > 0 {
		return fmt.Errorf("the draft breaks %d rules, the first: %s", n, checked.GetReasons()[0].GetText())
	}
	released, err := plans.ReleasePlan(s.ctx, &v1.ReleasePlanRequest{Night: name, PlanTime: draft.GetPlan().GetPlanTime(),
		InputHash: draft.GetPlan().GetInputHash(), RequestId: uuid.NewString()})
	if err != nil {
		return err
	}
	night.plan = released.GetPlan()
	s.say("the plan is checked and released: %d batches, %d exceptions", len(night.plan.GetBatches()), len(night.plan.GetExceptions()))
	return nil
}

// bake starts and finishes what must be ready before this morning's vans leave,
// each at its time.
func (s *stage) bake(night *played) error {
	batches := v1.NewBatchServiceClient(s.conn)
	posted, err := s.posted(batches)
	if err != nil {
		return err
	}
	delivery := s.night.AddDays(1).String()
	type deed struct {
		at time.Time
		do func() error
	}
	var deeds []deed
	for _, b := range posted {
		name := b.GetName()
		if night.batch == nil && len(b.GetMakes()) > 0 && b.GetFlourMassMg() > 0 {
			// The first dough of the morning is the sheet that is printed.
			if night.batch, err = batches.GetBatch(s.ctx, &v1.GetBatchRequest{Name: name}); err != nil {
				return err
			}
		}
		if !slices.ContainsFunc(b.GetServes(), func(v *v1.BatchServe) bool { return v.GetBakeDate() == delivery }) {
			continue
		}
		first, last := b.GetSteps()[0].GetStartTime().AsTime(), b.GetMixEndTime().AsTime()
		for _, step := range b.GetSteps() {
			if step.GetKind() != v1.StepKind_STEP_KIND_HOLD && step.GetEndTime().AsTime().After(last) {
				last = step.GetEndTime().AsTime()
			}
		}
		var started *v1.StartBatchResponse
		deeds = append(deeds, deed{first, func() (err error) {
			started, err = batches.StartBatch(s.ctx, &v1.StartBatchRequest{Name: name, Etag: b.GetEtag(), RequestId: uuid.NewString()})
			return err
		}}, deed{last, func() error {
			done, err := batches.FinishBatch(s.ctx, &v1.FinishBatchRequest{Name: name, Etag: started.GetBatch().GetEtag(), RequestId: uuid.NewString()})
			if err == nil {
				night.finished = append(night.finished, done.GetLots()...)
				s.say("batch %s is out: %s", b.GetId(), b.GetFormulaName())
			}
			return err
		}})
	}
	slices.SortStableFunc(deeds, func(a, b deed) int { return a.at.Compare(b.at) })
	for _, d := range deeds {
		s.now.Store(d.at.Unix())
		if err := d.do(); err != nil {
			return err
		}
	}
	return nil
}

func (s *stage) posted(batches v1.BatchServiceClient) ([]*v1.Batch, error) {
	var all []*v1.Batch
	for token := ""; ; {
		page, err := batches.ListBatches(s.ctx, &v1.ListBatchesRequest{Night: wire.NightName(demoKitchen, s.night), PageToken: token})
		if err != nil {
			return nil, err
		}
		all = append(all, page.GetBatches()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}
