package forecast

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// table reads a CSV file of the shared data as columns by name.
func table(t testing.TB, file string) map[string][]string {
	t.Helper()
	dir, err := os.Getwd()
	require.NoError(t, err)
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		require.NotEqual(t, dir, filepath.Dir(dir), "no go.mod above the test")
		dir = filepath.Dir(dir)
	}
	f, err := os.Open(filepath.Join(dir, "..", "shared", "data", file))
	if os.IsNotExist(err) {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the shared data lack %s", file)
		}
		t.Skipf("SKIPPED: the shared data lack %s", file)
	}
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	columns := map[string][]string{}
	for i, name := range rows[0] {
		for _, row := range rows[1:] {
			columns[name] = append(columns[name], row[i])
		}
	}
	return columns
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

// The five series that R forecast, with their first day. A restaurant (yaz)
// and a bakery from the package ddop (BSD-3-Clause); pizza_total is the
// synthetic pizzaplace of the R package gt (MIT).
var references = []struct{ name, counts, column, days string }{
	{"pizza_total", "demand-pizzaplace/pizzas_per_day.csv", "pizzas", "demand-pizzaplace/pizzas_per_day.csv"},
	{"yaz_chicken", "demand-yaz/yaz_target.csv", "chicken", "demand-yaz/yaz_data.csv"},
	{"yaz_steak", "demand-yaz/yaz_target.csv", "steak", "demand-yaz/yaz_data.csv"},
	{"bakery_roll", "demand-bakery-rolls/bakery_target.csv", "roll", "demand-bakery-rolls/bakery_data.csv"},
	{"bakery_seeded_roll", "demand-bakery-rolls/bakery_target.csv", "seeded_roll", "demand-bakery-rolls/bakery_data.csv"},
}

// realSeries reads one of references. Days are closed where the data say so
// and, in the bakery, whose data do not say, where not one roll was sold.
func realSeries(t testing.TB, i int) Series {
	t.Helper()
	r := references[i]
	days, counts := table(t, r.days), table(t, r.counts)
	first, err := civil.ParseDate(days["date"][0])
	require.NoError(t, err)
	s := Series{Shop: "shop", Item: r.name, First: first}
	for d, text := range counts[r.column] {
		sold := number(t, text)
		require.Equal(t, math.Trunc(sold), sold, "counts are whole")
		day := Day{Kind: Counted, Sold: quantity.Pieces(sold)}
		if closed, known := days["is_closed"]; known && closed[d] == "1" || !known && sold == 0 {
			day = Day{Kind: Closed}
		}
		s.Days = append(s.Days, day)
	}
	return s
}

// upTo cuts a series after its first n days.
func (s Series) upTo(n int) Series { s.Days = s.Days[:n:n]; return s }

type key struct {
	series, method string
	origin, step   int
}

// rolling reads R's rolling forecasts (R 4.2.2, package forecast 8.20).
func rolling(t testing.TB) (forecast, actual map[key]float64) {
	t.Helper()
	rows := table(t, "forecast-reference/rolling_forecasts.csv")
	forecast, actual = map[key]float64{}, map[key]float64{}
	for i, series := range rows["series"] {
		k := key{series, rows["method"][i], int(number(t, rows["origin"][i])), int(number(t, rows["step"][i]))}
		forecast[k], actual[k] = number(t, rows["forecast"][i]), number(t, rows["actual"][i])
	}
	return forecast, actual
}

// Two methods with fixed settings against R: ses() with its level started at
// the first value, and HoltWinters() additive with its own start.
func TestEqualParametersMatchR(t *testing.T) {
	forecast, actual := rolling(t)
	for i, r := range references {
		s := realSeries(t, i)
		for method, start := range map[string]func() model{
			"ses_alpha0.3_l0=y1":  func() model { return &simple{alpha: 0.3} },
			"hw_add_0.2_0.05_0.1": func() model { return &seasonal{alpha: 0.2, beta: 0.05, gamma: 0.1, damping: 1} },
		} {
			compared := 0
			for k, want := range forecast {
				if k.series != r.name || k.method != method {
					continue
				}
				m := start()
				for d, day := range s.Days[:k.origin] {
					m.take(d%7, float64(day.Sold)) // R was given closed days as zeros
				}
				require.InDelta(t, want, m.ahead((k.origin+k.step-1)%7, k.step), 1e-6, "%v", k)
				require.Equal(t, actual[k], float64(s.Days[k.origin+k.step-1].Sold), "%v", k)
				compared++
			}
			require.Equal(t, 56, compared, "%s %s", r.name, method)
		}
	}
}

// Eight origins a week apart, seven days ahead: what Learn chose on the days
// up to each origin, against the best of R's methods, fitted ones among them.
func TestChosenMethodAgainstR(t *testing.T) {
	forecast, _ := rolling(t)
	good := 0
	for i, r := range references {
		s := realSeries(t, i)
		miss := map[string]float64{}
		origins := map[int]Fit{}
		for k, f := range forecast {
			if k.series != r.name {
				continue
			}
			miss[k.method] += math.Abs(f-float64(s.Days[k.origin+k.step-1].Sold)) / 56
			if _, ok := origins[k.origin]; !ok {
				fit, err := Learn(s.upTo(k.origin))
				require.NoError(t, err)
				origins[k.origin] = fit
			}
		}
		require.Len(t, origins, 8)
		var ours, bias float64
		for origin, fit := range origins {
			for h := range Reach {
				off := float64(fit.Ahead[h])/float64(Piece) - float64(s.Days[origin+h].Sold)
				ours += math.Abs(off) / 56
				bias += off / 56
			}
		}
		best, name := math.Inf(1), ""
		for method, m := range miss {
			if m < best {
				best, name = m, method
			}
		}
		t.Logf("%-19s ours %.3f (bias %+.2f), best of R %.3f (%s), ratio %.3f, seasonal naive %.3f",
			r.name, ours, bias, best, name, ours/best, miss["snaive7"])
		require.Less(t, ours, miss["snaive7"], "seasonal naive on %s", r.name)
		if ours <= 1.01*best {
			good++
		}
	}
	require.GreaterOrEqual(t, good, 3, "series on which the mean absolute error is within 1 %% of the best of R")
}
