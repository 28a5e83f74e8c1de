package poly

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
)

// fromRoots multiplies out (u - r) over all r.
func fromRoots(roots ...float64) []float64 {
	c := []float64{1}
	for _, r := range roots {
		next := make([]float64, len(c)+1)
		for i, v := range c {
			next[i+1] += v
			next[i] -= r * v
		}
		c = next
	}
	return c
}

func TestRoots(t *testing.T) {
	inf := math.Inf(1)
	cases := []struct {
		name   string
		c      []float64
		lo, hi float64
		want   []float64
		within float64 // of each root
	}{
		{"zero polynomial", []float64{0, 0, 0}, -1, 1, nil, 0},
		{"no coefficients", nil, -1, 1, nil, 0},
		{"constant", []float64{3}, -1, 1, nil, 0},
		{"line", []float64{-1, 2}, 0, 1, []float64{0.5}, 0},
		{"line outside", []float64{-4, 2}, 0, 1, nil, 0},
		{"line at the end", []float64{-0.3, 1}, 0, 0.3, []float64{0.3}, 0},
		{"line under zero leading terms", []float64{-1, 2, 0, 0}, 0, 1, []float64{0.5}, 0},
		{"interval of one point", []float64{-1, 2}, 0.5, 0.5, []float64{0.5}, 0},
		{"interval of one point, cubic", fromRoots(0.5, 2, 3), 0.5, 0.5, []float64{0.5}, 0},
		{"interval upside down", []float64{-1, 2}, 1, 0, nil, 0},
		{"parabola", []float64{6, -5, 1}, 0, 10, []float64{2, 3}, 0},
		{"parabola, one inside", []float64{6, -5, 1}, 2.5, 10, []float64{3}, 0},
		{"parabola above zero", []float64{1, 0, 1}, -9, 9, nil, 0},
		{"parabola touching", []float64{1, -2, 1}, 0, 2, []float64{1}, 0},
		{"parabola touching, rounded", []float64{0.01, -0.2, 1}, 0, 2, []float64{0.1}, 1e-16},
		{"tiny leading term of a parabola", []float64{-1, 2, 1e-300}, 0, 1, []float64{0.5}, 0},
		{"huge parabola", []float64{6e300, -5e300, 1e300}, 0, 10, []float64{2, 3}, 1e-15},
		{"tiny parabola", []float64{6e-300, -5e-300, 1e-300}, 0, 10, []float64{2, 3}, 1e-15},
		// Forsythe, Pitfalls in computation (1970): x² - 1e5 x + 1 loses its small root to the school formula.
		{"cancelling parabola", []float64{1, -1e5, 1}, 0, 1, []float64{1.0000000001000000000200000000050e-5}, 1e-20},
		// The example of Kahan, On the cost of floating-point computation without extra-precise arithmetic
		// (2004), has roots 1 and 1.000000021: as near as the rounding of coefficients makes of one double root.
		{"nearly touching parabola", []float64{94906268.375, -2 * 94906267.375, 94906266.375}, 0, 2, []float64{1.0000000105}, 1e-10},
		// Wallis 1685, the equation on which Newton showed his method.
		{"Wallis's cubic", []float64{-5, -2, 0, 1}, 0, 3, []float64{2.0945514815423265915}, 5e-16},
		{"cubic touching", fromRoots(1, 1, -2), -3, 3, []float64{-2, 1}, 1e-15},
		{"cubic, triple", fromRoots(0.75, 0.75, 0.75), 0, 1, []float64{0.75}, 1e-15},
		{"cubic, triple, rounded", fromRoots(0.3, 0.3, 0.3), 0, 1, []float64{0.3}, 1e-15},
		{"tiny leading term of a cubic", []float64{6, -5, 1, 1e-300}, 0, 10, []float64{2, 3}, 1e-15},
		{"quartic touching twice", fromRoots(0.25, 0.25, 0.8, 0.8), 0, 1, []float64{0.25, 0.8}, 1e-15},
		{"quartic, fourfold", fromRoots(0.3, 0.3, 0.3, 0.3), 0, 1, []float64{0.3}, 1e-15},
		{"quintic, all at the lower end", []float64{0, 0, 0, 0, 0, 1}, 0, 1, []float64{0}, 0},
		{"quintic, threefold at both ends", []float64{0, 0, 0, 1, -3, 3, -1}, 0, 1, []float64{0, 1}, 0},
		{"three close roots", fromRoots(1, 1.0001, 1.0002), 0, 2, []float64{1, 1.0001, 1.0002}, 1e-7},
		// Legendre polynomials; roots: Abramowitz and Stegun, table 25.4.
		{"Legendre 5", []float64{0, 15. / 8, 0, -70. / 8, 0, 63. / 8}, -1, 1,
			[]float64{-0.906179845938664, -0.538469310105683, 0, 0.538469310105683, 0.906179845938664}, 1e-15},
		{"Legendre 8", []float64{35, 0, -1260, 0, 6930, 0, -12012, 0, 6435}, 0, 1,
			[]float64{0.183434642495650, 0.525532409916329, 0.796666477413627, 0.960289856497536}, 2e-15},
		// Wilkinson's polynomial of degree 10; its roots are good to 1e-9 at best in this precision.
		{"Wilkinson 10", fromRoots(1, 2, 3, 4, 5, 6, 7, 8, 9, 10), 0, 11, []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10}, 1e-8},
		{"infinite interval, parabola", []float64{6, -5, 1}, -inf, inf, []float64{2, 3}, 0},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			got := Roots(nil, c.c, c.lo, c.hi)
			if len(got) != len(c.want) {
				t.Fatalf("roots %v, want %v", got, c.want)
			}
			for i, g := range got {
				if math.Abs(g-c.want[i]) > c.within {
					t.Errorf("root %d is %.17g, want %.17g", i, g, c.want[i])
				}
			}
		})
	}
}

func TestDiscriminantSurvivesCancellation(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	for range 1000 {
		a, x := 1+rng.Float64(), 1+rng.Float64()
		b, k := -2*a*x, a*x*x
		got := discriminant(a, b, k)
		b2, ak4 := newBig(0).Mul(newBig(b), newBig(b)), newBig(0).Mul(newBig(4*a), newBig(k))
		want, _ := b2.Sub(b2, ak4).Float64()
		if math.Abs(got-want) > 4*roundoff*math.Abs(want) {
			t.Errorf("b² - 4ac for %g, %g, %g: %g, want %g", a, b, k, got, want)
		}
	}
}

// The roots of the Chebyshev polynomial T_n are cos((2k-1)π/2n) (Abramowitz and
// Stegun, 22.16.4).
func TestChebyshevRootsUpToDegree20(t *testing.T) {
	before, c := []float64{1}, []float64{0, 1}
	for n := 2; n <= 20; n++ {
		next := make([]float64, n+1)
		for i, v := range c {
			next[i+1] += 2 * v
		}
		for i, v := range before {
			next[i] -= v
		}
		before, c = c, next
		got := Roots(nil, c, -1, 1)
		if len(got) != n {
			t.Fatalf("T_%d: %d roots", n, len(got))
		}
		for i, g := range got {
			k := n - i
			want := math.Cos(float64(2*k-1) * math.Pi / float64(2*n))
			condition := exactSize(c, want) / math.Abs(slope(c, want))
			if math.Abs(g-want) > 4e-16*(1+condition) {
				t.Errorf("T_%d: root %d is %.17g, want %.17g", n, i, g, want)
			}
		}
	}
}

func slope(c []float64, u float64) float64 { return exact(Derive(nil, c), u) }

// Sturm's theorem counts distinct real roots exactly in rational arithmetic.
func TestRootCountMatchesSturm(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 3000 {
		degree := 1 + rng.IntN(7)
		c := make([]float64, degree+1)
		for i := range c {
			c[i] = float64(rng.IntN(41) - 20)
		}
		if rng.IntN(3) == 0 { // with double roots that doubles hold exactly
			r := float64(rng.IntN(17)-8) / 4
			c = multiply(c[:max(1, degree-1)], fromRoots(r, r))
		}
		lo, hi := -3.0625, 2.9375
		got, want := Roots(nil, c, lo, hi), sturmCount(c, lo, hi)
		if len(trim(c)) > 1 && len(got) != want {
			t.Errorf("%v in [%g, %g]: %d roots %v, Sturm counts %d", c, lo, hi, len(got), got, want)
		}
		checkRoots(t, c, got)
	}
}

func multiply(p, q []float64) []float64 {
	c := make([]float64, len(p)+len(q)-1)
	for i, a := range p {
		for j, b := range q {
			c[i+j] += a * b
		}
	}
	return c
}

// checkRoots sees that roots ascend and that each is a root within rounding.
func checkRoots(t *testing.T, c, roots []float64) {
	t.Helper()
	for i, r := range roots {
		if i > 0 && r <= roots[i-1] {
			t.Errorf("%v: roots do not ascend: %v", c, roots)
		}
		if v := exact(c, r); math.Abs(v) > 1e-14*exactSize(c, r) {
			t.Errorf("%v: %g is no root: value %g", c, r, v)
		}
	}
}

// sturmCount is the number of distinct roots in (lo, hi].
func sturmCount(c []float64, lo, hi float64) int {
	p := rational(trim(c))
	chain := [][]*big.Rat{p, rational(Derive(nil, trim(c)))}
	for len(chain[len(chain)-1]) > 0 {
		rest := remainder(chain[len(chain)-2], chain[len(chain)-1])
		for _, v := range rest {
			v.Neg(v)
		}
		chain = append(chain, rest)
	}
	return variations(chain, lo) - variations(chain, hi)
}

func rational(c []float64) []*big.Rat {
	out := make([]*big.Rat, len(c))
	for i, v := range c {
		out[i] = new(big.Rat).SetFloat64(v)
	}
	return out
}

func remainder(p, q []*big.Rat) []*big.Rat {
	r := make([]*big.Rat, len(p))
	for i, v := range p {
		r[i] = new(big.Rat).Set(v)
	}
	for len(r) >= len(q) {
		k := new(big.Rat).Quo(r[len(r)-1], q[len(q)-1])
		for i := range q {
			at := len(r) - len(q) + i
			r[at].Sub(r[at], new(big.Rat).Mul(k, q[i]))
		}
		r = r[:len(r)-1]
		for len(r) > 0 && r[len(r)-1].Sign() == 0 {
			r = r[:len(r)-1]
		}
	}
	return r
}

func variations(chain [][]*big.Rat, at float64) int {
	count, last, x := 0, 0, new(big.Rat).SetFloat64(at)
	for _, p := range chain {
		v := new(big.Rat)
		for i := len(p) - 1; i >= 0; i-- {
			v.Add(v.Mul(v, x), p[i])
		}
		if s := v.Sign(); s != 0 {
			if s == -last {
				count++
			}
			last = s
		}
	}
	return count
}

func TestRandomRootsAreFoundToTheLastBits(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 2000 {
		c := randomCoefficients(rng, 3+rng.IntN(5))
		for _, r := range Roots(nil, c, -2, 2) {
			// A simple root cannot be known better than rounding of the value over the slope allows.
			if v := exact(c, r); math.Abs(v) > 4e-16*(exactSize(c, r)+math.Abs(r*slope(c, r))) {
				t.Errorf("%v: at %.17g the value is %g", c, r, v)
			}
		}
	}
}

// Where two pieces of a curve join at a root, rounding must not let it slip
// between them: both have it.
func TestRootsAtTheEndsOfTheInterval(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	for range 500 {
		r := rng.Float64()
		for n, c := range [][]float64{fromRoots(r), fromRoots(r, 2), fromRoots(r, 2, 3), fromRoots(r, 2, -3, 4, -1), fromRoots(r, r, 2, 3)} {
			within := 1e-15
			if n == 4 {
				within = 1e-7 // rounding of the coefficients parts a double root by its square root
			}
			for _, span := range [...][2]float64{{0, r}, {r, 1}} {
				got := Roots(nil, c, span[0], span[1])
				if len(got) != 1 || math.Abs(got[0]-r) > within {
					t.Fatalf("%v has root %g, but in [%g, %g] %v were found", c, r, span[0], span[1], got)
				}
			}
		}
	}
}

func TestNothingIsAllocated(t *testing.T) {
	store := make([]float64, 0, 32)
	for _, degree := range []int{1, 2, 3, 5, 7, 20} {
		c := randomCoefficients(rand.New(rand.NewPCG(9, uint64(degree))), degree)
		n := testing.AllocsPerRun(10, func() {
			store = Roots(store[:0], c, -1, 1)
			Extremes(c, -1, 1)
			MaxAbs(c, -1, 1)
		})
		if n != 0 {
			t.Errorf("degree %d: %g allocations", degree, n)
		}
	}
}

func TestDegree25StillWorks(t *testing.T) {
	c := make([]float64, 26)
	c[25], c[0] = 1, -1
	if got := Roots(nil, c, -2, 2); len(got) != 1 || got[0] != 1 {
		t.Errorf("u^25 = 1 at %v", got)
	}
}

func BenchmarkRoots(b *testing.B) {
	store := make([]float64, 0, 8)
	for _, bench := range []struct {
		name string
		c    []float64
	}{
		{"quadratic", fromRoots(0.2, 0.7)},
		{"cubic", fromRoots(0.2, 0.5, 0.7)},
		{"quintic", fromRoots(0.2, 0.5, 0.7, 1.5, -2)},
		{"septic", fromRoots(0.2, 0.5, 0.7, 1.5, -2, 0.9, 0.1)},
	} {
		b.Run(bench.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				store = Roots(store[:0], bench.c, 0, 1)
			}
		})
	}
}
