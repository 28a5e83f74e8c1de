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

// Ranges gives the extremes of all four orders on piece i, as Range does, from one
// evaluation of its terms.
func (c *Curve) Ranges(i int) (out [4]Range) {
	p := &c.pieces[i]
	if len(p.terms) == 0 || (len(p.terms) == 1 && p.terms[0].whole()) || math.IsInf(p.t1, 1) {
		for n := range out {
			out[n] = p.extremes(n)
		}
		return out
	}
	us, states := p.sample(p.cuts(p.t1 - p.t0))
	for n := range out {
		out[n] = p.searchSampled(n, us, states)
	}
	return out
}

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
	us, states := p.sample(cuts)
	return p.searchSampled(order, us, states)
}

// sample evaluates the piece on a subdivision of the cuts.
func (p *piece) sample(cuts []float64) (us []float64, states []State) {
	us = make([]float64, 0, searchSteps*len(cuts))
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
	states = make([]State, len(us))
	for i, u := range us {
		states[i] = p.at(u)
	}
	return us, states
}

// searchSampled finds the extremes of one derivative from samples of all.
func (p *piece) searchSampled(order int, us []float64, states []State) Range {
	f := make([]float64, len(us))
	r := emptyRange()
	for i := range states {
		f[i] = states[i].Order(order)
		r.take(f[i], p.t0+us[i])
	}
	last := len(f) - 1
	startPlain, endPlain := plainEnd(f, 0, 1), plainEnd(f, last, -1)
	for i, v := range f {
		if math.IsInf(v, 0) {
			continue
		}
		// Next to an end, an extreme may hide between the end and its neighbour.
		before, after := max(i-1, 0), min(i+1, last)
		atEnd := (i <= 1 && !startPlain) || (i >= last-1 && !endPlain)
		inner := i > 0 && i < last
		// A smooth top rises above its sample by an eighth of the step to a
		// neighbour: where all of that step would not do, it is no extreme.
		reach := math.Max(math.Abs(v-f[before]), math.Abs(v-f[after]))
		if atEnd || (inner && v >= f[before] && v >= f[after] && v+reach > r.Max) {
			p.refine(&r, order, us[before], us[after], 1)
		}
		if atEnd || (inner && v <= f[before] && v <= f[after] && v-reach < r.Min) {
			p.refine(&r, order, us[before], us[after], -1)
		}
	}
	return r
}

// plainEnd reports whether no extreme can hide between an end and its neighbour:
// the first difference outweighs all that the second and third could turn
// round, or there is none at all. It is false where a value is infinite.
func plainEnd(f []float64, end, step int) bool {
	if len(f) < 4 {
		return false
	}
	a, b, c, d := f[end], f[end+step], f[end+2*step], f[end+3*step]
	first, second, third := b-a, c-float64(2*b)+a, d-float64(3*c)+float64(3*b)-a
	if math.IsInf(a, 0) || math.IsInf(b, 0) || math.IsInf(c, 0) || math.IsInf(d, 0) {
		return false
	}
	return math.Abs(first) > math.Abs(second)+math.Abs(third) || (a == b && b == c && c == d)
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
