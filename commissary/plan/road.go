package plan

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"strings"

	"doughrun/commissary"
	"doughrun/commissary/quantity"
)

// roads says how far it is from place to place, and how it knows. The kitchen
// is one of the places.
type roads struct {
	book *commissary.Book
	ways map[[2]string]commissary.Way
	at   map[string][3]int64 // places with coordinates, on the unit sphere

	listed, estimated int // legs driven so far, by how they are known
}

// leg is the road from one place to another.
type leg struct {
	seconds, metres int64
	estimated       bool // by the great circle
}

func newRoads(b *commissary.Book) *roads {
	r := &roads{book: b, ways: map[[2]string]commissary.Way{}, at: map[string][3]int64{}}
	for _, w := range b.Roads.Ways {
		r.ways[[2]string{w.From, w.To}] = w
	}
	if len(b.Roads.Speeds) == 0 {
		return r
	}
	place := func(id string, lat, lon int64) {
		if lat != 0 || lon != 0 {
			r.at[id] = onSphere(lat, lon)
		}
	}
	place(commissary.KitchenPlace, b.Kitchen.Lat, b.Kitchen.Lon)
	for _, s := range b.Shops {
		place(s.ID, s.Lat, s.Lon)
	}
	return r
}

// leg returns the road from a to b: as the book lists it, or else as it lists
// the way back, or else the great circle times the road factor at the speed
// of its band. It reports false where none of these is known.
func (r *roads) leg(a, b string) (leg, bool) {
	if a == b {
		return leg{}, true
	}
	w, ok := r.ways[[2]string{a, b}]
	if !ok {
		w, ok = r.ways[[2]string{b, a}]
	}
	if ok {
		return leg{seconds: int64(w.Time), metres: w.Metres}, true
	}
	from, ok := r.at[a]
	to, ok2 := r.at[b]
	if !ok || !ok2 {
		return leg{}, false
	}
	// No overflow: half the globe is 20 million metres, a factor at most five.
	road, err := quantity.Share(arc(from, to), r.book.Roads.Factor, quantity.Up)
	if err != nil {
		return leg{}, false
	}
	speed := r.book.Roads.Speeds[len(r.book.Roads.Speeds)-1]
	for _, s := range r.book.Roads.Speeds {
		if s.UpTo == 0 || road <= s.UpTo {
			speed = s
			break
		}
	}
	if speed.PerHour <= 0 {
		return leg{}, false
	}
	// Whole minutes: an estimate knows no seconds.
	minutes, err := quantity.MulDiv(road, 60, speed.PerHour, quantity.Up)
	return leg{60 * minutes, road, true}, err == nil
}

// drive is leg for a van that really goes there: measured speaks of it.
func (r *roads) drive(a, b string) (leg, bool) {
	l, ok := r.leg(a, b)
	if l.estimated {
		r.estimated++
	} else {
		r.listed++
	}
	return l, ok
}

// measured says where the times and distances of the legs driven come from.
func (r *roads) measured() string {
	var said []string
	if r.listed > 0 {
		said = append(said, quantity.Counted(r.listed, "way")+" as listed in "+cmp.Or(r.book.Roads.File, "the book"))
	}
	if r.estimated > 0 {
		var speeds []string
		for _, s := range r.book.Roads.Speeds {
			band := r.book.Kitchen.Units.Road(s.PerHour) + "/h"
			if s.UpTo > 0 {
				band += " up to " + r.book.Kitchen.Units.Road(s.UpTo)
			}
			speeds = append(speeds, band)
		}
		said = append(said, fmt.Sprintf("%s estimated: great circle x %d.%02d, %s", quantity.Counted(r.estimated, "way"),
			r.book.Roads.Factor/quantity.Whole, r.book.Roads.Factor%quantity.Whole/quantity.Percent, strings.Join(speeds, ", ")))
	}
	return strings.Join(said, "; ")
}

// unit is 1 in the fixed-point numbers below. The whole is reckoned in whole
// numbers, so that every machine finds the same distance to the metre.
const unit = 1 << 30

// earth is the mean radius in metres: IUGG, R1 (H. Moritz, "Geodetic Reference
// System 1980", Journal of Geodesy 74, 2000).
const earth = 6_371_009

// onSphere turns millionths of a degree into a point on the unit sphere.
func onSphere(lat, lon int64) [3]int64 {
	sinLat, cosLat := turn(lat)
	sinLon, cosLon := turn(lon)
	return [3]int64{product(cosLat, cosLon), product(cosLat, sinLon), sinLat}
}

// turn is sine and cosine of an angle in millionths of a degree, by their
// series up to 45 degrees.
func turn(angle int64) (sin, cos int64) {
	const degrees = 1_000_000
	switch {
	case angle < 0:
		sin, cos = turn(-angle)
		return -sin, cos
	case angle > 90*degrees:
		sin, cos = turn(180*degrees - angle)
		return sin, -cos
	case angle > 45*degrees:
		cos, sin = turn(90*degrees - angle)
		return sin, cos
	}
	// Half a turn is 180 degrees: π in the same fixed point.
	const pi = 3_373_259_426 // π × 2^30
	x := angle * pi / (180 * degrees)
	square := product(x, x)
	for term, k := x, int64(1); term != 0; k += 2 {
		sin += term
		term = -product(term, square) / ((k + 1) * (k + 2))
	}
	for term, k := int64(unit), int64(0); term != 0; k += 2 {
		cos += term
		term = -product(term, square) / ((k + 1) * (k + 2))
	}
	return sin, cos
}

// product multiplies in the fixed point.
func product(a, b int64) int64 { return a * b / unit }

// arc is the great circle between two points in metres, from their chord c:
// 2 asin(c/2), by its series. Past some thousand kilometres, where no van
// goes in a night, it falls short.
func arc(a, b [3]int64) int64 {
	var square uint64
	for k := range a {
		d := a[k] - b[k]
		square += uint64(d * d)
	}
	s := root(square) / 2
	s2 := product(s, s)
	sum, term := s, s
	// asin s = s + s³/6 + 3 s⁵/40 + 15 s⁷/336 + ...
	for k := int64(1); k < 40 && term > 0; k += 2 {
		term = product(term, s2) * k / (k + 1)
		sum += term / (k + 2)
	}
	hi, lo := bits.Mul64(uint64(2*sum), earth)
	metres, _ := bits.Div64(hi, lo, unit)
	return int64(metres)
}

// root is the whole part of a square root.
func root(square uint64) int64 {
	r := uint64(math.Sqrt(float64(square)))
	for r*r > square {
		r--
	}
	for (r+1)*(r+1) <= square {
		r++
	}
	return int64(r)
}
