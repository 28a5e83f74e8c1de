package warp

import (
	"fmt"
	"math"
)

// Use says which limit a cell comes nearest to, and how near: a Share of 1 is
// at the limit, more is beyond it.
type Use struct {
	Limit Limit
	Share float64
}

func (u *Use) raise(share float64, by Limit) {
	if share > u.Share {
		*u = Use{by, share}
	}
}

// Uses gives for each cell of p the limit that a warp comes nearest to in it.
// The shares are bounds from above, by the convex hull property: they are
// exceeded nowhere in the cell. Where a warp stands still at a cap of 0, the
// share of the rate is 0. The knots have to be grid points of p from the first
// to the last, not necessarily all. O(N (axes + terms)).
func Uses(p Path, knots []Knot) ([]Use, error) {
	s, err := NewSolver(p)
	if err != nil {
		return nil, err
	}
	x, err := squares(&p, knots)
	if err != nil {
		return nil, err
	}
	c, caps := &s.cell, s.rateCaps()
	uses := make([]Use, len(x)-1)
	for i := range uses {
		u := c.use(&p, i, x[i], x[i+1])
		u.raise(rateShare(x[i], caps[i].x), caps[i].by)
		u.raise(rateShare(x[i+1], caps[i+1].x), caps[i+1].by)
		uses[i] = u
	}
	return uses, nil
}

func rateShare(x, top float64) float64 {
	if x == 0 {
		return 0
	}
	return math.Sqrt(x / top)
}

// squares gives the square of the rate at every grid point.
func squares(p *Path, knots []Knot) ([]float64, error) {
	x := make([]float64, len(p.S))
	next := 0
	for n, k := range knots {
		i := next
		for i < len(p.S) && p.S[i] < k.Script {
			i++
		}
		if i == len(p.S) || p.S[i] != k.Script || n == 0 && i > 0 || !(k.Rate >= 0) {
			return nil, fmt.Errorf("knot %d, at %g s of script time with a rate of %g, does not lie on the grid in order", n, k.Script, k.Rate)
		}
		x[i] = float64(k.Rate * k.Rate)
		if n > 0 {
			fill(x, p.S, next-1, i)
		}
		next = i + 1
	}
	if next != len(p.S) {
		return nil, fmt.Errorf("the knots end before the path, after %d of %d grid points", next, len(p.S))
	}
	return x, nil
}

// fill makes x linear in s between the grid points from and to.
func fill(x, s []float64, from, to int) {
	for i := from + 1; i < to; i++ {
		x[i] = chord(x, s, from, to, i)
	}
}

func chord(x, s []float64, from, to, i int) float64 {
	f := (s[i] - s[from]) / (s[to] - s[from])
	return float64((1-f)*x[from]) + float64(f*x[to])
}

// use gives the limit that x and y at the ends of cell i come nearest to,
// apart from the rate.
func (c *cell) use(p *Path, i int, x, y float64) Use {
	var u Use
	inv := 0.5 / (p.S[i+1] - p.S[i])
	top := math.Sqrt(max(x, y))
	for k := range p.Axes {
		a := &p.Axes[k]
		if limited(a.Acceleration) {
			share := 1 / a.Acceleration
			l := ends((*[3]float64)(a.Q1[3*i:]), (*[3]float64)(a.Q2[3*i:]), inv)
			for j := range l {
				u.raise(float64(math.Abs(float64(l[j].a*x)+float64(l[j].b*y))*share), Limit{Acceleration, int32(k)})
			}
		}
		if limited(a.Speed) && float64(a.fastest(i)*top) > float64(u.Share*a.Speed) {
			u.raise(a.speedShare(i, x, y), Limit{Speed, int32(k)})
		}
	}
	for k := range p.Sums {
		at := c.sums[3*k : 3*k+3]
		c.setSum(&p.Sums[k], at, i, inv)
		for j := range at {
			v, _ := at[j].tangent(x, y)
			u.raise(v, at[j].by)
		}
	}
	return u
}

// holds reports whether no limit apart from the rate is used beyond a bound in
// cell i between x and y: what use gives is no more than it.
func (c *cell) holds(p *Path, i int, x, y, bound float64) bool {
	inv := 0.5 / (p.S[i+1] - p.S[i])
	top := math.Sqrt(max(x, y))
	for k := range p.Axes {
		a := &p.Axes[k]
		if limited(a.Acceleration) {
			share, most := 1/a.Acceleration, 0.0
			for _, l := range ends((*[3]float64)(a.Q1[3*i:]), (*[3]float64)(a.Q2[3*i:]), inv) {
				most = max(most, math.Abs(float64(l.a*x)+float64(l.b*y)))
			}
			if most*share > bound {
				return false
			}
		}
		// The fastest point of the cell at the greater rate is never too little.
		if limited(a.Speed) && float64(a.fastest(i)*top) > float64(bound*a.Speed) && a.speedShare(i, x, y) > bound {
			return false
		}
	}
	for k := range p.Sums {
		at := c.sums[3*k : 3*k+3]
		c.setSum(&p.Sums[k], at, i, inv)
		for j := range at {
			if v, _ := at[j].tangent(x, y); v > bound {
				return false
			}
		}
	}
	return true
}

func (a *Axis) speedShare(i int, x, y float64) float64 {
	h, most := speedHull(a, i), 0.0
	for j := range h.x {
		most = max(most, float64(h.x[j]*x)+float64(h.y[j]*y))
	}
	return math.Sqrt(most)
}
