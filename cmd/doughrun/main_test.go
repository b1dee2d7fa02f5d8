package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"doughrun/cmd/papers"
	"doughrun/commissary"
	"doughrun/commissary/civil"
	v1 "doughrun/proto/doughrun/v1"
)

// The demo kitchen and its night.
const (
	kitchenFile = "../../testdata/kitchen.yaml"
	ordersFile  = "../../testdata/night/orders.csv"
	lotsFile    = "../../testdata/night/lots.csv"
	demoNight   = "2026-11-26"
	demoAt      = "2026-11-27 02:05"
)

// Whatever a test forgets to say stays out of the home of whoever runs it.
func TestMain(m *testing.M) {
	// But for what the compiler has made and fetched already.
	found, err := exec.Command("go", "env", "GOCACHE", "GOMODCACHE").Output()
	for i, path := range strings.Fields(string(found)) {
		if err == nil {
			err = os.Setenv([]string{"GOCACHE", "GOMODCACHE"}[i], path)
		}
	}
	var home string
	if err == nil {
		home, err = os.MkdirTemp("", "doughrun")
	}
	if err == nil {
		err = os.Setenv("HOME", home)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	code := m.Run()
	os.RemoveAll(home) // what stays is in the folder for such things
	os.Exit(code)
}

// result is how one command ended.
type result struct {
	code           int
	stdout, stderr string
}

// do runs a command in this process.
func do(t *testing.T, args ...string) result {
	t.Helper()
	return doWith(t, "", args...)
}

func doWith(t *testing.T, stdin string, args ...string) result {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code := run(t.Context(), args, strings.NewReader(stdin), &stdout, &stderr)
	return result{code: code, stdout: stdout.String(), stderr: stderr.String()}
}

// write keeps a text in a file of its own.
func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(b)
}

// What the process really ends with is only seen from outside.
func TestExitCodesOfTheBinary(t *testing.T) {
	binary := filepath.Join(t.TempDir(), "doughrun")
	out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput()
	require.NoError(t, err, string(out))
	rehearse := []string{"plan", "rehearse", "--kitchen", kitchenFile, "--lots", lotsFile, "--night", demoNight, "--at", demoAt}
	for _, tc := range []struct {
		name   string
		args   []string
		env    string
		code   int
		stderr string
	}{
		{"help", []string{"--help"}, "", exitDone, ""},
		{"a whole book", []string{"kitchen", "check", kitchenFile}, "", exitDone, "whole kitchen book"},
		{"no such command", []string{"kitchen", "burn"}, "", exitUsage, `unknown command "burn"`},
		{"no verb", []string{"plan"}, "", exitUsage, "plan needs a verb"},
		{"no such flag", []string{"kitchen", "show", "--colour"}, "", exitUsage, "unknown flag: --colour"},
		{"a flag is missing", []string{"night", "show"}, "", exitUsage, `"night" not set`},
		{"a file is missing on the line", []string{"kitchen", "check"}, "", exitUsage, "accepts 1 arg"},
		{"no such output", []string{"kitchen", "check", kitchenFile, "--output", "xml"}, "", exitUsage, "write text or json"},
		{"setting without a unit", []string{"night", "list", "--timeout", "5"}, "", exitUsage, "with its unit"},
		{"misspelt variable", []string{"night", "list"}, "DOUGHRUN_ADRESS=x", exitUsage, "did you mean DOUGHRUN_ADDRESS"},
		{"no such file", []string{"kitchen", "check", "nowhere.yaml"}, "", exitRefused, "nowhere.yaml"},
		{"bad date", []string{"night", "show", "--night", "2026-02-30"}, "", exitRefused, "is not a date"},
		{"bad orders", append(rehearse, "--orders", write(t, "o.csv", "shop,item,quantity,bake_date\nharbor,house-280,0,\n")), "", exitRefused, "o.csv:2"},
		{"nobody answers", []string{"night", "list", "--address", "127.0.0.1:1", "--timeout", "300ms"}, "", exitUnavailable, ""},
		{"nobody takes an order", []string{"order", "submit", "--night", demoNight, "--shop", "harbor", "--line", "house-280=8", "--address", "127.0.0.1:1", "--timeout", "300ms"}, "", exitUnavailable, "kept in the outbox and waits"},
		{"done with exceptions", append(rehearse, "--orders", ordersFile), "", exitExceptions, "with exceptions"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			cmd := exec.Command(binary, tc.args...)
			cmd.Env = []string{"HOME=" + t.TempDir(), tc.env}
			var stdout, stderr bytes.Buffer
			cmd.Stdout, cmd.Stderr = &stdout, &stderr
			err := cmd.Run()
			var exit *exec.ExitError
			if err != nil {
				require.ErrorAs(t, err, &exit)
			}
			require.Equal(t, tc.code, cmd.ProcessState.ExitCode(), stderr.String())
			require.Contains(t, stderr.String(), tc.stderr)
			if tc.code != exitDone && tc.code != exitExceptions {
				require.Empty(t, stdout.String(), "stdout holds results only")
			}
		})
	}
}

func TestExitCodeOfEveryError(t *testing.T) {
	for code, want := range map[codes.Code]int{
		codes.InvalidArgument: exitRefused, codes.NotFound: exitRefused, codes.AlreadyExists: exitRefused, codes.FailedPrecondition: exitRefused,
		codes.Aborted: exitRefused, codes.OutOfRange: exitRefused, codes.ResourceExhausted: exitRefused, codes.PermissionDenied: exitNotAllowed,
		codes.Unauthenticated: exitNotAllowed, codes.Unavailable: exitUnavailable, codes.DeadlineExceeded: exitUnavailable, codes.Canceled: exitUnavailable,
		codes.Internal: exitUnexpected, codes.Unknown: exitUnexpected, codes.DataLoss: exitUnexpected, codes.Unimplemented: exitUnexpected,
	} {
		require.Equal(t, want, exitOf(fmt.Errorf("wrapped: %w", status.Error(code, "x"))), code)
	}
	for _, kind := range commissary.Kinds() {
		want := exitRefused
		switch kind {
		case commissary.Internal:
			want = exitUnexpected
		case commissary.Denied, commissary.Unproven:
			want = exitNotAllowed
		case commissary.Unavailable:
			want = exitUnavailable
		}
		require.Equal(t, want, exitOf(fmt.Errorf("wrapped: %w", commissary.Refuse(kind, "X", "x"))), kind)
	}
	require.Equal(t, exitUnexpected, exitOf(errors.New("x")))
	require.Equal(t, exitUnavailable, exitOf(status.FromContextError(context.DeadlineExceeded).Err()))
}

func TestExplain(t *testing.T) {
	s, err := status.New(codes.InvalidArgument, "the order is wrong").WithDetails(
		&errdetails.ErrorInfo{Reason: "X", Metadata: map[string]string{"faults_left_out": "7"}},
		&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "lines[0].pieces", Description: "too many"}}})
	require.NoError(t, err)
	want := "the order is wrong\n  lines[0].pieces: too many\n  and 7 more"
	require.Equal(t, want, explain(s.Err()))
	require.Equal(t, want, explain(&failure{exitRefused, s.Err()}))
	require.Equal(t, "x", explain(errors.New("x")))
	require.Equal(t, "unavailable", explain(status.Error(codes.Unavailable, "")))
}

func TestInstant(t *testing.T) {
	zone, err := civil.LoadZone("America/New_York")
	require.NoError(t, err)
	want := time.Date(2026, 11, 27, 7, 5, 0, 0, time.UTC)
	for _, s := range []string{"2026-11-27 02:05", "2026-11-27T02:05:00-05:00", "2026-11-27T07:05:00Z", "2026-11-27T07:05:00.9Z"} {
		at, err := instant(s, zone)
		require.NoError(t, err, s)
		require.Equal(t, want, at, s)
	}
	// Clocks are put forward at two on this night: the first instant after the gap.
	at, err := instant("2026-03-08 02:30", zone)
	require.NoError(t, err)
	require.Equal(t, time.Date(2026, 3, 8, 7, 0, 0, 0, time.UTC), at)
	for _, s := range []string{"", "02:05", "2026-11-27", "2026-11-27 2:05", "2026-11-27  02:05", "2026-13-27 02:05", "2026-11-27 25:05", "2026-11-27T02:05:00", "1026-11-27T02:05:00Z"} {
		_, err := instant(s, zone)
		require.Equal(t, exitRefused, exitOf(err), s)
	}
}

func TestOrderLine(t *testing.T) {
	l, err := orderLine("house-280=96")
	require.NoError(t, err)
	require.Equal(t, [3]any{"house-280", int64(96), ""}, [3]any{l.GetItemId(), l.GetPieces(), l.GetBakeDate()})
	l, err = orderLine("house-280=96@2026-11-28")
	require.NoError(t, err)
	require.Equal(t, "2026-11-28", l.GetBakeDate())
	for _, s := range []string{"", "house-280", "=4", "house-280=", "house-280=0", "house-280=-3", "house-280=1.5", "house-280=4 kg", "house-280=99999999999999999999", "house-280=4@", "house-280=4@soon"} {
		_, err := orderLine(s)
		require.Error(t, err, s)
	}
}

// protojson puts in blanks at random, by build; what we write has none of them.
func TestJSONIsTheSameEveryTime(t *testing.T) {
	b, err := papers.Encode(&v1.GetNightResponse{Night: &v1.Night{NightDate: "2026-11-26", Site: &v1.Site{KitchenId: "main"}}})
	require.NoError(t, err)
	require.Equal(t, "{\n  \"night\": {\n    \"nightDate\": \"2026-11-26\",\n    \"site\": {\n      \"kitchenId\": \"main\"\n    }\n  }\n}\n", string(b))
}
