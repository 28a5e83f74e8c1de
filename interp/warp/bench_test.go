package warp

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// randomRig has axes whose splines pass through random points a second apart.
func randomRig(rnd *rand.Rand, axes, segments int) rig {
	knots := make([]float64, segments+1)
	for i := range knots {
		knots[i] = float64(i)
	}
	var r rig
	for range axes {
		y := make([]float64, len(knots))
		for i := range y {
			y[i] = rnd.NormFloat64()
		}
		r.curves = append(r.curves, cubicSpline("clamped", knots, y))
		r.vmax = append(r.vmax, 0.8+2*rnd.Float64())
		r.amax = append(r.amax, 3+20*rnd.Float64())
	}
	return r
}

// motors adds a Sum with a term for every axis: inertia, and a load at rest.
func motors(p *Path, inertia, load, limit float64) {
	n := len(p.S) - 1
	s := Sum{Limit: make([]float64, n)}
	for i := range s.Limit {
		s.Limit[i] = limit
	}
	for k := range p.Axes {
		t := Term{make([]float64, 3*n), make([]float64, 3*n), make([]float64, 3*n)}
		for i := range t.A {
			t.A[i], t.B[i], t.C[i] = inertia*p.Axes[k].Q1[i], inertia*p.Axes[k].Q2[i], load
		}
		s.Terms = append(s.Terms, t)
	}
	p.Sums = append(p.Sums, s)
}

func BenchmarkSolve(b *testing.B) {
	for _, n := range []int{10_000, 40_000} {
		for _, c := range []struct {
			name string
			sums int
			rate float64
		}{{"fastest", 0, 0}, {"capped", 0, 1}, {"fastest, a sum of 6", 1, 0}, {"capped, a sum of 6", 1, 1}, {"fastest, 2 sums of 6", 2, 0}} {
			r := randomRig(rand.New(rand.NewPCG(1, 2)), 6, n/100)
			p := r.path(100)
			for range c.sums {
				motors(&p, 0.1, 0.05, 3)
			}
			if c.rate > 0 {
				capped(&p, c.rate)
			}
			b.Run(fmt.Sprintf("%s/%d cells", c.name, n), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if _, err := Solve(p, 0, 0); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}

func BenchmarkThin(b *testing.B) {
	r := randomRig(rand.New(rand.NewPCG(1, 2)), 6, 100)
	p := r.path(100)
	capped(&p, 1)
	s, err := Solve(p, 0, 0)
	if err != nil {
		b.Fatal(err)
	}
	var thin Solution
	for b.Loop() {
		if thin, err = Thin(p, s, Tolerance{Limits: 0.01, Time: 0.1}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(thin.Knots)), "knots")
}

func BenchmarkUses(b *testing.B) {
	r := randomRig(rand.New(rand.NewPCG(1, 2)), 6, 100)
	p := r.path(100)
	s, err := Solve(p, 0, 0)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := Uses(p, s.Knots); err != nil {
			b.Fatal(err)
		}
	}
}
