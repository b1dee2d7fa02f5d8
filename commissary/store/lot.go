package store

import (
	"database/sql"

	"doughrun/commissary"
)

type lots struct {
	*tx
	kitchen string
}

func (l lots) Create(lot commissary.Lot) error {
	n, err := l.exec(`INSERT INTO lots (kitchen, code, item, formula, made_at, place, batch, held)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT (kitchen, code) DO NOTHING`,
		l.kitchen, lot.Code, lot.Item, lot.Formula, micros(lot.Made), lot.Place,
		sql.NullString{String: lot.Batch, Valid: lot.Batch != ""}, lot.Held)
	if err != nil || n > 0 {
		return err
	}
	return commissary.Refuse(commissary.Conflict, "LOT_EXISTS", "lot %s is there already; read it and decide again", lot.Code)
}

// Move adds to the lot's quantity by a trigger of the schema.
func (l lots) Move(m commissary.Movement) error {
	n, err := l.exec(`INSERT INTO movements (kitchen, lot, kind, pieces, mass, moved_at, moved_by, ref)
		SELECT kitchen, code, $3, $4, $5, $6, $7, $8 FROM lots
		WHERE kitchen = $1 AND code = $2 AND pieces + $4 >= 0 AND mass + $5 >= 0`,
		l.kitchen, m.Lot, string(m.Kind), int64(m.Pieces), int64(m.Mass), micros(m.At), m.By, m.Ref)
	if err != nil || n > 0 {
		return err
	}
	kept, err := l.Get(m.Lot)
	if err != nil {
		return err
	}
	e := commissary.Refuse(commissary.Precondition, "LOT_OVERDRAWN",
		"lot %s holds %d pieces and %s, so %d pieces and %s cannot be moved; count it and correct", m.Lot, kept.Pieces, kept.Mass, m.Pieces, m.Mass)
	e.Meta = map[string]string{"lot": m.Lot}
	return e
}

func (l lots) Get(code string) (commissary.Lot, error) {
	return one(l.tx, "LOT_NOT_FOUND", "lot "+code, scanLot, selectLots+` AND code = $2`, l.kitchen, code)
}

func (l lots) Movements(code string) ([]commissary.Movement, error) {
	if _, err := l.Get(code); err != nil {
		return nil, err
	}
	return list(l.tx, scanMovement, `SELECT lot, kind, pieces, mass, moved_at, moved_by, ref
		FROM movements WHERE kitchen = $1 AND lot = $2 ORDER BY seq`, l.kitchen, code)
}

func (l lots) OnHand() ([]commissary.Lot, error) {
	return list(l.tx, scanLot, selectLots+` AND (pieces > 0 OR mass > 0) ORDER BY code`, l.kitchen)
}

func (l lots) List(after string, limit int) ([]commissary.Lot, error) {
	return list(l.tx, scanLot, selectLots+` AND code > $2 ORDER BY code LIMIT $3`, l.kitchen, after, most(limit))
}

const selectLots = `SELECT code, item, formula, pieces, mass, made_at, place, batch, held FROM lots WHERE kitchen = $1`

func scanLot(s scan) (l commissary.Lot, err error) {
	var batch sql.NullString
	err = s(&l.Code, &l.Item, &l.Formula, &l.Pieces, &l.Mass, instant{&l.Made}, &l.Place, &batch, &l.Held)
	l.Batch = batch.String
	return l, err
}

func scanMovement(s scan) (m commissary.Movement, err error) {
	err = s(&m.Lot, &m.Kind, &m.Pieces, &m.Mass, instant{&m.At}, &m.By, &m.Ref)
	return m, err
}
