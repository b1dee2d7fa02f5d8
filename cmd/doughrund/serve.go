package main

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"runtime/debug"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"doughrun/cmd/version"
	"doughrun/commissary"
	"doughrun/commissary/server"
	"doughrun/commissary/store"
	"doughrun/config"
	"doughrun/config/keys"
)

func serveCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Answer calls until a signal asks to stop",
		Args:  cobra.NoArgs,
	}
	config.AddFlags[config.Service](cmd.Flags())
	cmd.RunE = act(func(cmd *cobra.Command) error {
		settings, _, err := loadSettings(cmd)
		if err != nil {
			return err
		}
		if os.Getenv("GOGC") == "" {
			debug.SetGCPercent(collectAt)
		}
		return serve(cmd.Context(), settings, time.Now, logger(settings, cmd.ErrOrStderr()), func(addr net.Addr) {
			fmt.Fprintln(cmd.ErrOrStderr(), "doughrund: listening on", addr)
		})
	})
	return cmd
}

// collectAt lets garbage grow to thrice what lives before it is collected: what
// lives is small, and calls make garbage faster than anything else.
const collectAt = 300

// serve runs the service until ctx ends, then lets the running calls end. It
// tells ready where it listens. A database that failed ends it at once with an
// error: what the last calls left behind shows only when it is opened again.
func serve(ctx context.Context, s config.Service, now func() time.Time, log *slog.Logger, ready func(net.Addr)) error {
	protection, err := protect(s, now())
	if err != nil {
		return err
	}
	l, err := listen(s.Listen, protection != nil)
	if err != nil {
		return err
	}
	defer l.Close() // again, where the server did not come to it
	var admin net.Listener
	if s.Admin != "" {
		if admin, err = listen(s.Admin, false); err != nil {
			return err
		}
		defer admin.Close()
	}
	spans, err := traces(ctx, s)
	if err != nil {
		return err
	}
	broken := make(chan error, 1)
	facts, err := store.Open(ctx, s.Database, store.Options{OnFatal: func(err error) { broken <- err }, Warn: func(text string) { log.Warn(text) }})
	if err != nil {
		return err
	}
	options := server.Options{Store: facts, Now: now, NewID: rand.Text, CallLimit: s.CallLimit, Log: log, TLS: protection}
	if spans != nil {
		options.Traces = spans
		defer func() { // the last ones are on their way, but not for ever
			ctx, cancel := context.WithTimeout(context.Background(), flushWithin)
			defer cancel()
			if err := spans.Shutdown(ctx); err != nil {
				log.Warn("the last traces were not taken", "error", err)
			}
		}()
	}
	prints := newPrinter(s, now, log)
	if prints != nil {
		options.Released = prints.released
	}
	srv, err := server.New(options)
	if err != nil {
		facts.Close() // the error before it is the one to report
		return err
	}
	printed := func() {}
	if prints != nil {
		prints.server = srv
		printing, stopPrinting := context.WithCancel(context.Background())
		go prints.run(printing)
		printed = func() { stopPrinting(); <-prints.done }
	}
	served := make(chan error, 1)
	go func() { served <- srv.Serve(l) }()
	if admin != nil {
		go func() {
			if err := srv.ServeAdmin(admin); err != nil {
				log.Error("the admin address answers no more", "error", err)
			}
		}()
	}
	beside, stopBeside := context.WithCancel(ctx)
	var work sync.WaitGroup
	defer work.Wait()
	defer stopBeside()
	if s.CloseDue == "yes" {
		work.Go(func() {
			every(beside, lookForDue, srv.CloseDue, func(err error) { log.Error("nights that are due could not be closed", "error", err) })
		})
	}
	work.Go(func() {
		every(beside, learnEvery, srv.LearnDue, func(err error) { log.Error("what shops sold could not be learned", "error", err) })
	})
	v := version.Get()
	database, _ := config.Redact(s.Database)
	log.Info("serving", "address", l.Addr().String(), "protected", protection != nil, "database", database, "version", v.Version, "revision", v.Revision, "changed", v.Changed)
	ready(l.Addr())
	select {
	case err := <-broken:
		srv.Stop(0)
		printed()
		return fmt.Errorf("the database %s failed, and the service must be started again: %w", database, err)
	case err := <-served:
		printed()
		facts.Close()
		return err
	case <-ctx.Done():
	}
	srv.Stop(s.StopLimit)
	printed() // what was released is on paper before the facts are closed
	if err := <-served; err != nil {
		facts.Close()
		return err
	}
	return facts.Close()
}

// flushWithin is how long the last traces may take.
const flushWithin = 3 * time.Second

// lookForDue is how often the service looks for nights that are due.
const lookForDue = 10 * time.Second

// learnEvery is how often the service learns what has been sold since.
const learnEvery = 15 * time.Minute

// every does something now and every so often until ctx ends.
func every(ctx context.Context, wait time.Duration, do func(context.Context) error, failed func(error)) {
	tick := time.NewTicker(wait)
	defer tick.Stop()
	for {
		if err := do(ctx); err != nil && ctx.Err() == nil {
			failed(err)
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// protect returns the TLS that the settings ask for; nil for none.
func protect(s config.Service, at time.Time) (*tls.Config, error) {
	if s.Cert == "" && s.Key == "" {
		if s.ClientCAs != "" {
			return nil, unprotected("client_authority needs tls_certificate and tls_key: without TLS nobody can show a certificate")
		}
		return nil, nil
	}
	c, err := keys.Server(s.Cert, s.Key, s.ClientCAs, at)
	if err != nil {
		return nil, unprotected("the service does not start: %v", err)
	}
	return c, nil
}

// unprotected refuses settings that would leave the service open or useless.
func unprotected(format string, args ...any) error {
	return commissary.Refuse(commissary.Precondition, "INSECURE_SETTINGS", format, args...)
}

// listen opens the address. Unless callers prove who they are, it must be on
// this machine: whoever reaches the service may do everything.
func listen(address string, protected bool) (net.Listener, error) {
	beyond := func() error {
		return unprotected("the service does not listen on %q without access control, for everybody who reaches it could do everything; "+
			"set tls_certificate and tls_key (doughrund cert makes them), or listen on this machine only, for example on 127.0.0.1:7410", address)
	}
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, &failure{exitUsage, fmt.Errorf("%q is not an address to listen on: %w; write host and port, for example 127.0.0.1:7410", address, err)}
	}
	if ip := net.ParseIP(host); !protected && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, beyond()
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, &failure{exitUnavailable, fmt.Errorf("the service cannot listen: %w; stop what listens there, or choose another port", err)}
	}
	// What localhost means is this machine's setting.
	if tcp, ok := l.Addr().(*net.TCPAddr); !protected && (!ok || !tcp.IP.IsLoopback()) {
		l.Close()
		return nil, beyond()
	}
	return l, nil
}

func logger(s config.Service, w io.Writer) *slog.Logger {
	o := &slog.HandlerOptions{Level: map[string]slog.Level{
		"debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError}[s.LogLevel]}
	if s.LogFormat == "json" {
		return slog.New(slog.NewJSONHandler(w, o))
	}
	return slog.New(slog.NewTextHandler(w, o))
}
