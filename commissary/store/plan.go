package store

import (
	"strconv"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

type plans struct {
	*tx
	kitchen string
}

func (p plans) Append(plan commissary.Plan) error {
	night := plan.Night.String()
	err := p.follows("the plan of the night of "+night, plan.Revision,
		`SELECT coalesce(max(revision), 0) FROM plans WHERE kitchen = $1 AND night = $2`, p.kitchen, night)
	if err != nil {
		return err
	}
	document, err := p.encode(plan)
	if err != nil {
		return err
	}
	_, err = p.exec(`UPDATE plans SET state = $1 WHERE kitchen = $2 AND night = $3 AND state = $4`,
		string(commissary.PlanSuperseded), p.kitchen, night, string(commissary.PlanReleased))
	if err != nil {
		return err
	}
	_, err = p.insert("plans", "kitchen, night, revision, state, book, document", listed(1, 6),
		p.kitchen, night, plan.Revision, string(plan.State), plan.BookRev, document)
	return err
}

func (p plans) Newest(night civil.Date) (commissary.Plan, error) {
	return one(p.tx, "PLAN_NOT_FOUND", "released plan of the night of "+night.String(), scanPlan,
		`SELECT document, state FROM plans WHERE kitchen = $1 AND night = $2 ORDER BY revision DESC LIMIT 1`, p.kitchen, night.String())
}

func (p plans) Get(night civil.Date, revision int) (commissary.Plan, error) {
	return one(p.tx, "PLAN_NOT_FOUND", numbered("revision", revision)+" of the plan of the night of "+night.String(), scanPlan,
		`SELECT document, state FROM plans WHERE kitchen = $1 AND night = $2 AND revision = $3`, p.kitchen, night.String(), revision)
}

func (p plans) List(night civil.Date, before, limit int) ([]commissary.Plan, error) {
	return list(p.tx, scanPlan,
		`SELECT document, state FROM plans WHERE kitchen = $1 AND night = $2 AND ($3 = 0 OR revision < $3) ORDER BY revision DESC LIMIT $4`,
		p.kitchen, night.String(), before, most(limit))
}

// scanPlan takes the state from its column: the document stays as it was released.
func scanPlan(s scan) (p commissary.Plan, err error) {
	var state commissary.PlanState
	err = s(document{&p}, &state)
	p.State = state
	return p, err
}

func numbered(what string, n int) string { return what + " " + strconv.Itoa(n) }
