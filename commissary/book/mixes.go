package book

import (
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// ReadMixes reads what was measured on finished mixings from CSV with the
// header vessel,class,speed,fill,target,actual,room,flour,water,preferments,
// oldest first. speed is first or second, fill a share of the vessel's largest
// fill; temperatures carry their unit, and preferments holds one for each,
// with a semicolon between. The error is a *commissary.Error of kind Invalid
// and reason MIXES_INVALID with faults at file:line.
func ReadMixes(file string, data []byte, b commissary.Book) ([]commissary.Mix, error) {
	r := &reader{file: file, what: "the file of mixings", reason: "MIXES_INVALID"}
	var vessels []string
	for _, v := range b.Vessels {
		vessels = append(vessels, v.ID)
	}
	var mixes []commissary.Mix
	for _, row := range r.rows(data, "vessel", "class", "speed", "fill", "target", "actual", "room", "flour", "water", "preferments") {
		since := r.wrong
		m := commissary.Mix{Vessel: row.fields[0], Class: row.fields[1], Second: row.fields[2] == "second"}
		if i := vesselAt(b, m.Vessel); r.known(row.line, "vessel", m.Vessel, vessels) {
			var classes []string
			for _, c := range b.Vessels[i].Capacity {
				classes = append(classes, c.Class)
			}
			r.known(row.line, "class", m.Class, classes)
		}
		if _, err := oneOf("first", "second")(row.fields[2]); err != nil {
			r.fault(row.line, "speed: %v", err)
		}
		var err error
		if m.Fill, err = above(upTo(quantity.Whole))(row.fields[3]); err != nil {
			r.fault(row.line, "fill: %v", err)
		}
		for i, t := range []*quantity.Temp{&m.Target, &m.Actual, &m.Room, &m.Flour, &m.Water} {
			*t = r.measured(row, []string{"target", "actual", "room", "flour", "water"}[i], row.fields[4+i])
		}
		if row.fields[9] != "" {
			for s := range strings.SplitSeq(row.fields[9], ";") {
				m.Preferments = append(m.Preferments, r.measured(row, "preferments", strings.TrimSpace(s)))
			}
		}
		if r.wrong == since {
			mixes = append(mixes, m)
		}
	}
	if err := r.err(); err != nil {
		return nil, err
	}
	return mixes, nil
}

func vesselAt(b commissary.Book, id string) int {
	for i, v := range b.Vessels {
		if v.ID == id {
			return i
		}
	}
	return -1
}

// measured reads a temperature that a thermometer may have shown. Water with
// much ice stands for one below freezing.
func (r *reader) measured(row row, what, s string) quantity.Temp {
	t, err := kitchenTemp(-60*quantity.Degree, hottest)(s)
	if err != nil {
		r.fault(row.line, "%s: %v", what, err)
	}
	return t
}
