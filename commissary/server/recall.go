package server

import (
	"cmp"
	"context"
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
		t, err := trace.Follow(tx.Lots(id), code)
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
		resp = k.recall(t)
		return k.promisedTo(tx, t, resp)
	})
	return resp, err
}

// recall writes what a recall needs from a trace.
func (k *kitchen) recall(t trace.Trace) *v1.GetRecallPackResponse {
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
	type stop struct{ shop, lot string }
	stops := map[stop]*v1.RecallShop{}
	shopRow := func(place string, n trace.Node) *v1.RecallShop {
		key := stop{place, n.Code}
		if stops[key] == nil {
			shop, _ := k.shop(place)
			stops[key] = &v1.RecallShop{ShopId: place, ShopName: shop.Name, Address: shop.Address, Phone: shop.Phone, NightPhone: shop.NightPhone,
				LotCode: n.Code, Description: k.describe(n.Lot), Possible: n.Possible, HeldReason: n.Held}
		}
		return stops[key]
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
		if _, ok := k.shop(m.Place); ok { // whatever happens there, until it is gone
			shopRow(m.Place, n).LeftPieces -= amount
		}
		run, vanShop, onVan := commissary.VanOf(m.To)
		shop, toShop := k.shop(m.To)
		if fromRun, fromShop, from := commissary.VanOf(m.Place); from {
			row := shopRow(fromShop, n)
			row.UnderWayPieces -= amount
			row.RunIds = withRun(row.RunIds, fromRun)
		}
		if onVan {
			shop, _ = k.shop(vanShop)
			row := shopRow(vanShop, n)
			row.UnderWayPieces += amount
			row.RunIds = withRun(row.RunIds, run)
			spanned(row, m.At)
		}
		if toShop {
			row := shopRow(m.To, n)
			row.Pieces += amount
			row.LeftPieces += amount
			spanned(row, m.At)
			resp.Receivings = append(resp.Receivings, &v1.ReceivingRecord{LotCode: k.traceCode(n.Lot), Quantity: amount, Unit: unitOf(n.Lot), Description: k.describe(n.Lot),
				Source: k.placeName(m.Place), ReceivedAt: at(shop.Name, shop.Address), ReceivedDate: k.zone.Date(m.At).String(), LotCodeSource: source,
				DocumentType: documentOf(m), DocumentNumber: m.Ref})
		}
		if _, _, van := commissary.VanOf(m.Place); onVan || toShop && !van {
			resp.Shippings = append(resp.Shippings, &v1.ShippingRecord{LotCode: k.traceCode(n.Lot), Quantity: amount, Unit: unitOf(n.Lot), Description: k.describe(n.Lot),
				Recipient: at(shop.Name, shop.Address), ShippedFrom: k.placeName(m.Place), ShippedDate: k.zone.Date(m.At).String(), LotCodeSource: source,
				DocumentType: documentOf(m), DocumentNumber: m.Ref})
		}
	}
	for _, row := range stops {
		resp.Shops = append(resp.Shops, row)
	}
	sortShops(resp.Shops)
	return resp
}

// promisedTo adds what is on the lists of runs that have not left: nobody may
// wait for its pick to be recorded before he calls the dock.
func (k *kitchen) promisedTo(tx commissary.Tx, t trace.Trace, resp *v1.GetRecallPackResponse) error {
	rides, err := tx.Rides(k.id()).Loading()
	if err != nil {
		return err
	}
	for _, r := range rides {
		d, err := tx.Dispatches(k.id()).Newest(r.Night)
		if err != nil {
			return err
		}
		for _, p := range d.Picks {
			n := slices.IndexFunc(t.Nodes, func(n trace.Node) bool { return n.Code == p.Lot && n.Side != trace.CameFrom })
			open := int64(r.Open(p, d.Revision))
			if n < 0 || p.Run != r.Run || open == 0 {
				continue
			}
			i := slices.IndexFunc(resp.Shops, func(s *v1.RecallShop) bool { return s.GetShopId() == p.Shop && s.GetLotCode() == p.Lot })
			if i < 0 {
				shop, _ := k.shop(p.Shop)
				resp.Shops = append(resp.Shops, &v1.RecallShop{ShopId: p.Shop, ShopName: shop.Name, Address: shop.Address, Phone: shop.Phone, NightPhone: shop.NightPhone,
					LotCode: p.Lot, Description: k.describe(t.Nodes[n].Lot), Possible: t.Nodes[n].Possible, HeldReason: t.Nodes[n].Held})
				i = len(resp.Shops) - 1
			}
			resp.Shops[i].UnderWayPieces += open
			resp.Shops[i].RunIds = withRun(resp.Shops[i].RunIds, p.Run)
		}
	}
	sortShops(resp.Shops)
	return nil
}

func sortShops(shops []*v1.RecallShop) {
	slices.SortFunc(shops, func(a, b *v1.RecallShop) int {
		return cmp.Or(cmp.Compare(a.GetShopId(), b.GetShopId()), cmp.Compare(a.GetLotCode(), b.GetLotCode()))
	})
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
func (k *kitchen) placeName(place string) string {
	if s, ok := k.shop(place); ok {
		return at(s.Name, s.Address)
	}
	return at(k.Book.Kitchen.Name, k.Book.Kitchen.Address)
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
