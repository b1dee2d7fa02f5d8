package sched

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// sharedData returns a folder of the open test data beside the repository.
func sharedData(t *testing.T, name string) string {
	t.Helper()
	dir, err := os.Getwd()
	require.NoError(t, err)
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			break
		}
		parent := filepath.Dir(dir)
		require.NotEqual(t, parent, dir, "no go.mod above the test")
		dir = parent
	}
	path := filepath.Join(dir, "..", "shared", "data", name)
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the test data ../shared/data/%s is missing", name)
		}
		t.Skipf("SKIPPED: the test data ../shared/data/%s is missing", name)
	}
	return path
}

// readProgenMax reads an instance as the generator ProGen/max writes it: a header, a line of successors and lags per
// activity, a line of duration and demands per activity, the capacities.
func readProgenMax(t *testing.T, path string) Spec {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	var rows [][]int64
	for line := range strings.Lines(string(data)) {
		var row []int64
		for _, f := range strings.Fields(strings.NewReplacer("[", " ", "]", " ").Replace(line)) {
			v, err := strconv.ParseInt(f, 10, 64)
			require.NoError(t, err, path)
			row = append(row, v)
		}
		if len(row) > 0 {
			rows = append(rows, row)
		}
	}
	n := int(rows[0][0]) + 2
	var s Spec
	for _, c := range rows[1+2*n] {
		s.Resources = append(s.Resources, Resource{Capacity: []Step{{0, c}}})
	}
	for i := range n {
		row := rows[1+n+i]
		mode := Mode{Duration: row[2]}
		longest := row[2]
		for r, amount := range row[3:] {
			if amount > 0 {
				mode.Demands = append(mode.Demands, Demand{r, amount})
			}
		}
		s.Tasks = append(s.Tasks, Task{Modes: []Mode{mode}})
		succ := rows[1+i]
		for k := range int(succ[2]) {
			gap := succ[3+int(succ[2])+k]
			s.Lags = append(s.Lags, Lag{From: Point{Task: i}, To: Point{Task: int(succ[3+k])}, Gap: gap})
			longest = max(longest, gap)
		}
		s.Horizon += longest // no activity need wait longer than this for the ones before it
	}
	return s
}

// TestProgenMaxUBO10 asks for the published answer of every instance of test set UBO10: C. Schwindt, test sets for the
// resource-constrained project scheduling problem with minimum and maximum time lags, made by the generator ProGen/max;
// optima as collected in the open data set named in ../shared/data/rcpspmax-ubo10/SOURCE.txt.
func TestProgenMaxUBO10(t *testing.T) {
	const budget = 300_000 // steps, for the proof included
	dir := sharedData(t, "rcpspmax-ubo10")
	f, err := os.Open(filepath.Join(dir, "optima.csv"))
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 46)
	var total, most int64
	for _, row := range rows[1:] {
		name, known := row[0], row[1]
		for seed := range uint64(3) {
			p, err := New(readProgenMax(t, filepath.Join(dir, name)))
			require.NoError(t, err, name)
			g, err := NewGoal(p, []Term{{Kind: Makespan, Weight: 1}})
			require.NoError(t, err, name)
			r := Solve(g, Options{Seed: seed, Steps: budget})
			total, most = total+r.Steps, max(most, r.Steps)
			if known == "unsat" {
				require.Equal(t, Infeasible, r.Status, "%s seed %d", name, seed)
				continue
			}
			require.Empty(t, Check(p, r.Solution), "%s seed %d", name, seed)
			if _, open, ok := strings.Cut(known, ".."); ok { // bounds of an open instance
				worst, err := strconv.ParseInt(open, 10, 64)
				require.NoError(t, err, name)
				require.LessOrEqual(t, r.Cost[0], worst, "%s seed %d", name, seed)
				continue
			}
			optimum, err := strconv.ParseInt(known, 10, 64)
			require.NoError(t, err, name)
			require.Equal(t, Optimal, r.Status, "%s seed %d", name, seed)
			require.Equal(t, []int64{optimum}, r.Cost, "%s seed %d", name, seed)
			require.Equal(t, []int64{optimum}, r.Bound, "%s seed %d", name, seed)
		}
	}
	t.Logf("45 instances, 3 seeds: %d steps in all, at most %d for one", total, most)
}
