package server

import (
	"context"
	"slices"
	"strconv"
	"sync"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/ferment"
	"doughrun/commissary/safety"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

type kitchens struct {
	v1.UnsafeKitchenServiceServer
	*core
}

func (s kitchens) AdoptBook(ctx context.Context, req *v1.AdoptBookRequest) (*v1.AdoptBookResponse, error) {
	kitchen, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	file := req.GetFileName()
	if file == "" {
		file = "book"
	}
	b, err := book.Read(file, req.GetSource(), safety.Judge, ferment.Judge)
	if err != nil {
		return nil, err
	}
	if b.Kitchen.ID != kitchen {
		e := commissary.Refuse(commissary.Invalid, "KITCHEN_DIFFERS", "the book is that of kitchen %q, not of %q; correct the id in the book or the name in the request", b.Kitchen.ID, kitchen)
		e.Faults = []commissary.Fault{{Where: "kitchen", Text: "the book says " + strconv.Quote(b.Kitchen.ID)}}
		return nil, e
	}
	return update(ctx, s.core, req, func(w *writing) (*v1.AdoptBookResponse, error) {
		newest, err := w.Books(kitchen).Revision()
		if err != nil {
			return nil, err
		}
		if err := matches(req.GetEtag(), newest, "the book of kitchen "+kitchen); err != nil {
			return nil, err
		}
		r := commissary.BookRevision{Revision: newest + 1, Source: req.GetSource(), Adopted: w.at, By: w.who}
		if err := w.Books(kitchen).Append(r); err != nil {
			return nil, err
		}
		if err := w.record(kitchen, wire.BookName(kitchen, r.Revision), "book adopted as revision %d", r.Revision); err != nil {
			return nil, err
		}
		return &v1.AdoptBookResponse{Revision: wire.BookRevision(kitchen, r)}, nil
	})
}

func (s kitchens) GetBook(ctx context.Context, req *v1.GetBookRequest) (*v1.GetBookResponse, error) {
	id, revision, err := wire.ParseBook(req.GetName())
	if err != nil {
		return nil, err
	}
	resp := &v1.GetBookResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		k, err := s.kitchen(tx, id, revision)
		if err != nil {
			return err
		}
		r, err := tx.Books(id).Get(k.Revision)
		if err != nil {
			return err
		}
		resp.Revision, resp.Source, resp.Catalogue = wire.BookRevision(id, r), r.Source, k.Catalogue()
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

func (s kitchens) ListBookRevisions(ctx context.Context, req *v1.ListBookRevisionsRequest) (*v1.ListBookRevisionsResponse, error) {
	id, err := wire.ParseKitchen(req.GetKitchen())
	if err != nil {
		return nil, err
	}
	resp := &v1.ListBookRevisionsResponse{}
	err = s.view(ctx, func(tx commissary.Tx, _ time.Time) error {
		rows, next, err := page(ctx, req, []string{id}, func(after string, limit int) ([]commissary.BookRevision, error) {
			return tx.Books(id).List(revisionIn(after), limit)
		}, func(r commissary.BookRevision) string { return strconv.Itoa(r.Revision) })
		resp.Revisions, resp.NextPageToken = nil, next
		for _, r := range rows {
			resp.Revisions = append(resp.Revisions, wire.BookRevision(id, r))
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// revisionIn reads the key of a list of revisions; 0 begins with the newest.
func revisionIn(key string) int {
	n, err := strconv.Atoi(key)
	if err != nil {
		return 0
	}
	return n
}

// matches refuses a change that was not decided on the newest revision.
func matches(etag string, newest int, what string) error {
	sent, err := wire.ReadETag(etag)
	if err != nil {
		return err
	}
	if sent == newest {
		return nil
	}
	meta := map[string]string{"etag": strconv.Itoa(newest)}
	var e *commissary.Error
	switch {
	case newest == 0:
		e = commissary.Refuse(commissary.Conflict, "ETAG_STALE", "%s is not there; leave the etag out to make the first one", what)
	case sent == 0:
		e = commissary.Refuse(commissary.Conflict, "ETAG_MISSING", "%s is there already, at revision %d; read it, decide again, and send its etag", what, newest)
	default:
		e = commissary.Refuse(commissary.Conflict, "ETAG_STALE", "%s is at revision %d, and the change was decided on revision %d; read it again and decide again", what, newest, sent)
	}
	e.Meta = meta
	return e
}

// kitchen is one book revision made ready for answering.
type kitchen struct {
	commissary.Book
	*wire.Writer
	zone *civil.Zone
}

func (k *kitchen) id() string { return k.Book.Kitchen.ID }

func (k *kitchen) item(id string) (commissary.Item, bool) {
	i := slices.IndexFunc(k.Items, func(x commissary.Item) bool { return x.ID == id })
	if i < 0 {
		return commissary.Item{}, false
	}
	return k.Items[i], true
}

func (k *kitchen) shop(id string) (commissary.Shop, bool) {
	i := slices.IndexFunc(k.Shops, func(x commissary.Shop) bool { return x.ID == id })
	if i < 0 {
		return commissary.Shop{}, false
	}
	return k.Shops[i], true
}

// kitchen returns a kitchen by a revision of its book, 0 for the newest.
func (c *core) kitchen(tx commissary.Tx, id string, revision int) (*kitchen, error) {
	if revision == 0 {
		var err error
		if revision, err = tx.Books(id).Revision(); err != nil {
			return nil, err
		}
		if revision == 0 {
			e := commissary.Refuse(commissary.NotFound, "KITCHEN_NOT_FOUND", "there is no kitchen %q; check the name, or adopt its book first", id)
			e.Meta = map[string]string{"kitchen": id}
			return nil, e
		}
	}
	if k := c.books.get(id, revision); k != nil {
		return k, nil
	}
	r, err := tx.Books(id).Get(revision)
	if err != nil {
		return nil, err
	}
	b, err := book.Read("book revision "+strconv.Itoa(revision), r.Source)
	if err != nil {
		// It was judged when it was adopted: an older program knew other rules.
		e := commissary.Refuse(commissary.Precondition, "BOOK_OUTDATED", "revision %d of the book no longer passes; adopt a corrected one: %v", revision, err)
		return nil, e
	}
	b.Revision = revision
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	if err != nil {
		return nil, err
	}
	k := &kitchen{Book: b, Writer: wire.For(b), zone: zone}
	c.books.put(id, revision, k)
	return k, nil
}

// shelf keeps books that were read: a revision never changes.
type shelf struct {
	mu    sync.Mutex
	books map[bookKey]*kitchen
}

type bookKey struct {
	kitchen  string
	revision int
}

const mostOnShelf = 64

func newShelf() *shelf { return &shelf{books: map[bookKey]*kitchen{}} }

func (s *shelf) get(id string, revision int) *kitchen {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.books[bookKey{id, revision}]
}

func (s *shelf) put(id string, revision int, k *kitchen) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.books) >= mostOnShelf {
		clear(s.books)
	}
	s.books[bookKey{id, revision}] = k
}
