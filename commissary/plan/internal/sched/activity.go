package sched

// activity orders variables by how often they took part in recent conflicts, in whole numbers so that every machine
// agrees. It is a binary heap with the busiest variable on top, the lower number first among equals.
type activity struct {
	score   []int64
	heap    []bound
	place   []int32 // by variable: index in the heap, −1 if not there
	wanted  []bool  // by variable: may be on the heap
	skipped []bound // taken off the heap though not fixed
	gain    int64
}

func (a *activity) grow() {
	a.score = append(a.score, 0)
	a.place = append(a.place, -1)
	a.wanted = append(a.wanted, false)
	a.gain = 1 << 10
}

func (a *activity) before(x, y bound) bool {
	return a.score[x] > a.score[y] || a.score[x] == a.score[y] && x < y
}

func (a *activity) up(i int) {
	x := a.heap[i]
	for i > 0 {
		p := (i - 1) / 2
		if !a.before(x, a.heap[p]) {
			break
		}
		a.heap[i] = a.heap[p]
		a.place[a.heap[i]] = int32(i)
		i = p
	}
	a.heap[i] = x
	a.place[x] = int32(i)
}

func (a *activity) down(i int) {
	x := a.heap[i]
	for {
		c := 2*i + 1
		if c >= len(a.heap) {
			break
		}
		if c+1 < len(a.heap) && a.before(a.heap[c+1], a.heap[c]) {
			c++
		}
		if !a.before(a.heap[c], x) {
			break
		}
		a.heap[i] = a.heap[c]
		a.place[a.heap[i]] = int32(i)
		i = c
	}
	a.heap[i] = x
	a.place[x] = int32(i)
}

// admit makes a variable one to decide on.
func (a *activity) admit(x bound, score int64) {
	a.wanted[x] = true
	a.score[x] = score
	a.offer(x)
}

// offer puts an admitted variable back.
func (a *activity) offer(x bound) {
	if a.wanted[x] && a.place[x] < 0 {
		a.heap = append(a.heap, x)
		a.up(len(a.heap) - 1)
	}
}

func (a *activity) offerSkipped() {
	for _, x := range a.skipped {
		a.offer(x)
	}
	a.skipped = a.skipped[:0]
}

// top returns the busiest variable on the heap.
func (a *activity) top() (bound, bool) {
	if len(a.heap) == 0 {
		return 0, false
	}
	return a.heap[0], true
}

// take removes the top.
func (a *activity) take() {
	x := a.heap[0]
	a.place[x] = -1
	n := len(a.heap) - 1
	y := a.heap[n]
	a.heap = a.heap[:n]
	if n > 0 {
		a.heap[0] = y
		a.down(0)
	}
}

// skip removes the top until the next retreat.
func (a *activity) skip() {
	a.skipped = append(a.skipped, a.heap[0])
	a.take()
}

func (a *activity) bump(x bound) {
	a.score[x] += a.gain
	if a.place[x] >= 0 {
		a.up(int(a.place[x]))
	}
}

// age makes later bumps weigh more than earlier ones.
func (a *activity) age() {
	a.gain += a.gain / 16
	if a.gain > 1<<40 {
		for x := range a.score {
			a.score[x] >>= 30
		}
		a.gain >>= 30
		// Halving may make scores equal; rebuild so that ties fall to the lower number.
		for i := len(a.heap)/2 - 1; i >= 0; i-- {
			a.down(i)
		}
	}
}
