package sheet

import (
	"fmt"
	"math"
	"strings"

	"codeberg.org/go-pdf/fpdf"
)

// picture sets a drawing on a sheet of its own, on its side.
func (w *press) picture(d *drawing) {
	w.AddPageFormat(sideways, fpdf.SizeType{Wd: w.size.Wide, Ht: w.size.Tall})
	w.turned, w.scale = true, 1
	wide, tall := w.size.Tall-20, w.size.Wide-footRoom-8
	scale := math.Min(math.Min(wide/d.wide, tall/d.tall), 1)
	w.draw(d, (w.size.Tall-d.wide*scale)/2, 8, scale)
	w.y = w.size.Tall // whatever follows begins a sheet
}

// figure sets a small drawing where the text stands.
func (w *press) figure(d *drawing) {
	w.room(d.tall + 3)
	w.draw(d, w.left, w.y+1, 1)
	w.y += d.tall + 3
}

func (w *press) draw(d *drawing, x, y, scale float64) {
	defer func(scale float64) { w.scale = scale }(w.scale)
	w.scale = 1
	w.TransformBegin()
	w.TransformTranslate(x, y)
	w.TransformScale(scale*100, scale*100, 0, 0)
	for _, s := range d.shapes {
		w.shape(s)
	}
	w.TransformEnd()
	w.SetDashPattern(nil, 0)
}

func (w *press) shape(s shape) {
	w.SetDashPattern(nil, 0)
	switch s.kind {
	case box:
		if s.grey >= 0 {
			w.SetFillColor(s.grey, s.grey, s.grey)
			w.Rect(s.x, s.y, s.w, s.h, "F")
		}
		if s.hatch > 0 {
			w.hatch(s, hatchings[(s.hatch-1)%len(hatchings)])
		}
		if s.stroke > 0 {
			w.SetLineWidth(s.stroke)
			w.Rect(s.x, s.y, s.w, s.h, "D")
		}
	case stroke:
		if s.dashed {
			w.SetDashPattern([]float64{1.2, 0.8}, 0)
		}
		w.SetLineWidth(s.stroke)
		w.Line(s.x, s.y, s.x+s.w, s.y+s.h)
	case label:
		w.font(s.size*72/25.4, s.bold)
		wide := w.wide(w.line(s.text))
		x := s.x - wide*float64(s.anchor)/2
		if s.backed {
			w.SetFillColor(255, 255, 255)
			w.Rect(x-0.3, s.y-s.size*0.85, wide+0.6, s.size*1.1, "F")
		}
		w.text(x, s.y, s.size*72/25.4, s.bold, s.text)
	}
}

// hatch fills a box with its pattern.
func (w *press) hatch(s shape, h hatching) {
	w.ClipRect(s.x, s.y, s.w, s.h, false)
	w.SetLineWidth(h.thick)
	if h.dashed {
		w.SetDashPattern([]float64{h.thick, h.thick}, 0)
	}
	for _, angle := range h.angles {
		switch angle {
		case 0:
			for y := s.y + h.apart/2; y < s.y+s.h; y += h.apart {
				w.Line(s.x, y, s.x+s.w, y)
			}
		case 90:
			for x := s.x + h.apart/2; x < s.x+s.w; x += h.apart {
				w.Line(x, s.y, x, s.y+s.h)
			}
		default:
			step := h.apart * math.Sqrt2
			for x := s.x - s.h; x < s.x+s.w; x += step {
				if angle == 45 {
					w.Line(x, s.y+s.h, x+s.h, s.y)
				} else {
					w.Line(x, s.y, x+s.h, s.y+s.h)
				}
			}
		}
	}
	w.ClipEnd()
	w.SetDashPattern(nil, 0)
}

// labelText sets a label's lines below a height, or without a place only measures
// them. It returns how far down they come.
func (w *press) labelText(l Label, size, x, at float64) float64 {
	for _, line := range l.lines() {
		bold := strings.HasPrefix(line, never)
		w.font(size, bold)
		for _, part := range w.fold(line, labelWide-8) {
			at += size * 3.9 / 9
			if x >= 0 {
				w.text(x, at, size, bold, part)
			}
		}
	}
	return at
}

// labels sets labels, eight on a sheet.
func (w *press) labels() {
	w.scale = 1
	var c code
	var module float64
	for i, l := range w.paper.labels {
		at := i % labelsOnSheet
		if at == 0 {
			w.sheet()
		}
		x, y := w.left+float64(at%2)*(labelWide+2), topEdge+float64(at/2)*(labelTall+2)
		w.SetLineWidth(0.1)
		w.SetDashPattern([]float64{1, 1}, 0)
		w.Rect(x, y, labelWide, labelTall, "D")
		w.SetDashPattern(nil, 0)
		if i == 0 || l.Lot != w.paper.labels[i-1].Lot {
			var err error
			if c, module, err = labelCode(l.Lot, labelWide-8); err != nil && w.err == nil {
				w.err = err
			}
		}
		w.label(l, x, y, c, module)
	}
}

func (w *press) label(l Label, x, y float64, c code, module float64) {
	w.font(14, true)
	at := y + 2.5
	for _, line := range w.fold(l.Item, labelWide-8) {
		at += 5.4
		w.text(x+4, at-0.6, 14, true, line)
	}
	q := float64(c.quiet())
	wide, tall := (float64(c.wide)+2*q)*module, 12.0
	if c.tall > 1 {
		tall = wide
	}
	foot := y + labelTall - 2
	// Allergens never run into the code: bars get lower first, then letters smaller.
	size := 9.0
	for ; w.labelText(l, size, -1, at) > foot-5.5-tall; size -= 0.5 {
		if c.tall == 1 && tall > 7 {
			tall = 7
		}
		if size <= 5.5 && w.err == nil {
			w.err = fmt.Errorf("the label of %s has more text than a label holds", l.Item)
			return
		}
	}
	w.labelText(l, size, x+4, at)
	w.font(11, true)
	lot := w.wide(l.Lot)
	w.text(x+(labelWide-lot)/2, foot, 11, true, l.Lot)
	if c.tall > 1 {
		w.code(c, x+labelWide-wide-1, foot-4.5-tall, module, 0)
	} else {
		w.code(c, x+(labelWide-wide)/2, foot-4.5-tall, module, tall)
	}
}
