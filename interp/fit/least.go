package fit

import "math"

// end is what a spline does at one end.
type end uint8

const (
	free    end = iota // no second derivative, as natural has it
	resting            // no slope, as cubic has it
	pinned             // value and slope are given: the end of a window on a longer curve
)

// side is an end with what it is pinned to.
type side struct {
	end
	value, slope float64
}

// leastSquares lays a twice smooth cubic spline with given knots through points, so
// that the sum of squares is least. It works with B-splines, four of which are not
// zero at a point (de Boor, A Practical Guide to Splines, chapters IX and XIV): the
// normal equations have three diagonals beside the main one. O(points + knots). It
// keeps its storage from one call to the next.
type leastSquares struct {
	x    []float64 // knots
	rows [][4]float64
	segs []int32
	band [][4]float64 // main diagonal and three below it, of the unknown coefficients
	c    []float64    // coefficients
	errs []float64    // greatest error in each segment
}

// fit finds the spline. It reports false where the points do not decide it.
func (l *leastSquares) fit(x, t, y []float64, from, to side) bool {
	l.x = x
	m := len(x) - 1
	l.band, l.c = grown(l.band, m+3), grown(l.c, m+3)
	clear(l.band)
	clear(l.c)
	l.basis(t)
	for i := range t {
		l.add(int(l.segs[i]), l.mixed(l.rows[i], int(l.segs[i]), from, to), y[i], from, to)
	}
	first, last := 1, m+1 // the unknown coefficients; mixed has put the outer ones into them
	if from.end == pinned {
		first = 2
	}
	if to.end == pinned {
		last = m
	}
	if !l.solve(first, last) {
		return false
	}
	l.outer(from, to)
	return true
}

// outer gives the coefficients that the ends decide.
func (l *leastSquares) outer(from, to side) {
	c, m, x := l.c, len(l.x)-1, l.x
	switch from.end {
	case pinned:
		c[0], c[1] = from.value, from.value+float64(from.slope*(x[1]-x[0])/3)
	case resting:
		c[0] = c[1]
	}
	switch to.end {
	case pinned:
		c[m+2], c[m+1] = to.value, to.value-float64(to.slope*(x[m]-x[m-1])/3)
	case resting:
		c[m+2] = c[m+1]
	}
	if from.end == free {
		r := l.share(false)
		c[0] = c[1] + float64(r*(c[1]-c[2]))
	}
	if to.end == free {
		r := l.share(true)
		c[m+2] = c[m+1] + float64(r*(c[m+1]-c[m]))
	}
}

// share is the width of the outer segment over that of the outer two: with it the
// second derivative at the end is zero.
func (l *leastSquares) share(right bool) float64 {
	x, m := l.x, len(l.x)-1
	if right {
		return (x[m] - x[m-1]) / (x[m] - x[max(0, m-2)])
	}
	return (x[1] - x[0]) / (x[min(2, m)] - x[0])
}

// mixed puts the factor of an outermost coefficient on those that it depends on.
func (l *leastSquares) mixed(row [4]float64, seg int, from, to side) [4]float64 {
	m := len(l.x) - 1
	first, last := 0.0, 0.0
	if seg == 0 && from.end != pinned {
		first, row[0] = row[0], 0
	}
	if seg == m-1 && to.end != pinned {
		last, row[3] = row[3], 0
	}
	if first != 0 {
		r := 0.0
		if from.end == free {
			r = l.share(false)
		}
		row[1] += float64(first * (1 + r))
		row[2] -= float64(first * r)
	}
	if last != 0 {
		r := 0.0
		if to.end == free {
			r = l.share(true)
		}
		row[2] += float64(last * (1 + r))
		row[1] -= float64(last * r)
	}
	return row
}

// add adds a point to the normal equations. What is pinned goes to the right side.
func (l *leastSquares) add(seg int, row [4]float64, y float64, from, to side) {
	m := len(l.x) - 1
	if from.end == pinned && seg < 2 {
		known := [2]float64{from.value, from.value + float64(from.slope*(l.x[1]-l.x[0])/3)}
		for i := seg; i < 2; i++ {
			y -= float64(row[i-seg] * known[i])
			row[i-seg] = 0
		}
	}
	if to.end == pinned && seg > m-3 {
		known := [2]float64{to.value - float64(to.slope*(l.x[m]-l.x[m-1])/3), to.value}
		for i := m + 1; i <= seg+3; i++ {
			y -= float64(row[i-seg] * known[i-m-1])
			row[i-seg] = 0
		}
	}
	for i, a := range row {
		if a == 0 {
			continue
		}
		l.c[seg+i] += float64(a * y)
		for j := 0; j <= i; j++ {
			l.band[seg+i][i-j] += float64(a * row[j])
		}
	}
}

// solve solves for the coefficients first to last: L D L' by bands.
func (l *leastSquares) solve(first, last int) bool {
	a, x := l.band, l.c
	for i := first; i <= last; i++ {
		whole := a[i][0]
		for k := max(first, i-3); k < i; k++ {
			for j := max(first, i-3); j < k; j++ {
				a[i][i-k] -= float64(a[i][i-j] * a[k][k-j])
			}
		}
		for k := max(first, i-3); k < i; k++ {
			u := a[i][i-k]
			a[i][i-k] = u / a[k][0]
			a[i][0] -= float64(u * a[i][i-k])
			x[i] -= float64(a[i][i-k] * x[k])
		}
		if !(a[i][0] > 1e-12*whole) {
			return false
		}
	}
	for i := last; i >= first; i-- {
		x[i] /= a[i][0]
		for k := i + 1; k <= min(last, i+3); k++ {
			x[i] -= float64(a[k][k-i] * x[k])
		}
	}
	return true
}

// basis evaluates the four B-splines at each point.
func (l *leastSquares) basis(t []float64) {
	l.rows, l.segs = grown(l.rows, len(t)), grown(l.segs, len(t))
	seg, last := 0, len(l.x)-2
	for i, at := range t {
		for seg < last && l.x[seg+1] <= at {
			seg++
		}
		l.segs[i], l.rows[i] = int32(seg), l.bsplines(seg, at)
	}
}

// knot gives a knot, of which the outer ones count four times.
func (l *leastSquares) knot(i int) float64 { return l.x[max(0, min(i, len(l.x)-1))] }

// bsplines gives the four B-splines that are not zero in a segment (de Boor's
// recurrence).
func (l *leastSquares) bsplines(seg int, at float64) (b [4]float64) {
	var left, right [3]float64
	for j := range 3 {
		left[j], right[j] = at-l.knot(seg-j), l.knot(seg+1+j)-at
	}
	b[0] = 1
	for j := range 3 {
		saved := 0.0
		for k := 0; k <= j; k++ {
			share := b[k] / (right[k] + left[j-k])
			b[k] = saved + float64(right[k]*share)
			saved = left[j-k] * share
		}
		b[j+1] = saved
	}
	return b
}

// worst gives the greatest error, and keeps that of each segment.
func (l *leastSquares) worst(y []float64) float64 {
	l.errs = grown(l.errs, len(l.x)-1)
	clear(l.errs)
	most := 0.0
	for i, row := range l.rows[:len(y)] {
		c := l.c[l.segs[i]:]
		v := float64(row[0]*c[0]) + float64(row[1]*c[1]) + float64(row[2]*c[2]) + float64(row[3]*c[3])
		e := math.Abs(v - y[i])
		most = math.Max(most, e)
		l.errs[l.segs[i]] = math.Max(l.errs[l.segs[i]], e)
	}
	return most
}

// value gives value and slope at a knot.
func (l *leastSquares) value(knot int) (v, slope float64) {
	seg := min(knot, len(l.x)-2)
	b, c := l.bsplines(seg, l.x[knot]), l.c[seg:seg+4]
	v = float64(b[0]*c[0]) + float64(b[1]*c[1]) + float64(b[2]*c[2]) + float64(b[3]*c[3])
	// The derivative is a spline of the second degree with the differences as its
	// coefficients; at a knot two of its three B-splines are not zero.
	d := func(i int) float64 {
		return 3 * (c[i+1] - c[i]) / (l.knot(seg+i+1) - l.knot(seg+i-2))
	}
	if knot > seg {
		return v, d(2)
	}
	if knot == 0 {
		return v, d(0)
	}
	h0, h1 := l.x[knot]-l.x[knot-1], l.x[knot+1]-l.x[knot]
	return v, (float64(h1*d(0)) + float64(h0*d(1))) / (h0 + h1)
}

func grown[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n, n+n/4)
	}
	return s[:n]
}
