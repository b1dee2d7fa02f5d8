package sched

// sum states that base + Σ weight·part is at most total. Weights are positive.
type sum struct {
	parts []part
	base  int64
	total bound
}

type part struct {
	b      bound
	weight int64
}

// addSum must be called before any decision. No two parts may be about the same variable.
func (e *engine) addSum(total bound, base int64, parts []part) {
	i := int32(len(e.sums))
	e.sums = append(e.sums, sum{parts, base, total})
	e.dirtySums.listed = append(e.dirtySums.listed, false)
	for _, p := range parts {
		e.sumsOf[p.b] = append(e.sumsOf[p.b], i)
	}
	e.sumsOf[total^1] = append(e.sumsOf[total^1], i)
	e.dirtySums.add(i)
}

func (e *engine) runSum(i int32) bool {
	s := &e.sums[i]
	e.steps += int64(len(s.parts))
	least := s.base
	for _, p := range s.parts {
		least += p.weight * e.low[p.b]
	}
	why := reason{kind: bySum, at: i}
	if !e.set(lit{s.total, least}, why) {
		return false
	}
	slack := e.high(s.total) - least
	for _, p := range s.parts {
		if most := e.low[p.b] + slack/p.weight; most < e.high(p.b) {
			if !e.set(lit{p.b ^ 1, -most}, why) {
				return false
			}
		}
	}
	return true
}

// explainSum takes the parts' values of that moment and gives back as much of them as the conclusion does not need.
func (e *engine) explainSum(i int32, l lit, pos int, out []lit) []lit {
	s := &e.sums[i]
	e.steps += int64(len(s.parts))
	spare := s.base // by how much the values exceed what is needed
	for _, p := range s.parts {
		if p.b^1 == l.b {
			spare += p.weight * (1 - l.k) // the first value beyond the conclusion
		} else {
			spare += p.weight * e.lowAt(p.b, pos)
		}
	}
	if l.b == s.total {
		spare -= l.k
	} else {
		most := -e.lowAt(s.total^1, pos)
		spare -= most + 1
		// Prefer to speak of the cost limit as it stands: it is an assumption most clauses share.
		out = append(out, lit{s.total ^ 1, -most})
	}
	for _, p := range s.parts {
		if p.b^1 == l.b {
			continue
		}
		v := e.lowAt(p.b, pos)
		give := min(spare/p.weight, v-e.root[p.b])
		spare -= give * p.weight
		if v -= give; v > e.root[p.b] {
			out = append(out, lit{p.b, v})
		}
	}
	return out
}
