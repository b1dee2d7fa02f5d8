package store

import (
	"slices"
	"time"

	"doughrun/commissary"
	"doughrun/commissary/civil"
)

type batches struct {
	*tx
	kitchen string
}

func (b batches) Put(batch commissary.PostedBatch) error {
	err := b.follows("batch "+batch.ID, batch.Revision,
		`SELECT revision FROM batches WHERE kitchen = $1 AND id = $2`, b.kitchen, batch.ID)
	if err != nil {
		return err
	}
	document, err := b.encode(batch)
	if err != nil {
		return err
	}
	_, err = b.exec(`INSERT INTO batches (kitchen, id, night, plan, state, revision, document) VALUES ($1, $2, $3, $4, $5, $6, $7)
		ON CONFLICT (kitchen, id) DO UPDATE SET night = excluded.night, plan = excluded.plan, state = excluded.state,
			revision = excluded.revision, document = excluded.document`,
		b.kitchen, batch.ID, batch.Night.String(), batch.Plan, string(batch.State), batch.Revision, document)
	return err
}

func (b batches) Delete(id string) error {
	n, err := b.exec(`DELETE FROM batches WHERE kitchen = $1 AND id = $2 AND state = $3`, b.kitchen, id, string(commissary.BatchPosted))
	if err != nil || n > 0 {
		return err
	}
	kept, err := b.Get(id)
	if err != nil {
		return err
	}
	return commissary.Refuse(commissary.Precondition, "BATCH_STARTED",
		"batch %s is %s: only a batch that is not started can be taken back; scrap it instead", id, kept.State)
}

func (b batches) Get(id string) (commissary.PostedBatch, error) {
	return one(b.tx, "BATCH_NOT_FOUND", "batch "+id, scanBatch,
		`SELECT document FROM batches WHERE kitchen = $1 AND id = $2`, b.kitchen, id)
}

func (b batches) Open() ([]commissary.PostedBatch, error) {
	return list(b.tx, scanBatch,
		`SELECT document FROM batches WHERE kitchen = $1 AND state IN ('POSTED', 'MIXING') ORDER BY id`, b.kitchen)
}

func (b batches) List(night civil.Date, after string, limit int) ([]commissary.PostedBatch, error) {
	return list(b.tx, scanBatch,
		`SELECT document FROM batches WHERE kitchen = $1 AND night = $2 AND id > $3 ORDER BY id LIMIT $4`,
		b.kitchen, night.String(), after, most(limit))
}

func (b batches) PutMix(batch string, m commissary.Mix, at time.Time) error {
	document, err := b.encode(m)
	if err != nil {
		return err
	}
	_, err = b.exec(`INSERT INTO mixes (kitchen, batch, vessel, class, second, mixed_at, document) VALUES ($1, $2, $3, $4, $5, $6, $7)
		ON CONFLICT (kitchen, batch) DO UPDATE SET vessel = excluded.vessel, class = excluded.class, second = excluded.second,
			mixed_at = excluded.mixed_at, document = excluded.document`,
		b.kitchen, batch, m.Vessel, m.Class, m.Second, micros(at), document)
	return err
}

func (b batches) Mixes(vessel, class string, second bool, before time.Time, limit int) ([]commissary.Mix, error) {
	mixes, err := list(b.tx, func(s scan) (m commissary.Mix, err error) { return m, s(document{&m}) },
		`SELECT document FROM mixes WHERE kitchen = $1 AND vessel = $2 AND class = $3 AND second = $4 AND mixed_at < $5
		ORDER BY mixed_at DESC, batch DESC LIMIT $6`, b.kitchen, vessel, class, second, micros(before), most(limit))
	slices.Reverse(mixes)
	return mixes, err
}

func scanBatch(s scan) (b commissary.PostedBatch, err error) {
	err = s(document{&b})
	return b, err
}
