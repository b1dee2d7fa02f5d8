package sheet

import (
	"fmt"
	"html"
	"strings"
)

// drawing is a picture in millimetres, as wide and tall as it says. It knows
// black, grey and hatching; it is set as SVG, with four millimetres of white
// around it, or in a PDF, alike in both.
type drawing struct {
	name   string // tells the drawings of one document apart
	title  string // for who cannot see it
	wide   float64
	tall   float64
	shapes []shape
}

// small tells whether a drawing stands among the text of an upright sheet; any
// other has a sheet of its own, on its side.
func (d *drawing) small() bool { return d.wide <= setWide && d.tall <= 80 }

// shape is a box, a line or a text.
type shape struct {
	kind   shapeKind
	x, y   float64 // a box's upper left corner, a line's beginning, a text's foot
	w, h   float64 // a box's size, or the way to a line's end
	stroke float64 // width of the line; 0: none
	dashed bool
	grey   int // of a box's ground, from 0 (black) to 255; -1: none
	hatch  int // of a box, from 1; 0: none
	text   string
	size   float64 // of a text, in millimetres
	bold   bool
	anchor anchor
	backed bool // a text on a white ground
}

type shapeKind int

const (
	box shapeKind = iota
	stroke
	label
)

// anchor says which part of a text stands at its place.
type anchor int

const (
	atStart anchor = iota
	atMiddle
	atEnd
)

// hatching is a pattern: lines at angles to the level, so far apart, so thick.
type hatching struct {
	angles []int // 0, 45, 90 or 135 degrees
	apart  float64
	thick  float64
	dashed bool
}

// hatchings are told apart in black and white; one for each formula.
var hatchings = []hatching{
	{[]int{45}, 1.5, 0.2, false},
	{[]int{0}, 1.2, 0.2, false},
	{[]int{135}, 1.5, 0.2, false},
	{[]int{90}, 1.2, 0.2, false},
	{[]int{0, 90}, 1.6, 0.15, false},
	{[]int{45, 135}, 1.8, 0.15, false},
	{[]int{0}, 1.2, 0.5, true},
	{[]int{45}, 1.5, 0.6, false},
	{[]int{135}, 1.5, 0.6, false},
	{[]int{90}, 1.6, 0.6, false},
	{[]int{0}, 1.6, 0.6, false},
	{[]int{45, 135}, 1.2, 0.3, false},
}

// wideAs is about how wide a text is: no face that is likely to be at hand
// has digits and capitals wider than this.
func wideAs(text string, size float64) float64 { return float64(cells(text)) * size * 0.64 }

func (d *drawing) box(x, y, w, h, line float64, grey, hatch int) {
	d.shapes = append(d.shapes, shape{kind: box, x: x, y: y, w: w, h: h, stroke: line, grey: grey, hatch: hatch})
}

func (d *drawing) line(x, y, x2, y2, width float64, dashed bool) {
	d.shapes = append(d.shapes, shape{kind: stroke, x: x, y: y, w: x2 - x, h: y2 - y, stroke: width, dashed: dashed})
}

func (d *drawing) text(x, y, size float64, a anchor, bold, backed bool, text string) {
	d.shapes = append(d.shapes, shape{kind: label, x: x, y: y, size: size, anchor: a, bold: bold, backed: backed, text: clean(text)})
}

// svg writes the drawing as one SVG element without any reference outside.
func (d *drawing) svg() string {
	var s strings.Builder
	fmt.Fprintf(&s, `<svg xmlns="http://www.w3.org/2000/svg" width="%smm" height="%smm" viewBox="-4 -4 %s %s" role="img" aria-label="%s" font-family="'DejaVu Sans','Liberation Sans',Arial,sans-serif">`+"\n",
		mm(d.wide+8), mm(d.tall+8), mm(d.wide+8), mm(d.tall+8), html.EscapeString(clean(d.title)))
	fmt.Fprintf(&s, "<title>%s</title>\n", html.EscapeString(clean(d.title)))
	d.patterns(&s)
	fmt.Fprintf(&s, `<rect x="-4" y="-4" width="%s" height="%s" fill="#fff"/>`+"\n", mm(d.wide+8), mm(d.tall+8))
	for _, x := range d.shapes {
		switch x.kind {
		case box:
			at := fmt.Sprintf(`x="%s" y="%s" width="%s" height="%s"`, mm(x.x), mm(x.y), mm(x.w), mm(x.h))
			fill := "none"
			if x.grey >= 0 {
				fill = fmt.Sprintf("#%02x%02x%02x", x.grey, x.grey, x.grey)
			}
			if x.hatch > 0 && fill != "none" {
				fmt.Fprintf(&s, `<rect %s fill="%s"/>`, at, fill)
			}
			if x.hatch > 0 {
				fill = fmt.Sprintf("url(#%s-%d)", d.name, (x.hatch-1)%len(hatchings))
			}
			fmt.Fprintf(&s, `<rect %s fill="%s"%s/>`+"\n", at, fill, inked(x.stroke, x.dashed))
		case stroke:
			fmt.Fprintf(&s, `<path d="M%s %sl%s %s"%s/>`+"\n", mm(x.x), mm(x.y), mm(x.w), mm(x.h), inked(x.stroke, x.dashed))
		case label:
			d.label(&s, x)
		}
	}
	s.WriteString("</svg>\n")
	return s.String()
}

func (d *drawing) label(s *strings.Builder, x shape) {
	more := [...]string{"", ` text-anchor="middle"`, ` text-anchor="end"`}[x.anchor]
	if x.bold {
		more += ` font-weight="700"`
	}
	if x.backed {
		more += fmt.Sprintf(` stroke="#fff" stroke-width="%s" stroke-linejoin="round" paint-order="stroke"`, mm(x.size/2.5))
	}
	fmt.Fprintf(s, `<text x="%s" y="%s" font-size="%s"%s>%s</text>`+"\n", mm(x.x), mm(x.y), mm(x.size), more, html.EscapeString(x.text))
}

// patterns writes the hatchings that are used.
func (d *drawing) patterns(s *strings.Builder) {
	used := map[int]bool{}
	for _, x := range d.shapes {
		if x.hatch > 0 {
			used[(x.hatch-1)%len(hatchings)] = true
		}
	}
	if len(used) == 0 {
		return
	}
	s.WriteString("<defs>\n")
	for i, h := range hatchings {
		if !used[i] {
			continue
		}
		// One turned square holds the first angle; a second one at right angles to it is its other side.
		fmt.Fprintf(s, `<pattern id="%s-%d" patternUnits="userSpaceOnUse" width="%s" height="%s" patternTransform="rotate(%d)"><path d="M0 %sH%s`,
			d.name, i, mm(h.apart), mm(h.apart), -h.angles[0], mm(h.apart/2), mm(h.apart))
		if len(h.angles) > 1 {
			fmt.Fprintf(s, "M%s 0V%s", mm(h.apart/2), mm(h.apart))
		}
		dash := ""
		if h.dashed {
			dash = fmt.Sprintf(` stroke-dasharray="%s"`, mm(h.thick))
		}
		fmt.Fprintf(s, `" stroke="#000" stroke-width="%s"%s/></pattern>`+"\n", mm(h.thick), dash)
	}
	s.WriteString("</defs>\n")
}

// inked says how a line is drawn.
func inked(width float64, dashed bool) string {
	switch {
	case width <= 0:
		return ""
	case dashed:
		return fmt.Sprintf(` stroke="#000" stroke-width="%s" stroke-dasharray="1.2 .8" fill="none"`, mm(width))
	}
	return fmt.Sprintf(` stroke="#000" stroke-width="%s"`, mm(width))
}

// mm writes millimetres to the hundredth, without what nobody needs.
func mm(v float64) string {
	s := strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", v), "0"), ".")
	if s == "-0" || s == "" {
		return "0"
	}
	return s
}
