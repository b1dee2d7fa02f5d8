package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"doughrun/commissary/store"
	v1 "doughrun/proto/doughrun/v1"
)

func TestSelfcheck(t *testing.T) {
	db := filepath.Join(t.TempDir(), "facts.db")
	check := func(code int, args ...string) string {
		t.Helper()
		var out, talk bytes.Buffer
		require.Equal(t, code, run(t.Context(), append([]string{"selfcheck", "--database", db}, args...), nil, &out, &talk), talk.String())
		return out.String()
	}
	check(exitRefused) // there is none
	require.NoFileExists(t, db)
	serving(t, db, func(c *grpc.ClientConn) {
		text, err := os.ReadFile("../../testdata/kitchen.yaml")
		require.NoError(t, err)
		_, err = v1.NewKitchenServiceClient(c).AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: "kitchens/main", Source: text, RequestId: "5b0c7c2e-6a1f-4a55-9d5e-3f8f8f3d0a11"})
		require.NoError(t, err)
		out := check(exitDone) // beside the service
		require.Contains(t, out, "kitchen main")
		require.NotContains(t, out, "NOT WELL")
	})
	var all []store.Finding
	require.NoError(t, json.Unmarshal([]byte(check(exitDone, "--output", "json")), &all))
	require.Greater(t, len(all), 7)
	require.Contains(t, check(exitRefused, "--tls-certificate", "/no/such", "--tls-key", "/no/such"), "NOT WELL  access")
}
