package sheet

import (
	"fmt"

	"doughrun/commissary/quantity"
	v1 "doughrun/proto/doughrun/v1"
)

// Changes lists who changed what.
func Changes(site *v1.Site, list []*v1.Change) string {
	p := newPage(site, "CHANGES")
	for _, c := range list {
		p.item(0, fmt.Sprintf("%6d", c.GetSequence()), fmt.Sprintf("%s  %s  %s", p.exact(c.GetChangeTime()), c.GetCaller(), c.GetCall()))
		p.put(7, c.GetSubject()+": "+c.GetDetail())
	}
	if len(list) == 0 {
		p.put(0, "None.")
	}
	return p.String()
}

// Chain says whether the record of changes is as it was written.
func Chain(site *v1.Site, m *v1.VerifyChainResponse) string {
	p := newPage(site, "RECORD OF CHANGES")
	if altered := m.GetAlteredFacts(); len(altered) > 0 {
		p.put(0, fmt.Sprintf("*** ALTERED: facts are not as the %s left them. Keep the database as it is, and restore the newest backup that verifies. ***",
			quantity.Counted(m.GetVerified(), "change")))
		for _, row := range altered {
			p.put(2, row)
		}
		return p.String()
	}
	if m.GetBrokenSequence() == 0 {
		p.put(0, fmt.Sprintf("It holds: %s verified, last hash %x.", quantity.Counted(m.GetVerified(), "change"), m.GetLastHash()))
		return p.String()
	}
	p.put(0, fmt.Sprintf("*** BROKEN: change %d is not what was written. %s before it verified. Keep the database as it is, and compare it with a backup. ***",
		m.GetBrokenSequence(), quantity.Counted(m.GetVerified(), "change")))
	return p.String()
}
