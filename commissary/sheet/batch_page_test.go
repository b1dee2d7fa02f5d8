package sheet

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A sheet that is a little too long gives up blank lines, never a line with something on it.
func TestOnOnePage(t *testing.T) {
	text := strings.Repeat("line\n\n", 34)
	fits := onOnePage(text)
	require.Equal(t, lines, strings.Count(fits, "\n"))
	require.Equal(t, 34, strings.Count(fits, "line"))
	require.True(t, strings.HasPrefix(fits, "line\n\nline\n\n"), "the blank lines above stay")
	long := strings.Repeat("line\n", 80)
	require.Equal(t, long, onOnePage(long))
}
