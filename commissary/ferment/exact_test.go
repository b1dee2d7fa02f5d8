package ferment

import (
	"go/ast"
	"go/constant"
	"go/parser"
	"go/token"
	"go/types"
	"hash/fnv"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestElementaryFunctions(t *testing.T) {
	for x := -50.0; x <= 50; x += 0.37 {
		require.InEpsilon(t, math.Exp(x), exp(x), 4e-15, "exp %v", x)
	}
	for x := 1e-9; x < 1e9; x *= 1.7 {
		require.InDelta(t, math.Log(x), ln(x), 4e-15*math.Max(1, math.Abs(math.Log(x))), "ln %v", x)
		require.InEpsilon(t, math.Pow(x, -0.728), pow(x, -0.728), 2e-14, "pow %v", x)
	}
	require.Equal(t, 1.0, exp(0))
	require.Zero(t, exp(-1e9))
	require.False(t, math.IsInf(exp(1e9), 0))
	require.Zero(t, pow(0, 2))
	require.Zero(t, pow(-1, 2))
}

// The same bits on every machine: this fails on a processor whose compiler
// fuses or reorders what the package comment promises to keep apart.
func TestSameBitsOnEveryMachine(t *testing.T) {
	h := fnv.New64a()
	for _, m := range Models() {
		r, coldest, hottest := m.curve()
		for c := math.Max(coldest, -20); c <= math.Min(hottest, 60); c += 0.173 {
			bits := math.Float64bits(r(c))
			for range 8 {
				h.Write([]byte{byte(bits)})
				bits >>= 8
			}
		}
	}
	require.Equal(t, "5c60ebdf884a297d", hex(h.Sum64()))
}

func hex(x uint64) string {
	const digits = "0123456789abcdef"
	s := ""
	for range 16 {
		s, x = string(digits[x%16])+s, x/16
	}
	return s
}

// Every product of floats stands directly inside a conversion, or a compiler
// may fuse it with a sum.
func TestNoProductCanBeFused(t *testing.T) {
	files := token.NewFileSet()
	names, err := filepath.Glob("*.go")
	require.NoError(t, err)
	var all []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(files, name, nil, 0)
		require.NoError(t, err)
		all = append(all, f)
	}
	require.GreaterOrEqual(t, len(all), 6)
	require.Empty(t, bareProducts(files, all))

	for source, want := range map[string]int{
		"package p; func f(a, b, c float64) float64 { return a*b + c }":                 1,
		"package p; func f(a, b, c float64) float64 { a *= b; return a + c }":           1,
		"package p; func f(a, b, c float64) float64 { return float64(a*b) + c }":        0,
		"package p; func f(a int, c float64) float64 { return float64(a*2) + 2*3 + c }": 0,
	} {
		f, err := parser.ParseFile(files, "p.go", source, 0)
		require.NoError(t, err)
		require.Len(t, bareProducts(files, []*ast.File{f}), want, source)
	}
}

func bareProducts(files *token.FileSet, all []*ast.File) (found []string) {
	info := types.Info{Types: map[ast.Expr]types.TypeAndValue{}}
	// Imports stay unresolved: what they return counts as no float, and all
	// floats here come from parameters, constants or float64 conversions.
	config := types.Config{Error: func(error) {}}
	_, _ = config.Check("p", files, all, &info)
	float := func(e ast.Expr) bool {
		b, ok := types.Default(info.Types[e].Type).(*types.Basic)
		return ok && b.Info()&types.IsFloat != 0 && (info.Types[e].Value == nil || info.Types[e].Value.Kind() == constant.Unknown)
	}
	kept := map[ast.Expr]bool{}
	for _, f := range all {
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.CallExpr:
				if id, ok := n.Fun.(*ast.Ident); ok && id.Name == "float64" {
					kept[n.Args[0]] = true
				}
			case *ast.BinaryExpr:
				if n.Op == token.MUL && float(n) && !kept[n] {
					found = append(found, files.Position(n.Pos()).String())
				}
			case *ast.AssignStmt:
				if n.Tok == token.MUL_ASSIGN && float(n.Lhs[0]) {
					found = append(found, files.Position(n.Pos()).String())
				}
			}
			return true
		})
	}
	return found
}
