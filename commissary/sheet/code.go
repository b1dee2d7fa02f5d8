package sheet

import (
	"fmt"
	"strings"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/qr"
)

// code is a barcode as runs of dark modules: rows from the top, each a list of
// beginnings and lengths. A barcode of bars has one row.
type code struct {
	wide, tall int // modules
	runs       [][][2]int
}

// qrOf makes a QR code. What it says is plain ASCII: readers guess differently
// at the meaning of other bytes.
func qrOf(text string) (code, error) {
	if err := ascii(text); err != nil {
		return code{}, err
	}
	return codeOf(qr.Encode(text, qr.M, qr.Unicode))
}

// barsOf makes a barcode of bars (Code 128, ISO/IEC 15417).
func barsOf(text string) (code, error) {
	if err := ascii(text); err != nil {
		return code{}, err
	}
	c, err := code128.Encode(text)
	if err != nil {
		return code{}, fmt.Errorf("no barcode can say %q: %w", text, err)
	}
	return codeOf(c, nil)
}

func ascii(text string) error {
	for _, r := range text {
		if r < ' ' || r > '~' {
			return fmt.Errorf("a barcode says plain ASCII only, and %q is not", text)
		}
	}
	return nil
}

func codeOf(b barcode.Barcode, err error) (code, error) {
	if err != nil {
		return code{}, err
	}
	size := b.Bounds()
	c := code{wide: size.Dx(), tall: size.Dy()}
	if b.Metadata().Dimensions == 1 {
		c.tall = 1
	}
	for y := range c.tall {
		var row [][2]int
		for x := range c.wide {
			if light, _, _, _ := b.At(size.Min.X+x, size.Min.Y+y).RGBA(); light > 0x7fff {
				continue
			}
			if n := len(row) - 1; n >= 0 && row[n][0]+row[n][1] == x {
				row[n][1]++
			} else {
				row = append(row, [2]int{x, 1})
			}
		}
		c.runs = append(c.runs, row)
	}
	return c, nil
}

// finest is the narrowest module in millimetres that office printers and
// common readers manage.
const finest = 0.25

// quiet is the white around a code, in modules.
func (c code) quiet() int {
	if c.tall == 1 {
		return 10
	}
	return 4
}

// svg writes the code so wide and tall in millimetres, its white edge included.
func (c code) svg(says string, wide, tall float64) string {
	var d strings.Builder
	for y, row := range c.runs {
		for _, r := range row {
			fmt.Fprintf(&d, "M%d %dh%dv1h-%dz", r[0], y, r[1], r[1])
		}
	}
	q := c.quiet()
	qy := q
	if c.tall == 1 {
		qy = 0
	}
	return fmt.Sprintf(`<svg class="code" role="img" aria-label="%s" width="%smm" height="%smm" viewBox="%d %d %d %d" preserveAspectRatio="none" shape-rendering="crispEdges"><path fill="#fff" d="M%d %dh%dv%dh-%dz"/><path d="%s"/></svg>`,
		escaped("code: "+says), mm(wide), mm(tall), -q, -qy, c.wide+2*q, c.tall+2*qy, -q, -qy, c.wide+2*q, c.tall+2*qy, c.wide+2*q, d.String())
}

// labelCode is the code of a lot for a label of a width in millimetres: bars,
// or a square code where bars would be too fine to be read.
func labelCode(lot string, wide float64) (c code, module float64, err error) {
	if c, err = barsOf(lot); err != nil {
		return c, 0, err
	}
	if module = min(wide/float64(c.wide+2*c.quiet()), 0.4); module >= finest {
		return c, module, nil
	}
	c, err = qrOf(lot)
	return c, 0.7, err
}
