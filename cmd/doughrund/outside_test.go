package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// outside finds a client that others wrote. The full form installs them; the
// gate does without, for to build them takes more than a minute.
func outside(t *testing.T, name string) func(args ...string) string {
	t.Helper()
	program, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CASES") == "full" && os.Getenv("CI") == "true" {
			t.Fatal(name + " is not installed")
		}
		t.Skip("SKIPPED: " + name + " is not installed; .ci/full installs it")
	}
	return func(args ...string) string {
		t.Helper()
		out, err := exec.CommandContext(t.Context(), program, args...).CombinedOutput()
		require.NoError(t, err, "%s %v: %s", name, args, out)
		return string(out)
	}
}

// beside starts a service with its admin address and returns both.
func beside(t *testing.T, args ...string) (address, admin string) {
	t.Helper()
	free, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	admin = free.Addr().String()
	require.NoError(t, free.Close())
	r, w := io.Pipe()
	ctx, stop := context.WithCancel(t.Context())
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, append([]string{"serve", "--listen", "127.0.0.1:0", "--admin-listen", admin, "--log-level", "error", "--close-due", "no"}, args...), nil, io.Discard, w)
		w.Close()
	}()
	line := make([]byte, 200)
	n, err := r.Read(line)
	require.NoError(t, err)
	go io.Copy(io.Discard, r) // until w is closed
	_, address, ok := strings.Cut(strings.TrimSpace(string(line[:n])), "listening on ")
	require.True(t, ok, string(line[:n]))
	t.Cleanup(func() {
		stop()
		require.Equal(t, exitDone, <-code)
	})
	return address, admin
}

// Clients that know nothing of this project drive the service as it is meant to
// be run: TLS and a token on its address, reflection and health on the admin's.
func TestClientsOfOthers(t *testing.T) {
	grpcurl, probe := outside(t, "grpcurl"), outside(t, "grpc-health-probe")
	dir := t.TempDir()
	db := filepath.Join(dir, "facts.db")
	do := func(args ...string) {
		var talk bytes.Buffer
		require.Equal(t, exitDone, run(t.Context(), args, nil, &talk, &talk), "%v: %s", args, talk.String())
	}
	do("cert", "authority", "--site", "bench", "--dir", dir)
	do("cert", "server", "--host", "127.0.0.1", "--dir", dir)
	do("caller", "admit", "--name", "boss", "--role", "owner", "--token-file", filepath.Join(dir, "token"), "--database", db)
	token, err := os.ReadFile(filepath.Join(dir, "token"))
	require.NoError(t, err)
	t.Setenv("TOKEN", strings.TrimSpace(string(token)))
	address, admin := beside(t, "--database", db, "--tls-certificate", filepath.Join(dir, "server.crt"), "--tls-key", filepath.Join(dir, "server.key"))

	require.Contains(t, probe("-addr", admin, "-service", "doughrun.v1.OrderService"), "SERVING")
	require.Contains(t, grpcurl("-plaintext", admin, "list"), "doughrun.v1.OrderService")
	require.Contains(t, grpcurl("-plaintext", admin, "describe", "doughrun.v1.SubmitOrderRequest"), "request_id")
	contract := filepath.Join(dir, "contract")
	for _, service := range []string{"KitchenService", "NightService"} {
		grpcurl("-plaintext", "-protoset-out", contract+service, admin, "describe", "doughrun.v1."+service)
	}
	ask := func(service, method, request string) string {
		return grpcurl("-cacert", filepath.Join(dir, "authority.crt"), "-expand-headers", "-H", "authorization: Bearer ${TOKEN}",
			"-protoset", contract+service, "-d", request, address, "doughrun.v1."+service+"/"+method)
	}
	source, err := os.ReadFile("../../testdata/kitchen.yaml")
	require.NoError(t, err)
	adopt, err := json.Marshal(map[string]any{"kitchen": "kitchens/main", "source": source, "requestId": "5b0c7c2e-6a1f-4a55-9d5e-3f8f8f3d0a11"})
	require.NoError(t, err)
	require.Contains(t, ask("KitchenService", "AdoptBook", string(adopt)), "kitchens/main/books/1")
	require.Contains(t, ask("NightService", "GetNight", `{"name": "kitchens/main/nights/2026-11-26"}`), "NIGHT_STATE_OPEN")
}

// A load generator of others counts as we do: none of its calls fails.
func TestLoadOfOthers(t *testing.T) {
	ghz := outside(t, "ghz")
	dir := t.TempDir()
	address, _ := beside(t, "--database", filepath.Join(dir, "facts.db"))
	source, err := os.ReadFile("../../testdata/kitchen.yaml")
	require.NoError(t, err)
	adopt, err := json.Marshal(map[string]any{"kitchen": "kitchens/main", "source": source, "request_id": "5b0c7c2e-6a1f-4a55-9d5e-3f8f8f3d0a11"})
	require.NoError(t, err)
	load := func(call, request, n string) {
		var said struct {
			Count                  int
			RPS                    float64
			StatusCodeDistribution map[string]int
		}
		file := filepath.Join(dir, "request")
		require.NoError(t, os.WriteFile(file, []byte(request), 0o600))
		require.NoError(t, json.Unmarshal([]byte(ghz("--insecure", "--call", call, "-D", file, "-c", "64", "--connections", "8", "-n", n, "-O", "json", address)), &said))
		t.Logf("%s: %d calls, %.0f a second, %v", call, said.Count, said.RPS, said.StatusCodeDistribution)
		require.Equal(t, map[string]int{"OK": said.Count}, said.StatusCodeDistribution)
	}
	load("doughrun.v1.KitchenService.AdoptBook", string(adopt), "64") // adopted once, answered each time
	submit := fmt.Sprintf(`{"name": "kitchens/main/nights/%s/orders/harbor", "lines": [{"item_id": "sauce-3kg", "pieces": "3"}], "validate_only": true, "request_id": "{{newUUID}}"}`, openNights(time.Now(), 1)[0])
	load("doughrun.v1.OrderService.SubmitOrder", submit, "2000") // judged in the one writer, and taken back
	load("doughrun.v1.NightService.GetNight", `{"name": "kitchens/main/nights/2026-11-26"}`, "20000")
}
