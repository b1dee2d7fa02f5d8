package plan

import (
	"fmt"
	"testing"
)

func TestZZ(t *testing.T) {
	for _, s := range []uint64{213,273,80,91,141,231,63,172} {
		d := mipDayOf(s)
		fmt.Printf("seed %d %s grid %d open %v crew %d slots %d pull %d\n", s, d.kind, d.grid/60, d.open, d.crew, d.slots, d.pullDown)
		for _, f := range d.formulas {
			fmt.Printf("  %+v\n", f)
		}
		for _, v := range d.vessels {
			fmt.Printf("  %+v\n", v)
		}
		for _, c := range d.classesOf() {
			n := c.need
			f := "2T15:04"
			fmt.Printf("  f%d %s units %d pieces %d made %s..%s good %s..%s dep %s\n", c.formula, n.Item, c.units, c.pieces, n.MadeFrom.Format(f), n.MadeTo.Format(f), n.GoodFrom.Format(f), n.GoodTo.Format(f), n.Departs.Format(f))
		}
	}
}
