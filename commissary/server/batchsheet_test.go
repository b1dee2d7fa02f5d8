package server

import (
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/ferment"
	"doughrun/commissary/quantity"
	"doughrun/commissary/safety"
	"doughrun/commissary/wire"
	v1 "doughrun/proto/doughrun/v1"
)

// demoKitchen is the demo kitchen's book with changes to its text.
func demoKitchen(t *testing.T, changes ...string) *kitchen {
	t.Helper()
	data, err := os.ReadFile("../../testdata/kitchen.yaml")
	require.NoError(t, err)
	text := string(data)
	for i := 0; i+1 < len(changes); i += 2 {
		require.Contains(t, text, changes[i])
		text = strings.Replace(text, changes[i], changes[i+1], 1)
	}
	b, err := book.Read("kitchen.yaml", []byte(text), safety.Judge, ferment.Judge)
	require.NoError(t, err)
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	require.NoError(t, err)
	return &kitchen{Book: b, Writer: wire.For(b), zone: zone}
}

// loadTime is when the batches of these tests are loaded: Friday 04:00 in New York.
var loadTime = time.Date(2026, 11, 27, 9, 0, 0, 0, time.UTC)

func houseBatch() commissary.Batch {
	return commissary.Batch{ID: "20261126-01", Formula: "house-dough", Vessel: "big-mixer", Unit: 1, Second: true, State: commissary.BatchPosted,
		Mass: 60 * quantity.Kilogram, MixEnd: loadTime.Add(18 * time.Minute), Makes: []commissary.Making{{Item: "house-280", Pieces: 200}},
		Steps: []commissary.Booking{{Step: commissary.StepMix, Resource: "big-mixer", From: loadTime, To: loadTime.Add(23 * time.Minute)}},
		Uses:  []commissary.Use{{Lot: "tub", Mass: 20 * quantity.Kilogram}}}
}

func prepBatch(formula, vessel, item string, steps ...commissary.Booking) commissary.Batch {
	return commissary.Batch{ID: "20261126-02", Formula: formula, Vessel: vessel, Unit: 1, State: commissary.BatchPosted, Mass: 10 * quantity.Kilogram,
		MixEnd: loadTime.Add(time.Hour), Makes: []commissary.Making{{Item: item, Pieces: 3}}, Steps: steps}
}

func sheetOf(t *testing.T, k *kitchen, b commissary.Batch, around floor) *v1.BatchSheet {
	t.Helper()
	s, err := k.sheet(b, around)
	require.NoError(t, err)
	return s
}

func TestSheetOfADough(t *testing.T) {
	k := demoKitchen(t)
	tub := floor{now: loadTime, from: map[string]source{"tub": {"poolish", loadTime.Add(-12 * time.Hour), 34 * quantity.Kilogram}}}
	s := sheetOf(t, k, houseBatch(), tub)
	require.Equal(t, "factor", s.GetWaterMethod())
	require.Equal(t, []string{"4 × 24 °C − (room 22 + flour 20 + preferment 22 + friction 11) = 21 °C", "warm the water: the tap's has 15 °C"}, s.GetWaterArithmetic())
	require.EqualValues(t, 21_000, s.GetWaterTempMillicelsius())
	require.Contains(t, s.GetTooWarmAction(), "into the cold, lids late")
	require.Regexp(t, `2 °C too warm is ready about \d+ h .*sooner`, s.GetTooWarmAction())
	require.NotEmpty(t, s.GetTooColdAction())
	require.Equal(t, []string{"wheat"}, s.GetAllergens())
	require.Empty(t, s.GetMayContain())
	d := s.GetDivides()[0]
	end := loadTime.Add(18 * time.Minute)
	require.Equal(t, end.Add(24*time.Hour), d.GetUseFromTime().AsTime())
	require.Equal(t, end.Add(54*time.Hour), d.GetBestTime().AsTime())
	require.Equal(t, end.Add(72*time.Hour), d.GetUseByTime().AsTime(), "the book's window, in the kitchen's own cold store")
	require.Empty(t, d.GetMarkDate(), "raw dough is outside date marking")
	require.Equal(t, "Dough racks", d.GetZoneName())

	// 0.2 % instant yeast for 54 h: the chart thinks that too much, and the
	// book's window stands.
	require.Len(t, s.GetWarnings(), 1)
	require.Contains(t, s.GetWarnings()[0], "By the yeast chart this dough is ready after")
	require.Contains(t, s.GetWarnings()[0], "The book's window stands")

	// Colder tap water than needed is warmed; warmer is iced, with a caution.
	iced := demoKitchen(t, "tap_water: 15 °C", "tap_water: 25 °C", "kind: chipped", "kind: flake")
	s = sheetOf(t, iced, houseBatch(), tub)
	require.Equal(t, "flake", s.GetIceKind())
	require.Equal(t, "ice: (tap 25 − 21) ÷ (25 + 80) = 3.8 % of the water", s.GetWaterArithmetic()[1])
	require.Contains(t, strings.Join(s.GetCautions(), " "), "none should be heard in the last 4 min")

	rising := demoKitchen(t, "- {step: rest, min: 10 min, max: 25 min}", "- {step: rest, min: 10 min, max: 25 min, rise_from: 75 %, rise_to: 100 %}")
	s = sheetOf(t, rising, houseBatch(), tub)
	require.Contains(t, strings.Join(s.GetCautions(), " "), "risen by 75 % to 100 %, by eye; the minutes are a guide")

	balanced := demoKitchen(t, "water_by: factor", "water_by: balance")
	s = sheetOf(t, balanced, houseBatch(), tub)
	require.Equal(t, "balance", s.GetWaterMethod())
	require.Contains(t, s.GetWaterArithmetic()[0], "100 kg")

	// Out of reach: the baker gets the sheet, and is told what can be had.
	hot := demoKitchen(t, "target: 24 °C", "target: 45 °C")
	s = sheetOf(t, hot, houseBatch(), tub)
	require.Contains(t, strings.Join(s.GetWarnings(), " "), "the dough can be had from")
}

func TestSheetAdvisesOnThePreferment(t *testing.T) {
	k := demoKitchen(t)
	for name, tc := range map[string]struct {
		made time.Time
		want string // in a warning; empty: none
	}{
		"ripe":      {loadTime.Add(-14 * time.Hour), ""},
		"over-ripe": {loadTime.Add(-19 * time.Hour), "Poolish of tub: The preferment has been over-ripe for"},
		"young":     {loadTime.Add(-8 * time.Hour), "too young at mixing time. Mix later. The time for it is Fri 27 Nov 06:00"},
	} {
		s := sheetOf(t, k, houseBatch(), floor{now: loadTime, from: map[string]source{"tub": {"poolish", tc.made, 34 * quantity.Kilogram}}})
		text := strings.Join(s.GetWarnings(), "\n")
		if tc.want == "" {
			require.NotContains(t, text, "preferment", name)
		} else {
			require.Contains(t, text, tc.want, name)
		}
	}
	out := houseBatch()
	out.State = commissary.BatchOut
	s := sheetOf(t, k, out, floor{now: loadTime, from: map[string]source{"tub": {"poolish", loadTime.Add(-19 * time.Hour), 0}}})
	require.NotContains(t, strings.Join(s.GetWarnings(), "\n"), "preferment", "it is out: there is nothing to do")
}

func TestSheetOfAPreferment(t *testing.T) {
	k := demoKitchen(t)
	b := commissary.Batch{ID: "20261126-03", Formula: "poolish", Vessel: "poolish-tub", Unit: 1, Mass: 34 * quantity.Kilogram, MixEnd: loadTime}
	s := sheetOf(t, k, b, floor{})
	require.Equal(t, loadTime.Add(10*time.Hour), s.GetRipeFromTime().AsTime())
	require.Equal(t, loadTime.Add(14*time.Hour), s.GetRipeBestTime().AsTime())
	require.Equal(t, loadTime.Add(18*time.Hour), s.GetRipeByTime().AsTime())
	require.Contains(t, s.GetTooWarmAction(), "ripens sooner")
	warm := sheetOf(t, demoKitchen(t, "room: 22 °C", "room: 26 °C"), b, floor{})
	require.True(t, warm.GetRipeByTime().AsTime().Before(s.GetRipeByTime().AsTime()), "a warmer room")
}

func TestSheetOfPreps(t *testing.T) {
	k := demoKitchen(t)
	cool := commissary.Booking{Step: commissary.StepCool, From: loadTime.Add(2 * time.Hour), To: loadTime.Add(4 * time.Hour)}
	s := sheetOf(t, k, prepBatch("tomato-sauce", "kettle", "sauce-3kg", cool), floor{})
	// Food Code 2022, 3-501.14: 70 °F within 2 h, 41 °F within 6 h of 135 °F.
	require.Len(t, s.GetCooling(), 2)
	require.EqualValues(t, 21_111, s.GetCooling()[0].GetMostMillicelsius())
	require.Equal(t, loadTime.Add(4*time.Hour), s.GetCooling()[0].GetByTime().AsTime())
	require.EqualValues(t, 6*3600, s.GetCooling()[1].GetWithinSeconds())
	require.EqualValues(t, 57_222, s.GetCooling()[1].GetStartMillicelsius())
	require.Contains(t, strings.Join(s.GetCautions(), " "), "within 6 h, by probe")
	require.Empty(t, s.GetWarnings())
	// Made Friday 27: day 7 is Thursday 3, but the window ends after 96 h.
	require.Equal(t, "2026-12-01", s.GetDivides()[0].GetMarkDate())

	ambient := sheetOf(t, k, prepBatch("pickled-onion", "prep-bowl", "onion-1kg", cool), floor{})
	require.Len(t, ambient.GetCooling(), 1)
	require.EqualValues(t, 4*3600, ambient.GetCooling()[0].GetWithinSeconds())
	require.Nil(t, ambient.GetCooling()[0].StartMillicelsius)

	// Four days of garlic in oil, the making day the first: Monday 30.
	long := demoKitchen(t, "window: {min: 0 h, best: 30 h, band: 18 h, max: 72 h}\n    container: squeeze-crate", "window: {min: 0 h, best: 30 h, band: 18 h, max: 120 h}\n    container: squeeze-crate")
	s = sheetOf(t, long, prepBatch("garlic-oil", "blender", "garlic-oil-500g"), floor{})
	require.Equal(t, "2026-11-30", s.GetDivides()[0].GetMarkDate())
	require.Equal(t, long.zone.Instant(civil.Date{Year: 2026, Month: 12, Day: 1}, 0), s.GetDivides()[0].GetUseByTime().AsTime().In(time.UTC))
	require.Contains(t, strings.Join(s.GetCautions(), " "), "Garlic or herbs in oil")

	// An opened pack has a second, shorter limit, which its label says.
	opened := demoKitchen(t, "shelf: garlic-oil", "shelf: garlic-oil-4-opened-2")
	s = sheetOf(t, opened, prepBatch("garlic-oil", "blender", "garlic-oil-500g"), floor{})
	require.EqualValues(t, 2, s.GetDivides()[0].GetOpenedDays())
	require.Contains(t, s.GetDivides()[0].GetMarkText(), "Once opened within 2 days")
}

func TestSheetSaysWhatTheVesselMayBringIn(t *testing.T) {
	k := demoKitchen(t)
	basil := prepBatch("basil-sauce", "blender", "basil-500g")
	basil.MixEnd = loadTime
	oil := prepBatch("garlic-oil", "blender", "garlic-oil-500g")
	s := sheetOf(t, k, oil, floor{before: []commissary.Batch{basil}})
	require.Equal(t, []string{"milk", "egg", "tree nuts (pine nut)"}, s.GetMayContain())
	wash := func(d time.Duration) []commissary.Booking {
		return []commissary.Booking{{Step: commissary.StepWash, Resource: "blender", From: loadTime, To: loadTime.Add(d)}}
	}
	oil.Steps = wash(3 * time.Minute)
	require.NotEmpty(t, sheetOf(t, k, oil, floor{before: []commissary.Batch{basil}}).GetMayContain(), "a scrape is no wash")
	oil.Steps = wash(15 * time.Minute)
	require.Empty(t, sheetOf(t, k, oil, floor{before: []commissary.Batch{basil}}).GetMayContain())
}
