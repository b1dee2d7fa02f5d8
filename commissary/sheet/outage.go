package sheet

import (
	"path"

	v1 "doughrun/proto/doughrun/v1"
)

// Outages lists what was reported as out of order.
func Outages(site *v1.Site, list []*v1.Outage) string {
	p := newPage(site, "OUT OF ORDER")
	if len(list) == 0 {
		p.put(0, "Nothing was reported.")
		return p.String()
	}
	var rows [][]string
	for _, o := range list {
		until := "further notice"
		if o.GetEndTime() != nil {
			until = p.at(o.GetEndTime())
		}
		rows = append(rows, []string{path.Base(o.GetName()), either(o.GetResourceName(), o.GetResourceId()), p.at(o.GetStartTime()), until, o.GetReason()})
	}
	p.table(0, []column{{"NO.", 4, true}, {"WHAT", 19, false}, {"FROM", 16, false}, {"UNTIL", 16, false}, {"WHY", 17, false}}, rows)
	return p.String()
}
