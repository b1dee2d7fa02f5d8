package server

import (
	"context"
	"errors"
	"strconv"
	"strings"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type audits struct {
	v1.UnsafeAuditServiceServer
	*core
}

func (s audits) ListChanges(ctx context.Context, req *v1.ListChangesRequest) (*v1.ListChangesResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListChangesResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		if _, err := s.kitchen(tx, id, 0); err != nil {
			return err
		}
		rows, next, err := page(ctx, req, []string{id, req.GetSubject()}, func(after string, limit int) ([]commissary.Change, error) {
			return changesUnder(tx.Changes(id), req.GetSubject(), after, limit)
		}, func(c commissary.Change) string { return strconv.FormatInt(c.Seq, 10) })
		resp.Changes, resp.NextPageToken = nil, next
		for _, c := range rows {
			resp.Changes = append(resp.Changes, wire.Change(c))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// changesUnder returns changes of a resource and what hangs under it: lots/A1
// and not lots/A10.
func changesUnder(all commissary.Changes, subject, key string, limit int) ([]commissary.Change, error) {
	after, _ := strconv.ParseInt(key, 10, 64) // the empty key begins at the first
	var rows []commissary.Change
	for {
		some, err := all.List(subject, after, limit)
		if err != nil {
			return nil, err
		}
		for _, c := range some {
			after = c.Seq
			if rest, ok := strings.CutPrefix(c.Subject, subject); ok && (subject == "" || rest == "" || rest[0] == '/') && len(rows) < limit {
				rows = append(rows, c)
			}
		}
		if len(rows) == limit || len(some) < limit {
			return rows, nil
		}
	}
}

func (s audits) VerifyChain(ctx context.Context, req *v1.VerifyChainRequest) (*v1.VerifyChainResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	resp := &v1.VerifyChainResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		if _, err := s.kitchen(tx, id, 0); err != nil {
			return err
		}
		rows, err := tx.Changes(id).Verify()
		resp.Verified, resp.BrokenSequence, resp.AlteredFacts = rows, 0, nil
		var e *commissary.Error
		if errors.As(err, &e) && e.Kind == commissary.Precondition {
			resp.BrokenSequence = rows + 1
			if e.Reason == "FACTS_ALTERED" {
				resp.BrokenSequence = 0
				for _, f := range e.Faults {
					resp.AlteredFacts = append(resp.AlteredFacts, f.Text)
				}
			}
			err = nil
		}
		if err != nil || rows == 0 {
			return err
		}
		last, err := tx.Changes(id).List("", rows-1, 1)
		if err == nil && len(last) > 0 {
			resp.LastHash = last[0].Hash
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}
