package book

import (
	"fmt"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func (r *reader) vessels(f *fields) {
	f.section("vessels", "vessel", true, func(id string, e *fields) {
		v := commissary.Vessel{ID: id,
			Name:        must(e, "name", "Large spiral mixer", words),
			Kind:        must(e, "kind", "mixer", oneOf("mixer", "tub", "kettle", "blender", "slicer")),
			Count:       1,
			SmallestPPM: read(e, "smallest", upTo(quantity.Whole)),
			Volume:      read(e, "volume", volume),
			Load:        must(e, "load", "8 min", shortTime),
			Unload:      must(e, "unload", "5 min", shortTime),
			Scrape:      must(e, "scrape", "3 min", shortTime),
			Wash:        must(e, "wash", "20 min", shortTime),
			Heads:       int(must(e, "heads", "1", whole(0, 100)))}
		if e.has("count") {
			v.Count = int(read(e, "count", whole(1, 1000)))
		} else {
			e.take("count")
		}
		if v.Wash < v.Scrape {
			r.fault(e.at("wash"), "%s: a full wash of %v is shorter than a scrape of %v", e.what, v.Wash, v.Scrape)
		}
		r.capacity(e, &v)
		r.deratings(e, &v)
		r.friction(e, &v)
		r.book.Vessels = append(r.book.Vessels, v)
	})
}

// shortTime reads a time that is part of a working day.
func shortTime(s string) (quantity.Seconds, error) {
	v, err := quantity.ParseSeconds(s)
	if err == nil && v > quantity.Day {
		err = fmt.Errorf("%q is longer than a day", show(s))
	}
	return v, err
}

func (r *reader) capacity(e *fields, v *commissary.Vessel) {
	if !e.has("capacity") {
		e.missing("capacity", "[{class: medium, max: 80 kg, basis: dough}]")
	}
	at := map[string]int{}
	for _, c := range e.groups("capacity", "row") {
		row := commissary.CapacityRow{
			Class:  must(c, "class", "medium", name),
			Second: read(c, "second", yes),
			Max:    must(c, "max", "80 kg", above(quantity.ParseMass)),
			Basis:  must(c, "basis", "dough", oneOf(commissary.OfDough, commissary.OfFlourWater)),
			MaxMix: read(c, "longest_mix", above(shortTime)),
			Listed: read(c, "listed", above(upTo(200*quantity.Percent)))}
		c.close()
		key := fmt.Sprint(row.Class, row.Second)
		if first, ok := at[key]; ok && row.Class != "" {
			r.fault(c.line, "%s: class %q stands twice for the same speeds, first on line %d; keep one row", c.what, row.Class, first)
		}
		at[key] = c.line
		v.Capacity = append(v.Capacity, row)
	}
}

func (r *reader) deratings(e *fields, v *commissary.Vessel) {
	at := map[commissary.DeratingCause]int{}
	for _, d := range e.groups("deratings", "derating") {
		x := commissary.Derating{
			Cause:  must(d, "cause", "cold_water", oneOf(commissary.ColdWater, commissary.StrongFlour)),
			Factor: must(d, "factor", "90 %", above(upTo(quantity.Whole)))}
		if x.Cause == commissary.StrongFlour {
			d.forbid("is for cold_water only", "below")
		} else {
			x.Below = must(d, "below", "18 °C", kitchenTemp(0, hottest))
		}
		d.close()
		if first, ok := at[x.Cause]; ok && x.Cause != "" {
			r.fault(d.line, "%s: %s stands twice, first on line %d; keep one", d.what, x.Cause, first)
		}
		at[x.Cause] = d.line
		v.Deratings = append(v.Deratings, x)
	}
}

func (r *reader) friction(e *fields, v *commissary.Vessel) {
	at := map[string]int{}
	for _, x := range e.groups("friction", "friction") {
		class := must(x, "class", "medium", name)
		speed := must(x, "speed", "first", oneOf("first", "second"))
		v.Friction = append(v.Friction, commissary.Friction{Class: class, Second: speed == "second",
			Factor: must(x, "factor", "12 °C", degrees)})
		x.close()
		if first, ok := at[class+" "+speed]; ok && class != "" && speed != "" {
			r.fault(x.line, "%s: class %q at %s speed stands twice, first on line %d; keep one", x.what, class, speed, first)
		}
		at[class+" "+speed] = x.line
	}
}

func (r *reader) benches(f *fields) {
	f.section("benches", "bench", true, func(id string, e *fields) {
		b := commissary.Bench{ID: id, Name: must(e, "name", "Dough bench", words)}
		if !e.has("rates") {
			e.missing("rates", "[{class: medium, up_to: 300 g, per_hour: 340}]")
		}
		for _, x := range e.groups("rates", "rate") {
			b.Rates = append(b.Rates, commissary.BenchRate{
				Class:   read(x, "class", name),
				UpTo:    read(x, "up_to", above(quantity.ParseMass)),
				PerHour: quantity.Pieces(must(x, "per_hour", "340", whole(1, 100_000)))})
			x.close()
		}
		r.book.Benches = append(r.book.Benches, b)
	})
}
