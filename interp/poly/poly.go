// Package poly works with real polynomials of one variable u, given by their
// coefficients in ascending order: c[0] + c[1] u + c[2] u² + …
//
// It evaluates, differentiates and shifts them, and finds their roots and
// their greatest and least values on an interval. For smooth functions that
// are not polynomials there are a bracketed maximiser (Peak) and a bracketed
// root finder (Cross).
//
// Every sum of products is written so that the compiler may not fuse it into
// one multiply-add: results are the same on every processor.
package poly

import "math"

// maxDegree is the greatest degree that is worked on without an allocation.
const maxDegree = 20

// roundoff is the unit roundoff of float64 arithmetic, 2^-53.
const roundoff = 0x1p-53

// Eval gives the value at u by Horner's rule. No coefficients is the zero
// polynomial.
func Eval(c []float64, u float64) float64 {
	v := 0.0
	for i := len(c) - 1; i >= 0; i-- {
		v = float64(v*u) + c[i]
	}
	return v
}

// Eval3 gives the value and the first three derivatives at u in one pass of
// Horner's rule, which yields the Taylor coefficients d^k/k!.
func Eval3(c []float64, u float64) (v, d1, d2, d3 float64) {
	for i := len(c) - 1; i >= 0; i-- {
		d3 = float64(d3*u) + d2
		d2 = float64(d2*u) + d1
		d1 = float64(d1*u) + v
		v = float64(v*u) + c[i]
	}
	return v, d1, float64(2 * d2), float64(6 * d3)
}

// Derive writes the coefficients of the derivative to dst[:0], which may be
// c itself, and returns them. The derivative of a constant has none.
func Derive(dst, c []float64) []float64 {
	dst = dst[:0]
	for i := 1; i < len(c); i++ {
		dst = append(dst, float64(float64(i)*c[i]))
	}
	return dst
}

// Shift writes the coefficients of p(u+by) to dst[:0], which may be c itself,
// and returns them. Repeated synthetic division, O(n²).
func Shift(dst, c []float64, by float64) []float64 {
	dst = append(dst[:0], c...)
	for i := range dst {
		for j := len(dst) - 2; j >= i; j-- {
			dst[j] += float64(dst[j+1] * by)
		}
	}
	return dst
}

// trim drops leading coefficients that are exactly zero.
func trim(c []float64) []float64 {
	for len(c) > 0 && c[len(c)-1] == 0 {
		c = c[:len(c)-1]
	}
	return c
}

// evalBound gives the value at u and a bound of what rounding, of the
// coefficients and of Horner's rule, can have added to it (Higham, Accuracy
// and Stability of Numerical Algorithms, section 5.1: 2n roundoffs of the sum
// of the terms' sizes; twice that is taken).
func evalBound(c []float64, u float64) (v, bound float64) {
	size, a := 0.0, math.Abs(u)
	for i := len(c) - 1; i >= 0; i-- {
		v = float64(v*u) + c[i]
		size = float64(size*a) + math.Abs(c[i])
	}
	return v, float64(4 * float64(len(c)) * roundoff * size)
}
