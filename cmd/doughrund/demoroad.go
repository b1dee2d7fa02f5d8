package main

import (
	"errors"
	"fmt"

	"github.com/google/uuid"

	"doughrun/commissary/sheet"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// send dispatches and gathers what is printed.
func (s *stage) send(night *played) error {
	if err := s.turn("06:10"); err != nil {
		return err
	}
	name := wire.NightName(demoKitchen, s.night)
	dispatches := v1.NewDispatchServiceClient(s.conn)
	draft, err := dispatches.DraftDispatch(s.ctx, &v1.DraftDispatchRequest{Night: name})
	if err != nil {
		return err
	}
	released, err := dispatches.ReleaseDispatch(s.ctx, &v1.ReleaseDispatchRequest{Night: name, DraftTime: draft.GetDispatch().GetDraftTime(),
		InputHash: draft.GetDispatch().GetInputHash(), RequestId: uuid.NewString()})
	if err != nil {
		return err
	}
	night.dispatch = released.GetDispatch()
	picks, err := dispatches.GetPickList(s.ctx, &v1.GetPickListRequest{Dispatch: night.dispatch.GetName()})
	if err != nil {
		return err
	}
	night.picks = picks.GetPickList()
	manifests, err := dispatches.ListManifests(s.ctx, &v1.ListManifestsRequest{Night: name})
	if err != nil {
		return err
	}
	night.manifests = manifests.GetManifests()
	s.say("the dispatch is released: %d runs", len(night.manifests))
	return nil
}

// drive picks one run, with a container too few, lets it leave, and confirms
// its stops, one of them with a difference.
func (s *stage) drive(night *played) error {
	dock := v1.NewDispatchServiceClient(s.conn)
	run := night.manifests[0]
	var short *v1.Pick
	for _, p := range night.dispatch.GetPicks() {
		if p.GetRunId() == run.GetRunId() && p.GetFullContainers() > 2 && p.GetLoosePieces() == 0 {
			short = p
			break
		}
	}
	if short == nil {
		return errors.New("nothing rides on the first run in full containers")
	}
	each := short.GetPieces() / int64(short.GetFullContainers())
	picked, err := dock.RecordPick(s.ctx, &v1.RecordPickRequest{Manifest: run.GetName(), Page: "1", RequestId: uuid.NewString(), Lines: []*v1.PickEntry{{ShopId: short.GetShopId(),
		ItemId: short.GetItemId(), BakeDate: short.GetBakeDate(), LotCode: short.GetLotCode(), Pieces: short.GetPieces() - each, Cause: v1.ShortCause_SHORT_CAUSE_DAMAGED, Note: "a box fell"}}})
	if err != nil {
		return err
	}
	night.say(sheet.Recorded(picked))
	s.say("a box of %s fell at the dock: the dispatch is revision %d", short.GetItemName(), picked.GetDispatchRevision())
	if picked, err = dock.RecordPick(s.ctx, &v1.RecordPickRequest{Manifest: run.GetName(), RequestId: uuid.NewString()}); err != nil {
		return err
	}
	run = picked.GetManifest()
	s.now.Store(run.GetDepartTime().AsTime().Unix())
	left, err := dock.DepartRun(s.ctx, &v1.DepartRunRequest{Name: run.GetName(), Probes: []*v1.Probe{{TempMillicelsius: 3_800}}, RequestId: uuid.NewString()})
	if err != nil {
		return err
	}
	night.say(sheet.Departed(left))
	s.say("run %s has left", run.GetRunId())
	for i, stop := range run.GetStops() {
		s.now.Store(stop.GetArriveTime().AsTime().Unix())
		req := &v1.ConfirmStopRequest{Manifest: run.GetName(), ShopId: stop.GetShopId(), Probes: []*v1.Probe{{TempMillicelsius: 4_200}}, RequestId: uuid.NewString()}
		if stop.GetUnattended() {
			req.Left = "walk-in, key back in the box"
		} else {
			req.SignedBy = fmt.Sprint("code ", 7+i)
		}
		if i == 0 { // a box is missing and a pack comes back
			req.Empties = []*v1.Empties{{Count: 9}}
			first, last := stop.GetLines()[0], stop.GetLines()[len(stop.GetLines())-1]
			req.Differences = []*v1.Difference{{ItemId: first.GetItemId(), LotCode: first.GetLotCode(), MissingPieces: each},
				{ItemId: last.GetItemId(), LotCode: last.GetLotCode(), RefusedPieces: 1, Reason: "lid open"}}
		}
		done, err := dock.ConfirmStop(s.ctx, req)
		if err != nil {
			return err
		}
		night.say(sheet.Dropped(done))
		night.road = done.GetManifest()
	}
	s.say("every stop of run %s is confirmed", run.GetRunId())
	return nil
}

func (n *played) say(text string) { n.said = append(n.said, text) }

// gather asks for what the proof adds up.
func (s *stage) gather(night *played) error {
	name := wire.NightName(demoKitchen, s.night)
	orders, err := v1.NewOrderServiceClient(s.conn).ListOrders(s.ctx, &v1.ListOrdersRequest{Night: name})
	if err != nil {
		return err
	}
	night.orders = orders.GetOrders()
	lots, err := v1.NewLotServiceClient(s.conn).ListLots(s.ctx, &v1.ListLotsRequest{Kitchen: wire.KitchenName(demoKitchen)})
	if err != nil {
		return err
	}
	night.lots = lots.GetLots()
	for _, l := range night.lots {
		if l.GetItemId() == "" {
			continue
		}
		m, err := v1.NewLotServiceClient(s.conn).GetLot(s.ctx, &v1.GetLotRequest{Name: wire.LotName(demoKitchen, l.GetCode())})
		if err != nil {
			return err
		}
		night.ledger[l.GetCode()] = m
	}
	newest, err := v1.NewDispatchServiceClient(s.conn).GetDispatch(s.ctx, &v1.GetDispatchRequest{Name: name + "/dispatches/newest"})
	if err != nil {
		return err
	}
	night.dispatch = newest.GetDispatch()
	night.manifests = night.dispatch.GetManifests()
	night.chain, err = v1.NewAuditServiceClient(s.conn).VerifyChain(s.ctx, &v1.VerifyChainRequest{Kitchen: wire.KitchenName(demoKitchen)})
	return err
}
