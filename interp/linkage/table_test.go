package linkage

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func newTable(t testing.TB, points [][2]float64) Linkage {
	t.Helper()
	l, err := NewTable(points)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// randomTable has steep and nearly level stretches; it rises or falls.
func randomTable(rng *rand.Rand) [][2]float64 {
	way, h, p := 1.0, -60.0, -20.0
	if rng.IntN(2) == 0 {
		way = -1
	}
	var points [][2]float64
	for range 2 + rng.IntN(9) {
		points = append(points, [2]float64{h, way * p})
		h += 1 + 20*rng.Float64()
		p += math.Pow(10, 3*rng.Float64()-2)
	}
	return points
}

func TestTwoRowsAreAStraightRatio(t *testing.T) {
	l := newTable(t, [][2]float64{{-40, -10}, {40, 30}})
	for _, h := range spread(-40, 40, 16) {
		p, d1, d2, d3, ok := l.Part(h)
		if !ok || math.Abs(p-(h/2+10)) > 1e-14 || d1 != 0.5 || d2 != 0 || d3 != 0 {
			t.Errorf("horn %g: part %g with derivatives %g, %g, %g", h, p, d1, d2, d3)
		}
		back, i1, i2, i3, ok := l.Horn(p)
		if !ok || math.Abs(back-h) > 1e-13 || i1 != 2 || i2 != 0 || i3 != 0 {
			t.Errorf("part %g: horn %g with derivatives %g, %g, %g", p, back, i1, i2, i3)
		}
	}
}

func TestTableMeetsItsRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		points := randomTable(rng)
		l := newTable(t, points)
		for _, row := range points {
			p, _, _, _, ok := l.Part(row[0])
			h, _, _, _, ok2 := l.Horn(row[1])
			if !ok || !ok2 || math.Abs(p-row[1]) > 1e-12 || math.Abs(h-row[0]) > 1e-9 {
				t.Errorf("%v: row %v comes back as horn %g, part %g", points, row, h, p)
			}
		}
	}
}

func TestTableIsOneToOne(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for range 300 {
		points := randomTable(rng)
		l := newTable(t, points)
		lo, hi, partLo, partHi := l.Range()
		if lo != points[0][0] || hi != points[len(points)-1][0] || partLo >= partHi {
			t.Fatalf("%v: range %g..%g, part %g..%g", points, lo, hi, partLo, partHi)
		}
		way := points[1][1] - points[0][1]
		for _, h := range spread(lo, hi, 300) {
			p, d1, _, _, ok := l.Part(h)
			if !ok || d1*way <= 0 || p < partLo-1e-12 || p > partHi+1e-12 {
				t.Fatalf("%v: part %g with slope %g at horn %g", points, p, d1, h)
			}
			back, i1, _, _, ok := l.Horn(math.Min(math.Max(p, partLo), partHi))
			if !ok || math.Abs(back-h) > 1e-9 || math.Abs(i1*d1-1) > 1e-6 {
				t.Fatalf("%v: horn %g, part %g, back at %.15g; slopes %g and %g", points, h, p, back, d1, i1)
			}
		}
	}
}

func TestTableDerivativesAgainstDifferences(t *testing.T) {
	points := [][2]float64{{-30, 12}, {-10, 3}, {0, 0}, {25, -2}, {40, -15}}
	l := newTable(t, points)
	for _, h := range []float64{-20, -5, 12, 33} {
		compareDerivatives(t, "part of a table", l.Part, h, 0.5)
		p, _, _, _, _ := l.Part(h)
		compareDerivatives(t, "horn of a table", l.Horn, p, 0.1)
	}
}

func TestOutsideTheTable(t *testing.T) {
	l := newTable(t, [][2]float64{{-30, 12}, {0, 0}, {40, -15}})
	for _, h := range []float64{-30.001, 40.001, math.NaN(), math.Inf(1)} {
		if _, _, _, _, ok := l.Part(h); ok {
			t.Errorf("horn %g counts as reached", h)
		}
	}
	for _, p := range []float64{12.001, -15.001, math.NaN(), math.Inf(-1)} {
		if _, _, _, _, ok := l.Horn(p); ok {
			t.Errorf("part %g counts as reached", p)
		}
	}
}

// A four-bar linkage measured every 5 degrees is met to a hundredth of a degree.
func TestMeasuredFourBar(t *testing.T) {
	f := jaw(t)
	var points [][2]float64
	for h := -50.; h <= 50; h += 5 {
		p, _, _, _, _ := f.Part(h)
		points = append(points, [2]float64{h, p})
	}
	l := newTable(t, points)
	for _, h := range spread(-50, 50, 333) {
		got, _, _, _, _ := l.Part(h)
		if want, _, _, _, _ := f.Part(h); math.Abs(got-want) > 0.01 {
			t.Errorf("horn %g: %g by table, %g by linkage", h, got, want)
		}
	}
}

func TestTableErrors(t *testing.T) {
	cases := []struct {
		name   string
		points [][2]float64
		want   string
	}{
		{"empty", nil, "at least 2 rows"},
		{"one row", [][2]float64{{0, 0}}, "it has 1"},
		{"NaN", [][2]float64{{0, 0}, {1, math.NaN()}}, "row 2"},
		{"huge", [][2]float64{{0, 0}, {1e7, 1}}, "within 1e6 deg"},
		{"horn repeats", [][2]float64{{0, 0}, {10, 1}, {10, 2}}, "row 3 (10 deg) is not above row 2 (10 deg)"},
		{"part turns", [][2]float64{{0, 0}, {10, 1}, {20, 0.5}}, "turns at row 3"},
		{"part rests", [][2]float64{{0, 0}, {10, -1}, {20, -1}}, "row 3"},
		{"part rests at once", [][2]float64{{0, 0}, {10, 0}}, "row 2"},
	}
	for _, c := range cases {
		if _, err := NewTable(c.points); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

func BenchmarkTable(b *testing.B) {
	l := newTable(b, [][2]float64{{-40, -31}, {-20, -14}, {0, 0}, {20, 13}, {40, 25}})
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
