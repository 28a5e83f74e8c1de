package fit

import (
	"fmt"
	"math"
)

// DefaultCutoff is where smoothing halves a swing, in Hz. Voluntary motion of a hand
// has nothing to speak of above about 10 Hz, and most of it lies below 6 Hz (common
// practice in the analysis of movement, from memory: D. A. Winter, Biomechanics and
// Motor Control of Human Movement, chapter on signal processing, smooths walking at
// 6 Hz); physiological tremor lies at 8 to 12 Hz.
const DefaultCutoff = 10.0

// smooth gives the cubic smoothing spline of values at ascending times, at those times:
// the f that makes the sum of w (y - f)^2 plus lambda times the integral of f”^2 least
// (Reinsch, Smoothing by spline functions, Numerische Mathematik 10, 1967; Green and Silverman, Nonparametric
// Regression and Generalized Linear Models, 1994, section 2.3).
//
// Where the weights are the time between samples, that is in the middle of a long take
// a filter without delay with the gain 1/(1 + (f/cutoff)^4) at frequency f, lambda being
// (2 pi cutoff)^-4: the gain of a Butterworth filter of the second order that is run
// forwards and backwards, which is what is usual for recorded movement. Unlike that it
// asks for no even sampling and has no transients at the ends.
func smooth(t, y, w []float64, cutoff float64) ([]float64, error) {
	n := len(t)
	out := append([]float64(nil), y...)
	if n < 3 {
		return out, nil
	}
	lambda := math.Pow(2*math.Pi*cutoff, -4)
	// With h the widths and g the second derivatives at the inner points,
	// (R + lambda Q' W^-1 Q) g = Q' y and f = y - lambda W^-1 Q g; Q has three
	// diagonals, 1/h[i-1], -1/h[i-1]-1/h[i], 1/h[i].
	m := n - 2
	q := func(i int) (a, b, c float64) {
		a, c = 1/(t[i+1]-t[i]), 1/(t[i+2]-t[i+1])
		return a, -a - c, c
	}
	band := make([][3]float64, m) // main diagonal and two above
	g := make([]float64, m)
	for i := range m {
		a, b, c := q(i)
		h0, h1 := t[i+1]-t[i], t[i+2]-t[i+1]
		band[i][0] = (h0+h1)/3 + float64(lambda*(float64(a*a)/w[i]+float64(b*b)/w[i+1]+float64(c*c)/w[i+2]))
		if i+1 < m {
			a1, b1, _ := q(i + 1)
			band[i][1] = h1/6 + float64(lambda*(float64(b*a1)/w[i+1]+float64(c*b1)/w[i+2]))
		}
		if i+2 < m {
			a2, _, _ := q(i + 2)
			band[i][2] = lambda * (float64(c*a2) / w[i+2])
		}
		g[i] = float64(a*y[i]) + float64(b*y[i+1]) + float64(c*y[i+2])
	}
	if !solveFive(band, g) {
		return nil, &OptionError{"cutoff", fmt.Sprintf("the take cannot be smoothed at %v Hz, its samples are too unevenly spaced; raise that, or turn smoothing off", cutoff)}
	}
	for i := range m {
		a, b, c := q(i)
		out[i] -= float64(lambda * (float64(a*g[i]) / w[i]))
		out[i+1] -= float64(lambda * (float64(b*g[i]) / w[i+1]))
		out[i+2] -= float64(lambda * (float64(c*g[i]) / w[i+2]))
	}
	return out, nil
}

// solveFive solves a symmetric positive definite system with two diagonals above the
// main one, in place: L D L' and two substitutions.
func solveFive(a [][3]float64, x []float64) bool {
	n := len(a)
	for i := range n {
		d := a[i][0]
		if !(d > 0) || math.IsInf(d, 0) {
			return false
		}
		l1, l2 := a[i][1]/d, a[i][2]/d
		if i+1 < n {
			a[i+1][0] -= float64(l1 * a[i][1])
			a[i+1][1] -= float64(l1 * a[i][2])
			x[i+1] -= float64(l1 * x[i])
		}
		if i+2 < n {
			a[i+2][0] -= float64(l2 * a[i][2])
			x[i+2] -= float64(l2 * x[i])
		}
		a[i][1], a[i][2] = l1, l2
	}
	for i := n - 1; i >= 0; i-- {
		x[i] /= a[i][0]
		if i+1 < n {
			x[i] -= float64(a[i][1] * x[i+1])
		}
		if i+2 < n {
			x[i] -= float64(a[i][2] * x[i+2])
		}
	}
	return true
}
