package store

import (
	"doughrun/commissary"
	"doughrun/commissary/civil"
)

type dispatches struct {
	*tx
	kitchen string
}

func (d dispatches) Append(dispatch commissary.Dispatch) error {
	night := dispatch.Night.String()
	err := d.follows("the dispatch of the night of "+night, dispatch.Revision,
		`SELECT coalesce(max(revision), 0) FROM dispatches WHERE kitchen = $1 AND night = $2`, d.kitchen, night)
	if err != nil {
		return err
	}
	document, err := d.encode(dispatch)
	if err != nil {
		return err
	}
	_, err = d.exec(`UPDATE dispatches SET state = $1 WHERE kitchen = $2 AND night = $3 AND state = $4`,
		string(commissary.PlanSuperseded), d.kitchen, night, string(commissary.PlanReleased))
	if err != nil {
		return err
	}
	_, err = d.insert("dispatches", "kitchen, night, revision, state, document", listed(1, 5),
		d.kitchen, night, dispatch.Revision, string(dispatch.State), document)
	return err
}

func (d dispatches) Newest(night civil.Date) (commissary.Dispatch, error) {
	return one(d.tx, "DISPATCH_NOT_FOUND", "released dispatch of the night of "+night.String(), scanDispatch,
		`SELECT document, state FROM dispatches WHERE kitchen = $1 AND night = $2 ORDER BY revision DESC LIMIT 1`, d.kitchen, night.String())
}

func (d dispatches) Get(night civil.Date, revision int) (commissary.Dispatch, error) {
	return one(d.tx, "DISPATCH_NOT_FOUND", numbered("revision", revision)+" of the dispatch of the night of "+night.String(), scanDispatch,
		`SELECT document, state FROM dispatches WHERE kitchen = $1 AND night = $2 AND revision = $3`, d.kitchen, night.String(), revision)
}

// scanDispatch takes the state from its column: the document stays as it was released.
func scanDispatch(s scan) (d commissary.Dispatch, err error) {
	var state commissary.PlanState
	err = s(document{&d}, &state)
	d.State = state
	return d, err
}
