package papers

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"doughrun/commissary/sheet"
)

// browse has Chromium print a page, which it does right in every script.
func browse(page string, size sheet.Size) ([]byte, error) {
	program := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			program = path
			break
		}
	}
	if program == "" {
		return nil, errors.New("no Chromium is installed")
	}
	dir, err := os.MkdirTemp("", "doughrun-print-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir) // only what was made here
	paper := fmt.Sprintf("@page { size: %gmm %gmm } @page wide { size: %gmm %gmm }\n</style>", size.Wide, size.Tall, size.Tall, size.Wide)
	in, out := filepath.Join(dir, "page.html"), filepath.Join(dir, "page.pdf")
	if err := os.WriteFile(in, []byte(strings.Replace(page, "</style>", paper, 1)), 0o600); err != nil {
		return nil, err
	}
	args := []string{"--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
		"--user-data-dir=" + filepath.Join(dir, "profile"), "--no-pdf-header-footer", "--print-to-pdf=" + out}
	if os.Geteuid() == 0 {
		args = append(args, "--no-sandbox") // it refuses to run as root otherwise; the page holds no script
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if said, err := exec.CommandContext(ctx, program, append(args, "file://"+in)...).CombinedOutput(); err != nil {
		return nil, fmt.Errorf("%s: %w: %.200s", program, err, said)
	}
	return os.ReadFile(out)
}
