package plan

import (
	"fmt"
	"math"
	"strings"
)

// program is an integer program, kept in memory so that what a solver returns
// can be held against it in whole numbers.
type program struct {
	names []string
	upper []int64 // -1: none
	rows  []row2
}

type term struct {
	v int
	a int64
}

// row2 says that the terms add up to at least low and at most high.
type row2 struct {
	terms     []term
	low, high int64
}

const noBound = math.MaxInt64

func (p *program) add(upper int64, format string, args ...any) int {
	p.names = append(p.names, fmt.Sprintf(format, args...))
	p.upper = append(p.upper, upper)
	return len(p.names) - 1
}

func (p *program) row(low, high int64, terms ...term) {
	if len(terms) > 0 {
		p.rows = append(p.rows, row2{terms, low, high})
	}
}

// holds reports the first row that whole values break.
func (p *program) holds(x []int64) error {
	for i, v := range x {
		if v < 0 || p.upper[i] >= 0 && v > p.upper[i] {
			return fmt.Errorf("%s = %d is out of its bounds", p.names[i], v)
		}
	}
	for i, r := range p.rows {
		var sum int64
		for _, t := range r.terms {
			sum += t.a * x[t.v]
		}
		if r.low != -noBound && sum < r.low || r.high != noBound && sum > r.high {
			return fmt.Errorf("row %d comes to %d, not %d to %d", i, sum, r.low, r.high)
		}
	}
	return nil
}

// text writes the program in LP format.
func (p *program) text(objective []term) string {
	var b strings.Builder
	sum := func(terms []term) {
		for i, t := range terms {
			if i > 0 && i%8 == 0 {
				b.WriteString("\n  ")
			}
			fmt.Fprintf(&b, " %+d %s", t.a, p.names[t.v])
		}
	}
	b.WriteString("Minimize\n obj:")
	if len(objective) == 0 {
		objective = []term{{0, 0}}
	}
	sum(objective)
	b.WriteString("\nSubject To\n")
	for i, r := range p.rows {
		if r.low == r.high {
			fmt.Fprintf(&b, " r%d:", i)
			sum(r.terms)
			fmt.Fprintf(&b, " = %d\n", r.low)
			continue
		}
		if r.low != -noBound {
			fmt.Fprintf(&b, " r%dl:", i)
			sum(r.terms)
			fmt.Fprintf(&b, " >= %d\n", r.low)
		}
		if r.high != noBound {
			fmt.Fprintf(&b, " r%dh:", i)
			sum(r.terms)
			fmt.Fprintf(&b, " <= %d\n", r.high)
		}
	}
	b.WriteString("Bounds\n")
	for i, u := range p.upper {
		if u >= 0 {
			fmt.Fprintf(&b, " 0 <= %s <= %d\n", p.names[i], u)
		}
	}
	b.WriteString("Generals\n")
	for _, n := range p.names {
		fmt.Fprintf(&b, " %s\n", n)
	}
	b.WriteString("End\n")
	return b.String()
}
