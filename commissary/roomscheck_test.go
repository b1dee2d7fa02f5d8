package commissary_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"maps"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A pkg is what the checks need to know of one package of the module.
type pkg struct {
	path    string
	ours    []string // direct imports inside the module, from its top
	foreign []string // direct imports outside it
	files   []string
}

// load asks the go command for the packages of the module, without their tests. A package that does not build is still
// listed, for it has imports to judge; the build itself is the compiler's to refuse.
func load(t *testing.T) []pkg {
	t.Helper()
	cmd := exec.Command("go", "list", "-e", "-json=ImportPath,Dir,Module,Imports,GoFiles", "./...")
	cmd.Dir = ".."
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	require.NoError(t, err, stderr.String())

	var packages []pkg
	for dec := json.NewDecoder(bytes.NewReader(out)); ; {
		var listed struct {
			ImportPath, Dir  string
			Module           struct{ Path string }
			Imports, GoFiles []string
		}
		err := dec.Decode(&listed)
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		p := pkg{path: strings.TrimPrefix(listed.ImportPath, listed.Module.Path+"/")}
		for _, path := range listed.Imports {
			if ours, ok := strings.CutPrefix(path, listed.Module.Path+"/"); ok {
				p.ours = append(p.ours, ours)
			} else {
				p.foreign = append(p.foreign, path)
			}
		}
		for _, name := range listed.GoFiles {
			p.files = append(p.files, filepath.Join(listed.Dir, name))
		}
		packages = append(packages, p)
	}
	require.NotEmpty(t, packages)
	return packages
}

// roomOf finds the room a package belongs to: its own row, else the row above its folder internal.
func roomOf(path string, rooms []room) (room, bool) {
	for {
		if i := slices.IndexFunc(rooms, func(r room) bool { return r.path == path }); i >= 0 {
			return rooms[i], true
		}
		i := strings.LastIndex("/"+path+"/", "/internal/")
		if i <= 0 {
			return room{}, false
		}
		path = path[:i-1]
	}
}

// unlisted says which packages have no row, which rows have no package, and which entries of notYet are built or unknown.
func unlisted(packages []pkg, rooms []room, notYet []string) []string {
	var out []string
	built := map[string]bool{}
	for _, p := range packages {
		built[p.path] = true
		if _, ok := roomOf(p.path, rooms); !ok {
			out = append(out, p.path+" has no row in the table of rooms: give it one, with its reason")
		}
	}
	for _, r := range rooms {
		if !built[r.path] && !slices.Contains(notYet, r.path) {
			out = append(out, r.path+" stands in the table of rooms but does not exist: remove its row")
		}
	}
	for _, path := range notYet {
		if built[path] {
			out = append(out, path+" is built: remove it from notYet")
		}
		if !slices.ContainsFunc(rooms, func(r room) bool { return r.path == path }) {
			out = append(out, path+" stands in notYet but not in the table of rooms")
		}
	}
	return out
}

// reaches walks from every package through the module and reports the way to each room it may not reach, with the reason.
func reaches(packages []pkg, rooms []room) []string {
	edges := map[string][]string{}
	for _, p := range packages {
		edges[p.path] = p.ours
	}
	var out []string
	for _, start := range slices.Sorted(maps.Keys(edges)) {
		from, listed := roomOf(start, rooms)
		if !listed || slices.Equal(from.may, everyRoom) {
			continue // no rule, or none known: unlisted tells
		}
		cameFrom := map[string]string{start: ""}
		for queue := []string{start}; len(queue) > 0; queue = queue[1:] {
			here := queue[0]
			if to, _ := roomOf(here, rooms); to.path != from.path && !slices.Contains(from.may, to.path) {
				way := here
				for p := cameFrom[here]; p != ""; p = cameFrom[p] {
					way = p + " -> " + way
				}
				out = append(out, fmt.Sprintf("%s may not reach %s (%s): %s", start, here, way, from.why))
				continue // what lies behind a forbidden door is that door's fault
			}
			for _, next := range edges[here] {
				if _, seen := cameFrom[next]; !seen {
					cameFrom[next] = here
					queue = append(queue, next)
				}
			}
		}
	}
	return out
}

// imports reports direct imports from outside the module that a room may not have, with the reason.
func imports(packages []pkg, rooms []room) []string {
	below := func(path, top string) bool { return path == top || strings.HasPrefix(path, top+"/") }
	var out []string
	for _, p := range packages {
		r, _ := roomOf(p.path, rooms)
		for _, path := range p.foreign {
			for _, banned := range r.never {
				if below(path, banned) {
					out = append(out, fmt.Sprintf("%s may not import %s: %s", p.path, path, r.why))
				}
			}
			for _, s := range sole {
				if below(path, s.path) && r.path != s.room {
					out = append(out, fmt.Sprintf("%s may not import %s, only %s may: %s", p.path, path, s.room, s.why))
				}
			}
		}
	}
	return out
}

// alone says why most rooms start nothing at the same time.
const alone = "what runs at the same time may come out in another order, and the gate looks for races only in the rooms marked so"

// Names that read the machine's clock or zone, or a generator nobody seeded.
var (
	clock    = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker", "Local"}
	resolver = []string{"Date", "LoadLocation"}
	seeded   = []string{"New", "NewSource", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "Source", "Source64", "PCG", "ChaCha8", "Zipf"}
)

// ambient reads one file (src as in parser.ParseFile) of the package path in the room r and reports, with the reason, what
// it takes from its surroundings. Naming such a function counts like calling it.
func ambient(file string, src any, path string, r room) ([]string, error) {
	fset := token.NewFileSet()
	tree, err := parser.ParseFile(fset, file, src, parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	var out []string
	report := func(at ast.Node, what, why string) {
		out = append(out, fmt.Sprintf("%s: %s may not use %s: %s", fset.Position(at.Pos()), path, what, why))
	}
	names := map[string]string{} // what a file calls an imported package
	for _, spec := range tree.Imports {
		imported, err := strconv.Unquote(spec.Path.Value)
		if err != nil {
			return nil, err
		}
		switch imported {
		case "time", "math/rand", "math/rand/v2":
		default:
			continue
		}
		name := filepath.Base(strings.TrimSuffix(imported, "/v2"))
		if spec.Name != nil {
			name = spec.Name.Name
		}
		if name == "." {
			report(spec, "a dot import of "+imported, "its calls could not be seen")
		}
		names[name] = imported
	}
	ast.Inspect(tree, func(n ast.Node) bool {
		if started, ok := n.(*ast.GoStmt); ok && !r.races {
			report(started, "a goroutine", alone)
		}
		sel, ok := n.(*ast.SelectorExpr)
		if !ok {
			return true
		}
		if sel.Sel.Name == "Go" && !r.races {
			report(sel, "a goroutine", alone)
		}
		x, ok := sel.X.(*ast.Ident)
		if !ok {
			return true
		}
		switch imported := names[x.Name]; {
		case imported == "time" && slices.Contains(resolver, sel.Sel.Name) && path != "commissary/civil":
			report(sel, "time."+sel.Sel.Name, "commissary/civil alone resolves civil times, gaps and folds by one rule")
		case imported == "time" && slices.Contains(clock, sel.Sel.Name) && r.pure:
			report(sel, "time."+sel.Sel.Name, r.why)
		case strings.HasPrefix(imported, "math/rand") && !slices.Contains(seeded, sel.Sel.Name) && r.pure:
			report(sel, imported+"."+sel.Sel.Name, r.why)
		}
		return true
	})
	return out, nil
}

// The checks are themselves checked on a small module with one seeded fault at a time.
func TestRoomChecksCatchSeededFaults(t *testing.T) {
	table := []room{
		{path: "leaf", never: []string{"os"}, pure: true, why: "leaves stand alone"},
		{path: "middle", may: []string{"leaf"}, why: "the middle knows only leaves"},
		{path: "top", may: []string{"leaf", "middle"}, why: "the top never sees the side"},
		{path: "side", why: "the side stands alone"},
		{path: "main", may: everyRoom, why: "it knows all"},
	}
	clean := func() []pkg {
		return []pkg{
			{path: "leaf", foreign: []string{"fmt", "osmosis"}},
			{path: "middle", ours: []string{"leaf", "middle/internal/hand"}, foreign: []string{"os"}},
			{path: "middle/internal/hand", ours: []string{"leaf"}},
			{path: "top", ours: []string{"middle"}},
			{path: "side"},
			{path: "main", ours: []string{"top", "side"}},
		}
	}
	for _, tc := range []struct {
		name   string
		seed   func([]pkg) []pkg
		notYet []string
		want   []string
	}{
		{name: "clean", seed: func(p []pkg) []pkg { return p }},
		{name: "direct reach", seed: func(p []pkg) []pkg { p[3].ours = []string{"side"}; return p },
			want: []string{"top may not reach side (top -> side): the top never sees the side"}},
		{name: "reach through an allowed room", seed: func(p []pkg) []pkg { p[1].ours = []string{"side"}; return p },
			want: []string{"middle may not reach side (middle -> side): the middle knows only leaves",
				"top may not reach side (top -> middle -> side): the top never sees the side"}},
		{name: "internal package bound by its room", seed: func(p []pkg) []pkg { p[2].ours = []string{"side"}; return p },
			want: []string{"middle may not reach side (middle -> middle/internal/hand -> side): the middle knows only leaves",
				"middle/internal/hand may not reach side (middle/internal/hand -> side): the middle knows only leaves",
				"top may not reach side (top -> middle -> middle/internal/hand -> side): the top never sees the side"}},
		{name: "banned import", seed: func(p []pkg) []pkg { p[0].foreign = []string{"os/exec"}; return p },
			want: []string{"leaf may not import os/exec: leaves stand alone"}},
		{name: "import that one room keeps", seed: func(p []pkg) []pkg { p[5].foreign = []string{"database/sql"}; return p },
			want: []string{"main may not import database/sql, only commissary/store may: one room speaks SQL"}},
		{name: "package without a row", seed: func(p []pkg) []pkg { return append(p, pkg{path: "attic"}) },
			want: []string{"attic has no row in the table of rooms: give it one, with its reason"}},
		{name: "row without a package", seed: func(p []pkg) []pkg { p[4] = pkg{path: "main"}; return p[:5] },
			want: []string{"side stands in the table of rooms but does not exist: remove its row"}},
		{name: "not built yet", seed: func(p []pkg) []pkg { p[4] = pkg{path: "main"}; return p[:5] }, notYet: []string{"side"}},
		{name: "built after all", seed: func(p []pkg) []pkg { return p }, notYet: []string{"side", "cellar"},
			want: []string{"side is built: remove it from notYet", "cellar stands in notYet but not in the table of rooms"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			packages := tc.seed(clean())
			got := slices.Concat(unlisted(packages, table, tc.notYet), reaches(packages, table), imports(packages, table))
			require.Equal(t, tc.want, got)
		})
	}
}

func TestAmbientCatchesSeededFaults(t *testing.T) {
	pure := room{pure: true, why: "same in, same out"}
	for _, tc := range []struct {
		name, path, body string
		room             room
		want             int
	}{
		{name: "clean", room: pure, body: `import "time"; import "math/rand/v2"; var d = time.Second; var g = rand.New(rand.NewPCG(1, 2)); var n = g.IntN(3)`},
		{name: "clock called", room: pure, body: `import "time"; var t = time.Now()`, want: 1},
		{name: "clock named", room: pure, body: `import "time"; var f = time.Now`, want: 1},
		{name: "clock renamed", room: pure, body: `import clock "time"; var t = clock.Since(clock.Time{})`, want: 1},
		{name: "clock hidden", room: pure, body: `import . "time"; var t = Now()`, want: 1},
		{name: "clock at the edge", body: `import "time"; var t = time.Now()`},
		{name: "generator of the process", room: pure, body: `import "math/rand/v2"; var n = rand.IntN(3)`, want: 1},
		{name: "old generator of the process", room: pure, body: `import "math/rand"; var n = rand.Intn(3)`, want: 1},
		{name: "civil time anywhere", body: `import "time"; var t = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)`, want: 1},
		{name: "zone anywhere", body: `import "time"; var z, _ = time.LoadLocation("Europe/Rome")`, want: 1},
		{name: "civil time at its resolver", path: "commissary/civil", room: pure, body: `import "time"; var z, _ = time.LoadLocation("Europe/Rome")`},
		{name: "a goroutine", room: pure, body: `func f() { go f() }`, want: 1},
		{name: "a goroutine at the edge", body: `func f() { go f() }`, want: 1},
		{name: "a goroutine of a group", body: `import "sync"; func f(g *sync.WaitGroup) { g.Go(func() {}) }`, want: 1},
		{name: "a goroutine where races are looked for", room: room{races: true}, body: `func f() { go f() }`},
		{name: "another package of that name", room: pure, body: `import "example/time"; var t = time.Now()`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			got, err := ambient("seeded.go", "package seeded; "+tc.body, tc.path, tc.room)
			require.NoError(t, err)
			require.Len(t, got, tc.want, "%v", got)
		})
	}
}
