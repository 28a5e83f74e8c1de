package warp

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// roughRig has separate cubics in each segment: corners, stillness, straight
// and bent parts, all in some scale.
func roughRig(rnd *rand.Rand, scale float64) rig {
	segments := 1 + rnd.IntN(5)
	knots := []float64{0}
	for i := range segments {
		knots = append(knots, knots[i]+0.05+2*rnd.Float64())
	}
	var r rig
	for range 1 + rnd.IntN(4) {
		c := curve{t: knots}
		v := rnd.NormFloat64()
		for i := range segments {
			var q [4]float64
			switch rnd.IntN(4) {
			case 0:
				q[1] = v
			case 1:
				q = [4]float64{0, v, rnd.NormFloat64(), rnd.NormFloat64()}
			case 2:
				v = rnd.NormFloat64()
				q = [4]float64{0, v, 0, rnd.NormFloat64()}
			}
			h := knots[i+1] - knots[i]
			v = q[1] + 2*q[2]*h + 3*q[3]*h*h
			for j := range q {
				q[j] *= scale
			}
			c.c = append(c.c, q)
		}
		r.curves = append(r.curves, c)
		r.vmax = append(r.vmax, scale*math.Exp(rnd.NormFloat64()))
		r.amax = append(r.amax, scale*math.Exp(2*rnd.NormFloat64()))
	}
	return r
}

// terms adds a Sum with random coefficients, smooth in s.
func terms(p *Path, rnd *rand.Rand, scale float64) {
	n := len(p.S) - 1
	s := Sum{Limit: make([]float64, n)}
	for i := range s.Limit {
		s.Limit[i] = scale * 3
	}
	for range 1 + rnd.IntN(4) {
		var t Term
		for _, v := range []*[]float64{&t.A, &t.B, &t.C} {
			if rnd.IntN(4) == 0 {
				continue
			}
			size, phase := scale*rnd.NormFloat64(), 6*rnd.Float64()
			for i := range n {
				for j := range 3 {
					at := p.S[i] + 0.5*float64(j)*(p.S[i+1]-p.S[i])
					*v = append(*v, size*math.Sin(at+phase))
				}
			}
		}
		s.Terms = append(s.Terms, t)
	}
	p.Sums = append(p.Sums, s)
}

// parabola gives the value at the share f of a cell of the parabola through
// the values at its start, middle and end.
func parabola(v [3]float64, f float64) float64 {
	return v[0]*(1-f)*(1-2*f) + v[1]*4*f*(1-f) + v[2]*f*(2*f-1)
}

// along gives a u + b x + c at the three samples of cell i.
func along(a, b, c []float64, i int, x, y, u float64) (v [3]float64) {
	at := [3]float64{x, (x + y) / 2, y}
	for j := range v {
		if a != nil {
			v[j] += a[3*i+j] * u
		}
		if b != nil {
			v[j] += b[3*i+j] * at[j]
		}
		if c != nil {
			v[j] += c[3*i+j]
		}
	}
	return v
}

// over evaluates every limit at many points of every cell from the parabolas
// through the samples, apart from the code under test, and gives the greatest
// excess as a share of the limit, beyond what rounding of the rates explains.
func over(p *Path, k []Knot) float64 {
	worst := 0.0
	for i := range len(k) - 1 {
		x, y, h := k[i].Rate*k[i].Rate, k[i+1].Rate*k[i+1].Rate, p.S[i+1]-p.S[i]
		u, noise := (y-x)/(2*h), 1e-14*(x+y)/(2*h)
		for j := range 9 {
			f := float64(j) / 8
			for n := range p.Axes {
				a := &p.Axes[n]
				q1 := parabola([3]float64(a.Q1[3*i:]), f)
				if a.Speed > 0 {
					worst = max(worst, math.Abs(q1)*math.Sqrt((1-f)*x+f*y)/a.Speed-1)
				}
				if a.Acceleration > 0 {
					acc := parabola(along(a.Q1, a.Q2, nil, i, x, y, u), f)
					worst = max(worst, (math.Abs(acc)-math.Abs(q1)*noise)/a.Acceleration-1)
				}
			}
			for _, s := range p.Sums {
				sum := 0.0
				for _, t := range s.Terms {
					sum += math.Abs(parabola(along(t.A, t.B, t.C, i, x, y, u), f))
					sum -= math.Abs(parabola(along(t.A, nil, nil, i, x, y, noise), f))
				}
				worst = max(worst, sum/s.Limit[i]-1)
			}
		}
	}
	return worst
}

// onGrid gives the rates of a thinned warp at all grid points: between knots
// the square of the rate is linear in s.
func onGrid(p *Path, k []Knot) []Knot {
	var out []Knot
	n := 1
	for _, s := range p.S {
		for n < len(k)-1 && s > k[n].Script {
			n++
		}
		a, b := k[n-1], k[n]
		f := (s - a.Script) / (b.Script - a.Script)
		out = append(out, Knot{Script: s, Rate: math.Sqrt((1-f)*a.Rate*a.Rate + f*b.Rate*b.Rate)})
	}
	return out
}

// roughPath is a random path by a random number: all parts of a Path may occur.
func roughPath(number uint64) (p Path, start, end float64) {
	rnd := rand.New(rand.NewPCG(number, 17))
	scale := math.Pow(10, float64(rnd.IntN(17)-8))
	r := roughRig(rnd, scale)
	p = r.path(1 + rnd.IntN(40))
	for k := range p.Axes {
		switch rnd.IntN(5) {
		case 0:
			p.Axes[k].Speed = 0
		case 1:
			p.Axes[k].Acceleration = 0
		}
	}
	switch rnd.IntN(3) {
	case 0:
		capped(&p, 1)
	case 1:
		capped(&p, math.Inf(1))
		p.MaxRate[rnd.IntN(len(p.S))] = rnd.Float64()
	}
	for range rnd.IntN(3) {
		terms(&p, rnd, scale)
	}
	ends := [...]float64{0, 0, Free, 0.3}
	return p, ends[rnd.IntN(4)], ends[rnd.IntN(4)]
}

func FuzzSolve(f *testing.F) {
	for i := range uint64(500) {
		f.Add(i)
	}
	f.Fuzz(func(t *testing.T, number uint64) {
		p, start, end := roughPath(number)
		s, err := Solve(p, start, end)
		if err != nil {
			var e *Infeasible
			if !errors.As(err, &e) {
				t.Fatal(err)
			}
			return
		}
		last := Knot{At: -1}
		for i, k := range s.Knots {
			if !(k.At > last.At) || !(k.Rate >= 0) || !(k.At <= math.MaxFloat64) {
				t.Fatalf("knot %d is %v after %v", i, k, last)
			}
			if p.MaxRate != nil && k.Rate > p.MaxRate[i]*(1+1e-12) {
				t.Fatalf("knot %d has a rate of %g above its cap %g", i, k.Rate, p.MaxRate[i])
			}
			last = k
		}
		if w := over(&p, s.Knots); !(w < 1e-9) {
			t.Fatalf("a limit is exceeded by a share of %g", w)
		}
		thin, err := Thin(p, s, Tolerance{0.01, 0.01})
		if err != nil {
			t.Fatal(err)
		}
		if !(math.Abs(thin.Duration-s.Duration) <= 0.0101) {
			t.Fatalf("thinned to %g s from %g s", thin.Duration, s.Duration)
		}
		if w := over(&p, onGrid(&p, thin.Knots)); !(w < 0.01+1e-8) {
			t.Fatalf("thinned, a limit is exceeded by a share of %g", w)
		}
	})
}

// TestRoughPathsSolve makes sure that the random paths are mostly solvable, so
// that the fuzz target tests something.
func TestRoughPathsSolve(t *testing.T) {
	solved := 0
	for i := range uint64(500) {
		p, start, end := roughPath(i)
		if _, err := Solve(p, start, end); err == nil {
			solved++
		}
	}
	// Sets that rounding would empty, did the greatest x not keep inside.
	for _, i := range []uint64{2599, 3441, 3972, 5219} {
		p, start, end := roughPath(i)
		if _, err := Solve(p, start, end); err != nil {
			t.Errorf("path %d: %v", i, err)
		}
	}
	if solved < 300 {
		t.Errorf("%d of 500 random paths have a warp", solved)
	}
}
