package interp

import (
	"math"
	"sort"

	"limberjack/interp/poly"
)

// Curve is a piecewise function of performance time. It is immutable.
type Curve struct {
	pieces []piece // ascending and without gaps; the last one goes on for ever
}

// find gives the index of the piece that holds t.
func (c *Curve) find(t float64) int {
	return max(0, sort.Search(len(c.pieces), func(i int) bool { return c.pieces[i].t0 > t })-1)
}

// Value gives the position at t seconds; before the start it is that of the
// start, after the end that of the end. Logarithmic in the number of pieces.
func (c *Curve) Value(t float64) float64 {
	p := &c.pieces[c.find(t)]
	return p.value(math.Max(0, t-p.t0))
}

// At gives position and derivatives at t seconds. Where a derivative jumps, it
// is the one to the right.
func (c *Curve) At(t float64) State {
	if t < 0 {
		return State{Position: c.Value(0)}
	}
	p := &c.pieces[c.find(t)]
	return p.at(t - p.t0)
}

// Before gives position and derivatives just before t seconds, t > 0.
func (c *Curve) Before(t float64) State {
	i := sort.Search(len(c.pieces), func(i int) bool { return c.pieces[i].t0 >= t }) - 1
	if i < 0 {
		return State{Position: c.Value(0)}
	}
	p := &c.pieces[i]
	return p.at(t - p.t0)
}

// Cursor evaluates a curve in order of time, without a search and without an
// allocation.
type Cursor struct {
	curve *Curve
	next  int
	xs    [128]float64 // room for the arguments of an ease
}

// Cursor returns a cursor at the start of the curve.
func (c *Curve) Cursor() Cursor { return Cursor{curve: c} }

// Fill writes the positions at the ascending times ts into dst, which is as
// long. Times must not be negative nor fall behind those of the call before.
func (k *Cursor) Fill(dst, ts []float64) {
	pieces := k.curve.pieces
	for i := 0; i < len(ts); {
		for k.next+1 < len(pieces) && ts[i] >= pieces[k.next].t1 {
			k.next++
		}
		p := &pieces[k.next]
		j := len(ts)
		if k.next+1 < len(pieces) && ts[j-1] >= p.t1 {
			j = i + sort.SearchFloat64s(ts[i:], p.t1)
		}
		p.fill(dst[i:j], ts[i:j], k.xs[:])
		i = j
	}
}

// fill evaluates the piece at times inside it. The loops for the common degrees
// keep the coefficients in registers; products are rounded before they are
// added, so that no processor fuses the two.
func (p *piece) fill(dst, ts, xs []float64) {
	t0 := p.t0
	dst = dst[:len(ts)]
	switch c := p.c; len(c) {
	case 0:
		clear(dst)
	case 1:
		for i := range dst {
			dst[i] = c[0]
		}
	case 2:
		c0, c1 := c[0], c[1]
		for i, t := range ts {
			dst[i] = float64(c1*(t-t0)) + c0
		}
	case 3:
		c0, c1, c2 := c[0], c[1], c[2]
		for i, t := range ts {
			u := t - t0
			dst[i] = float64((float64(c2*u)+c1)*u) + c0
		}
	case 4:
		c0, c1, c2, c3 := c[0], c[1], c[2], c[3]
		for i, t := range ts {
			u := t - t0
			dst[i] = float64((float64((float64(c3*u)+c2)*u)+c1)*u) + c0
		}
	case 6:
		c0, c1, c2, c3, c4, c5 := c[0], c[1], c[2], c[3], c[4], c[5]
		for i, t := range ts {
			u := t - t0
			v := float64(c5*u) + c4
			v = float64(v*u) + c3
			v = float64(v*u) + c2
			v = float64(v*u) + c1
			dst[i] = float64(v*u) + c0
		}
	case 8:
		c0, c1, c2, c3, c4, c5, c6, c7 := c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
		for i, t := range ts {
			u := t - t0
			v := float64(c7*u) + c6
			v = float64(v*u) + c5
			v = float64(v*u) + c4
			v = float64(v*u) + c3
			v = float64(v*u) + c2
			v = float64(v*u) + c1
			dst[i] = float64(v*u) + c0
		}
	default:
		for i, t := range ts {
			dst[i] = poly.Eval(c, t-t0)
		}
	}
	for _, term := range p.terms {
		addTerm(term, dst, ts, t0, xs)
	}
}

// addTerm adds a term at times inside its piece. Eases, which are most of them,
// are taken many at a time; xs is room for their arguments.
func addTerm(term term, dst, ts []float64, t0 float64, xs []float64) {
	e, ok := term.(easeTerm)
	if !ok {
		for i, t := range ts {
			dst[i] += term.value(t - t0)
		}
		return
	}
	for len(ts) > 0 {
		n := min(len(ts), len(xs))
		for i, t := range ts[:n] {
			xs[i] = e.x0 + float64((t-t0)*e.rate)
		}
		e.f.Add(dst[:n], xs[:n], e.k)
		dst, ts = dst[n:], ts[n:]
	}
}

// Spans gives the number of pieces of the curve. Piece i lies between the times
// that Span(i) gives; the last one is the hold after the end.
func (c *Curve) Spans() int { return len(c.pieces) }

// Span gives the times between which piece i lies; the last ends at +Inf.
func (c *Curve) Span(i int) (from, to float64) { return c.pieces[i].t0, c.pieces[i].t1 }

// Still reports whether the curve does not move on piece i.
func (c *Curve) Still(i int) bool {
	p := &c.pieces[i]
	if len(p.terms) > 0 {
		return false
	}
	for _, x := range p.c[min(1, len(p.c)):] {
		if x != 0 {
			return false
		}
	}
	return true
}

// States writes position and derivatives at the ascending times ts into dst, in
// order as Fill does.
func (k *Cursor) States(dst []State, ts []float64) {
	pieces := k.curve.pieces
	for i, t := range ts {
		for k.next+1 < len(pieces) && t >= pieces[k.next].t1 {
			k.next++
		}
		p := &pieces[k.next]
		dst[i] = p.at(t - p.t0)
	}
}
