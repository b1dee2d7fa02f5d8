package book

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

func TestDump(t *testing.T) {
	data, _ := os.ReadFile("/tmp/bk/cases.txt")
	var b strings.Builder
	b.WriteString("package book\n\n// refusals are edits of testdata/small.yaml, each with all the faults it must give.\nvar refusals = map[string]refusal{\n")
	for _, l := range strings.Split(strings.TrimRight(string(data), "\n"), "\n") {
		p := strings.Split(l, "|||")
		un := func(s string) string { return strings.ReplaceAll(strings.ReplaceAll(s, `\\n`, "\x00"), `\n`, "\n") }
		fix := func(s string) string { return strings.ReplaceAll(un(s), "\x00", `\n`) }
		_, err := Read("k.yaml", []byte(edited(t, change{fix(p[1]), fix(p[2])})))
		fmt.Println("##", p[0])
		fmt.Fprintf(&b, "\t%q: {[]change{{%q, %q}}, []string{\n", p[0], fix(p[1]), fix(p[2]))
		for _, f := range faults(t, err) {
			fmt.Println("   ", f)
			q := "`" + f + "`"
			if strings.Contains(f, "`") { q = fmt.Sprintf("%q", f) }
			fmt.Fprintf(&b, "\t\t%s,\n", q)
		}
		b.WriteString("\t}},\n")
	}
	b.WriteString("}\n")
	os.WriteFile("/tmp/bk/refusals_test.go", []byte(b.String()), 0o644)
}
