package interp

import (
	"math"

	"limberjack/interp/ease"
	"limberjack/interp/linkage"
	"limberjack/interp/poly"
)

// piece is a curve on [t0, t1): a polynomial in the local time u = t - t0, and
// terms that are none, added to it. At u = t1 - t0 it gives the left-hand limit.
type piece struct {
	t0, t1 float64
	c      []float64 // ascending; may be empty
	terms  []term
}

// term is a smooth part of a piece that is no polynomial, over local time.
type term interface {
	value(u float64) float64
	at(u float64) State
	// shift gives the term over a local time that starts by seconds later.
	shift(by float64) term
	// scale gives the term times k.
	scale(k float64) term
	// splits appends the local times inside (0, h) between which value and
	// derivatives are each monotone, or a subdivision fine enough to bracket
	// their extremes.
	splits(dst []float64, h float64) []float64
	// whole reports whether the term alone is monotone in every derivative
	// between its splits, so that extremes lie at splits and ends.
	whole() bool
}

func (p *piece) value(u float64) float64 {
	v := poly.Eval(p.c, u)
	for _, t := range p.terms {
		v += t.value(u)
	}
	return v
}

func (p *piece) at(u float64) State {
	var s State
	s.Position, s.Speed, s.Acceleration, s.Jerk = poly.Eval3(p.c, u)
	for _, t := range p.terms {
		s = s.plus(t.at(u))
	}
	return s
}

func (s State) plus(o State) State {
	return State{s.Position + o.Position, s.Speed + o.Speed, s.Acceleration + o.Acceleration, s.Jerk + o.Jerk}
}

// Order gives the derivative of an order: 0 the position, 3 the jerk.
func (s State) Order(n int) float64 {
	return [...]float64{s.Position, s.Speed, s.Acceleration, s.Jerk}[n]
}

// chain gives the derivatives of f(g(t)) from those of f at g (position f,
// speed f', ...) and those of g: Faà di Bruno's formula to the third order.
func chain(f, g State) State {
	return State{
		Position:     f.Position,
		Speed:        f.Speed * g.Speed,
		Acceleration: float64(f.Acceleration*g.Speed*g.Speed) + float64(f.Speed*g.Acceleration),
		Jerk:         float64(f.Jerk*g.Speed*g.Speed*g.Speed) + float64(3*f.Acceleration*g.Speed*g.Acceleration) + float64(f.Speed*g.Jerk),
	}
}

// easeTerm is k f(x0 + u rate): an ease that is no polynomial, stretched over
// its segment. ends are its splits in the share of time.
type easeTerm struct {
	f    ease.Func
	k    float64
	x0   float64
	rate float64 // shares a second
	cuts []float64
}

func (e easeTerm) value(u float64) float64 { return e.k * e.f.Value(e.x0+float64(u*e.rate)) }

func (e easeTerm) at(u float64) State {
	v, d1, d2, d3 := e.f.At(e.x0 + float64(u*e.rate))
	r := e.rate
	return State{e.k * v, e.k * d1 * r, e.k * d2 * r * r, e.k * d3 * r * r * r}
}

func (e easeTerm) shift(by float64) term { e.x0 += float64(by * e.rate); return e }
func (e easeTerm) scale(k float64) term  { e.k *= k; return e }
func (e easeTerm) whole() bool           { return true }

func (e easeTerm) splits(dst []float64, h float64) []float64 {
	for _, x := range e.cuts {
		if u := (x - e.x0) / e.rate; u > 0 && u < h {
			dst = append(dst, u)
		}
	}
	return dst
}

// sineTerm is k g(u) sin(w u + phase), g a polynomial (a fade), nil for 1.
type sineTerm struct {
	k, w, phase float64
	g           []float64
}

func (s sineTerm) value(u float64) float64 {
	v := s.k * math.Sin(float64(s.w*u)+s.phase)
	if s.g != nil {
		v *= poly.Eval(s.g, u)
	}
	return v
}

func (s sineTerm) at(u float64) State {
	sin, cos := math.Sincos(float64(s.w*u) + s.phase)
	k, w := s.k, s.w
	f := State{float64(k * sin), float64(k * w * cos), float64(-k * w * w * sin), float64(-k * w * w * w * cos)}
	if s.g == nil {
		return f
	}
	var g State
	g.Position, g.Speed, g.Acceleration, g.Jerk = poly.Eval3(s.g, u)
	return State{ // Leibniz's rule
		f.Position * g.Position,
		float64(f.Speed*g.Position) + float64(f.Position*g.Speed),
		float64(f.Acceleration*g.Position) + float64(float64(2*f.Speed)*g.Speed) + float64(f.Position*g.Acceleration),
		float64(f.Jerk*g.Position) + float64(3*f.Acceleration*g.Speed) + float64(3*f.Speed*g.Acceleration) + float64(f.Position*g.Jerk),
	}
}

func (s sineTerm) shift(by float64) term {
	s.phase = math.Mod(s.phase+float64(s.w*by), 2*math.Pi)
	if s.g != nil {
		s.g = poly.Shift(nil, s.g, by)
	}
	return s
}

func (s sineTerm) scale(k float64) term { s.k *= k; return s }
func (s sineTerm) whole() bool          { return s.g == nil }

// splits are the quarter waves: value and derivatives are monotone between.
func (s sineTerm) splits(dst []float64, h float64) []float64 {
	quarter := math.Pi / 2
	for n := math.Ceil(s.phase / quarter); ; n++ {
		u := (float64(n*quarter) - s.phase) / s.w
		if u >= h {
			return dst
		}
		if u > 0 {
			dst = append(dst, u)
		}
	}
}

// evenSplits cuts a stretch evenly, for terms whose shape is not known.
func evenSplits(dst []float64, h float64, n int) []float64 {
	for i := 1; i < n; i++ {
		dst = append(dst, h*float64(i)/float64(n))
	}
	return dst
}

// linkTerm is a piece seen through a linkage: the horn that a part's curve asks
// for, or the part that a horn's profile moves.
type linkTerm struct {
	link  linkage.Linkage
	horn  bool // gives the horn from the part; otherwise the part from the horn
	inner piece
	from  float64 // local time of the inner piece at u = 0
	k     float64
}

func (l linkTerm) map3(x float64) (State, bool) {
	var s State
	var ok bool
	if l.horn {
		s.Position, s.Speed, s.Acceleration, s.Jerk, ok = l.link.Horn(x)
	} else {
		s.Position, s.Speed, s.Acceleration, s.Jerk, ok = l.link.Part(x)
	}
	return s, ok
}

// mapped gives the map at x. Beyond the linkage's reach it goes on straight
// with the slope near the end; a travel finding says that this cannot be.
func (l linkTerm) mapped(x float64) State {
	if s, ok := l.map3(x); ok {
		return s
	}
	hornLow, hornHigh, partLow, partHigh := l.link.Range()
	low, high := hornLow, hornHigh
	if l.horn {
		low, high = partLow, partHigh
	}
	end := low
	if x > high {
		end = high
	}
	in := end + float64((low+high-float64(2*end))*1e-3)
	s, _ := l.map3(in)
	return State{Position: s.Position + float64(s.Speed*(x-in)), Speed: s.Speed}
}

func (l linkTerm) value(u float64) float64 { return l.k * l.mapped(l.inner.value(l.from+u)).Position }

func (l linkTerm) at(u float64) State {
	g := l.inner.at(l.from + u)
	s := chain(l.mapped(g.Position), g)
	return State{l.k * s.Position, l.k * s.Speed, l.k * s.Acceleration, l.k * s.Jerk}
}

func (l linkTerm) shift(by float64) term { l.from += by; return l }
func (l linkTerm) scale(k float64) term  { l.k *= k; return l }
func (l linkTerm) whole() bool           { return false }

func (l linkTerm) splits(dst []float64, h float64) []float64 {
	for _, t := range l.inner.terms {
		for _, u := range t.splits(nil, l.from+h) {
			if u > l.from {
				dst = append(dst, u-l.from)
			}
		}
	}
	return evenSplits(dst, h, 8)
}

// paceTerm is a term of script time under a pace: script time s(u) = s0 + r u +
// k u^2 from the term's own start.
type paceTerm struct {
	inner term
	q     [3]float64 // local script time over local performance time
}

func (p paceTerm) script(u float64) State {
	var s State
	s.Position, s.Speed, s.Acceleration, s.Jerk = poly.Eval3(p.q[:], u)
	return s
}

func (p paceTerm) value(u float64) float64 { return p.inner.value(poly.Eval(p.q[:], u)) }

func (p paceTerm) at(u float64) State {
	g := p.script(u)
	return chain(p.inner.at(g.Position), g)
}

func (p paceTerm) shift(by float64) term {
	var q [3]float64
	copy(q[:], poly.Shift(nil, p.q[:], by))
	p.q = q
	return p
}

func (p paceTerm) scale(k float64) term { p.inner = p.inner.scale(k); return p }
func (p paceTerm) whole() bool          { return false }

func (p paceTerm) splits(dst []float64, h float64) []float64 {
	from, to := p.q[0], poly.Eval(p.q[:], h)
	for _, s := range p.inner.splits(nil, to) {
		if s > from {
			dst = append(dst, solveRising(p.q, s, h))
		}
	}
	return evenSplits(dst, h, 4)
}

// solveRising gives the u in [0, h] at which the rising quadratic q reaches s.
// The form avoids the cancellation of the school formula.
func solveRising(q [3]float64, s, h float64) float64 {
	d := s - q[0]
	if d <= 0 {
		return 0
	}
	root := math.Sqrt(math.Max(0, float64(q[1]*q[1])+float64(4*q[2]*d)))
	if den := q[1] + root; den > 0 {
		return math.Max(0, math.Min(h, 2*d/den))
	}
	return h
}
