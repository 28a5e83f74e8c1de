package nearest

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// zigzag has the hits at the turns of a triangle wave of the given number of
// frames a side.
func zigzag(sides, frames int, height float64) (ref []float64, hits []int) {
	for i := range sides*frames + 1 {
		u := float64(i%(2*frames)) / float64(frames)
		ref = append(ref, height*min(u, 2-u))
		if i%frames == 0 {
			hits = append(hits, i)
		}
	}
	return ref, hits
}

func TestInfeasible(t *testing.T) {
	line := make([]float64, 400)
	for i := range line {
		line[i] = 0.5 * float64(i)
	}
	jump := append(make([]float64, 100), line[100:]...)
	for _, c := range []struct {
		name    string
		p       Problem
		want    Infeasible
		message string
	}{
		{"outside of the travel", Problem{Ref: line, Rate: 60, Speed: 100, Low: 0, High: 90, Hits: []int{10, 200}},
			Infeasible{From: 200, To: 200, Outside: 10}, "frame 200 lies 10 outside"},
		// 50 degrees in 0.1 s at 100 degrees/s: 0.5 s.
		{"speed", Problem{Ref: jump, Rate: 60, Speed: 100, Acceleration: 1e4, Hits: []int{0, 94, 100, 200}},
			Infeasible{From: 94, To: 100, Have: 0.1, Need: 0.5}, "at least 0.5 s are needed"},
		// Speed alone again, on one frame.
		{"next frame", Problem{Ref: jump, Rate: 50, Speed: 100, Hits: []int{99, 100}},
			Infeasible{From: 99, To: 100, Have: 0.02, Need: 0.5}, "frames 99 and 100"},
		// Frames only one apart decide the difference themselves: 1 degree each way,
		// second difference 2, limit 1 (at 10 frames a second, 100 degrees/s^2).
		{"three frames", Problem{Ref: []float64{0, 0, 0, 1, 0, 0, 0}, Rate: 10, Acceleration: 100, Hits: []int{2, 3, 4}},
			Infeasible{From: 2, To: 4, Between: 1, Have: 0.2, Need: 0.2 * math.Sqrt2}, "the 3 hits from frame 2 to frame 4"},
	} {
		s, err := Solve(c.p)
		var got *Infeasible
		if !errors.As(err, &got) {
			t.Errorf("%s: %v, %v", c.name, s.Largest, err)
			continue
		}
		if got.From != c.want.From || got.To != c.want.To || got.Between != c.want.Between ||
			math.Abs(got.Need-c.want.Need) > 1e-3*c.want.Need || math.Abs(got.Have-c.want.Have) > 1e-12 ||
			math.Abs(got.Outside-c.want.Outside) > 1e-12 || !strings.Contains(err.Error(), c.message) {
			t.Errorf("%s: %+v, want %+v\n%v", c.name, *got, c.want, err)
		}
	}
}

// TestZigzag meets a published constant: the smoothest function through the
// turns of a zigzag of amplitude E and half period h is Euler's perfect spline,
// whose greatest second derivative is 8 E / h^2 (J. Favard, 1940; I. Schoenberg,
// Cardinal Spline Interpolation, 1973, lecture 4). With h = 0.5 s and E = 5
// degrees: 160 degrees/s^2, on frames too, for an even number of them a side.
// A zigzag with an end can be a little smoother near the end.
func TestZigzag(t *testing.T) {
	ref, hits := zigzag(40, 30, 10)
	problem := func(a float64) Problem { return Problem{Ref: ref, Rate: 60, Acceleration: a, Hits: hits} }
	for _, a := range []float64{160, 160.1, 162, 200, 1000, 1e5} {
		p := problem(a)
		s, err := Solve(p)
		if err != nil {
			t.Errorf("%v degrees/s^2: %v", a, err)
			continue
		}
		within(t, p, s)
	}
	for _, a := range []float64{1, 10, 100, 150, 159} {
		_, err := Solve(problem(a))
		var got *Infeasible
		if !errors.As(err, &got) || got.Between == 0 {
			t.Errorf("%v degrees/s^2: %v", a, err)
			continue
		}
		// The run is a shortest one: without its first or last hit it can be met,
		// and in the time called needed, it can be too.
		run := Problem{Ref: ref, Rate: 60, Acceleration: a}
		for _, h := range hits {
			if h > got.From && h <= got.To {
				run.Hits = append(run.Hits, h)
			}
		}
		if _, err := Solve(run); err != nil {
			t.Errorf("%v degrees/s^2, without frame %d: %v", a, got.From, err)
		}
		run.Hits = append([]int{got.From}, run.Hits...)
		factor := got.Need / got.Have
		for _, c := range []struct {
			factor float64
			meets  bool
		}{{1.0001 * factor, true}, {0.999 * factor, false}} {
			run.Acceleration = a * c.factor * c.factor
			if _, err := Solve(run); (err == nil) != c.meets {
				t.Errorf("%v degrees/s^2, %v times as slow: %v", a, c.factor, err)
			}
		}
	}
	// Three hits alone: to rise by 10 and fall by 10 with free speeds takes
	// 20 = a T^2/4 in all, so T = sqrt(80/a).
	_, err := Solve(problem(20))
	var got *Infeasible
	if !errors.As(err, &got) || math.Abs(got.Need-2) > 2e-3 || got.Between != 1 {
		t.Errorf("three hits: %v", err)
	}
}
