package version

import (
	"runtime/debug"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestString(t *testing.T) {
	b := &debug.BuildInfo{GoVersion: "go1.26.8"}
	b.Main.Version = "(devel)"
	require.Equal(t, "unversioned, go1.26.8", read(b).String())
	b.Main.Version = "v1.2.3"
	b.Settings = []debug.BuildSetting{{Key: "vcs.revision", Value: "4b1d"}, {Key: "vcs.modified", Value: "false"}}
	require.Equal(t, "v1.2.3, revision 4b1d, go1.26.8", read(b).String())
	b.Settings[1].Value = "true"
	require.Equal(t, "v1.2.3, revision 4b1d with changes, go1.26.8", read(b).String())
	released = "1.2"
	defer func() { released = "" }()
	require.Equal(t, "1.2, revision 4b1d with changes, go1.26.8", read(b).String())
	require.NotEmpty(t, Get().Version)
}
