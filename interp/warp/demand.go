package warp

import "math"

// demand bounds what a stretch of cells asks of a warp, as shares of the limits:
// in every cell of the stretch, with u = d²s/dt² and the square of the rate up to
// x, no acceleration uses more than u |u| + x x, no speed more than sqrt(v x), and
// no Sum more than su |u| + sx x + sc. Bounds of several axes or Sums are taken
// one by one, so that they may be greater than what any of them asks.
type demand struct {
	u, x, v    float64
	su, sx, sc float64
	cap        float64 // least cap of the square of the rate at the ends of its cells, but for the first
}

// nearly leaves room for the rounding of bounds, which are computed otherwise than
// what they bound.
const nearly = 1 - 1e-12

// holds reports that no limit can be used beyond a bound. False says nothing.
func (d *demand) holds(u, x, bound float64) bool {
	bound *= nearly
	return float64(d.u*u)+float64(d.x*x) <= bound && float64(d.v*x) <= float64(bound*bound) &&
		float64(d.su*u)+float64(d.sx*x)+d.sc <= bound
}

func (d *demand) raise(o *demand) {
	d.u, d.x, d.v = max(d.u, o.u), max(d.x, o.x), max(d.v, o.v)
	d.su, d.sx, d.sc = max(d.su, o.su), max(d.sx, o.sx), max(d.sc, o.sc)
	d.cap = min(d.cap, o.cap)
}

// demandsOf gives the demand of each cell.
func demandsOf(p *Path) []demand {
	out := make([]demand, len(p.S)-1)
	for k := range p.Axes {
		p.Axes[k].demand(out)
	}
	var sum []demand
	for k := range p.Sums {
		if sum == nil {
			sum = make([]demand, len(out))
		}
		clear(sum)
		for _, t := range p.Sums[k].Terms {
			t.demand(sum)
		}
		for i := range out {
			d, s, share := &out[i], &sum[i], 1/p.Sums[k].Limit[i]
			d.su, d.sx, d.sc = max(d.su, float64(s.su*share)), max(d.sx, float64(s.sx*share)), max(d.sc, float64(s.sc*share))
		}
	}
	return out
}

func (a *Axis) demand(out []demand) {
	speed, acceleration := 0.0, 0.0
	if limited(a.Speed) {
		speed = 1 / a.Speed
	}
	if limited(a.Acceleration) {
		acceleration = 1 / a.Acceleration
	}
	if speed == 0 && acceleration == 0 {
		return
	}
	for i := range out {
		d := &out[i]
		q := largest((*[3]float64)(a.Q1[3*i:]))
		v := float64(q * speed)
		d.v = max(d.v, float64(v*v))
		d.u = max(d.u, float64(q*acceleration))
		d.x = max(d.x, float64(tallest((*[3]float64)(a.Q2[3*i:]))*acceleration))
	}
}

// demand adds what a term asks for.
func (t *Term) demand(out []demand) {
	for i := range out {
		d := &out[i]
		if t.A != nil {
			d.su += largest((*[3]float64)(t.A[3*i:]))
		}
		if t.B != nil {
			d.sx += tallest((*[3]float64)(t.B[3*i:]))
		}
		if t.C != nil {
			d.sc += largest((*[3]float64)(t.C[3*i:]))
		}
	}
}

// largest bounds the parabola through three equally spaced values by its
// Bernstein coefficients.
func largest(v *[3]float64) float64 {
	return max(math.Abs(v[0]), math.Abs(middle(v[0], v[1], v[2])), math.Abs(v[2]))
}

// tallest bounds the parabola through v times x at its three places, for x linear
// from 0 or more to at most 1.
func tallest(v *[3]float64) float64 {
	return max(math.Abs(v[0]), math.Abs(v[2]), math.Abs(v[1]-float64(0.5*v[0]))+math.Abs(v[1]-float64(0.5*v[2])))
}

// demandTree holds the demands of cells, of pairs, of fours and so on: the demand
// of cells i 2^k up to (i+1) 2^k is level k, element i.
type demandTree [][]demand

func treeOf(cells []demand) demandTree {
	t := demandTree{cells}
	for last := cells; len(last) > 1; last = t[len(t)-1] {
		next := make([]demand, len(last)/2)
		for i := range next {
			next[i] = last[2*i]
			next[i].raise(&last[2*i+1])
		}
		t = append(t, next)
	}
	return t
}
