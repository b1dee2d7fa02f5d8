package wire

import (
	"doughrun/commissary"
	v1 "doughrun/proto/doughrun/v1"
)

// Night writes a night.
func (w *Writer) Night(n commissary.Night) *v1.Night {
	return &v1.Night{
		Name:      NightName(w.kitchen(), n.Date),
		NightDate: day(n.Date),
		State:     enum[v1.NightState](n.State),
		CloseTime: instant(n.Closed),
		Site:      w.Site(),
	}
}
