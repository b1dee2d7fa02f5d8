package wire

import (
	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

// Change writes a row of the audit chain.
func Change(c commissary.Change) *v1.Change {
	return &v1.Change{
		Sequence:   c.Seq,
		ChangeTime: instant(c.At),
		Caller:     c.Who,
		Call:       c.Call,
		Subject:    c.Subject,
		Detail:     c.Detail,
		Hash:       c.Hash,
	}
}
