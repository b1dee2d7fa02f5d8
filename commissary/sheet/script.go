package sheet

import (
	"encoding/binary"
	"fmt"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"
)

// BeyondFont is why a document cannot be set as a PDF with the fonts in this
// program: its writing needs letters that join, stack or change places, or
// that the fonts do not have. A browser prints the HTML right.
type BeyondFont struct {
	Text   string // what cannot be set
	Letter rune   // the first letter of it that cannot
}

func (e *BeyondFont) Error() string {
	return fmt.Sprintf("%q cannot be set as a PDF with the fonts at hand, because of %q (%U); print the HTML file from a browser, or install Chromium", e.Text, e.Letter, e.Letter)
}

// settable brings a text into the form in which it is set, or refuses it.
// Marks that no letter takes up would have to be placed by the font's rules,
// which a PDF's simple text does not follow; brackets amid writing from right
// to left turn by rules of their own.
func settable(text string, has func(rune) bool) (string, error) {
	s := norm.NFC.String(clean(text))
	hebrew := strings.ContainsFunc(s, func(r rune) bool { return unicode.Is(unicode.Hebrew, r) })
	for _, r := range s {
		plain := unicode.In(r, unicode.Latin, unicode.Greek, unicode.Cyrillic, unicode.Hebrew, unicode.Common,
			unicode.Han, unicode.Hiragana, unicode.Katakana, unicode.Hangul) && !unicode.In(r, unicode.M)
		if !plain || !has(r) || hebrew && strings.ContainsRune("()[]{}<>«»", r) {
			return "", &BeyondFont{Text: text, Letter: r}
		}
	}
	return s, nil
}

// visual puts one line of an English page in the order in which it is seen: the
// Unicode Bidirectional Algorithm (Unicode Standard Annex 9) from left to
// right, without the explicit embeddings and bracket pairs that clean and
// settable keep out.
func visual(line string) string {
	text := []rune(line)
	class := make([]bidi.Class, len(text))
	for i, r := range text {
		p, _ := bidi.LookupRune(r)
		class[i] = p.Class()
	}
	if !slices.Contains(class, bidi.R) {
		return line
	}
	for i := range text {
		if fence(text, i) {
			class[i] = bidi.L
		}
		for k := range measure(text, i) {
			class[i+k] = bidi.L
		}
	}
	weak(class)
	neutral(class)
	level := make([]int, len(text)) // I1, I2
	for i, c := range class {
		switch {
		case c == bidi.R:
			level[i] = 1
		case c == bidi.EN:
			level[i] = 2
		}
	}
	for at := 2; at >= 1; at-- { // L2
		for i := 0; i < len(text); {
			end := i
			for end < len(text) && level[end] >= at {
				end++
			}
			slices.Reverse(text[i:end])
			slices.Reverse(level[i:end])
			i = max(end, i+1)
		}
	}
	return string(text)
}

// fence tells whether a sign ends a name within a line. Without a fence a name
// that is written from right to left would draw the number behind it, such as
// a count of containers, to its other side.
func fence(text []rune, i int) bool {
	return i+1 < len(text) && text[i+1] == ' ' && strings.ContainsRune(":;,", text[i])
}

// measure is how many letters long a number with a unit of Latin letters is
// that begins at a place, such as the mass in an item's name; 0 where none
// begins. It is read from left to right wherever it stands: drawn to the other
// side of a name it would come to stand behind the count before it.
func measure(text []rune, i int) int {
	number := func(r rune) bool { return r >= '0' && r <= '9' || r == '.' || r == ',' }
	if text[i] < '0' || text[i] > '9' || i > 0 && number(text[i-1]) {
		return 0
	}
	end := i
	for end < len(text) && number(text[end]) {
		end++
	}
	unit := end
	if unit < len(text) && text[unit] == ' ' {
		unit++
	}
	if unit == len(text) || !unicode.Is(unicode.Latin, text[unit]) {
		return 0
	}
	return end - i
}

// fenced puts a mark that is not seen, from left to right, before every fence
// and measure of a line that holds writing from right to left.
func fenced(line string) string {
	if !strings.ContainsFunc(line, func(r rune) bool {
		p, _ := bidi.LookupRune(r)
		return p.Class() == bidi.R || p.Class() == bidi.AL
	}) {
		return line
	}
	text := []rune(line)
	var marked []rune
	right := false // what stands before runs from right to left
	for i, r := range text {
		if fence(text, i) || right && measure(text, i) > 0 {
			marked, right = append(marked, '\u200e'), false
		}
		marked = append(marked, r)
		switch p, _ := bidi.LookupRune(r); p.Class() {
		case bidi.R, bidi.AL:
			right = true
		case bidi.L:
			right = false
		}
	}
	return string(marked)
}

// weak resolves numbers and what stands among them: rules W4 to W7.
func weak(class []bidi.Class) {
	for i := 1; i+1 < len(class); i++ {
		if (class[i] == bidi.ES || class[i] == bidi.CS) && class[i-1] == bidi.EN && class[i+1] == bidi.EN {
			class[i] = bidi.EN
		}
	}
	for i := 0; i < len(class); {
		end := i
		for end < len(class) && class[end] == bidi.ET {
			end++
		}
		if end > i && (i > 0 && class[i-1] == bidi.EN || end < len(class) && class[end] == bidi.EN) {
			for k := i; k < end; k++ {
				class[k] = bidi.EN
			}
		}
		i = max(end, i+1)
	}
	strong := bidi.L
	for i, c := range class {
		switch c {
		case bidi.ES, bidi.CS, bidi.ET:
			class[i] = bidi.ON
		case bidi.L, bidi.R:
			strong = c
		case bidi.EN:
			if strong == bidi.L {
				class[i] = bidi.L
			}
		}
	}
}

// neutral resolves blanks and signs by what stands around them: rules N1, N2.
func neutral(class []bidi.Class) {
	side := func(i int) bidi.Class {
		switch {
		case i < 0 || i >= len(class):
			return bidi.L
		case class[i] == bidi.EN:
			return bidi.R
		}
		return class[i]
	}
	settled := func(c bidi.Class) bool { return c == bidi.L || c == bidi.R || c == bidi.EN }
	for i := 0; i < len(class); {
		end := i
		for end < len(class) && !settled(class[end]) {
			end++
		}
		c := bidi.L
		if side(i-1) == side(end) {
			c = side(end)
		}
		for k := i; k < end; k++ {
			class[k] = c
		}
		i = max(end, i+1)
	}
}

// letters reads from a TrueType font which characters of the basic plane it
// has (the cmap table's format 4, as in the OpenType specification).
func letters(font []byte) func(rune) bool {
	u16 := func(at int) int { return int(binary.BigEndian.Uint16(font[at:])) }
	u32 := func(at int) int { return int(binary.BigEndian.Uint32(font[at:])) }
	cmap := 0
	for i := range u16(4) {
		if at := 12 + 16*i; string(font[at:at+4]) == "cmap" {
			cmap = u32(at + 8)
		}
	}
	table := 0
	for i := range u16(cmap + 2) {
		if at := cmap + u32(cmap+4+8*i+4); u16(at) == 4 {
			table = at
		}
	}
	n := u16(table+6) / 2
	return func(r rune) bool {
		for i := range n {
			end, start := u16(table+14+2*i), u16(table+16+2*n+2*i)
			if c := int(r); c <= end {
				if c < start || r == 0xFFFF {
					return false
				}
				delta, at := u16(table+16+4*n+2*i), table+16+6*n+2*i
				if offset := u16(at); offset != 0 {
					glyph := u16(at + offset + 2*(c-start))
					return glyph != 0
				}
				return (c+delta)&0xFFFF != 0
			}
		}
		return false
	}
}
