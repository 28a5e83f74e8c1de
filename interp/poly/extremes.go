package poly

import "math"

// Range is the span of values that a function takes on an interval, and where
// it takes the least and the greatest of them.
type Range struct{ Min, AtMin, Max, AtMax float64 }

func (r *Range) include(at, v float64) {
	if v < r.Min {
		r.Min, r.AtMin = v, at
	}
	if v > r.Max {
		r.Max, r.AtMax = v, at
	}
}

// Extremes gives the least and the greatest value on [lo, hi] (lo <= hi) and
// where they are: at an end or at a root of the derivative. Of equal values
// the end's counts before an inner one's, and then the earlier one's.
func Extremes(c []float64, lo, hi float64) Range {
	c = trim(c)
	v := Eval(c, lo)
	r := Range{v, lo, v, lo}
	r.include(hi, Eval(c, hi))
	if len(c) < 3 {
		return r
	}
	var store [2][maxDegree + 1]float64
	for _, x := range Roots(store[0][:0], Derive(store[1][:0], c), lo, hi) {
		r.include(x, Eval(c, x))
	}
	return r
}

// MaxAbs gives the greatest size of the value on [lo, hi] and where it is.
func MaxAbs(c []float64, lo, hi float64) (value, at float64) {
	r := Extremes(c, lo, hi)
	if -r.Min > r.Max {
		return -r.Min, r.AtMin
	}
	return math.Abs(r.Max), r.AtMax
}
