package commissary

import (
	"time"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// ReasonCode is a stable name of a limit that bound, or a rule that is broken.
type ReasonCode string

// The codes. A solver uses them to say what it could not honour, a checker to
// say what a plan breaks.
const (
	// What could not be honoured.
	ReasonShort          ReasonCode = "SHORT"           // pieces nobody can make in time; Limit says what bound
	ReasonOffBand        ReasonCode = "OFF_BAND"        // inside the window, outside the good band
	ReasonNotConfirmed   ReasonCode = "NOT_CONFIRMED"   // a silent shop gets its standing order
	ReasonNoRun          ReasonCode = "NO_RUN"          // no run serves the shop on the delivery day
	ReasonClosedDay      ReasonCode = "CLOSED_DAY"      // the shop does not trade on the bake date
	ReasonLate           ReasonCode = "LATE_ORDER"      // admitted after the close
	ReasonPrefermentCaps ReasonCode = "PREFERMENT_CAPS" // the preferment in the tub caps its dough
	ReasonExpiredLot     ReasonCode = "EXPIRED_LOT"     // a lot on hand is past its hard maximum
	ReasonHeldLot        ReasonCode = "HELD_LOT"        // a lot on hand must not be used
	ReasonOverload       ReasonCode = "OVERLOAD"        // a run is more than its vehicle carries
	ReasonLateStop       ReasonCode = "LATE_STOP"       // a shop is reached after its receiving hours
	ReasonOvertime       ReasonCode = "OVERTIME"        // a run is back after its driver's shift, or after its vehicle is wanted again

	ReasonUnfed ReasonCode = "STARTER_UNFED" // a starter that nobody can feed on a working day

	// What a plan or dispatch breaks.
	BrokenCapacity   ReasonCode = "OVER_CAPACITY"
	BrokenFill       ReasonCode = "UNDER_SMALLEST_FILL"
	BrokenClass      ReasonCode = "CLASS_NOT_ALLOWED"
	BrokenSpeed      ReasonCode = "SPEED_NOT_ALLOWED"
	BrokenOverlap    ReasonCode = "OVERLAP"
	BrokenCrew       ReasonCode = "CREW_EXCEEDED"
	BrokenOutage     ReasonCode = "OUT_OF_ORDER" // on something that does not work then
	BrokenShift      ReasonCode = "OUTSIDE_SHIFT"
	BrokenCold       ReasonCode = "COLD_SLOTS_EXCEEDED"
	BrokenPullDown   ReasonCode = "PULL_DOWN_EXCEEDED"
	BrokenColdWithin ReasonCode = "TOO_LATE_IN_THE_COLD"
	BrokenSteps      ReasonCode = "STEPS_OUT_OF_ORDER"
	BrokenWindow     ReasonCode = "OUTSIDE_WINDOW"
	BrokenDeparture  ReasonCode = "AFTER_DEPARTURE"
	BrokenRipe       ReasonCode = "PREFERMENT_NOT_RIPE"
	BrokenUse        ReasonCode = "PREFERMENT_NOT_COVERED"
	BrokenSum        ReasonCode = "PIECES_DO_NOT_ADD_UP"
	BrokenMass       ReasonCode = "MASS_DOES_NOT_ADD_UP"
	BrokenIdentical  ReasonCode = "BATCHES_NOT_IDENTICAL"
	BrokenAllergen   ReasonCode = "ALLERGEN_ORDER"
	BrokenPast       ReasonCode = "IN_THE_PAST"
	BrokenStarted    ReasonCode = "STARTED_BATCH_CHANGED"
	BrokenUnknown    ReasonCode = "UNKNOWN_NAME"
	BrokenLot        ReasonCode = "LOT_OVERDRAWN"
	BrokenMixedBox   ReasonCode = "MIXED_CONTAINER"
	BrokenInput      ReasonCode = "INPUT_DIFFERS"       // made from other facts than it is judged by
	BrokenDemand     ReasonCode = "DEMAND_DIFFERS"      // its needs are not what the shops ordered
	BrokenUnsaid     ReasonCode = "NOT_SAID"            // an exception that it keeps quiet about
	BrokenScore      ReasonCode = "SCORE_DIFFERS"       // it calls itself better or worse than it is
	BrokenMixTime    ReasonCode = "MIXED_TOO_LONG"      // longer than the maker allows for the class
	BrokenStepTime   ReasonCode = "STEP_TIME"           // a step shorter or longer than its formula says
	BrokenWait       ReasonCode = "WAITED_TOO_LONG"     // between two steps
	BrokenLetGo      ReasonCode = "LET_GO_TOO_EARLY"    // a tub or a cold place given up before its last use
	BrokenClean      ReasonCode = "NOT_CLEANED"         // no scrape between two fillings
	BrokenHeld       ReasonCode = "HELD_LOT_USED"       // a lot on hold
	BrokenOldest     ReasonCode = "OLDER_LOT_LEFT"      // picked from a younger lot than was there
	BrokenShort      ReasonCode = "SHORT_WITHOUT_CAUSE" // short although lots in the window were left
	BrokenRun        ReasonCode = "WRONG_RUN"           // picked for a run that does not bring it
	BrokenBoxes      ReasonCode = "CONTAINERS_DO_NOT_ADD_UP"
	BrokenManifest   ReasonCode = "MANIFEST_DIFFERS" // it shows something else than the picks
	BrokenLabel      ReasonCode = "ALLERGENS_NOT_SHOWN"
	BrokenVehicle    ReasonCode = "VEHICLE_EXCEEDED"     // more than it carries, and not said
	BrokenUnfed      ReasonCode = "STARTER_NOT_KEPT"     // a working day without its feed, or too little of it kept back
	BrokenDirty      ReasonCode = "CLEAN_BOXES_EXCEEDED" // more containers or dollies filled than are clean and at home
	BrokenReceiving  ReasonCode = "AFTER_RECEIVING"      // a stop after receiving hours, and not said
	BrokenOvertime   ReasonCode = "BACK_TOO_LATE"        // a run back after its shift, and not said
	BrokenLoad       ReasonCode = "LOAD_DIFFERS"         // a load that is not the goods, or cannot be stacked and unloaded so
)

// Reason is one thing that is not as somebody wanted it: what, where, which
// limit bound, by how much, and the smallest change that would help. The same
// list serves solver, checker, service and command line.
type Reason struct {
	Code     ReasonCode
	Text     string // one sentence a person can act on
	Limit    string // what bound: a vessel, bench, "crew", "cold", "window", a preferment, ...
	Shop     string
	Item     string
	Batch    string
	BakeDate civil.Date
	Pieces   quantity.Pieces
	Over     int64     // by how much the limit is exceeded, in its own unit
	Earliest time.Time // when it could be had; zero: not known
	Relax    string    // the smallest change that would help; empty: none known
}
