package nearest

import (
	"math"
	"slices"
)

// untouched is the deviation taken for none, in ranges of the script.
const untouched = 1e-8

// nearest runs the interior point method in numbers of a handy size: from the
// middle of the script, in a power of two near its range.
func (l limits) nearest(script []float64, hits []int, goal state, stiffest float64) ([]float64, outcome) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range script {
		inside := min(max(v, l.low), l.high)
		low, high = min(low, v, inside), max(high, v, inside)
	}
	origin := low + float64((high-low)/2)
	if l.high-l.low <= rounding(2, max(math.Abs(low), math.Abs(high))) {
		return l.pinned(script, hits)
	}
	_, exponent := math.Frexp(high - low)
	unit := math.Ldexp(1, exponent)
	ref := make([]float64, len(script))
	for i, v := range script {
		ref[i] = (v - origin) / unit
	}
	scaled := l.scaled(origin, unit)
	scaled.prune()
	p := newInterior(ref, hits, scaled)
	out := p.run(goal, stiffest)
	x := p.x
	for i, v := range x {
		x[i] = min(max(origin+float64(v*unit), l.low), l.high)
	}
	for _, h := range hits {
		x[h] = script[h]
	}
	if goal == solved && out.state != stuck {
		l.restore(x, script, float64(untouched*unit))
	}
	out.gap = float64(out.gap*unit) * unit
	return x, out
}

// prune removes bounds that nothing of size 1 comes near, and widens those that
// the rounding of numbers of that size would break.
func (l *limits) prune() {
	const far = 1e100
	if l.low < -far {
		l.low = math.Inf(-1)
	}
	if l.high > far {
		l.high = math.Inf(1)
	}
	for k := 1; k < len(l.step); k++ {
		if l.step[k] = max(l.step[k], rounding(k, 0.25)); l.step[k] > far {
			l.step[k] = math.Inf(1)
		}
	}
}

// pinned is the motion of an axis without travel.
func (l limits) pinned(script []float64, hits []int) ([]float64, outcome) {
	x := slices.Repeat([]float64{l.low + float64((l.high-l.low)/2)}, len(script))
	for _, h := range hits {
		x[h] = script[h]
	}
	return x, outcome{state: solved, iterations: 1}
}
