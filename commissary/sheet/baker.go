package sheet

import (
	"fmt"
	"strings"

	v1 "doughrun/proto/doughrun/v1"
)

// waterBy shows how the water temperature was worked out, or at least for what.
func (p *page) waterBy(s *v1.BatchSheet) string {
	if len(s.GetWaterArithmetic()) == 0 {
		return fmt.Sprintf("Computed for room %s, flour %s, tap water %s.", p.temp(s.GetRoomTempMillicelsius()), p.temp(s.GetFlourTempMillicelsius()), p.temp(s.GetTapWaterTempMillicelsius()))
	}
	return "By " + either(s.GetWaterMethod(), "hand") + ": " + strings.Join(s.GetWaterArithmetic(), "; ") + "."
}

// missed says what to do with a dough off its temperature.
func (p *page) missed(s *v1.BatchSheet) {
	off := "2 °C"
	if s.GetSite().GetUnits() == v1.UnitSystem_UNIT_SYSTEM_US {
		off = "4 °F"
	}
	var text []string
	if s.GetTooWarmAction() != "" {
		text = append(text, "More than "+off+" too warm: "+s.GetTooWarmAction())
	}
	if s.GetTooColdAction() != "" {
		text = append(text, "Too cold: "+s.GetTooColdAction())
	}
	if len(text) > 0 {
		p.put(0, strings.Join(text, " "))
	}
}

// keeping says where what the batch makes goes, and from when until when it
// may be used there, as its quality is estimated.
func (p *page) keeping(s *v1.BatchSheet) {
	if s.GetRipeFromTime() != nil {
		p.section("RIPE", "an estimate: look at it")
		p.put(0, fmt.Sprintf("From %s, best %s, past %s, with the tub in a room of %s.", p.at(s.GetRipeFromTime()), p.at(s.GetRipeBestTime()), p.at(s.GetRipeByTime()), p.temp(s.GetRoomTempMillicelsius())))
	}
	for _, d := range s.GetDivides() {
		if d.GetUseByTime() == nil {
			continue
		}
		text := fmt.Sprintf("%s to %s, %s; use from %s, best %s, by %s.", either(d.GetItemName(), d.GetItemId()), either(d.GetZoneName(), "the cold store"), p.temp(d.GetZoneTempMillicelsius()),
			p.at(d.GetUseFromTime()), p.at(d.GetBestTime()), p.at(d.GetUseByTime()))
		if d.GetMarkDate() != "" {
			text += " MARK " + longDay(d.GetMarkDate()) + ". " + d.GetMarkText()
		}
		p.put(0, text)
	}
}

// cool has the readings that a cooling needs, with their blanks.
func (p *page) cool(s *v1.BatchSheet) {
	if len(s.GetCooling()) == 0 {
		return
	}
	p.section("COOL", "core temperature by probe")
	for _, c := range s.GetCooling() {
		from := "when it is ready"
		if c.StartMillicelsius != nil {
			from = "when it falls to " + p.temp(c.GetStartMillicelsius()) + ": time ________"
		}
		p.item(0, "[ ]", fmt.Sprintf("at most %s within %s, as planned by %s; the clock starts %s", p.temp(c.GetMostMillicelsius()), lasting(c.GetWithinSeconds()), p.at(c.GetByTime()), from))
		p.raw("    time ________  core ________  by ________________")
	}
}

// declared says what a label has to declare.
func (p *page) declared(s *v1.BatchSheet) {
	if len(s.GetAllergens()) > 0 {
		p.item(0, "!", "CONTAINS "+strings.Join(s.GetAllergens(), ", ")+".")
	}
	if len(s.GetMayContain()) > 0 {
		p.item(0, "!", "MAY CONTAIN "+strings.Join(s.GetMayContain(), ", ")+": the vessel was not washed since. Wash it, or say so on the label.")
	}
}

// warned says what is not as it should be, before anything is weighed.
func (p *page) warned(s *v1.BatchSheet) {
	for _, w := range s.GetWarnings() {
		p.item(0, "***", w)
	}
}

// roughly shows a length of time as closely as an estimate deserves.
func roughly(seconds int64) string {
	switch {
	case seconds >= 3600:
		return fmt.Sprintf("%d h", (seconds+1800)/3600)
	case seconds >= 60:
		return fmt.Sprintf("%d min", (seconds+30)/60)
	}
	return "1 min"
}
