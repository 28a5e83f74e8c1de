package ease

import (
	"math"
	"testing"
)

// Peak factors of the cam-design handbooks (R. L. Norton, Cam Design and
// Manufacturing Handbook, table of standard double-dwell programs; H. A.
// Rothbart, Cam Design Handbook). The figures are from memory, to the digits
// given; where the closed form is known it is given instead and checked tightly.
// The modified sine's were confirmed on a public page of cam laws (1.76, 5.53,
// 69.47).
func TestHandbookPeakFactors(t *testing.T) {
	const pi = math.Pi
	tests := []struct {
		name                      string
		speed, acceleration, jerk float64
		tol                       float64
	}{
		{"min-jerk", 1.875, 5.7735, 60, 1e-5},    // 3-4-5 polynomial
		{"min-snap", 2.1875, 7.5132, 52.5, 1e-5}, // 4-5-6-7 polynomial
		{"min-jerk", 15.0 / 8, 10 / math.Sqrt(3), 60, 1e-14},
		{"cycloid", 2, 2 * pi, 4 * pi * pi, 1e-14},
		{"harmonic", pi / 2, pi * pi / 2, pi * pi * pi / 2, 1e-14},
		{"modified-trapezoid", 2, 4.888, 61.43, 1e-4},
		{"modified-trapezoid", 2, 8 * pi / (pi + 2), 32 * pi * pi / (pi + 2), 1e-14},
		{"modified-sine", 1.7596, 5.5280, 69.47, 1e-4},
		{"modified-sine", 4 * pi / (pi + 4), 4 * pi * pi / (pi + 4), 16 * pi * pi * pi / (pi + 4), 1e-14},
		{"quad-in-out", 2, 4, 0, 1e-14}, // constant acceleration, the parabolic motion
		{"cubic-in-out", 3, 12, 24, 1e-14},
		// By hand: seven equal phases of equal jerk.
		{"s-curve", 1.75, 6.125, 42.875, 1e-14},
		// By hand: 1/(1 - 1/8 - 1/8), and that over a quarter.
		{"trapezoid(0.25, 0.25)", 4.0 / 3, 16.0 / 3, 0, 1e-14},
		{"linear", 1, 0, 0, 1e-14},
	}
	for _, tt := range tests {
		p := mustParse(t, tt.name).Peaks()
		near := func(got, want float64) bool { return math.Abs(got-want) <= tt.tol*math.Max(1, want) }
		if !near(p.Speed, tt.speed) || !near(p.Acceleration, tt.acceleration) || !near(p.Jerk, tt.jerk) {
			t.Errorf("%s: %v %v %v, want %v %v %v", tt.name, p.Speed, p.Acceleration, p.Jerk, tt.speed, tt.acceleration, tt.jerk)
		}
	}
}

// The cam motions begin and end at rest, without acceleration but for the
// harmonic one.
func TestCamMotionsDwell(t *testing.T) {
	for _, name := range []string{"min-jerk", "min-snap", "cycloid", "modified-trapezoid", "modified-sine", "s-curve", "harmonic"} {
		e := mustParse(t, name)
		for _, x := range []float64{0, 1} {
			_, d1, d2, _ := e.At(x)
			if math.Abs(d1) > 1e-13 {
				t.Errorf("%s at %v: speed %v", name, x, d1)
			}
			if name != "harmonic" && math.Abs(d2) > 1e-13 {
				t.Errorf("%s at %v: acceleration %v", name, x, d2)
			}
		}
	}
}

// A sine family is one quarter of a circle's projection; back overshoots by a
// tenth; the usual formulas of the other families at their half time.
func TestFamiliesAtKnownPlaces(t *testing.T) {
	tests := []struct {
		name    string
		x, want float64
	}{
		{"sine-in", 1.0 / 3, 1 - math.Sqrt(3)/2},
		{"sine-out", 1.0 / 3, 0.5},
		{"sine-in-out", 1.0 / 3, 0.25},
		{"circ-in", 0.6, 0.2},
		{"circ-out", 0.4, 0.8},
		{"circ-in-out", 0.3, 0.1},
		{"expo-in", 0.5, 31.0 / 1023},
		{"expo-out", 0.1, (1024 - 512) / 1023.0},
		{"expo-in-out", 0.25, 31.0 / 2046},
		{"elastic-in", 0.7, 0.125 + 0.3/2048}, // one swing before the end: 2^-3, mended
		{"bounce-out", 1 / 2.75, 1},
		{"bounce-out", 1.5 / 2.75, 0.75},
		{"bounce-in", 1 - 1.5/2.75, 0.25},
		{"quart-out", 0.5, 0.9375},
		{"quint-in", 0.5, 0.03125},
		{"back-in", 0.5, 2.70158/8 - 1.70158/4},
	}
	for _, tt := range tests {
		if got, _, _, _ := mustParse(t, tt.name).At(tt.x); math.Abs(got-tt.want) > 1e-15 {
			t.Errorf("%s at %v: %v, want %v", tt.name, tt.x, got, tt.want)
		}
	}
}

// The corrections that let expo and elastic meet their ends are as small as the
// documentation says.
func TestMendedEndsStayNearTheUsualFormulas(t *testing.T) {
	usual := map[string]func(x float64) float64{
		"expo-in": func(x float64) float64 { return math.Pow(2, 10*x-10) },
		"elastic-in": func(x float64) float64 {
			return -math.Pow(2, 10*x-10) * math.Sin((10*x-10.75)*2*math.Pi/3)
		},
		"elastic-in-out": func(x float64) float64 {
			if x < 0.5 {
				return -math.Pow(2, 20*x-10) * math.Sin((20*x-11.125)*2*math.Pi/4.5) / 2
			}
			return 1 + math.Pow(2, 10-20*x)*math.Sin((20*x-11.125)*2*math.Pi/4.5)/2
		},
	}
	for name, f := range usual {
		e := mustParse(t, name)
		for i := range 1001 {
			x := float64(i) / 1000
			if got, _, _, _ := e.At(x); math.Abs(got-f(x)) > 0.001 {
				t.Errorf("%s at %v: %v, usually %v", name, x, got, f(x))
			}
		}
	}
}

// The package's own elementary functions against the standard library's.
func TestElementaryFunctions(t *testing.T) {
	for i := -4000; i <= 4000; i++ {
		x := float64(i)/1000 + 1e-4/3
		s, c := sincos(x)
		// The reference's own argument carries a rounding of up to 2 pi x 2^-53.
		tol := 2e-16 + math.Abs(x)*1e-15
		if ws, wc := math.Sincos(2 * math.Pi * x); math.Abs(s-ws) > tol || math.Abs(c-wc) > tol {
			t.Fatalf("sincos(%v turns) = %v %v, want %v %v", x, s, c, ws, wc)
		}
		if got, want := exp2(3*x), math.Exp2(3*x); math.Abs(got-want) > 4e-16*want {
			t.Fatalf("exp2(%v) = %v, want %v", 3*x, got, want)
		}
		a := math.Exp2(80 * x)
		if got, want := cubeRoot(a), math.Cbrt(a); math.Abs(got-want) > 4e-16*want {
			t.Fatalf("cubeRoot(%v) = %v, want %v", a, got, want)
		}
	}
	for _, a := range []float64{5e-324, 1e-300, 1e300} {
		if got, want := cubeRoot(a), math.Cbrt(a); math.Abs(got-want) > 4e-16*want {
			t.Errorf("cubeRoot(%v) = %v, want %v", a, got, want)
		}
	}
	for q := range 9 {
		s, c := sincos(float64(q) / 4)
		want := [4][2]float64{{0, 1}, {1, 0}, {0, -1}, {-1, 0}}[q%4]
		if s != want[0] || c != want[1] {
			t.Errorf("quarter turn %d: %v %v", q, s, c)
		}
	}
}
