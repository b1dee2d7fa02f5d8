package main

import (
	"flag"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	"doughrun/cmd/papers"
	v1 "doughrun/proto/doughrun/v1"
)

var update = flag.Bool("update", false, "write the golden files anew")

// days are whole nights, kept with what is planned for them.
var days = []struct{ name, orders, lots, night, at, output string }{
	{"demo", ordersFile, lotsFile, demoNight, demoAt, "text"},
	{"demo", ordersFile, lotsFile, demoNight, demoAt, "json"},
	{"no-lots", ordersFile, "", demoNight, "2026-11-26 23:30", "text"},
	{"silent", "../../testdata/days/silent/orders.csv", lotsFile, demoNight, demoAt, "text"},
}

func rehearsal(orders, lots, night, at string, more ...string) []string {
	args := []string{"plan", "rehearse", "--kitchen", kitchenFile, "--orders", orders, "--night", night, "--at", at}
	if lots != "" {
		args = append(args, "--lots", lots)
	}
	return append(args, more...)
}

func TestDaysAreAsTheyWere(t *testing.T) {
	for _, d := range days {
		t.Run(d.name+"/"+d.output, func(t *testing.T) {
			r := do(t, rehearsal(d.orders, d.lots, d.night, d.at, "--output", d.output)...)
			require.Contains(t, []int{exitDone, exitExceptions}, r.code, r.stderr)
			path := filepath.Join("../../testdata/days", d.name, "plan."+map[string]string{"text": "txt", "json": "json"}[d.output])
			if *update {
				require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
				require.NoError(t, os.WriteFile(path, []byte(r.stdout), 0o644))
			}
			// The texts are long: comparing them as one keeps a failure short.
			require.True(t, read(t, path) == r.stdout, "%s has changed: go test ./cmd/doughrun -update writes it, git diff shows it", path)
		})
	}
}

// shuffled is a CSV file with its rows in another order.
func shuffled(t *testing.T, path string, r *rand.Rand) string {
	t.Helper()
	rows := strings.Split(strings.TrimSpace(read(t, path)), "\n")
	r.Shuffle(len(rows)-1, func(i, j int) { rows[i+1], rows[j+1] = rows[j+1], rows[i+1] })
	return write(t, filepath.Base(path), strings.Join(rows, "\r\n"))
}

func TestTheOrderOfRowsDoesNotMatter(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Log("seed", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	want := do(t, rehearsal(ordersFile, lotsFile, demoNight, demoAt, "--output", "json")...)
	require.Equal(t, exitExceptions, want.code, want.stderr)
	for range 3 {
		got := do(t, rehearsal(shuffled(t, ordersFile, r), shuffled(t, lotsFile, r), demoNight, demoAt, "--output", "json")...)
		require.True(t, want.stdout == got.stdout, "the same day in another order of rows gave another plan")
	}
}

// A rehearsed plan passes the check; what is broken in it afterwards is named.
func TestCheckNamesWhatIsBroken(t *testing.T) {
	r := do(t, rehearsal(ordersFile, lotsFile, demoNight, demoAt, "--output", "json")...)
	require.Equal(t, exitExceptions, r.code, r.stderr)
	check := func(t *testing.T, plan string, more ...string) result {
		return do(t, append([]string{"plan", "check", "--kitchen", kitchenFile, "--orders", ordersFile, "--lots", lotsFile, "--plan", write(t, "plan.json", plan)}, more...)...)
	}
	good := check(t, r.stdout)
	require.Equal(t, exitDone, good.code, good.stdout)
	require.Contains(t, good.stdout, "All well")

	// dough returns the first two batches of one vessel that make balls.
	dough := func(p *v1.Plan) (a, b *v1.Batch) {
		for _, x := range p.GetBatches() {
			switch {
			case x.GetFormulaId() != "house-dough" || x.GetVesselId() != "big-mixer":
			case a == nil:
				a = x
			case b == nil:
				b = x
			}
		}
		require.NotNil(t, b)
		return a, b
	}
	move := func(b *v1.Batch, d time.Duration) {
		for _, s := range b.GetSteps() {
			s.StartTime, s.EndTime = timestamppb.New(s.GetStartTime().AsTime().Add(d)), timestamppb.New(s.GetEndTime().AsTime().Add(d))
		}
		b.MixEndTime = timestamppb.New(b.GetMixEndTime().AsTime().Add(d))
	}
	for _, tc := range []struct {
		name, code string
		damage     func(p *v1.Plan)
	}{
		{"one batch over capacity", "OVER_CAPACITY", func(p *v1.Plan) { a, _ := dough(p); a.MassMg *= 2 }},
		{"one outside its window", "OUTSIDE_WINDOW", func(p *v1.Plan) { a, _ := dough(p); move(a, 72*time.Hour) }},
		{"one overlapping", "OVERLAP", func(p *v1.Plan) {
			a, b := dough(p)
			move(b, a.GetMixEndTime().AsTime().Sub(b.GetMixEndTime().AsTime()))
		}},
		{"one ball unassigned", "PIECES_DO_NOT_ADD_UP", func(p *v1.Plan) { a, _ := dough(p); a.GetServes()[0].Pieces-- }},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var m v1.DraftPlanResponse
			require.NoError(t, protojson.Unmarshal([]byte(r.stdout), &m))
			tc.damage(m.GetPlan())
			b, err := papers.Encode(m.GetPlan()) // the plan alone is read as well
			require.NoError(t, err)
			bad := check(t, string(b), "--output", "json")
			require.Equal(t, exitExceptions, bad.code, bad.stderr)
			require.Contains(t, bad.stdout, `"code": "`+tc.code+`"`)
		})
	}
}

func TestMalformedInputsAreRefused(t *testing.T) {
	header := "shop,item,quantity,bake_date\n"
	lots := "code,item,formula,quantity,made,held\n"
	for _, tc := range []struct{ name, orders, lots, night, at, stderr string }{
		{name: "zero", orders: header + "harbor,house-280,0,\n", stderr: "orders.csv:2: quantity: an order for zero pieces"},
		{name: "negative", orders: header + "harbor,house-280,-4,\n", stderr: "orders.csv:2: quantity"},
		{name: "huge", orders: header + "harbor,house-280,99999999999999999999,\n", stderr: "orders.csv:2: quantity"},
		{name: "wrong unit", orders: header + "harbor,house-280,4 kg,\n", stderr: "orders.csv:2: quantity"},
		{name: "unknown shop", orders: header + "habor,house-280,4,\n", stderr: `orders.csv:2: there is no shop "habor"`},
		{name: "unknown item", orders: header + "harbor,house-28,4,\n", stderr: `orders.csv:2: there is no item "house-28"`},
		{name: "duplicate line", orders: header + "harbor,house-280,4,\nharbor,house-280,5,2026-11-27\n", stderr: "orders.csv:3: shop"},
		{name: "bad date", orders: header + "harbor,house-280,4,2026-11-31\n", stderr: "orders.csv:2: bake_date"},
		{name: "several at once", orders: header + "habor,house-280,4,\nharbor,house-280,0,\n", stderr: "orders.csv:3"},
		{name: "no header", orders: "harbor,house-280,4,\n", stderr: "orders.csv:1: the header"},
		{name: "no CSV", orders: header + "harbor,\"house-280,4,\n", stderr: "this is not CSV"},
		{name: "no text", orders: header + "harbor,\xff,4,\n", stderr: "orders.csv"},
		{name: "bad lot", orders: header, lots: lots + "a,house-280,,18 kg,2026-11-25 05:10,\n", stderr: "lots.csv:2: quantity"},
		{name: "lot of yesterday's clock", orders: header, lots: lots + "a,house-280,,18,yesterday,\n", stderr: "lots.csv:2: made"},
		{name: "bad night", orders: header, night: "26.11.2026", stderr: "--night"},
		{name: "bad instant", orders: header, at: "at two", stderr: "--at"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			lotFile := ""
			if tc.lots != "" {
				lotFile = write(t, "lots.csv", tc.lots)
			}
			night, at := tc.night, tc.at
			if night == "" {
				night = demoNight
			}
			if at == "" {
				at = demoAt
			}
			r := do(t, rehearsal(write(t, "orders.csv", tc.orders), lotFile, night, at)...)
			require.Equal(t, exitRefused, r.code, r.stderr)
			require.Empty(t, r.stdout)
			require.Contains(t, r.stderr, tc.stderr)
		})
	}
}

func TestMalformedPlansAreRefused(t *testing.T) {
	for name, text := range map[string]string{
		"empty":           "",
		"no JSON":         "BATCH PLAN",
		"another message": `{"order": {}}`,
		"negative pieces": `{"nightDate": "2026-11-26", "needs": [{"shopId": "harbor", "itemId": "house-280", "bakeDate": "2026-11-27", "pieces": -1}]}`,
		"no night":        `{"needs": []}`,
		"no such date":    `{"plan": {"nightDate": "2026-02-30"}}`,
		"no such state":   `{"plan": {"nightDate": "2026-11-26", "state": "PLAN_STATE_BURNT"}}`,
	} {
		t.Run(name, func(t *testing.T) {
			r := doWith(t, text, "plan", "check", "--kitchen", kitchenFile, "--orders", ordersFile, "--plan", "-")
			require.Equal(t, exitRefused, r.code, r.stdout+r.stderr)
			require.Empty(t, r.stdout)
		})
	}
	r := do(t, "plan", "check", "--orders", ordersFile, "--plan", "-")
	require.Equal(t, exitUsage, r.code)
	require.Contains(t, r.stderr, "--orders without --kitchen")
}

func TestKitchenCheckTellsFaultsByLine(t *testing.T) {
	book := strings.Replace(read(t, kitchenFile), "kind: flour", "kind: flower", 1)
	r := do(t, "kitchen", "check", write(t, "kitchen.yaml", book))
	require.Equal(t, exitRefused, r.code)
	require.Empty(t, r.stdout)
	require.Regexp(t, `kitchen\.yaml:\d+: `, r.stderr)
	r = do(t, "kitchen", "check", kitchenFile, "--units", "us")
	require.Equal(t, exitDone, r.code, r.stderr)
	require.Contains(t, r.stdout, "9.88 oz")
	require.NotContains(t, r.stdout, "   280 g ")
}
