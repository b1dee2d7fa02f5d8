package forecast

import (
	"math"

	"doughrun/commissary/quantity"
)

// Undefined stands for a scaled error whose scale is zero or not known.
const Undefined quantity.PPM = -1

// Accuracy is how far the forecasts of a back-test were off, one to seven
// days ahead together. Percentage errors are left out: they mean nothing on
// days that sell nothing.
type Accuracy struct {
	Forecasts int   // how many were held against a count; 0: nothing is known
	MAE       Milli // mean absolute error, pieces a day
	Bias      Milli // mean of forecast − sale; above zero: too much is forecast
	// MASE is the mean absolute scaled error. Below Whole the forecasts were
	// better than taking the same day of the week before, over the whole history;
	// Undefined where that never errs.
	MASE quantity.PPM
}

// measure sums up misses, each forecast − sale.
func measure(misses []float64, scale float64) Accuracy {
	if len(misses) == 0 {
		return Accuracy{MASE: Undefined}
	}
	return Accuracy{
		Forecasts: len(misses),
		MAE:       milli(meanAbsolute(misses)),
		Bias:      milli(mean(misses)),
		MASE:      scaled(meanAbsolute(misses), scale),
	}
}

// scaled returns a mean absolute error over that of the naive method within
// the history: Hyndman and Koehler, "Another look at measures of forecast
// accuracy", International Journal of Forecasting 22 (2006) 679-688.
func scaled(mae, scale float64) quantity.PPM {
	if !(scale > 0) {
		return Undefined
	}
	return quantity.PPM(math.Round(min(mul(mae/scale, float64(quantity.Whole)), float64(quantity.MaxPPM))))
}

// naiveScale is the mean absolute change of a history from season days before,
// NaN where a day has no count. It is zero where no two days compare.
func naiveScale(history []float64, season int) float64 {
	var changes []float64
	for t := season; t < len(history); t++ {
		if change := history[t] - history[t-season]; !math.IsNaN(change) {
			changes = append(changes, change)
		}
	}
	if len(changes) == 0 {
		return 0
	}
	return meanAbsolute(changes)
}

func seasonalScale(days []Day) float64 {
	history := make([]float64, len(days))
	for i, d := range days {
		history[i] = math.NaN()
		if d.teaches() {
			history[i] = float64(d.Sold)
		}
	}
	return naiveScale(history, 7)
}

func meanAbsolute(misses []float64) float64 {
	sum := 0.0
	for _, m := range misses {
		sum += math.Abs(m)
	}
	return sum / float64(len(misses))
}

func meanSquare(misses []float64) float64 {
	sum := 0.0
	for _, m := range misses {
		sum += mul(m, m)
	}
	return sum / float64(len(misses))
}
