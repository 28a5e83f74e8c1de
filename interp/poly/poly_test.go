package poly

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
)

func TestEval3MatchesDerivedPolynomials(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for degree := range 9 {
		c := randomCoefficients(rng, degree)
		u := 4*rng.Float64() - 2
		v, d1, d2, d3 := Eval3(c, u)
		got := [...]float64{v, d1, d2, d3}
		for order, g := range got {
			want, size := exact(c, u), exactSize(c, u)
			if math.Abs(g-want) > 1e-14*size {
				t.Errorf("degree %d, derivative %d at %g: %g, want %g", degree, order, u, g, want)
			}
			c = Derive(nil, c)
		}
		if w := Eval(c, u); len(c) == 0 && w != 0 {
			t.Errorf("the zero polynomial is %g", w)
		}
	}
}

// exact evaluates by powers in 200-bit arithmetic.
func exact(c []float64, u float64) float64 {
	sum, power := newBig(0), newBig(1)
	for _, k := range c {
		sum.Add(sum, newBig(0).Mul(newBig(k), power))
		power.Mul(power, newBig(u))
	}
	v, _ := sum.Float64()
	return v
}

func exactSize(c []float64, u float64) float64 {
	sizes := make([]float64, len(c))
	for i, k := range c {
		sizes[i] = math.Abs(k)
	}
	return exact(sizes, math.Abs(u))
}

func newBig(v float64) *big.Float { return new(big.Float).SetPrec(200).SetFloat64(v) }

func randomCoefficients(rng *rand.Rand, degree int) []float64 {
	c := make([]float64, degree+1)
	for i := range c {
		c[i] = 20*rng.Float64() - 10
	}
	return c
}

func TestDeriveAndShiftMayWorkInPlace(t *testing.T) {
	c := []float64{5, -3, 2, 7}
	if d := Derive(c, c); d[0] != -3 || d[1] != 4 || d[2] != 21 || len(d) != 3 {
		t.Errorf("derivative %v", d)
	}
	// 5 - 3(u+2) + 2(u+2)² + 7(u+2)³, multiplied out by hand
	c = []float64{5, -3, 2, 7}
	want := []float64{63, 89, 44, 7}
	for i, v := range Shift(c, c, 2) {
		if v != want[i] {
			t.Errorf("shifted coefficient %d is %g, want %g", i, v, want[i])
		}
	}
}

func TestShiftMovesTheArgument(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for degree := range 8 {
		c := randomCoefficients(rng, degree)
		by, u := rng.Float64(), rng.Float64()
		s := Shift(nil, c, by)
		if got, want := Eval(s, u), exact(c, u+by); math.Abs(got-want) > 1e-13*exactSize(c, 2) {
			t.Errorf("degree %d: p(%g+%g) = %g, want %g", degree, u, by, got, want)
		}
	}
}
