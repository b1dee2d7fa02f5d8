package server

import (
	"context"
	"fmt"
	"slices"
	"time"

	"doughrun/commissary"
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
		around, err := k.aroundBatch(tx, b, now)
		if err != nil {
			return err
		}
		resp.Batch = k.Batch(b)
		k, changed, err := k.declaring(tx, now)
		if err != nil {
			return err
		}
		if resp.Sheet, err = k.sheet(b.Batch, around); err != nil {
			return err
		}
		for _, l := range resp.Sheet.GetLines() {
			if text := changed[l.GetId()]; text != "" {
				resp.Sheet.Warnings = append(resp.Sheet.Warnings, text)
			}
		}
		return nil
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
		if err := k.sheetInForce(w.Tx, b, req.GetPage()); err != nil {
			return nil, err
		}
		if _, err := k.draws(w.Tx, b.Batch, w.at, true); err != nil {
			return nil, err
		}
		if err := k.usable(w.Tx, b.Batch, w.at); err != nil {
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
	actual, err := wire.ReadActual(req.GetActual())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.FinishBatchResponse, error) {
		k, b, err := s.take(w, req.GetName(), req.GetEtag(), commissary.BatchMixing)
		if err != nil {
			return nil, err
		}
		o, err := k.outcome(w, b, planned(b, w.at), actual, req.GetConfirm())
		if err != nil {
			return nil, err
		}
		o.Why = req.GetExpiredReason()
		used, err := k.draws(w.Tx, b.Batch, w.at, false)
		if err != nil {
			return nil, err
		}
		taken, notes, err := k.ingredients(w.Tx, b, o, actual.Lots, req.GetExpiredReason())
		if err != nil {
			return nil, err
		}
		again, more, err := k.reworked(w.Tx, b, o, actual.Rework, nil)
		if err != nil {
			return nil, err
		}
		o.Notes = append(notes, more...)
		for _, u := range used {
			taken = append(taken, commissary.Draw{Batch: b.ID, Lot: u.Lot, Mass: u.Mass})
		}
		taken = append(taken, again...)
		b.State, b.Finished = commissary.BatchOut, w.at
		b.Outcomes = append(b.Outcomes, o)
		b.Revision++
		if err := w.Batches(k.id()).Put(b); err != nil {
			return nil, err
		}
		if err := s.measured(w, k.id(), b, o); err != nil {
			return nil, err
		}
		if err := w.use(k.id(), taken); err != nil {
			return nil, err
		}
		lots, err := k.lotsOf(b)
		if err != nil {
			return nil, err
		}
		until, err := k.notAfter(w.Tx, b, o, taken)
		if err != nil {
			return nil, err
		}
		resp := &v1.FinishBatchResponse{Batch: k.Batch(b)}
		for i := range lots {
			lots[i].NotAfter = until
			l := lots[i]
			if err := w.Lots(k.id()).Create(l); err != nil {
				return nil, err
			}
			if err := w.Lots(k.id()).Move(commissary.Movement{Lot: l.Code, Kind: commissary.Made, Pieces: l.Pieces, Mass: l.Mass, Place: l.Place, At: w.at, By: w.who, Ref: b.ID}); err != nil {
				return nil, err
			}
			if lots[i].Held, err = w.inherit(k.id(), l.Code, taken); err != nil {
				return nil, err
			}
			resp.Lots = append(resp.Lots, k.windowed(k.Lot(lots[i], l), l))
		}
		how := "as planned"
		if req.GetActual() != nil {
			how = "with what was noted"
		}
		if err := w.record(k.id(), wire.BatchName(k.id(), b.ID), "finished %s, %d lots%s", how, len(resp.Lots), sentences(o.Far)); err != nil {
			return nil, err
		}
		return resp, nil
	})
}

func (s batches) ScrapBatch(ctx context.Context, req *v1.ScrapBatchRequest) (*v1.ScrapBatchResponse, error) {
	return update(ctx, s.core, req, func(w *writing) (*v1.ScrapBatchResponse, error) {
		k, b, err := s.take(w, req.GetName(), req.GetEtag(), commissary.BatchPosted, commissary.BatchMixing)
		if err != nil {
			return nil, err
		}
		var taken []commissary.Draw
		if b.State == commissary.BatchMixing {
			// What is not there by the records was taken all the same.
			used, err := k.draws(w.Tx, b.Batch, w.at, false)
			if err != nil && commissary.KindOf(err) != commissary.Precondition {
				return nil, err
			}
			for _, u := range used {
				taken = append(taken, commissary.Draw{Batch: b.ID, Lot: u.Lot, Mass: u.Mass})
			}
			more, _, err := k.ingredients(w.Tx, b, planned(b, w.at), nil, req.GetReason())
			if err != nil {
				return nil, err
			}
			taken = append(taken, more...)
		}
		b.State, b.Finished, b.ScrapBy, b.ScrapWhy = commissary.BatchScrapped, w.at, w.who, req.GetReason()
		b.Revision++
		if err := w.Batches(k.id()).Put(b); err != nil {
			return nil, err
		}
		if err := w.use(k.id(), taken); err != nil {
			return nil, err
		}
		if err := w.record(k.id(), wire.BatchName(k.id(), b.ID), "scrapped: %s", req.GetReason()); err != nil {
			return nil, err
		}
		return &v1.ScrapBatchResponse{Batch: k.Batch(b)}, nil
	})
}

func (s batches) CorrectBatch(ctx context.Context, req *v1.CorrectBatchRequest) (*v1.CorrectBatchResponse, error) {
	actual, err := wire.ReadActual(req.GetActual())
	if err != nil {
		return nil, err
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.CorrectBatchResponse, error) {
		k, b, err := s.take(w, req.GetName(), req.GetEtag(), commissary.BatchOut)
		if err != nil {
			return nil, err
		}
		before, ok := b.Outcome()
		if !ok {
			before = planned(b, b.Finished)
		}
		o, err := k.outcome(w, b, before, actual, req.GetConfirm())
		if err != nil {
			return nil, err
		}
		o.Why, o.Place = req.GetReason(), before.Place
		was, err := k.lotsOf(b)
		if err != nil {
			return nil, err
		}
		drawn, err := w.Lots(k.id()).DrawnBy([]string{b.ID})
		if err != nil {
			return nil, err
		}
		taken, notes, err := k.rebooked(w.Tx, b, before, o, actual.Lots, drawn)
		if err != nil {
			return nil, err
		}
		again, more, err := k.reworked(w.Tx, b, o, actual.Rework, drawn)
		if err != nil {
			return nil, err
		}
		taken, o.Notes = append(taken, again...), append(notes, more...)
		b.Outcomes = append(b.Outcomes, o)
		b.Revision++
		if err := w.Batches(k.id()).Put(b); err != nil {
			return nil, err
		}
		if err := s.measured(w, k.id(), b, o); err != nil {
			return nil, err
		}
		if err := w.reuse(k.id(), drawn, taken, req.GetReason()); err != nil {
			return nil, err
		}
		if drawn, err = w.Lots(k.id()).DrawnBy([]string{b.ID}); err != nil {
			return nil, err
		}
		until, err := k.notAfter(w.Tx, b, o, drawn)
		if err != nil {
			return nil, err
		}
		now, err := k.lotsOf(b)
		if err != nil {
			return nil, err
		}
		resp := &v1.CorrectBatchResponse{Batch: k.Batch(b)}
		for i, l := range now {
			l.NotAfter = until
			d := commissary.Movement{Lot: l.Code, Kind: commissary.Corrected, Pieces: l.Pieces, Mass: l.Mass, Place: l.Place, At: w.at, By: w.who, Ref: b.ID, Why: req.GetReason()}
			if i < len(was) {
				d.Pieces, d.Mass = l.Pieces-was[i].Pieces, l.Mass-was[i].Mass
				if err := w.Lots(k.id()).Amend(l); err != nil {
					return nil, err
				}
			} else if err := w.Lots(k.id()).Create(l); err != nil {
				return nil, err
			}
			if d.Pieces != 0 || d.Mass != 0 {
				if err := w.Lots(k.id()).Move(d); err != nil {
					return nil, err
				}
			}
			if _, err := w.inherit(k.id(), l.Code, taken); err != nil {
				return nil, err
			}
			m, err := k.lot(w.Tx, l.Code)
			if err != nil {
				return nil, err
			}
			resp.Lots = append(resp.Lots, m)
		}
		if err := w.record(k.id(), wire.BatchName(k.id(), b.ID), "corrected: %s%s", req.GetReason(), sentences(o.Far)); err != nil {
			return nil, err
		}
		return resp, nil
	})
}

// take returns the batch that somebody is about to move on from one of some states.
func (s batches) take(w *writing, name, etag string, from ...commissary.BatchState) (*kitchen, commissary.PostedBatch, error) {
	id, batch, err := wire.ParseBatch(name)
	if err != nil {
		return nil, commissary.PostedBatch{}, err
	}
	b, err := w.Batches(id).Get(batch)
	if err != nil {
		return nil, b, err
	}
	k, err := s.kitchen(w.Tx, id, 0)
	if err != nil {
		return nil, b, err
	}
	if !slices.Contains(from, b.State) {
		e := commissary.Refuse(commissary.Precondition, "BATCH_"+string(b.State), "batch %s is %s, not %s; look at it again before going on", b.ID, b.State, from[0])
		if o, out := b.Outcome(); out {
			e.Text = fmt.Sprintf("batch %s is %s since %s, recorded by %s, not %s; look at it again, and correct it where it is wrong", b.ID, b.State, k.zone.Long(o.At), o.By, from[0])
		}
		e.Meta = map[string]string{"batch": b.ID, "state": string(b.State)}
		return nil, b, e
	}
	if err := matches(etag, b.Revision, "batch "+b.ID); err != nil {
		return nil, b, err
	}
	if w.at.Before(b.Started) || w.at.Before(b.Finished) {
		e := commissary.Refuse(commissary.Precondition, "CLOCK_BACKWARDS", "the service's clock says %s, before what is recorded of batch %s; set the clock right, then go on",
			k.zone.Long(w.at), b.ID)
		e.Meta = map[string]string{"batch": b.ID, "time": w.at.Format(time.RFC3339)}
		return nil, b, e
	}
	return k, b, nil
}

// draws returns what a batch takes of preferments and preps, each as a lot. It
// refuses what is not there: a batch that is not out yet, a lot that holds too
// little, and where it still can be left alone one that is held or past its time.
func (k *kitchen) draws(tx commissary.Tx, b commissary.Batch, at time.Time, free bool) ([]commissary.Use, error) {
	var used []commissary.Use
	wanted := map[string]commissary.Use{}
	for _, u := range b.Uses {
		if u.Batch != "" {
			u.Lot = commissary.LotCode(u.Batch, 0)
		}
		l, err := tx.Lots(k.id()).Get(u.Lot)
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
		case free && l.Held != "":
			text = "lot " + u.Lot + ", which it takes from, is on hold (" + l.Held + ")"
		case free && past(k.keeps(l), at):
			text = "lot " + l.Code + ", which it takes from, is past its time; throw it away, and plan again"
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

func past(by, at time.Time) bool { return !by.IsZero() && !by.After(at) }
