// Package spline lays piecewise cubic curves through keys: values y at
// ascending times t.
//
// The five kinds are the ones that animators and numerical libraries share:
//
//   - Pchip (Fritsch and Butland 1984, end tangents as in Moler, Numerical
//     Computing with MATLAB, section 3.6) never overshoots its keys. C1.
//   - Akima (Akima 1970) is calm beside a jump but may overshoot a little. C1.
//   - Cubic is the C2 spline that is at rest at both ends.
//   - Natural is the C2 spline with no second derivative at the ends.
//   - CatmullRom takes each tangent from the two neighbours. C1.
//
// Pchip, Akima, Cubic and Natural follow scipy's PchipInterpolator,
// Akima1DInterpolator and CubicSpline with bc_type 'clamped' and 'natural'.
package spline

import (
	"fmt"
	"math"
)

// Kind says how a spline chooses its slopes at the knots.
type Kind uint8

const (
	Pchip      Kind = iota // monotone between keys: no overshoot; C1
	Akima                  // local, calm beside jumps; C1
	Cubic                  // C2, slope 0 at both ends
	Natural                // C2, second derivative 0 at both ends
	CatmullRom             // slope from the neighbours, one-sided at the ends; C1
)

func (k Kind) String() string {
	names := [...]string{"pchip", "akima", "cubic", "natural", "catmull-rom"}
	if int(k) < len(names) {
		return names[k]
	}
	return fmt.Sprintf("spline kind %d", uint8(k))
}

// Cubic3 is one segment: ascending coefficients in u = t - t[i], so that the
// value is c[0] + c[1] u + c[2] u² + c[3] u³.
type Cubic3 [4]float64

// Build gives the len(t)-1 segments of the spline of kind k through the points
// (t[i], y[i]), written over dst[:0]. Two knots of Pchip, Akima, Natural or
// CatmullRom are joined by a straight line. O(n).
//
// It is an error if there are fewer than two knots, if t and y differ in
// length, if t is not ascending, or if a number is not finite or so large that
// a slope is not.
func Build(dst []Cubic3, k Kind, t, y []float64) ([]Cubic3, error) {
	m, err := Slopes(nil, k, t, y)
	if err != nil {
		return nil, err
	}
	return Hermite(dst, t, y, m), nil
}

// Slopes gives the derivative of the spline of kind k at each knot, written
// over dst[:0]. Errors as for Build.
func Slopes(dst []float64, k Kind, t, y []float64) ([]float64, error) {
	if err := checkKnots(t, y); err != nil {
		return nil, err
	}
	m := append(dst[:0], y...)
	kn := knots{t, y}
	switch {
	case k > CatmullRom:
		return nil, fmt.Errorf("there is no %v", k)
	case len(t) == 2 && k != Cubic:
		m[0], m[1] = kn.slope(0), kn.slope(0)
	case k == Pchip:
		kn.pchip(m)
	case k == Akima:
		kn.akima(m)
	case k == CatmullRom:
		kn.catmullRom(m)
	default:
		kn.twiceSmooth(m, k == Natural)
	}
	for i, v := range m {
		if !finite(v) {
			return nil, fmt.Errorf("the curve is too steep at knot %d (time %g): move it away from its neighbours", i+1, t[i])
		}
	}
	return m, nil
}

// Hermite gives the len(t)-1 cubic segments with values y and slopes m at the
// knots t, written over dst[:0]. The lengths have to agree and t to ascend.
func Hermite(dst []Cubic3, t, y, m []float64) []Cubic3 {
	dst = dst[:0]
	for i := range len(t) - 1 {
		h := t[i+1] - t[i]
		d := (y[i+1] - y[i]) / h
		from, to := m[i]-d, m[i+1]-d // written so that a straight line has exact zeros
		dst = append(dst, Cubic3{y[i], m[i], -(2*from + to) / h, (from + to) / h / h})
	}
	return dst
}

func checkKnots(t, y []float64) error {
	if len(t) != len(y) {
		return fmt.Errorf("a spline needs a value for each time, but there are %d times and %d values", len(t), len(y))
	}
	if len(t) < 2 {
		return fmt.Errorf("a spline needs at least 2 knots, but there are %d", len(t))
	}
	for i := range t {
		if !finite(t[i]) || !finite(y[i]) {
			return fmt.Errorf("knot %d (time %g, value %g) is not a finite number", i+1, t[i], y[i])
		}
		if i > 0 && t[i] <= t[i-1] {
			return fmt.Errorf("the times of a spline have to ascend, but knot %d (time %g) is not after knot %d (time %g)", i+1, t[i], i, t[i-1])
		}
	}
	return nil
}

func finite(v float64) bool { return v-v == 0 }

// knots are the points that a spline goes through.
type knots struct{ t, y []float64 }

func (k knots) width(i int) float64 { return k.t[i+1] - k.t[i] }
func (k knots) slope(i int) float64 { return (k.y[i+1] - k.y[i]) / (k.t[i+1] - k.t[i]) }

// pchip: Fritsch and Butland's weighted harmonic mean of the two neighbouring
// slopes; 0 at a turning point or beside a flat stretch.
func (k knots) pchip(m []float64) {
	last := len(m) - 1
	for i := 1; i < last; i++ {
		m[i] = harmonicMean(k.width(i-1), k.width(i), k.slope(i-1), k.slope(i))
	}
	m[0] = threePointEnd(k.width(0), k.width(1), k.slope(0), k.slope(1))
	m[last] = threePointEnd(k.width(last-1), k.width(last-2), k.slope(last-1), k.slope(last-2))
}

func harmonicMean(h0, h1, d0, d1 float64) float64 {
	if d0 == 0 || d1 == 0 || (d0 < 0) != (d1 < 0) {
		return 0
	}
	w0, w1 := 2*h1+h0, h1+2*h0
	return (w0 + w1) / (w0/d0 + w1/d1)
}

// threePointEnd is the slope at the end of the parabola through the outer
// three points, bounded so that the curve keeps the shape of its keys. h0 and
// d0 are the width and slope of the outer segment.
func threePointEnd(h0, h1, d0, d1 float64) float64 {
	m := (float64((2*h0+h1)*d0) - float64(h0*d1)) / (h0 + h1)
	switch {
	case sign(m) != sign(d0):
		return 0
	case sign(d0) != sign(d1) && math.Abs(m) > 3*math.Abs(d0):
		return 3 * d0
	}
	return m
}

func sign(v float64) int {
	switch {
	case v < 0:
		return -1
	case v > 0:
		return 1
	}
	return 0
}

// akima: mean of the neighbouring slopes, each weighted by how much the slope
// changes on the other side; the plain mean of the outermost pair where neither
// side changes by more than 1e-9 of the greatest change in the whole curve.
func (k knots) akima(m []float64) {
	s := k.extendedSlopes() // s[i] .. s[i+3] are the four about knot i
	changes := func(i int) (before, after float64) {
		return math.Abs(s[i+1] - s[i]), math.Abs(s[i+3] - s[i+2])
	}
	greatest := 0.0
	for i := range m {
		before, after := changes(i)
		greatest = math.Max(greatest, before+after)
	}
	for i := range m {
		before, after := changes(i)
		if before+after > 1e-9*greatest {
			m[i] = (float64(after*s[i+1]) + float64(before*s[i+2])) / (before + after)
		} else {
			m[i] = (s[i] + s[i+3]) / 2
		}
	}
}

// extendedSlopes are the slopes of the segments, continued linearly by two
// more before the first and after the last.
func (k knots) extendedSlopes() []float64 {
	n := len(k.t) + 3
	s := make([]float64, n)
	for i := range len(k.t) - 1 {
		s[i+2] = k.slope(i)
	}
	s[1] = 2*s[2] - s[3]
	s[0] = 2*s[1] - s[2]
	s[n-2] = 2*s[n-3] - s[n-4]
	s[n-1] = 2*s[n-2] - s[n-3]
	return s
}

func (k knots) catmullRom(m []float64) {
	last := len(m) - 1
	for i := 1; i < last; i++ {
		m[i] = (k.y[i+1] - k.y[i-1]) / (k.t[i+1] - k.t[i-1])
	}
	m[0], m[last] = k.slope(0), k.slope(last-1)
}

// twiceSmooth solves for the slopes that make the second derivative continuous
// at every inner knot; the ends are natural or at rest. The system is
// tridiagonal and diagonally dominant, so elimination without pivoting is
// stable (de Boor, A Practical Guide to Splines, chapter IV).
func (k knots) twiceSmooth(m []float64, natural bool) {
	last := len(m) - 1
	upper := make([]float64, last+1) // the eliminated superdiagonal
	m[0] = 0
	if natural {
		upper[0], m[0] = 0.5, 1.5*k.slope(0)
	}
	for i := 1; i < last; i++ {
		h0, h1 := k.width(i-1), k.width(i)
		pivot := 2*(h0+h1) - float64(h1*upper[i-1])
		right := float64(3 * (float64(h1*k.slope(i-1)) + float64(h0*k.slope(i))))
		upper[i] = h0 / pivot
		m[i] = (right - float64(h1*m[i-1])) / pivot
	}
	if natural {
		m[last] = (float64(3*k.slope(last-1)) - m[last-1]) / (2 - upper[last-1])
	} else {
		m[last] = 0
	}
	for i := last - 1; i >= 0; i-- {
		m[i] -= float64(upper[i] * m[i+1])
	}
}
