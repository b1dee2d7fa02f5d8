package store

import "doughrun/commissary"

type books struct {
	*tx
	kitchen string
}

func (b books) Append(r commissary.BookRevision) error {
	err := b.follows("the kitchen book", r.Revision, newestBook, b.kitchen)
	if err != nil {
		return err
	}
	_, err = b.insert("books", "kitchen, revision, source, adopted_at, adopted_by", listed(1, 5),
		b.kitchen, r.Revision, bytes(r.Source), micros(r.Adopted), r.By)
	return err
}

func (b books) Newest() (commissary.BookRevision, error) {
	return one(b.tx, "BOOK_NOT_FOUND", "kitchen book adopted yet", scanBook,
		`SELECT revision, source, adopted_at, adopted_by FROM books WHERE kitchen = $1 ORDER BY revision DESC LIMIT 1`, b.kitchen)
}

const newestBook = `SELECT coalesce(max(revision), 0) FROM books WHERE kitchen = $1`

// Revision does not touch the row itself, which is long.
func (b books) Revision() (n int, err error) {
	err = b.each(func(s scan) error { return s(&n) }, newestBook, b.kitchen)
	return n, err
}

func (b books) Get(revision int) (commissary.BookRevision, error) {
	return one(b.tx, "BOOK_NOT_FOUND", numbered("revision", revision)+" of the kitchen book", scanBook,
		`SELECT revision, source, adopted_at, adopted_by FROM books WHERE kitchen = $1 AND revision = $2`, b.kitchen, revision)
}

func (b books) List(before, limit int) ([]commissary.BookRevision, error) {
	return list(b.tx, scanBook,
		`SELECT revision, NULL, adopted_at, adopted_by FROM books WHERE kitchen = $1 AND ($2 = 0 OR revision < $2) ORDER BY revision DESC LIMIT $3`,
		b.kitchen, before, most(limit))
}

func scanBook(s scan) (r commissary.BookRevision, err error) {
	err = s(&r.Revision, &r.Source, instant{&r.Adopted}, &r.By)
	return r, err
}

func (t *tx) Kitchens() ([]string, error) {
	return list(t.in(everyKitchen), func(s scan) (id string, err error) {
		err = s(&id)
		return id, err
	}, `SELECT DISTINCT kitchen FROM books ORDER BY kitchen`)
}
