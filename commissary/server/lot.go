package server

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type lots struct {
	v1.UnsafeLotServiceServer
	*core
}

func (s lots) CountStock(ctx context.Context, req *v1.CountStockRequest) (*v1.CountStockResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.CountStockResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		counted, err := wire.ReadCounts(k.Book, req.GetCounts())
		if err != nil {
			return nil, err
		}
		known, err := judgeCounts(w, k, counted)
		if err != nil {
			return nil, err
		}
		resp := &v1.CountStockResponse{}
		for i, l := range counted {
			was, ok := known[l.Code]
			if !ok {
				if err := w.Lots(id).Create(l); err != nil {
					return nil, err
				}
			}
			m := commissary.Movement{Lot: l.Code, Kind: commissary.Counted, Pieces: l.Pieces - was.Pieces, Mass: l.Mass - was.Mass, Place: l.Place,
				At: w.at, By: w.who, Ref: "count " + req.GetRequestId(), Why: req.GetCounts()[i].GetVarianceReason()}
			if err := w.Lots(id).Move(m); err != nil {
				return nil, err
			}
			if err := w.record(id, wire.LotName(id, l.Code), "counted at %s: %d pieces, %s; before %d pieces, %s", l.Place, l.Pieces, l.Mass, was.Pieces, was.Mass); err != nil {
				return nil, err
			}
			now, err := k.lot(w.Tx, l.Code)
			if err != nil {
				return nil, err
			}
			resp.Lots = append(resp.Lots, now)
		}
		return resp, nil
	})
}

// judgeCounts refuses counts that cannot be, and returns the lots among them
// that are known, with what is where they were counted.
func judgeCounts(w *writing, k *kitchen, counted []commissary.Lot) (map[string]commissary.Lot, error) {
	id, known := k.id(), map[string]commissary.Lot{}
	first := map[string]int{}
	var faults []commissary.Fault
	fault := func(i int, field, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: fmt.Sprintf("counts[%d]%s", i, field), Text: fmt.Sprintf(format, args...)})
	}
	for i, l := range counted {
		if j, twice := first[l.Code]; twice {
			fault(i, ".lot_code", "lot %s stands in counts[%d] already; write one line with the sum", l.Code, j)
			continue
		}
		first[l.Code] = i
		switch {
		case commissary.Misread(l.Code):
			fault(i, ".lot_code", "the check character of %s is wrong; read the label again", l.Code)
		case l.Item != "" && l.Mass != 0:
			fault(i, ".mass_mg", "an item is counted in pieces; leave the mass out")
		case l.Item == "" && l.Pieces != 0:
			fault(i, ".pieces", "a preferment or ingredient is weighed; leave the pieces out")
		case !k.place(l.Place):
			fault(i, ".place", "%q is neither the kitchen nor a shop of the book", l.Place)
		case l.Made.After(w.at):
			fault(i, ".made_time", "%s is still to come; write when its mixing ended", k.zone.Long(l.Made))
		}
		was, err := w.Lots(id).Get(l.Code)
		if err != nil {
			if commissary.KindOf(err) == commissary.NotFound {
				if l.Ingredient != "" {
					fault(i, ".lot_code", "lot %s of %s was never received; receive it first", l.Code, l.Ingredient)
				}
				continue
			}
			return nil, err
		}
		known[l.Code], err = there(w.Tx, id, was, l.Place)
		if err != nil {
			return nil, err
		}
		switch {
		case was.Ingredient != l.Ingredient:
			fault(i, "", "lot %s is known as %s; correct the line or the code", l.Code, what(was))
		case was.Item != l.Item || was.Formula != l.Formula:
			fault(i, "", "lot %s is known as %s of formula %s; correct the line or the code", l.Code, what(was), was.Formula)
		case l.Ingredient == "" && !was.Made.Equal(l.Made):
			fault(i, ".made_time", "lot %s is known to be of %s; correct the line or the code", l.Code, k.zone.Long(was.Made))
		}
	}
	if len(faults) == 0 {
		return known, nil
	}
	e := commissary.Refuse(commissary.Invalid, "COUNT_INVALID", "the count cannot be taken; correct the lines named here")
	e.Faults = faults
	return nil, e
}

func what(l commissary.Lot) string {
	switch {
	case l.Ingredient != "":
		return "ingredient " + l.Ingredient
	case l.Item == "":
		return "a preferment"
	}
	return "item " + l.Item
}

// there is a lot with what is at a place.
func there(tx commissary.Tx, id string, l commissary.Lot, place string) (commissary.Lot, error) {
	at, err := tx.Lots(id).At(l.Code)
	l.Place, l.Pieces, l.Mass = place, 0, 0
	for _, x := range at {
		if x.Place == place {
			l.Pieces, l.Mass = x.Pieces, x.Mass
		}
	}
	return l, err
}

// place reports whether stock may be counted at a place.
func (k *kitchen) place(place string) bool {
	_, shop := k.shop(place)
	return shop || place == commissary.AtKitchen || place == commissary.AtReturns
}

// lot is a lot as it stands now, with what is left of it at each place.
func (k *kitchen) lot(tx commissary.Tx, code string) (*v1.Lot, error) {
	l, err := tx.Lots(k.id()).Get(code)
	if err != nil {
		return nil, err
	}
	at, err := tx.Lots(k.id()).At(code)
	return k.windowed(k.Lot(l, at...), l), err
}

// waste is where MoveLot sends what is thrown away.
const waste = "waste"

func (s lots) MoveLot(ctx context.Context, req *v1.MoveLotRequest) (*v1.MoveLotResponse, error) {
	id, code, err := wire.ParseLot(req.GetName())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.MoveLotResponse, error) {
		k, err := s.kitchen(w.Tx, id, 0)
		if err != nil {
			return nil, err
		}
		l, err := w.Lots(id).Get(code)
		if err != nil {
			return nil, err
		}
		from := req.GetFrom()
		if from == "" {
			from = commissary.AtKitchen
		}
		m := commissary.Movement{Lot: code, Pieces: -quantity.Pieces(req.GetPieces()), Mass: -quantity.Mass(req.GetMassMg()),
			Place: from, To: req.GetTo(), At: w.at, By: w.who, Ref: req.GetReference(), Why: req.GetReason()}
		if m.Kind, err = k.move(l, from, req); err != nil {
			return nil, err
		}
		if m.Kind == commissary.Wasted {
			m.To = ""
		}
		if err := w.Lots(id).Move(m); err != nil {
			return nil, err
		}
		if err := w.record(id, wire.LotName(id, code), "%s: %d pieces, %s from %s to %s%s", strings.ToLower(string(m.Kind)), -m.Pieces, -m.Mass, from, req.GetTo(), because(m.Why)); err != nil {
			return nil, err
		}
		now, err := k.lot(w.Tx, code)
		if err != nil {
			return nil, err
		}
		return &v1.MoveLotResponse{Lot: now}, nil
	})
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return ": " + why
}

// move judges a move and says what kind it is. What left the kitchen's care
// comes back only to be thrown away.
func (k *kitchen) move(l commissary.Lot, from string, req *v1.MoveLotRequest) (commissary.MovementKind, error) {
	to := req.GetTo()
	var faults []commissary.Fault
	fault := func(field, format string, args ...any) {
		faults = append(faults, commissary.Fault{Where: field, Text: fmt.Sprintf(format, args...)})
	}
	sort := func(field, place string) string {
		if run, shop, van := commissary.VanOf(place); van {
			_, ok := k.shop(shop)
			if !ok || !slices.ContainsFunc(k.Runs, func(r commissary.Run) bool { return r.ID == run }) {
				fault(field, "%q names a run or a shop that the book does not have; write van/RUN/SHOP", place)
			}
			return "van"
		}
		if _, shop := k.shop(place); shop {
			return "shop"
		}
		if place != commissary.AtKitchen && place != commissary.AtReturns && (place != waste || field == "from") {
			fault(field, "%q is no place; write kitchen, returns, waste, van/RUN/SHOP or a shop's id", place)
		}
		return place
	}
	out, in := sort("from", from), sort("to", to)
	switch {
	case l.Item != "" && (req.GetPieces() == 0 || req.GetMassMg() != 0):
		fault("pieces", "lot %s is counted: say how many pieces, and no mass", l.Code)
	case l.Item == "" && (req.GetMassMg() == 0 || req.GetPieces() != 0):
		fault("mass_mg", "lot %s is weighed: say how much, and no pieces", l.Code)
	}
	if len(faults) > 0 {
		e := commissary.Refuse(commissary.Invalid, "MOVE_INVALID", "the move cannot be; correct the fields named here")
		e.Faults = faults
		return "", e
	}
	kinds := map[[2]string]commissary.MovementKind{
		{"kitchen", "van"}: commissary.Picked, {"kitchen", "shop"}: commissary.Delivered, {"van", "shop"}: commissary.Delivered,
		{"shop", "shop"}: commissary.Moved, {"shop", "van"}: commissary.Returned, {"shop", "returns"}: commissary.Returned, {"van", "returns"}: commissary.Returned,
		{"kitchen", waste}: commissary.Wasted, {"van", waste}: commissary.Wasted, {"shop", waste}: commissary.Wasted, {"returns", waste}: commissary.Wasted,
	}
	kind, ok := kinds[[2]string{out, in}]
	var e *commissary.Error
	switch {
	case !ok || from == to:
		e = commissary.Refuse(commissary.Precondition, "MOVE_REFUSED", "lot %s cannot go from %s to %s: what left the kitchen never goes back on sale; send it to returns, or to waste", l.Code, from, to)
	case kind == commissary.Returned && in == "van":
		e = commissary.Refuse(commissary.Precondition, "MOVE_REFUSED", "what rides back is no delivery: send it from %s to returns", from)
	case (kind == commissary.Returned || kind == commissary.Wasted) && req.GetReason() == "":
		e = commissary.Refuse(commissary.Precondition, "REASON_MISSING", "say why lot %s is %s", l.Code, strings.ToLower(string(kind)))
	case kind != commissary.Returned && kind != commissary.Wasted:
		return kind, free(l)
	default:
		return kind, nil
	}
	e.Meta = map[string]string{"lot": l.Code, "from": from, "to": to}
	return "", e
}

// called returns a lot by its code or, as people read it off a sack, by what is
// printed on a lot of one of some ingredients. It refuses what is printed on
// lots of several.
func called(lots commissary.Lots, code string, of ...string) (commissary.Lot, error) {
	l, err := lots.Get(code)
	if commissary.KindOf(err) != commissary.NotFound {
		return l, err
	}
	var printed []string
	for _, ingredient := range of {
		if full := commissary.IngredientLotCode(ingredient, code); len(full) <= 64 && !slices.Contains(printed, full) {
			printed = append(printed, full)
		}
	}
	found, err2 := lots.Of(printed)
	switch {
	case err2 != nil:
		return l, err2
	case len(found) == 0:
		return l, err
	case len(found) > 1:
		var codes []string
		for _, x := range found {
			codes = append(codes, x.Code)
		}
		return l, commissary.Refuse(commissary.Invalid, "LOT_NOT_CLEAR", "%q is printed on several lots; say which: %s", code, strings.Join(codes, ", "))
	}
	return found[0], nil
}

// called returns a lot by its code or by what is printed on it.
func (k *kitchen) called(tx commissary.Tx, code string) (commissary.Lot, error) {
	var all []string
	for _, i := range k.Ingredients {
		all = append(all, i.ID)
	}
	return called(tx.Lots(k.id()), code, all...)
}

func (s lots) GetLot(ctx context.Context, req *v1.GetLotRequest) (*v1.GetLotResponse, error) {
	id, code, err := wire.ParseLot(req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &v1.GetLotResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		l, err := k.called(tx, code)
		if err != nil {
			return err
		}
		code = l.Code
		moves, err := tx.Lots(id).Movements(code)
		if err != nil {
			return err
		}
		holds, err := tx.Lots(id).Holds(code)
		if err != nil {
			return err
		}
		at, err := tx.Lots(id).At(code)
		if err != nil {
			return err
		}
		resp.Lot, resp.Movements, resp.Holds = k.windowed(k.Lot(l, at...), l), nil, nil
		for _, m := range moves {
			resp.Movements = append(resp.Movements, wire.Movement(m))
		}
		for _, h := range holds {
			resp.Holds = append(resp.Holds, wire.Hold(h))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (s lots) ListLots(ctx context.Context, req *v1.ListLotsRequest) (*v1.ListLotsResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListLotsResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		read := func(after string, limit int) ([]commissary.Lot, error) {
			return onHand(tx, id, req.GetPlace(), after, limit)
		}
		if !req.GetOnHandOnly() && req.GetPlace() == "" {
			read = tx.Lots(id).List
		}
		rows, next, err := page(ctx, req, []string{id, fmt.Sprint(req.GetOnHandOnly()), req.GetPlace()}, read, func(l commissary.Lot) string { return l.Code })
		if err != nil {
			return err
		}
		resp.Lots, resp.NextPageToken = nil, next
		for _, l := range rows {
			at, err := tx.Lots(id).At(l.Code)
			if err != nil {
				return err
			}
			resp.Lots = append(resp.Lots, k.windowed(k.Lot(l, at...), l))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// onHand is the part of the lots on hand that follows a code: with what is at
// a place, or, where none is named, with what is at the kitchen.
func onHand(tx commissary.Tx, id, place, after string, limit int) ([]commissary.Lot, error) {
	all, err := tx.Lots(id).OnHand()
	if err != nil {
		return nil, err
	}
	var rows []commissary.Lot
	for _, l := range all {
		if l.Code <= after || place != "" && l.Place != place {
			continue
		}
		if place == "" {
			last := len(rows) - 1
			here := l.Place == commissary.AtKitchen
			if !here {
				l.Pieces, l.Mass, l.Place = 0, 0, commissary.AtKitchen
			}
			if last >= 0 && rows[last].Code == l.Code {
				if here {
					rows[last] = l
				}
				continue
			}
		}
		if len(rows) == limit {
			break
		}
		rows = append(rows, l)
	}
	return rows, nil
}
