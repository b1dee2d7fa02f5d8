package store

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
)

type counts struct {
	*tx
	kitchen string
}

func (c counts) Put(n commissary.Count) error {
	night := n.Night.String()
	_, err := c.exec(`INSERT INTO counts (kitchen, night, shop, counted_at, counted_by) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (kitchen, night, shop) DO UPDATE SET counted_at = excluded.counted_at, counted_by = excluded.counted_by`,
		c.kitchen, night, n.Shop, micros(n.At), n.By)
	if err != nil {
		return err
	}
	if _, err := c.exec(`DELETE FROM count_lines WHERE kitchen = $1 AND night = $2 AND shop = $3`, c.kitchen, night, n.Shop); err != nil {
		return err
	}
	for i, l := range n.Lines {
		kept, err := c.exec(`INSERT INTO count_lines (kitchen, night, shop, item, made, pieces) VALUES ($1, $2, $3, $4, $5, $6)
			ON CONFLICT DO NOTHING`, c.kitchen, night, n.Shop, l.Item, label(l.Made), int64(l.Pieces))
		if err != nil {
			return err
		}
		if kept == 0 {
			return commissary.Refuse(commissary.Invalid, "LINE_TWICE",
				"line %d of the count of %s has %s of one label a second time; write one line with the sum", i+1, n.Shop, l.Item)
		}
	}
	return nil
}

// label is how the date of a label is kept.
func label(d civil.Date) string {
	if d.IsZero() {
		return ""
	}
	return d.String()
}

func (c counts) Get(night civil.Date, shop string) (commissary.Count, error) {
	n, err := one(c.tx, "COUNT_NOT_FOUND", "count of "+shop+" of the night of "+night.String(), func(s scan) (n commissary.Count, err error) {
		err = s(day{&n.Night}, &n.Shop, instant{&n.At}, &n.By)
		return n, err
	}, `SELECT night, shop, counted_at, counted_by FROM counts WHERE kitchen = $1 AND night = $2 AND shop = $3`, c.kitchen, night.String(), shop)
	if err != nil {
		return n, err
	}
	n.Lines, err = list(c.tx, func(s scan) (l commissary.CountLine, err error) {
		err = s(&l.Item, day{&l.Made}, &l.Pieces)
		return l, err
	}, `SELECT item, made, pieces FROM count_lines WHERE kitchen = $1 AND night = $2 AND shop = $3 ORDER BY item, made`, c.kitchen, night.String(), shop)
	return n, err
}

func (c counts) PutSale(s commissary.Sale) error {
	_, err := c.exec(`INSERT INTO sales (kitchen, shop, item, day, pieces, kind) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (kitchen, shop, item, day) DO UPDATE SET pieces = excluded.pieces, kind = excluded.kind`,
		c.kitchen, s.Shop, s.Item, s.Day.String(), int64(s.Pieces), string(s.Kind))
	return err
}

func (c counts) Sales(shop string, since civil.Date) ([]commissary.Sale, error) {
	return list(c.tx, func(s scan) (v commissary.Sale, err error) {
		err = s(&v.Shop, &v.Item, day{&v.Day}, &v.Pieces, &v.Kind)
		return v, err
	}, `SELECT shop, item, day, pieces, kind FROM sales WHERE kitchen = $1 AND shop = $2 AND day >= $3 ORDER BY item, day`,
		c.kitchen, shop, since.String())
}

func (c counts) PutFit(f commissary.Fit) error {
	_, err := c.exec(`INSERT INTO fits (kitchen, shop, item, through, document) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (kitchen, shop, item) DO UPDATE SET through = excluded.through, document = excluded.document`,
		c.kitchen, f.Shop, f.Item, f.Through.String(), string(f.Text))
	return err
}

func (c counts) Fits(shop string) ([]commissary.Fit, error) {
	return list(c.tx, func(s scan) (f commissary.Fit, err error) {
		err = s(&f.Shop, &f.Item, day{&f.Through}, &f.Text)
		return f, err
	}, `SELECT shop, item, through, document FROM fits WHERE kitchen = $1 AND shop = $2 ORDER BY item`, c.kitchen, shop)
}

func (c counts) ForgetFit(shop, item string) error {
	_, err := c.exec(`DELETE FROM fits WHERE kitchen = $1 AND shop = $2 AND item = $3`, c.kitchen, shop, item)
	return err
}

func (c counts) Unlearned(since civil.Date) ([]commissary.Fit, error) {
	return list(c.tx, func(s scan) (f commissary.Fit, err error) {
		err = s(&f.Shop, &f.Item, day{&f.Through})
		return f, err
	}, `SELECT s.shop, s.item, s.newest FROM (
			SELECT shop, item, max(day) AS newest FROM sales WHERE kitchen = $1 AND day >= $2 GROUP BY shop, item
		) s
		LEFT JOIN fits f ON f.kitchen = $1 AND f.shop = s.shop AND f.item = s.item
		WHERE f.through IS NULL OR f.through < s.newest
		ORDER BY s.shop, s.item`, c.kitchen, since.String())
}

func (c counts) SalesOn(shop string, days []civil.Date) ([]commissary.Sale, error) {
	var names []string
	for _, d := range days {
		names = append(names, d.String())
	}
	return list(c.tx, func(s scan) (v commissary.Sale, err error) {
		err = s(&v.Shop, &v.Item, day{&v.Day}, &v.Pieces, &v.Kind)
		return v, err
	}, `SELECT shop, item, day, pieces, kind FROM sales WHERE kitchen = $1 AND shop = $2 AND day IN (`+c.dialect.texts("$3")+`) ORDER BY item, day`,
		c.kitchen, shop, array(names))
}
