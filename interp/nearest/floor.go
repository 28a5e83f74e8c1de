package nearest

import "math"

// Floor is the smallest worst-case deviation from the script that any motion
// under the speed limit alone can have, in the script's unit, and the first
// frame where it is forced. No trajectory can beat it, whatever its other
// limits. A speed of 0 or +Inf is no limit.
//
// With c the distance of a frame at full speed, the motions within e of r lie
// between max_j r[j]-c|i-j| less e and min_j r[j]+c|i-j| plus e (the upper and
// lower Lipschitz envelopes of r; E. J. McShane 1934, H. Whitney 1934): the
// floor is half their largest gap, and the mean of the envelopes attains it.
// O(n) work and memory.
func Floor(ref []float64, rate, speed float64) (worst float64, at int) {
	if len(ref) == 0 || !(speed > 0) || !(rate > 0) || math.IsInf(speed, 1) {
		return 0, 0
	}
	step := speed / rate
	gap := make([]float64, len(ref)) // the upper envelope, then its height over the lower
	upper, lower := math.Inf(-1), math.Inf(1)
	low := make([]float64, len(ref))
	for i, r := range ref {
		upper, lower = max(r, upper-step), min(r, lower+step)
		gap[i], low[i] = upper, lower
	}
	upper, lower = math.Inf(-1), math.Inf(1)
	for i := len(ref) - 1; i >= 0; i-- {
		upper, lower = max(gap[i], upper-step), min(low[i], lower+step)
		gap[i] = upper - lower
	}
	for i, g := range gap {
		if half := g / 2; half > worst {
			worst, at = half, i
		}
	}
	return worst, at
}
