package store

import (
	"database/sql"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

type orders struct {
	*tx
	kitchen string
}

func (o orders) Append(order commissary.Order) error {
	err := o.follows("the order of "+order.Shop+" of "+order.Night.String(), order.Revision,
		`SELECT coalesce(max(revision), 0) FROM orders WHERE kitchen = $1 AND night = $2 AND shop = $3`,
		o.kitchen, order.Night.String(), order.Shop)
	if err != nil {
		return err
	}
	_, err = o.exec(`INSERT INTO orders (kitchen, night, shop, revision, state, closed, submitted_by, submitted_at, late_by, late_why, phoned_by)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
		o.kitchen, order.Night.String(), order.Shop, order.Revision, string(order.State), order.Closed,
		order.By, micros(order.Submitted), order.LateBy, order.LateWhy, order.Phoned)
	if err != nil {
		return err
	}
	for i, l := range order.Lines {
		n, err := o.exec(`INSERT INTO order_lines (kitchen, night, shop, revision, line, item, pieces, bake_date)
			VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT DO NOTHING`,
			o.kitchen, order.Night.String(), order.Shop, order.Revision, i+1, l.Item, int64(l.Pieces), l.BakeDate.String())
		if err != nil {
			return err
		}
		if n == 0 {
			return commissary.Refuse(commissary.Invalid, "LINE_TWICE",
				"line %d of the order of %s wants %s for %s a second time; write one line with the sum", i+1, order.Shop, l.Item, l.BakeDate)
		}
	}
	return nil
}

func (o orders) Get(night civil.Date, shop string) (commissary.Order, error) {
	found, err := o.newest(`night = $2 AND shop = $3`, 1, night.String(), shop)
	if err != nil {
		return commissary.Order{}, err
	}
	if len(found) == 0 {
		return commissary.Order{}, commissary.Refuse(commissary.NotFound, "ORDER_NOT_FOUND",
			"there is no order of %s of the night of %s; check the name", shop, night)
	}
	return found[0], nil
}

func (o orders) List(night civil.Date, after string, limit int) ([]commissary.Order, error) {
	return o.newest(`night = $2 AND shop > $3`, limit, night.String(), after)
}

func (o orders) Since(from civil.Date) ([]commissary.Order, error) {
	return o.newest(`night >= $2 AND shop >= $3`, 0, from.String(), "")
}

// newest reads the newest revisions that match, by night and shop, each with
// its lines: one row a line, or one row alone for an order without lines. The
// condition is one of those above.
func (o orders) newest(condition string, limit int, night, shop string) ([]commissary.Order, error) {
	var all []commissary.Order
	err := o.each(func(s scan) error {
		var (
			h    commissary.Order
			item sql.NullString
			n    sql.NullInt64
			bake sql.NullString
		)
		err := s(day{&h.Night}, &h.Shop, &h.Revision, &h.State, &h.Closed, &h.By, instant{&h.Submitted}, &h.LateBy, &h.LateWhy, &h.Phoned,
			&item, &n, &bake)
		if err != nil {
			return err
		}
		if len(all) == 0 || all[len(all)-1].Shop != h.Shop || all[len(all)-1].Night != h.Night {
			all = append(all, h)
		}
		if !item.Valid {
			return nil
		}
		l := commissary.OrderLine{Item: item.String, Pieces: quantity.Pieces(n.Int64)}
		if err := l.BakeDate.UnmarshalText([]byte(bake.String)); err != nil {
			return err
		}
		last := &all[len(all)-1]
		last.Lines = append(last.Lines, l)
		return nil
	}, `SELECT h.night, h.shop, h.revision, h.state, h.closed, h.submitted_by, h.submitted_at, h.late_by, h.late_why, h.phoned_by,
			l.item, l.pieces, l.bake_date
		FROM (
			SELECT * FROM orders
			WHERE kitchen = $1 AND `+condition+` AND revision = (
				SELECT max(r.revision) FROM orders r
				WHERE r.kitchen = orders.kitchen AND r.night = orders.night AND r.shop = orders.shop)
			ORDER BY night, shop LIMIT $4
		) h
		LEFT JOIN order_lines l ON l.kitchen = h.kitchen AND l.night = h.night AND l.shop = h.shop AND l.revision = h.revision
		ORDER BY h.night, h.shop, l.line`,
		o.kitchen, night, shop, most(limit))
	if err != nil {
		return nil, err
	}
	return all, nil
}
