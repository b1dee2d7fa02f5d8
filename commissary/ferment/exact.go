package ferment

import (
	"math"

	"doughrun/commissary/quantity"
)

// The standard library's exponential and logarithm are written in assembly on
// some machines and may differ in the last bit; compilers may also fuse a
// product with a sum. A plan must be the same bytes everywhere, so the
// formulas of this package use the four functions below: they consist of
// single IEEE 754 operations, and every product is rounded by a conversion,
// which the language defines to prevent fusing.

func mul(a, b float64) float64 { return float64(a * b) }

// exp returns e to the power x: x = k×ln 2 + r, and the power series of e^r.
func exp(x float64) float64 {
	const (
		ln2High = 6.93147180369123816490e-01 // ln 2 in two parts, so that k×ln 2 keeps its digits
		ln2Low  = 1.90821492927058770002e-10
	)
	if x < -700 {
		return 0
	}
	if x > 700 {
		x = 700
	}
	k := math.Floor(x/math.Ln2 + 0.5)
	r := x - mul(k, ln2High) - mul(k, ln2Low)
	s := 1.0
	for n := 15.0; n >= 1; n-- {
		s = 1 + mul(r, s)/n
	}
	return math.Ldexp(s, int(k))
}

// ln returns the natural logarithm of x > 0: x = f×2^k with f near 1, and the
// series of the inverse hyperbolic tangent of (f−1)/(f+1).
func ln(x float64) float64 {
	f, k := math.Frexp(x)
	if f < math.Sqrt2/2 {
		f, k = mul(f, 2), k-1
	}
	z := (f - 1) / (f + 1)
	zz := mul(z, z)
	s := 0.0
	for n := 25.0; n >= 1; n -= 2 {
		s = mul(s, zz) + 1/n
	}
	return mul(mul(2, z), s) + mul(float64(k), math.Ln2)
}

// pow returns x to the power y, 0 for x not above 0.
func pow(x, y float64) float64 {
	if x <= 0 {
		return 0
	}
	return exp(mul(y, ln(x)))
}

// whole rounds to whole seconds, at most quantity.MaxSeconds.
func whole(seconds float64) quantity.Seconds {
	if !(seconds < float64(quantity.MaxSeconds)) {
		return quantity.MaxSeconds
	}
	return quantity.Seconds(math.Floor(seconds + 0.5))
}

func celsius(t quantity.Temp) float64 { return float64(t) / float64(quantity.Degree) }
