package fit

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"limberjack/interp/ease"
	"limberjack/interp/spline"
)

// keysOf counts the keys through samples that one ease of the language takes to stay
// within a tolerance of a smoothed take: keys go in where the curve is farthest off and
// out again where they can be spared. That is a plainer search than Fit's, the same for
// every ease.
func keysOf(name string, t, y []float64, tolerance float64) int {
	e, err := ease.Parse(name)
	if err != nil {
		panic(err)
	}
	knots := []int{0, len(t) - 1}
	for {
		at, worst := farthest(e, t, y, knots)
		if worst <= tolerance {
			break
		}
		i, _ := slices.BinarySearch(knots, at)
		knots = slices.Insert(knots, i, at)
	}
	for i := len(knots) - 2; i > 0; i-- {
		fewer := slices.Delete(slices.Clone(knots), i, i+1)
		if _, worst := farthest(e, t, y, fewer); worst <= tolerance {
			knots = fewer
		}
	}
	return len(knots)
}

// splineKinds are the eases that are splines.
var splineKinds = map[ease.Spline]spline.Kind{ease.Pchip: spline.Pchip, ease.Akima: spline.Akima,
	ease.Cubic: spline.Cubic, ease.Natural: spline.Natural, ease.CatmullRom: spline.CatmullRom}

// farthest gives the sample, not a knot, that is farthest from the curve.
func farthest(e *ease.Ease, t, y []float64, knots []int) (at int, worst float64) {
	x, v := make([]float64, len(knots)), make([]float64, len(knots))
	for i, k := range knots {
		x[i], v[i] = t[k], y[k]
	}
	var segments []spline.Cubic3
	if kind, ok := splineKinds[e.Spline()]; ok {
		segments, _ = spline.Build(nil, kind, x, v)
	}
	for i := range len(knots) - 1 {
		for k := knots[i] + 1; k < knots[i+1]; k++ {
			u := t[k] - x[i]
			got := 0.0
			if segments != nil {
				c := segments[i]
				got = c[0] + u*(c[1]+u*(c[2]+u*c[3]))
			} else {
				share, _, _, _ := e.At(u / (x[i+1] - x[i]))
				got = v[i] + share*(v[i+1]-v[i])
			}
			if d := math.Abs(got - y[k]); d > worst {
				at, worst = k, d
			}
		}
	}
	return at, worst
}

// TestEaseOfAHand is why keys are given cubic or natural: of all eases, those two take
// the fewest keys for a hand's motion.
func TestEaseOfAHand(t *testing.T) {
	names := []string{"cubic", "natural", "akima", "catmull-rom", "pchip", "linear", "min-jerk", "in-out", "sine-in-out", "s-curve"}
	sums := map[string]int{}
	ours := 0
	for seed := range uint64(4) {
		times, values := hand(seed+20, 8, 60, 0.2)
		goal, err := smooth(times, values, series{times, values}.weights(), DefaultCutoff)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range names {
			sums[name] += keysOf(name, times, goal, 1)
		}
		ours += len(fitted(t, times, values, Options{Tolerance: 1}).Keys)
	}
	text := ""
	for _, name := range names {
		text += fmt.Sprintf(" %s %d", name, sums[name])
		if name != "cubic" && name != "natural" && sums[name] <= max(sums["cubic"], sums["natural"]) {
			t.Errorf("%s takes %d keys, and cubic %d", name, sums[name], sums["cubic"])
		}
	}
	t.Logf("keys by the plain search:%s; by Fit %d", text, ours)
	if ours > min(sums["cubic"], sums["natural"]) {
		t.Errorf("Fit takes %d keys, and a plain search %d", ours, sums["cubic"])
	}
}
