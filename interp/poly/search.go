package poly

import "math"

// golden is the smaller part of the golden section of 1, (3 - √5)/2.
const golden = 0.381966011250105151795413165634

// Peak gives the maximum of f on [a, b] and where it is. f has to be smooth and
// unimodal there; the maximum may be at an end. The value is good to 1e-9 of
// itself: the place is found to about 1e-9 of the interval, where a maximum
// that is as narrow as 1e-4 of the interval is still that flat.
//
// Brent, Algorithms for Minimization without Derivatives, chapter 5: a parabola
// through the three best points, golden section where that does not serve.
func Peak(f func(float64) float64, a, b float64) (at, value float64) {
	at, value = a, f(a)
	if v := f(b); v > value {
		at, value = b, v
	}
	if x, v := innerPeak(f, a, b); v > value {
		return x, v
	}
	return at, value
}

// sample is a place and the function's value there.
type sample struct{ at, value float64 }

// innerPeak narrows [a, b] about its best sample, x; w and v are the second
// and third best, before is the step before the last.
func innerPeak(f func(float64) float64, a, b float64) (at, value float64) {
	start := a + float64(golden*(b-a))
	x := sample{start, f(start)}
	w, v := x, x
	step, before := 0.0, 0.0
	least := 1e-9 * (b - a)
	for range 120 {
		tolerance := least + 2*roundoff*math.Abs(x.at)
		middle := a + (b-a)/2
		if math.Abs(x.at-middle) <= 2*tolerance-(b-a)/2 {
			break
		}
		next, ok := parabolaStep(x, w, v, a, b, before)
		switch {
		case !ok && x.at < middle:
			before, next = b-x.at, float64(golden*(b-x.at))
		case !ok:
			before, next = a-x.at, float64(golden*(a-x.at))
		default:
			before = step
			if x.at+next-a < 2*tolerance || b-x.at-next < 2*tolerance {
				next = math.Copysign(tolerance, middle-x.at)
			}
		}
		step = next
		if math.Abs(step) < tolerance {
			step = math.Copysign(tolerance, step)
		}
		u := sample{x.at + step, f(x.at + step)}
		a, b = narrow(a, b, x, u)
		x, w, v = rank(x, w, v, u)
	}
	return x.at, x.value
}

// parabolaStep is the step from x to the top of the parabola through three
// samples, if it stays inside and is less than half the step before the last.
func parabolaStep(x, w, v sample, a, b, before float64) (float64, bool) {
	r := float64((x.at - w.at) * (x.value - v.value))
	q := float64((x.at - v.at) * (x.value - w.value))
	p := float64((x.at-v.at)*q) - float64((x.at-w.at)*r)
	q = 2 * (q - r)
	if q > 0 {
		p = -p
	}
	q = math.Abs(q)
	inside := p > float64(q*(a-x.at)) && p < float64(q*(b-x.at))
	if !inside || math.Abs(p) >= math.Abs(q*before)/2 {
		return 0, false
	}
	return p / q, true
}

// narrow drops the part of [a, b] that the better of x and the new sample u
// shows to be without the maximum.
func narrow(a, b float64, x, u sample) (float64, float64) {
	inner, better := u, u.value >= x.value
	if better {
		inner = x
	}
	if (u.at >= x.at) == better {
		return inner.at, b
	}
	return a, inner.at
}

// rank takes the new sample u into the best three.
func rank(x, w, v, u sample) (sample, sample, sample) {
	switch {
	case u.value >= x.value:
		return u, x, w
	case u.value >= w.value || w.at == x.at:
		return x, u, w
	case u.value >= v.value || v.at == x.at || v.at == w.at:
		return x, w, u
	}
	return x, w, v
}

// Cross finds where f passes the level in [a, b], to 1e-12 of the interval or
// the last bits of the place, whichever is coarser. f has to be continuous
// with f(a) and f(b) on opposite sides of the level; if they are on one side,
// the end that is nearer to the level is given.
//
// Chandrupatla, A new hybrid quadratic/bisection algorithm, Advances in
// Engineering Software 28 (1997): inverse quadratic interpolation where its
// criterion holds, halving elsewhere.
func Cross(f func(float64) float64, a, b, level float64) float64 {
	x1, x2 := sample{a, f(a) - level}, sample{b, f(b) - level}
	end := best(x1, x2)
	if end.value == 0 || (x1.value < 0) == (x2.value < 0) {
		return end.at
	}
	least, share := 1e-12*math.Abs(b-a), 0.5
	for range 200 {
		x := x1.at + float64(share*(x2.at-x1.at))
		u := sample{x, f(x) - level}
		x3 := x2
		if (u.value < 0) == (x1.value < 0) {
			x3 = x1
		} else {
			x2 = x1
		}
		x1 = u
		near := best(x1, x2)
		width := math.Abs(x2.at - x1.at)
		tolerance := (least/2 + 2*roundoff*math.Abs(near.at)) / width
		if near.value == 0 || tolerance > 0.5 {
			return near.at
		}
		share = math.Min(math.Max(nextShare(x1, x2, x3), tolerance), 1-tolerance)
	}
	return best(x1, x2).at
}

func best(p, q sample) sample {
	if math.Abs(q.value) < math.Abs(p.value) {
		return q
	}
	return p
}

// nextShare is the share of the bracket x1..x2 at which to look next; x3 is
// the point that the bracket lost last.
func nextShare(x1, x2, x3 sample) float64 {
	xi := (x1.at - x2.at) / (x3.at - x2.at)
	phi := (x1.value - x2.value) / (x3.value - x2.value)
	if !(float64(phi*phi) < xi && float64((1-phi)*(1-phi)) < 1-xi) {
		return 0.5
	}
	f1, f2, f3 := x1.value, x2.value, x3.value
	slant := (x3.at - x1.at) / (x2.at - x1.at)
	return float64(f1/(f2-f1)*(f3/(f2-f3))) + float64(slant*(f1/(f3-f1))*(f2/(f3-f2)))
}
