package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	v1 "doughrun/proto/doughrun/v1"
)

// printTime is when the tests print.
var printTime = time.Date(2026, 11, 27, 7, 20, 0, 0, time.UTC)

// program skips a test, with a line that is seen, where a program is not
// installed; a gate that has everything fails.
func program(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err == nil {
		return path
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not installed", name)
	}
	t.Skipf("SKIPPED: %s is not installed", name)
	return ""
}

// run runs a program and returns what it writes.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	var out, said bytes.Buffer
	cmd := exec.CommandContext(t.Context(), program(t, name), args...)
	cmd.Stdout, cmd.Stderr = &out, &said
	require.NoError(t, cmd.Run(), "%s %s: %s", name, strings.Join(args, " "), said.String())
	return out.String()
}

// chromium returns the arguments of a browser that touches nothing of the user's.
func chromium(t *testing.T, args ...string) []string {
	return append([]string{"--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
		"--disable-sync", "--hide-scrollbars", "--user-data-dir=" + t.TempDir()}, args...)
}

func file(t *testing.T, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	require.NoError(t, os.WriteFile(path, b, 0o644))
	return path
}

// limits are those of the kitchen in testdata.
func limits() Limits {
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 11, day, hour+5, minute, 0, 0, time.UTC) }
	lim := Limits{Places: 900, Boxes: []Boxes{{"Dough box", 300, []Shift{{at(27, 5, 10), at(29, 19, 0), 90}, {at(27, 6, 40), at(30, 19, 0), 60}, {at(28, 4, 20), at(30, 19, 0), 110}}},
		{"Dough box dollies", 8, []Shift{{at(27, 5, 10), at(29, 7, 0), 5}, {at(27, 6, 40), at(30, 7, 0), 4}}}}}
	for d := 26; d < 30; d++ {
		lim.Crew = append(lim.Crew, Shift{at(d, 4, 0), at(d, 13, 0), 6}, Shift{at(d, 8, 30), at(d, 9, 0), -6}, Shift{at(d, 15, 0), at(d, 18, 0), 2})
	}
	return lim
}

func lotCode(batch string, n int) string { return fmt.Sprintf("%s-%dX", batch, n) }

// papers are every document of the night in testdata.
func papers(t *testing.T) []Paper {
	plan := read(t, "plan.json", &v1.Plan{})
	batches := []*v1.GetBatchResponse{read(t, "batch.json", &v1.GetBatchResponse{})}
	d := read(t, "dispatch.json", &v1.Dispatch{})
	if len(d.GetManifests()) == 0 {
		d.Manifests = []*v1.Manifest{read(t, "manifest.json", &v1.Manifest{})}
	}
	return []Paper{PlanPaper(plan, limits()), BatchPaper(plan, batches), LabelPaper(plan, batches, lotCode),
		PickPaper(d, read(t, "picks.json", &v1.PickList{})), ManifestPaper(d), RecallPaper(recallPack(), false)}
}

// Every document says what it belongs to on every sheet, in every form.
func TestPapers(t *testing.T) {
	for _, p := range papers(t) {
		t.Run(p.Kind, func(t *testing.T) {
			fits(t, p.Text())
			page, err := p.HTML(printTime)
			require.NoError(t, err)
			golden(t, p.Kind+".html", page)
			for name, size := range map[string]Size{"A4": A4, "Letter": Letter} {
				pdf, err := p.PDF(printTime, size)
				require.NoError(t, err)
				again, err := p.PDF(printTime, size)
				require.NoError(t, err)
				require.True(t, bytes.Equal(pdf, again), "the same document gave other bytes")
				path := file(t, "paper.pdf", pdf)
				info := run(t, "pdfinfo", "-f", "1", "-l", "99", path)
				require.Regexp(t, `Page +1 size: .*`, info)
				require.Contains(t, info, map[string]string{"A4": "595.28 x 841.89", "Letter": "612 x 792"}[name])
				var sheets int
				_, err = fmt.Sscanf(info[strings.Index(info, "Pages:"):], "Pages: %d", &sheets)
				require.NoError(t, err)
				for n := 1; n <= sheets; n++ {
					said := run(t, "pdftotext", "-layout", "-f", fmt.Sprint(n), "-l", fmt.Sprint(n), path, "-")
					for _, want := range []string{p.stamp.line(), "printed Fri 27 Nov 02:20 -05:00", fmt.Sprintf("page %d of %d", n, sheets)} {
						require.Contains(t, said, want)
					}
				}
				if p.Kind == "batches" {
					require.Equal(t, len(p.pages), sheets, "a batch sheet is one page")
				}
				fonts := run(t, "pdffonts", path)
				require.Regexp(t, `^name.*\n-.*\n(.* yes (yes|no) +yes .*\n)+$`, fonts, "a font is not inside, or its text cannot be copied")
			}
			if dir := os.Getenv("PAPERS"); dir != "" { // for whoever wants to look at them
				pdf, _ := p.PDF(printTime, A4)
				require.NoError(t, os.WriteFile(filepath.Join(dir, p.Kind+".pdf"), pdf, 0o644))
				require.NoError(t, os.WriteFile(filepath.Join(dir, p.Kind+".html"), []byte(page), 0o644))
			}
		})
	}
}

// What stands in the text stands on the PDF: nothing is lost between the two.
func TestPDFSaysWhatTheTextSays(t *testing.T) {
	squeezed := func(s string) string {
		return strings.NewReplacer(" ", "", "\n", "", "\f", "", "[ ]", "", "[]", "").Replace(s)
	}
	d := read(t, "dispatch.json", &v1.Dispatch{})
	p := PickPaper(d, read(t, "picks.json", &v1.PickList{}))
	pdf, err := p.PDF(printTime, A4)
	require.NoError(t, err)
	said := squeezed(run(t, "pdftotext", "-raw", file(t, "p.pdf", pdf), "-"))
	n := 0
	for _, b := range p.pages[0].blocks {
		for _, c := range append(b.cells, b.left) {
			if c = squeezed(c); b.kind != ruled {
				whole := strings.Contains(said, c)
				for at := range c { // or folded behind a dash, with the cells beside it between
					whole = whole || c[at] == '-' && strings.Contains(said, c[:at+1]) && strings.Contains(said, c[at+1:])
				}
				require.True(t, whole, "%s\n%s", c, said)
				n++
			}
		}
	}
	require.Greater(t, n, 100)
}

// Every code on paper says to an independent reader what is printed beside it.
func TestCodesAreRead(t *testing.T) {
	zbar, toPNG := program(t, "zbarimg"), program(t, "pdftoppm")
	for _, p := range papers(t) {
		pdf, err := p.PDF(printTime, Letter)
		require.NoError(t, err)
		path := file(t, "paper.pdf", pdf)
		run(t, toPNG, "-r", "150", "-gray", "-l", "4", "-png", path, strings.TrimSuffix(path, ".pdf"))
		pictures, err := filepath.Glob(strings.TrimSuffix(path, ".pdf") + "*.png")
		require.NoError(t, err)
		read, err := exec.CommandContext(t.Context(), zbar, append([]string{"-q", "--raw"}, pictures...)...).Output()
		if failed := (*exec.ExitError)(nil); !errors.As(err, &failed) || failed.ExitCode() != 4 { // 4: a sheet without a code
			require.NoError(t, err)
		}
		said := string(read)
		for _, x := range p.pages {
			require.Contains(t, said, x.id+"\n")
		}
		for _, l := range p.labels {
			require.Contains(t, said, l.Lot+"\n")
		}
	}
}

func TestLabelCodes(t *testing.T) {
	for lot, bars := range map[string]bool{"20261126-03-1G": true, "20261126-12-garlic-oil-500g": true, strings.Repeat("a-long-code.", 5): false} {
		c, module, err := labelCode(lot, labelWide-8)
		require.NoError(t, err)
		require.Equal(t, bars, c.tall == 1, lot)
		require.GreaterOrEqual(t, module, finest)
		require.LessOrEqual(t, float64(c.wide+2*c.quiet())*module, labelWide-8+0.001)
	}
	for _, lot := range []string{"", "crème", "a\nb"} {
		_, _, err := labelCode(lot, labelWide)
		require.Error(t, err, "%q", lot)
	}
}

// A label for each container, and no piece too many.
func TestLabelsAreThoseOfTheContainers(t *testing.T) {
	x := read(t, "batch.json", &v1.GetBatchResponse{})
	p := LabelPaper(read(t, "plan.json", &v1.Plan{}), []*v1.GetBatchResponse{x}, lotCode)
	var labels int
	pieces, of := map[string]int64{}, map[string]int64{}
	for _, l := range p.labels {
		pieces[l.Item] += l.Pieces
		of[l.Item]++
	}
	for _, d := range x.GetSheet().GetDivides() {
		require.Equal(t, d.GetPieces(), pieces[d.GetItemName()])
		boxes := int64(d.GetFullContainers())
		if d.GetLoosePieces() > 0 {
			boxes++
		}
		require.Equal(t, boxes, of[d.GetItemName()])
		labels += int(boxes)
	}
	require.Len(t, p.labels, labels)
	require.NotContains(t, p.Text(), "Opened")
	x.GetSheet().GetDivides()[0].OpenedDays = 2
	require.Contains(t, LabelPaper(read(t, "plan.json", &v1.Plan{}), []*v1.GetBatchResponse{x}, lotCode).Text(), "Opened ________: then 2 days, that day counts")
}

// Whatever a label has to say stands above its code.
func TestLongLabelsHoldTheirText(t *testing.T) {
	x := read(t, "batch.json", &v1.GetBatchResponse{})
	fourteen := strings.Split("celery,cereals containing gluten (barley oats rye wheat),crustaceans,eggs,fish,lupin,milk,molluscs,mustard,nuts (almond hazelnut walnut),peanuts,sesame,soybeans,sulphites", ",")
	x.GetSheet().Allergens, x.GetSheet().MayContain = fourteen, fourteen
	for _, d := range x.GetSheet().GetDivides() {
		d.OpenedDays, d.MarkDate = 2, "2026-11-30"
	}
	p := LabelPaper(read(t, "plan.json", &v1.Plan{}), []*v1.GetBatchResponse{x}, lotCode)
	_, err := p.PDF(time.Time{}, A4)
	require.NoError(t, err)
	page, err := p.HTML(time.Time{})
	require.NoError(t, err)
	require.Equal(t, len(p.labels), strings.Count(page, `class="label long"`))
	for i := range p.labels {
		p.labels[i].MayContain = slices.Repeat(fourteen, 10)
	}
	_, err = p.PDF(time.Time{}, A4)
	require.ErrorContains(t, err, "more text than a label holds")
}

// What the fonts cannot set right is refused, with the letter that is why.
func TestWritingBeyondTheFonts(t *testing.T) {
	for text, want := range map[string]string{
		"Crème brûlée": "", "Пицца 280 г": "", "Ζύμη": "", "Bánh mì": "", "בצק": "", "Cafe\u0301": "", "½ × 3 °C − ±": "",
		"生地 280 克": "", "ピザ生地（大）": "", "반죽, Teig": "", "か\u3099": "",
		"عجين": "ع", "आटा": "आ", "แป้ง": "แ", "🍕": "🍕", "x\u0331": "\u0331", "שָׁלוֹם": "\u05b8", "בצק (קטן)": "(",
	} {
		m := read(t, "manifest.json", &v1.Manifest{})
		m.Stops[0].ShopName = text
		_, err := ManifestPaper(&v1.Dispatch{Manifests: []*v1.Manifest{m}}).PDF(printTime, A4)
		if want == "" {
			require.NoError(t, err, text)
			continue
		}
		var beyond *BeyondFont
		require.ErrorAs(t, err, &beyond, text)
		require.Equal(t, want, string(beyond.Letter), text)
		require.Contains(t, err.Error(), "Chromium")
	}
}

// Names from East Asia stand on the page whole, in a cell, in a line with other writing, and where a line is too long.
func TestNamesOfEastAsia(t *testing.T) {
	m := read(t, "manifest.json", &v1.Manifest{})
	m.Stops[0].ShopName = "山の手 Hill 한강"
	m.Stops[0].Access = strings.Repeat("裏口の鍵は左の箱の中にあります。", 6)
	pdf, err := ManifestPaper(&v1.Dispatch{Manifests: []*v1.Manifest{m}}).PDF(printTime, A4)
	require.NoError(t, err)
	text := run(t, "pdftotext", "-layout", file(t, "east.pdf", pdf), "-")
	require.Contains(t, text, "山の手 HILL 한강")
	require.Equal(t, 6, strings.Count(strings.NewReplacer("\n", "", " ", "").Replace(text), "裏口の鍵は左の箱の中にあります。"))
	require.Regexp(t, `far .* yes no +yes`, run(t, "pdffonts", file(t, "east.pdf", pdf)), "its font is inside, with what its letters are")
}

// Lines in the order in which they are seen (Unicode Standard Annex 9).
func TestVisualOrder(t *testing.T) {
	for line, want := range map[string]string{
		"House dough":        "House dough",
		"בצק":                "קצב",
		"בצק 280 גרם":        "םרג 280 קצב",
		"House בצק 280 g":    "House קצב 280 g",
		"בצק: 12 for Sun":    "קצב: 12 for Sun",
		"12 × בצק":           "12 × קצב",
		"a 3.5 בצק":          "a 3.5 קצב",
		"בצק 3.5":            "3.5 קצב",
		"בצק 30%":            "30% קצב",
		"STOP 1: חנות, גבעה": "STOP 1: תונח, העבג",
	} {
		require.Equal(t, want, visual(line), line)
	}
}

// A count stays behind the name it belongs to, on paper and in a browser.
func TestACountStaysBehindItsName(t *testing.T) {
	require.Equal(t, "stop 1, 12 תונח: 52 containers", visual("stop 1, חנות 12: 52 containers"))
	require.Equal(t, "stop 1\u200e, חנות 12\u200e: 52 containers", escaped("stop 1, חנות 12: 52 containers"))
	// A mass in a name does not come to stand behind the count before it.
	require.Equal(t, "5 קצב 520 g + 7 x", visual("5 בצק 520 g + 7 x"))
	require.Equal(t, "5 בצק \u200e1.5 kg", escaped("5 בצק 1.5 kg"))
	require.Equal(t, "5 םרג 520 קצב", visual("5 בצק 520 גרם"), "within a name it is the writing's own")
	require.Equal(t, "stop 1, Hilltop: 52 containers", escaped("stop 1, Hilltop: 52 containers"))
}

// The coverage that is read from the fonts is that of the alphabets promised.
func TestLettersOfTheFonts(t *testing.T) {
	for _, r := range "AZaz09ßŁőẞΑΩαωЀЯяѓאתִ☐×°−½€" {
		require.True(t, inBoth()(r), "%c", r)
	}
	for _, r := range "生地團团あカ한글、。（）" {
		require.False(t, inBoth()(r), "%c", r)
		require.True(t, inFar()(r), "%c", r)
	}
	for _, r := range []rune{0xFFFF, 0xE000, 0x1F355} {
		require.False(t, inBoth()(r) || inFar()(r), "%c", r)
	}
}

// A spreadsheet takes no name for a formula, and every row has the same cells.
func TestValuesForSpreadsheets(t *testing.T) {
	plan := read(t, "plan.json", &v1.Plan{})
	plan.Batches[0].FormulaId = "=1+1"
	d := read(t, "dispatch.json", &v1.Dispatch{})
	for _, text := range []string{PlanCSV(plan), BatchCSV([]*v1.GetBatchResponse{read(t, "batch.json", &v1.GetBatchResponse{})}), PickCSV(read(t, "picks.json", &v1.PickList{})), ManifestCSV(d)} {
		rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		require.NoError(t, err)
		require.NotEmpty(t, rows)
	}
	require.Contains(t, PlanCSV(plan), ",'=1+1,")
}

// A manifest's load is drawn on the sheet that the driver reads first, and a
// batch sheet fills the one it is taped up with.
func TestSheetsAreUsed(t *testing.T) {
	d := read(t, "dispatch.json", &v1.Dispatch{})
	d.Manifests = []*v1.Manifest{read(t, "manifest.json", &v1.Manifest{})}
	for _, p := range append(papers(t), ManifestPaper(d)) {
		pdf, err := p.PDF(printTime, A4)
		require.NoError(t, err)
		if p.Kind == "manifests" && len(p.pages) != 1 {
			continue // it has no load yet
		}
		first := run(t, "pdftotext", "-l", "1", file(t, p.Kind+".pdf", pdf), "-")
		switch p.Kind {
		case "manifests":
			require.Contains(t, first, "DOOR")
			require.Contains(t, first, "dolly 1")
		case "batches":
			require.Contains(t, first, "signed")
			require.Contains(t, run(t, "pdfinfo", file(t, p.Kind+".pdf", pdf)), fmt.Sprintf("Pages:           %d\n", len(p.pages)))
		}
	}
}
