package server

import (
	"context"
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/formula"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type batches struct {
	v1.UnsafeBatchServiceServer
	*core
}

func (s batches) GetBatch(ctx context.Context, req *v1.GetBatchRequest) (*v1.GetBatchResponse, error) {
	id, batch, err := wire.ParseBatch(req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &v1.GetBatchResponse{}
	err = s.view(ctx, func(tx commissary.Tx, now time.Time) error {
		b, err := tx.Batches(id).Get(batch)
		if err != nil {
			return err
		}
		p, err := tx.Plans(id).Get(b.Night, b.Plan)
		if err != nil {
			return err
		}
		k, err := s.kitchen(tx, id, p.BookRev)
		if err != nil {
			return err
		}
		around, err := aroundBatch(tx, id, b, now)
		if err != nil {
			return err
		}
		resp.Batch = k.Batch(b)
		resp.Sheet, err = k.sheet(b.Batch, around)
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (s batches) ListBatches(ctx context.Context, req *v1.ListBatchesRequest) (*v1.ListBatchesResponse, error) {
	id, date, err := wire.ParseNight(req.GetNight())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListBatchesResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, 0)
		if err != nil {
			return err
		}
		rows, next, err := page(ctx, req, []string{id, date.String()}, func(after string, limit int) ([]commissary.PostedBatch, error) {
			return tx.Batches(id).List(date, after, limit)
		}, func(b commissary.PostedBatch) string { return b.ID })
		resp.Batches, resp.NextPageToken = nil, next
		for _, b := range rows {
			resp.Batches = append(resp.Batches, k.Batch(b))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (s batches) StartBatch(ctx context.Context, req *v1.StartBatchRequest) (*v1.StartBatchResponse, error) {
	return update(ctx, s.core, req, func(w *writing) (*v1.StartBatchResponse, error) {
		k, b, err := s.take(w, req.GetName(), req.GetEtag(), commissary.BatchPosted)
		if err != nil {
			return nil, err
		}
		if _, err := draws(w.Tx, k.id(), b.Batch); err != nil {
			return nil, err
		}
		b.State, b.Started = commissary.BatchMixing, w.at
		b.Revision++
		if err := w.Batches(k.id()).Put(b); err != nil {
			return nil, err
		}
		if err := w.record(k.id(), wire.BatchName(k.id(), b.ID), "started"); err != nil {
			return nil, err
		}
		return &v1.StartBatchResponse{Batch: k.Batch(b)}, nil
	})
}

func (s batches) FinishBatch(ctx context.Context, req *v1.FinishBatchRequest) (*v1.FinishBatchResponse, error) {
	return update(ctx, s.core, req, func(w *writing) (*v1.FinishBatchResponse, error) {
		k, b, err := s.take(w, req.GetName(), req.GetEtag(), commissary.BatchMixing)
		if err != nil {
			return nil, err
		}
		used, err := draws(w.Tx, k.id(), b.Batch)
		if err != nil {
			return nil, err
		}
		for _, u := range used {
			if err := w.Lots(k.id()).Move(commissary.Movement{Lot: u.Lot, Kind: commissary.Used, Mass: -u.Mass, At: w.at, By: w.who, Ref: b.ID}); err != nil {
				return nil, err
			}
		}
		b.State, b.Finished = commissary.BatchOut, w.at
		b.Revision++
		if err := w.Batches(k.id()).Put(b); err != nil {
			return nil, err
		}
		resp := &v1.FinishBatchResponse{Batch: k.Batch(b)}
		lots, err := lotsOf(k.Book, b)
		if err != nil {
			return nil, err
		}
		for _, l := range lots {
			if err := w.Lots(k.id()).Create(l); err != nil {
				return nil, err
			}
			if err := w.Lots(k.id()).Move(commissary.Movement{Lot: l.Code, Kind: commissary.Made, Pieces: l.Pieces, Mass: l.Mass, At: w.at, By: w.who, Ref: b.ID}); err != nil {
				return nil, err
			}
			resp.Lots = append(resp.Lots, k.Lot(l))
		}
		if err := w.record(k.id(), wire.BatchName(k.id(), b.ID), "finished as planned, %d lots", len(resp.Lots)); err != nil {
			return nil, err
		}
		return resp, nil
	})
}

// take returns the batch that a baker is about to move on from a state.
func (s batches) take(w *writing, name, etag string, from commissary.BatchState) (*kitchen, commissary.PostedBatch, error) {
	id, batch, err := wire.ParseBatch(name)
	if err != nil {
		return nil, commissary.PostedBatch{}, err
	}
	b, err := w.Batches(id).Get(batch)
	if err != nil {
		return nil, b, err
	}
	if b.State != from {
		e := commissary.Refuse(commissary.Precondition, "BATCH_"+string(b.State), "batch %s is %s, not %s; look at it again before going on", b.ID, b.State, from)
		e.Meta = map[string]string{"batch": b.ID, "state": string(b.State)}
		return nil, b, e
	}
	if err := matches(etag, b.Revision, "batch "+b.ID); err != nil {
		return nil, b, err
	}
	k, err := s.kitchen(w.Tx, id, 0)
	return k, b, err
}

// draws returns what a batch takes, each as a lot. It refuses what is not
// there: a batch that is not out yet, a lot that is held or holds too little.
func draws(tx commissary.Tx, id string, b commissary.Batch) ([]commissary.Use, error) {
	var used []commissary.Use
	wanted := map[string]commissary.Use{}
	for _, u := range b.Uses {
		if u.Batch != "" {
			u.Lot = commissary.LotCode(u.Batch, 0)
		}
		l, err := tx.Lots(id).Get(u.Lot)
		if err != nil && commissary.KindOf(err) != commissary.NotFound {
			return nil, err
		}
		sum := wanted[u.Lot]
		sum.Mass += u.Mass
		wanted[u.Lot] = sum
		var text string
		switch {
		case err != nil && u.Batch != "":
			text = "batch " + u.Batch + ", which it takes from, is not out yet; finish that one first"
		case err != nil:
			text = "lot " + u.Lot + ", which it takes from, is not known; count it in first"
		case l.Held != "":
			text = "lot " + u.Lot + ", which it takes from, is on hold (" + l.Held + ")"
		case l.Mass < sum.Mass:
			text = "lot " + u.Lot + ", which it takes " + sum.Mass.String() + " from, holds " + l.Mass.String() + "; count it, and plan again"
		default:
			used = append(used, commissary.Use{Lot: u.Lot, Mass: u.Mass})
			continue
		}
		e := commissary.Refuse(commissary.Precondition, "NOT_THERE", "batch %s cannot go on: %s", b.ID, text)
		e.Meta = map[string]string{"batch": b.ID, "lot": u.Lot}
		return nil, e
	}
	return used, nil
}

// lotsOf returns what a batch leaves when it goes as planned: a lot for each
// item it makes, or one of its mass. Age zero is the end of mixing: as long
// after the start as it was planned, and no later than the batch was finished.
// What is mixed less what sticks to the tub is the mass.
func lotsOf(book commissary.Book, b commissary.PostedBatch) ([]commissary.Lot, error) {
	made := b.Finished
	for _, s := range b.Steps {
		if s.Step != commissary.StepMix {
			continue
		}
		if t := b.Started.Add(b.MixEnd.Sub(s.From)); t.Before(made) {
			made = t
		}
		break
	}
	lot := commissary.Lot{Formula: b.Formula, Made: made, Place: atKitchen, Batch: b.ID}
	if len(b.Makes) == 0 {
		// What sticks to the tub is not in the lot.
		at := slices.IndexFunc(book.Formulas, func(f commissary.Formula) bool { return f.ID == b.Formula })
		if at < 0 {
			return nil, commissary.Refuse(commissary.Precondition, "FORMULA_GONE", "batch %s is of formula %q, which the kitchen book no longer has: adopt a book that has it, then finish the batch", b.ID, b.Formula)
		}
		out, err := formula.ComesOut(book.Formulas[at], b.Mass)
		if err != nil {
			return nil, err
		}
		lot.Code, lot.Mass = commissary.LotCode(b.ID, 0), out
		return []commissary.Lot{lot}, nil
	}
	var lots []commissary.Lot
	for i, m := range b.Makes {
		lot.Code, lot.Item, lot.Pieces = commissary.LotCode(b.ID, i+1), m.Item, m.Pieces
		lots = append(lots, lot)
	}
	return lots, nil
}
