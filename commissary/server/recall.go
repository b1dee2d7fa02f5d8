package server

import (
	"cmp"
	"context"
	"maps"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/commissary"
	"doughrun/commissary/trace"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// follow traces a lot by its name.
func (s lots) follow(ctx context.Context, name string, f func(tx commissary.Tx, k *kitchen, t trace.Trace) error) error {
	id, code, err := wire.ParseLot(name)
	if err != nil {
		return err
	}
	return s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		l, err := k.called(tx, code)
		if err != nil {
			return err
		}
		t, err := trace.Follow(tx.Lots(id), l.Code)
		if err != nil {
			return err
		}
		return f(tx, k, t)
	})
}

func (s lots) TraceLot(ctx context.Context, req *v1.TraceLotRequest) (*v1.TraceLotResponse, error) {
	var resp *v1.TraceLotResponse
	err := s.follow(ctx, req.GetName(), func(_ commissary.Tx, k *kitchen, t trace.Trace) error {
		resp = &v1.TraceLotResponse{Site: k.Site(), SisterCodes: t.Sisters, RowsRead: t.Read, RowsReturned: t.Returned}
		for _, n := range t.Nodes {
			resp.Lots = append(resp.Lots, k.traced(n))
		}
		for _, d := range t.Draws {
			resp.Draws = append(resp.Draws, &v1.TracedDraw{LotCode: d.Lot, BatchId: d.Batch, MassMg: int64(d.Mass), Possible: d.Possible})
		}
		for _, m := range t.Moves {
			resp.Movements = append(resp.Movements, wire.Movement(m))
		}
		return nil
	})
	return resp, err
}

func (k *kitchen) traced(n trace.Node) *v1.TracedLot {
	m := &v1.TracedLot{Lot: k.Lot(n.Lot), Side: v1.TraceSide(v1.TraceSide_value["TRACE_SIDE_"+string(n.Side)]), Possible: n.Possible}
	if b := n.Balance; n.Side != trace.CameFrom {
		m.Balance = &v1.Balance{CameIn: b.CameIn, Delivered: b.Delivered, OnHand: b.OnHand, Used: b.Used, Wasted: b.Wasted, Unknown: b.Unknown}
	}
	return m
}

func (s lots) GetRecallPack(ctx context.Context, req *v1.GetRecallPackRequest) (*v1.GetRecallPackResponse, error) {
	var resp *v1.GetRecallPackResponse
	err := s.follow(ctx, req.GetName(), func(tx commissary.Tx, k *kitchen, t trace.Trace) error {
		var err error
		calls := callList{k: k, rows: map[stop]*v1.RecallShop{}}
		if calls.shops, err = s.shopsEver(tx, k, t.Moves); err != nil {
			return err
		}
		resp = k.recall(t, calls)
		if err := calls.promised(tx, t); err != nil {
			return err
		}
		resp.Shops = calls.sorted()
		return nil
	})
	return resp, err
}

// shopsEver returns the shops that goods moved to or from, and those of the book
// in force. A shop that the book no longer has still got what it got: it is
// looked for in the books before.
func (s lots) shopsEver(tx commissary.Tx, k *kitchen, moves []commissary.Movement) (map[string]commissary.Shop, error) {
	shops, gone := map[string]commissary.Shop{}, map[string]bool{}
	for _, shop := range k.Book.Shops {
		shops[shop.ID] = shop
	}
	for _, m := range moves {
		for _, place := range []string{m.Place, m.To} {
			if _, shop, van := commissary.VanOf(place); van {
				place = shop
			}
			if _, known := shops[place]; !known && place != "" && place != commissary.AtKitchen && place != commissary.AtReturns {
				gone[place] = true
			}
		}
	}
	for revision := k.Book.Revision - 1; revision > 0 && len(gone) > 0; revision-- {
		before, err := s.kitchen(tx, k.id(), revision)
		if commissary.KindOf(err) == commissary.Precondition {
			continue // a book by rules of before
		}
		if err != nil {
			return nil, err
		}
		for id := range gone {
			if shop, ok := before.shop(id); ok {
				shops[id] = shop
				delete(gone, id)
			}
		}
	}
	for id := range gone {
		shops[id] = commissary.Shop{ID: id, Name: id}
	}
	return shops, nil
}

// callList is which shops to call about which lots.
type callList struct {
	k     *kitchen
	shops map[string]commissary.Shop
	rows  map[stop]*v1.RecallShop
}

type stop struct{ shop, lot string }

func (c callList) row(shop string, n trace.Node) *v1.RecallShop {
	key := stop{shop, n.Code}
	if c.rows[key] == nil {
		s := c.shops[shop]
		c.rows[key] = &v1.RecallShop{ShopId: shop, ShopName: s.Name, Address: s.Address, Phone: s.Phone, NightPhone: s.NightPhone,
			LotCode: n.Code, Description: c.k.describe(n.Lot), Possible: n.Possible, HeldReason: n.Held}
	}
	return c.rows[key]
}

func (c callList) sorted() []*v1.RecallShop {
	return slices.SortedFunc(maps.Values(c.rows), func(a, b *v1.RecallShop) int {
		return cmp.Or(cmp.Compare(a.GetShopId(), b.GetShopId()), cmp.Compare(a.GetLotCode(), b.GetLotCode()))
	})
}

// recall writes what a recall needs from a trace, but for whom to call, which it
// puts on the list.
func (k *kitchen) recall(t trace.Trace, calls callList) *v1.GetRecallPackResponse {
	resp := &v1.GetRecallPackResponse{Site: k.Site(), RowsRead: t.Read, RowsReturned: t.Returned}
	nodes, ofBatch := map[string]trace.Node{}, map[string][]trace.Node{}
	for _, n := range t.Nodes {
		nodes[n.Code] = n
		if n.Batch != "" {
			ofBatch[n.Batch] = append(ofBatch[n.Batch], n)
		}
		if n.Side == trace.Itself {
			resp.Lot = k.Lot(n.Lot)
		}
		if n.Side != trace.CameFrom {
			resp.Lots = append(resp.Lots, k.traced(n))
		}
	}
	kitchen := at(k.Book.Kitchen.Name, k.Book.Kitchen.Address)
	for _, d := range t.Draws {
		in := nodes[d.Lot]
		for _, out := range ofBatch[d.Batch] {
			r := &v1.TransformingRecord{InputLotCode: k.traceCode(in.Lot), InputDescription: k.describe(in.Lot), InputQuantity: int64(d.Mass), InputUnit: "mg",
				LotCode: out.Code, Location: kitchen, CompletedDate: k.zone.Date(out.Made).String(), Description: k.describe(out.Lot),
				Unit: unitOf(out.Lot), DocumentType: "batch sheet", DocumentNumber: d.Batch, Possible: d.Possible}
			if out.Side != trace.CameFrom {
				r.Quantity = out.Balance.CameIn
			}
			resp.Transformings = append(resp.Transformings, r)
		}
	}
	for _, m := range slices.Concat(t.Receipts, t.Moves) {
		n := nodes[m.Lot]
		amount := -(int64(m.Pieces) + int64(m.Mass)) // one of them is zero
		source := kitchen
		if n.Ingredient != "" {
			source = n.Receipt.Supplier
		}
		if m.Kind == commissary.Received {
			resp.Receivings = append(resp.Receivings, &v1.ReceivingRecord{LotCode: k.traceCode(n.Lot), Quantity: -amount, Unit: unitOf(n.Lot), Description: k.describe(n.Lot),
				Source: n.Receipt.Supplier, ReceivedAt: kitchen, ReceivedDate: k.zone.Date(m.At).String(), LotCodeSource: source,
				DocumentType: "delivery note", DocumentNumber: m.Ref})
			continue
		}
		if _, ok := calls.shops[m.Place]; ok { // whatever happens there, until it is gone
			calls.row(m.Place, n).LeftPieces -= amount
		}
		run, vanShop, onVan := commissary.VanOf(m.To)
		shop, toShop := calls.shops[m.To]
		if fromRun, fromShop, from := commissary.VanOf(m.Place); from {
			row := calls.row(fromShop, n)
			row.UnderWayPieces -= amount
			row.RunIds = withRun(row.RunIds, fromRun)
		}
		if onVan {
			shop = calls.shops[vanShop]
			row := calls.row(vanShop, n)
			row.UnderWayPieces += amount
			row.RunIds = withRun(row.RunIds, run)
			spanned(row, m.At)
		}
		if toShop {
			row := calls.row(m.To, n)
			row.Pieces += amount
			row.LeftPieces += amount
			spanned(row, m.At)
			resp.Receivings = append(resp.Receivings, &v1.ReceivingRecord{LotCode: k.traceCode(n.Lot), Quantity: amount, Unit: unitOf(n.Lot), Description: k.describe(n.Lot),
				Source: calls.placeName(m.Place), ReceivedAt: at(shop.Name, shop.Address), ReceivedDate: k.zone.Date(m.At).String(), LotCodeSource: source,
				DocumentType: documentOf(m), DocumentNumber: m.Ref})
		}
		if _, _, van := commissary.VanOf(m.Place); onVan || toShop && !van {
			resp.Shippings = append(resp.Shippings, &v1.ShippingRecord{LotCode: k.traceCode(n.Lot), Quantity: amount, Unit: unitOf(n.Lot), Description: k.describe(n.Lot),
				Recipient: at(shop.Name, shop.Address), ShippedFrom: calls.placeName(m.Place), ShippedDate: k.zone.Date(m.At).String(), LotCodeSource: source,
				DocumentType: documentOf(m), DocumentNumber: m.Ref})
		}
	}
	return resp
}

// promised adds what is on the lists of runs that have not left: nobody may
// wait for its pick to be recorded before he calls the dock.
func (c callList) promised(tx commissary.Tx, t trace.Trace) error {
	nodes := map[string]trace.Node{}
	for _, n := range t.Down() {
		nodes[n.Code] = n
	}
	rides, err := tx.Rides(c.k.id()).Loading()
	if err != nil {
		return err
	}
	for _, r := range rides {
		d, err := tx.Dispatches(c.k.id()).Newest(r.Night)
		if err != nil {
			return err
		}
		for _, p := range d.Picks {
			n, ours := nodes[p.Lot]
			open := int64(r.Open(p, d.Revision))
			if !ours || p.Run != r.Run || open == 0 {
				continue
			}
			row := c.row(p.Shop, n)
			row.UnderWayPieces += open
			row.RunIds = withRun(row.RunIds, p.Run)
		}
	}
	return nil
}

// traceCode is a lot's traceability code: of what was bought in, the supplier's.
func (k *kitchen) traceCode(l commissary.Lot) string {
	if l.Ingredient != "" {
		return l.Receipt.Printed
	}
	return l.Code
}

func (k *kitchen) describe(l commissary.Lot) string {
	if l.Ingredient != "" {
		i, _ := k.ingredient(l.Ingredient)
		return i.Name
	}
	if i, ok := k.item(l.Item); ok {
		return i.Name
	}
	if f, err := k.formula(l.Formula); err == nil {
		return f.Name
	}
	return l.Item + l.Formula // the book no longer has it
}

func unitOf(l commissary.Lot) string {
	if l.Item != "" {
		return "pieces"
	}
	return "mg"
}

// placeName is a place with its address, as a record shows it.
func (c callList) placeName(place string) string {
	if s, ok := c.shops[place]; ok {
		return at(s.Name, s.Address)
	}
	return at(c.k.Book.Kitchen.Name, c.k.Book.Kitchen.Address)
}

func at(name, address string) string {
	if address == "" {
		return name
	}
	return name + ", " + address
}

func documentOf(m commissary.Movement) string {
	if m.Ref == "" {
		return "stock record"
	}
	return "manifest"
}

func withRun(runs []string, run string) []string {
	if slices.Contains(runs, run) {
		return runs
	}
	return append(runs, run)
}

// spanned widens the time in which a shop got a lot.
func spanned(row *v1.RecallShop, at time.Time) {
	if row.FirstTime == nil || at.Before(row.FirstTime.AsTime()) {
		row.FirstTime = timestamppb.New(at)
	}
	if row.LastTime == nil || at.After(row.LastTime.AsTime()) {
		row.LastTime = timestamppb.New(at)
	}
}
