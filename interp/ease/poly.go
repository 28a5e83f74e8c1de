package ease

import "math"

// polyAt is the value and three derivatives of the polynomial with ascending
// coefficients c at y.
func polyAt(c []float64, y float64) (v, d1, d2, d3 float64) {
	for i := len(c) - 1; i >= 0; i-- {
		d3 = float64(d3*y) + d2
		d2 = float64(d2*y) + d1
		d1 = float64(d1*y) + v
		v = float64(v*y) + c[i]
	}
	return v, d1, 2 * d2, 6 * d3
}

// polyValue is the polynomial alone, by Horner's rule.
func polyValue(c []float64, y float64) float64 {
	v := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		v = float64(v*y) + c[i]
	}
	return v
}

// derivative is the polynomial's derivative; that of a constant is empty.
func derivative(c []float64) []float64 {
	if len(c) < 2 {
		return nil
	}
	d := make([]float64, len(c)-1)
	for i := range d {
		d[i] = c[i+1] * float64(i+1)
	}
	return d
}

// product is a*b.
func product(a, b []float64) []float64 {
	if len(a) == 0 || len(b) == 0 {
		return nil
	}
	p := make([]float64, len(a)+len(b)-1)
	for i, x := range a {
		for j, y := range b {
			p[i+j] += float64(x * y)
		}
	}
	return p
}

// combine is a + k*b.
func combine(a []float64, k float64, b []float64) []float64 {
	s := make([]float64, max(len(a), len(b)))
	copy(s, a)
	for i, x := range b {
		s[i] += float64(k * x)
	}
	return s
}

// shifted is c(y + h) as a polynomial in y, by repeated synthetic division.
func shifted(c []float64, h float64) []float64 {
	s := append([]float64(nil), c...)
	for i := range s {
		for j := len(s) - 2; j >= i; j-- {
			s[j] += float64(h * s[j+1])
		}
	}
	return s
}

// roots are the places inside (a, b), ascending, where the polynomial changes
// sign, together with the zeros of its derivatives that merely touch. Between
// the roots of the derivative it is monotone, so that bisection finds each one
// to the last bit; the degree is at most 7 here.
func roots(c []float64, a, b float64) []float64 {
	for len(c) > 0 && c[len(c)-1] == 0 {
		c = c[:len(c)-1]
	}
	if len(c) < 2 {
		return nil
	}
	var found []float64
	left := a
	for _, right := range append(roots(derivative(c), a, b), b) {
		if r, ok := bisect(func(y float64) float64 { return polyValue(c, y) }, left, right); ok {
			found = appendInside(found, r, a, b)
		}
		left = right
	}
	return found
}

// appendInside appends r when it lies inside (a, b) and beyond the last one.
func appendInside(s []float64, r, a, b float64) []float64 {
	if r <= a || r >= b || len(s) > 0 && r <= s[len(s)-1] {
		return s
	}
	return append(s, r)
}

// bisect finds where f, monotone on [a, b], passes through zero; false when it
// keeps its sign. At most some 1100 halvings (the range of the exponent),
// usually 55.
func bisect(f func(float64) float64, a, b float64) (float64, bool) {
	fa, fb := f(a), f(b)
	switch {
	case fa == 0:
		return a, true
	case fb == 0:
		return b, true
	case math.Signbit(fa) == math.Signbit(fb):
		return 0, false
	}
	for {
		m := a + (b-a)/2
		if m <= a || m >= b {
			return m, true
		}
		switch fm := f(m); {
		case fm == 0:
			return m, true
		case math.Signbit(fm) == math.Signbit(fa):
			a = m
		default:
			b = m
		}
	}
}

// polySplits are the offsets inside (0, width) where a derivative of the value
// up to the fourth vanishes: value and three derivatives are monotone between.
func polySplits(c []float64, width float64) []float64 {
	var all []float64
	for range 4 {
		c = derivative(c)
		all = append(all, roots(c, 0, width)...)
	}
	return all
}
