package trace

import (
	"cmp"
	"maps"
	"slices"

	"doughrun/commissary"
)

// Records is what a trace is read from, many lots or batches at a time. The
// store's lots are one.
type Records interface {
	Of(codes []string) ([]commissary.Lot, error)
	MadeBy(batches []string) ([]commissary.Lot, error)
	DrawnFrom(codes []string) ([]commissary.Draw, error)
	DrawnBy(batches []string) ([]commissary.Draw, error)
	Moves(codes []string) ([]commissary.Movement, error)
	Receipts(codes []string) ([]commissary.Movement, error)
}

// Side says where a lot stands towards the one that is traced.
type Side string

// The sides.
const (
	CameFrom Side = "CAME_FROM"
	Itself   Side = "ITSELF"
	WentInto Side = "WENT_INTO"
)

// Node is one lot of a trace.
type Node struct {
	commissary.Lot
	Side     Side
	Possible bool    // it may be connected; otherwise it is
	Balance  Balance // of the lot itself and of those made from it
}

// Trace is a lot with everything it came from and everything it went into.
type Trace struct {
	Nodes    []Node // ancestors by code, the lot itself, descendants by code
	Draws    []commissary.Draw
	Moves    []commissary.Movement // of the lot itself and its descendants
	Receipts []commissary.Movement // of the ancestors that were bought in
	Sisters  []string              // other lots of its batch
	Read     int64                 // rows read
	Returned int64                 // of them in the trace
}

// Down returns the lot itself and everything made from it.
func (t Trace) Down() []Node {
	return slices.DeleteFunc(slices.Clone(t.Nodes), func(n Node) bool { return n.Side == CameFrom })
}

// Follow traces a lot in both directions. It asks for whole generations at a
// time and for no row twice. NotFound when there is no such lot.
func Follow(r Records, code string) (Trace, error) {
	f := &following{r: r, lots: map[string]commissary.Lot{}, draws: map[edge]commissary.Draw{}}
	if err := f.load(code); err != nil {
		return Trace{}, err
	}
	down, err := f.down(code)
	if err != nil {
		return Trace{}, err
	}
	up, err := f.up(code)
	if err != nil {
		return Trace{}, err
	}
	t := Trace{}
	moves, err := r.Moves(append([]string{code}, keys(down)...))
	if err != nil {
		return t, err
	}
	f.read += int64(len(moves))
	t.Moves = moves
	if t.Receipts, err = r.Receipts(keys(up)); err != nil {
		return t, err
	}
	f.read += int64(len(t.Receipts))
	of := map[string][]commissary.Movement{}
	for _, m := range moves {
		of[m.Lot] = append(of[m.Lot], m)
	}
	for _, c := range keys(up) {
		t.Nodes = append(t.Nodes, Node{Lot: f.lots[c], Side: CameFrom, Possible: up[c]})
	}
	t.Nodes = append(t.Nodes, Node{Lot: f.lots[code], Side: Itself, Balance: Account(of[code])})
	for _, c := range keys(down) {
		t.Nodes = append(t.Nodes, Node{Lot: f.lots[c], Side: WentInto, Possible: down[c], Balance: Account(of[c])})
	}
	for _, d := range f.draws {
		t.Draws = append(t.Draws, d)
	}
	slices.SortFunc(t.Draws, func(a, b commissary.Draw) int {
		return cmp.Or(cmp.Compare(a.Batch, b.Batch), cmp.Compare(a.Lot, b.Lot))
	})
	if batch := f.lots[code].Batch; batch != "" {
		made, err := r.MadeBy([]string{batch})
		if err != nil {
			return t, err
		}
		f.read += int64(len(made))
		for _, l := range made {
			if l.Code != code {
				t.Sisters = append(t.Sisters, l.Code)
			}
		}
	}
	t.Read = f.read
	t.Returned = int64(len(t.Nodes) + len(t.Draws) + len(t.Moves) + len(t.Receipts) + len(t.Sisters))
	return t, nil
}

func keys(m map[string]bool) []string { return slices.Sorted(maps.Keys(m)) }

type edge struct{ batch, lot string }

// following is one trace in the making.
type following struct {
	r     Records
	lots  map[string]commissary.Lot
	draws map[edge]commissary.Draw
	read  int64
}

func (f *following) load(code string) error {
	found, err := f.r.Of([]string{code})
	if err != nil {
		return err
	}
	f.read += int64(len(found))
	if len(found) == 0 {
		return commissary.Refuse(commissary.NotFound, "LOT_NOT_FOUND", "there is no lot %s; check the code", code)
	}
	f.lots[code] = found[0]
	return nil
}

// down returns every lot made from one, and whether it is only possible.
func (f *following) down(code string) (map[string]bool, error) {
	possible := map[string]bool{}
	takers := map[string][]commissary.Draw{} // by lot
	made := map[string][]string{}            // by batch
	for level := []string{code}; len(level) > 0; {
		draws, err := f.r.DrawnFrom(level)
		if err != nil {
			return nil, err
		}
		f.read += int64(len(draws))
		var batches []string
		for _, d := range draws {
			f.draws[edge{d.Batch, d.Lot}] = d
			takers[d.Lot] = append(takers[d.Lot], d)
			if _, seen := made[d.Batch]; !seen {
				made[d.Batch] = nil
				batches = append(batches, d.Batch)
			}
		}
		level = nil
		if len(batches) == 0 {
			continue
		}
		lots, err := f.r.MadeBy(batches)
		if err != nil {
			return nil, err
		}
		f.read += int64(len(lots))
		for _, l := range lots {
			made[l.Batch] = append(made[l.Batch], l.Code)
			if _, seen := possible[l.Code]; !seen && l.Code != code {
				f.lots[l.Code], possible[l.Code] = l, true
				level = append(level, l.Code)
			}
		}
	}
	// Certain is what certain draws lead to.
	for sure := []string{code}; len(sure) > 0; sure = sure[1:] {
		for _, d := range takers[sure[0]] {
			if d.Possible {
				continue
			}
			for _, c := range made[d.Batch] {
				if possible[c] {
					possible[c] = false
					sure = append(sure, c)
				}
			}
		}
	}
	return possible, nil
}

// up returns every lot that one came from, and whether it is only possible.
func (f *following) up(code string) (map[string]bool, error) {
	possible := map[string]bool{}
	taken := map[string][]commissary.Draw{} // by batch
	seen := map[string]bool{}
	for level := []string{code}; len(level) > 0; {
		var batches []string
		for _, c := range level {
			if b := f.lots[c].Batch; b != "" && !seen[b] {
				seen[b] = true
				batches = append(batches, b)
			}
		}
		level = nil
		if len(batches) == 0 {
			continue
		}
		draws, err := f.r.DrawnBy(batches)
		if err != nil {
			return nil, err
		}
		f.read += int64(len(draws))
		for _, d := range draws {
			f.draws[edge{d.Batch, d.Lot}] = d
			taken[d.Batch] = append(taken[d.Batch], d)
			if _, known := possible[d.Lot]; !known && d.Lot != code {
				possible[d.Lot] = true
				level = append(level, d.Lot)
			}
		}
		if len(level) == 0 {
			continue
		}
		lots, err := f.r.Of(level)
		if err != nil {
			return nil, err
		}
		f.read += int64(len(lots))
		for _, l := range lots {
			f.lots[l.Code] = l
		}
	}
	for sure := []string{code}; len(sure) > 0; sure = sure[1:] {
		for _, d := range taken[f.lots[sure[0]].Batch] {
			if !d.Possible && possible[d.Lot] {
				possible[d.Lot] = false
				sure = append(sure, d.Lot)
			}
		}
	}
	return possible, nil
}
