package commissary

import (
	"time"

	"doughrun/commissary/quantity"
)

// Outcome is what a baker recorded of a batch that came out. The first one of
// a batch is its finish, each further one corrects the one before; none is
// ever erased.
type Outcome struct {
	At     time.Time // when it was recorded
	By     string
	Made   time.Time // end of mixing: age zero
	Probed bool      // Temp was measured
	Temp   quantity.Temp
	Mass   quantity.Mass // what went through the vessel
	Makes  []Making      // pieces that came out
	Place  string        // where its lots are
	Far    []string      // what is far from the plan and was confirmed, a sentence each
	Notes  []string      // what the stock did not say, a sentence each
	Why    string        // of a correction, or of using a lot past its use-by; empty: neither
}

// Outcome returns what is in force of a batch that is out.
func (b PostedBatch) Outcome() (Outcome, bool) {
	if len(b.Outcomes) == 0 {
		return Outcome{}, false
	}
	return b.Outcomes[len(b.Outcomes)-1], true
}

// How far an outcome may be from its plan before the baker is asked whether it
// is so. Common practice, no source.
const (
	FarTemp   = 2 * quantity.Degree
	FarTime   = time.Hour
	FarPieces = quantity.PPM(50_000) // of the planned pieces
	FarMass   = quantity.PPM(50_000) // of the planned mass
)
