package sheet

import (
	"bytes"
	_ "embed"
	"fmt"
	"strings"
	"sync"
	"time"

	"codeberg.org/go-pdf/fpdf"
)

//go:embed fonts/DejaVuSans.ttf
var fontPlain []byte

//go:embed fonts/DejaVuSans-Bold.ttf
var fontBold []byte

// fontFar has the letters of East Asia, in one weight.
//
//go:embed fonts/WenQuanYiMicroHei.ttf
var fontFar []byte

// inBoth tells whether both weights of the font have a letter, inFar whether
// that of East Asia has it.
var (
	inBoth = sync.OnceValue(func() func(rune) bool {
		plain, bold := letters(fontPlain), letters(fontBold)
		return func(r rune) bool { return plain(r) && bold(r) }
	})
	inFar = sync.OnceValue(func() func(rune) bool { return letters(fontFar) })
)

// Size is a size of paper, upright, in millimetres.
type Size struct{ Wide, Tall float64 }

// The sizes in use.
var (
	A4     = Size{210, 297}
	Letter = Size{215.9, 279.4}
)

// Measures of a page in millimetres and points.
const (
	setWide   = 190.0
	topEdge   = 10.0
	footRoom  = 15.0
	bodySize  = 10.0
	lineTall  = 4.9
	headSize  = 17.0
	sideways  = "L"
	pageCount = "{pages}"
)

// PDF is the document as a PDF with its fonts inside: the same bytes for the
// same document and instant. The error is a *BeyondFont where it holds writing
// that cannot be set.
func (p Paper) PDF(at time.Time, size Size) ([]byte, error) {
	w := newPress(p, at, size)
	f := w.Fpdf
	f.SetCatalogSort(true)
	f.SetCreationDate(at.UTC())
	f.SetModificationDate(at.UTC())
	f.SetProducer("doughrun", true)
	f.SetLang("en")
	f.SetTitle(p.Title+", "+p.stamp.line(), true)
	f.AliasNbPages(pageCount)
	f.SetFooterFunc(w.foot)
	var trial *press
	for _, x := range p.pages {
		scale := 1.0
		if x.fit {
			if trial == nil {
				trial = newPress(p, at, size)
			}
			scale = trial.fitted(x)
		}
		w.page(x, scale)
	}
	w.labels()
	if f.PageNo() == 0 {
		w.sheet()
		w.text(w.left, w.y+5, bodySize, true, p.Title+": there are none.")
	}
	if w.err != nil {
		return nil, w.err
	}
	var out bytes.Buffer
	err := f.Output(&out)
	return out.Bytes(), err
}

func newPress(p Paper, at time.Time, size Size) *press {
	f := fpdf.NewCustom(&fpdf.InitType{UnitStr: "mm", Size: fpdf.SizeType{Wd: size.Wide, Ht: size.Tall}})
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	f.AddUTF8FontFromBytes("set", "", fontPlain)
	f.AddUTF8FontFromBytes("set", "B", fontBold)
	return &press{Fpdf: f, size: size, scale: 1, left: (size.Wide - setWide) / 2, paper: p, printed: p.printed(at)}
}

// fitted is the largest scale, from a little above 1 down to where letters
// would be too small, at which a page stays on one sheet. It spoils the press.
func (w *press) fitted(x sheetPage) float64 {
	scale := 1.1
	for ; scale > 0.7; scale -= 0.05 {
		before := w.PageCount()
		if w.page(x, scale); w.PageCount() == before+1 {
			break
		}
	}
	return scale
}

// press sets pages.
type press struct {
	*fpdf.Fpdf
	size    Size
	left, y float64
	scale   float64 // of the page that is set: below 1 where it would spill a little
	turned  bool    // on its side
	far     bool    // the font of East Asia is among its fonts
	paper   Paper
	printed string
	heads   *block // of the table that is being set, to be said again on a new sheet
	err     error  // the first text that cannot be set
}

func (w *press) sheet() {
	w.AddPage()
	w.turned, w.y = false, topEdge
}

// room begins a new sheet where there is not so much room left.
func (w *press) room(tall float64) {
	if w.y+tall <= w.size.Tall-footRoom {
		return
	}
	w.sheet()
	if w.heads != nil {
		w.headRow(*w.heads)
	}
}

// foot says on every sheet what it belongs to.
func (w *press) foot() {
	wide, tall := w.size.Wide, w.size.Tall
	if w.turned {
		wide, tall = tall, wide
	}
	left, right := w.left, wide-w.left
	defer func(scale float64) { w.scale = scale }(w.scale)
	w.scale = 1
	w.SetLineWidth(0.2)
	w.Line(left, tall-10.5, right, tall-10.5)
	w.text(left, tall-7, 7.5, false, w.paper.stamp.line())
	w.text(left, tall-3.7, 7.5, false, w.printed)
	// The number of sheets is put in at the end; its room is that of the widest.
	w.SetFont("set", "B", 9)
	w.Text(right-28, tall-4, fmt.Sprintf("page %d of %s", w.PageNo(), pageCount))
}

// line brings a text into the form in which it is set, and keeps the first refusal.
func (w *press) line(s string) string {
	set, err := settable(s, func(r rune) bool { return inBoth()(r) || inFar()(r) })
	if err != nil && w.err == nil {
		w.err = err
	}
	return set
}

// lead is how tall a line of the page is.
func (w *press) lead() float64 { return lineTall * w.scale }

// base is where the letters of the line that ends here stand.
func (w *press) base() float64 { return w.y - 1.1*w.scale }

func (w *press) font(size float64, bold bool) {
	style := ""
	if bold {
		style = "B"
	}
	w.SetFont("set", style, size*w.scale)
}

// runs calls do for every part of a text with the font set that has its letters.
func (w *press) runs(s string, do func(part string)) {
	near, style := inBoth(), w.GetFontStyle()
	for s != "" {
		far := strings.IndexFunc(s, func(r rune) bool { return !near(r) })
		if far < 0 {
			far = len(s)
		}
		if far > 0 {
			do(s[:far])
		}
		s = s[far:]
		back := strings.IndexFunc(s, near)
		if back < 0 {
			back = len(s)
		}
		if back == 0 {
			continue
		}
		size, _ := w.GetFontSize()
		if !w.far {
			w.far = true
			w.AddUTF8FontFromBytes("far", "", fontFar)
		}
		w.SetFont("far", "", size)
		do(s[:back])
		w.SetFont("set", style, size)
		s = s[back:]
	}
}

// wide is how wide a text is in the font that is set.
func (w *press) wide(s string) (wide float64) {
	w.runs(s, func(part string) { wide += w.GetStringWidth(part) })
	return wide
}

// text sets one line at a place.
func (w *press) text(x, y, size float64, bold bool, s string) {
	w.font(size, bold)
	if s = w.line(s); s != "" {
		w.runs(visual(s), func(part string) {
			w.Text(x, y, part)
			x += w.GetStringWidth(part)
		})
	}
}

// fold breaks a text into lines of a width in the font that is set.
func (w *press) fold(s string, wide float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(w.line(s)) {
		for next := strings.TrimSpace(line + " " + word); ; next = word {
			if w.wide(next) <= wide {
				line = next
				break
			}
			if line != "" {
				lines, line = append(lines, line), ""
				continue
			}
			head := w.fitting(word, wide)
			lines, word = append(lines, head), word[len(head):]
			if word == "" {
				break
			}
		}
	}
	return append(lines, line)
}

// fitting is the beginning of a word that fits into a width, a letter at least.
func (w *press) fitting(word string, wide float64) string {
	end := 0
	for i, r := range word {
		if n := i + len(string(r)); i == 0 || w.wide(word[:n]) <= wide {
			end = n
		} else {
			break
		}
	}
	if dash := strings.LastIndexByte(word[:end], '-'); dash > 0 && end < len(word) {
		end = dash + 1
	}
	return word[:end]
}

func (w *press) page(x sheetPage, scale float64) {
	w.scale = scale
	w.sheet()
	table := 0 // the first block behind the table that is set
	for i := 0; i < len(x.blocks); i++ {
		b := x.blocks[i]
		if b.onlyText {
			continue
		}
		if i >= table {
			table, w.heads = i+tableLong(x.blocks[i:]), nil
		}
		switch b.kind {
		case titled:
			w.title(b, x.id)
		case ended:
			w.ends(b.left, b.right, bodySize, true)
		case sectioned:
			w.room(float64(opening(x.blocks[i+1:])) * w.lead())
			w.y += 2.5 * w.scale
			w.ends(b.left, b.right, 11, true)
			w.rule(0.3)
		case parted:
			if i > 0 && w.y > w.size.Tall/3 {
				w.sheet()
			}
			w.y += 2
			w.rule(0.7)
			w.ends(b.left, b.right, 14, true)
			w.ends(b.cells[0], b.cells[1], bodySize, true)
			w.rule(0.7)
		case written:
			w.paragraph(b)
		case headed:
			w.room(3 * w.lead())
			w.heads = &b
			w.headRow(b)
		case rowed:
			notes := 0
			for notes < 5 && i+1+notes < len(x.blocks) && below(x.blocks[i+1+notes]) {
				notes++
			}
			w.room(w.lead() * float64(1+notes))
			w.cells(b, b.cells, bodySize, false)
		case asIs:
			w.fill(b.left)
		case pictured:
			if b.picture.small() {
				w.figure(b.picture)
				continue
			}
			w.picture(b.picture)
			if i+1 < len(x.blocks) && x.blocks[i+1].kind != pictured && !x.blocks[i+1].onlyText {
				w.sheet()
			}
		}
		if inTable := i < table && (b.kind == rowed || below(b)); inTable && (i+1 >= len(x.blocks) || !below(x.blocks[i+1])) {
			w.under()
		}
	}
	w.heads = nil
}

// opening is how many lines keep together at the head of a section: its title,
// and what stands before a table with the table's first row.
func opening(blocks []block) int {
	for i, b := range blocks[:min(len(blocks), 8)] {
		if b.kind == headed {
			return i + 6
		}
		if b.kind != written {
			break
		}
	}
	return 4
}

// below tells whether a block is a note to the row above it.
func below(b block) bool { return b.kind == written && b.indent > 0 && b.left == "" && !b.onlyText }

func (w *press) title(b block, id string) {
	w.text(w.left, w.y+6*w.scale, headSize, true, b.right)
	w.text(w.left, w.y+12*w.scale, 11, false, b.left)
	c, err := qrOf(id)
	if err != nil && w.err == nil {
		w.err = err
	}
	w.code(c, w.left+setWide-20*w.scale, w.y-2, 20*w.scale/float64(c.wide+2*c.quiet()), 0)
	w.y += 18 * w.scale
	w.rule(0.5)
}

// code draws a barcode; tall is the height of bars.
func (w *press) code(c code, x, y, module, tall float64) {
	w.SetFillColor(0, 0, 0)
	x += float64(c.quiet()) * module
	if c.tall > 1 {
		y, tall = y+float64(c.quiet())*module, module
	}
	for n, row := range c.runs {
		for _, r := range row {
			w.Rect(x+float64(r[0])*module, y+float64(n)*module, float64(r[1])*module, tall, "F")
		}
	}
}

func (w *press) rule(thick float64) {
	w.y++
	w.SetLineWidth(thick)
	w.Line(w.left, w.y, w.left+setWide, w.y)
	w.y += 0.8
}

// ends sets one line with something at either end, or two where both do not fit.
func (w *press) ends(left, right string, size float64, bold bool) {
	tall := w.lead() * size / bodySize
	w.font(size, bold)
	wide := w.wide(w.line(right))
	lines := w.fold(left, setWide)
	if right != "" && (len(lines) > 1 || w.wide(lines[0])+wide+4 > setWide) {
		lines = append(lines, "")
	}
	w.room(tall * float64(len(lines)))
	for _, l := range lines {
		w.y += tall
		w.text(w.left, w.base(), size, bold, l)
	}
	w.text(w.left+setWide-wide, w.base(), size, bold, right)
}

// paragraph sets a text, hanging behind its mark; a pair of brackets is a box.
func (w *press) paragraph(b block) {
	bold := b.indent == 0 && b.left == "" && w.heads != nil || loud(b.right)
	w.font(bodySize, bold)
	x := w.left + float64(b.indent)*setWide/columns
	if b.left != "" {
		x += 6
	}
	lines := w.fold(b.right, w.left+setWide-x)
	w.room(w.lead() * float64(min(len(lines), 4)))
	for i, l := range lines {
		w.room(w.lead())
		w.y += w.lead()
		if i == 0 && b.left != "" {
			w.mark(x-6, b.left)
		}
		w.text(x, w.base(), bodySize, bold, l)
	}
}

// mark sets what a paragraph hangs behind.
func (w *press) mark(x float64, s string) {
	if strings.TrimSpace(s) != "[ ]" {
		w.text(x, w.base(), bodySize, true, s)
		return
	}
	w.SetLineWidth(0.3)
	w.Rect(x, w.y-4.2*w.scale, 3.4*w.scale, 3.4*w.scale, "D")
}

// fill sets a line with room for a pen.
func (w *press) fill(s string) {
	w.room(2 * w.lead())
	w.y += 1.8 * w.lead()
	w.font(bodySize, false)
	at := w.left
	for _, part := range blankParts(s) {
		if part == "[ ]" {
			w.mark(at, part)
			at += 5
			continue
		}
		w.text(at, w.base(), bodySize, false, part)
		at += w.wide(w.line(part))
	}
}

// blankParts takes boxes to tick out of a line.
func blankParts(s string) []string {
	var parts []string
	for {
		before, after, found := strings.Cut(s, "[ ]")
		parts = append(parts, before)
		if !found {
			return parts
		}
		parts, s = append(parts, "[ ]"), after
	}
}

// place is where a column begins and how wide it is.
func (w *press) place(b block, i int) (x, wide float64) {
	used, all := b.indent, b.indent
	for k, c := range b.cols {
		if k < i {
			used += c.width + 1
		}
		all += c.width + 1
	}
	unit := setWide / float64(max(all-1, columns))
	return w.left + float64(used)*unit, float64(b.cols[i].width) * unit
}

func (w *press) headRow(b block) {
	cells := make([]string, len(b.cols))
	for i, c := range b.cols {
		cells[i] = c.head
	}
	w.cells(b, cells, 8, true)
	w.SetLineWidth(0.2)
	w.Line(w.left, w.y+0.3, w.left+setWide, w.y+0.3)
	w.y += 0.5
}

// under closes a row with its notes.
func (w *press) under() {
	w.SetLineWidth(0.05)
	w.Line(w.left, w.y+0.1, w.left+setWide, w.y+0.1)
}

func (w *press) cells(b block, cells []string, size float64, bold bool) {
	w.font(size, bold)
	folded := make([][]string, len(cells))
	tall := 1
	for i, s := range cells {
		_, wide := w.place(b, i)
		folded[i] = w.fold(s, wide)
		tall = max(tall, len(folded[i]))
	}
	if w.heads == nil || !bold {
		w.room(w.lead() * float64(tall))
	}
	for n := range tall {
		w.y += w.lead()
		for i, lines := range folded {
			if n >= len(lines) || lines[n] == "" {
				continue
			}
			x, wide := w.place(b, i)
			w.font(size, bold)
			if b.cols[i].right {
				x += wide - w.wide(lines[n])
			}
			if strings.TrimSpace(lines[n]) == "[ ]" {
				w.mark(x, "[ ]")
			} else {
				w.text(x, w.base(), size, bold, lines[n])
			}
		}
	}
}
