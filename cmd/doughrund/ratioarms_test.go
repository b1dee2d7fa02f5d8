package main

import (
	"context"
	"database/sql"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/wrapperspb"
	_ "modernc.org/sqlite"

	"doughrun/commissary/store/storetest"
	v1 "doughrun/proto/doughrun/v1"
)

// What the service is held against.

// straight writes the rows of submitted orders, those of every caller in turn,
// into a database of the service's making, with prepared statements from one
// connection, sixty-four orders a commit.
func (k *bench) straight() arm {
	file := k.file()
	s := k.serve(file, false, "")
	require.NoError(k, s.submit(k.Context(), 0))
	require.NoError(k, s.cmd.Process.Kill())
	_, err := s.cmd.Process.Wait()
	require.NoError(k, err)
	db, err := sql.Open("sqlite", "file:"+file+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)&_pragma=foreign_keys(1)&_txlock=immediate")
	require.NoError(k, err)
	k.Cleanup(func() { db.Close() })
	db.SetMaxOpenConns(1)
	type table struct {
		insert *sql.Stmt
		rows   [][]any
		column map[string]int
	}
	tables := map[string]table{}
	order := []string{"orders", "order_lines", "changes", "replies"}
	for _, name := range order {
		newest := ""
		if name == "changes" { // those before tell of the book
			newest = " ORDER BY seq DESC LIMIT 1"
		}
		rows, err := db.Query("SELECT * FROM " + name + newest)
		require.NoError(k, err)
		columns, err := rows.Columns()
		require.NoError(k, err)
		t := table{column: map[string]int{}}
		for i, c := range columns {
			t.column[c] = i
		}
		for rows.Next() {
			values, to := make([]any, len(columns)), make([]any, len(columns))
			for i := range values {
				to[i] = &values[i]
			}
			require.NoError(k, rows.Scan(to...))
			t.rows = append(t.rows, values)
		}
		require.NoError(k, rows.Close())
		require.NotEmpty(k, t.rows, name)
		t.insert, err = db.Prepare("INSERT INTO " + name + " VALUES (?" + strings.Repeat(", ?", len(columns)-1) + ")")
		require.NoError(k, err)
		tables[name] = t
	}
	require.Len(k, tables["order_lines"].rows, ratioLines)
	night, err := db.Prepare(`INSERT INTO nights (kitchen, night, state) VALUES ('main', ?, 'OPEN') ON CONFLICT (kitchen, night) DO UPDATE SET state = excluded.state`)
	require.NoError(k, err)
	chain, err := db.Prepare(`UPDATE chains SET seq = ?, hash = ? WHERE kitchen = 'main'`)
	require.NoError(k, err)
	n := int64(ratioCallers)
	one := func(tx *sql.Tx) error {
		n++
		keys := map[string]any{"shop": k.shops[n%ratioCallers], "revision": n/ratioCallers + 1, "seq": n, "request_id": uuid.NewString()}
		if _, err := tx.Stmt(night).Exec(tables["orders"].rows[0][tables["orders"].column["night"]]); err != nil {
			return err
		}
		for _, name := range order {
			t := tables[name]
			insert := tx.Stmt(t.insert)
			for _, row := range t.rows {
				for column, value := range keys {
					if i, ok := t.column[column]; ok {
						row[i] = value
					}
				}
				if _, err := insert.Exec(row...); err != nil {
					return err
				}
			}
		}
		return nil
	}
	return arm{work: func(limit time.Duration) (float64, time.Duration) {
		began, wrote := time.Now(), 0
		for time.Since(began) < limit {
			tx, err := db.Begin()
			require.NoError(k, err)
			for range ratioCallers {
				require.NoError(k, one(tx))
			}
			_, err = tx.Stmt(chain).Exec(n, tables["changes"].rows[0][tables["changes"].column["hash"]])
			require.NoError(k, err)
			require.NoError(k, tx.Commit())
			wrote += ratioCallers
		}
		return float64(wrote), time.Since(began)
	}}
}

// echoes is the bare service of a program of its own.
var echoes = grpc.ServiceDesc{ServiceName: "bare.Echo", HandlerType: (*any)(nil), Methods: []grpc.MethodDesc{{MethodName: "Echo",
	Handler: func(_ any, _ context.Context, read func(any) error, _ grpc.UnaryServerInterceptor) (any, error) {
		m := &wrapperspb.BytesValue{}
		return m, read(m)
	}}}}

// The benchmark starts itself a second time for the echo.
func init() {
	if os.Getenv("BARE_ECHO") == "" {
		return
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err == nil {
		fmt.Fprintln(os.Stderr, "listening on", l.Addr())
		s := grpc.NewServer()
		s.RegisterService(&echoes, struct{}{})
		err = s.Serve(l)
	}
	fmt.Fprintln(os.Stderr, err)
	os.Exit(1)
}

func (k *bench) echo() arm {
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), "BARE_ECHO=yes")
	address := k.launch(cmd)
	var conns []*grpc.ClientConn
	for range ratioCallers {
		c, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
		require.NoError(k, err)
		k.Cleanup(func() { c.Close() })
		conns = append(conns, c)
	}
	sent := wrapperspb.Bytes(make([]byte, 300))
	return arm{processes: []*os.Process{cmd.Process}, work: func(limit time.Duration) (float64, time.Duration) {
		return all(k.B, ratioCallers, limit, func(i int) error {
			return conns[i].Invoke(k.Context(), "/bare.Echo/Echo", sent, &wrapperspb.BytesValue{})
		})
	}}
}

// submission is what a submit runs in PostgreSQL, as a script of pgbench; each
// client amends an order of its own.
const submission = `BEGIN;
SELECT set_config('doughrun.kitchen', '*', true);
SELECT request_id, call, digest, answer, settled_at FROM replies WHERE caller = 'local' AND request_id = md5(random()::text);
SELECT coalesce(max(revision), 0) FROM books WHERE kitchen = 'main';
SELECT max(at) FROM chains;
SELECT night, shop, revision, state, closed, submitted_by, submitted_at, late_by, late_why, phoned_by, (SELECT string_agg(l.bake_date || ' ' || CAST(l.pieces AS TEXT) || ' ' || l.item, ',' ORDER BY l.line) FROM order_lines l WHERE l.kitchen = orders.kitchen AND l.night = orders.night AND l.shop = orders.shop AND l.revision = orders.revision) FROM orders WHERE kitchen = 'main' AND night = 'NIGHT' AND shop = 'shop-' || :client_id ORDER BY revision DESC LIMIT 1;
SELECT night, state, closed_at FROM nights WHERE kitchen = 'main' AND night = 'NIGHT';
INSERT INTO nights (kitchen, night, state) VALUES ('main', 'NIGHT', 'OPEN') ON CONFLICT DO NOTHING RETURNING *;
INSERT INTO orders (kitchen, night, shop, revision, state, closed, submitted_by, submitted_at, late_by, late_why, phoned_by) SELECT 'main', 'NIGHT', 'shop-' || :client_id, 1 + (SELECT coalesce(max(revision), 0) FROM orders WHERE kitchen = 'main' AND night = 'NIGHT' AND shop = 'shop-' || :client_id), 'ACCEPTED', false, 'local', 1, '', '', '' RETURNING revision \gset
INSERT INTO order_lines (kitchen, night, shop, revision, line, item, pieces, bake_date) VALUES LINES RETURNING *;
INSERT INTO replies (caller, request_id, call, digest, answer, settled_at) VALUES ('local', gen_random_uuid()::text, '/doughrun.v1.OrderService/SubmitOrder', decode(repeat('00', 32), 'hex'), decode(repeat('00', 400), 'hex'), 1) RETURNING *;
INSERT INTO chains (kitchen, seq, hash, at) VALUES (KITCHEN, 1, decode(repeat('00', 32), 'hex'), 0) ON CONFLICT (kitchen) DO UPDATE SET seq = chains.seq + 1 RETURNING seq - 1 AS seq, hash, at \gset
INSERT INTO changes (kitchen, seq, at, who, call, subject, detail, facts, hash) VALUES (KITCHEN, :seq + 1, 1, 'local', '/doughrun.v1.OrderService/SubmitOrder', 'kitchens/main/nights/NIGHT/orders/shop-' || :client_id, 'revision submitted, 5 lines', decode(repeat('00', 1000), 'hex'), decode(repeat('00', 32), 'hex'));
UPDATE chains SET seq = :seq + 1, hash = decode(repeat('00', 32), 'hex'), at = 1 WHERE kitchen = KITCHEN;
COMMIT;
`

// postgres holds submits against pgbench that runs the same statements, and a
// night that everybody orders on against none at all.
func (k *bench) postgres() {
	p := storetest.StartDurablePostgres(k)
	s := k.serve(k.adopted(p.Database(k)), false, "")
	night := s.night[strings.LastIndexByte(s.night, '/')+1:]
	scripted := func(kitchen string) arm {
		database := k.adopted(p.Database(k))
		script := strings.ReplaceAll(strings.ReplaceAll(submission, "NIGHT", night), "KITCHEN", kitchen)
		var lines []string
		for i := range ratioLines {
			lines = append(lines, fmt.Sprintf("('main', '%s', 'shop-' || :client_id, :revision, %d, 'ball-%d', 8, '%s')", night, i+1, i, night))
		}
		script = strings.ReplaceAll(script, "LINES", strings.Join(lines, ", "))
		return arm{elsewhere: true, work: func(limit time.Duration) (float64, time.Duration) {
			said := p.Bench(k, database, script, "-M", "prepared", "-c", strconv.Itoa(ratioCallers), "-j", "2", "-T", strconv.Itoa(int(max(limit, time.Second)/time.Second)))
			tps := regexp.MustCompile(`tps = ([0-9.]+)`).FindStringSubmatch(said)
			require.NotNil(k, tps, said)
			n, err := strconv.ParseFloat(tps[1], 64)
			require.NoError(k, err)
			return n, time.Second
		}}
	}
	ratio(k.B, "submits on PostgreSQL by pgbench running the same SQL", 0.60, s.submits(), scripted("'main'"))
	ratio(k.B, "submits on PostgreSQL by pgbench with a record of changes for every client, where none waits for another", 0, s.submits(), scripted("'main-' || :client_id"))

	gated := k.adopted(p.Database(k))
	one, two := k.serve(gated, false, ""), k.serve(gated, false, "")
	open := k.adopted(p.Database(k))
	three, four := k.serve(open, false, "no gate"), k.serve(open, false, "no gate")
	half := ratioCallers / 2
	ratio(k.B, "all callers of two services on one open night of PostgreSQL by the same with no gate", 0.75,
		together(one.submitsOf(0, half), two.submitsOf(half, ratioCallers)), together(three.submitsOf(0, half), four.submitsOf(half, ratioCallers)))
}

// restart holds the time from kill -9 to serving again against opening and
// checking the same file. Its log is as full as it was when the service died.
func (k *bench) restart(most float64) {
	file := k.file()
	s := k.serve(file, false, "")
	for range 10 {
		s.submits().work(time.Second)
	}
	copied := filepath.Join(k.TempDir(), "facts.db")
	keep := func(from, to string) {
		for _, end := range []string{"", "-wal"} {
			text, err := os.ReadFile(from + end)
			require.NoError(k, err)
			require.NoError(k, os.WriteFile(to+end, text, 0o600))
		}
		_ = os.Remove(to + "-shm") // it may not be there
	}
	require.NoError(k, s.cmd.Process.Signal(syscall.SIGKILL))
	_, err := s.cmd.Process.Wait()
	require.NoError(k, err)
	info, err := os.Stat(file)
	require.NoError(k, err)
	log, err := os.Stat(file + "-wal")
	require.NoError(k, err)
	keep(file, copied)
	var last *os.Process
	speed := func(do func()) arm {
		return arm{elsewhere: true, work: func(time.Duration) (float64, time.Duration) {
			if last != nil {
				require.NoError(k, last.Kill())
				_, err := last.Wait()
				require.NoError(k, err)
				last = nil
			}
			keep(copied, file)
			began := time.Now()
			do()
			return 1, time.Since(began)
		}}
	}
	checks := speed(func() {
		db, err := sql.Open("sqlite", "file:"+file+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
		require.NoError(k, err)
		var said string
		require.NoError(k, db.QueryRow("PRAGMA quick_check").Scan(&said))
		require.Equal(k, "ok", said)
		require.NoError(k, db.Close())
	})
	serves := speed(func() {
		cmd := exec.Command(k.program, "serve", "--listen", "127.0.0.1:0", "--database", file, "--close-due", "no", "--log-level", "error")
		c, err := grpc.NewClient(k.launch(cmd), grpc.WithTransportCredentials(insecure.NewCredentials()))
		require.NoError(k, err)
		defer c.Close()
		_, err = v1.NewOrderServiceClient(c).GetOrder(k.Context(), &v1.GetOrderRequest{Name: k.night + "/orders/" + k.shops[0]})
		require.NoError(k, err)
		last = cmd.Process
	})
	ratio(k.B, fmt.Sprintf("opening and checking a file of %d MiB and a log of %d KiB by kill -9 to serving", info.Size()>>20, log.Size()>>10), 1/most, serves, checks)
}
