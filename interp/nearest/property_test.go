package nearest

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// script is a random script in degrees: rests, ramps, smooth moves, jumps and
// noise, each as long as a gesture.
func script(rng *rand.Rand, n int) []float64 {
	x := make([]float64, 0, n)
	at := rng.Float64()*120 - 60
	for len(x) < n {
		length := 1 + rng.IntN(120)
		to := rng.Float64()*120 - 60
		kind := rng.IntN(6)
		for i := 1; i <= length && len(x) < n; i++ {
			u := float64(i) / float64(length)
			switch kind {
			case 0, 1:
				x, to = append(x, at), at
			case 2:
				x = append(x, at+(to-at)*u)
			case 3:
				x = append(x, at+(to-at)*u*u*(3-2*u))
			case 4:
				x = append(x, to)
			case 5:
				x, to = append(x, at+rng.NormFloat64()*3), at
			}
		}
		at = to
	}
	return x
}

// rig is a random choice of limits, some missing.
func rig(rng *rand.Rand) Problem {
	pick := func(v ...float64) float64 { return v[rng.IntN(len(v))] }
	p := Problem{Rate: pick(30, 50, 60), Speed: pick(0, 60, 120, 350), Acceleration: pick(0, 500, 1000, 8000),
		Jerk: pick(0, 3e4, 1.2e5, math.Inf(1))}
	if rng.IntN(3) == 0 {
		p.Low, p.High = pick(math.Inf(-1), -40, -30), pick(30, 45, math.Inf(1))
	}
	return p
}

// length is small as often as not.
func length(rng *rand.Rand) int {
	if rng.IntN(2) == 0 {
		return rng.IntN(8)
	}
	return rng.IntN(1500)
}

func TestRandomScripts(t *testing.T) {
	iterations := 0
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 2))
		p := rig(rng)
		p.Ref = script(rng, length(rng))
		s, err := Solve(p)
		if err != nil {
			t.Fatalf("script %d: %v", seed, err)
		}
		within(t, p, s)
		if s.Gap > 1e-8*s.Objective+1e-12 {
			t.Errorf("script %d: gap %g at objective %g", seed, s.Gap, s.Objective)
		}
		iterations = max(iterations, s.Iterations)
		// What the axis can do is returned as it is.
		p.Ref = s.X
		again, err := Solve(p)
		if err != nil || again.Iterations != 0 || !slices.Equal(again.X, s.X) {
			t.Errorf("script %d: a motion within the limits was changed, %v", seed, err)
		}
	}
	if iterations > 25 {
		t.Errorf("%d iterations, some 15 to 20 are usual", iterations)
	}
}

// TestRandomHits puts hits on a motion that the axis can just do, so that they
// can be met, though often only along the limits, and spoils the script elsewhere.
func TestRandomHits(t *testing.T) {
	for seed := range uint64(200) {
		rng := rand.New(rand.NewPCG(seed, 3))
		p := rig(rng)
		p.Ref = script(rng, length(rng))
		motion, err := Solve(p)
		if err != nil {
			t.Fatalf("script %d: %v", seed, err)
		}
		p.Ref = slices.Clone(motion.X)
		gap := 1 + rng.IntN(60)
		for i := range p.Ref {
			if rng.IntN(gap) == 0 {
				p.Hits = append(p.Hits, i)
			} else {
				p.Ref[i] += 3 * rng.NormFloat64()
			}
		}
		s, err := Solve(p)
		if err != nil {
			t.Errorf("script %d, %d hits on %d frames: %v", seed, len(p.Hits), len(p.Ref), err)
			continue
		}
		within(t, p, s)
		bound := 0.0 // the motion that the hits came from is one candidate
		for i, x := range motion.X {
			bound += (x - p.Ref[i]) * (x - p.Ref[i]) / 2
		}
		if s.Objective > bound*(1+1e-8)+s.Gap+1e-9 {
			t.Errorf("script %d: objective %g, a known motion has %g", seed, s.Objective, bound)
		}
	}
}

// TestLimits: a wider limit never makes the nearest motion further.
func TestLimits(t *testing.T) {
	for seed := range uint64(60) {
		rng := rand.New(rand.NewPCG(seed, 4))
		p := rig(rng)
		p.Ref = script(rng, 300)
		narrow, err := Solve(p)
		if err != nil {
			t.Fatal(err)
		}
		p.Speed, p.Acceleration, p.Jerk = p.Speed*1.1, p.Acceleration*1.3, p.Jerk*1.2
		wide, err := Solve(p)
		if err != nil {
			t.Fatal(err)
		}
		if wide.Objective > narrow.Objective*(1+1e-9)+wide.Gap {
			t.Errorf("script %d: objective %g grew to %g", seed, narrow.Objective, wide.Objective)
		}
	}
}

// TestScale solves one script in units from yoctometres to light years, and far
// from the origin.
func TestScale(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 5))
	base := Problem{Ref: script(rng, 500), Rate: 60, Speed: 120, Acceleration: 1000, Jerk: 3e4, Low: -50, High: 50}
	want, err := Solve(base)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ unit, origin, tolerance float64 }{
		{1e-100, 0, 1e-7}, {1e-24, 0, 1e-7}, {1e-6, 0, 1e-7}, {1e16, 0, 1e-7}, {1e100, 0, 1e-7}, {1, 1e6, 1e-6}, {1, -1e9, 1e-3},
	} {
		p := base
		p.Ref = make([]float64, len(base.Ref))
		for i, r := range base.Ref {
			p.Ref[i] = c.origin + c.unit*r
		}
		p.Speed, p.Acceleration, p.Jerk = c.unit*p.Speed, c.unit*p.Acceleration, c.unit*p.Jerk
		p.Low, p.High = c.origin+c.unit*p.Low, c.origin+c.unit*p.High
		s, err := Solve(p)
		if err != nil {
			t.Errorf("unit %g, origin %g: %v", c.unit, c.origin, err)
			continue
		}
		within(t, p, s)
		for i, x := range s.X {
			if math.Abs((x-c.origin)/c.unit-want.X[i]) > 1e3*c.tolerance {
				t.Errorf("unit %g, origin %g, frame %d: %v, want %v", c.unit, c.origin, i, (x-c.origin)/c.unit, want.X[i])
				break
			}
		}
	}
}

// TestAbsurdLimits asks for motion between nearly nothing and everything. The
// limits are always kept; the least squares are found unless a limit a frame is
// below some 1e-8 of the script's range, and Gap tells.
func TestAbsurdLimits(t *testing.T) {
	ref := script(rand.New(rand.NewPCG(2, 6)), 400)
	sizes := []float64{1e-300, 1e-30, 1e-12, 1e-6, 1e-3, 1, 1e6, 1e12, 1e300}
	for _, v := range sizes {
		for _, a := range sizes {
			for _, j := range sizes {
				p := Problem{Ref: ref, Rate: 60, Speed: v, Acceleration: a, Jerk: j}
				s, err := Solve(p)
				if err != nil {
					t.Errorf("limits %g, %g, %g: %v", v, a, j, err)
					continue
				}
				within(t, p, s)
				if v >= 1 && a >= 1 && j >= 1e6 && s.Gap > 1e-8*s.Objective {
					t.Errorf("limits %g, %g, %g: gap %g at objective %g", v, a, j, s.Gap, s.Objective)
				}
			}
		}
	}
}

func TestMistakes(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, p := range []Problem{
		{Ref: []float64{0, nan}, Rate: 60},
		{Ref: []float64{0, inf}, Rate: 60},
		{Ref: []float64{0, 1}},
		{Ref: []float64{0, 1}, Rate: nan},
		{Ref: []float64{0, 1}, Rate: 60, Speed: -1},
		{Ref: []float64{0, 1}, Rate: 60, Jerk: nan},
		{Ref: []float64{0, 1}, Rate: 60, Low: 1, High: 0},
		{Ref: []float64{0, 1}, Rate: 60, Low: nan, High: 1},
		{Ref: []float64{0, 1}, Rate: 60, Low: inf, High: inf},
		{Ref: []float64{0, 1}, Rate: 60, Hits: []int{2}},
		{Ref: []float64{0, 1}, Rate: 60, Hits: []int{-1}},
		{Ref: []float64{0, 1}, Rate: 60, Hits: []int{1, 0}},
		{Ref: []float64{0, 1}, Rate: 60, Hits: []int{1, 1}},
	} {
		if s, err := Solve(p); err == nil {
			t.Errorf("%+v: %+v", p, s)
		}
	}
}

// TestWithoutTravel: an axis with one position only.
func TestWithoutTravel(t *testing.T) {
	p := Problem{Ref: []float64{1, 2, 5, 9}, Rate: 60, Speed: 100, Low: 5, High: 5, Hits: []int{2}}
	s, err := Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	within(t, p, s)
	if s.Objective != (16.0+9+16)/2 {
		t.Errorf("objective %v", s.Objective)
	}
}

// TestUntouched: what needs no change keeps its very numbers.
func TestUntouched(t *testing.T) {
	p := Problem{Rate: 60, Speed: 120, Acceleration: 1000, Jerk: 3e4}
	for i := range 1200 {
		switch {
		case i < 400:
			p.Ref = append(p.Ref, 1.0/3)
		case i < 800:
			p.Ref = append(p.Ref, 41.1)
		default:
			p.Ref = append(p.Ref, 41.1+7*math.Sin(float64(i-800)/60))
		}
	}
	s, err := Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	within(t, p, s)
	// 41 degrees at 120 degrees/s are 20 frames and some more to start and stop.
	for i, x := range s.X {
		if (i < 360 || i > 440 && i < 760 || i > 840) && x != p.Ref[i] {
			t.Fatalf("frame %d: %.17g, script %.17g", i, x, p.Ref[i])
		}
	}
	if s.X[400] == p.Ref[400] || s.Objective == 0 {
		t.Errorf("the jump was kept")
	}
}

// TestDeterminism: the same bits every time.
func TestDeterminism(t *testing.T) {
	p := Problem{Ref: script(rand.New(rand.NewPCG(3, 9)), 2000), Rate: 50, Speed: 200, Acceleration: 900, Jerk: 2e4}
	first, err := Solve(p)
	if err != nil {
		t.Fatal(err)
	}
	if second, _ := Solve(p); !slices.Equal(first.X, second.X) || first.Iterations != second.Iterations {
		t.Error("two runs differ")
	}
}

// TestTravelAlone: without other limits the nearest position within the travel
// is the nearest motion.
func TestTravelAlone(t *testing.T) {
	for _, c := range []struct{ low, high float64 }{{-10, 20}, {math.Inf(-1), 5}, {-5, math.Inf(1)}, {90, 95}} {
		p := Problem{Ref: script(rand.New(rand.NewPCG(4, 10)), 500), Rate: 60, Low: c.low, High: c.high}
		s, err := Solve(p)
		if err != nil {
			t.Fatal(err)
		}
		within(t, p, s)
		for i, r := range p.Ref {
			if want := min(max(r, c.low), c.high); math.Abs(s.X[i]-want) > 1e-4 {
				t.Errorf("travel %v to %v, frame %d: %v, want %v", c.low, c.high, i, s.X[i], want)
				break
			}
		}
	}
}
