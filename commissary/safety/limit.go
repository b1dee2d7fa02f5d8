package safety

import (
	"fmt"
	"time"

	"doughrun/commissary/quantity"
)

// The temperatures of the FDA model Food Code 2022: 41, 70, 130 and 135 °F;
// and 40 °F for garlic or herbs in oil, see GarlicOil.
const (
	OilHold    quantity.Temp = 4_444
	ColdHold   quantity.Temp = 5_000
	CoolMiddle quantity.Temp = 21_111
	RoastHold  quantity.Temp = 54_444
	HotHold    quantity.Temp = 57_222
)

// Limit is a named holding or cooling limit. Outside the jurisdictions that
// adopt the Food Code it is a working limit until the operator states its own.
type Limit struct {
	Name   string
	Least  quantity.Temp    // keep at or above; 0: none
	Most   quantity.Temp    // keep at or below; 0: none
	Within quantity.Seconds // be there within; or the longest time; 0: none
	Source string           // section of the Food Code 2022
}

// Limits returns the limits by their names, for whoever judges a reading.
func Limits() []Limit {
	return []Limit{
		{Name: "receive_cold", Most: ColdHold, Source: "3-202.11"},
		{Name: "receive_hot", Least: HotHold, Source: "3-202.11"},
		{Name: "cool_first", Most: CoolMiddle, Within: coolFirst, Source: "3-501.14"},
		{Name: "cool_all", Most: ColdHold, Within: coolAll, Source: "3-501.14"},
		{Name: "cool_ambient", Most: ColdHold, Within: coolAmbient, Source: "3-501.14"},
		{Name: "hold_cold", Most: ColdHold, Source: "3-501.16"},
		{Name: "hold_hot", Least: HotHold, Source: "3-501.16"},
		{Name: "hold_hot_roast", Least: RoastHold, Source: "3-501.16"},
		{Name: "time_only_4h", Within: 4 * quantity.Hour, Source: "3-501.19"},
		{Name: "time_only_6h", Most: CoolMiddle, Within: 6 * quantity.Hour, Source: "3-501.19"},
	}
}

const (
	coolFirst   = 2 * quantity.Hour // 135 to 70 °F
	coolAll     = 6 * quantity.Hour // 135 to 41 °F, the first part included
	coolAmbient = 4 * quantity.Hour // to 41 °F, of food made from ingredients at room temperature
)

// Cooling is a prep on its way to the cold.
type Cooling struct {
	Start    time.Time // when it fell to HotHold; when it was ready, if Ambient
	Ambient  bool      // made from ingredients at room temperature, not cooked
	Readings []Reading // core temperatures by probe, in any order
}

// Reading is one core temperature.
type Reading struct {
	At   time.Time
	Temp quantity.Temp
}

// CoolingState is where a cooling stands.
type CoolingState string

// The states.
const (
	CoolingOn   CoolingState = "cooling"
	CoolingDone CoolingState = "cooled"
	MissedFirst CoolingState = "missed_first" // no reading shows CoolMiddle in time
	MissedLast  CoolingState = "missed_last"  // no reading shows ColdHold in time
)

// CoolingVerdict is what a cooling's readings say.
type CoolingVerdict struct {
	State CoolingState
	Until quantity.Temp // CoolingOn: the core must be at or below this
	By    time.Time     // CoolingOn: by then; time not used in the first part carries over
	Text  string        // for the sheet; clock times are left to the caller
}

// Deadlines returns when the core must be at CoolMiddle and at ColdHold. The
// first is zero for food made from ingredients at room temperature.
func (c Cooling) Deadlines() (middle, cold time.Time) {
	if c.Ambient {
		return time.Time{}, c.Start.Add(time.Duration(coolAmbient) * time.Second)
	}
	return c.Start.Add(time.Duration(coolFirst) * time.Second), c.Start.Add(time.Duration(coolAll) * time.Second)
}

// Judge says where the cooling stands at an instant. Only a reading taken in
// time proves that a limit was met.
func (c Cooling) Judge(now time.Time) CoolingVerdict {
	middle, cold := c.Deadlines()
	met := func(by time.Time, most quantity.Temp) bool {
		for _, r := range c.Readings {
			if !r.At.Before(c.Start) && !r.At.After(by) && !r.At.After(now) && r.Temp <= most {
				return true
			}
		}
		return false
	}
	on := func(most quantity.Temp, by time.Time) CoolingVerdict {
		return CoolingVerdict{CoolingOn, most, by, fmt.Sprintf(
			"The core must be at or below %s (%s) by then: probe it and write it down.",
			quantity.US.Temp(most), quantity.Metric.Temp(most))}
	}
	switch {
	case !c.Ambient && !met(middle, CoolMiddle):
		if !now.After(middle) {
			return on(CoolMiddle, middle)
		}
		return CoolingVerdict{State: MissedFirst, Text: "No reading shows 70 °F (21.1 °C) within 2 h. " +
			"Reheat at once as your local code asks and cool again, once only; otherwise discard."}
	case met(cold, ColdHold):
		return CoolingVerdict{State: CoolingDone, Text: "Cooled within the limits by the readings; keep it cold."}
	case !now.After(cold):
		return on(ColdHold, cold)
	}
	return CoolingVerdict{State: MissedLast, Text: "No reading shows 41 °F (5 °C) in time. Discard unless your local code names a way to reheat."}
}
