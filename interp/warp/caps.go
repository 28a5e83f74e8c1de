package warp

import "math"

// bound is the greatest x at a grid point and what sets it.
type bound struct {
	x  float64
	by Limit
}

func (b *bound) lower(x float64, by Limit) {
	if x < b.x {
		*b = bound{x, by}
	}
}

// jumpShare is the greatest jump of a first derivative, as a share of its
// greatest value, that does not count as a corner.
const jumpShare = 1e-6

// rateCaps gives the greatest x at each grid point that MaxRate and corners
// leave, and 1 beside cells that no limit touches.
func (s *Solver) rateCaps() []bound {
	p := &s.p
	caps := append(s.rates[:0], s.corners...)
	if p.MaxRate != nil {
		for i, r := range p.MaxRate {
			caps[i].lower(float64(r*r), Limit{})
		}
	}
	for i, open := range s.open {
		if open {
			caps[i].lowerOpen(p.MaxRate, i)
			caps[i+1].lowerOpen(p.MaxRate, i+1)
		}
	}
	s.rates = caps
	return caps
}

// corners gives the caps of corners, apart from MaxRate.
func corners(p *Path) []bound {
	caps := make([]bound, len(p.S))
	for i := range caps {
		caps[i] = bound{x: float64(rateCap * rateCap)}
	}
	for k := range p.Axes {
		capCorners(caps, &p.Axes[k], k)
	}
	return caps
}

// speedCaps lowers the caps so that, with x linear in between, every speed
// limit holds at every moment.
func (s *Solver) speedCaps() []bound {
	caps := s.rateCaps()
	for i := range len(caps) - 1 {
		if !s.slow(i, caps) {
			capCell(&s.p, i, caps)
		}
	}
	return s.shrunk(caps)
}

// slow reports that no speed limit can matter in cell i under its caps.
func (s *Solver) slow(i int, caps []bound) bool {
	return float64(s.demands[i].v*max(caps[i].x, caps[i+1].x)) <= nearly
}

// lowerOpen keeps to the written rate where there is no cap.
func (b *bound) lowerOpen(maxRate []float64, i int) {
	if maxRate == nil || math.IsInf(maxRate[i], 1) {
		b.lower(1, Limit{})
	}
}

// capCorners slows the warp where an axis with limited acceleration has a corner,
// so that the jump of its speed is no more than the acceleration of one frame.
func capCorners(caps []bound, a *Axis, k int) {
	if !limited(a.Acceleration) {
		return
	}
	top := 0.0
	for _, q := range a.Q1 {
		top = max(top, math.Abs(q))
	}
	top *= jumpShare
	for i := 1; i < len(caps)-1; i++ {
		if jump := math.Abs(a.Q1[3*i] - a.Q1[3*i-1]); jump > top {
			rate := a.Acceleration * a.Frame / jump
			caps[i].lower(float64(rate*rate), Limit{Acceleration, int32(k)})
		}
	}
}

// untouched reports that no limit depends on the rate in cell i.
func (s *Solver) untouched(i int) bool {
	d, p := &s.demands[i], &s.p
	if d.u+d.x+d.v+d.su+d.sx > 0 {
		return false
	}
	for k := range p.Axes {
		a := &p.Axes[k]
		if (limited(a.Speed) || limited(a.Acceleration)) && !(still(a.Q1, i) && still(a.Q2, i)) {
			return false
		}
	}
	for k := range p.Sums {
		if math.IsInf(p.Sums[k].Limit[i], 1) {
			continue
		}
		for _, t := range p.Sums[k].Terms {
			if !still(t.A, i) || !still(t.B, i) {
				return false
			}
		}
	}
	return true
}

func still(v []float64, i int) bool {
	return v == nil || v[3*i] == 0 && v[3*i+1] == 0 && v[3*i+2] == 0
}

// hull holds the speed limit of an axis in a cell as six inequalities
// x[k] x0 + y[k] x1 <= 1 for x0 and x1 at the ends of the cell. They are the
// Bernstein coefficients of (q' / V)² x, which is of degree 5 in s as q' is
// quadratic and x linear: by the convex hull property the speed keeps its
// limit in the whole cell. Negative weights count as none.
type hull struct{ x, y [6]float64 }

func speedHull(a *Axis, i int) hull {
	inv := 1 / a.Speed
	b0, b2 := float64(a.Q1[3*i]*inv), float64(a.Q1[3*i+2]*inv)
	b1 := middle(b0, float64(a.Q1[3*i+1]*inv), b2)
	d := [5]float64{
		float64(b0 * b0),
		max(0, float64(b0*b1)),
		max(0, (float64(2*float64(b1*b1))+float64(b0*b2))/3),
		max(0, float64(b1*b2)),
		float64(b2 * b2),
	}
	var h hull
	for k, v := range d {
		h.x[k] = float64(v*float64(5-k)) / 5
		h.y[k+1] = float64(v*float64(k+1)) / 5
	}
	return h
}

// middle gives the second Bernstein coefficient of the parabola through three
// equally spaced values.
func middle(first, mid, last float64) float64 {
	return float64(2*mid) - float64(0.5*(first+last))
}

// fastest gives a bound of |q'| in cell i.
func (a *Axis) fastest(i int) float64 {
	q0, qm, q1 := a.Q1[3*i], a.Q1[3*i+1], a.Q1[3*i+2]
	return max(math.Abs(middle(q0, qm, q1)), math.Abs(q0), math.Abs(q1))
}

// clear reports that the speed limit of the axis cannot matter in cell i with
// x up to top.
func (a *Axis) clear(i int, top float64) bool {
	m := a.fastest(i) / a.Speed
	return float64(float64(m*m)*top) <= 1
}

// capCell lowers the caps at the ends of cell i to what its speed limits allow
// an end when the other is at rest.
func capCell(p *Path, i int, caps []bound) {
	for k := range p.Axes {
		a := &p.Axes[k]
		if !limited(a.Speed) || a.clear(i, max(caps[i].x, caps[i+1].x)) {
			continue
		}
		h := speedHull(a, i)
		var x, y float64
		for j := range h.x {
			x, y = max(x, h.x[j]), max(y, h.y[j])
		}
		caps[i].lower(1/x, Limit{Speed, int32(k)})
		caps[i+1].lower(1/y, Limit{Speed, int32(k)})
	}
}

// shrunk lowers the caps further, so that both ends of each cell may be at
// their cap together. Shrinking both by the same share keeps the caps smooth:
// as inequalities in the passes they would make the rate zigzag.
func (s *Solver) shrunk(caps []bound) []bound {
	p := &s.p
	out := append(s.caps[:0], caps...)
	for i := range len(caps) - 1 {
		if s.slow(i, caps) {
			continue
		}
		x, y := caps[i].x, caps[i+1].x
		for k := range p.Axes {
			a := &p.Axes[k]
			if !limited(a.Speed) || a.clear(i, max(x, y)) {
				continue
			}
			over := 1.0
			h := speedHull(a, i)
			for j := range h.x {
				over = max(over, float64(h.x[j]*x)+float64(h.y[j]*y))
			}
			if over > 1 {
				out[i].lower(x/over, Limit{Speed, int32(k)})
				out[i+1].lower(y/over, Limit{Speed, int32(k)})
			}
		}
	}
	return out
}
