package poly

import "math"

// Roots appends to dst the distinct real roots in [lo, hi], ascending, and
// returns the longer slice. The zero polynomial gives none.
//
// Degrees 1 and 2 are solved in closed form. Above that the roots of each
// derivative, from the quadratic one upwards, part the interval into stretches
// on which the next lower one is monotone; each stretch that changes sign holds
// one root, refined to full double precision. A root where the curve touches
// zero without crossing is found as a root of the derivative at which the
// value is zero within rounding, and is given once. An end of the interval
// counts as a root where the value there is zero within rounding.
//
// Nothing is allocated up to degree 20 if dst has room.
func Roots(dst, c []float64, lo, hi float64) []float64 {
	c = trim(c)
	if !(lo <= hi) || len(c) < 2 {
		return dst
	}
	switch len(c) {
	case 2:
		return appendInside(dst, lo, hi, -c[0]/c[1])
	case 3:
		return quadraticRoots(dst, c, lo, hi)
	}
	var store [3][maxDegree + 1]float64 // keeps the usual degrees off the heap
	level, breaks, next := store[0][:0], store[1][:0], store[2][:0]
	breaks = quadraticRoots(breaks, taylor(level, c, len(c)-3), lo, hi)
	for k := len(c) - 4; k > 0; k-- {
		next = monotoneRoots(next[:0], taylor(level, c, k), breaks, lo, hi)
		breaks, next = next, breaks
	}
	return monotoneRoots(dst, c, breaks, lo, hi)
}

// taylor writes the k-th derivative divided by k! to dst[:0]: its roots are
// the derivative's, and its coefficients stay of moderate size.
func taylor(dst, c []float64, k int) []float64 {
	dst = dst[:0]
	binomial := 1.0
	for i := k; i < len(c); i++ {
		dst = append(dst, float64(binomial*c[i]))
		binomial = math.Round(binomial * float64(i+1) / float64(i+1-k))
	}
	return dst
}

// appendInside appends those of the ascending candidates that lie in [lo, hi].
// A candidate that misses an end by rounding alone is moved onto it.
func appendInside(dst []float64, lo, hi float64, candidates ...float64) []float64 {
	for _, x := range candidates {
		slack := float64(4 * roundoff * math.Abs(x))
		if x >= lo-slack && x <= hi+slack {
			dst = append(dst, math.Min(math.Max(x, lo), hi))
		}
	}
	return dst
}

// quadraticRoots solves c[0] + c[1] u + c[2] u² = 0 without cancellation. A
// discriminant that is zero within the rounding of the coefficients makes one
// double root.
func quadraticRoots(dst, c []float64, lo, hi float64) []float64 {
	a, b, k := c[2], c[1], c[0]
	if size := math.Max(math.Abs(a), math.Max(math.Abs(b), math.Abs(k))); size > 1e140 || size < 1e-140 {
		_, exponent := math.Frexp(size) // the squares must not overflow or vanish
		a, b, k = math.Ldexp(a, -exponent), math.Ldexp(b, -exponent), math.Ldexp(k, -exponent)
	}
	d := discriminant(a, b, k)
	if math.Abs(d) <= 8*roundoff*float64(b*b) {
		return appendInside(dst, lo, hi, -b/(2*a))
	}
	if d < 0 {
		return dst
	}
	q := -(b + math.Copysign(math.Sqrt(d), b)) / 2
	x, y := q/a, k/q
	if x > y {
		x, y = y, x
	}
	return appendInside(dst, lo, hi, x, y)
}

// discriminant is b² - 4ak correct to about two roundoffs, by Kahan's method:
// the rounding errors of both products are recovered with a true fused
// multiply-add, which math.FMA is on every processor.
func discriminant(a, b, k float64) float64 {
	p, q := float64(b*b), float64(4*a*k)
	d := p - q
	if 3*math.Abs(d) >= p+math.Abs(q) {
		return d
	}
	return d + (math.FMA(b, b, -p) - math.FMA(4*a, k, -q))
}

// breakpoint is an end of a stretch on which a polynomial is monotone.
type breakpoint struct {
	at, value float64
	nought    bool // zero within rounding
	sign      int  // 0 where the point itself is to be taken as a root
}

func newBreakpoint(c []float64, x float64) breakpoint {
	v, bound := evalBound(c, x)
	p := breakpoint{at: x, value: v, nought: math.Abs(v) <= bound}
	switch {
	case v < 0:
		p.sign = -1
	case v > 0:
		p.sign = 1
	}
	return p
}

// yield makes an end of the whole interval a root if it is zero within
// rounding, unless the stretch beside it has the root already.
func (p *breakpoint) yield(beside breakpoint) {
	if p.nought && p.sign == beside.sign {
		p.sign = 0
	}
}

// monotoneRoots appends the roots of c in [lo, hi], where c is monotone
// between the ascending inner breaks.
func monotoneRoots(dst, c, breaks []float64, lo, hi float64) []float64 {
	var store [maxDegree + 2]breakpoint
	points := append(store[:0], newBreakpoint(c, lo))
	for _, x := range breaks {
		if x > points[len(points)-1].at && x < hi {
			p := newBreakpoint(c, x)
			if p.nought {
				p.sign = 0
			}
			points = append(points, p)
		}
	}
	if hi > lo {
		points = append(points, newBreakpoint(c, hi))
	}
	last := len(points) - 1
	points[0].yield(points[min(1, last)])
	points[last].yield(points[max(0, last-1)])
	return rootsBetween(dst, c, points)
}

// rootsBetween appends the root of each stretch that changes sign and each
// point that is a root itself. Neighbouring points that are all zero stand for
// one multiple root: the one with the smallest value is kept.
func rootsBetween(dst, c []float64, points []breakpoint) []float64 {
	var kept breakpoint
	for i, p := range points {
		switch {
		case p.sign == 0 && i > 0 && points[i-1].sign == 0:
			if math.Abs(p.value) < math.Abs(kept.value) {
				dst[len(dst)-1], kept = p.at, p
			}
		case p.sign == 0:
			dst, kept = append(dst, p.at), p
		case i > 0 && p.sign == -points[i-1].sign:
			dst = append(dst, refine(c, points[i-1], p))
		}
	}
	return dst
}

// refine finds the root between two points of opposite sign: Newton's method,
// which gives way to halving wherever it would leave the bracket or does not
// halve its own step.
func refine(c []float64, from, to breakpoint) float64 {
	a, b := from.at, to.at
	x, step := a+(b-a)/2, b-a
	for range 200 {
		v, slope := evalSlope(c, x)
		if v == 0 {
			return x
		}
		if (v < 0) == (from.sign < 0) {
			a = x
		} else {
			b = x
		}
		next := x - v/slope
		if !(next >= a && next <= b) || 2*math.Abs(next-x) > math.Abs(step) {
			next = a + (b-a)/2
		}
		step, x = next-x, next
		if math.Abs(step) <= roundoff*math.Abs(x) {
			return x
		}
	}
	return x
}

// evalSlope gives the value and the first derivative.
func evalSlope(c []float64, u float64) (v, d float64) {
	for i := len(c) - 1; i >= 0; i-- {
		d = float64(d*u) + v
		v = float64(v*u) + c[i]
	}
	return v, d
}
