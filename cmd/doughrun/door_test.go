package main

import (
	"bufio"
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// A small site from nothing, with both programs as they are installed: an
// authority, a service that callers reach over TLS, an owner, two shops, and
// one of them sent away.
func TestASmallSite(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	out, err := exec.Command("go", "build", "-o", dir, "doughrun/cmd/doughrun", "doughrun/cmd/doughrund").CombinedOutput()
	require.NoError(t, err, string(out))
	seen := "" // all that both programs have written and were given
	command := func(code int, program string, args ...string) string {
		t.Helper()
		seen += strings.Join(args, " ")
		cmd := exec.Command(in(program), args...)
		cmd.Dir, cmd.Env = dir, []string{"HOME=" + dir, "DOUGHRUN_DATABASE=facts.db"}
		b, _ := cmd.CombinedOutput()
		seen += string(b)
		require.Equal(t, code, cmd.ProcessState.ExitCode(), "%s %v\n%s", program, args, b)
		return string(b)
	}
	office := func(args ...string) string { t.Helper(); return command(exitDone, "doughrund", args...) }

	office("cert", "authority", "--site", "Corner Kitchen")
	office("cert", "server", "--host", "127.0.0.1", "--host", "kitchen.example")
	office("cert", "client", "--name", "south-till")
	office("caller", "admit", "--name", "boss", "--role", "owner", "--token-file", "boss.token")

	// The service runs from its settings file, on every address.
	require.NoError(t, os.WriteFile(in("doughrund.yaml"), []byte(`listen: "0.0.0.0:0"
admin_listen: "127.0.0.1:0"
database: facts.db
tls_certificate: server.crt
tls_key: server.key
client_authority: authority.crt
close_due: "no"
log_level: debug
log_format: json
`), 0o600))
	service := exec.Command(in("doughrund"), "serve", "--config", "doughrund.yaml")
	service.Dir = dir
	talk, err := service.StderrPipe()
	require.NoError(t, err)
	require.NoError(t, service.Start())
	log := &bytes.Buffer{}
	read := make(chan struct{})
	address := make(chan string, 1)
	go func() {
		defer close(read)
		for lines := bufio.NewScanner(talk); lines.Scan(); {
			if m := regexp.MustCompile(`listening on \S*:(\d+)$`).FindStringSubmatch(lines.Text()); m != nil {
				address <- "127.0.0.1:" + m[1]
			}
			log.WriteString(lines.Text() + "\n")
		}
	}()
	stop := sync.OnceFunc(func() {
		require.NoError(t, service.Process.Signal(os.Interrupt))
		<-read
		require.NoError(t, service.Wait())
	})
	defer stop()
	var at string
	select {
	case at = <-address:
	case <-read:
		require.Fail(t, "the service does not start", log.String())
	}

	as := func(who string, code int, args ...string) string {
		t.Helper()
		return command(code, "doughrun", append(args, "--address", at, "--authority", "authority.crt", "--token-file", who+".token")...)
	}
	book, err := filepath.Abs(kitchenFile)
	require.NoError(t, err)
	as("boss", exitDone, "kitchen", "adopt", book)
	require.Contains(t, command(exitRefused, "doughrund", "caller", "admit", "--name", "pier-till", "--role", "shop", "--shop", "pier", "--token-file", "pier.token"), "has no shop pier")
	require.NoFileExists(t, in("pier.token"))
	office("caller", "admit", "--name", "harbor-till", "--role", "shop", "--shop", "harbor", "--token-file", "harbor.token")

	tomorrow := time.Now().AddDate(0, 0, 3).Format(time.DateOnly)
	order := func(shop string) []string {
		return []string{"order", "submit", "--night", tomorrow, "--shop", shop, "--closed"}
	}
	require.Contains(t, as("harbor", exitNotAllowed, order("river")...), "harbor-till may not")
	require.Contains(t, as("harbor", exitNotAllowed, order("nowhere")...), "harbor-till may not")
	as("harbor", exitDone, order("harbor")...)
	changes := as("harbor", exitDone, "audit", "show", "--night", tomorrow, "--shop", "harbor")
	require.Contains(t, changes, "harbor-till")
	as("harbor", exitNotAllowed, "audit", "show", "--night", tomorrow)
	require.Contains(t, as("boss", exitDone, "audit", "verify"), "hold")

	// A certificate does what a token does.
	office("caller", "admit", "--name", "river-till", "--role", "shop", "--shop", "river", "--certificate", "south-till.crt")
	command(exitDone, "doughrun", "order", "show", "--night", tomorrow, "--shop", "harbor", "--address", at, "--authority", "authority.crt", "--token-file", "boss.token")
	command(exitNotAllowed, "doughrun", "order", "show", "--night", tomorrow, "--shop", "harbor", "--address", at, "--authority", "authority.crt",
		"--certificate", "south-till.crt", "--certificate-key", "south-till.key")

	// Nobody is reached without the authority, nor without a credential.
	require.Contains(t, command(exitUsage, "doughrun", "night", "list", "--address", at, "--token-file", "boss.token"), "set authority")
	require.Contains(t, command(exitUsage, "doughrun", "night", "list", "--address", "kitchen.example:7410"), "over TLS only")
	require.Contains(t, command(exitNotAllowed, "doughrun", "night", "list", "--address", at, "--authority", "authority.crt"), "credential is missing")

	// A renewed token works beside the old one, a revoked one is listed as ended.
	list := office("caller", "list")
	id := regexp.MustCompile(`(?m)^(\S+)\s+harbor-till`).FindStringSubmatch(list)
	require.NotNil(t, id, list)
	office("caller", "renew", "--id", id[1], "--token-file", "harbor2.token", "--overlap", "1h")
	as("harbor2", exitDone, "order", "show", "--night", tomorrow, "--shop", "harbor")
	as("harbor", exitDone, "order", "show", "--night", tomorrow, "--shop", "harbor")
	office("caller", "revoke", "--id", id[1])
	require.Regexp(t, `(?m)^`+id[1]+`\s.*ended`, office("caller", "list"))
	require.Contains(t, as("boss", exitDone, "audit", "show", "--subject", "kitchens/main/credentials/"+id[1]), "revoked")

	// No secret was written anywhere but to its file.
	var texts []string
	for _, file := range []string{"facts.db", "facts.db-wal"} {
		b, err := os.ReadFile(in(file))
		require.NoError(t, err)
		texts = append(texts, string(b))
	}
	stop() // what it says is whole only then
	texts = append(texts, seen, log.String())
	for _, who := range []string{"boss", "harbor", "harbor2"} {
		token, err := os.ReadFile(in(who + ".token"))
		require.NoError(t, err)
		for _, text := range texts {
			require.NotContains(t, text, strings.TrimSpace(string(token)))
		}
	}
}
