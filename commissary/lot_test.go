package commissary

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestLotCode(t *testing.T) {
	// The identifier A1-2425G-ABC1234002-M carries a check character by
	// ISO 7064, MOD 37,36 (from memory).
	require.Equal(t, byte('M'), lotDigits[lotCheck("A1-2425G-ABC1234002")])

	code := LotCode("20261126-03", 1)
	require.True(t, strings.HasPrefix(code, "20261126-03-1"))
	require.False(t, Misread(code))
	for i := range len(code) {
		for _, c := range lotDigits[:10] {
			wrong := code[:i] + string(c) + code[i+1:]
			if code[i] != '-' && wrong != code {
				require.True(t, Misread(wrong), wrong)
			}
		}
	}
	require.NotEqual(t, code, LotCode("20261126-03", 2))
	require.False(t, Misread("D-1122"), "a code from elsewhere has its own rules")
}
