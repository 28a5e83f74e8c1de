package ease

import "sort"

// The eases that are polynomials, whole or by pieces.

func polyWhole(c ...float64) []Part { return []Part{{X1: 1, Poly: c}} }

// power is x^n.
func power(n int) []Part {
	c := make([]float64, n+1)
	c[n] = 1
	return []Part{{X1: 1, Poly: c}}
}

// back draws back before it goes: (s+1)x^3 - s x^2. As c >= 1, c-1 is exact and
// the end is met.
func back(s float64) []Part {
	c := s + 1
	return polyWhole(0, 0, -(c - 1), c)
}

const (
	backPull   = 1.70158          // an overshoot of ten per cent
	backInOut  = backPull * 1.525 // and the same for each half of -in-out
	bounceRate = 2.75             // a bounce ends at 4, 8, 10 and 11 of 11
)

// bounceIn are ever higher bounces up to 1: parabolas (1 - u^2) in u = 11/4
// times the share of the time, mirrored from the usual -out form.
func bounceIn() []Part { return reversed(bounceOut()) }

func bounceOut() []Part {
	const k = bounceRate
	arc := func(from, to, middle, low float64) Part {
		u := from - middle
		return Part{X0: from / k, X1: to / k, Poly: []float64{float64(u*u) + low, 2 * u * k, k * k}}
	}
	return []Part{
		arc(0, 1, 0, 0),
		arc(1, 2, 1.5, 0.75),
		arc(2, 2.5, 2.25, 0.9375),
		arc(2.5, 2.75, 2.625, 0.984375),
	}
}

// reversed is 1 - f(1-x): slowing down where f speeds up. As f ends at 1, it
// starts at 0, whatever the rounding.
func reversed(parts []Part) []Part {
	out := make([]Part, len(parts))
	for i, p := range parts {
		c := shifted(p.Poly, p.X1-p.X0)
		for k := range c {
			if k%2 == 0 {
				c[k] = -c[k]
			}
		}
		c[0]++
		out[len(parts)-1-i] = Part{X0: 1 - p.X1, X1: 1 - p.X0, Poly: c}
	}
	out[0].Poly[0] = 0
	return out
}

// halved is f squeezed into [0, 1/2] in time and value, then raised by lift and
// delayed by the same.
func halved(parts []Part, lift float64) []Part {
	out := make([]Part, len(parts))
	for i, p := range parts {
		c := append([]float64(nil), p.Poly...)
		scale := 0.5
		for k := range c {
			c[k] *= scale
			scale *= 2
		}
		c[0] += lift
		out[i] = Part{X0: p.X0/2 + lift, X1: p.X1/2 + lift, Poly: c}
	}
	return out
}

// inOut is f in the first half and its reverse in the second.
func inOut(parts []Part) []Part {
	return append(halved(parts, 0), halved(reversed(parts), 0.5)...)
}

// trapezoid speeds up over the share a of the time, slows down over d, and keeps
// its speed between.
func trapezoid(a, d float64) []Part {
	v := 1 / (1 - a/2 - d/2)
	var parts []Part
	if a > 0 {
		parts = append(parts, Part{X0: 0, X1: a, Poly: []float64{0, 0, v / (2 * a)}})
	}
	from := 1 - d
	if from-a > 1e-12 {
		parts = append(parts, Part{X0: a, X1: from, Poly: []float64{v * a / 2, v}})
	} else {
		from = a // the shares fill the time but for rounding
	}
	if d > 0 {
		parts = append(parts, Part{X0: from, X1: 1, Poly: []float64{1 - v*d/2, v, -v / (2 * d)}})
	} else {
		parts[len(parts)-1].X1 = 1
	}
	return parts
}

// sCurve has seven phases of equal time with jerk +, 0, -, 0, -, 0, + of one size.
// In u = 7x the jerk is 1/8.
func sCurve() []Part {
	pieces := [7][4]float64{ // 48 times the coefficients in u
		{0, 0, 0, 1}, {1, 3, 3, 0}, {7, 9, 3, -1}, {18, 12, 0, 0},
		{30, 12, 0, -1}, {41, 9, -3, 0}, {47, 3, -3, 1},
	}
	parts := make([]Part, len(pieces))
	for i, c := range pieces {
		parts[i] = Part{
			X0: float64(i) / 7, X1: float64(i+1) / 7,
			Poly: []float64{c[0] / 48, c[1] * 7 / 48, c[2] * 49 / 48, c[3] * 343 / 48},
		}
	}
	return parts
}

// merge is the sorted union of ascending lists.
func merge(lists ...[]float64) []float64 {
	var all []float64
	for _, l := range lists {
		all = append(all, l...)
	}
	sort.Float64s(all)
	unique := all[:0]
	for _, x := range all {
		if len(unique) == 0 || x > unique[len(unique)-1] {
			unique = append(unique, x)
		}
	}
	return unique
}
