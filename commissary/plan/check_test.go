package plan

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"doughrun/commissary"
	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/commissary/quantity"
)

// demoNight is the demo kitchen's night, planned at 02:30.
func demoNight(t testing.TB) Input {
	t.Helper()
	read := func(path string) []byte {
		data, err := os.ReadFile("../../testdata/" + path)
		require.NoError(t, err)
		return data
	}
	b, err := book.Read("kitchen.yaml", read("kitchen.yaml"))
	require.NoError(t, err)
	night := civil.Date{Year: 2026, Month: time.November, Day: 26}
	orders, err := book.ReadOrders("orders.csv", read("night/orders.csv"), b, night)
	require.NoError(t, err)
	lots, err := book.ReadLots("lots.csv", read("night/lots.csv"), b)
	require.NoError(t, err)
	zone, err := civil.LoadZone(b.Kitchen.Zone)
	require.NoError(t, err)
	return Input{Book: b, Night: night, At: zone.Instant(night, civil.Clock(26*3600+1800)), Orders: orders, Lots: lots, Seed: 1, Steps: 300}
}

// quietNight is the demo night with a silent shop and small standing orders,
// so that one mix of house dough on Saturday takes a poolish of its own.
func quietNight(t testing.TB) Input {
	in := demoNight(t)
	in.Orders = slices.DeleteFunc(in.Orders, func(o commissary.Order) bool { return o.Shop == "hilltop" })
	for _, s := range in.Book.Shops {
		for i := range s.Standing {
			s.Standing[i].Pieces = s.Standing[i].Pieces/3 + 1
		}
	}
	return in
}

func texts(reasons []commissary.Reason) []string {
	var out []string
	for _, r := range reasons {
		out = append(out, string(r.Code)+" "+r.Text)
	}
	return out
}

// copied is a deep copy.
func copied[T any](t testing.TB, x T) T {
	t.Helper()
	b, err := json.Marshal(x)
	require.NoError(t, err)
	var y T
	require.NoError(t, json.Unmarshal(b, &y))
	return y
}

func TestCheckPassesTheDemoNight(t *testing.T) {
	for name, in := range map[string]Input{"demo": demoNight(t), "quiet": quietNight(t)} {
		p, err := Make(in)
		require.NoError(t, err)
		require.Empty(t, texts(Check(in, p)), name)
		require.Empty(t, texts(Check(copied(t, in), copied(t, p))), "%s, from a file", name)
	}
}

// mutant breaks one rule of a good plan. set is called with 0 to bring a
// number to its limit, which must pass, and with 1 to go one unit past it.
type mutant struct {
	code  commissary.ReasonCode
	name  string
	plain bool                    // the rule has no number: set is only called with 1
	over  int64                   // what Over must say one unit past the limit; 0: anything
	aside []commissary.ReasonCode // what else the change brings along
	set   func(t *testing.T, m *mutation, by int64)
}

// mutation is an input and a plan being changed.
type mutation struct {
	in   Input
	p    commissary.Plan
	hash string // what the plan says; empty: as it must be
}

func (m *mutation) formula(id string) *commissary.Formula {
	return &m.in.Book.Formulas[slices.IndexFunc(m.in.Book.Formulas, func(f commissary.Formula) bool { return f.ID == id })]
}

func (m *mutation) vessel(id string) *commissary.Vessel {
	return &m.in.Book.Vessels[slices.IndexFunc(m.in.Book.Vessels, func(v commissary.Vessel) bool { return v.ID == id })]
}

func (m *mutation) item(id string) *commissary.Item {
	return &m.in.Book.Items[slices.IndexFunc(m.in.Book.Items, func(v commissary.Item) bool { return v.ID == id })]
}

func (m *mutation) lot(code string) *commissary.Lot {
	return &m.in.Lots[slices.IndexFunc(m.in.Lots, func(v commissary.Lot) bool { return v.Code == code })]
}

// of returns the batches of a formula, which must be some.
func (m *mutation) of(t *testing.T, formula string) []*commissary.Batch {
	var all []*commissary.Batch
	for i := range m.p.Batches {
		if m.p.Batches[i].Formula == formula {
			all = append(all, &m.p.Batches[i])
		}
	}
	require.NotEmpty(t, all, "the plan makes no %s", formula)
	return all
}

func (m *mutation) need(s commissary.Serve) commissary.Need {
	return m.p.Needs[slices.IndexFunc(m.p.Needs, func(n commissary.Need) bool { return n.Shop == s.Shop && n.Item == s.Item && n.BakeDate == s.BakeDate })]
}

// demand states the needs anew after a change of the book.
func (m *mutation) demand(t *testing.T) {
	needs, _, err := Demand(m.in)
	require.NoError(t, err)
	m.p.Needs = needs
}

// step returns a batch's booking of a kind; the one on its vessel is not meant by rest.
func step(t *testing.T, b *commissary.Batch, kind commissary.StepKind) *commissary.Booking {
	at := slices.IndexFunc(b.Steps, func(s commissary.Booking) bool {
		return s.Step == kind && (kind != commissary.StepRest || s.Resource == "")
	})
	require.GreaterOrEqual(t, at, 0, "batch %s has no %s", b.ID, kind)
	return &b.Steps[at]
}

func def(f *commissary.Formula, kind commissary.StepKind) *commissary.Step {
	return &f.Steps[slices.IndexFunc(f.Steps, func(s commissary.Step) bool { return s.Kind == kind })]
}

func lasting(s *commissary.Booking) quantity.Seconds {
	return quantity.Seconds(s.To.Sub(s.From) / time.Second)
}

func sec(n int64) time.Duration { return time.Duration(n) * time.Second }

// fact is a posted batch of one booking, which takes up room beside the plan.
func (m *mutation) fact(s commissary.Booking) {
	m.in.Posted = append(m.in.Posted, commissary.Batch{ID: "20261125-90", Formula: "house-dough", Vessel: "elsewhere", Unit: 1, Mass: quantity.Kilogram, State: commissary.BatchPosted, Steps: []commissary.Booking{s}})
}

// brokenCodes are the codes that the source gives to broken rules.
func brokenCodes(t *testing.T) map[commissary.ReasonCode]string {
	file, err := parser.ParseFile(token.NewFileSet(), "../reason.go", nil, 0)
	require.NoError(t, err)
	codes := map[commissary.ReasonCode]string{}
	ast.Inspect(file, func(n ast.Node) bool {
		if v, ok := n.(*ast.ValueSpec); ok && len(v.Values) == 1 && strings.HasPrefix(v.Names[0].Name, "Broken") {
			code, err := strconv.Unquote(v.Values[0].(*ast.BasicLit).Value)
			require.NoError(t, err)
			codes[commissary.ReasonCode(code)] = v.Names[0].Name
		}
		return true
	})
	require.Greater(t, len(codes), 30)
	return codes
}

func TestEveryBrokenCodeHasAMutant(t *testing.T) {
	open := brokenCodes(t)
	for _, m := range mutants {
		delete(open, m.code)
	}
	for _, m := range dispatchMutants {
		delete(open, m.code)
	}
	require.Empty(t, open, "codes that no mutant of a good plan brings about")
}

func TestCheckFindsEveryMutant(t *testing.T) {
	in := quietNight(t)
	p, err := Make(in)
	require.NoError(t, err)
	require.Empty(t, texts(Check(in, p)))
	for _, m := range mutants {
		t.Run(string(m.code)+" "+m.name, func(t *testing.T) {
			for by := range int64(2) {
				if by == 0 && m.plain {
					continue
				}
				x := mutation{in: copied(t, in), p: copied(t, p)}
				m.set(t, &x, by)
				if x.p.InputHash = Hash(x.in); x.hash != "" {
					x.p.InputHash = x.hash
				}
				found := slices.DeleteFunc(Check(x.in, x.p), func(r commissary.Reason) bool { return slices.Contains(m.aside, r.Code) })
				if by == 0 {
					require.Empty(t, texts(found), "at the limit")
					continue
				}
				found = slices.DeleteFunc(found, func(r commissary.Reason) bool { return r.Code != m.code })
				require.NotEmpty(t, found, "one past the limit")
				for _, r := range found {
					require.NotEmpty(t, r.Limit)
					require.NotEmpty(t, r.Text)
				}
				if m.over != 0 {
					require.True(t, slices.ContainsFunc(found, func(r commissary.Reason) bool { return r.Over == m.over }), "want over %d: %+v", m.over, found)
				}
			}
		})
	}
}
