package warp

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// straight is an axis that goes the distance d in one second of script time,
// on the given grid.
func straight(d, speed, acc float64, s ...float64) Path {
	n := len(s) - 1
	a := Axis{Speed: speed, Acceleration: acc, Q1: make([]float64, 3*n), Q2: make([]float64, 3*n)}
	for i := range a.Q1 {
		a.Q1[i] = d
	}
	return Path{S: s, Axes: []Axis{a}}
}

func grid(n int) []float64 {
	s := make([]float64, n+1)
	for i := range s {
		s[i] = float64(i) / float64(n)
	}
	return s
}

// TestClosedForms checks uniformly accelerated motion along a straight path
// (any handbook of mechanics): bang-bang takes 2 sqrt(d/a); with a top speed v
// below sqrt(d a), d/v + v/a; from v0 to v1, the same with the parts saved.
func TestClosedForms(t *testing.T) {
	for _, c := range []struct {
		name       string
		p          Path
		start, end float64
		cap        float64
		want       float64
	}{
		{"bang-bang", straight(3, 0, 7, grid(2)...), 0, 0, 0, 2 * math.Sqrt(3.0/7)},
		{"bang-bang, many cells", straight(3, 0, 7, grid(1000)...), 0, 0, 0, 2 * math.Sqrt(3.0/7)},
		{"bang-bang, backwards", straight(-3, 0, 7, grid(10)...), 0, 0, 0, 2 * math.Sqrt(3.0/7)},
		{"bang-bang, uneven grid", straight(3, 0, 7, 0, 0.1, 0.35, 0.5, 0.97, 1), 0, 0, 0, 2 * math.Sqrt(3.0/7)},
		{"trapezoid", straight(4, 2, 2, grid(8)...), 0, 0, 0, 4.0/2 + 2.0/2},
		{"trapezoid by a cap", straight(4, 0, 2, grid(8)...), 0, 0, 0.5, 4.0/2 + 2.0/2},
		{"flying start", straight(4, 2, 2, grid(8)...), 0.5, 0, 0, 3.0/2 + 1},
		{"flying start and end", straight(4, 2, 2, grid(8)...), Free, Free, 0, 2},
		{"slow end", straight(4, 2, 2, 0, 0.25, 1-3.0/16, 1), 0, 0.25, 0, 1 + (3-0.75)/2 + 0.5},
		{"speed alone", straight(4, 2, 0, grid(8)...), Free, Free, 0, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.cap > 0 {
				capped(&c.p, c.cap)
			}
			s, err := Solve(c.p, c.start, c.end)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(s.Duration-c.want) > 1e-10*c.want {
				t.Errorf("%.15g s, want %.15g s", s.Duration, c.want)
			}
		})
	}
}

// TestConvergence has the switch of a bang-bang inside a cell: the loss falls
// with the cell.
func TestConvergence(t *testing.T) {
	want := 2 * math.Sqrt(3.0/7)
	for _, n := range []int{11, 101, 1001} {
		s, err := Solve(straight(3, 0, 7, grid(n)...), 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		if off := s.Duration/want - 1; off < -1e-12 || off > 1/float64(n) {
			t.Errorf("%d cells: %.3g too long", n, off)
		}
	}
}

// TestNothingMoves keeps the written rate where no limit applies.
func TestNothingMoves(t *testing.T) {
	for name, p := range map[string]Path{
		"still":     straight(0, 1, 1, grid(7)...),
		"no limits": straight(5, 0, 0, grid(7)...),
		"infinite":  straight(5, math.Inf(1), math.Inf(1), grid(7)...),
	} {
		for _, cap := range []float64{0, 1, math.Inf(1)} {
			if cap > 0 {
				capped(&p, cap)
			}
			s, err := Solve(p, Free, Free)
			if err != nil {
				t.Fatal(err)
			}
			if math.Abs(s.Duration-1) > 1e-12 {
				t.Errorf("%s, cap %g: %g s, want 1 s", name, cap, s.Duration)
			}
		}
	}
}

// TestHold has a hold between two moves: the rate stays 1 there and is
// greater beside.
func TestHold(t *testing.T) {
	p := straight(1, 8, 50, grid(60)...)
	for i := range p.Axes[0].Q1 {
		// Two smooth moves, 3 u² (1-u)² 10 each, and stillness from 1/3 to 2/3.
		s := (float64(i/3) + 0.5*float64(i%3)) / 60
		u, sign := 3*s, 1.0
		if s >= 2.0/3 {
			u, sign = u-2, -1
		} else if s >= 1.0/3 {
			p.Axes[0].Q1[i], p.Axes[0].Q2[i] = 0, 0
			continue
		}
		p.Axes[0].Q1[i] = sign * 30 * u * u * (1 - u) * (1 - u) / 10
		p.Axes[0].Q2[i] = sign * 30 * 3 * (2*u*(1-u)*(1-u) - 2*u*u*(1-u)) / 10
	}
	s, err := Solve(p, Free, Free)
	if err != nil {
		t.Fatal(err)
	}
	for i, k := range s.Knots {
		if i >= 20 && i <= 40 && math.Abs(k.Rate-1) > 1e-12 {
			t.Errorf("rate %g in the hold, at %g s", k.Rate, k.Script)
		}
	}
	if r := s.Knots[10].Rate; r < 2 {
		t.Errorf("rate %g in mid-move, want more", r)
	}
}

// TestCornerStops has a velocity corner at grid point 2.
func TestCornerStops(t *testing.T) {
	p := straight(1, 0, 1, grid(4)...)
	for i := 6; i < 12; i++ {
		p.Axes[0].Q1[i] = -1
	}
	s, err := Solve(p, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if s.Knots[2].Rate != 0 {
		t.Errorf("rate %g at the corner, want 0", s.Knots[2].Rate)
	}
	if want := 2 * 2 * math.Sqrt(0.5); math.Abs(s.Duration-want) > 1e-10 {
		t.Errorf("%g s, want %g s", s.Duration, want)
	}
	p.Axes[0].Acceleration = 0
	p.Axes[0].Speed = 1
	if s, err = Solve(p, Free, Free); err != nil || math.Abs(s.Duration-1) > 1e-12 {
		t.Errorf("without an acceleration limit: %g s, %v; want 1 s", s.Duration, err)
	}
}

func TestInfeasible(t *testing.T) {
	held := straight(0, 0, 0, grid(4)...)
	motors(&held, 1, 3, 2.5)
	moved := straight(0, 0, 0, grid(4)...) // |3 - 2 s'²| <= 1
	motors(&moved, 0, 3, 1)
	for i := range moved.Sums[0].Terms[0].B {
		moved.Sums[0].Terms[0].B[i] = -2
	}
	stopped := straight(1, 1, 1, grid(4)...)
	stopped.MaxRate = []float64{1, 1, 0, 0, 1}
	for _, c := range []struct {
		name       string
		p          Path
		start, end float64
		i          int
		limit      Limit
		why        string
	}{
		{"holding takes too much", held, 0, 0, 3, Limit{SumOf, 0}, "every rate here"},
		{"too slow a start", moved, 0.9, Free, 0, Limit{SumOf, 0}, "from 1 to 1.41421, not 0.9"},
		{"cap of 0 over a cell", stopped, 0, 0, 3, Limit{Rate, 0}, "0 at both ends"},
		{"too fast a start", straight(1, 2, 1, grid(4)...), 1.9, 0, 0, Limit{Acceleration, 0}, "has to be from 0 to 1.41421, not 1.9"},
		{"too fast an end", straight(1, 2, 1, grid(4)...), 0, 3, 4, Limit{Speed, 0}, "at most 2, not 3"},
		{"start above a speed", straight(1, 2, 100, grid(4)...), 3, 0, 0, Limit{Speed, 0}, "from 0 to 2"},
		{"end above reach", straight(1, 0, 1, grid(4)...), 0, 2, 0, Limit{Acceleration, 0}, "from 1.41421"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Solve(c.p, c.start, c.end)
			var e *Infeasible
			if !errors.As(err, &e) {
				t.Fatalf("error %v, want *Infeasible", err)
			}
			if e.I != c.i || e.S != c.p.S[c.i] || e.Limit != c.limit || !strings.Contains(e.Why, c.why) {
				t.Errorf("%d %v %v\n%v\nwant grid point %d, %v, %q", e.I, e.S, e.Limit, e, c.i, c.limit, c.why)
			}
		})
	}
}

func TestMalformed(t *testing.T) {
	fine := func() Path { return straight(1, 1, 1, grid(4)...) }
	for name, spoil := range map[string]func(*Path){
		"2 grid points":    func(p *Path) { p.S = p.S[:1] },
		"have to ascend":   func(p *Path) { p.S = []float64{0, 1, 1, 2, 3} },
		"grid point 2":     func(p *Path) { p.S = []float64{0, 1, math.NaN(), 2, 3} },
		"greatest rates":   func(p *Path) { p.MaxRate = []float64{1} },
		"point 1 is NaN":   func(p *Path) { p.MaxRate = []float64{1, math.NaN(), 1, 1, 1} },
		"Q2 has 3 samples": func(p *Path) { p.Axes[0].Q2 = p.Axes[0].Q2[:3] },
		"NaN in cell 1":    func(p *Path) { p.Axes[0].Q1[4] = math.NaN() },
		"limit of -1":      func(p *Path) { p.Axes[0].Speed = -1 },
		"2 limits for":     func(p *Path) { p.Sums = []Sum{{Limit: []float64{1, 1}}} },
		"a limit of 0":     func(p *Path) { p.Sums = []Sum{{Limit: make([]float64, 4)}} },
		"term 0: B has 1":  func(p *Path) { motors(p, 1, 1, 1); p.Sums[0].Terms[0].B = []float64{1} },
	} {
		p := fine()
		spoil(&p)
		var e *Infeasible
		if _, err := Solve(p, 0, 0); err == nil || errors.As(err, &e) || !strings.Contains(err.Error(), name) {
			t.Errorf("error %v, want one with %q", err, name)
		}
	}
	for _, r := range []float64{-2, math.NaN(), math.Inf(1)} {
		if _, err := Solve(fine(), r, 0); err == nil {
			t.Errorf("start rate %g passes", r)
		}
	}
}

// TestPace checks that the knots are those of a rate linear in time: the mean
// rate of a span is the mean of its ends.
func TestPace(t *testing.T) {
	r := randomRig(rand.New(rand.NewPCG(3, 4)), 3, 8)
	s, err := Solve(r.path(50), 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i < len(s.Knots); i++ {
		a, b := s.Knots[i-1], s.Knots[i]
		mean := (b.Script - a.Script) / (b.At - a.At)
		if want := (a.Rate + b.Rate) / 2; !(b.At > a.At) || math.Abs(mean-want) > 1e-9*want {
			t.Fatalf("span %d: mean rate %g, want %g", i, mean, want)
		}
	}
	if last := s.Knots[len(s.Knots)-1]; last.At != s.Duration || last.Rate != 0 {
		t.Errorf("last knot %v, duration %g", last, s.Duration)
	}
}

// sample is a random path with its rig.
func sample(rnd *rand.Rand) (rig, Path) {
	r := randomRig(rnd, 1+rnd.IntN(4), 2+rnd.IntN(5))
	p := r.path(20 + rnd.IntN(60))
	if rnd.IntN(2) == 0 {
		capped(&p, 1)
	}
	if rnd.IntN(2) == 0 {
		motors(&p, 0.1, 0.05*rnd.Float64(), 0.5+2*rnd.Float64())
	}
	return r, p
}

// TestMonotone raises or lowers one limit at a time. The greedy choice on the
// grid may lose a little where q' crosses zero, of the order of a cell.
func TestMonotone(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 6))
	worst := 0.0
	for range 300 {
		_, p := sample(rnd)
		before, err := Solve(p, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		k, f := rnd.IntN(len(p.Axes)), 1+rnd.Float64()
		switch rnd.IntN(3) {
		case 0:
			p.Axes[k].Speed *= f
		case 1:
			p.Axes[k].Acceleration *= f
		case 2:
			for _, s := range p.Sums {
				for i := range s.Limit {
					s.Limit[i] *= f
				}
			}
		}
		after, err := Solve(p, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		worst = max(worst, after.Duration/before.Duration-1)
	}
	t.Logf("worst %g", worst)
	if worst > 1e-9 {
		t.Errorf("a higher limit lengthens by %.3g", worst)
	}
}

// TestFeasibleStays gives back the written time where it keeps all limits.
func TestFeasibleStays(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 8))
	for range 100 {
		_, p := sample(rnd)
		capped(&p, 1)
		p.Sums = nil
		for k := range p.Axes {
			a := &p.Axes[k]
			a.Speed, a.Acceleration = 0, 0
			for i := range a.Q1 {
				a.Speed = max(a.Speed, 1.01*math.Abs(a.Q1[i]))
				a.Acceleration = max(a.Acceleration, 1.01*math.Abs(a.Q2[i]))
			}
		}
		motors(&p, 0.1, 0.2, 0)
		for i := range p.Sums[0].Limit {
			need := 0.0
			for j := range 3 {
				sum := 0.0
				for _, t := range p.Sums[0].Terms {
					sum += math.Abs(t.B[3*i+j] + t.C[3*i+j])
				}
				need = max(need, sum)
			}
			p.Sums[0].Limit[i] = 1.01 * need
		}
		s, err := Solve(p, Free, Free)
		if err != nil {
			t.Fatal(err)
		}
		want := p.S[len(p.S)-1] - p.S[0]
		if math.Abs(s.Duration/want-1) > 1e-12 {
			t.Fatalf("%.15g s, want %g s", s.Duration, want)
		}
	}
}

// TestOneTerm replaces an acceleration limit by a Sum of one term.
func TestOneTerm(t *testing.T) {
	rnd := rand.New(rand.NewPCG(9, 10))
	for range 100 {
		r := randomRig(rnd, 1+rnd.IntN(3), 4)
		p := r.path(40)
		want, err := Solve(p, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		for k := range p.Axes {
			a := &p.Axes[k]
			s := Sum{Terms: []Term{{A: a.Q1, B: a.Q2}}, Limit: make([]float64, len(p.S)-1)}
			for i := range s.Limit {
				s.Limit[i] = a.Acceleration
			}
			a.Acceleration = 0
			p.Sums = append(p.Sums, s)
		}
		got, err := Solve(p, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.Duration/want.Duration-1) > 1e-9 {
			t.Errorf("%.12g s with sums, %.12g s with accelerations", got.Duration, want.Duration)
		}
	}
}

// TestSumsByBruteForce compares the greatest and the least x of one cell, and
// the greatest y, with a fine grid over (x, y).
func TestSumsByBruteForce(t *testing.T) {
	rnd := rand.New(rand.NewPCG(11, 12))
	for n := range 60 {
		const fine = 600
		p := Path{S: []float64{0, 0.5}}
		s := Sum{Limit: []float64{1 + rnd.Float64()}}
		for range 1 + rnd.IntN(5) {
			// Constant coefficients: the sum is greatest at an end of the cell.
			a, b, c := rnd.NormFloat64(), 2*rnd.NormFloat64(), 0.7*rnd.NormFloat64()
			s.Terms = append(s.Terms, Term{[]float64{a, a, a}, []float64{b, b, b}, []float64{c, c, c}})
		}
		p.Sums = []Sum{s}
		const top = 2.0
		allowed := func(x, y float64) bool {
			for _, at := range [2]float64{x, y} {
				sum := 0.0
				for _, t := range s.Terms {
					sum += math.Abs(t.A[0]*(y-x) + t.B[0]*at + t.C[0])
				}
				if sum > s.Limit[0] {
					return false
				}
			}
			return true
		}
		lo, hi := math.Inf(1), math.Inf(-1)
		highest := make([]float64, fine+1)
		for i := range highest {
			highest[i] = math.Inf(-1)
			for j := range fine + 1 {
				x, y := top*float64(i)/fine, top*float64(j)/fine
				if allowed(x, y) {
					lo, hi, highest[i] = min(lo, x), max(hi, x), max(highest[i], y)
				}
			}
		}
		c := newCell(&p)
		c.build(&p, 0, top, bounds{0, top})
		gotHi, ok := c.greatest()
		if math.IsInf(lo, 1) {
			if ok && gotHi > 0.02 {
				// The allowed set may be thinner than the grid: look closer.
				if y := c.next(gotHi); !allowed(gotHi-1e-9, y-1e-9) && !allowed(gotHi-1e-9, y+1e-9) {
					t.Errorf("case %d: x up to %g where nothing is allowed", n, gotHi)
				}
			}
			continue
		}
		gotLo, okLo := c.least(gotHi)
		if !ok || !okLo || gotHi < hi-1e-9 || gotLo > lo+1e-9 || gotHi > hi+0.03 || gotLo < lo-0.03 {
			t.Errorf("case %d: x from %g to %g (%v %v), by brute force %g to %g", n, gotLo, gotHi, okLo, ok, lo, hi)
		}
		for i, want := range highest {
			if math.IsInf(want, -1) {
				continue
			}
			x := top * float64(i) / fine
			c.build(&p, 0, top, bounds{0, top})
			y := c.next(x)
			if y < want-1e-9 || y > want+2*top/fine || !allowed(x, y-1e-9) && !allowed(x, y+1e-9) && y > want+1e-9 {
				t.Errorf("case %d: at x = %g y = %g, by brute force %g", n, x, y, want)
				break
			}
		}
	}
}

// TestUses finds no limit exceeded and one reached nearly everywhere, and
// agrees with a dense evaluation.
func TestUses(t *testing.T) {
	rnd := rand.New(rand.NewPCG(13, 14))
	for range 30 {
		r, p := sample(rnd)
		s, err := Solve(p, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		uses, err := Uses(p, s.Knots)
		if err != nil {
			t.Fatal(err)
		}
		slack, top := 0, 0.0
		for _, u := range uses {
			top = max(top, u.Share)
			if u.Share < 0.9 {
				slack++
			}
		}
		if top > 1+1e-9 || top < 0.999 {
			t.Errorf("greatest share %.12f, want 1", top)
		}
		if slack > len(uses)/10 {
			t.Errorf("%d of %d cells come near no limit", slack, len(uses))
		}
		if v, a := r.worst(s.Knots, 500); max(v, a) > top+1e-9 {
			t.Errorf("a dense check finds a share of %g, Uses %g", max(v, a), top)
		}
	}
	r := randomRig(rnd, 2, 3)
	p := r.path(10)
	s, _ := Solve(p, 0, 0)
	for i := range s.Knots {
		s.Knots[i].Rate *= 1.1
	}
	uses, err := Uses(p, s.Knots)
	if err != nil {
		t.Fatal(err)
	}
	top := 0.0
	for _, u := range uses {
		top = max(top, u.Share)
	}
	if math.Abs(top-1.21) > 1e-6 {
		t.Errorf("share %g at rates a tenth too great, want 1.21 of an acceleration", top)
	}
	for _, bad := range [][]Knot{nil, s.Knots[1:], s.Knots[:5], {s.Knots[0], {Script: 0.123}}} {
		if _, err := Uses(p, bad); err == nil {
			t.Errorf("%d knots off the grid pass", len(bad))
		}
	}
}

// TestThin keeps the limits within the tolerance at 2 kHz, and the times.
func TestThin(t *testing.T) {
	rnd := rand.New(rand.NewPCG(15, 16))
	for n := range 20 {
		r, p := sample(rnd)
		p = r.path(100)
		if n%2 == 0 {
			capped(&p, 1)
		}
		s, err := Solve(p, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		before := len(s.Knots)
		for _, tol := range []Tolerance{{0, 0}, {0.01, 0.002}, {0.01, 0.02}, {0.1, 0.1}} {
			thin, err := Thin(p, s, tol)
			if err != nil {
				t.Fatal(err)
			}
			v, a := r.worst(thin.Knots, 2000)
			if max(v, a) > 1+tol.Limits+1e-8 {
				t.Errorf("%v: a limit is used to %g", tol, max(v, a))
			}
			if math.Abs(thin.Duration-s.Duration) > tol.Time+1e-8 {
				t.Errorf("%v: %g s instead of %g s", tol, thin.Duration, s.Duration)
			}
			for i, k := range thin.Knots {
				if n%2 == 0 && k.Rate > 1 || i > 0 && !(k.At > thin.Knots[i-1].At) {
					t.Errorf("%v: knot %d is %v", tol, i, k)
				}
			}
			if len(thin.Knots) > before {
				t.Errorf("%v: %d knots after %d", tol, len(thin.Knots), before)
			}
			before = max(len(thin.Knots), 2)
			t.Logf("%v: %d of %d knots, %.6f s of %.6f s", tol, len(thin.Knots), len(s.Knots), thin.Duration, s.Duration)
		}
	}
}

// TestThinKeepsCaps has a narrow dip in the cap where nothing moves.
func TestThinKeepsCaps(t *testing.T) {
	p := straight(0, 1, 1, grid(80)...)
	capped(&p, 1)
	p.MaxRate[40] = 0.5
	s, err := Solve(p, Free, Free)
	if err != nil {
		t.Fatal(err)
	}
	thin, err := Thin(p, s, Tolerance{Limits: 1, Time: 10})
	if err != nil {
		t.Fatal(err)
	}
	found := false
	for _, k := range thin.Knots {
		found = found || k.Script == 0.5 && k.Rate == 0.5
	}
	if !found || len(thin.Knots) > 5 {
		t.Errorf("%v, want a rate of 0.5 in the middle", thin.Knots)
	}
}

// TestNoNeedlessStop starts an axis out of stillness in a coarse cell with a
// strongly bent start: the rate dips by what the limit needs and no more.
func TestNoNeedlessStop(t *testing.T) {
	const h, a2, a3 = 0.07, -0.14, -5.8
	p := straight(0, 0, 0.22, 0, h, 2*h, 3*h, 4*h, 5*h)
	for i := 6; i < 15; i++ {
		s := h * (float64(i/3-2) + 0.5*float64(i%3))
		p.Axes[0].Q1[i], p.Axes[0].Q2[i] = a2*s+a3*s*s/2, a2+a3*s
	}
	capped(&p, 1)
	s, err := Solve(p, Free, Free)
	if err != nil {
		t.Fatal(err)
	}
	for i := 1; i < len(s.Knots); i++ {
		if a, b := s.Knots[i-1].Rate, s.Knots[i].Rate; b < 0.4*a {
			t.Errorf("the rate falls from %g to %g at %g s", a, b, s.Knots[i].Script)
		}
	}
}

// TestThinStraight merges the cells of a trapezoid into its three parts.
func TestThinStraight(t *testing.T) {
	p := straight(4, 2, 2, grid(80)...)
	s, err := Solve(p, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	thin, err := Thin(p, s, Tolerance{})
	if err != nil {
		t.Fatal(err)
	}
	want := "[{0 0 0} {1 0.25 0.5} {2 0.75 0.5} {3 1 0}]"
	var got []string
	for _, k := range thin.Knots {
		got = append(got, fmt.Sprintf("{%.9g %.9g %.9g}", k.At, k.Script, k.Rate))
	}
	if g := "[" + strings.Join(got, " ") + "]"; g != want {
		t.Errorf("knots %s, want %s", g, want)
	}
	if _, err := Thin(p, thin, Tolerance{}); err == nil {
		t.Error("knots that are not one a grid point pass")
	}
	if _, err := Thin(p, s, Tolerance{Limits: -1}); err == nil {
		t.Error("a negative tolerance passes")
	}
}

// A jump of 10 unit/s counts over a frame of 0.02 s: at an acceleration of 50
// unit/s2 the rate at the corner is 50 x 0.02 / 10.
func TestCornerWithinAFrame(t *testing.T) {
	s := []float64{0, 1, 2, 3, 4}
	p := Path{S: s, MaxRate: []float64{1, 1, 1, 1, 1}, Axes: []Axis{{Acceleration: 50, Frame: 0.02,
		Q1: []float64{0, 0, 0, 0, 0, 0, 10, 10, 10, 10, 10, 10}, Q2: make([]float64, 12)}}}
	got, err := Solve(p, Free, Free)
	if err != nil {
		t.Fatal(err)
	}
	if r := got.Knots[2].Rate; math.Abs(r-0.1) > 1e-12 {
		t.Errorf("rate %g at the corner, want 0.1", r)
	}
}
