package store

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
)

type rides struct {
	*tx
	kitchen string
}

func (r rides) Put(ride commissary.Ride) error {
	document, err := r.encode(ride)
	if err != nil {
		return err
	}
	_, err = r.exec(`INSERT INTO rides (kitchen, night, run, state, document) VALUES ($1, $2, $3, $4, $5)
		ON CONFLICT (kitchen, night, run) DO UPDATE SET state = excluded.state, document = excluded.document`,
		r.kitchen, ride.Night.String(), ride.Run, string(ride.State), document)
	return err
}

func (r rides) List(night civil.Date) ([]commissary.Ride, error) {
	return list(r.tx, scanRide, `SELECT document FROM rides WHERE kitchen = $1 AND night = $2 ORDER BY run`, r.kitchen, night.String())
}

func (r rides) Loading() ([]commissary.Ride, error) {
	return list(r.tx, scanRide, `SELECT document FROM rides WHERE kitchen = $1 AND state = 'LOADING' ORDER BY night, run`, r.kitchen)
}

func scanRide(s scan) (r commissary.Ride, err error) {
	err = s(document{&r})
	return r, err
}
