package poly

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Peak factors of the polynomial cam motions: Norton, Cam Design and
// Manufacturing Handbook, and Rothbart, Cam Design Handbook, both to three or
// four digits; the closed forms follow from the polynomials.
func TestCamPeakFactors(t *testing.T) {
	p345 := []float64{0, 0, 0, 10, -15, 6}
	p4567 := []float64{0, 0, 0, 0, 35, -84, 70, -20}
	cases := []struct {
		name  string
		c     []float64
		order int
		want  float64
	}{
		{"3-4-5 velocity", p345, 1, 1.875},
		{"3-4-5 acceleration", p345, 2, 10 / math.Sqrt(3)},
		{"3-4-5 jerk", p345, 3, 60},
		{"4-5-6-7 velocity", p4567, 1, 2.1875},
		{"4-5-6-7 acceleration", p4567, 2, 84 * math.Sqrt(5) / 25},
		{"4-5-6-7 jerk", p4567, 3, 52.5},
	}
	for _, c := range cases {
		d := c.c
		for range c.order {
			d = Derive(nil, d)
		}
		if got, at := MaxAbs(d, 0, 1); math.Abs(got-c.want) > 1e-13*c.want {
			t.Errorf("%s: %.15g at %g, want %.15g", c.name, got, at, c.want)
		}
	}
}

func TestExtremes(t *testing.T) {
	cases := []struct {
		name   string
		c      []float64
		lo, hi float64
		want   Range
	}{
		{"nothing", nil, 0, 1, Range{0, 0, 0, 0}},
		{"constant", []float64{4}, 0, 1, Range{4, 0, 4, 0}},
		{"line", []float64{1, -2}, 0, 3, Range{-5, 3, 1, 0}},
		{"parabola", []float64{0, -2, 1}, 0, 3, Range{-1, 1, 3, 3}},
		{"equal ends before inner", []float64{1, 0, 0}, 2, 3, Range{1, 2, 1, 2}},
		{"cubic with both inside", []float64{0, -3, 0, 1}, -1.5, 1.5, Range{-2, 1, 2, -1}},
		{"cubic without", []float64{0, 1, 0, 1}, -1, 2, Range{-2, -1, 10, 2}},
		{"one point", []float64{0, -3, 0, 1}, 1, 1, Range{-2, 1, -2, 1}},
	}
	for _, c := range cases {
		if got := Extremes(c.c, c.lo, c.hi); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

func TestMaxAbsTakesTheLargerSide(t *testing.T) {
	if v, at := MaxAbs([]float64{0, -2, 1}, 0, 1.5); v != 1 || at != 1 {
		t.Errorf("%g at %g, want 1 at 1", v, at)
	}
	if v, at := MaxAbs([]float64{0, -2, 1}, 0, 3); v != 3 || at != 3 {
		t.Errorf("%g at %g, want 3 at 3", v, at)
	}
}

func TestExtremesEncloseTheCurveAndAreTaken(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 300 {
		c := randomCoefficients(rng, rng.IntN(9))
		r := Extremes(c, -1, 1.5)
		if r.Min != Eval(c, r.AtMin) || r.Max != Eval(c, r.AtMax) {
			t.Fatalf("%v: %+v is not taken where it says", c, r)
		}
		slack := 1e-14 * exactSize(c, 1.5)
		for i := range 501 {
			u := -1 + 2.5*float64(i)/500
			if v := Eval(c, u); v < r.Min-slack || v > r.Max+slack {
				t.Fatalf("%v: %g at %g is outside %+v", c, v, u, r)
			}
		}
	}
}

func TestPeak(t *testing.T) {
	cases := []struct {
		name      string
		f         func(float64) float64
		a, b      float64
		at, value float64
	}{
		{"sine", math.Sin, 0, 3, math.Pi / 2, 1},
		{"x exp(-x)", func(x float64) float64 { return x * math.Exp(-x) }, 0, 20, 1, 1 / math.E},
		{"narrow bell", func(x float64) float64 { return math.Exp(-math.Pow((x-0.7310585)/1e-2, 2)) }, 0.5, 1, 0.7310585, 1},
		{"rising", func(x float64) float64 { return x * x }, 0, 2, 2, 4},
		{"falling", func(x float64) float64 { return -x }, 1, 2, 1, -1},
		{"flat", func(float64) float64 { return 3 }, 1, 2, 1, 3},
		{"no width", math.Cos, 1, 1, 1, math.Cos(1)},
		{"far from zero", func(x float64) float64 { return -(x - 36000.25) * (x - 36000.25) }, 36000, 36001, 36000.25, 0},
		{"corner", func(x float64) float64 { return 1 - math.Abs(x-0.3) }, 0, 1, 0.3, 1},
		{"quartic top", func(x float64) float64 { return 2 - math.Pow(x-0.3, 4) }, 0, 1, 0.3, 2},
	}
	for _, c := range cases {
		calls := 0
		at, value := Peak(func(x float64) float64 { calls++; return c.f(x) }, c.a, c.b)
		if math.Abs(value-c.value) > 1e-9*math.Max(math.Abs(c.value), 1e-3) || math.Abs(at-c.at) > 2e-3 {
			t.Errorf("%s: %.12g at %.12g, want %.12g at %.12g", c.name, value, at, c.value, c.at)
		}
		if value != c.f(at) || at < c.a || at > c.b {
			t.Errorf("%s: %g is not the value at %g", c.name, value, at)
		}
		if calls > 100 {
			t.Errorf("%s: %d evaluations", c.name, calls)
		}
		if c.name == "sine" && calls > 25 {
			t.Errorf("%s: %d evaluations; the golden section alone takes 46", c.name, calls)
		}
	}
}

func TestCross(t *testing.T) {
	cases := []struct {
		name        string
		f           func(float64) float64
		a, b, level float64
		want        float64
	}{
		{"cos x = x (Dottie number)", func(x float64) float64 { return math.Cos(x) - x }, 0, 1, 0, 0.73908513321516064166},
		{"square root of 2", func(x float64) float64 { return x * x }, 0, 2, 2, math.Sqrt2},
		{"falling", func(x float64) float64 { return math.Exp(-x) }, 0, 40, 0.25, math.Log(4)},
		{"triple root", func(x float64) float64 { return math.Pow(x-0.3, 3) }, 0, 1, 0, 0.3},
		{"at an end", func(x float64) float64 { return x }, 0, 1, 0, 0},
		{"at the other end", func(x float64) float64 { return x }, 0, 1, 1, 1},
		{"jump", func(x float64) float64 { return math.Copysign(1, x-0.625) }, 0, 1, 0, 0.625},
		{"steep", func(x float64) float64 { return math.Atan(1e6 * (x - 0.123)) }, 0, 1, 0, 0.123},
		{"never, nearer at a", func(x float64) float64 { return 1 + x }, 0, 1, 0, 0},
		{"never, nearer at b", func(x float64) float64 { return 2 - x }, 0, 1, 0, 1},
		{"no width", func(x float64) float64 { return x }, 1, 1, 1, 1},
	}
	for _, c := range cases {
		calls := 0
		got := Cross(func(x float64) float64 { calls++; return c.f(x) }, c.a, c.b, c.level)
		within := 1e-12 * (c.b - c.a)
		if c.name == "triple root" {
			within = 1e-8 // the cube of less is lost in the argument's rounding
		}
		if math.Abs(got-c.want) > within {
			t.Errorf("%s: %.15g, want %.15g", c.name, got, c.want)
		}
		if calls > 60 {
			t.Errorf("%s: %d evaluations", c.name, calls)
		}
		if c.name == "square root of 2" && calls > 12 {
			t.Errorf("%s: %d evaluations; halving alone takes 42", c.name, calls)
		}
	}
}

func BenchmarkExtremes(b *testing.B) {
	for _, bench := range []struct {
		name string
		c    []float64
	}{
		{"cubic", []float64{1, 2, -9, 5}},
		{"quintic", []float64{0, 0, 0, 10, -15, 6}},
		{"septic", []float64{0, 0, 0, 0, 35, -84, 70, -20}},
	} {
		b.Run(bench.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				Extremes(bench.c, 0, 1)
			}
		})
	}
}
