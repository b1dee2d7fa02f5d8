package store

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
)

type nights struct {
	*tx
	kitchen string
}

func (n nights) Get(date civil.Date) (commissary.Night, error) {
	return one(n.tx, "NIGHT_NOT_FOUND", "night "+date.String(), scanNight,
		`SELECT night, state, closed_at FROM nights WHERE kitchen = $1 AND night = $2`, n.kitchen, date.String())
}

func (n nights) Put(night commissary.Night) error {
	_, err := n.exec(`INSERT INTO nights (kitchen, night, state, closed_at) VALUES ($1, $2, $3, $4)
		ON CONFLICT (kitchen, night) DO UPDATE SET state = excluded.state, closed_at = excluded.closed_at`,
		n.kitchen, night.Date.String(), string(night.State), micros(night.Closed))
	return err
}

func (n nights) Touch(date civil.Date) error {
	_, err := n.insert("nights", "kitchen, night, state, closed_at", listed(1, 4)+" ON CONFLICT DO NOTHING", n.kitchen, date.String(), string(commissary.NightOpen), nil)
	return err
}

func (n nights) List(before civil.Date, limit int) ([]commissary.Night, error) {
	below := "9999"
	if !before.IsZero() {
		below = before.String()
	}
	return list(n.tx, scanNight,
		`SELECT night, state, closed_at FROM nights WHERE kitchen = $1 AND night < $2 ORDER BY night DESC LIMIT $3`,
		n.kitchen, below, most(limit))
}

func scanNight(s scan) (n commissary.Night, err error) {
	err = s(day{&n.Date}, &n.State, instant{&n.Closed})
	return n, err
}
