package book

import (
	"fmt"

	"go.yaml.in/yaml/v3"

	"doughrun/commissary"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// Bounds of temperatures in a kitchen.
const (
	coldest = -30 * quantity.Degree
	hottest = 60 * quantity.Degree
)

var ambient = kitchenTemp(coldest, hottest)

// kitchenBook reads all sections.
func (r *reader) kitchenBook(root *yaml.Node) {
	f := r.open(root, root.Line, "the kitchen book")
	r.kitchen(f)
	r.scales(f)
	r.containers(f)
	r.ingredients(f)
	r.formulas(f)
	r.items(f)
	r.cutOffs(f)
	r.vessels(f)
	r.benches(f)
	r.coldStore(f)
	r.shifts(f)
	r.shops(f)
	r.vehicles(f)
	r.dolly(f)
	r.roads(f)
	r.runs(f)
	r.adjustments(f)
	f.close()
	r.judge()
}

func (r *reader) kitchen(f *fields) {
	if f.values["kitchen"] == nil && !f.broken {
		r.fault(f.line, "the kitchen book lacks the section \"kitchen\", which says the kitchen's name and time zone")
	}
	e := r.open(f.take("kitchen"), f.at("kitchen"), "kitchen")
	e.broken = e.broken || !f.has("kitchen")
	r.place("kitchen", e)
	k := &r.book.Kitchen
	k.ID = must(e, "id", "main", name)
	k.Name = must(e, "name", "Central Kitchen", words)
	k.Zone = must(e, "zone", "America/New_York", func(s string) (string, error) {
		_, err := civil.LoadZone(s)
		return s, err
	})
	if must(e, "units", "metric", oneOf("metric", "us")) == "us" {
		k.Units, r.units = quantity.US, quantity.US
	}
	k.Jurisdiction = must(e, "jurisdiction", "us", oneOf("us", "eu"))
	k.Address = read(e, "address", words)
	k.Phone = read(e, "phone", words)
	k.Lat, k.Lon = e.coordinates()
	k.RoomTemp = must(e, "room", "22 °C", ambient)
	k.FlourTemp = must(e, "flour", "20 °C", ambient)
	k.TapWater = must(e, "tap_water", "15 °C", kitchenTemp(0, hottest))
	k.PlanDays = int(must(e, "plan_days", "4", whole(1, 14)))
	k.Dispatch = must(e, "dispatch", "05:00", civil.ParseClock)
	k.Cushion = read(e, "cushion", upTo(quantity.Whole))
	k.Shortage = commissary.Policy(read(e, "shortage", oneOf(string(commissary.Proportional), string(commissary.EqualAward))))
	k.Model = read(e, "model", word)
	k.Water = read(e, "water_by", oneOf("factor", "balance"))
	k.TooWarm = read(e, "too_warm", words)
	k.TooCold = read(e, "too_cold", words)
	if n := e.take("ice"); n != nil {
		i := r.open(n, e.at("ice"), "kitchen, ice")
		k.Ice = commissary.Ice{
			Kind: read(i, "kind", oneOf("chipped", "shaved", "flake", "cube")),
			Temp: read(i, "temp", kitchenTemp(coldest, 0))}
		i.close()
	}
	e.close()
}

func (r *reader) scales(f *fields) {
	since := r.wrong
	defer func() { r.badScales = r.wrong > since }()
	f.section("scales", "scale", true, func(id string, e *fields) {
		s := commissary.Scale{ID: id,
			Division: must(e, "division", "5 g", above(quantity.ParseMass)),
			Holds:    must(e, "holds", "15 kg", above(quantity.ParseMass))}
		if s.Division > s.Holds && s.Holds > 0 {
			r.fault(e.at("holds"), "%s: it holds %s, less than its division of %s", e.what, r.mass(s.Holds), r.mass(s.Division))
		}
		r.book.Scales = append(r.book.Scales, s)
	})
}

func (r *reader) containers(f *fields) {
	f.section("containers", "container", true, func(id string, e *fields) {
		c := commissary.Container{ID: id,
			Name:     must(e, "name", "Dough box", words),
			Tare:     must(e, "tare", "1.6 kg", quantity.ParseMass),
			Owned:    int(read(e, "owned", whole(0, 1_000_000))),
			Slots:    int(must(e, "slots", "1", whole(0, 1000))),
			Crossed:  int(read(e, "crossed", whole(1, 1000))),
			StackMax: int(read(e, "stack", whole(1, 100))),
			Base:     read(e, "base", base),

			Lids:       int(read(e, "lids", whole(1, 1_000_000))),
			DaysOut:    int(read(e, "days_out", whole(0, 60))),
			WashAndDry: read(e, "wash_and_dry", quantity.ParseSeconds),
			PerDolly:   int(read(e, "per_dolly", whole(1, 1000))),
			Dollies:    int(read(e, "dollies", whole(1, 1_000_000)))}
		for _, key := range []string{"lids", "days_out", "wash_and_dry"} {
			if e.has(key) && c.Owned == 0 {
				r.fault(e.at(key), "%s: \"%s\" says nothing without \"owned\"; write how many there are, or take it out", e.what, key)
			}
		}
		if e.has("dollies") != e.has("per_dolly") {
			r.fault(e.line, "%s: write how many dollies there are and how many of it stand on one, for example dollies: 40, per_dolly: 20; or neither", e.what)
		}
		if e.has("crossed") && c.Crossed > 0 && c.Crossed < c.Slots {
			r.fault(e.at("crossed"), "%s: cross-stacked it takes %d places, fewer than the %d it takes nested", e.what, c.Crossed, c.Slots)
		}
		r.book.Containers = append(r.book.Containers, c)
	})
}

func (r *reader) cutOffs(f *fields) {
	f.section("cut_offs", "cut-off", true, func(class string, e *fields) {
		c := commissary.CutOff{Class: class,
			At:   must(e, "at", "01:30", civil.ParseClock),
			Days: int(read(e, "days", whole(0, 14)))}
		if c.At <= noon {
			c.At = c.At.NextDay()
		}
		r.book.CutOffs = append(r.book.CutOffs, c)
	})
}

const noon civil.Clock = 12 * 3600

func (r *reader) coldStore(f *fields) {
	n := f.take("cold_store")
	if n == nil && !f.broken {
		r.fault(f.line, "%s lacks the section \"cold_store\" with its temperature and zones", f.what)
	}
	e := r.open(n, f.at("cold_store"), "the cold store")
	e.broken = e.broken || n == nil
	c := &r.book.ColdStore
	c.Slots = int(read(e, "slots", whole(1, 1_000_000)))
	c.Temp = must(e, "temp", "3 °C", kitchenTemp(coldest, 15*quantity.Degree))
	c.Probe = read(e, "probe_limit", kitchenTemp(coldest, 15*quantity.Degree))
	c.PullDown = read(e, "pull_down_per_hour", above(quantity.ParseMass))
	e.section("zones", "zone", n != nil, func(id string, z *fields) {
		c.Zones = append(c.Zones, commissary.Zone{ID: id,
			Name: must(z, "name", "Dough racks", words),
			Cold: read(z, "cold", yes)})
	})
	e.close()
}

// hours reads from and to; a to that is not after from lies on the next day.
func (f *fields) hours() commissary.Hours {
	h := commissary.Hours{
		From: must(f, "from", "11:00", civil.ParseClock),
		To:   must(f, "to", "22:00", civil.ParseClock)}
	if h.To <= h.From {
		h.To = h.To.NextDay()
	}
	return h
}

func (r *reader) shifts(f *fields) {
	const longest = 16 * 3600
	f.section("shifts", "shift", true, func(id string, e *fields) {
		since := r.wrong
		days, h := e.days("days"), e.hours()
		s := commissary.Shift{ID: id, Days: days, From: h.From, To: h.To,
			Heads: int(must(e, "heads", "4", whole(1, 1000)))}
		if r.wrong == since && h.To-h.From > longest {
			r.fault(e.at("to"), "%s: from %v to %v is longer than 16 hours; split it into two shifts", e.what, h.From, h.To)
		}
		for _, b := range e.groups("breaks", "break") {
			before := r.wrong
			h := b.hours()
			b.close()
			if s.To > 86400 && h.From < s.From {
				h.From, h.To = h.From.NextDay(), h.To.NextDay()
			}
			if r.wrong > before || r.wrong > since {
				continue
			}
			if h.From < s.From || h.To > s.To {
				r.fault(b.line, "%s: %v to %v lies outside the shift, %v to %v", b.what, h.From, h.To, s.From, s.To)
				continue
			}
			for _, other := range s.Breaks {
				if h.From < other.To && other.From < h.To {
					r.fault(b.line, "%s: %v to %v overlaps the break from %v to %v", b.what, h.From, h.To, other.From, other.To)
				}
			}
			s.Breaks = append(s.Breaks, commissary.Break(h))
		}
		r.book.Shifts = append(r.book.Shifts, s)
	})
}

// mass prints a mass in the kitchen's units.
func (r *reader) mass(m quantity.Mass) string { return r.units.Mass(m) }

// hours prints an age in hours, as windows are read, however long.
func hours(d quantity.Seconds) string {
	if d%quantity.Hour == 0 {
		return fmt.Sprintf("%d h", d/quantity.Hour)
	}
	return d.String()
}

// window reads an age window: min, best, band, max.
func (f *fields) window(key string, required bool) (commissary.Window, bool) {
	n := f.take(key)
	if n == nil {
		if required {
			f.missing(key, "{min: 24 h, best: 48 h, band: 12 h, max: 72 h}")
		}
		return commissary.Window{}, false
	}
	since := f.r.wrong
	e := f.r.open(n, f.at(key), fmt.Sprintf("%s, %s", f.what, key))
	w := commissary.Window{
		Min:  must(e, "min", "24 h", quantity.ParseSeconds),
		Best: must(e, "best", "48 h", quantity.ParseSeconds),
		Band: must(e, "band", "12 h", quantity.ParseSeconds),
		Max:  must(e, "max", "72 h", above(quantity.ParseSeconds))}
	e.close()
	if f.r.wrong > since {
		return w, false
	}
	switch {
	case w.Min > w.Best:
		f.r.fault(e.at("best"), "%s: best age %s is below the least age %s; min, best and max go upwards", e.what, hours(w.Best), hours(w.Min))
	case w.Best > w.Max:
		f.r.fault(e.at("max"), "%s: best age %s is above the greatest age %s; min, best and max go upwards", e.what, hours(w.Best), hours(w.Max))
	case w.Min == w.Max:
		f.r.fault(e.at("max"), "%s: least and greatest age are both %s, which no batch can meet", e.what, hours(w.Max))
	case w.Best-w.Band < w.Min || w.Best+w.Band > w.Max:
		f.r.fault(e.at("band"), "%s: the good band, %s ± %s, leaves the window from %s to %s; a band of %s fits",
			e.what, hours(w.Best), hours(w.Band), hours(w.Min), hours(w.Max), hours(min(w.Best-w.Min, w.Max-w.Best)))
	default:
		return w, true
	}
	return w, false
}
