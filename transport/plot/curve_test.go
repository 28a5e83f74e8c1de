package plot

import (
	"math"
	"testing"

	"limberjack/interp"
)

// dense gives the least and greatest of a curve between two times by brute force.
func dense(c *interp.Curve, from, to float64) (lo, hi float64) {
	const n = 150
	lo, hi = math.Inf(1), math.Inf(-1)
	for i := range n + 1 {
		t := from + (to-from)*float64(i)/n
		for _, v := range []float64{c.Value(t), c.Before(math.Max(t, 1e-12)).Position} {
			if i == 0 && t > 0 && v == c.Before(t).Position && v != c.Value(t) {
				continue // what came before the column
			}
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	return lo, hi
}

// spiky is a motion whose spikes are far narrower than a column.
const spiky = `length: 600s
tracks:
  axis-00:
    - [0s, 0]
    - [100s, 0, hold]
    - [100.0005s, 80, linear]
    - [100.001s, 0, linear]
    - [300s, 10, elastic-out]
    - [300.002s, -85, in-out]
    - [300.004s, 10, back-in]
    - [400s, 10, hold]
    - [500s, 50, "steps(40, jump-both)"]
    - [510s, -50, bounce-out]
    - [590s, 20, sine-in-out]
    - [599.9999s, 20, hold]
    - [600s, 60, hold]
layers:
  - {axis: axis-01, add: {sine: {amount: 20, rate: 3Hz}}, from: 20s, to: 80s, fade: 2s}
  - {axis: axis-01, add: {wiggle: {amount: 10, rate: 2Hz, seed: 3}}, from: 100s, to: 500s, fade: 1s}
`

func TestColumnsHoldTheExtremes(t *testing.T) {
	motions := map[string]*interp.Performance{
		"spiky": made(t, 2, 0, spiky), "boat": keeper(t, "boat.motion.yaml"), "lamp": keeper(t, "lamp.motion.yaml"),
		"busy": made(t, 3, 0, busy(3, 0, 40, 0.7)),
	}
	for name, p := range motions {
		for _, a := range p.Axes {
			for _, n := range []int{1, 1416} {
				cols := columnsOf(a.Part, 0, p.Length, n)
				for k, c := range cols {
					from, to := p.Length*float64(k)/float64(n), p.Length*float64(k+1)/float64(n)
					lo, hi := dense(a.Part, from, to)
					// Columns may know more than the samples, never less, but
					// for rounding where a jump lies on an edge.
					if c.lo > lo+1e-6 && !jumpsNear(a.Part, from, to) || c.hi < hi-1e-6 && !jumpsNear(a.Part, from, to) {
						t.Fatalf("%s %s: column %d of %d holds %g to %g, the curve %g to %g", name, a.Spec.Name, k, n, c.lo, c.hi, lo, hi)
					}
					if c.first < c.lo || c.last > c.hi || c.last < c.lo || c.first > c.hi {
						t.Fatalf("%s %s: column %d of %d has edges outside its extremes: %+v", name, a.Spec.Name, k, n, c)
					}
				}
				checkWhole(t, name+" "+a.Spec.Name, a.Part, cols)
			}
		}
	}
}

// jumpsNear reports whether the curve jumps within rounding of an edge of a column.
func jumpsNear(c *interp.Curve, from, to float64) bool {
	for _, t := range []float64{from, to} {
		if t > 1e-9 && math.Abs(c.Value(t-1e-9)-c.Value(t+1e-9)) > 1e-5 {
			return true
		}
	}
	return false
}

// checkWhole compares all columns with the exact extremes of the curve.
func checkWhole(t *testing.T, name string, c *interp.Curve, cols []column) {
	t.Helper()
	lo, hi, _ := RangeOf(c)
	gotLo, gotHi := math.Inf(1), math.Inf(-1)
	for _, col := range cols {
		gotLo, gotHi = math.Min(gotLo, col.lo), math.Max(gotHi, col.hi)
	}
	slack := 1e-6 * (1 + math.Abs(lo) + math.Abs(hi))
	if math.Abs(gotLo-lo) > slack || math.Abs(gotHi-hi) > slack {
		t.Errorf("%s: columns reach %g to %g, the curve %g to %g", name, gotLo, gotHi, lo, hi)
	}
}

func TestLinesReachTheExtremesOfTheirColumns(t *testing.T) {
	p := made(t, 2, 0, spiky)
	y := func(v float64) float64 { return 100 - v/2 }
	for _, a := range p.Axes {
		cols := columnsOf(a.Part, 0, p.Length, 1416)
		top, bottom := make([]float64, len(cols)), make([]float64, len(cols))
		for i := range cols {
			top[i], bottom[i] = math.Inf(1), math.Inf(-1)
		}
		for _, r := range runsOf(cols, 0, 0.5, y) {
			reach(r.points, top, bottom)
		}
		for i, c := range cols {
			if math.Abs(top[i]-y(c.hi)) > 2*slack || math.Abs(bottom[i]-y(c.lo)) > 2*slack {
				t.Fatalf("%s: in column %d the line spans %g to %g, the curve %g to %g", a.Spec.Name, i, top[i], bottom[i], y(c.hi), y(c.lo))
			}
		}
	}
}

// reach widens each half-point column by the part of a line that lies in it.
func reach(points []point, top, bottom []float64) {
	take := func(i int, y float64) {
		if i >= 0 && i < len(top) {
			top[i], bottom[i] = math.Min(top[i], y), math.Max(bottom[i], y)
		}
	}
	for k := 1; k < len(points); k++ {
		a, b := points[k-1], points[k]
		for i := int(math.Floor(a.x / 0.5)); float64(i)*0.5 <= b.x; i++ {
			x0, x1 := math.Max(a.x, float64(i)*0.5), math.Min(b.x, float64(i+1)*0.5)
			if x1 < x0 || x1 == x0 && a.x != b.x {
				continue
			}
			if a.x == b.x {
				// An upright stroke on an edge joins two columns and belongs to neither.
				if a.x != float64(i)*0.5 {
					take(i, a.y)
					take(i, b.y)
				}
				continue
			}
			for _, x := range []float64{x0, x1} {
				take(i, a.y+(b.y-a.y)*(x-a.x)/(b.x-a.x))
			}
		}
	}
}

func TestStillColumnsAreThoseWithoutMotion(t *testing.T) {
	p := made(t, 1, 0, "length: 10s\ntracks:\n  axis-00: [[2s, 0], [4s, 30, linear], [6s, 30, linear], [6.001s, 10, hold]]\n")
	cols := columnsOf(p.Axes[0].Part, 0, 10, 1000)
	still := restingColumns(cols)
	for k, s := range still {
		at := (float64(k) + 0.5) / 100
		moves := at > 2 && at < 4
		jumps := math.Abs(at-6) < 0.011
		if !jumps && s == moves {
			t.Errorf("at %g s: drawn as still %v, moves %v", at, s, moves)
		}
		if jumps && at > 6 && at < 6.01 && s {
			t.Errorf("the jump at %g s is drawn as rest", at)
		}
	}
}
