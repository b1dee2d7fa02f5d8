package forecast

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/quantity"
)

// naive returns the misses of forecasting every value by the one before, and
// the forecast after the last. One weekday all along makes the seasonal naive
// method the plain one.
func naive(values []float64) (misses []float64, next float64) {
	m := &lastWeek{}
	for i, v := range values {
		if i > 0 {
			misses = append(misses, m.ahead(0, 1)-v)
		}
		m.take(0, v)
	}
	return misses, m.ahead(0, 1)
}

// FE-1 and FE-2: two published exercises (wizedu, questions 9831 and 52296).
// Their percentage errors are not checked because none are kept: see Accuracy.
func TestNaiveExercises(t *testing.T) {
	for _, c := range []struct {
		name      string
		values    []float64
		mae, mse  float64
		next, sum float64
	}{
		{"FE-1", []float64{18, 13, 16, 11, 17, 14}, 4.40, 20.80, 14, 4},
		{"FE-2", []float64{19, 13, 15, 10, 17, 13}, 4.8, 26.0, 13, 6},
	} {
		misses, next := naive(c.values)
		require.Equal(t, c.next, next, c.name)
		require.InDelta(t, c.mae, meanAbsolute(misses), 1e-12, c.name)
		require.InDelta(t, c.mse, meanSquare(misses), 1e-12, c.name)
		a := measure(misses, naiveScale(c.values, 1))
		require.Equal(t, Milli(math.Round(c.mae*1000)), a.MAE, c.name)
		// Naive misses telescope: their mean is (first − last) ÷ 5, forecast too high where the series falls.
		require.Equal(t, Milli(math.Round(c.sum/5*1000)), a.Bias, c.name)
		require.Equal(t, quantity.Whole, a.MASE, "FE-5: naive scored on its own training set")
	}
}

// FE-3: worked example of the documentation of sktime (from memory, arithmetic checked).
func TestScaledError(t *testing.T) {
	train := []float64{5, 0.5, 4, 6, 3, 5, 2}
	actual := []float64{3, -0.5, 2, 7, 2}
	forecast := []float64{2.5, 0, 2, 8, 1.25}
	var misses []float64
	for i, f := range forecast {
		misses = append(misses, f-actual[i])
	}
	require.InDelta(t, 0.55, meanAbsolute(misses), 1e-12)
	require.InDelta(t, 3.0, naiveScale(train, 1), 1e-12)
	require.Equal(t, quantity.PPM(183_333), measure(misses, naiveScale(train, 1)).MASE)
}

// FE-4: Hyndman and Athanasopoulos, Forecasting: Principles and Practice, 2nd
// edition, section 3.4, Australian beer (figures from memory). Their series is
// not at hand, but a table of scaled errors has one scale: MAE ÷ MASE must be
// the same in every row, as far as the printed digits go.
func TestScaledErrorsShareOneScale(t *testing.T) {
	const scale = 14.3
	for _, row := range []struct {
		method    string
		mae, mase float64
	}{{"mean", 34.83, 2.44}, {"naive", 57.40, 4.01}, {"seasonal naive", 13.40, 0.94}} {
		require.InDelta(t, row.mase, float64(scaled(row.mae, scale))/float64(quantity.Whole), 0.0051, row.method)
	}
}

// FE-5 with a week's season, and the cases without a scale.
func TestScaleOfAHistory(t *testing.T) {
	s := realSeries(t, 0)
	var history, misses []float64
	for d, day := range s.Days {
		history = append(history, float64(day.Sold))
		if d >= 7 {
			misses = append(misses, history[d-7]-history[d])
		}
	}
	require.Equal(t, quantity.Whole, measure(misses, naiveScale(history, 7)).MASE)

	require.Equal(t, Undefined, measure([]float64{1}, naiveScale([]float64{4, 4, 4}, 1)).MASE, "a constant history")
	require.Equal(t, Undefined, measure([]float64{1}, naiveScale([]float64{4, math.NaN(), 5}, 1)).MASE, "no two days compare")
	require.Equal(t, Accuracy{MASE: Undefined}, measure(nil, 3))
}
