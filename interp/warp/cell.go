package warp

import "math"

// row is an inequality lo <= y + slope x <= hi for x at the start of a cell
// and y at its end. An infinite side is none.
type row struct {
	slope, lo, hi float64
	by            Limit
}

// linear is a quantity a x + b y + c, in shares of its limit.
type linear struct{ a, b, c float64 }

// absSum is a Sum at one Bernstein point of a cell: the sum of the absolute
// values of terms has to be at most 1.
type absSum struct {
	terms []linear
	by    Limit
}

// accelerated is an axis with an acceleration limit.
type accelerated struct {
	q1, q2 []float64
	share  float64 // one over the limit
	by     Limit
}

// cell holds what a cell of the grid asks of x at its start and y at its end.
// Acceleration limits are rows; sums of absolute values give rows as needed.
// The memory is reused from cell to cell.
type cell struct {
	axes   []accelerated
	rows   []row // the first is the reach of y
	sums   []absSum
	lo, hi float64 // of x
	byHi   Limit
	blame  Limit // what made greatest or least fail, or bounded it last
}

func newCell(p *Path) cell {
	c := cell{rows: make([]row, 0, 8+3*len(p.Axes)+32*len(p.Sums))}
	for k := range p.Axes {
		if a := &p.Axes[k]; limited(a.Acceleration) {
			c.axes = append(c.axes, accelerated{a.Q1, a.Q2, 1 / a.Acceleration, Limit{Acceleration, int32(k)}})
		}
	}
	for k := range p.Sums {
		for range 3 {
			c.sums = append(c.sums, absSum{make([]linear, len(p.Sums[k].Terms)), Limit{SumOf, int32(k)}})
		}
	}
	return c
}

// negligible is the share of a limit below which a contribution is dropped.
const negligible = 1e-14

// build sets the cell up as cell i of p, for x up to top and y within reach.
func (c *cell) build(p *Path, i int, top float64, reach bounds) {
	c.lo, c.hi, c.byHi = 0, top, Limit{}
	c.rows = append(c.rows[:0], row{0, reach.lo, reach.hi, Limit{}})
	inv := 0.5 / (p.S[i+1] - p.S[i])
	for k := range c.axes {
		c.addAxis(&c.axes[k], i, inv)
	}
	for k := range p.Sums {
		c.setSum(&p.Sums[k], c.sums[3*k:3*k+3], i, inv)
	}
}

// ends gives v1 u + v2 x(s) as a function of x and y at the three samples of a
// cell, with u = (y - x) inv and x(s) linear; then the middle one is replaced
// by the Bernstein coefficient.
func ends(v1, v2 *[3]float64, inv float64) (l [3]linear) {
	g0, gm, g1 := float64(v1[0]*inv), float64(v1[1]*inv), float64(v1[2]*inv)
	half := float64(0.5 * v2[1])
	l[0] = linear{a: v2[0] - g0, b: g0}
	l[1] = linear{a: half - gm, b: half + gm}
	l[2] = linear{a: -g1, b: v2[2] + g1}
	l[1].a = middle(l[0].a, l[1].a, l[2].a)
	l[1].b = middle(l[0].b, l[1].b, l[2].b)
	return l
}

// leastKept is the least share of x that y may have to be in the next step.
const leastKept = 0.25

// addAxis adds the acceleration limit of an axis.
//
// Where the derivative of the axis passes zero, a row may trade x for y: more
// at the start, less at the end. Of those the greatest x is the worst, as the
// warp would nearly stop after it. So x stays where y can be a good share of
// it, unless a rate that is asked for needs that x.
func (c *cell) addAxis(a *accelerated, i int, inv float64) {
	top := c.rows[0].hi
	sustained := i > 0 && c.rows[0].lo == 0
	l := ends((*[3]float64)(a.q1[3*i:]), (*[3]float64)(a.q2[3*i:]), inv)
	for j := range l {
		x, y := float64(l[j].a*a.share), float64(l[j].b*a.share)
		size := math.Abs(y)
		if float64(x*y) > 0 && sustained {
			c.lowerTop(1/(math.Abs(x)+float64(leastKept*size)), a.by)
		}
		switch {
		case float64(math.Abs(x)*c.hi)+float64(size*top) <= 1:
		case float64(size*top) > negligible:
			r := 1 / size
			c.rows = append(c.rows, row{x / y, -r, r, a.by})
		default:
			c.addRow(x, y, -1, 1, a.by)
		}
	}
}

// nothing as the greatest x leaves none.
const nothing = -1

// addRow adds lo <= a x + b y <= hi with lo < hi of size one, or infinite. It
// reports whether it is a limit on y.
func (c *cell) addRow(a, b, lo, hi float64, by Limit) bool {
	top := c.rows[0].hi
	if b < 0 {
		a, b, lo, hi = -a, -b, -hi, -lo
	}
	if float64(b*top) > negligible {
		inv := 1 / b
		c.rows = append(c.rows, row{float64(a * inv), float64(lo * inv), float64(hi * inv), by})
		return true
	}
	if a < 0 {
		a, lo, hi = -a, -hi, -lo
	}
	if float64(a*c.hi) <= negligible {
		if lo > 0 || hi < 0 {
			c.hi = nothing
		}
		return false
	}
	c.lowerTop(hi/a, by)
	c.lo = max(c.lo, lo/a)
	return false
}

// lowerTop bounds x from above.
func (c *cell) lowerTop(x float64, by Limit) {
	if x < c.hi {
		c.hi, c.byHi = x, by
	}
}

// setSum computes a Sum at the Bernstein points of cell i.
func (c *cell) setSum(s *Sum, at []absSum, i int, inv float64) {
	share := 1 / s.Limit[i] // 0 without a limit
	var none [3]float64
	get := func(v []float64) *[3]float64 {
		if v == nil {
			return &none
		}
		return (*[3]float64)(v[3*i:])
	}
	for k := range s.Terms {
		t := &s.Terms[k]
		l := ends(get(t.A), get(t.B), inv)
		v := get(t.C)
		l[0].c, l[1].c, l[2].c = v[0], middle(v[0], v[1], v[2]), v[2]
		for j := range at {
			at[j].terms[k] = linear{float64(l[j].a * share), float64(l[j].b * share), float64(l[j].c * share)}
		}
	}
}

// sumSlack is the share by which a sum may exceed its limit in rounding.
const sumSlack = 1e-12

// tangent gives the value of a sum at (x, y) and the plane that touches it
// there, below it everywhere.
func (s *absSum) tangent(x, y float64) (value float64, plane linear) {
	for k := range s.terms {
		t := &s.terms[k]
		v := float64(t.a*x) + float64(t.b*y) + t.c
		if v < 0 {
			value -= v
			plane.a -= t.a
			plane.b -= t.b
			plane.c -= t.c
			continue
		}
		value += v
		plane.a += t.a
		plane.b += t.b
		plane.c += t.c
	}
	return value, plane
}

// cut adds the tangent plane of every sum that is over its limit at (x, y). It
// reports whether the point is to be left: y by a row, or x.
func (c *cell) cut(x, y float64) bool {
	leave := false
	for k := range c.sums {
		s := &c.sums[k]
		v, t := s.tangent(x, y)
		if v <= 1+sumSlack {
			continue
		}
		if c.addRow(t.a, t.b, math.Inf(-1), 1-t.c, s.by) {
			leave = true
		} else if x > c.hi || x < c.lo {
			leave = true
			c.blame = s.by
		}
	}
	return leave
}
