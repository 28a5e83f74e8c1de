package nearest

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestFloor compares with the definition: two script positions further apart
// than full speed covers force half of the difference on one of them, and the
// largest such half is attained by a motion that keeps the speed.
func TestFloor(t *testing.T) {
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 7))
		ref := script(rng, rng.IntN(120))
		rate, speed := 50.0, rng.Float64()*400
		want := 0.0
		for i, a := range ref {
			for j, b := range ref[:i] {
				want = max(want, (math.Abs(a-b)-speed/rate*float64(i-j))/2)
			}
		}
		got, at := Floor(ref, rate, speed)
		if math.Abs(got-want) > 1e-9 || at < 0 || at > 0 && at >= len(ref) {
			t.Errorf("script %d: floor %v at %d, want %v", seed, got, at, want)
		}
		if len(ref) > 0 && math.Abs(attained(ref, speed/rate)-want) > 1e-9 {
			t.Errorf("script %d: the mean of the envelopes is off by %v, floor %v", seed, attained(ref, speed/rate), want)
		}
	}
}

// attained is the worst deviation of the mean of the envelopes, each from its
// definition; NaN should it pass the speed.
func attained(ref []float64, step float64) float64 {
	x := make([]float64, len(ref))
	for i := range ref {
		upper, lower := math.Inf(-1), math.Inf(1)
		for j, r := range ref {
			way := step * math.Abs(float64(i-j))
			upper, lower = max(upper, r-way), min(lower, r+way)
		}
		x[i] = (upper + lower) / 2
	}
	worst := 0.0
	for i, r := range ref {
		worst = max(worst, math.Abs(x[i]-r))
		if i > 0 && math.Abs(x[i]-x[i-1]) > step+1e-9 {
			return math.NaN()
		}
	}
	return worst
}

func TestFloorByHand(t *testing.T) {
	jump := []float64{0, 0, 0, 10, 10, 10}
	for _, c := range []struct {
		ref   []float64
		speed float64
		worst float64
		at    int
	}{
		// 10 in one frame where 2 are possible: 4 too far each way, first at frame 2.
		{jump, 20, 4, 2},
		{jump, 100, 0, 0},
		{jump, 0, 0, 0},
		{jump, math.Inf(1), 0, 0},
		{nil, 20, 0, 0},
		{[]float64{3}, 20, 0, 0},
	} {
		if worst, at := Floor(c.ref, 10, c.speed); math.Abs(worst-c.worst) > 1e-12 || at != c.at {
			t.Errorf("%v at %v/s: %v at %d, want %v at %d", c.ref, c.speed, worst, at, c.worst, c.at)
		}
	}
}
