package server

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/formula"
	"doughrun/commissary/quantity"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// mostVarianceNights is over how many nights variances are worked out at once.
const mostVarianceNights = 400

func (s batches) ListVariances(ctx context.Context, req *v1.ListVariancesRequest) (*v1.ListVariancesResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	first, err := civil.ParseDate(req.GetFirstNightDate())
	last := first
	if err == nil {
		last, err = civil.ParseDate(req.GetLastNightDate())
	}
	if err != nil || last.Compare(first) < 0 || last.Days(first) > mostVarianceNights {
		e := commissary.Refuse(commissary.Invalid, "NIGHTS_INVALID", "write a first night and a last one, at most %d nights after it", mostVarianceNights)
		e.Faults = []commissary.Fault{{Where: "last_night_date", Text: "it is not within reach of the first night"}}
		return nil, e
	}
	resp := &v1.ListVariancesResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		all, err := k.variances(tx, first, last)
		if err != nil {
			return err
		}
		rows, next, err := page(ctx, req, []string{id, first.String(), last.String()}, func(after string, limit int) ([]*v1.Variance, error) {
			at := slices.IndexFunc(all, func(v *v1.Variance) bool { return varianceKey(v) > after })
			if at < 0 {
				return nil, nil
			}
			return all[at:min(at+limit, len(all))], nil
		}, varianceKey)
		resp.Variances, resp.NextPageToken = rows, next
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func varianceKey(v *v1.Variance) string {
	return v.GetFormulaId() + "\x00" + v.GetVesselId() + "\x00" + v.GetShiftId()
}

// variances compares every batch of some nights that came out, or was thrown
// away, with its plan.
func (k *kitchen) variances(tx commissary.Tx, first, last civil.Date) ([]*v1.Variance, error) {
	rows := map[string]*v1.Variance{}
	type sums struct{ temp, late int64 }
	sum := map[string]*sums{}
	for date := first; date.Compare(last) <= 0; date = date.AddDays(1) {
		batches, err := tx.Batches(k.id()).List(date, "", 0)
		if err != nil {
			return nil, err
		}
		slices.SortStableFunc(batches, func(a, b commissary.PostedBatch) int { return a.Started.Compare(b.Started) })
		for _, b := range batches {
			if b.State != commissary.BatchOut && b.State != commissary.BatchScrapped || b.Started.IsZero() {
				continue
			}
			v := &v1.Variance{FormulaId: b.Formula, VesselId: b.Vessel, ShiftId: k.shiftAt(b.Started)}
			key := varianceKey(v)
			if rows[key] == nil {
				m := k.Batch(b)
				v.FormulaName, v.VesselName = m.GetFormulaName(), m.GetVesselName()
				rows[key], sum[key] = v, &sums{}
			}
			v = rows[key]
			o, out := b.Outcome()
			if !out {
				o = planned(b, b.Finished)
			}
			f, err := k.formula(b.Formula)
			if err != nil {
				continue // its formula is no longer in the book: no target, no prices
			}
			cost, unpriced, err := k.cost(f, o.Mass, 0)
			if err != nil {
				return nil, err
			}
			for _, u := range unpriced {
				if !slices.Contains(v.UnpricedIngredientIds, u) {
					v.UnpricedIngredientIds = append(v.UnpricedIngredientIds, u)
					slices.Sort(v.UnpricedIngredientIds)
				}
			}
			if b.State == commissary.BatchScrapped {
				v.Scrapped++
				v.WasteMinor += cost
				continue
			}
			v.Batches++
			v.CostMinor += cost
			var planned, actual int64
			for _, m := range b.Makes {
				planned += int64(m.Pieces)
			}
			for _, m := range o.Makes {
				actual += int64(m.Pieces)
			}
			v.PlannedPieces, v.ActualPieces = v.PlannedPieces+planned, v.ActualPieces+actual
			v.PlannedMassMg, v.ActualMassMg = v.PlannedMassMg+int64(b.Mass), v.ActualMassMg+int64(o.Mass)
			off, is := planned, actual
			if planned == 0 {
				off, is = int64(b.Mass), int64(o.Mass)
			}
			if off > 0 {
				ppm, err := quantity.MulDiv(is-off, int64(quantity.Whole), off, quantity.Nearest)
				if err != nil {
					return nil, err
				}
				v.OffPpm = append(v.OffPpm, ppm)
			}
			if o.Probed && f.Target != 0 {
				v.Probed++
				sum[key].temp += int64(o.Temp - f.Target)
			}
			sum[key].late += int64(o.Made.Sub(b.MixEnd) / time.Second)
			wasted, err := k.wasted(tx, b.ID, actual, cost)
			if err != nil {
				return nil, err
			}
			v.WasteMinor += wasted
		}
	}
	var all []*v1.Variance
	for key, v := range rows {
		if v.Probed > 0 {
			v.TempOffMillicelsius = proto.Int32(int32(sum[key].temp / int64(v.Probed)))
		}
		if v.Batches > 0 {
			v.LateSeconds = sum[key].late / int64(v.Batches)
		}
		all = append(all, v)
	}
	slices.SortFunc(all, func(a, b *v1.Variance) int { return strings.Compare(varianceKey(a), varianceKey(b)) })
	return all, nil
}

// wasted is what of a batch's cost was thrown away later as pieces.
func (k *kitchen) wasted(tx commissary.Tx, batch string, pieces, cost int64) (int64, error) {
	if pieces == 0 || cost == 0 {
		return 0, nil
	}
	lots, err := tx.Lots(k.id()).MadeBy([]string{batch})
	if err != nil {
		return 0, err
	}
	var codes []string
	for _, l := range lots {
		codes = append(codes, l.Code)
	}
	moves, err := tx.Lots(k.id()).Moves(codes)
	if err != nil {
		return 0, err
	}
	var thrown int64
	for _, m := range moves {
		if m.Kind == commissary.Wasted {
			thrown -= int64(m.Pieces)
		}
	}
	return quantity.MulDiv(cost, thrown, pieces, quantity.Nearest)
}

// cost is what the ingredients of so much of a formula cost, those of its
// preferments and preps included, and which of them have no price. Water costs
// nothing.
func (k *kitchen) cost(f commissary.Formula, mass quantity.Mass, deep int) (int64, []string, error) {
	sheet, err := formula.Weigh(k.Book, f, mass)
	if err != nil {
		return 0, nil, err
	}
	var total int64
	var unpriced []string
	for _, l := range sheet.Lines {
		var more int64
		switch {
		case l.Kind == commissary.Water:
		case l.Ingredient != "":
			i, _ := k.ingredient(l.Ingredient)
			if i.PricePerKg == 0 {
				unpriced = append(unpriced, i.ID)
			}
			more, err = quantity.MulDiv(int64(l.Mass), i.PricePerKg, int64(quantity.Kilogram), quantity.Nearest)
		case deep < 5: // a starter is fed from itself
			var sub commissary.Formula
			if sub, err = k.formula(l.ID()); err == nil {
				var mixed quantity.Mass
				if mixed, err = formula.ToMix(sub, l.Mass); err == nil {
					var none []string
					more, none, err = k.cost(sub, mixed, deep+1)
					unpriced = append(unpriced, none...)
				}
			}
		}
		if err != nil {
			return 0, nil, err
		}
		total += more
	}
	return total, unpriced, nil
}

// shiftAt is the shift an instant falls into, empty for none.
func (k *kitchen) shiftAt(at time.Time) string {
	date := k.zone.Date(at)
	for _, s := range k.Shifts {
		if s.Days.Has(date.Weekday()) && !at.Before(k.zone.Instant(date, s.From)) && at.Before(k.zone.Instant(date, s.To)) {
			return s.ID
		}
	}
	return ""
}
