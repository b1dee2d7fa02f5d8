package main

import (
	"bytes"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
	"google.golang.org/grpc"

	v1 "doughrun/proto/doughrun/v1"
)

// tool is a program of the machine's that a test asks for a second opinion.
func tool(t *testing.T, name string) string {
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("%s is not installed", name)
		}
		t.Skipf("SKIPPED: %s is not installed", name)
	}
	return path
}

// Every figure that an alert or a query asks for is one that the service gives.
func TestAlertsAskForWhatIsMeasured(t *testing.T) {
	text, err := os.ReadFile("packaging/alerts.yaml")
	require.NoError(t, err)
	var rules struct {
		Groups []struct {
			Rules []struct {
				Alert, Expr, For string
				Annotations      map[string]string
			}
		}
	}
	require.NoError(t, yaml.Unmarshal(text, &rules))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	admin := l.Addr().String()
	require.NoError(t, l.Close())
	t.Setenv("DOUGHRUN_ADMIN_LISTEN", admin)
	var measured string
	serving(t, filepath.Join(t.TempDir(), "facts.db"), func(c *grpc.ClientConn) {
		text, err := os.ReadFile("../../testdata/kitchen.yaml")
		require.NoError(t, err)
		_, err = v1.NewKitchenServiceClient(c).AdoptBook(t.Context(), &v1.AdoptBookRequest{Kitchen: "kitchens/main", Source: text, RequestId: "5b0c7c2e-6a1f-4a55-9d5e-3f8f8f3d0a11"})
		require.NoError(t, err)
		resp, err := http.Get("http://" + admin + "/metrics")
		require.NoError(t, err)
		defer resp.Body.Close()
		b, err := io.ReadAll(resp.Body)
		require.NoError(t, err)
		measured = string(b)
	})
	asked := 0
	known := func(where, expr string) {
		for _, name := range regexp.MustCompile(`doughrun_\w+`).FindAllString(expr, -1) {
			require.Regexp(t, `(?m)^`+name+`[{ ]`, measured, where)
			asked++
		}
	}
	for _, r := range rules.Groups[0].Rules {
		require.NotEmpty(t, r.Annotations["summary"], r.Alert)
		known(r.Alert, r.Expr)
	}
	queries, err := os.ReadFile("packaging/queries.txt")
	require.NoError(t, err)
	for line := range strings.Lines(string(queries)) {
		if !strings.HasPrefix(line, "#") {
			known("queries.txt", line)
		}
	}
	require.Greater(t, asked, 18)
}

// systemd understands the unit, and finds little left to lock.
func TestUnit(t *testing.T) {
	analyze := tool(t, "systemd-analyze")
	text, err := os.ReadFile("packaging/doughrund.service")
	require.NoError(t, err)
	unit := filepath.Join(t.TempDir(), "doughrund.service")
	require.NoError(t, os.WriteFile(unit, bytes.ReplaceAll(text, []byte("/usr/bin/doughrund"), []byte("/bin/true")), 0o600))
	out, err := exec.Command(analyze, "verify", "--man=no", unit).CombinedOutput()
	require.NoError(t, err, string(out))
	require.NotContains(t, string(out), "doughrund.service:", "it does not know a word of it")
	out, err = exec.Command(analyze, "security", "--offline=true", "--threshold=20", unit).CombinedOutput() // 2.0 of 10
	require.NoError(t, err, string(out))
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	t.Log(lines[len(lines)-1])
}

// The package holds both programs, their pages and completions, the unit and
// the settings, which the programs take.
func TestDebianPackage(t *testing.T) {
	apart(t)
	pack := tool(t, "dpkg-deb")
	programs, folder := t.TempDir(), t.TempDir()
	out, err := exec.Command("go", "build", "-o", programs, "doughrun/cmd/doughrund", "doughrun/cmd/doughrun").CombinedOutput()
	require.NoError(t, err, string(out))
	build := exec.Command("packaging/deb", "0.0~test", folder)
	build.Env = append(os.Environ(), "PROGRAMS="+programs, "DPKG_DEB_COMPRESSOR_TYPE=none")
	out, err = build.CombinedOutput()
	require.NoError(t, err, string(out))
	files, err := filepath.Glob(filepath.Join(folder, "doughrun_0.0~test_*.deb"))
	require.NoError(t, err)
	require.Len(t, files, 1)
	root := filepath.Join(folder, "root")
	out, err = exec.Command(pack, "-x", files[0], root).CombinedOutput()
	require.NoError(t, err, string(out))
	for _, f := range []string{"usr/bin/doughrun", "usr/bin/doughrund", "usr/lib/systemd/system/doughrund.service", "usr/lib/sysusers.d/doughrun.conf",
		"usr/share/man/man1/doughrun.1.gz", "usr/share/bash-completion/completions/doughrund", "usr/share/zsh/vendor-completions/_doughrun",
		"usr/share/fish/vendor_completions.d/doughrun.fish", "etc/doughrun/doughrund.yaml"} {
		info, err := os.Stat(filepath.Join(root, f))
		require.NoError(t, err)
		require.NotZero(t, info.Size(), f)
	}
	page, err := exec.Command("gzip", "-dc", filepath.Join(root, "usr/share/man/man1/doughrund.1.gz")).Output()
	require.NoError(t, err)
	for _, c := range []string{"caller admit", "selfcheck", "migrate"} {
		require.Contains(t, string(page), ".SS doughrund "+c)
	}
	settings, err := exec.Command(filepath.Join(root, "usr/bin/doughrund"), "config", "--config", filepath.Join(root, "etc/doughrun/doughrund.yaml")).CombinedOutput()
	require.NoError(t, err, string(settings))
	require.Contains(t, string(settings), "/var/lib/doughrun/doughrun.db")
}
