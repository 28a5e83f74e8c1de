package nearest

import "math"

// epsilon is the distance from 1 to the next larger number.
const epsilon = 0x1p-52

// limits holds the bounds on the forward differences of order 0 (the travel) to
// 3, in the unit of the script; an infinite bound is none.
type limits struct {
	low, high float64
	step      [4]float64 // orders 1 to 3: speed, acceleration, jerk a frame
}

func (p Problem) limits() limits {
	l := limits{low: p.Low, high: p.High}
	if p.Low == 0 && p.High == 0 {
		l.low, l.high = math.Inf(-1), math.Inf(1)
	}
	bound := func(limit float64, order int) float64 {
		if limit == 0 || math.IsInf(limit, 1) {
			return math.Inf(1)
		}
		for range order {
			limit /= p.Rate
		}
		return limit
	}
	l.step = [4]float64{math.Inf(1), bound(p.Speed, 1), bound(p.Acceleration, 2), bound(p.Jerk, 3)}
	return l
}

// stretched is what the limits become when time passes factor times as slowly.
func (l limits) stretched(factor float64) limits {
	for k := 1; k < len(l.step); k++ {
		for range k {
			l.step[k] *= factor
		}
	}
	return l
}

// scaled has all lengths divided by unit, from the origin given.
func (l limits) scaled(origin, unit float64) limits {
	l.low, l.high = (l.low-origin)/unit, (l.high-origin)/unit
	for k := range l.step {
		l.step[k] /= unit
	}
	return l
}

// widened by a part of themselves.
func (l limits) widened(part float64) limits {
	for k := range l.step {
		l.step[k] += float64(l.step[k] * part)
	}
	if half := (l.high - l.low) / 2; !math.IsInf(half, 1) {
		l.low -= float64(half * part)
		l.high += float64(half * part)
	}
	return l
}

// excess is the most by which x passes a limit, as a part of the limit, beyond
// what the rounding of x itself can cause; 0 when x is within.
func (l limits) excess(x []float64) float64 {
	top := 0.0
	for _, v := range x {
		top = max(top, math.Abs(v))
	}
	var worst [4]float64
	for i, v := range x {
		worst[0] = max(worst[0], l.low-v, v-l.high)
		if i < 1 {
			continue
		}
		speed := v - x[i-1]
		worst[1] = max(worst[1], math.Abs(speed))
		if i < 2 {
			continue
		}
		bend := speed - (x[i-1] - x[i-2])
		worst[2] = max(worst[2], math.Abs(bend))
		if i < 3 {
			continue
		}
		worst[3] = max(worst[3], math.Abs(bend-((x[i-1]-x[i-2])-(x[i-2]-x[i-3]))))
	}
	out := part(worst[0]-rounding(0, top), (l.high-l.low)/2)
	for k := 1; k < len(worst); k++ {
		out = max(out, part(worst[k]-l.step[k]-rounding(k, top), l.step[k]))
	}
	return out
}

func part(over, limit float64) float64 {
	if over <= 0 {
		return 0
	}
	if math.IsInf(limit, 1) { // one-sided travel has no width to compare with
		return over
	}
	return over / limit
}

// rounding is the error of a forward difference of that order between numbers
// of size top that are each rounded to the nearest.
func rounding(order int, top float64) float64 {
	return float64(math.Ldexp(epsilon, order) * top)
}
