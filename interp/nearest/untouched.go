package nearest

import (
	"math"
	"slices"
)

// seam is how many frames next to a change keep the solver's position, so that
// the step back to the script's own numbers is spread over the smallest ones.
const seam = 8

// restore puts the script itself in place of x where the two differ by no more
// than near, rounding left by the iterations, as long as that keeps the limits.
// The objective can only fall.
func (l limits) restore(x, script []float64, near float64) {
	n := len(x)
	for i := 0; i < n; i++ {
		from := i
		for i < n && math.Abs(x[i]-script[i]) <= near {
			i++
		}
		first, last := from+seam, i-seam
		if from == 0 {
			first = 0
		}
		if i == n {
			last = n
		}
		if first < last {
			l.restoreRun(x, script, first, last)
		}
	}
}

func (l limits) restoreRun(x, script []float64, first, last int) {
	kept := slices.Clone(x[first:last])
	copy(x[first:last], script[first:last])
	if !(l.excess(x[max(0, first-3):min(len(x), last+3)]) <= Grace) {
		copy(x[first:last], kept)
	}
}
