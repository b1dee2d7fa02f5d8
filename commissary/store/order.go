package store

import (
	"database/sql"
	"strconv"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

type orders struct {
	*tx
	kitchen string
}

func (o orders) Append(order commissary.Order) error {
	const newest = `SELECT coalesce(max(revision), 0) FROM orders WHERE kitchen = $1 AND night = $2 AND shop = $3`
	n, err := o.insert("orders", "kitchen, night, shop, revision, state, closed, submitted_by, submitted_at, late_by, late_why, phoned_by",
		`SELECT $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11 WHERE $4 = 1 + (`+newest+`)`,
		o.kitchen, order.Night.String(), order.Shop, order.Revision, string(order.State), order.Closed,
		order.By, micros(order.Submitted), order.LateBy, order.LateWhy, order.Phoned)
	if err != nil {
		return err
	}
	if n == 0 {
		return o.follows("the order of "+order.Shop+" of "+order.Night.String(), order.Revision, newest, o.kitchen, order.Night.String(), order.Shop)
	}
	return o.appendLines(order)
}

// linesTogether is how many lines one statement writes at most.
const linesTogether = 50

func (o orders) appendLines(order commissary.Order) error {
	night := order.Night.String()
	twice := map[commissary.OrderLine]bool{}
	for begin := 0; begin < len(order.Lines); begin += linesTogether {
		var args []any
		lines := order.Lines[begin:min(begin+linesTogether, len(order.Lines))]
		for i, l := range lines {
			key := commissary.OrderLine{Item: l.Item, BakeDate: l.BakeDate}
			if twice[key] {
				return commissary.Refuse(commissary.Invalid, "LINE_TWICE",
					"line %d of the order of %s wants %s for %s a second time; write one line with the sum", begin+i+1, order.Shop, l.Item, l.BakeDate)
			}
			twice[key] = true
			args = append(args, o.kitchen, night, order.Shop, order.Revision, begin+i+1, l.Item, int64(l.Pieces), l.BakeDate.String())
		}
		_, err := o.insert("order_lines", "kitchen, night, shop, revision, line, item, pieces, bake_date", listed(len(lines), 8), args...)
		if err != nil {
			return err
		}
	}
	return nil
}

func (o orders) Get(night civil.Date, shop string) (commissary.Order, error) {
	found, err := o.read(`night = $2 AND shop = $3 ORDER BY revision DESC LIMIT 1`, night.String(), shop)
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

// newest reads the newest revisions that match, by night and shop. The condition is one of those above.
func (o orders) newest(condition string, limit int, night, shop string) ([]commissary.Order, error) {
	return o.read(condition+` AND revision = (
			SELECT max(r.revision) FROM orders r
			WHERE r.kitchen = orders.kitchen AND r.night = orders.night AND r.shop = orders.shop)
		ORDER BY night, shop LIMIT $4`, night, shop, most(limit))
}

// read reads revisions, one row each with its lines in one text.
func (o orders) read(which string, args ...any) ([]commissary.Order, error) {
	return list(o.tx, func(s scan) (h commissary.Order, err error) {
		var lines sql.NullString
		err = s(day{&h.Night}, &h.Shop, &h.Revision, &h.State, &h.Closed, &h.By, instant{&h.Submitted}, &h.LateBy, &h.LateWhy, &h.Phoned, &lines)
		if err == nil && lines.Valid {
			h.Lines, err = readLines(lines.String)
		}
		return h, err
	}, `SELECT night, shop, revision, state, closed, submitted_by, submitted_at, late_by, late_why, phoned_by, (
			SELECT string_agg(l.bake_date || ' ' || CAST(l.pieces AS TEXT) || ' ' || l.item, '`+lineEnd+`' ORDER BY l.line) FROM order_lines l
			WHERE l.kitchen = orders.kitchen AND l.night = orders.night AND l.shop = orders.shop AND l.revision = orders.revision)
		FROM orders
		WHERE kitchen = $1 AND `+which, append([]any{o.kitchen}, args...)...)
}

// lineEnd is in no item's id.
const lineEnd = "\n"

func readLines(text string) ([]commissary.OrderLine, error) {
	var lines []commissary.OrderLine
	for line := range strings.SplitSeq(text, lineEnd) {
		bake, rest, _ := strings.Cut(line, " ")
		pieces, item, _ := strings.Cut(rest, " ")
		n, err := strconv.ParseInt(pieces, 10, 64)
		if err != nil {
			return nil, err
		}
		l := commissary.OrderLine{Item: item, Pieces: quantity.Pieces(n)}
		if err := l.BakeDate.UnmarshalText([]byte(bake)); err != nil {
			return nil, err
		}
		lines = append(lines, l)
	}
	return lines, nil
}
