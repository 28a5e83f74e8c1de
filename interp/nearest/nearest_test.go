package nearest

import (
	"math"
	"testing"
)

// within checks what every solution must hold, with arithmetic of its own: the
// limits to 1e-9 of themselves and the rounding of the positions, the hits to
// the last bit, the objective and the largest deviation, and the floor.
func within(t *testing.T, p Problem, s Solution) {
	t.Helper()
	if len(s.X) != len(p.Ref) {
		t.Fatalf("%d frames, want %d", len(s.X), len(p.Ref))
	}
	top, worst, sum := 0.0, 0.0, 0.0
	for i, x := range s.X {
		top = max(top, math.Abs(x))
		worst = max(worst, math.Abs(x-p.Ref[i]))
		sum += (x - p.Ref[i]) * (x - p.Ref[i]) / 2
	}
	limits := []float64{math.Inf(1), p.Speed / p.Rate, p.Acceleration / (p.Rate * p.Rate), p.Jerk / (p.Rate * p.Rate * p.Rate)}
	binomial := [][]float64{{}, {-1, 1}, {1, -2, 1}, {-1, 3, -3, 1}}
	for k := 1; k <= 3; k++ {
		if limits[k] == 0 || math.IsInf(limits[k], 1) {
			continue
		}
		for i := range max(0, len(s.X)-k) {
			d := 0.0
			for j, c := range binomial[k] {
				d += c * s.X[i+j]
			}
			if !(math.Abs(d) <= limits[k]*(1+1e-9)+top*0x1p-52*math.Exp2(float64(k+1))) {
				t.Fatalf("difference %d at frame %d is %.17g, limit %.17g", k, i, d, limits[k])
			}
		}
	}
	if p.Low != 0 || p.High != 0 {
		for i, x := range s.X {
			if slack := 1e-9 * (p.High - p.Low) / 2; !(x >= p.Low-slack && x <= p.High+slack) && !math.IsInf(slack, 1) {
				t.Fatalf("frame %d is at %v, travel %v to %v", i, x, p.Low, p.High)
			} else if math.IsInf(slack, 1) && !(x >= p.Low && x <= p.High) {
				t.Fatalf("frame %d is at %v, travel %v to %v", i, x, p.Low, p.High)
			}
		}
	}
	for _, h := range p.Hits {
		if s.X[h] != p.Ref[h] {
			t.Fatalf("hit at frame %d: %v, want %v", h, s.X[h], p.Ref[h])
		}
	}
	if math.Abs(s.Objective-sum) > 1e-12*sum || s.Largest != worst || len(s.X) > 0 && math.Abs(s.X[s.LargestAt]-p.Ref[s.LargestAt]) != worst {
		t.Fatalf("objective %v and largest %v at %d, want %v and %v", s.Objective, s.Largest, s.LargestAt, sum, worst)
	}
	if floor, _ := Floor(p.Ref, p.Rate, p.Speed); floor > worst+1e-8*p.Speed*float64(len(s.X))/p.Rate+1e-15*top {
		t.Fatalf("floor %v is above the largest deviation %v", floor, worst)
	}
	if !(s.Residual <= 1e-9) || !(s.Gap >= 0) || s.Iterations > 4*longest {
		t.Fatalf("residual %v, gap %v, %d iterations", s.Residual, s.Gap, s.Iterations)
	}
}
