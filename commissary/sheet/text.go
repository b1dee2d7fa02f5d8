package sheet

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/width"
)

// String returns the page as plain text.
func (p *page) String() string {
	var t typed
	for _, b := range p.blocks {
		t.block(b)
	}
	return t.String()
}

// typed is a text of lines without blanks at their ends.
type typed struct{ strings.Builder }

func (t *typed) line(s string) {
	t.WriteString(strings.TrimRight(s, " "))
	t.WriteByte('\n')
}

func (t *typed) rule(c string) { t.line(strings.Repeat(c, columns)) }

func (t *typed) block(b block) {
	switch b.kind {
	case blankLine:
		t.line("")
	case ruled:
		t.rule(b.left)
	case titled:
		t.ends(b.left, b.right)
		t.rule("=")
	case ended:
		t.ends(b.left, b.right)
	case sectioned:
		t.line("")
		if b.right == "" {
			t.hang(0, "", b.left)
		} else {
			t.ends(b.left, b.right)
		}
		t.rule("-")
	case parted:
		t.line("")
		t.rule("=")
		t.ends(b.left, b.right)
		t.ends(b.cells[0], b.cells[1])
		t.rule("=")
	case written:
		t.hang(b.indent, b.left, b.right)
	case headed:
		heads := make([]string, len(b.cols))
		for i, c := range b.cols {
			heads[i] = c.head
		}
		t.row(b.indent, b.cols, heads)
	case rowed:
		t.row(b.indent, b.cols, b.cells)
	case asIs, drawn:
		t.line(b.left)
	}
}

func (t *typed) hang(indent int, mark, text string) {
	if mark != "" {
		mark += " "
	}
	hang := indent + cells(mark)
	for i, line := range fold(text, columns-hang) {
		if i > 0 {
			mark = strings.Repeat(" ", cells(mark))
		}
		t.line(strings.Repeat(" ", indent) + mark + line)
	}
}

func (t *typed) ends(left, right string) {
	left, right = clean(left), clean(right)
	gap := columns - cells(left) - cells(right)
	if gap < 2 {
		t.hang(0, "", left)
		left, gap = "", max(columns-cells(right), 0)
	}
	t.line(left + strings.Repeat(" ", gap) + right)
}

func (t *typed) row(indent int, cols []column, row []string) {
	folded := make([][]string, len(cols))
	tall := 1
	for i, c := range cols {
		folded[i] = fold(row[i], c.width)
		tall = max(tall, len(folded[i]))
	}
	for n := range tall {
		line := strings.Repeat(" ", indent)
		for i, c := range cols {
			cell := ""
			if n < len(folded[i]) {
				cell = folded[i][n]
			}
			fill := strings.Repeat(" ", max(c.width-cells(cell), 0))
			if c.right {
				cell = fill + cell
			} else {
				cell += fill
			}
			if i > 0 {
				line += " "
			}
			line += cell
		}
		t.line(line)
	}
}

// cells is how many columns a text takes on a terminal: characters of East
// Asian scripts take two, marks over other characters none.
func cells(s string) int {
	n := 0
	for _, r := range s {
		n += cell(r)
	}
	return n
}

func cell(r rune) int {
	switch kind := width.LookupRune(r).Kind(); {
	case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		return 0
	case kind == width.EastAsianWide, kind == width.EastAsianFullwidth:
		return 2
	}
	return 1
}

// clean takes out of a text from outside what could move the cursor.
func clean(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r > '~' }) {
		return s
	}
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case !unicode.IsPrint(r) && !unicode.In(r, unicode.Mn, unicode.Me):
			return -1
		}
		return r
	}, s)
}

// fold breaks a text into lines of at most wide columns: between words where
// it can, otherwise after a dash, otherwise anywhere. An empty text is one
// empty line.
func fold(s string, wide int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(clean(s)) {
		if line != "" && cells(line)+1+cells(word) > wide {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
		for cells(line) > wide {
			head := fitting(line, wide)
			lines = append(lines, head)
			line = line[len(head):]
		}
	}
	return append(lines, line)
}

// fitting returns the beginning of a word that fits: up to its last dash where
// there is one, and one character at least.
func fitting(word string, wide int) string {
	used, end, dash := 0, 0, 0
	for i, r := range word {
		if used += cell(r); used > wide && i > 0 {
			break
		}
		end = i + utf8.RuneLen(r)
		if r == '-' {
			dash = end
		}
	}
	if dash > 0 {
		end = dash
	}
	return word[:end]
}
