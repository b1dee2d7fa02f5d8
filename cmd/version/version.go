// Package version says which program this is.
package version

import (
	"runtime/debug"
	"strings"
)

// Info is what the build left in the program.
type Info struct {
	Version  string // of the module; "unversioned" when it was built outside its repository
	Revision string // of the source; empty when it was built outside its repository
	Changed  bool   // the source was not as the revision has it
	Compiler string
}

// Get reads it.
func Get() Info {
	b, ok := debug.ReadBuildInfo()
	if !ok {
		return Info{Version: unversioned}
	}
	return read(b)
}

const unversioned = "unversioned"

// released is what the Debian package says that it is; its build sets it.
var released string

func read(b *debug.BuildInfo) Info {
	i := Info{Version: b.Main.Version, Compiler: b.GoVersion}
	switch {
	case released != "":
		i.Version = released
	case i.Version == "", i.Version == "(devel)":
		i.Version = unversioned
	}
	for _, s := range b.Settings {
		switch s.Key {
		case "vcs.revision":
			i.Revision = s.Value
		case "vcs.modified":
			i.Changed = s.Value == "true"
		}
	}
	return i
}

// String is for people.
func (i Info) String() string {
	parts := []string{i.Version}
	switch {
	case i.Revision != "" && i.Changed:
		parts = append(parts, "revision "+i.Revision+" with changes")
	case i.Revision != "":
		parts = append(parts, "revision "+i.Revision)
	}
	if i.Compiler != "" {
		parts = append(parts, i.Compiler)
	}
	return strings.Join(parts, ", ")
}
