package wire

import (
	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

// Outage writes a reported outage.
func (w *Writer) Outage(o commissary.ReportedOutage) *v1.Outage {
	name := either(w.places[o.Resource], o.Resource)
	if o.Resource == "cold" {
		name = "Cold store"
	}
	return &v1.Outage{
		Name:         OutageName(w.kitchen(), o.Number),
		ResourceId:   o.Resource,
		ResourceName: name,
		StartTime:    instant(o.From),
		EndTime:      instant(o.To),
		Reason:       o.Why,
		ReportedBy:   o.By,
		EndedBy:      o.EndedBy,
	}
}
