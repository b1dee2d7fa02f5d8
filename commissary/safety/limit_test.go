package safety

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/quantity"
)

// FDA Food Code 2022 as adopted: holding 3-501.16 (Macomb County citation
// text), cooling 3-501.14 (Minnesota Rules 4626.0385), receiving 3-202.11
// (4626.0165), time as the only control 3-501.19 (4626.0408).
func TestLimits(t *testing.T) {
	for _, row := range []struct {
		name, least, most string
		within            quantity.Seconds
	}{
		{"hold_cold", "", "41 °F", 0},
		{"hold_hot", "135 °F", "", 0},
		{"hold_hot_roast", "130 °F", "", 0},
		{"cool_first", "", "70 °F", 2 * quantity.Hour},
		{"cool_all", "", "41 °F", 6 * quantity.Hour},
		{"cool_ambient", "", "41 °F", 4 * quantity.Hour},
		{"receive_cold", "", "41 °F", 0},
		{"receive_hot", "135 °F", "", 0},
		{"time_only_4h", "", "", 4 * quantity.Hour},
		{"time_only_6h", "", "70 °F", 6 * quantity.Hour},
	} {
		found := false
		for _, l := range Limits() {
			if l.Name != row.name {
				continue
			}
			found = true
			require.Equal(t, row.least, temp(l.Least), row.name)
			require.Equal(t, row.most, temp(l.Most), row.name)
			require.Equal(t, row.within, l.Within, row.name)
			require.NotEmpty(t, l.Source)
		}
		require.True(t, found, row.name)
	}
	require.Len(t, Limits(), 10)
	require.Equal(t, "5 °C", quantity.Metric.Temp(ColdHold))
	require.Equal(t, "40 °F", quantity.US.Temp(OilHold))
}

func temp(c quantity.Temp) string {
	if c == 0 {
		return ""
	}
	return quantity.US.Temp(c)
}

func TestCooling(t *testing.T) {
	start := time.Date(2026, 11, 25, 6, 0, 0, 0, time.UTC)
	at := func(d time.Duration, c quantity.Temp) Reading { return Reading{start.Add(d), c} }
	const h, m = time.Hour, time.Minute
	for name, row := range map[string]struct {
		readings []Reading
		ambient  bool
		now      time.Duration
		state    CoolingState
		by       time.Duration
	}{
		"just begun":              {nil, false, 0, CoolingOn, 2 * h},
		"first limit":             {nil, false, 2 * h, CoolingOn, 2 * h},
		"first missed":            {nil, false, 2*h + m, MissedFirst, 0},
		"too warm at two hours":   {[]Reading{at(2*h, CoolMiddle+1)}, false, 2*h + m, MissedFirst, 0},
		"a minute too late":       {[]Reading{at(2*h+m, CoolMiddle)}, false, 3 * h, MissedFirst, 0},
		"missed, then cold":       {[]Reading{at(3*h, CoolMiddle), at(5*h, ColdHold)}, false, 5 * h, MissedFirst, 0},
		"not from the future":     {[]Reading{at(90*m, CoolMiddle)}, false, 30 * m, CoolingOn, 2 * h},
		"not from before":         {[]Reading{at(-m, CoolMiddle)}, false, 3 * h, MissedFirst, 0},
		"early leaves five hours": {[]Reading{at(h, CoolMiddle)}, false, h, CoolingOn, 6 * h}, // 70 °F after 1 h: 5 h for the rest
		"still in time":           {[]Reading{at(2*h, CoolMiddle)}, false, 6 * h, CoolingOn, 6 * h},
		"last missed":             {[]Reading{at(2*h, CoolMiddle), at(6*h+m, ColdHold)}, false, 6*h + m, MissedLast, 0},
		"cooled":                  {[]Reading{at(6*h, ColdHold), at(2*h, CoolMiddle)}, false, 7 * h, CoolingDone, 0},
		"cooled at one stroke":    {[]Reading{at(h, ColdHold)}, false, h, CoolingDone, 0},
		"ambient":                 {nil, true, 3 * h, CoolingOn, 4 * h},
		"ambient cooled":          {[]Reading{at(4*h, ColdHold)}, true, 5 * h, CoolingDone, 0},
		"ambient missed":          {[]Reading{at(4*h+m, ColdHold)}, true, 5 * h, MissedLast, 0},
	} {
		t.Run(name, func(t *testing.T) {
			v := Cooling{start, row.ambient, row.readings}.Judge(start.Add(row.now))
			require.Equal(t, row.state, v.State)
			require.NotContains(t, v.Text, "safe")
			if row.state == CoolingOn {
				require.Equal(t, start.Add(row.by), v.By)
				require.Contains(t, v.Text, quantity.US.Temp(v.Until))
				return
			}
			require.True(t, v.By.IsZero())
			if row.state != CoolingDone {
				require.Contains(t, v.Text, "local code")
				require.Contains(t, v.Text, "iscard")
			}
		})
	}
}
