package store

import (
	"database/sql"
	"encoding/json"
	"time"

	"doughrun/commissary"
)

type lots struct {
	*tx
	kitchen string
}

func (l lots) Create(lot commissary.Lot) error {
	receipt, err := l.encode(lot.Receipt)
	if err != nil {
		return err
	}
	n, err := l.exec(`INSERT INTO lots (kitchen, code, item, formula, ingredient, made_at, place, batch, held, receipt, off, not_after)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, '', $9, $10, $11) ON CONFLICT (kitchen, code) DO NOTHING`,
		l.kitchen, lot.Code, lot.Item, lot.Formula, lot.Ingredient, micros(lot.Made), commissary.AtKitchen,
		sql.NullString{String: lot.Batch, Valid: lot.Batch != ""}, receipt, int64(lot.Off), micros(lot.NotAfter))
	if err != nil {
		return err
	}
	if n == 0 {
		return commissary.Refuse(commissary.Conflict, "LOT_EXISTS", "lot %s is there already; read it and decide again", lot.Code)
	}
	if lot.Held == "" {
		return nil
	}
	return l.Hold(commissary.Hold{Lot: lot.Code, Cause: lot.Code, Why: lot.Held, At: lot.Made})
}

func (l lots) Amend(lot commissary.Lot) error {
	receipt, err := l.encode(lot.Receipt)
	if err != nil {
		return err
	}
	n, err := l.exec(`UPDATE lots SET made_at = $3, receipt = $4, off = $5, not_after = $6 WHERE kitchen = $1 AND code = $2`,
		l.kitchen, lot.Code, micros(lot.Made), receipt, int64(lot.Off), micros(lot.NotAfter))
	if err == nil && n == 0 {
		_, err = l.Get(lot.Code)
	}
	return err
}

// Move adds to what is at its places by a trigger of the schema.
func (l lots) Move(m commissary.Movement) error {
	place := m.Place
	if place == "" {
		place = commissary.AtKitchen
	}
	n, err := l.exec(`INSERT INTO movements (kitchen, lot, kind, pieces, mass, moved_at, moved_by, ref, place, to_place, why)
		SELECT kitchen, code, $3, $4, $5, $6, $7, $8, $9, $10, $11 FROM lots
		WHERE kitchen = $1 AND code = $2
			AND coalesce((SELECT pieces FROM stocks WHERE kitchen = $1 AND lot = $2 AND place = $9), 0) + $4 >= 0
			AND coalesce((SELECT mass FROM stocks WHERE kitchen = $1 AND lot = $2 AND place = $9), 0) + $5 >= 0`,
		l.kitchen, m.Lot, string(m.Kind), int64(m.Pieces), int64(m.Mass), micros(m.At), m.By, m.Ref, place, m.To, m.Why)
	if err != nil || n > 0 {
		return err
	}
	if _, err := l.Get(m.Lot); err != nil {
		return err
	}
	kept := commissary.Lot{}
	err = l.each(func(s scan) error { return s(&kept.Pieces, &kept.Mass) },
		`SELECT pieces, mass FROM stocks WHERE kitchen = $1 AND lot = $2 AND place = $3`, l.kitchen, m.Lot, place)
	if err != nil {
		return err
	}
	e := commissary.Refuse(commissary.Precondition, "LOT_OVERDRAWN",
		"lot %s holds %d pieces and %s at %s, so %d pieces and %s cannot be moved; count it and correct", m.Lot, kept.Pieces, kept.Mass, place, m.Pieces, m.Mass)
	e.Meta = map[string]string{"lot": m.Lot, "place": place}
	return e
}

func (l lots) Get(code string) (commissary.Lot, error) {
	return one(l.tx, "LOT_NOT_FOUND", "lot "+code, scanLot, inKitchen+` WHERE l.kitchen = $1 AND l.code = $2`, l.kitchen, code)
}

func (l lots) At(code string) ([]commissary.Lot, error) {
	return list(l.tx, scanLot, atPlaces+` WHERE s.kitchen = $1 AND s.lot = $2 AND (s.pieces > 0 OR s.mass > 0) ORDER BY s.place`, l.kitchen, code)
}

func (l lots) Movements(code string) ([]commissary.Movement, error) {
	if _, err := l.Get(code); err != nil {
		return nil, err
	}
	return l.Moves([]string{code})
}

func (l lots) OnHand() ([]commissary.Lot, error) {
	return list(l.tx, scanLot, atPlaces+` WHERE s.kitchen = $1 AND (s.pieces > 0 OR s.mass > 0) ORDER BY s.lot, s.place`, l.kitchen)
}

func (l lots) List(after string, limit int) ([]commissary.Lot, error) {
	return list(l.tx, scanLot, inKitchen+` WHERE l.kitchen = $1 AND l.code > $2 ORDER BY l.code LIMIT $3`, l.kitchen, after, most(limit))
}

func (l lots) Hold(h commissary.Hold) error {
	n, err := l.exec(`INSERT INTO holds (kitchen, lot, cause, why, held_at, held_by) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (kitchen, lot, cause) WHERE released_at IS NULL DO NOTHING`,
		l.kitchen, h.Lot, h.Cause, h.Why, micros(h.At), h.By)
	if err != nil || n == 0 {
		return err
	}
	return l.mark(h.Lot)
}

func (l lots) Free(cause, why, by string, at time.Time) ([]string, error) {
	codes, err := list(l.tx, func(s scan) (code string, err error) { return code, s(&code) },
		`SELECT lot FROM holds WHERE kitchen = $1 AND cause = $2 AND released_at IS NULL ORDER BY lot`, l.kitchen, cause)
	if err != nil {
		return nil, err
	}
	if len(codes) == 0 {
		return nil, commissary.Refuse(commissary.NotFound, "HOLD_NOT_FOUND", "no hold began with lot %s; a lot made from a held one is freed with that one", cause)
	}
	_, err = l.exec(`UPDATE holds SET released_at = $3, released_by = $4, released_why = $5 WHERE kitchen = $1 AND cause = $2 AND released_at IS NULL`,
		l.kitchen, cause, micros(at), by, why)
	for _, code := range codes {
		if err == nil {
			err = l.mark(code)
		}
	}
	return codes, err
}

// mark shows a lot's oldest hold in force in its row.
func (l lots) mark(code string) error {
	_, err := l.exec(`UPDATE lots SET held = coalesce((SELECT why FROM holds
		WHERE kitchen = $1 AND lot = $2 AND released_at IS NULL ORDER BY seq LIMIT 1), '') WHERE kitchen = $1 AND code = $2`, l.kitchen, code)
	return err
}

func (l lots) Holds(code string) ([]commissary.Hold, error) {
	return list(l.tx, func(s scan) (h commissary.Hold, err error) {
		return h, s(&h.Lot, &h.Cause, &h.Why, instant{&h.At}, &h.By)
	}, `SELECT lot, cause, why, held_at, held_by FROM holds WHERE kitchen = $1 AND lot = $2 AND released_at IS NULL ORDER BY seq`, l.kitchen, code)
}

func (l lots) Draw(d commissary.Draw) error {
	_, err := l.exec(`INSERT INTO draws (kitchen, batch, lot, mass, possible, pieces) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (kitchen, batch, lot) DO UPDATE SET mass = CASE WHEN draws.mass > excluded.mass THEN draws.mass ELSE excluded.mass END,
			possible = draws.possible AND excluded.possible,
			pieces = CASE WHEN draws.pieces > excluded.pieces THEN draws.pieces ELSE excluded.pieces END`,
		l.kitchen, d.Batch, d.Lot, int64(d.Mass), d.Possible, int64(d.Pieces))
	return err
}

func (l lots) Redraw(d commissary.Draw) error {
	_, err := l.exec(`INSERT INTO draws (kitchen, batch, lot, mass, possible, pieces) VALUES ($1, $2, $3, $4, $5, $6)
		ON CONFLICT (kitchen, batch, lot) DO UPDATE SET mass = excluded.mass, possible = excluded.possible, pieces = excluded.pieces`,
		l.kitchen, d.Batch, d.Lot, int64(d.Mass), d.Possible, int64(d.Pieces))
	return err
}

func (l lots) Change(c commissary.InUse) error {
	_, err := l.exec(`INSERT INTO in_use (kitchen, ingredient, lot, kind, changed_at, changed_by, why) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		l.kitchen, c.Ingredient, sql.NullString{String: c.Lot, Valid: c.Lot != ""}, string(c.Kind), micros(c.At), c.By, c.Why)
	return err
}

func (l lots) Changes(ingredient string) ([]commissary.InUse, error) {
	return list(l.tx, func(s scan) (c commissary.InUse, err error) {
		var lot sql.NullString
		err = s(&c.Ingredient, &lot, &c.Kind, instant{&c.At}, &c.By, &c.Why)
		c.Lot = lot.String
		return c, err
	}, `SELECT ingredient, lot, kind, changed_at, changed_by, why FROM in_use WHERE kitchen = $1 AND ingredient = $2 ORDER BY changed_at, seq`, l.kitchen, ingredient)
}

// Many names at once go in as one JSON array, which any number fits into.
func (l lots) Of(codes []string) ([]commissary.Lot, error) {
	return list(l.tx, scanLot, inKitchen+` WHERE l.kitchen = $1 AND l.code IN (`+l.dialect.texts("$2")+`) ORDER BY l.code`, l.kitchen, array(codes))
}

func (l lots) MadeBy(batches []string) ([]commissary.Lot, error) {
	return list(l.tx, scanLot, inKitchen+` WHERE l.kitchen = $1 AND l.batch IN (`+l.dialect.texts("$2")+`) ORDER BY l.code`, l.kitchen, array(batches))
}

func (l lots) DrawnFrom(codes []string) ([]commissary.Draw, error) {
	return list(l.tx, scanDraw, `SELECT batch, lot, mass, possible, pieces FROM draws
		WHERE kitchen = $1 AND lot IN (`+l.dialect.texts("$2")+`) ORDER BY lot, batch`, l.kitchen, array(codes))
}

func (l lots) DrawnBy(batches []string) ([]commissary.Draw, error) {
	return list(l.tx, scanDraw, `SELECT batch, lot, mass, possible, pieces FROM draws
		WHERE kitchen = $1 AND batch IN (`+l.dialect.texts("$2")+`) ORDER BY batch, lot`, l.kitchen, array(batches))
}

func (l lots) Moves(codes []string) ([]commissary.Movement, error) {
	return list(l.tx, scanMovement, l.selectMoves()+` ORDER BY lot, seq`, l.kitchen, array(codes))
}

func (l lots) Receipts(codes []string) ([]commissary.Movement, error) {
	return list(l.tx, scanMovement, l.selectMoves()+` AND kind = 'RECEIVED' ORDER BY lot, seq`, l.kitchen, array(codes))
}

func (l lots) selectMoves() string {
	return `SELECT lot, kind, pieces, mass, moved_at, moved_by, ref, place, to_place, why
		FROM movements WHERE kitchen = $1 AND lot IN (` + l.dialect.texts("$2") + `)`
}

// array writes names as a JSON array.
func array(names []string) string {
	b, err := json.Marshal(names)
	if err != nil {
		panic("store: text cannot be written: " + err.Error()) // encoding/json replaces what is no text
	}
	if names == nil {
		return "[]"
	}
	return string(b)
}

const (
	lotColumns = `SELECT l.code, l.item, l.formula, l.ingredient, coalesce(s.pieces, 0), coalesce(s.mass, 0), l.made_at, coalesce(s.place, 'kitchen'), l.batch, l.held, l.receipt, l.off, l.not_after`
	inKitchen  = lotColumns + ` FROM lots l LEFT JOIN stocks s ON s.kitchen = l.kitchen AND s.lot = l.code AND s.place = 'kitchen'`
	atPlaces   = lotColumns + ` FROM stocks s JOIN lots l ON l.kitchen = s.kitchen AND l.code = s.lot`
)

func scanLot(s scan) (l commissary.Lot, err error) {
	var batch sql.NullString
	err = s(&l.Code, &l.Item, &l.Formula, &l.Ingredient, &l.Pieces, &l.Mass, instant{&l.Made}, &l.Place, &batch, &l.Held, document{&l.Receipt}, &l.Off, instant{&l.NotAfter})
	l.Batch = batch.String
	return l, err
}

func scanMovement(s scan) (m commissary.Movement, err error) {
	err = s(&m.Lot, &m.Kind, &m.Pieces, &m.Mass, instant{&m.At}, &m.By, &m.Ref, &m.Place, &m.To, &m.Why)
	return m, err
}

func scanDraw(s scan) (d commissary.Draw, err error) {
	err = s(&d.Batch, &d.Lot, &d.Mass, &d.Possible, &d.Pieces)
	return d, err
}
