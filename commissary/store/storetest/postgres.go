package storetest

import (
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

// Postgres is a PostgreSQL of a test's own: in a folder of its own, reached
// through a socket there, gone with the test.
type Postgres struct {
	dir, bin string
	as       *syscall.Credential
	names    atomic.Int64
	syncs    string // on or off
}

// StartPostgres starts a PostgreSQL. A machine that has none skips the test
// with a visible line, but for the one that decides about a change (CI=true).
// It lives in memory and syncs nothing: tests do not cut the power.
func StartPostgres(t testing.TB) *Postgres {
	t.Helper()
	return startPostgres(t, "/dev/shm", "off")
}

// StartDurablePostgres is StartPostgres as a kitchen would run it: on the disk,
// and what is committed is there to stay.
func StartDurablePostgres(t testing.TB) *Postgres {
	t.Helper()
	return startPostgres(t, "", "on")
}

func startPostgres(t testing.TB, where, syncs string) *Postgres {
	t.Helper()
	p := &Postgres{syncs: syncs}
	// The newest of those that are installed beside each other, as Debian does.
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	slices.SortFunc(found, func(a, b string) int { return len(a) - len(b) })
	if len(found) == 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("PostgreSQL is not installed; install the package postgresql")
		}
		t.Skip("SKIPPED: PostgreSQL is not installed (package postgresql)")
	}
	p.bin = filepath.Dir(found[len(found)-1])
	if info, err := os.Stat(where); err != nil || !info.IsDir() {
		where = "" // not every machine has it
	}
	var err error
	p.dir, err = os.MkdirTemp(where, "postgres")
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(p.dir)) })
	if os.Getuid() == 0 { // which PostgreSQL refuses to run as
		u, err := user.Lookup("postgres")
		require.NoError(t, err)
		uid, err := strconv.Atoi(u.Uid)
		require.NoError(t, err)
		gid, err := strconv.Atoi(u.Gid)
		require.NoError(t, err)
		p.as = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		require.NoError(t, os.Chown(p.dir, uid, gid))
	}
	p.do(t, "initdb", "-D", p.dir+"/data", "-A", "trust", "-U", "doughrun", "-E", "UTF8", "--locale=C.UTF-8", "-N")
	p.Start(t)
	t.Cleanup(func() { p.Stop(t) })
	// The service is no superuser, whom row security does not hold.
	p.Run(t, "postgres", "CREATE ROLE kitchens LOGIN")
	return p
}

// Start starts it again after Stop.
func (p *Postgres) Start(t testing.TB) {
	t.Helper()
	p.do(t, "pg_ctl", "-D", p.dir+"/data", "-l", p.dir+"/log", "-w", "start", "-o",
		"-k "+p.dir+" -c listen_addresses='' -c fsync="+p.syncs+" -c max_connections=200")
}

// Stop ends it at once, as a crash would.
func (p *Postgres) Stop(t testing.TB) {
	t.Helper()
	p.do(t, "pg_ctl", "-D", p.dir+"/data", "-m", "immediate", "-w", "stop")
}

// Database makes an empty database and returns its URL.
func (p *Postgres) Database(t testing.TB) string {
	t.Helper()
	name := fmt.Sprintf("test%d", p.names.Add(1))
	p.Run(t, "postgres", "CREATE DATABASE "+name+" OWNER kitchens STRATEGY file_copy")
	return p.url(name)
}

func (p *Postgres) url(name string) string { return "postgres://kitchens@/" + name + "?host=" + p.dir }

// Run runs a statement as somebody with other tools would, and returns what it prints.
func (p *Postgres) Run(t testing.TB, database, statement string) string {
	t.Helper()
	if rest, ok := strings.CutPrefix(database, "postgres://kitchens@/"); ok {
		database, _, _ = strings.Cut(rest, "?")
	}
	return p.do(t, "psql", "-h", p.dir, "-U", "doughrun", "-d", database, "-v", "ON_ERROR_STOP=1", "-qAt", "-c", statement)
}

// Bench runs a script of pgbench on a database and returns what it prints.
func (p *Postgres) Bench(t testing.TB, database, script string, args ...string) string {
	t.Helper()
	file := filepath.Join(p.dir, "script")
	require.NoError(t, os.WriteFile(file, []byte(script), 0o644))
	return p.do(t, "pgbench", append(args, "-n", "-f", file, database)...)
}

func (p *Postgres) do(t testing.TB, program string, args ...string) string {
	t.Helper()
	cmd := exec.Command(filepath.Join(p.bin, program), args...)
	cmd.Dir = p.dir
	cmd.Env = []string{"LC_ALL=C", "PATH=/usr/bin:/bin", "HOME=" + p.dir}
	if p.as != nil {
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: p.as}
	}
	// A file and not a pipe: the server that pg_ctl leaves behind would keep a pipe open.
	out, err := os.CreateTemp(p.dir, "out")
	require.NoError(t, err)
	defer out.Close()
	cmd.Stdout, cmd.Stderr = out, out
	err = cmd.Run()
	text, readErr := os.ReadFile(out.Name())
	require.NoError(t, readErr)
	require.NoError(t, err, "%s: %s", program, text)
	return strings.TrimSpace(string(text))
}
