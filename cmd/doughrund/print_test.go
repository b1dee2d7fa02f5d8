package main

import (
	"bytes"
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"doughrun/commissary/book"
	"doughrun/commissary/civil"
	"doughrun/config"
	v1 "doughrun/proto/doughrun/v1"
	"doughrun/testdata"
)

// With a folder to print into, the service writes a night's papers at the
// release of its plan and of its dispatch, and again when the dock changes it;
// all of them are there once it has stopped.
func TestTheServicePrintsByItself(t *testing.T) {
	dir := t.TempDir()
	s := &stage{ctx: t.Context(), talk: t.Output()}
	source, err := testdata.Files.ReadFile("kitchen.yaml")
	require.NoError(t, err)
	b, err := book.Read("kitchen.yaml", source)
	require.NoError(t, err)
	s.night, err = civil.ParseDate(demoNight)
	require.NoError(t, err)
	s.zone, err = civil.LoadZone(b.Kitchen.Zone)
	require.NoError(t, err)
	require.NoError(t, s.turn("22:30"))
	settings := config.Service{Listen: "127.0.0.1:0", Database: filepath.Join(t.TempDir(), "p.db"), CallLimit: time.Minute, StopLimit: 10 * time.Second,
		PrintDir: dir, Paper: "a4", LogLevel: "error", LogFormat: "text"}
	serving, stop := context.WithCancel(t.Context())
	defer stop()
	address, served := make(chan net.Addr, 1), make(chan error, 1)
	var log bytes.Buffer
	go func() {
		served <- serve(serving, settings, func() time.Time { return time.Unix(s.now.Load(), 0) }, logger(settings, &log), func(a net.Addr) { address <- a })
	}()
	s.conn, err = grpc.NewClient((<-address).String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	require.NoError(t, err)
	night := &played{lotsBefore: map[string]int64{}, ledger: map[string]*v1.GetLotResponse{}}
	require.NoError(t, s.open(source, b, night))
	require.NoError(t, s.order(b, night))
	folder := filepath.Join(dir, demoKitchen, demoNight)
	require.Eventually(t, func() bool { _, err := os.Stat(filepath.Join(folder, "plan.pdf")); return err == nil }, time.Minute, 20*time.Millisecond)
	require.NoError(t, s.bake(night))
	require.NoError(t, s.send(night))
	require.NoError(t, s.drive(night))
	s.conn.Close()
	stop()
	require.NoError(t, <-served)
	require.Empty(t, log.String())
	for _, name := range []string{"plan.pdf", "batches.html", "labels.pdf", "picks.pdf", "manifests.html", "manifests.pdf"} {
		info, err := os.Stat(filepath.Join(folder, name))
		require.NoError(t, err)
		require.Greater(t, info.Size(), int64(500), name)
	}
	text, err := os.ReadFile(filepath.Join(folder, "picks.txt"))
	require.NoError(t, err)
	require.Contains(t, string(text), "DISPATCH REVISION 2", "what the dock changed is printed again")
	require.False(t, strings.Contains(string(text), "DISPATCH REVISION 1"))
}
