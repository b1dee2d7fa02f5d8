package papers

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"doughrun/commissary/sheet"
)

// browse has Chromium print a page, which it does right in every script that
// this machine has a font for.
func browse(page string, size sheet.Size) ([]byte, error) {
	b, err := findBrowser()
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "doughrun-print-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir) // only what was made here
	lacking, err := b.lacking(dir, page)
	if err != nil {
		return nil, err
	}
	if lacking != "" {
		return nil, fmt.Errorf("no font on this machine has %q: install one, such as Debian's fonts-noto-cjk or fonts-noto-core, or print the HTML file where there is one", lacking)
	}
	paper := fmt.Sprintf("@page { size: %gmm %gmm } @page wide { size: %gmm %gmm }\n</style>", size.Wide, size.Tall, size.Tall, size.Wide)
	in, out := filepath.Join(dir, "page.html"), filepath.Join(dir, "page.pdf")
	if err := os.WriteFile(in, []byte(strings.Replace(page, "</style>", paper, 1)), 0o600); err != nil {
		return nil, err
	}
	if _, err := b.run(dir, "--no-pdf-header-footer", "--print-to-pdf="+out, "file://"+in); err != nil {
		return nil, err
	}
	return os.ReadFile(out)
}

// browser is the path of a Chromium.
type browser string

func findBrowser() (browser, error) {
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return browser(path), nil
		}
	}
	return "", errNoBrowser
}

var errNoBrowser = errors.New("no Chromium is installed")

// run starts it without a window, with a profile of its own, and returns what
// it writes.
func (b browser) run(dir string, args ...string) ([]byte, error) {
	all := []string{"--headless", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-sync",
		"--user-data-dir=" + filepath.Join(dir, "profile")}
	if os.Geteuid() == 0 {
		all = append(all, "--no-sandbox") // it refuses to run as root otherwise; the pages are our own
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	var out, said bytes.Buffer
	cmd := exec.CommandContext(ctx, string(b), append(all, args...)...)
	cmd.Stdout, cmd.Stderr = &out, &said
	if err := cmd.Run(); err != nil {
		return nil, fmt.Errorf("%s: %w: %.200s", b, err, said.Bytes())
	}
	return out.Bytes(), nil
}

// probe draws each letter and the letter that no font has, and names those
// that look the same: instead of them a page would show empty boxes.
const probe = `<!DOCTYPE html><meta charset="utf-8"><p id="lacking">?</p><script>
const c = document.createElement("canvas").getContext("2d", {willReadFrequently: true});
c.canvas.width = c.canvas.height = 48;
const drawn = s => { c.clearRect(0, 0, 48, 48); c.font = "24px 'DejaVu Sans', sans-serif"; c.fillText(s, 6, 34); return c.getImageData(0, 0, 48, 48).data.join(); };
const none = [0x10FFFF, 0xFFFFF].map(x => drawn(String.fromCodePoint(x)));
document.getElementById("lacking").textContent = "[" + [%s].filter(x => none.includes(drawn(String.fromCodePoint(x)))).join() + "]";
</script>`

// lacking returns the letters of a page that no font of this machine has.
func (b browser) lacking(dir, page string) (string, error) {
	var letters []rune
	for _, r := range page {
		if r > unicode.MaxLatin1 && unicode.IsGraphic(r) && !unicode.IsMark(r) && !slices.Contains(letters, r) {
			letters = append(letters, r)
		}
	}
	var numbers []string
	for _, r := range letters {
		numbers = append(numbers, strconv.Itoa(int(r)))
	}
	file := filepath.Join(dir, "probe.html")
	if err := os.WriteFile(file, fmt.Appendf(nil, probe, strings.Join(numbers, ",")), 0o600); err != nil {
		return "", err
	}
	out, err := b.run(dir, "--dump-dom", "file://"+file)
	if err != nil {
		return "", err
	}
	_, rest, _ := strings.Cut(string(out), `id="lacking">[`)
	found, _, ok := strings.Cut(rest, "]")
	if !ok {
		return "", fmt.Errorf("%s did not say which letters it has: %.200s", b, out)
	}
	var lacking strings.Builder
	for n := range strings.SplitSeq(found, ",") {
		if r, err := strconv.Atoi(n); err == nil {
			lacking.WriteRune(rune(r))
		}
	}
	return lacking.String(), nil
}
