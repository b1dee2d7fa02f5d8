package commissary

import "time"

// Role says what somebody does in the trade, and with it which calls they may make.
type Role string

// The roles.
const (
	RoleShop    Role = "shop"    // one shop's manager
	RoleBaker   Role = "baker"   // the kitchen's hands
	RoleDriver  Role = "driver"  // one run
	RolePlanner Role = "planner" // the kitchen's desk
	RoleOwner   Role = "owner"   // everything
)

// Roles returns every role, for tables that must be complete.
func Roles() []Role { return []Role{RoleShop, RoleBaker, RoleDriver, RolePlanner, RoleOwner} }

// Caller is somebody who may call, and for what.
type Caller struct {
	Name    string // for the record of changes; one in a kitchen
	Kitchen string
	Role    Role
	Scope   string // the shop of a shop, the run of a driver; empty for the others
}

// Credential is a token or a client's certificate that proves who is calling.
// Only its hash is known.
type Credential struct {
	ID     string // names it in lists; it opens nothing
	Hash   []byte // SHA-256 of the token, or of the certificate as DER
	Caller Caller
	Issued time.Time
	Ends   time.Time // when it stops being good: expired, replaced or revoked
}

// Credentials keeps who may call.
type Credentials interface {
	// Add keeps a new credential. Conflict when its id or hash is there, or when
	// a credential that is good at its issue has the name for another role or scope.
	Add(c Credential) error
	// Find returns the credential with a hash, ended or not.
	Find(hash []byte) (Credential, error)
	// Get returns one credential of a kitchen.
	Get(kitchen, id string) (Credential, error)
	// List returns a kitchen's credentials, oldest first.
	List(kitchen string) ([]Credential, error)
	// End sets when a credential stops being good. It may only come nearer.
	End(kitchen, id string, at time.Time) error
}
