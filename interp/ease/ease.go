// Package ease holds unit eases: how the share of a move that is done follows
// the share of its time, both 0 to 1, with three derivatives in closed form and
// peak factors. It also holds the jerk-limited rest-to-rest profile.
//
// Evaluation is the same on every processor: products that are added are
// rounded first (the Go specification then forbids fusing them), and the
// elementary functions are this package's own.
//
// Sources: CSS Easing Functions Level 2 (W3C Working Draft, 29 August 2024) for
// the CSS eases; the families sine to bounce are the widely used ones, with
// their ends mended (see curves.go); the cam motions are those of the
// cam-design handbooks.
package ease

import (
	"sort"
	"sync"
)

// Ease is a unit motion. It is immutable and safe for use by many goroutines.
type Ease struct {
	text    string
	family  string
	spline  Spline
	parts   []Part
	outside progresser // nil: clamp
	peaks   func() Peaks
}

// Spline names the spline through consecutive keys that an ease stands for.
type Spline uint8

// The splines. None marks a unit ease.
const (
	None Spline = iota
	Pchip
	Akima
	Cubic
	Natural
	CatmullRom
)

var splineNames = [...]string{"none", "pchip", "akima", "cubic", "natural", "catmull-rom"}

// String is the name that the spline has in a motion file.
func (s Spline) String() string {
	if int(s) < len(splineNames) {
		return splineNames[s]
	}
	return "unknown"
}

// Part is the ease on [X0, X1), both shares of the whole ease's time. Exactly
// one of Poly and Func is set. Poly holds the ascending coefficients in x-X0,
// eight at most (degree 7).
type Part struct {
	X0, X1 float64
	Poly   []float64
	Func   Func
}

// Func is a part that is no polynomial. Its argument is the share of the whole
// ease's time; arguments outside the part are clamped to it, so that at X1 it
// gives the left-hand limit. A vertical tangent gives infinite derivatives.
type Func interface {
	// Value is the share of the move that is done.
	Value(x float64) float64
	// At is the value and its first three derivatives by x.
	At(x float64) (v, d1, d2, d3 float64)
	// Add adds scale*Value(xs[i]) to dst[i], without allocation and
	// bit-identical to that expression with its product rounded.
	Add(dst, xs []float64, scale float64)
	// Splits are the points inside the part, ascending, between which the
	// value and each derivative is monotone.
	Splits() []float64
}

// progresser is the CSS output of an ease for any real input progress.
type progresser interface {
	progress(x float64, before bool) float64
}

// Peaks are the extremes of a unit ease inside its parts: the least and the
// greatest value, and the greatest absolute value of the first three
// derivatives, +Inf where unbounded. Impulses at joints and ends (a jump of the
// value, of the speed or of the acceleration) are not counted.
//
// The acceleration of CSS ease-in is unbounded at its end and that of ease-out at
// its start, though value and speed are regular there: one handle lies on the end
// point, and the acceleration grows as one over the square root of the time left.
//
// A move of distance d in time t has peak speed |d|/t, acceleration |d|/t^2 and
// jerk |d|/t^3, each times its factor.
type Peaks struct{ Min, Max, Speed, Acceleration, Jerk float64 }

func newEase(text, family string, parts []Part) *Ease {
	e := &Ease{text: text, family: family, parts: parts}
	e.peaks = sync.OnceValue(func() Peaks { return peaksOf(parts) })
	return e
}

// String is the canonical text; parsing it gives the same ease.
func (e *Ease) String() string { return e.text }

// Spline is None for a unit ease.
func (e *Ease) Spline() Spline { return e.spline }

// Family is one lower-case word for drawing, such as "css", "sine" or "steps".
func (e *Ease) Family() string { return e.family }

// Parts are the pieces of the ease in order, covering [0, 1] without gaps; nil
// for a spline. The caller must not change them.
func (e *Ease) Parts() []Part { return e.parts }

// Peaks are the peak factors of the unit ease, computed once.
func (e *Ease) Peaks() Peaks { return e.peaks() }

// At gives the value and its first three derivatives at x, clamped to [0, 1]:
// right-hand ones at inner joints. At x = 1 the value is 1, whatever the ease
// (hold stays at 0 until then), and the derivatives are the left-hand ones. A
// spline, whose shape needs its keys, is linear here, as between two knots.
// Cost: logarithmic in the number of parts.
func (e *Ease) At(x float64) (v, d1, d2, d3 float64) {
	x = clampUnit(x)
	if len(e.parts) == 0 {
		return x, 1, 0, 0
	}
	p := &e.parts[e.find(x)]
	if p.Func != nil {
		v, d1, d2, d3 = p.Func.At(x)
	} else {
		v, d1, d2, d3 = polyAt(p.Poly, x-p.X0)
	}
	if x == 1 {
		v = 1
	}
	return v, d1, d2, d3
}

// find is the index of the part that holds x; the last one holds 1.
func (e *Ease) find(x float64) int {
	i := sort.Search(len(e.parts), func(i int) bool { return e.parts[i].X1 > x })
	return min(i, len(e.parts)-1)
}

// Progress is the output progress for any real input progress, as CSS Easing
// Functions defines it: the Bezier eases, linear and linear() extrapolate
// outside [0, 1]; steps() heeds the before flag there. The other eases clamp.
//
// For a Bezier ease whose second handle lies at x = 1 but not at (1, 1), the
// text of the standard continues along the line from the first handle to (1, 1)
// where browsers stay at 1, and likewise at 0 (an open question of the CSS
// working group). The text of the standard is followed here.
func (e *Ease) Progress(x float64, before bool) float64 {
	if e.outside != nil {
		return e.outside.progress(x, before)
	}
	v, _, _, _ := e.At(x)
	return v
}

// clampUnit is x within [0, 1]; NaN becomes 0.
func clampUnit(x float64) float64 {
	if !(x > 0) {
		return 0
	}
	if x > 1 {
		return 1
	}
	return x
}

// identity is the progress of CSS linear.
type identity struct{}

func (identity) progress(x float64, _ bool) float64 { return x }
