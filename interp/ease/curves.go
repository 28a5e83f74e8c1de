package ease

import "math"

// The families that are no polynomials. Each is given once, speeding up from 0
// to 1 (the -in form); the others follow by mirroring and by halves.
//
// Two of the usual formulas miss an end. Here every ease meets both:
//   - expo is normalised: (2^(10u-10) - 2^-10)/(1 - 2^-10) = (2^(10u)-1)/1023;
//   - elastic, e(u) = 2^(10u-10) cos(20 pi (u-1)/c) with c = 3, becomes
//     e(u) - e(0)(1-u), which moves it by 0.0005 of the move at most. Its
//     -in-out is two halves of the same form with c = 4.5.

// core is an -in form on [0, 1], with core(0) = 0 and core(1) = 1.
type core interface {
	value(u float64) float64
	at(u float64) (v, d1, d2, d3 float64)
	// splits are the points inside (0, 1) between which the value and each
	// derivative is monotone.
	splits() []float64
}

// shape places a core: speeding up, slowing down, or one half of an -in-out.
type shape uint8

const (
	speedingUp shape = iota
	slowingDown
	firstHalf
	secondHalf
)

// shaped is a core put to its place.
type shaped struct {
	core  core
	shape shape
}

func (s shaped) Value(x float64) float64 {
	switch s.shape {
	case speedingUp:
		return s.core.value(clampUnit(x))
	case slowingDown:
		return 1 - s.core.value(clampUnit(1-x))
	case firstHalf:
		return s.core.value(clampUnit(2*x)) / 2
	}
	return 1 - s.core.value(clampUnit(2-2*x))/2
}

func (s shaped) At(x float64) (v, d1, d2, d3 float64) {
	switch s.shape {
	case speedingUp:
		return s.core.at(clampUnit(x))
	case slowingDown:
		v, d1, d2, d3 = s.core.at(clampUnit(1 - x))
		return 1 - v, d1, -d2, d3
	case firstHalf:
		v, d1, d2, d3 = s.core.at(clampUnit(2 * x))
		return v / 2, d1, 2 * d2, 4 * d3
	}
	v, d1, d2, d3 = s.core.at(clampUnit(2 - 2*x))
	return 1 - v/2, d1, -2 * d2, 4 * d3
}

func (s shaped) Add(dst, xs []float64, scale float64) {
	for i := range dst {
		dst[i] += float64(scale * s.Value(xs[i]))
	}
}

func (s shaped) Splits() []float64 {
	in := s.core.splits()
	out := make([]float64, len(in))
	for i, u := range in {
		switch s.shape {
		case speedingUp:
			out[i] = u
		case slowingDown:
			out[len(in)-1-i] = 1 - u
		case firstHalf:
			out[i] = u / 2
		case secondHalf:
			out[len(in)-1-i] = 1 - u/2
		}
	}
	return out
}

// whole is the one part of an ease that is one core.
func whole(c core, s shape) []Part { return []Part{{X1: 1, Func: shaped{c, s}}} }

// bothHalves are the two parts of an -in-out.
func bothHalves(c core) []Part {
	return []Part{
		{X0: 0, X1: 0.5, Func: shaped{c, firstHalf}},
		{X0: 0.5, X1: 1, Func: shaped{c, secondHalf}},
	}
}

// sine is 1 - cos(pi u/2).
type sine struct{}

func (sine) value(u float64) float64 {
	if u < 0.5 { // keeps the small values exact
		s, _ := sincos(u / 8)
		return 2 * s * s
	}
	_, c := sincos(u / 4)
	return 1 - c
}

func (f sine) at(u float64) (v, d1, d2, d3 float64) {
	const w = math.Pi / 2
	s, c := sincos(u / 4)
	return f.value(u), w * s, w * w * c, -w * w * w * s
}

func (sine) splits() []float64 { return nil }

// expo is (2^(10u) - 1)/1023.
type expo struct{}

func (expo) value(u float64) float64 { return (exp2(10*u) - 1) / 1023 }

func (expo) at(u float64) (v, d1, d2, d3 float64) {
	const k = 10 * math.Ln2
	e := exp2(10 * u)
	return (e - 1) / 1023, e * (k / 1023), e * (k * k / 1023), e * (k * k * k / 1023)
}

func (expo) splits() []float64 { return nil }

// circ is 1 - sqrt(1 - u^2), a quarter of a circle: its tangent at 1 is
// vertical.
type circ struct{}

func (circ) value(u float64) float64 {
	return u * u / (1 + math.Sqrt((1-u)*(1+u)))
}

func (f circ) at(u float64) (v, d1, d2, d3 float64) {
	q := (1 - u) * (1 + u)
	s := math.Sqrt(q)
	return f.value(u), u / s, 1 / (q * s), 3 * u / (q * q * s)
}

func (circ) splits() []float64 { return nil }

// elastic is a growing oscillation, 2^(10u-10) cos(20 pi (u-1)/period), less the
// straight line that brings its start to 0.
type elastic struct {
	turns float64 // swings over the whole: 10/period
	angle float64 // rotation by each derivative: atan(20 pi/period / (10 ln 2))
	start float64 // value of the oscillation at 0
}

// elasticOf needs the angle atan(2 pi/(period ln 2)) with the period.
func elasticOf(period, angle float64) elastic {
	f := elastic{turns: 10 / period, angle: angle}
	f.start = f.value(0)
	return f
}

func (f elastic) value(u float64) float64 {
	_, c := sincos(f.turns * (u - 1))
	return float64(exp2(10*(u-1))*c) - float64(f.start*(1-u))
}

func (f elastic) at(u float64) (v, d1, d2, d3 float64) {
	const k = 10 * math.Ln2
	w := 2 * math.Pi * f.turns
	s, c := sincos(f.turns * (u - 1))
	e := exp2(10 * (u - 1))
	// Powers of k + iw, multiplied into the rotating pointer c + is.
	re, im := float64(k*c)-float64(w*s), float64(k*s)+float64(w*c)
	d1 = float64(e*re) + f.start
	re, im = float64(k*re)-float64(w*im), float64(k*im)+float64(w*re)
	d2 = e * re
	d3 = e * (float64(k*re) - float64(w*im))
	return f.value(u), d1, d2, d3
}

// vanishing are the places inside (0, 1) where the n-th derivative of the
// oscillation vanishes: n*angle + w(u-1) is an odd quarter turn.
func (f elastic) vanishing(n int) []float64 {
	var zeros []float64
	w := 2 * math.Pi * f.turns
	for m := -int(2*f.turns) - 2; m <= 2+n; m++ {
		u := 1 + (float64((0.5+float64(m))*math.Pi)-float64(float64(n)*f.angle))/w
		zeros = appendInside(zeros, u, 0, 1)
	}
	return zeros
}

func (f elastic) splits() []float64 {
	second := f.vanishing(2)
	all := merge(second, f.vanishing(3), f.vanishing(4))
	// The line turns up in the first derivative, which is monotone between the
	// zeros of the second.
	left := 0.0
	for _, right := range append(second, 1) {
		slope := func(u float64) float64 { _, d1, _, _ := f.at(u); return d1 }
		if r, ok := bisect(slope, left, right); ok {
			all = merge(all, appendInside(nil, r, 0, 1))
		}
		left = right
	}
	return all
}
