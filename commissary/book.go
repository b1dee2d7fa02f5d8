package commissary

import (
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Book is the kitchen book: everything that stays the same from night to
// night. It is adopted as a whole, as a numbered revision; plans keep the
// revision they were made with. Package book reads and validates it.
type Book struct {
	Revision    int // 0 until adopted
	Kitchen     Kitchen
	Scales      []Scale
	Containers  []Container
	Ingredients []Ingredient
	Formulas    []Formula
	Items       []Item
	CutOffs     []CutOff
	Vessels     []Vessel
	Benches     []Bench
	ColdStore   ColdStore
	Shifts      []Shift
	Shops       []Shop
	Vehicles    []Vehicle
	Dolly       Dolly
	Roads       Roads
	Runs        []Run
	Adjustments []Adjustment `json:",omitempty"` // of sales, by holidays and events, in the order they apply
}

// Kitchen says where and how the kitchen works.
type Kitchen struct {
	ID           string
	Name         string
	Zone         string // IANA name
	Units        quantity.System
	Jurisdiction string // us or eu: whose allergen list and shelf rules are printed
	Address      string
	Phone        string
	Lat, Lon     int64         // millionths of a degree; both 0: not given
	RoomTemp     quantity.Temp // forecast room temperature at mixing time
	FlourTemp    quantity.Temp
	TapWater     quantity.Temp
	PlanDays     int          // how many bake days ahead a plan looks
	Dispatch     civil.Clock  // when picking may begin on the delivery morning
	Cushion      quantity.PPM // what preferments for demand not yet ordered are made above the forecast
	Shortage     Policy       // how what is short is shared; empty: proportional
	Model        string       // published rule that carries ages over to other temperatures, by its name in package ferment; empty: its default
	Water        string       // how water temperatures are worked out: factor or balance, as package formula has them; empty: factor
	Ice          Ice
	TooWarm      string // what to do with a dough that comes out too warm; empty: the usual
	TooCold      string // and too cold
}

// Policy names how shops share what does not reach for all.
type Policy string

// The policies.
const (
	Proportional Policy = "proportional" // by what they ask for, the usual quantity first
	EqualAward   Policy = "equal_award"  // as much to each as to any other, while it wants more
)

// Ice is what the kitchen cools its water with.
type Ice struct {
	Kind string        // a word for the sheet, such as chipped; empty: chipped
	Temp quantity.Temp // zero or below: 0 is ice that melts already, as from a machine's bin
}

// Scale is one weighing scale. A line of a sheet is weighed on the finest
// scale that holds it, unless its ingredient names one.
type Scale struct {
	ID       string
	Division quantity.Mass // smallest step shown
	Holds    quantity.Mass // largest mass weighed at once
}

// Container is a dough box, tub or carton that items travel in.
type Container struct {
	ID       string
	Name     string
	Tare     quantity.Mass
	Owned    int // 0 when single use, or not counted
	Slots    int // places in the cold store while nested
	Crossed  int // places while cross-stacked
	StackMax int // how many stand on each other at the dock; 0: not said
	Base     Base

	// What is owned comes round: it leaves with a delivery, is back so many
	// days later, and clean when the last of a day's returns is washed and dry.
	Lids       int // owned; 0: one for each container
	DaysOut    int
	WashAndDry quantity.Seconds
	PerDolly   int // how many stand on one dolly
	Dollies    int // owned; 0: not counted
}

// Clean is how many can be filled when all are clean and at home: those that
// there is a lid for. 0: not counted.
func (c Container) Clean() int {
	if c.Lids > 0 && c.Lids < c.Owned {
		return c.Lids
	}
	return c.Owned
}

// Base is how much floor something takes, in millimetres. Containers stand on
// each other where their bases are alike; where a base is not said, on their
// own kind only.
type Base struct{ Long, Wide int }

// Dolly is what stacks are rolled on, one shop's goods on each.
type Dolly struct {
	Base    Base // zero: the kitchen has none, and stacks stand on the floor
	Tare    quantity.Mass
	Carries quantity.Mass // 0: not said
}

// IngredientKind says how an ingredient counts in bakers' percentages.
type IngredientKind string

// The kinds. Oil is not water; milk and other liquids are other.
const (
	Flour IngredientKind = "flour"
	Water IngredientKind = "water"
	Yeast IngredientKind = "yeast"
	Salt  IngredientKind = "salt"
	Other IngredientKind = "other"
)

// Ingredient is something bought in.
type Ingredient struct {
	ID          string
	Name        string
	Kind        IngredientKind
	Allergens   []Allergen
	Scale       string        // scale it must be weighed on; empty: finest that holds the line
	Strong      bool          // high-gluten flour: makers derate their mixers for it
	Yeast       string        // type of a yeast: fresh, active_dry or instant; empty: not said, instant is assumed
	Pack        quantity.Mass // mass of one bought pack
	Traced      bool          // on the traceability list: lots must be recorded
	Temp        quantity.Temp // 0: room temperature
	Chilled     bool          // kept in the cooler
	PricePerKg  int64         // in minor units of money; 0 unknown
	Substitutes []string
	GTIN        string
}

// Allergen is a stable lower-case name such as "wheat" or "milk"; package
// safety knows which jurisdiction lists it.
type Allergen string

// FormulaKind says what a formula makes.
type FormulaKind string

// The kinds.
const (
	Dough      FormulaKind = "dough"
	Preferment FormulaKind = "preferment"
	Prep       FormulaKind = "prep"
)

// Formula is how one dough, preferment or prep is made. In doughs and
// preferments a line's share is of the formula's total flour, with the flour,
// water, yeast and salt of its own preferments counted in. In preps it is of
// the input mass and the lines add up to the whole.
type Formula struct {
	ID          string
	Name        string
	Kind        FormulaKind
	Class       string // product class: the key into the vessels' capacity tables
	Lines       []FormulaLine
	Preferments []PrefermentShare
	Loss        quantity.PPM  // of the mixed mass, lost in divide and on bowl and hands
	Rework      quantity.PPM  // doughs: how much of the mixed mass may be dough worked in again; 0: none
	Target      quantity.Temp // finished dough temperature
	MixFirst    quantity.Seconds
	MixSecond   quantity.Seconds // second speed; 0: first speed only
	Ripe        Window           // preferments: age at which a dough may be mixed from it
	Rise        quantity.PPM     // preferments: volume when ripe ÷ volume when stirred, at least 100 %
	Steps       []Step           // what follows the vessel, in order
	ColdWithin  quantity.Seconds // last piece in the cold at most so long after the end of mixing; 0: no limit
	KeepBack    quantity.Mass    // starters: so much of every working day's feed is kept to be fed again; 0: not kept alive
	FeedWithin  quantity.Seconds // starters: what is kept back, in the cold, is fed again within
	Yield       quantity.PPM     // preps: packed mass ÷ input mass
	Sack        quantity.Mass    // flour tipped in the final mix is stepped up to whole multiples; 0: no step
	Order       []string         // ingredient ids in adding order; empty: book order
	Cautions    []string         // names of extra cautions, beside the ones derived
}

// Starter reports whether a preferment is fed from itself and kept alive.
func (f Formula) Starter() bool { return f.KeepBack > 0 }

// FormulaLine is one ingredient, or one made prep, and its share.
type FormulaLine struct {
	Ingredient string // exactly one of Ingredient and Prep is set
	Prep       string // id of a prep formula used as an input
	Share      quantity.PPM
}

// PrefermentShare says how much of the total flour is prefermented, and in what.
type PrefermentShare struct {
	Formula string
	Flour   quantity.PPM
	// DaysBefore is how many days earlier the preferment was stirred at
	// least. A formula may feed from itself only with DaysBefore above zero.
	DaysBefore int
}

// Window is a range of ages. Age zero is the end of mixing.
type Window struct {
	Min  quantity.Seconds // not before
	Best quantity.Seconds
	Band quantity.Seconds // best ± band is the good band
	Max  quantity.Seconds // never after, whatever a model says
}

// StepKind names what happens to a batch.
type StepKind string

// The steps, in the order they usually come.
const (
	StepWeigh  StepKind = "weigh"  // weigh up, before the vessel
	StepMix    StepKind = "mix"    // load, mix and unload: holds the vessel
	StepWash   StepKind = "wash"   // clean the vessel: scrape or full wash
	StepRest   StepKind = "rest"   // bulk, in a tub or on the bench: no hands
	StepDivide StepKind = "divide" // divide, round and box on a bench
	StepCool   StepKind = "cool"   // cool a cooked prep
	StepPack   StepKind = "pack"   // fill and label containers on a bench
	StepChill  StepKind = "chill"  // cross-stacked in the cold store
	StepNest   StepKind = "nest"   // come back, stack down and put the lids on
	StepHold   StepKind = "hold"   // nested in the cold store until its van leaves
	StepPick   StepKind = "pick"   // pick and load at the dock
)

// Step is one step of a formula after its vessel.
type Step struct {
	Kind  StepKind
	Bench string           // divide and pack: the bench it stands on
	Min   quantity.Seconds // shortest; for divide and pack the time before the first piece
	Max   quantity.Seconds // longest; 0: as Min
	Wait  quantity.Seconds // how long it may wait for its resource after the step before
	Heads int              // people it holds
	// Rests end on the rise, by eye: by how much of its volume the dough has
	// grown, at least and at most. The minutes are a guide. 0: not said.
	RiseFrom, RiseTo quantity.PPM
}

// ItemKind says how an item is counted.
type ItemKind string

// The kinds: a ball of dough, or a pack of a prep.
const (
	Ball ItemKind = "ball"
	Pack ItemKind = "pack"
)

// Item is something a shop can order.
type Item struct {
	ID        string
	Name      string
	Kind      ItemKind
	Formula   string
	Mass      quantity.Mass // of one ball or one pack
	Tolerance quantity.PPM  // a ball's mass may differ so much at the scale
	Window    Window        // ready window at the cold store's temperature
	Container string
	PerBox    quantity.Pieces // pieces in a full container
	Zone      string          // storage zone, in the kitchen's picking order
	Ship      ShipPolicy
	CutOff    string           // cut-off class
	PullLead  quantity.Seconds // out of the cold so long before use
	Tempered  quantity.Seconds // usable so long after that
	Shelf     string           // shelf rule, by name
	GTIN      string
	CostOut   int64 // minor units of money: running out of one
	CostWaste int64 // throwing one away
}

// ShipPolicy says for which service a night's order is meant, and when it travels.
type ShipPolicy struct {
	BakeAfter     int // days from the night to the bake date an order line defaults to
	DeliverBefore int // days before the bake date that it is delivered
}

// CutOff is the last moment of the evening at which lines of a class are
// accepted. Times up to noon belong to the morning after the evening.
type CutOff struct {
	Class string
	At    civil.Clock // already moved to the next day where needed
	Days  int         // lines must be in so many nights before the default one
}

// Basis says what a maker's capacity figure counts.
type Basis string

// The bases.
const (
	OfDough      Basis = "dough"
	OfFlourWater Basis = "flour_water"
)

// Vessel is a mixer, tub, kettle, blender or slicer.
type Vessel struct {
	ID          string
	Name        string
	Kind        string // mixer, tub, kettle, blender, slicer: which cautions and cooling limits its sheets have
	Count       int    // so many alike, 1 when left out
	Capacity    []CapacityRow
	Deratings   []Derating
	SmallestPPM quantity.PPM // smallest fill as a share of the largest
	Volume      int64        // millilitres, for tubs: the after-rise limit; 0 none
	Load        quantity.Seconds
	Unload      quantity.Seconds
	Scrape      quantity.Seconds // between batches of the same formula
	Wash        quantity.Seconds // full wash
	Heads       int              // people it holds while loading, mixing and unloading
	Friction    []Friction
}

// CapacityRow is one row of the maker's table. Rows are looked up, never
// interpolated: published charts are not monotone in absorption.
type CapacityRow struct {
	Class  string
	Second bool          // the row holds for second speed too
	Max    quantity.Mass // largest fill
	Basis  Basis
	MaxMix quantity.Seconds // longest mixing; 0: not stated
	Listed quantity.PPM     // absorption the row is listed for; a drier dough is derated by actual ÷ listed; 0: no such rule
}

// DeratingCause says when a derating applies.
type DeratingCause string

// The causes. They combine by multiplication (a documented choice: makers
// state no rule).
const (
	ColdWater   DeratingCause = "cold_water"   // water below a temperature, or ice
	StrongFlour DeratingCause = "strong_flour" // high-gluten flour
)

// Derating lowers every row of a vessel's table.
type Derating struct {
	Cause  DeratingCause
	Below  quantity.Temp // cold water: below this
	Factor quantity.PPM  // what is left, for example 90 %
}

// Friction is how much a vessel warms a dough, as the factor of the
// factor method, by class and speed.
type Friction struct {
	Class  string
	Second bool
	Factor quantity.Temp
}

// Bench is where dough is divided or preps are packed: one batch at a time.
type Bench struct {
	ID    string
	Name  string
	Rates []BenchRate
}

// BenchRate is how many pieces an hour leave the bench, boxed and labelled,
// with one person; more heads share the work.
type BenchRate struct {
	Class   string        // product class; empty: any
	UpTo    quantity.Mass // pieces up to this mass; 0: any
	PerHour quantity.Pieces
}

// ColdStore is the walk-in for dough and preps.
type ColdStore struct {
	Slots    int // container places; 0: not limited
	Temp     quantity.Temp
	PullDown quantity.Mass // warm mass it can take in an hour; 0: not limited
	Probe    quantity.Temp // goods from cold zones are at or below this by probe, at load and at the drop; 0: not stated
	Zones    []Zone        // in picking order
}

// Zone is a storage place that pickers walk past.
type Zone struct {
	ID   string
	Name string
	Cold bool
}

// Shift is when people work.
type Shift struct {
	ID     string
	Days   civil.Weekdays
	From   civil.Clock
	To     civil.Clock
	Heads  int
	Breaks []Break
}

// Break is when everybody on a shift rests; no batch step with hands runs across it.
type Break struct {
	From, To civil.Clock
}

// Shop is one of the operator's shops.
type Shop struct {
	ID         string
	Name       string
	Address    string
	Phone      string
	NightPhone string
	Lat, Lon   int64 // millionths of a degree; both 0: not given
	Receiving  Hours
	Unattended bool // key drop: the driver puts it in the walk-in
	Access     string
	WalkIn     quantity.Temp
	Service    []Service
	Standing   []Standing
}

// HoursOn returns the hours of a shop's service on a day; false on a day on
// which it does not trade.
func (s Shop) HoursOn(day civil.Date) (Hours, bool) {
	for _, x := range s.Service {
		if x.Days.Has(day.Weekday()) {
			return x.Hours, true
		}
	}
	return Hours{}, false
}

// Trades reports whether a shop stretches dough on a day.
func (s Shop) Trades(day civil.Date) bool {
	_, ok := s.HoursOn(day)
	return ok
}

// Hours is a range of times of day.
type Hours struct {
	From, To civil.Clock
}

// Service is when a shop stretches dough: from the first pull to the last
// stretch before close. Days without one are closed days.
type Service struct {
	Days civil.Weekdays
	Hours
}

// Standing is what a shop gets for a weekday's service unless it orders.
type Standing struct {
	Item   string
	Days   civil.Weekdays
	Pieces quantity.Pieces
}

// Vehicle is a van.
type Vehicle struct {
	ID         string
	Name       string
	Containers int           // how many it carries; 0: not limited
	Payload    quantity.Mass // containers and dollies included; 0: not limited
	Dollies    int           // how many it has room for; 0: not limited
}

// Run is a vehicle's round. It leaves when the book says. Its stops are driven
// in the order written, unless the planner may choose.
type Run struct {
	ID       string
	Name     string
	Vehicle  string
	Days     civil.Weekdays
	Departs  civil.Clock
	BackBy   civil.Clock // end of the driver's shift, at the kitchen; 0: not limited
	Sequence Freedom     // of the order of its stops
	Assign   Freedom     // of its stops to ride on another run whose stops are free as well
	Stops    []Stop
}

// Freedom says whether the book settles something or the planner.
type Freedom string

// The freedoms. Empty is fixed.
const (
	Fixed Freedom = "fixed"
	Free  Freedom = "free"
)

// Stop is one shop on a run.
type Stop struct {
	Shop   string
	Travel quantity.Seconds // from the stop before, or the kitchen; 0 where the order is free
	Stay   quantity.Seconds
}

// Roads says how far it is from place to place: by the ways listed, and where
// none is listed by the great circle between the places.
type Roads struct {
	Factor quantity.PPM // road ÷ great circle
	Speeds []Speed      // by distance, shortest first; the last one has no limit
	Ways   []Way
	File   string `json:",omitempty"` // that the ways were read from; empty: written in the book
}

// Speed is how fast a van goes on the whole, over distances up to a limit.
type Speed struct {
	UpTo    int64 // metres of road; 0: any
	PerHour int64 // metres
}

// Way is the road from one place to another. The way back is as long, unless
// it is listed too.
type Way struct {
	From, To string // shops; KitchenPlace for the kitchen
	Time     quantity.Seconds
	Metres   int64
}

// KitchenPlace names the kitchen among the places of ways.
const KitchenPlace = "kitchen"
