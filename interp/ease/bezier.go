package ease

import (
	"math"
	"sync"
)

// bezier is CSS cubic-bezier(x1, y1, x2, y2): the output is the y of the curve
// through (0, 0), (x1, y1), (x2, y2), (1, 1) where its x is the input.
//
// The parameter t of an x comes from a table of starts and one or two Halley
// steps. Either end of the curve may have a vertical tangent, where t goes as
// the square or cube root of x. So the table's cells narrow towards both ends:
// sixteen to an octave of the distance m from the nearer end, and the upper half
// is solved as the reversed curve, whose distance 1-x is exact. A step whose own
// size does not prove its result goes on to a bracketed search.
type bezier struct {
	x1, y1, x2, y2 float64
	side           [2]side   // from (0, 0) up, and from (1, 1) down
	once           sync.Once // makes table
	table          *starts
}

// side is the curve from one end: x and y as ascending coefficients in t.
type side struct {
	x, y [4]float64
}

const (
	cellBits   = 4 // sixteen cells to an octave
	octaves    = 12
	cellsASide = octaves << cellBits
	// Distances below this one are left to the search.
	leastCell = 1.0 / (2 << octaves)
	firstCell = (1023 - 1 - octaves) << cellBits
	cellShift = 52 - cellBits
)

// throughVertical is the x of handles at 1 and 0, the only ones whose curve has a
// vertical tangent inside: x = 1/2 + 4(t - 1/2)^3.
var throughVertical = [4]float64{0, 3, -6, 4}

// cell is the cubic in m that starts the search for t.
type cell [4]float64

// starts are the cells of both sides.
type starts [2][cellsASide + 1]cell

func newBezier(x1, y1, x2, y2 float64) *bezier {
	return &bezier{x1: x1, y1: y1, x2: x2, y2: y2, side: [2]side{
		{bernstein(x1, x2), bernstein(y1, y2)},
		{bernstein(1-x2, 1-x1), bernstein(1-y2, 1-y1)},
	}}
}

// bernstein is 3a t(1-t)^2 + 3b t^2(1-t) + t^3 in powers of t.
func bernstein(a, b float64) [4]float64 {
	return [4]float64{0, 3 * a, 3 * (b - 2*a), 1 - float64(3*(b-a))}
}

// tabulated is the table, made on first use.
func (b *bezier) tabulated() *starts {
	b.once.Do(func() {
		b.table = new(starts)
		for i := range b.side {
			b.side[i].tabulate(&b.table[i])
		}
	})
	return b.table
}

// tabulate fits the cubics that have t and dt/dm right at both ends of a cell.
// The last one serves m = 1/2 alone. Each end's t is refined from the one before.
func (s *side) tabulate(cells *[cellsASide + 1]cell) {
	m0 := leastCell
	t0 := s.search(m0)
	d0 := 1 / s.slope(t0)
	for i := range cells {
		m1 := cellStart(i + 1)
		t1 := s.refine(t0+float64((m1-m0)*d0), m1)
		d1 := 1 / s.slope(t1)
		cells[i] = hermite(m0, m1, t0, t1, d0, d1)
		m0, t0, d0 = m1, t1, d1
	}
}

// cellStart is the least m of a cell.
func cellStart(i int) float64 {
	return math.Float64frombits(uint64(firstCell+i) << cellShift)
}

// hermite is the cubic in m through (m0, t0) and (m1, t1) with those slopes. Its
// Bernstein coefficients bound it; where they leave [0, 1], next to a vertical
// tangent, it is NaN and the parameter is searched for.
func hermite(m0, m1, t0, t1, d0, d1 float64) cell {
	w := m1 - m0
	a, b := t0+float64(d0*w)/3, t1-float64(d1*w)/3
	if !(a >= 0 && a <= 1 && b >= 0 && b <= 1) {
		return cell{math.NaN()}
	}
	mean := (t1 - t0) / w
	c := shifted([]float64{
		t0,
		d0,
		(float64(3*mean) - float64(2*d0) - d1) / w,
		(d0 + d1 - float64(2*mean)) / (w * w),
	}, -m0)
	return cell(c)
}

func (s *side) slope(t float64) float64 {
	return s.x[1] + float64(t*(2*s.x[2]+float64(t*(3*s.x[3]))))
}

// proven bounds the cube of a Halley step in units of the squared slope of x(t):
// the error left is below 48 |step|^3/slope^2, as the slope, the second and the
// third derivative are at most 3, 12 and 24 for handles inside [0, 1].
const proven = 1e-18

// refine makes further steps from t while they stay inside the curve, and
// searches when none is proven.
func (s *side) refine(t, m float64) float64 {
	for range 4 {
		if !(t > 0 && t < 1) {
			break
		}
		r := float64(t*(s.x[1]+float64(t*(s.x[2]+float64(t*s.x[3]))))) - m
		d := s.slope(t)
		step := r * d / (float64(d*d) - float64(r*(s.x[2]+float64(t*(3*s.x[3])))))
		t -= step
		if math.Abs(step*step*step) <= proven*(d*d) {
			return t
		}
	}
	return s.search(m)
}

// search brackets the t of a distance m from this side's end and closes in by
// Newton steps, halving when one leaves the bracket: x rises with t, as the
// handles are inside [0, 1]. The residual is evaluated with twice the digits, as
// x may rise very slowly there.
func (s *side) search(m float64) float64 {
	if m <= 0 {
		return 0
	}
	if s.x == throughVertical {
		return 0.5 - cubeRoot((0.5-m)/4)
	}
	lo, hi := 0.0, 1.0
	t := s.guess(m)
	for range 200 {
		r := s.residual(t, m)
		if r == 0 {
			return t
		}
		if r < 0 {
			lo = t
		} else {
			hi = t
		}
		next := t - r/s.slope(t)
		if !(next > lo && next < hi) {
			next = lo + (hi-lo)/2
		}
		if next == lo || next == hi || math.Abs(next-t) <= 0x1p-54*t {
			return next
		}
		t = next
	}
	return t
}

// guess is the root of whichever power of t leads near the end.
func (s *side) guess(m float64) float64 {
	t := cubeRoot(m)
	if s.x[2] > 0 {
		t = min(t, math.Sqrt(m/s.x[2]))
	}
	if s.x[1] > 0 {
		t = min(t, m/s.x[1])
	}
	return min(max(t, 0x1p-1000), 1)
}

// residual is x(t) - m by Horner's rule in twice the working precision (fused
// multiply-add is exact on every processor), rounded at the end.
func (s *side) residual(t, m float64) float64 {
	hi, lo := s.x[3], 0.0
	for _, c := range [3]float64{s.x[2], s.x[1], -m} {
		p := float64(hi * t)
		e := math.FMA(hi, t, -p)
		sum := p + c
		z := sum - p
		e += (p - (sum - z)) + (c - z)
		hi, lo = sum, float64(lo*t)+e
	}
	return hi + lo
}

// locate is the side that an x within [0, 1] belongs to, and its parameter there.
func (b *bezier) locate(x float64, table *starts) (upper int, t float64) {
	m := x
	if x > 0.5 {
		upper, m = 1, 1-x
	}
	s := &b.side[upper]
	if m < leastCell {
		return upper, s.search(m)
	}
	c := &table[upper][int(math.Float64bits(m)>>cellShift)-firstCell]
	t = c[0] + float64(m*(c[1]+float64(m*(c[2]+float64(m*c[3])))))
	x1, x2, x3 := s.x[1], s.x[2], s.x[3]
	h := x2 + float64(t*x3)
	r := float64(t*(x1+float64(t*h))) - m
	g := h + float64(t*x3)
	d := x1 + float64(t*(h+g))
	step := r * d / (float64(d*d) - float64(r*(g+float64(t*x3)))) // g+t*x3: half the second derivative
	t -= step
	if math.Abs(step*step*step) <= proven*(d*d) {
		return upper, t
	}
	return upper, s.refine(t, m)
}

func (b *bezier) Value(x float64) float64 {
	upper, t := b.locate(clampUnit(x), b.tabulated())
	v := b.side[upper].height(t)
	if upper == 1 {
		return 1 - v
	}
	return v
}

func (s *side) height(t float64) float64 {
	return float64(t * (s.y[1] + float64(t*(s.y[2]+float64(t*s.y[3])))))
}

func (b *bezier) Add(dst, xs []float64, scale float64) {
	table := b.tabulated()
	for i := range dst {
		upper, t := b.locate(clampUnit(xs[i]), table)
		v := b.side[upper].height(t)
		if upper == 1 {
			v = 1 - v
		}
		dst[i] += float64(scale * v)
	}
}

func (b *bezier) At(x float64) (v, d1, d2, d3 float64) {
	upper, t := b.locate(clampUnit(x), b.tabulated())
	v, d1, d2, d3 = b.side[upper].at(t)
	if upper == 1 {
		return 1 - v, d1, -d2, d3
	}
	return v, d1, d2, d3
}

// leastParameter is where derivatives are taken for any t between it and 0: next
// to a vertical tangent their formulas would leave the range of numbers.
const leastParameter = 1e-40

// at differentiates y by x at the parameter t, implicitly.
func (s *side) at(t float64) (v, d1, d2, d3 float64) {
	v = s.height(t)
	if t > 0 {
		t = math.Max(t, leastParameter)
	}
	x1, x2, x3 := taylor(s.x, t)
	y1, y2, y3 := taylor(s.y, t)
	if x1 == 0 {
		d1, d2, d3 = vertical([3]float64{x1, x2, x3}, [3]float64{y1, y2, y3})
		return v, d1, d2, d3
	}
	x2, y2 = 2*x2, 2*y2
	x3, y3 = float64(6*x3), float64(6*y3)
	d1 = y1 / x1
	d2 = (y2 - float64(d1*x2)) / (x1 * x1)
	d3 = (y3 - float64(d1*x3) - float64(3*d2*x1*x2)) / (x1 * x1 * x1)
	return v, d1, d2, d3
}

// taylor are the coefficients of the first three powers about t.
func taylor(c [4]float64, t float64) (c1, c2, c3 float64) {
	return c[1] + float64(t*(2*c[2]+float64(3*t*c[3]))), c[2] + float64(3*t*c[3]), c[3]
}

// vertical are the limits of the derivatives where x has no linear term, from
// the right: y goes as a fractional power of x, or as a multiple of x and then a
// fractional power.
func vertical(x, y [3]float64) (d1, d2, d3 float64) {
	order, lead := leading(x)
	if k, c := leading(y); k < order {
		inf := math.Inf(sign(c) * sign(lead))
		return inf, -inf, inf
	}
	d1 = y[order] / lead
	var rest [3]float64
	for i := order + 1; i < len(rest); i++ {
		rest[i] = y[i] - float64(d1*x[i])
	}
	k, c := leading(rest)
	if k == len(rest) {
		return d1, 0, 0
	}
	inf := math.Inf(sign(c))
	return d1, inf, -inf
}

// leading is the index and size of the first coefficient that is not zero.
func leading(c [3]float64) (int, float64) {
	for i, x := range c {
		if x != 0 {
			return i, x
		}
	}
	return len(c), 0
}

func sign(x float64) int {
	if x < 0 {
		return -1
	}
	return 1
}

// turns are the parameters of a side up to x = 1/2 where the value or a
// derivative up to the third may turn. They are roots of polynomials in t: the
// derivatives of y by x are Dy/Dx, n2/Dx^3 and n3/Dx^5, with n2 = Dx DDy - Dy DDx
// and n3 and n4 the numerators of the derivative of the one before.
func (s *side) turns() []float64 {
	dx, dy := derivative(s.x[:]), derivative(s.y[:])
	ddx := derivative(dx)
	n2 := combine(product(dx, derivative(dy)), -1, product(dy, ddx))[:3] // the cubes cancel
	n3 := combine(product(derivative(n2), dx), -3, product(n2, ddx))
	n4 := combine(product(derivative(n3), dx), -5, product(n3, ddx))
	var turns []float64
	for _, c := range [][]float64{dx, dy, n2, n3, n4} {
		for _, t := range roots(c, 0, 1) {
			if polyValue(s.x[:], t) <= 0.5 {
				turns = append(turns, t)
			}
		}
	}
	return turns
}

func (b *bezier) Splits() []float64 {
	var splits []float64
	for i := range b.side {
		for _, t := range b.side[i].turns() {
			x := polyValue(b.side[i].x[:], t)
			if i == 1 {
				x = 1 - x
			}
			if x > 0 && x < 1 {
				splits = append(splits, x)
			}
		}
	}
	return merge(splits)
}

// addPeaks evaluates at the parameters themselves: next to an all but vertical
// tangent they lie closer together than neighbouring doubles of x.
func (b *bezier) addPeaks(p *Peaks) {
	for i := range b.side {
		s := &b.side[i]
		for _, t := range append(s.turns(), 0) {
			v, d1, d2, d3 := s.at(t)
			if i == 1 {
				v = 1 - v
			}
			p.add(v, d1, d2, d3)
		}
	}
}

// progress follows the tangent lines outside [0, 1].
func (b *bezier) progress(x float64, _ bool) float64 {
	switch {
	case x < 0:
		return b.below(x)
	case x > 1:
		return b.above(x)
	case x == 1:
		return 1
	}
	return b.Value(x)
}

func (b *bezier) below(x float64) float64 {
	switch {
	case b.x1 > 0:
		return b.y1 / b.x1 * x
	case b.x2 > 0:
		return b.y2 / b.x2 * x
	}
	return 0
}

func (b *bezier) above(x float64) float64 {
	switch {
	case b.x2 < 1:
		return 1 + float64((1-b.y2)/(1-b.x2)*(x-1))
	case b.x1 < 1:
		return 1 + float64((1-b.y1)/(1-b.x1)*(x-1))
	}
	return 1
}

// bezierParts is one Func, or the polynomial y(x) where x is the parameter.
func bezierParts(b *bezier) []Part {
	if b.side[0].x == [4]float64{0, 1, 0, 0} {
		c := b.side[0].y
		return polyWhole(c[:]...)
	}
	return []Part{{X1: 1, Func: b}}
}
