package storetest

import (
	"crypto/sha256"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
)

func credential(kitchen, id, name string, role commissary.Role, scope string) commissary.Credential {
	hash := sha256.Sum256([]byte(id))
	return commissary.Credential{ID: id, Hash: hash[:], Caller: commissary.Caller{Name: name, Kitchen: kitchen, Role: role, Scope: scope},
		Issued: noon, Ends: noon.Add(time.Hour)}
}

func checkCredentials(t *testing.T, s commissary.Store) {
	till := credential(here, "c1", "till", commissary.RoleShop, "north")
	desk := credential(here, "c2", "desk", commissary.RolePlanner, "")
	desk.Issued = noon.Add(time.Minute)
	abroad := credential(there, "c3", "till", commissary.RoleBaker, "") // a name means something in one kitchen only
	for _, c := range []commissary.Credential{desk, till, abroad} {
		update(t, s, func(tx commissary.Tx) error { return tx.Credentials().Add(c) })
	}
	require.Equal(t, till, read(t, s, func(tx commissary.Tx) (commissary.Credential, error) { return tx.Credentials().Find(till.Hash) }))
	require.Equal(t, desk, read(t, s, func(tx commissary.Tx) (commissary.Credential, error) { return tx.Credentials().Get(here, "c2") }))
	require.Equal(t, []commissary.Credential{till, desk}, read(t, s, func(tx commissary.Tx) ([]commissary.Credential, error) { return tx.Credentials().List(here) }))
	missing(t, s, "CREDENTIAL_NOT_FOUND", func(tx commissary.Tx) (commissary.Credential, error) { return tx.Credentials().Get(there, "c1") })
	missing(t, s, "CREDENTIAL_NOT_FOUND", func(tx commissary.Tx) (commissary.Credential, error) {
		return tx.Credentials().Find([]byte("no such hash"))
	})

	refuses(t, s, commissary.Conflict, "CREDENTIAL_EXISTS", func(tx commissary.Tx) error { return tx.Credentials().Add(till) })
	other := credential(here, "c4", "till", commissary.RoleShop, "south")
	refuses(t, s, commissary.Conflict, "NAME_IN_USE", func(tx commissary.Tx) error { return tx.Credentials().Add(other) })
	second := credential(here, "c5", "till", commissary.RoleShop, "north")
	update(t, s, func(tx commissary.Tx) error { return tx.Credentials().Add(second) })

	end := func(kitchen, id string, at time.Time) error {
		return s.Update(t.Context(), func(tx commissary.Tx) error { return tx.Credentials().End(kitchen, id, at) })
	}
	ends := func(id string) time.Time {
		return read(t, s, func(tx commissary.Tx) (commissary.Credential, error) { return tx.Credentials().Get(here, id) }).Ends
	}
	require.NoError(t, end(here, "c1", noon.Add(time.Second)))
	require.Equal(t, noon.Add(time.Second), ends("c1"))
	require.NoError(t, end(here, "c1", noon.Add(time.Hour)))
	require.Equal(t, noon.Add(time.Second), ends("c1"), "what has ended stays so")
	refused(t, end(there, "c2", noon), commissary.NotFound, "CREDENTIAL_NOT_FOUND")
	require.Equal(t, desk.Ends, ends("c2"))

	// When every credential of a name has ended, another may take the name.
	require.NoError(t, end(here, "c5", noon))
	other.Issued = noon.Add(time.Second)
	update(t, s, func(tx commissary.Tx) error { return tx.Credentials().Add(other) })
}
