package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	v1 "doughrun/proto/doughrun/v1"
)

func TestExitCodes(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer taken.Close()
	db := filepath.Join(t.TempDir(), "facts.db")
	for _, tc := range []struct {
		name string
		args []string
		code int
		says string
	}{
		{"help", []string{"--help"}, exitDone, ""},
		{"version", []string{"--version"}, exitDone, ""},
		{"unknown command", []string{"bake"}, exitUsage, `unknown command "bake"`},
		{"unknown flag", []string{"serve", "--fast"}, exitUsage, "--fast"},
		{"too many words", []string{"config", "please"}, exitUsage, "please"},
		{"wrong setting", []string{"config", "--call-limit", "5"}, exitUsage, "call_limit (flag --call-limit)"},
		{"unknown output", []string{"config", "--output", "xml"}, exitUsage, "text or json"},
		{"settings file not there", []string{"serve", "--config", "/no/such/file"}, exitUsage, "/no/such/file"},
		{"no port", []string{"serve", "--listen", "127.0.0.1"}, exitUsage, "host and port"},
		{"every address", []string{"serve", "--listen", ":0", "--database", db}, exitRefused, "without access control"},
		{"beyond this machine", []string{"serve", "--listen", "192.0.2.1:0", "--database", db}, exitRefused, "127.0.0.1:7410"},
		{"by name", []string{"serve", "--listen", "kitchen.example:7410", "--database", db}, exitRefused, "kitchen.example"},
		{"admin beyond this machine", []string{"serve", "--listen", "127.0.0.1:0", "--admin-listen", ":0", "--database", db}, exitRefused, "without access control"},
		{"certificate without key", []string{"serve", "--listen", "127.0.0.1:0", "--tls-certificate", "x", "--database", db}, exitRefused, "both files or neither"},
		{"certificate not there", []string{"serve", "--listen", ":0", "--tls-certificate", "x", "--tls-key", "/no/such/key", "--database", db}, exitRefused, "/no/such/key"},
		{"client authority without TLS", []string{"serve", "--listen", "127.0.0.1:0", "--client-authority", "x", "--database", db}, exitRefused, "needs tls_certificate"},
		{"noun without a verb", []string{"caller"}, exitUsage, "needs a verb"},
		{"shop without its shop", []string{"caller", "admit", "--name", "till", "--role", "shop", "--token-file", "t", "--database", db}, exitRefused, "--shop goes with --role shop"},
		{"baker with a run", []string{"caller", "admit", "--name", "till", "--role", "baker", "--run", "north", "--token-file", "t", "--database", db}, exitRefused, "--run goes with --role driver"},
		{"unknown role", []string{"caller", "admit", "--name", "till", "--role", "king", "--token-file", "t", "--database", db}, exitRefused, `"king" is unknown`},
		{"name with blanks", []string{"caller", "admit", "--name", "North Till", "--role", "baker", "--token-file", "t", "--database", db}, exitRefused, "north-till"},
		{"too many days", []string{"caller", "admit", "--name", "till", "--role", "baker", "--token-file", "t", "--days", "4000", "--database", db}, exitRefused, "from 1 to 400"},
		{"nothing to revoke", []string{"caller", "revoke", "--id", "nothing", "--database", db}, exitRefused, "there is no credential nothing"},
		{"address taken", []string{"serve", "--listen", taken.Addr().String(), "--database", db}, exitUnavailable, "cannot listen"},
		{"no such folder", []string{"serve", "--listen", "127.0.0.1:0", "--database", "/no/such/folder/facts.db"}, exitUnexpected, "/no/such/folder/facts.db"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var out, talk bytes.Buffer
			code := run(t.Context(), tc.args, nil, &out, &talk)
			require.Equal(t, tc.code, code, talk.String())
			require.Contains(t, talk.String(), tc.says)
			if tc.code != exitDone {
				require.Empty(t, out.String(), "what goes wrong is told on the other stream")
			}
		})
	}
}

func TestConfigShowsWhereSettingsComeFrom(t *testing.T) {
	t.Setenv("DOUGHRUN_DATABASE", "night.db")
	var out, talk bytes.Buffer
	require.Equal(t, exitDone, run(t.Context(), []string{"config", "--listen", "[::1]:9000"}, nil, &out, &talk), talk.String())
	for _, line := range []string{"[::1]:9000  flag --listen", "night.db    environment DOUGHRUN_DATABASE", "10s         default"} {
		require.Contains(t, out.String(), line)
	}
	out.Reset()
	require.Equal(t, exitDone, run(t.Context(), []string{"config", "--output", "json"}, nil, &out, &talk), talk.String())
	var list []struct{ Key, From string }
	require.NoError(t, json.Unmarshal(out.Bytes(), &list))
	from := map[string]string{}
	for _, s := range list {
		from[s.Key] = s.From
	}
	require.Equal(t, "environment DOUGHRUN_DATABASE", from["database"])
}

// serving lets call speak with a service on the database, and then stops it.
func serving(t *testing.T, database string, call func(*grpc.ClientConn)) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	r, w := io.Pipe()
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, []string{"serve", "--listen", "127.0.0.1:0", "--database", database, "--log-level", "error", "--close-due", "no"}, nil, io.Discard, w)
		w.Close()
	}()
	line := make([]byte, 200)
	n, err := r.Read(line)
	require.NoError(t, err)
	go io.Copy(io.Discard, r) // until w is closed
	_, address, ok := strings.Cut(strings.TrimSpace(string(line[:n])), "listening on ")
	require.True(t, ok, string(line[:n]))
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	defer conn.Close()
	call(conn)
	stop()
	select {
	case c := <-code:
		require.Equal(t, exitDone, c)
	case <-time.After(20 * time.Second):
		require.Fail(t, "it did not stop")
	}
}

// What a stopped service has acknowledged is there when it starts again.
func TestServeStopsAndStartsAgain(t *testing.T) {
	db := filepath.Join(t.TempDir(), "facts.db")
	visit := func(call func(*grpc.ClientConn)) { serving(t, db, call) }
	book := &v1.GetBookRequest{Name: "kitchens/main/books/newest"}
	visit(func(c *grpc.ClientConn) {
		_, err := v1.NewKitchenServiceClient(c).GetBook(t.Context(), book)
		require.Equal(t, codes.NotFound, status.Code(err))
		text, err := os.ReadFile("../../testdata/kitchen.yaml")
		require.NoError(t, err)
		_, err = v1.NewKitchenServiceClient(c).AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: "kitchens/main", Source: text, RequestId: "5b0c7c2e-6a1f-4a55-9d5e-3f8f8f3d0a11"})
		require.NoError(t, err)
	})
	visit(func(c *grpc.ClientConn) {
		got, err := v1.NewKitchenServiceClient(c).GetBook(t.Context(), book)
		require.NoError(t, err)
		require.Equal(t, "1", got.GetRevision().GetEtag())
	})
}
