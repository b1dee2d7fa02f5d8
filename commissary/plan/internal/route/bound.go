package route

import "slices"

// duals are the prices of a solved assignment: a leg from row i to column j
// costs row[i]+column[j] plus its reduced price, which is never negative.
type duals struct {
	row, column []Price
}

const maxAssigned = 500 // rows of the largest assignment; its work grows with the cube

// bound is an objective no routes are better than, by relaxing routes to an
// assignment: every stop and every vehicle's start gets a successor, every
// stop and every vehicle's end a predecessor, a stop left out succeeds
// itself. Legs no clock allows are left out. Two other bounds stand apart, and
// the best of the three is taken: the finish, by the stop that takes longest
// alone, and the number of vehicles, by what they can carry.
func (p *Problem) bound() (Price, duals) {
	n, vehicles := len(p.data.Stops), len(p.data.Vehicles)
	earliest := make([]Time, n) // service cannot begin before
	var late Price
	for i := range n {
		earliest[i] = never
		back := never
		for v := range vehicles {
			if p.may[v][i] {
				start := p.opens(int32(i), p.data.Vehicles[v].Shift.Open+p.ways.from[int(p.start[v])-n][i])
				earliest[i] = min(earliest[i], start)
				back = min(back, start+p.data.Stops[i].Service+p.ways.to[int(p.end[v])-n][i])
			}
		}
		alone := p.skip[i]
		if back < never {
			alone = min(alone, p.data.Objective.PerFinish*Price(back))
		}
		late = max(late, alone)
	}
	apart := max(late, p.carried())
	size := n + vehicles
	if size > maxAssigned || size == 0 {
		return apart, duals{}
	}
	cost := make([][]Price, size)
	forbidden := Price(maxTotal)
	for i := range cost {
		cost[i] = make([]Price, size)
		for j := range cost[i] {
			cost[i][j] = forbidden
		}
	}
	for i := range n {
		cost[i][i] = p.skip[i]
		for j := range n {
			if i == j || p.hopeless[i] || p.hopeless[j] || earliest[i]+p.leg(int32(i), int32(j)).time > p.last[j] {
				continue
			}
			cost[i][j] = p.leg(int32(i), int32(j)).price
			if b := p.before[j]; b.vehicle >= 0 && b.after != int32(i) {
				cost[i][j] += p.data.Objective.PerMoved
			}
		}
	}
	for v := range vehicles {
		cost[n+v][n+v] = 0
		for i := range n {
			if p.may[v][i] {
				cost[n+v][i] = p.perVehicle + p.data.Vehicles[v].Price + p.price(v, p.start[v], int32(i))
				cost[i][n+v] = p.leg(int32(i), p.end[v]).price
			}
		}
	}
	sum, d := assign(cost)
	return max(sum, apart), d
}

// carried is the weight of the vehicles that must be used, were loads
// divisible, to carry every required stop that can be served at all.
func (p *Problem) carried() Price {
	var left Price
	need := make([]Load, p.data.Dimension)
	for i, s := range p.data.Stops {
		switch {
		case s.Optional:
		case p.hopeless[i]:
			left += p.perLeft
		default:
			for k, l := range s.Demand {
				need[k] += l
			}
		}
	}
	most := 0
	for k, rest := range need {
		var sizes []Load
		for _, v := range p.data.Vehicles {
			sizes = append(sizes, v.Capacity[k])
		}
		slices.Sort(sizes)
		used := 0
		for ; rest > 0 && used < len(sizes); used++ {
			rest -= sizes[len(sizes)-1-used]
		}
		most = max(most, used)
	}
	return left + p.perVehicle*Price(most)
}

// assign solves the assignment problem by shortest augmenting paths, after
// R. Jonker and A. Volgenant, "A Shortest Augmenting Path Algorithm for Dense
// and Sparse Linear Assignment Problems", Computing 38 (1987).
func assign(cost [][]Price) (Price, duals) {
	n := len(cost)
	d := duals{row: make([]Price, n), column: make([]Price, n)}
	owner, held := make([]int, n), make([]int, n) // by column its row, by row its column
	for j := range owner {
		owner[j], held[j] = -1, -1
	}
	from := make([]int, n)
	short := make([]Price, n)
	done := make([]bool, n)
	for root := range n {
		for j := range n {
			short[j], done[j] = 1<<62, false
		}
		row, column, reach := root, -1, Price(0)
		for {
			next := -1
			for j := range n {
				if done[j] {
					continue
				}
				if c := reach + cost[row][j] - d.row[row] - d.column[j]; c < short[j] {
					short[j], from[j] = c, row
				}
				if next < 0 || short[j] < short[next] {
					next = j
				}
			}
			column, reach = next, short[next]
			done[column] = true
			if owner[column] < 0 {
				break
			}
			row = owner[column]
		}
		d.row[root] += reach
		for j := range n {
			if done[j] && j != column {
				d.row[owner[j]] += reach - short[j]
				d.column[j] -= reach - short[j]
			}
		}
		for r := -1; r != root; {
			r = from[column]
			owner[column] = r
			column, held[r] = held[r], column
		}
	}
	var sum Price
	for j, i := range owner {
		sum += cost[i][j]
	}
	return sum, d
}
