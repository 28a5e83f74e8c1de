package linkage

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"
)

func newFourBar(t testing.TB, base, horn, rod, arm, zero float64, crossed bool) *fourBar {
	t.Helper()
	l, err := NewFourBar(base, horn, rod, arm, zero, crossed)
	if err != nil {
		t.Fatal(err)
	}
	return l.(*fourBar)
}

// jaw is the linkage of a puppet's jaw: 12 mm of horn moves 18 mm of arm.
func jaw(t testing.TB) *fourBar { return newFourBar(t, 60, 12, 60, 18, 90, false) }

func angle(radians float64) float64 { return math.Remainder(radians/degree, 360) }

// The worked example of Norton, Design of Machinery, chapter 4: d = 100, a = 40,
// b = 120, c = 80 mm and theta2 = 40 degrees give theta4 = 57.33 degrees open and
// -98.01 degrees crossed. Figures from memory; TestFreudensteinsEquation and
// TestAgainstCircles check the same by calculation.
func TestTextbookExample(t *testing.T) {
	for _, c := range []struct {
		crossed bool
		theta4  float64
	}{{false, 57.33}, {true, -98.01}} {
		f := newFourBar(t, 100, 40, 120, 80, 40, c.crossed)
		if got := angle(f.y0); math.Abs(got-c.theta4) > 0.01 {
			t.Errorf("crossed %v: theta4 is %.4f deg, want %.2f", c.crossed, got, c.theta4)
		}
		// the same position reached from another zero
		g := newFourBar(t, 100, 40, 120, 80, 70, c.crossed)
		p, _, _, _, ok := g.Part(-30)
		if got := math.Remainder(p+g.y0/degree, 360); !ok || math.Abs(got-c.theta4) > 0.01 {
			t.Errorf("crossed %v: theta4 at zero 70, horn -30 is %.4f deg, want %.2f", c.crossed, got, c.theta4)
		}
	}
}

// freudenstein is the textbook's closed form, in radians.
func freudenstein(d, a, b, c, theta2 float64, crossed bool) float64 {
	k1, k2, k3 := d/a, d/c, (a*a-b*b+c*c+d*d)/(2*a*c)
	sin, cos := math.Sincos(theta2)
	A, B, C := cos-k1-k2*cos+k3, -2*sin, k1-(k2+1)*cos+k3
	root := math.Sqrt(B*B - 4*A*C)
	if !crossed {
		root = -root
	}
	return 2 * math.Atan2(-B+root, 2*A)
}

func TestFreudensteinsEquation(t *testing.T) {
	for n, f := range randomFourBars(t, 400) {
		for _, h := range spread(f.hornLo, f.hornHi, 40) {
			p, _, _, _, _ := f.Part(h)
			want := freudenstein(f.base, f.horn, f.rod, f.arm, f.x0+h*degree, f.armSide > 0)
			if off := angle(f.y0 + p*degree - want); math.Abs(off) > 1e-5 {
				t.Fatalf("linkage %d %v at horn %g: theta4 is off Freudenstein's by %g deg", n, f, h, off)
			}
		}
	}
}

func (f *fourBar) String() string {
	return fmt.Sprintf("{base %g, horn %g, rod %g, arm %g, zero %g, crossed %v}", f.base, f.horn, f.rod, f.arm, f.x0/degree, f.armSide > 0)
}

// randomFourBars gives linkages of all the classes: cranks and rockers,
// open and crossed.
func randomFourBars(t *testing.T, n int) []*fourBar {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 2))
	length := func() float64 { return 5 + 95*rng.Float64() }
	var out []*fourBar
	for len(out) < n {
		l, err := NewFourBar(length(), length(), length(), length(), 720*rng.Float64()-360, rng.IntN(2) == 0)
		if err == nil {
			out = append(out, l.(*fourBar))
		}
	}
	return out
}

// spread gives n+1 places from lo to hi, both ends among them.
func spread(lo, hi float64, n int) []float64 {
	out := make([]float64, n+1)
	for i := range out {
		out[i] = lo + (hi-lo)*float64(i)/float64(n)
	}
	out[n] = hi
	return out
}

// circleCrossings are the points B at the rod's length from A and the arm's
// length from Q: where two circles cross, by the radical line.
func circleCrossings(base, horn, rod, arm, theta2 float64) (left, right complex128) {
	a, q := cmplx.Rect(horn, theta2), complex(base, 0)
	apart := cmplx.Abs(q - a)
	along := (rod*rod - arm*arm + apart*apart) / (2 * apart)
	across := math.Sqrt(math.Max(rod*rod-along*along, 0))
	u := (q - a) / complex(apart, 0)
	foot := a + u*complex(along, 0)
	return foot + u*complex(0, across), foot - u*complex(0, across)
}

// The linkage is walked from horn 0 in small steps, always to the nearer of
// the two crossings of the circles: that follows the branch and counts turns
// without the package's formulas.
func TestAgainstCircles(t *testing.T) {
	const steps = 4000
	for n, f := range append(randomFourBars(t, 60), jaw(t)) {
		for _, end := range [...]float64{f.hornLo, f.hornHi} {
			y := f.y0
			for i := 1; i <= steps; i++ {
				h := 0.999 * end * float64(i) / steps
				left, right := circleCrossings(f.base, f.horn, f.rod, f.arm, f.x0+h*degree)
				near := nearerTurn(left-complex(f.base, 0), y)
				if other := nearerTurn(right-complex(f.base, 0), y); math.Abs(other-y) < math.Abs(near-y) {
					near = other
				}
				y = near
			}
			p, _, _, _, ok := f.Part(0.999 * end)
			if want := (y - f.y0) / degree; !ok || math.Abs(p-want) > 1e-8 {
				t.Errorf("linkage %d %v at horn %g: part %g, by circles %g", n, f, 0.999*end, p, want)
			}
		}
	}
}

// nearerTurn is the direction of b, with the whole turns that bring it
// nearest to y.
func nearerTurn(b complex128, y float64) float64 {
	return y + math.Remainder(cmplx.Phase(b)-y, 2*math.Pi)
}

func TestLoopCloses(t *testing.T) {
	for n, f := range randomFourBars(t, 1000) {
		for _, h := range spread(f.hornLo, f.hornHi, 50) {
			p, _, _, _, ok := f.Part(h)
			a := cmplx.Rect(f.horn, f.x0+h*degree)
			b := complex(f.base, 0) + cmplx.Rect(f.arm, f.y0+p*degree)
			if off := cmplx.Abs(b-a) - f.rod; !ok || math.Abs(off) > 1e-9 {
				t.Fatalf("linkage %d %v at horn %g: rod is off by %g mm (reached: %v)", n, f, h, off, ok)
			}
		}
	}
}

func TestZeroIsZero(t *testing.T) {
	for n, f := range randomFourBars(t, 200) {
		if p, _, _, _, ok := f.Part(0); p != 0 || !ok {
			t.Errorf("linkage %d %v: part %g at horn 0", n, f, p)
		}
		if h, _, _, _, ok := f.Horn(0); math.Abs(h) > 1e-10 || !ok {
			t.Errorf("linkage %d %v: horn %g at part 0", n, f, h)
		}
	}
}

// Inside the range the part moves strictly one way; at its ends, unless a whole
// turn is free, two links are in line.
func TestRangeIsTheWidest(t *testing.T) {
	for n, f := range randomFourBars(t, 1000) {
		lo, hi, partLo, partHi := f.Range()
		if !(lo < 0 && hi > 0 && partLo < 0 && partHi > 0) {
			t.Fatalf("linkage %d %v: range %g..%g, part %g..%g does not hold 0", n, f, lo, hi, partLo, partHi)
		}
		_, way, _, _, _ := f.Part(0)
		last := math.Inf(-1)
		for _, h := range spread(lo, hi, 200) {
			p, d1, _, _, ok := f.Part(h)
			if rising := p * math.Copysign(1, way); !ok || d1*way <= 0 || rising < last {
				t.Fatalf("linkage %d %v: part %g with slope %g at horn %g (reached: %v)", n, f, p, d1, h, ok)
			} else {
				last = rising
			}
		}
		for _, end := range [...]float64{lo, hi} {
			p, _, _, _, _ := f.Part(end)
			x, y := f.x0+end*degree, f.y0+p*degree
			inLine := math.Min(math.Abs(f.armSine(x, y)), math.Abs(f.hornSine(x, y)))
			if math.Abs(end) != 360 && inLine > 1e-4 {
				t.Errorf("linkage %d %v: range ends at horn %g, though the links stand at a sine of %g", n, f, end, inLine)
			}
		}
	}
}

func TestRoundTrips(t *testing.T) {
	for n, f := range append(randomFourBars(t, 1000), jaw(t)) {
		inner := 0.001 * (f.hornHi - f.hornLo)
		for _, h := range spread(f.hornLo, f.hornHi, 50) {
			p, d1, _, _, _ := f.Part(h)
			back, i1, _, _, ok := f.Horn(p)
			again, _, _, _, _ := f.Part(back)
			// Beside a dead point, one of the two angles hardly tells where the other is: what rounding of
			// the first is worth there is allowed, up to a hundred-thousandth of a degree.
			withinHorn, withinPart := 1e-9, 1e-9
			if h < f.hornLo+inner || h > f.hornHi-inner {
				withinHorn += math.Min(1e-11/math.Abs(d1), 1e-5)
				withinPart += math.Min(1e-11*math.Abs(d1), 1e-5)
			}
			if !ok || math.Abs(back-h) > withinHorn || math.Abs(again-p) > withinPart {
				t.Fatalf("linkage %d %v: horn %g gives part %.15g, back at horn %.15g and part %.15g (reached: %v)", n, f, h, p, back, again, ok)
			}
			if smooth := math.Abs(d1) > 1e-3 && math.Abs(d1) < 1e3; smooth && math.Abs(d1*i1-1) > 1e-6 {
				t.Fatalf("linkage %d %v: slopes %g and %g at horn %g are not inverse", n, f, d1, i1, h)
			}
		}
	}
}

func TestParallelogramHasRatioOne(t *testing.T) {
	l := newFourBar(t, 60, 20, 60, 20, 90, false)
	lo, hi, _, _ := l.Range()
	if math.Abs(lo+90) > 1e-6 || math.Abs(hi-90) > 1e-6 {
		t.Errorf("range %g..%g, want -90..90 (flat at both ends)", lo, hi)
	}
	for h := -89.; h < 90; h++ {
		p, d1, d2, d3, ok := l.Part(h)
		if !ok || math.Abs(p-h) > 1e-12 || math.Abs(d1-1) > 1e-12 || math.Abs(d2) > 1e-12 || math.Abs(d3) > 1e-12 {
			t.Errorf("horn %g: part %.15g with derivatives %.15g, %g, %g", h, p, d1, d2, d3)
		}
	}
}

func TestJawReachesItsTravel(t *testing.T) {
	l, last := jaw(t), math.Inf(-1)
	for _, part := range spread(0, 25, 250) {
		h, d1, _, _, ok := l.Horn(part)
		if !ok || h <= last || d1 <= 0 {
			t.Fatalf("part %g: horn %g with slope %g (reached: %v)", part, h, d1, ok)
		}
		last = h
	}
	if last < 25*18/12. || last > 45 {
		t.Errorf("part 25 deg needs horn %g deg, want a little over %g and within 45", last, 25*18/12.)
	}
	if _, _, _, _, ok := l.Horn(60); ok {
		t.Error("part 60 deg counts as reached; horn and rod line up before that")
	}
}

func TestCrossedFourBarFalls(t *testing.T) {
	l := newFourBar(t, 60, 20, 60, 20, 90, true)
	lo, hi, partLo, partHi := l.Range()
	atLo, _, _, _, _ := l.Part(lo)
	atHi, slope, _, _, _ := l.Part(hi)
	if slope >= 0 || atLo != partHi || atHi != partLo {
		t.Errorf("crossed: part %g..%g over horn %g..%g, slope %g; want a fall", atLo, atHi, lo, hi, slope)
	}
}

// A crank that turns freely carries the part on past the range's ends.
func TestWholeTurns(t *testing.T) {
	rocker := newFourBar(t, 100, 20, 90, 40, 60, false)
	dragged := newFourBar(t, 30, 50, 60, 70, 90, false)
	if lo, hi, _, _ := dragged.Range(); lo != -360 || hi != 360 {
		t.Errorf("double crank: range %g..%g, want a turn either side", lo, hi)
	}
	for h := -400.; h < 400; h += 7 {
		a, _, _, _, ok1 := rocker.Part(h)
		b, _, _, _, ok2 := rocker.Part(h + 360)
		if !ok1 || !ok2 || math.Abs(a-b) > 1e-10 {
			t.Errorf("crank and rocker: part %g at horn %g, %g a turn later", a, h, b)
		}
		a, _, _, _, ok1 = dragged.Part(h)
		b, _, _, _, ok2 = dragged.Part(h + 360)
		if !ok1 || !ok2 || math.Abs(a+360-b) > 1e-10 {
			t.Errorf("double crank: part %g at horn %g, %g a turn later", a, h, b)
		}
	}
}

func TestOutOfReach(t *testing.T) {
	f := newFourBar(t, 100, 80, 70, 40, 30, false) // horn and arm both rock
	nan, inf := math.NaN(), math.Inf(1)
	for _, h := range []float64{f.reachHi + 0.01, f.reachLo - 0.01, 180, nan, inf, -inf} {
		if p, d1, _, _, ok := f.Part(h); ok || p != 0 || d1 != 0 {
			t.Errorf("horn %g counts as reached, with part %g", h, p)
		}
	}
	for _, p := range []float64{f.partHi + 0.01, f.partLo - 0.01, nan, inf, -inf} {
		if h, _, _, _, ok := f.Horn(p); ok || h != 0 {
			t.Errorf("part %g counts as reached, with horn %g", p, h)
		}
	}
	crank := newFourBar(t, 100, 20, 90, 40, 60, false)
	if _, _, _, _, ok := crank.Part(inf); ok {
		t.Error("an infinite horn angle counts as reached")
	}
}

// richardson differentiates by central differences of four steps, extrapolated
// to step 0 (Richardson's deferred approach to the limit).
func richardson(f func(float64) float64, x, step float64) float64 {
	var row [5]float64
	for i := range row {
		h := step / math.Pow(2, float64(i))
		next := (f(x+h) - f(x-h)) / (2 * h)
		for j, factor := 0, 4.; j < i; j, factor = j+1, factor*4 {
			row[j], next = next, next+(next-row[j])/(factor-1)
		}
		row[i] = next
	}
	return row[len(row)-1]
}

func TestDerivativesAgainstDifferences(t *testing.T) {
	for n, f := range append(randomFourBars(t, 200), jaw(t)) {
		for _, share := range []float64{0.15, 0.35, 0.5, 0.65, 0.85} {
			h := f.hornLo + share*(f.hornHi-f.hornLo)
			p, _, _, _, _ := f.Part(h)
			compareDerivatives(t, fmt.Sprintf("part of linkage %d %v", n, f), f.Part, h, math.Min(h-f.hornLo, f.hornHi-h)/8)
			compareDerivatives(t, fmt.Sprintf("horn of linkage %d %v", n, f), f.Horn, p, math.Min(p-f.partLo, f.partHi-p)/8)
		}
	}
}

// compareDerivatives checks each derivative against differences of the one
// below it.
func compareDerivatives(t *testing.T, what string, f func(float64) (float64, float64, float64, float64, bool), x, step float64) {
	t.Helper()
	order := func(k int) func(float64) float64 {
		return func(x float64) float64 {
			v, d1, d2, d3, ok := f(x)
			if !ok {
				t.Fatalf("%s: %g is out of reach", what, x)
			}
			return [...]float64{v, d1, d2, d3}[k]
		}
	}
	step = math.Min(step, 2)
	for k := range 3 {
		got, want := order(k+1)(x), richardson(order(k), x, step)
		noise := 1e-12 * (1 + math.Abs(order(k)(x))) / step
		if math.Abs(got-want) > 2e-6*math.Abs(want)+100*noise {
			t.Errorf("%s: derivative %d at %g is %.10g, by differences %.10g", what, k+1, x, got, want)
		}
	}
}

func TestFourBarErrors(t *testing.T) {
	nan := math.NaN()
	cases := []struct {
		name                       string
		base, horn, rod, arm, zero float64
		crossed                    bool
		want                       []string
	}{
		{"negative and zero", -60, 12, 0, 18, 90, false, []string{"base is -60 mm", "rod is 0 mm"}},
		{"NaN", 60, nan, 60, 18, 90, false, []string{"horn is NaN mm"}},
		{"absurd length", 60, 12, 60, 2e5, 90, false, []string{"arm is 200000 mm", "at most 100 m"}},
		{"absurd ratio", 1e4, 1e-3, 1e4, 18, 90, false, []string{"a million times"}},
		{"absurd zero", 60, 12, 60, 18, nan, false, []string{"zero is NaN deg"}},
		{"rod too short", 60, 12, 6, 18, 90, false, []string{"does not meet at horn 0", "61.19 mm", "37.19 mm longer"}},
		{"rod too long", 60, 12, 90, 18, 90, false, []string{"does not meet at horn 0", "differ by 72 mm"}},
		{"rod and arm in line", 100, 20, 50, 30, 0, false, []string{"rod and arm are in line"}},
		{"horn and rod in line", 60, 20, 40, 30, 36.33605719, false, []string{"horn and rod are in line"}},
		{"horn on the arm's pivot", 60, 60, 40, 40, 0, false, []string{"dead point"}},
	}
	// horn + rod = 60 from O to B, arm 30 from Q: the triangle 60, 60, 30 has cos 0.875 at O
	cases[8].zero = math.Acos(0.875) / degree
	for _, c := range cases {
		_, err := NewFourBar(c.base, c.horn, c.rod, c.arm, c.zero, c.crossed)
		for _, want := range c.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: error %v, want one with %q", c.name, err, want)
			}
		}
	}
}

// Linkages whose longest and shortest link are together as long as the others
// fold flat, also where their lengths are decimals that a double only comes near
// to: the range ends there, and nothing breaks.
func TestChangePoints(t *testing.T) {
	for _, c := range [][4]float64{{60, 60, 40, 40}, {40, 60, 60, 40}, {60, 40, 60, 40}, {40, 40, 40, 40}, {50, 30, 40, 60}, {30, 60, 50, 40},
		{1.1, 3.2, 1.8, 2.5}, {4.1, 1.2, 1.3, 4.2}, {3.9, 3.8, 5.2, 5.3}} {
		for _, zero := range []float64{20, 75, 130, 250, 340} {
			for _, crossed := range []bool{false, true} {
				l, err := NewFourBar(c[0], c[1], c[2], c[3], zero, crossed)
				if err != nil {
					continue // a branch that is locked
				}
				lo, hi, _, _ := l.Range()
				_, way, _, _, _ := l.Part(0)
				for _, end := range [...]float64{lo, hi} {
					if _, d1, _, _, ok := l.Part(end); !ok || d1*way <= 0 {
						t.Errorf("%v zero %g crossed %v: slope %g at the end %g of the range, %g at horn 0", c, zero, crossed, d1, end, way)
					}
				}
				for _, h := range spread(0.99*lo, 0.99*hi, 30) {
					p, _, _, _, ok := l.Part(h)
					back, _, _, _, ok2 := l.Horn(p)
					if !ok || !ok2 || math.Abs(back-h) > 1e-9 {
						t.Errorf("%v zero %g crossed %v: horn %g gives part %g and back %g", c, zero, crossed, h, p, back)
					}
				}
			}
		}
	}
}

func BenchmarkFourBar(b *testing.B) {
	l := jaw(b)
	b.Run("part", func(b *testing.B) {
		for b.Loop() {
			l.Part(12)
		}
	})
	b.Run("horn", func(b *testing.B) {
		for b.Loop() {
			l.Horn(12)
		}
	})
}
