package store

import (
	"time"

	"doughrun/commissary"
)

type credentials struct{ *tx }

func (c credentials) Add(n commissary.Credential) error {
	others, err := list(c.tx, scanCredential, selectCredential+` WHERE kitchen = $1 AND name = $2 AND ends_at > $3`,
		n.Caller.Kitchen, n.Caller.Name, micros(n.Issued))
	if err != nil {
		return err
	}
	for _, o := range others {
		if o.Caller != n.Caller {
			return commissary.Refuse(commissary.Conflict, "NAME_IN_USE",
				"%s is already the name of a %s of kitchen %s (credential %s); choose another name, so that the record of changes says who is who", n.Caller.Name, o.Caller.Role, n.Caller.Kitchen, o.ID)
		}
	}
	kept, err := c.exec(`INSERT INTO credentials (id, hash, kitchen, name, role, scope, issued_at, ends_at)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT DO NOTHING`,
		n.ID, bytes(n.Hash), n.Caller.Kitchen, n.Caller.Name, string(n.Caller.Role), n.Caller.Scope, micros(n.Issued), micros(n.Ends))
	if err != nil || kept > 0 {
		return err
	}
	return commissary.Refuse(commissary.Conflict, "CREDENTIAL_EXISTS", "credential %s is known already; make a fresh one", n.ID)
}

func (c credentials) Find(hash []byte) (commissary.Credential, error) {
	return one(c.tx, "CREDENTIAL_NOT_FOUND", "such credential", scanCredential, selectCredential+` WHERE hash = $1`, bytes(hash))
}

func (c credentials) Get(kitchen, id string) (commissary.Credential, error) {
	return one(c.tx, "CREDENTIAL_NOT_FOUND", "credential "+id+" of kitchen "+kitchen, scanCredential,
		selectCredential+` WHERE kitchen = $1 AND id = $2`, kitchen, id)
}

func (c credentials) List(kitchen string) ([]commissary.Credential, error) {
	return list(c.tx, scanCredential, selectCredential+` WHERE kitchen = $1 ORDER BY issued_at, id`, kitchen)
}

func (c credentials) End(kitchen, id string, at time.Time) error {
	n, err := c.exec(`UPDATE credentials SET ends_at = CASE WHEN ends_at < $3 THEN ends_at ELSE $3 END WHERE kitchen = $1 AND id = $2`, kitchen, id, micros(at))
	if err == nil && n == 0 {
		_, err = c.Get(kitchen, id)
	}
	return err
}

const selectCredential = `SELECT id, hash, name, kitchen, role, scope, issued_at, ends_at FROM credentials`

func scanCredential(s scan) (c commissary.Credential, err error) {
	err = s(&c.ID, &c.Hash, &c.Caller.Name, &c.Caller.Kitchen, &c.Caller.Role, &c.Caller.Scope, instant{&c.Issued}, instant{&c.Ends})
	return c, err
}
