package book

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

const kitchenFile = "../../testdata/kitchen.yaml"

func demoBytes(t testing.TB) []byte {
	data, err := os.ReadFile(filepath.FromSlash(kitchenFile))
	require.NoError(t, err)
	return data
}

func TestDemoKitchen(t *testing.T) {
	b, err := Read("kitchen.yaml", demoBytes(t))
	require.NoError(t, err)
	require.Len(t, b.Shops, 6)
}
