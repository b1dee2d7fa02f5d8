package main

import (
	"context"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"doughrun/cmd/papers"
	"doughrun/commissary/civil"
	"doughrun/commissary/server"
	"doughrun/commissary/sheet"
	"doughrun/config"
)

// printer writes a night's papers into a folder at every release, so that the
// night survives a dead network. It prints one night after the other, and a
// night that changes while it waits once. What it cannot write it logs: a
// release never waits for paper.
type printer struct {
	dir    string
	size   sheet.Size
	now    func() time.Time
	log    *slog.Logger
	server *server.Server

	mu      sync.Mutex
	waiting []job
	woken   chan struct{}
	done    chan struct{}
}

// job is a night whose papers have changed.
type job struct {
	kitchen string
	night   civil.Date
}

// newPrinter returns nil where nothing is to be printed.
func newPrinter(s config.Service, now func() time.Time, log *slog.Logger) *printer {
	if s.PrintDir == "none" || s.PrintDir == "" {
		return nil
	}
	p := &printer{dir: s.PrintDir, size: sheet.A4, now: now, log: log, woken: make(chan struct{}, 1), done: make(chan struct{})}
	if s.Paper == "letter" {
		p.size = sheet.Letter
	}
	return p
}

// released notes that a night's papers have changed.
func (p *printer) released(kitchen string, night civil.Date) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, j := range p.waiting {
		if j == (job{kitchen, night}) {
			return
		}
	}
	p.waiting = append(p.waiting, job{kitchen, night})
	select {
	case p.woken <- struct{}{}:
	default:
	}
}

// run prints until ctx ends and nothing waits any more.
func (p *printer) run(ctx context.Context) {
	defer close(p.done)
	for {
		for j, ok := p.next(); ok; j, ok = p.next() {
			if err := p.print(j); err != nil {
				p.log.Error("the papers of a night could not be written; print them with doughrun night print", "kitchen", j.kitchen, "night", j.night.String(), "error", err)
			}
		}
		select {
		case <-ctx.Done():
			if _, more := p.peek(); !more {
				return
			}
		case <-p.woken:
		}
	}
}

func (p *printer) peek() (job, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.waiting) == 0 {
		return job{}, false
	}
	return p.waiting[0], true
}

func (p *printer) next() (job, bool) {
	j, ok := p.peek()
	if ok {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.waiting = p.waiting[1:]
	}
	return j, ok
}

// printWithin is the longest that one night's papers may take.
const printWithin = 2 * time.Minute

func (p *printer) print(j job) error {
	ctx, cancel := context.WithTimeout(context.Background(), printWithin)
	defer cancel()
	files, err := papers.Printer{Conn: p.server.Inside(), Kitchen: j.kitchen, At: p.now(), Size: p.size, Units: func(proto.Message) {},
		Talk: func(format string, args ...any) {
			p.log.Info(fmt.Sprintf(format, args...), "kitchen", j.kitchen, "night", j.night.String())
		}}.Night(ctx, j.night)
	if err != nil {
		return err
	}
	to := filepath.Join(p.dir, j.kitchen, j.night.String())
	if err := papers.Write(to, files); err != nil {
		return err
	}
	p.log.Info("the papers of a night are written", "folder", to, "files", len(files))
	return nil
}
