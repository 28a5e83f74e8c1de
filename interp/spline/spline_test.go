package spline

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"sort"
	"strings"
	"testing"
)

var kinds = []Kind{Pchip, Akima, Cubic, Natural, CatmullRom}

// at evaluates the segment that starts at or before u, or the last one.
func at(segments []Cubic3, t []float64, u float64) (v, d1, d2 float64) {
	i := max(0, min(sort.SearchFloat64s(t, math.Nextafter(u, math.Inf(1)))-1, len(segments)-1))
	return segments[i].eval(u - t[i])
}

func (c Cubic3) eval(u float64) (v, d1, d2 float64) {
	v = c[0] + u*(c[1]+u*(c[2]+u*c[3]))
	d1 = c[1] + u*(2*c[2]+u*3*c[3])
	d2 = 2*c[2] + u*6*c[3]
	return v, d1, d2
}

func build(t *testing.T, k Kind, at, y []float64) []Cubic3 {
	t.Helper()
	s, err := Build(nil, k, at, y)
	if err != nil {
		t.Fatalf("%v: %v", k, err)
	}
	if len(s) != len(at)-1 {
		t.Fatalf("%v: %d segments for %d knots", k, len(s), len(at))
	}
	return s
}

// reference is a spline sampled by scipy: v[k] is the k-th derivative at q.
type reference struct {
	Kind, Values string
	T, Y, Q      []float64
	V            [3][]float64
}

func readReferences(t *testing.T, file string) []reference {
	t.Helper()
	var tables struct{ Cases []reference }
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &tables); err != nil {
		t.Fatal(err)
	}
	return tables.Cases
}

func (c reference) kind(t *testing.T) Kind {
	t.Helper()
	for _, k := range kinds {
		if k.String() == c.Kind {
			return k
		}
	}
	t.Fatalf("there is no kind %q", c.Kind)
	return 0
}

// compare allows each derivative 1e-12 of its greatest size on the curve.
func (c reference) compare(t *testing.T) {
	t.Helper()
	segments := build(t, c.kind(t), c.T, c.Y)
	for order, want := range c.V {
		scale := 1.0
		for _, x := range want {
			scale = math.Max(scale, math.Abs(x))
		}
		for i, q := range c.Q {
			v, d1, d2 := at(segments, c.T, q)
			if got := [...]float64{v, d1, d2}[order]; math.Abs(got-want[i]) > 1e-12*scale {
				t.Errorf("%s over %d knots (%s): derivative %d at %g is %.15g, want %.15g",
					c.Kind, len(c.T), c.Values, order, q, got, want[i])
			}
		}
	}
}

// The tables say in themselves how they were made.
func TestScipyTables(t *testing.T) {
	seen := map[Kind]int{}
	for _, file := range []string{"testdata/scipy_tables.json", "testdata/scipy_dense.json"} {
		for _, c := range readReferences(t, file) {
			c.compare(t)
			seen[c.kind(t)]++
		}
	}
	for _, k := range kinds {
		if seen[k] < 20 {
			t.Errorf("only %d tables for %v", seen[k], k)
		}
	}
}

func TestErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	cases := []struct {
		name string
		k    Kind
		t, y []float64
		want string
	}{
		{"no knots", Pchip, nil, nil, "at least 2 knots"},
		{"one knot", Natural, []float64{1}, []float64{1}, "at least 2 knots"},
		{"unequal", Pchip, []float64{1, 2}, []float64{1}, "2 times and 1 values"},
		{"same time", Akima, []float64{1, 2, 2}, []float64{1, 2, 3}, "knot 3 (time 2) is not after knot 2 (time 2)"},
		{"falling time", Cubic, []float64{1, 2, 1.5}, []float64{1, 2, 3}, "not after"},
		{"NaN time", Cubic, []float64{1, nan, 3}, []float64{1, 2, 3}, "knot 2"},
		{"infinite value", CatmullRom, []float64{1, 2, 3}, []float64{1, 2, inf}, "knot 3"},
		{"too steep", Pchip, []float64{0, 1e-300, 1}, []float64{0, 1e300, 1e301}, "too steep at knot 1"},
		{"no such kind", CatmullRom + 1, []float64{0, 1}, []float64{0, 1}, "no spline kind 5"},
	}
	for _, c := range cases {
		if _, err := Build(nil, c.k, c.t, c.y); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

// knotsOf gives random knots, the same in every run, with flat stretches and repeats among them.
func knotsOf(rng *rand.Rand) (t, y []float64) {
	n := 2 + rng.IntN(12)
	now, value := 10*rng.Float64(), 0.0
	for range n {
		if rng.IntN(4) > 0 {
			value += 60 * (rng.Float64() - 0.5)
		}
		t, y = append(t, now), append(y, value)
		now += 0.01 + 2*rng.Float64()
	}
	return t, y
}

func sizes(t, y []float64) (value, slope float64) {
	for i, v := range y {
		value = math.Max(value, math.Abs(v))
		if i > 0 {
			slope = math.Max(slope, math.Abs((v-y[i-1])/(t[i]-t[i-1])))
		}
	}
	return value, slope
}

func TestSegmentsMeetTheirKeysAndEachOther(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for range 500 {
		times, y := knotsOf(rng)
		value, slope := sizes(times, y)
		for _, k := range kinds {
			s := build(t, k, times, y)
			for i := range s {
				h := times[i+1] - times[i]
				v, d1, d2 := s[i].eval(h)
				if s[i][0] != y[i] || math.Abs(v-y[i+1]) > 4e-16*(value+10*slope*h) {
					t.Fatalf("%v: segment %d runs from %.17g to %.17g, keys %.17g and %.17g", k, i, s[i][0], v, y[i], y[i+1])
				}
				if i+1 == len(s) {
					break
				}
				if math.Abs(d1-s[i+1][1]) > 1e-13*slope {
					t.Fatalf("%v: slope jumps from %g to %g at knot %d", k, d1, s[i+1][1], i+1)
				}
				if c2 := k == Cubic || k == Natural; c2 && math.Abs(d2-2*s[i+1][2]) > 1e-10*slope/h {
					t.Fatalf("%v: second derivative jumps from %g to %g at knot %d", k, d2, 2*s[i+1][2], i+1)
				}
			}
		}
	}
}

func TestPchipNeverOvershoots(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	for range 500 {
		times, y := knotsOf(rng)
		for i, c := range build(t, Pchip, times, y) {
			lo, hi := math.Min(y[i], y[i+1]), math.Max(y[i], y[i+1])
			slack := 1e-14 * (math.Abs(lo) + math.Abs(hi))
			last := y[i]
			for step := 1; step <= 64; step++ {
				v, _, _ := c.eval((times[i+1] - times[i]) * float64(step) / 64)
				if v < lo-slack || v > hi+slack {
					t.Fatalf("%g leaves [%g, %g]", v, lo, hi)
				}
				if (v-last)*(y[i+1]-y[i]) < -slack*(hi-lo) {
					t.Fatalf("turns between the keys %g and %g", y[i], y[i+1])
				}
				last = v
			}
		}
	}
}

func TestEndConditions(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for range 100 {
		times, y := knotsOf(rng)
		n := len(times)
		h := times[n-1] - times[n-2]
		_, slope := sizes(times, y)

		c := build(t, Cubic, times, y)
		if _, d1, _ := c[n-2].eval(h); c[0][1] != 0 || math.Abs(d1) > 1e-13*slope {
			t.Errorf("cubic: end slopes %g and %g, want rest", c[0][1], d1)
		}
		c = build(t, Natural, times, y)
		if _, _, d2 := c[n-2].eval(h); math.Abs(c[0][2])+math.Abs(d2) > 1e-12*slope/h+1e-12*slope/(times[1]-times[0]) {
			t.Errorf("natural: end second derivatives %g and %g, want 0", 2*c[0][2], d2)
		}
	}
}

func TestTwoKnots(t *testing.T) {
	times, y := []float64{0.3, 1}, []float64{0.1, 0.7}
	for _, k := range kinds {
		c := build(t, k, times, y)[0]
		mean := (y[1] - y[0]) / (times[1] - times[0])
		if k == Cubic {
			if v, d1, _ := c.eval(0.35); math.Abs(v-0.4) > 1e-16 || math.Abs(d1-1.5*mean) > 1e-15 || c[1] != 0 {
				t.Errorf("cubic over two knots is %v, want 3u² - 2u³ scaled", c)
			}
		} else if (c != Cubic3{y[0], mean}) {
			t.Errorf("%v over two knots is %v, want the straight line", k, c)
		}
	}
}

func TestStraightLinesAndLevelsStayExact(t *testing.T) {
	times, level := []float64{0.1, 0.7, 1.3, 2.9}, []float64{12.3, 12.3, 12.3, 12.3}
	for _, k := range kinds {
		for _, c := range build(t, k, times, level) {
			if (c != Cubic3{12.3}) {
				t.Errorf("%v: a level segment is %v", k, c)
			}
		}
		if k == Cubic {
			continue // at rest at the ends, so not straight
		}
		line := []float64{0.2, 1.4, 2.6, 5.8}
		for i, c := range build(t, k, times, line) {
			if math.Abs(c[1]-2) > 1e-14 || math.Abs(c[2])+math.Abs(c[3]) > 1e-12 {
				t.Errorf("%v: segment %d of a line of slope 2 is %v", k, i, c)
			}
		}
	}
}

func TestLinearInTheValues(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for range 100 {
		times, y := knotsOf(rng)
		z, sum := make([]float64, len(y)), make([]float64, len(y))
		for i := range z {
			z[i] = 40 * rng.Float64()
			sum[i] = 3*y[i] - z[i]
		}
		for _, k := range []Kind{Cubic, Natural, CatmullRom} {
			a, b, c := build(t, k, times, y), build(t, k, times, z), build(t, k, times, sum)
			for i := range c {
				h := 1.0
				for j := range c[i] {
					size := math.Abs(3*a[i][j]) + math.Abs(b[i][j]) + 100/h
					if got, want := c[i][j], 3*a[i][j]-b[i][j]; math.Abs(got-want) > 1e-11*size {
						t.Fatalf("%v: coefficient %d of segment %d is %g, want %g", k, j, i, got, want)
					}
					h *= times[i+1] - times[i]
				}
			}
		}
	}
}

func TestStretchDividesSlopes(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for range 100 {
		times, y := knotsOf(rng)
		slow := make([]float64, len(times))
		for i, v := range times {
			slow[i] = 4 * v // a power of two, so that nothing is rounded anew
		}
		for _, k := range kinds {
			fast, stretched := build(t, k, times, y), build(t, k, slow, y)
			for i, c := range fast {
				if want := (Cubic3{c[0], c[1] / 4, c[2] / 16, c[3] / 64}); stretched[i] != want {
					t.Fatalf("%v: stretched by 4, segment %d is %v, want %v", k, i, stretched[i], want)
				}
			}
		}
	}
}

func TestStorageIsUsedAgain(t *testing.T) {
	store := make([]Cubic3, 7, 16)
	s, err := Build(store, Akima, []float64{0, 1, 2, 3}, []float64{1, 4, 2, 2})
	if err != nil || len(s) != 3 || &s[0] != &store[0] {
		t.Errorf("Build gave %d segments (error %v), not 3 in the given storage", len(s), err)
	}
}

func manyKnots(n int) (t, y []float64) {
	rng := rand.New(rand.NewPCG(6, 6))
	for i := range n {
		t, y = append(t, float64(i)+0.5*rng.Float64()), append(y, 90*rng.Float64())
	}
	return t, y
}

func BenchmarkBuild600(b *testing.B) {
	times, y := manyKnots(600)
	for _, k := range kinds {
		b.Run(k.String(), func(b *testing.B) {
			var s []Cubic3
			for b.Loop() {
				s, _ = Build(s, k, times, y)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/600, "ns/knot")
		})
	}
}

// BenchmarkSample takes a million samples in order from 600 knots with a cursor.
// scipy 1.10.1's PchipInterpolator took 5.4 ns a sample on a machine like the
// one that this was written on.
func BenchmarkSample(b *testing.B) {
	times, y := manyKnots(600)
	s, err := Build(nil, Pchip, times, y)
	if err != nil {
		b.Fatal(err)
	}
	const samples = 1_000_000
	out := make([]float64, samples)
	step := (times[599] - times[0]) / samples
	for b.Loop() {
		fill(out, s, times, step)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/samples, "ns/sample")
}

func fill(out []float64, s []Cubic3, times []float64, step float64) {
	j := 0
	for i, c := range s {
		end := len(out)
		if i+1 < len(s) {
			end = min(end, int(math.Ceil((times[i+1]-times[0])/step)))
		}
		start := times[0] - times[i]
		for ; j < end; j++ {
			u := start + float64(float64(j)*step)
			out[j] = float64((float64((float64(c[3]*u)+c[2])*u)+c[1])*u) + c[0]
		}
	}
}
