package interp

import (
	"math"
	"sort"

	"limberjack/interp/poly"
)

// Range is the least and the greatest of a curve or of a derivative on a span,
// and when they are reached.
type Range struct{ Min, AtMin, Max, AtMax float64 }

func (r *Range) take(v, at float64) {
	if v < r.Min {
		r.Min, r.AtMin = v, at
	}
	if v > r.Max {
		r.Max, r.AtMax = v, at
	}
}

// Peak gives the greatest size and when it is reached.
func (r Range) Peak() (value, at float64) {
	if -r.Min > r.Max {
		return -r.Min, r.AtMin
	}
	return r.Max, r.AtMax
}

func emptyRange() Range { return Range{Min: math.Inf(1), Max: math.Inf(-1)} }

// Range gives the extremes of the derivative of an order (0 to 3) on piece i.
// They are exact for polynomials (by the roots of the next derivative) and for a
// single eased move (the ease is monotone between its splits); otherwise
// bracketed between splits and refined to 1e-9 of their value.
//
// A derivative may be infinite, at the end of an ease with a vertical tangent.
func (c *Curve) Range(i, order int) Range { return c.pieces[i].extremes(order) }

func (p *piece) extremes(order int) Range {
	h := p.t1 - p.t0
	if len(p.terms) == 0 {
		return p.polyExtremes(order, h)
	}
	if math.IsInf(h, 1) {
		h = 0
	}
	cuts := p.cuts(h)
	if len(p.terms) == 1 && len(p.c) <= order+1 && p.terms[0].whole() {
		r := emptyRange()
		for _, u := range cuts {
			r.take(p.at(u).Order(order), p.t0+u)
		}
		return r
	}
	return p.searchExtremes(order, cuts)
}

func (p *piece) polyExtremes(order int, h float64) Range {
	var buf [24]float64
	c := append(buf[:0], p.c...)
	for range order {
		c = poly.Derive(c, c)
	}
	if len(c) == 0 || math.IsInf(h, 1) {
		v := 0.0
		if len(c) > 0 {
			v = c[0]
		}
		return Range{v, p.t0, v, p.t0}
	}
	r := poly.Extremes(c, 0, h)
	return Range{r.Min, p.t0 + r.AtMin, r.Max, p.t0 + r.AtMax}
}

// cuts gives 0, h and the splits of all terms between them, ascending.
func (p *piece) cuts(h float64) []float64 {
	cuts := []float64{0, h}
	for _, t := range p.terms {
		cuts = t.splits(cuts, h)
	}
	sort.Float64s(cuts)
	return cuts
}

// searchSteps is how often a stretch between splits is cut again where several
// terms are added, so that each extreme of the sum stands alone in its bracket.
const searchSteps = 8

// searchExtremes brackets the extremes of a sum on a subdivision of the cuts
// and refines each.
func (p *piece) searchExtremes(order int, cuts []float64) Range {
	us := make([]float64, 0, searchSteps*len(cuts))
	for i := 1; i < len(cuts); i++ {
		w := cuts[i] - cuts[i-1]
		if w <= 0 {
			continue
		}
		for k := range searchSteps {
			us = append(us, cuts[i-1]+float64(w*float64(k)/searchSteps))
		}
	}
	us = append(us, cuts[len(cuts)-1])
	f := make([]float64, len(us))
	for i, u := range us {
		f[i] = p.at(u).Order(order)
	}
	r := emptyRange()
	last := len(f) - 1
	for i, v := range f {
		r.take(v, p.t0+us[i])
		if math.IsInf(v, 0) {
			continue
		}
		// Next to an end, an extreme may hide between the end and its neighbour.
		before, after := max(i-1, 0), min(i+1, last)
		atEnd := i <= 1 || i >= last-1
		if atEnd || (v >= f[before] && v >= f[after]) {
			p.refine(&r, order, us[before], us[after], 1)
		}
		if atEnd || (v <= f[before] && v <= f[after]) {
			p.refine(&r, order, us[before], us[after], -1)
		}
	}
	return r
}

// refine takes the greatest of a derivative (with sign -1 the least) between two
// local times into r.
func (p *piece) refine(r *Range, order int, from, to, sign float64) {
	if to <= from {
		return
	}
	u, best := poly.Peak(func(u float64) float64 { return sign * p.at(u).Order(order) }, from, to)
	if !math.IsInf(best, 0) {
		r.take(sign*best, p.t0+u)
	}
}

// Turns appends the times inside piece i at which the curve turns round (its
// speed changes sign), ascending.
func (c *Curve) Turns(dst []float64, i int) []float64 {
	p := &c.pieces[i]
	h := p.t1 - p.t0
	if math.IsInf(h, 1) || c.Still(i) {
		return dst
	}
	return p.crossings(dst, 1, 0, h)
}

// Over appends the spans of piece i on which the derivative of an order is
// above the limit (below it, where below is set).
func (c *Curve) Over(dst [][2]float64, i, order int, limit float64, below bool) [][2]float64 {
	p := &c.pieces[i]
	h := p.t1 - p.t0
	outside := func(v float64) bool { return v > limit }
	if below {
		outside = func(v float64) bool { return v < limit }
	}
	if math.IsInf(h, 1) {
		if outside(p.at(0).Order(order)) {
			dst = append(dst, [2]float64{p.t0, p.t0})
		}
		return dst
	}
	var buf [32]float64
	edges := append(buf[:0], p.t0)
	edges = p.crossings(edges, order, limit, h)
	edges = append(edges, p.t1)
	for k := 1; k < len(edges); k++ {
		middle := float64((edges[k-1] + edges[k]) / 2)
		if !outside(p.at(middle - p.t0).Order(order)) {
			continue
		}
		if n := len(dst); n > 0 && dst[n-1][1] == edges[k-1] {
			dst[n-1][1] = edges[k]
			continue
		}
		dst = append(dst, [2]float64{edges[k-1], edges[k]})
	}
	return dst
}

// crossings appends the times inside the piece at which a derivative passes a
// level, ascending.
func (p *piece) crossings(dst []float64, order int, level, h float64) []float64 {
	if len(p.terms) == 0 {
		var buf [24]float64
		c := append(buf[:0], p.c...)
		for range order {
			c = poly.Derive(c, c)
		}
		if len(c) == 0 {
			return dst
		}
		c[0] -= level
		n := len(dst)
		dst = poly.Roots(dst, c, 0, h)
		out := n
		for _, u := range dst[n:] {
			if u > 0 && u < h {
				dst[out] = p.t0 + u
				out++
			}
		}
		return dst[:out]
	}
	f := func(u float64) float64 { return p.at(u).Order(order) }
	cuts := p.cuts(h)
	for i := 1; i < len(cuts); i++ {
		for k := range searchSteps {
			w := (cuts[i] - cuts[i-1]) / searchSteps
			a, b := cuts[i-1]+float64(w*float64(k)), cuts[i-1]+float64(w*float64(k+1))
			fa, fb := f(a)-level, f(b)-level
			if (fa < 0 && fb > 0) || (fa > 0 && fb < 0) {
				dst = append(dst, p.t0+poly.Cross(f, a, b, level))
			} else if fb == 0 && fa != 0 && b < h {
				dst = append(dst, p.t0+b)
			}
		}
	}
	return dst
}

// Joint is a moment at which a curve or a derivative jumps.
type Joint struct {
	At            float64
	Before, After State
}

// Joints appends the joints between pieces at which position, speed or
// acceleration jumps by more than rounding, with the one at the start (from
// rest) and at the end (to rest).
func (c *Curve) Joints(dst []Joint) []Joint {
	first := c.pieces[0].at(0)
	dst = appendJoint(dst, c.pieces[0].t0, State{Position: first.Position}, first)
	for i := 1; i < len(c.pieces); i++ {
		p, q := &c.pieces[i-1], &c.pieces[i]
		dst = appendJoint(dst, q.t0, p.at(p.t1-p.t0), q.at(0))
	}
	return dst
}

func appendJoint(dst []Joint, at float64, before, after State) []Joint {
	const rounding = 1e-9
	for n := range 3 {
		a, b := before.Order(n), after.Order(n)
		if math.Abs(a-b) > rounding*math.Max(1, math.Max(math.Abs(a), math.Abs(b))) || math.IsInf(a, 0) || math.IsInf(b, 0) {
			return append(dst, Joint{at, before, after})
		}
	}
	return dst
}
