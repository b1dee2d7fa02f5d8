package store

import (
	"time"

	"doughrun/commissary"
)

type outages struct {
	*tx
	kitchen string
}

func (o outages) Append(r commissary.ReportedOutage) error {
	err := o.follows("the list of outages", r.Number, `SELECT coalesce(max(number), 0) FROM outages WHERE kitchen = $1`, o.kitchen)
	if err != nil {
		return err
	}
	document, err := o.encode(r)
	if err != nil {
		return err
	}
	_, err = o.exec(`INSERT INTO outages (kitchen, number, ends_at, document) VALUES ($1, $2, $3, $4)`, o.kitchen, r.Number, micros(r.To), document)
	return err
}

func (o outages) Amend(r commissary.ReportedOutage) error {
	document, err := o.encode(r)
	if err != nil {
		return err
	}
	kept, err := o.exec(`UPDATE outages SET ends_at = $1, document = $2 WHERE kitchen = $3 AND number = $4`, micros(r.To), document, o.kitchen, r.Number)
	if err == nil && kept == 0 {
		return commissary.Refuse(commissary.NotFound, "OUTAGE_NOT_FOUND", "there is no %s", numbered("outage", r.Number))
	}
	return err
}

func (o outages) Get(number int) (commissary.ReportedOutage, error) {
	return one(o.tx, "OUTAGE_NOT_FOUND", numbered("outage", number), scanOutage,
		`SELECT document FROM outages WHERE kitchen = $1 AND number = $2`, o.kitchen, number)
}

func (o outages) NotOver(at time.Time) ([]commissary.ReportedOutage, error) {
	return list(o.tx, scanOutage,
		`SELECT document FROM outages WHERE kitchen = $1 AND (ends_at IS NULL OR ends_at > $2) ORDER BY number`, o.kitchen, at.UnixMicro())
}

func (o outages) List(before, limit int) ([]commissary.ReportedOutage, error) {
	return list(o.tx, scanOutage,
		`SELECT document FROM outages WHERE kitchen = $1 AND ($2 = 0 OR number < $2) ORDER BY number DESC LIMIT $3`, o.kitchen, before, most(limit))
}

func scanOutage(s scan) (o commissary.ReportedOutage, err error) {
	err = s(document{&o})
	return o, err
}
