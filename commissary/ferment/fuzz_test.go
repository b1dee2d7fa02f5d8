package ferment

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

func FuzzUseWindow(f *testing.F) {
	f.Add(int64(86400), int64(86400), int64(43200), int64(86400), int32(3000), int32(5000), int64(72000), int32(3000), int64(250_000), "chart")
	f.Add(int64(0), int64(0), int64(0), int64(0), int32(-300_000), int32(1_000_000), int64(0), int32(0), int64(0), "cardinal")
	f.Fuzz(func(t *testing.T, least, best, band, most int64, cold, walkIn int32, past int64, at int32, mass int64, model string) {
		bounded := func(x int64) quantity.Seconds {
			return quantity.Seconds(uint64(x) % uint64(quantity.MaxSeconds/4))
		}
		w := commissary.Window{Min: bounded(least), Band: bounded(band)}
		w.Best = w.Min + bounded(best)
		w.Max = w.Best + bounded(most)
		temp := func(x int32) quantity.Temp { return quantity.Temp(x % 1_000_000) }
		stages := []Stage{{For: bounded(past), At: temp(at), Mass: quantity.Mass(mass % int64(quantity.MaxMass)), From: temp(cold)}}
		k := Keeping{Cold: temp(cold), WalkIn: temp(walkIn), Past: stages}
		u := UseWindow(time.Unix(0, 0), w, k, Model(model))
		require.False(t, u.From.Before(time.Unix(0, 0)))
		require.False(t, u.By.Before(u.From))
		require.False(t, u.By.After(time.Unix(int64(w.Max), 0)))
		require.GreaterOrEqual(t, u.Unsure, quantity.Seconds(0))
		if dose, err := Dose(stages); err == nil {
			require.True(t, dose >= leastDose && dose <= mostDose)
		}
		_, _ = Warn(quantity.PPM(band), stages)
	})
}
