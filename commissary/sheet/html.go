package sheet

import (
	_ "embed"
	"fmt"
	"html"
	"regexp"
	"slices"
	"strings"
	"time"
)

//go:embed paper.css
var paperStyle string

func escaped(s string) string { return html.EscapeString(fenced(clean(s))) }

// HTML is the document as one file that needs no other, no script and no
// colour: for a phone's screen, and for printing on A4 or Letter.
func (p Paper) HTML(at time.Time) (string, error) {
	var s strings.Builder
	title := p.Title + ", " + p.stamp.about
	fmt.Fprintf(&s, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>%s</title>\n<style>\n%s", escaped(title), paperStyle)
	fmt.Fprintf(&s, "@page { @bottom-left { content: %s } @bottom-center { content: %s } @bottom-right { content: \"page \" counter(page) \" of \" counter(pages) } }\n</style>\n</head>\n<body>\n<main>\n",
		quoted(p.stamp.line()), quoted(p.printed(at)))
	for i, x := range p.pages {
		if err := p.article(&s, i, x, at); err != nil {
			return "", err
		}
	}
	if len(p.labels) > 0 {
		if err := p.labelsHTML(&s, at); err != nil {
			return "", err
		}
	}
	if len(p.pages)+len(p.labels) == 0 {
		fmt.Fprintf(&s, "<h1>%s</h1>\n<p class=\"stamp\">%s, %s</p>\n<p>There are none.</p>\n", escaped(title), escaped(p.stamp.line()), escaped(p.printed(at)))
	}
	s.WriteString("</main>\n</body>\n</html>\n")
	return s.String(), nil
}

// quoted writes a text as a string of a style sheet, within an HTML file.
func quoted(s string) string {
	var q strings.Builder
	q.WriteByte('"')
	for _, r := range fenced(clean(s)) {
		if strings.ContainsRune(`"\<>&`, r) {
			fmt.Fprintf(&q, `\%06x`, r)
		} else {
			q.WriteRune(r)
		}
	}
	q.WriteByte('"')
	return q.String()
}

// article writes one page.
func (p Paper) article(s *strings.Builder, i int, x sheetPage, at time.Time) error {
	c, err := qrOf(x.id)
	if err != nil {
		return err
	}
	fmt.Fprintf(s, "<article>\n<p class=\"stamp\">%s, sheet %d of %d, %s</p>\n", escaped(p.stamp.line()), i+1, len(p.pages), escaped(p.printed(at)))
	w := webWriter{s, x.id, c, 2}
	for blocks := x.blocks; len(blocks) > 0; {
		n := w.table(blocks)
		if n == 0 {
			w.block(blocks[0])
			n = 1
		}
		blocks = blocks[n:]
	}
	s.WriteString("</article>\n")
	return nil
}

// webWriter writes the blocks of one page.
type webWriter struct {
	*strings.Builder
	id    string
	code  code
	level int // of the next section's heading
}

func (w *webWriter) block(b block) {
	switch {
	case b.onlyText:
		return
	case b.kind == titled:
		fmt.Fprintf(w, "<header><div><h1>%s</h1><p>%s</p></div>%s</header>\n", escaped(b.right), escaped(b.left), w.code.svg(w.id, 20, 20))
	case b.kind == ended:
		fmt.Fprintf(w, "<p class=\"ends\"><span>%s</span><span>%s</span></p>\n", escaped(b.left), escaped(b.right))
	case b.kind == sectioned:
		fmt.Fprintf(w, "<h%d><span>%s</span> <span>%s</span></h%d>\n", w.level, escaped(b.left), escaped(b.right), w.level)
	case b.kind == parted:
		fmt.Fprintf(w, "<h2 class=\"part\"><span>%s</span> <span>%s</span></h2>\n<p class=\"ends\"><span>%s</span><span>%s</span></p>\n",
			escaped(b.left), escaped(b.right), escaped(b.cells[0]), escaped(b.cells[1]))
		w.level = 3
	case b.kind == written:
		fmt.Fprintf(w, "<p class=\"%s\">%s</p>\n", hanging(b), marked(b))
	case b.kind == asIs:
		fmt.Fprintf(w, "<p class=\"fill\">")
		for part := range strings.SplitSeq(b.left, "  ") { // a label and its blank stay on one line
			fmt.Fprintf(w, "<span>%s</span> ", blanked(part))
		}
		fmt.Fprint(w, "</p>\n")
	case b.kind == pictured:
		class := "wide"
		if b.picture.small() {
			class = "small"
		}
		fmt.Fprintf(w, "<figure class=\"%s\">\n%s</figure>\n", class, b.picture.svg())
	}
}

// hanging says how a paragraph stands.
func hanging(b block) string {
	switch {
	case b.left != "":
		return "item"
	case b.indent > 0:
		return "below"
	case loud(b.right):
		return "loud"
	}
	return "text"
}

// loud tells whether a text is written so that nobody overlooks it.
func loud(s string) bool { return strings.HasPrefix(s, "***") }

// marked is a paragraph's text behind its mark.
func marked(b block) string {
	if b.left == "" {
		return escaped(b.right)
	}
	return ticked(b.left) + " " + escaped(b.right)
}

// tick is what is ticked with a pen.
const tick = `<span class="tick" role="img" aria-label="to tick"></span>`

// ticked writes a cell: a pair of brackets is a box to tick.
func ticked(s string) string {
	if strings.TrimSpace(s) == "[ ]" {
		return tick
	}
	return blanked(s)
}

var blanks = regexp.MustCompile(`_{3,}|\[ \]`)

// blanked writes a text in which lines of underscores are room for a pen.
func blanked(s string) string {
	var t strings.Builder
	s = clean(s)
	for {
		at := blanks.FindStringIndex(s)
		if at == nil {
			t.WriteString(escaped(s))
			return t.String()
		}
		t.WriteString(escaped(s[:at[0]]))
		if n := at[1] - at[0]; s[at[0]] == '_' {
			fmt.Fprintf(&t, `<span class="blank" role="img" aria-label="to be filled in" style="width:%dem"></span>`, max(n/2, 4))
		} else {
			t.WriteString(tick)
		}
		s = s[at[1]:]
	}
}

// tableLong is how many of the first blocks are one table. Paragraphs between
// its rows and notes below its last one belong to it.
func tableLong(blocks []block) int {
	if blocks[0].kind != headed && blocks[0].kind != rowed {
		return 0
	}
	long, pending := 1, 1
	for i, b := range blocks[1:] {
		switch {
		case b.kind == rowed && slices.Equal(b.cols, blocks[0].cols):
			long, pending = i+2, i+2
		case b.kind == written && b.indent > 0 && b.left == "" && pending == i+1:
			long, pending = i+2, i+2
		case b.kind == written && b.left == "":
			pending = -1 // part of the table only if a row follows
		default:
			return long
		}
	}
	return long
}

// table writes the first blocks as a table, if they are one.
func (w *webWriter) table(blocks []block) int {
	n := tableLong(blocks)
	if n == 0 || blocks[0].onlyText {
		return 0
	}
	cols := blocks[0].cols
	many := ""
	if len(cols) >= manyColumns {
		many = " class=\"many\""
	}
	fmt.Fprintf(w, "<div class=\"scroll\"><table%s>\n", many)
	for i, b := range blocks[:n] {
		switch b.kind {
		case headed:
			w.WriteString("<thead><tr>")
			for _, c := range cols {
				if c.head == "" {
					w.WriteString("<td></td>")
				} else {
					fmt.Fprintf(w, "<th scope=\"col\"%s>%s</th>", aligned(c), escaped(c.head))
				}
			}
			w.WriteString("</tr></thead>\n<tbody>\n")
		case rowed:
			if i == 0 {
				w.WriteString("<tbody>\n")
			}
			w.WriteString("<tr>")
			for k, c := range cols {
				class := aligned(c)
				if class == "" && telephone.MatchString(b.cells[k]) {
					class = ` class="whole"`
				}
				fmt.Fprintf(w, "<td%s>%s</td>", class, ticked(b.cells[k]))
			}
			w.WriteString("</tr>\n")
		case written:
			class := "between"
			if b.indent > 0 {
				class = "note"
			}
			fmt.Fprintf(w, "<tr class=\"%s\"><td colspan=\"%d\">%s</td></tr>\n", class, len(cols), escaped(b.right))
		}
	}
	w.WriteString("</tbody></table></div>\n")
	return n
}

// manyColumns are so many that a telephone shows them in smaller letters.
const manyColumns = 7

// telephone is a number that is dialled as one, and not broken over lines.
var telephone = regexp.MustCompile(`^\+?[0-9][0-9 ()/-]{4,18}$`)

func aligned(c column) string {
	if c.right {
		return ` class="number"`
	}
	return ""
}

// labelsHTML writes the labels, eight on a sheet.
func (p Paper) labelsHTML(s *strings.Builder, at time.Time) error {
	sheets := (len(p.labels) + labelsOnSheet - 1) / labelsOnSheet
	for i := range sheets {
		fmt.Fprintf(s, "<article class=\"labels\">\n<h1>%s</h1><p class=\"stamp\">%s, sheet %d of %d, %s</p>\n<div class=\"grid\">\n", escaped(p.Title), escaped(p.stamp.line()), i+1, sheets, escaped(p.printed(at)))
		for _, l := range p.labels[i*labelsOnSheet : min((i+1)*labelsOnSheet, len(p.labels))] {
			c, module, err := labelCode(l.Lot, labelWide-8)
			if err != nil {
				return err
			}
			q := float64(c.quiet())
			wide, tall := (float64(c.wide)+2*q)*module, 12.0
			if c.tall > 1 {
				tall = wide
			}
			size := ""
			if l.rows() > labelRows {
				size = " long"
			}
			fmt.Fprintf(s, "<section class=\"label%s\"><h2>%s</h2>", size, escaped(l.Item))
			for _, line := range l.lines() {
				class := ""
				if strings.HasPrefix(line, never) {
					class = ` class="loud"`
				}
				fmt.Fprintf(s, "<p%s>%s</p>", class, blanked(line))
			}
			fmt.Fprintf(s, "%s<p class=\"lot\">%s</p></section>\n", c.svg(l.Lot, wide, tall), escaped(l.Lot))
		}
		s.WriteString("</div>\n</article>\n")
	}
	return nil
}

// Labels stand two by four on a sheet of A4 or Letter.
const (
	labelsOnSheet = 8
	labelWide     = 94.0
	labelTall     = 59.0
)
