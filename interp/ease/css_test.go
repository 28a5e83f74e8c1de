package ease

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
)

// cssTable is testdata/css_easing.json; the file says where its numbers are from.
type cssTable struct {
	Bezier []struct {
		P      [4]float64
		X, Y   float64
		Slope  *float64
		Branch string
	} `json:"cubic_bezier"`
	Steps []struct {
		N        int
		Position string
		X, Y     float64
		Before   bool
	}
	Linear []struct {
		Fn   string
		X, Y float64
	}
	WPT struct {
		Composed []struct {
			Keyframe string
			Effect   [4]float64
			Values   map[string]float64
		} `json:"steps_composed"`
		Linear []struct {
			Fn, Equiv string
			Values    map[string]float64
			At        []float64
		}
		Computed [][2]string `json:"linear_computed"`
		Invalid  []string    `json:"linear_invalid"`
		Beyond   []struct {
			Effect, Keyframe [4]float64
			AgainstText      bool `json:"against_text"`
		} `json:"bezier_extrapolation"`
	}
}

func loadCSS(t *testing.T) cssTable {
	t.Helper()
	text, err := os.ReadFile("testdata/css_easing.json")
	if err != nil {
		t.Fatal(err)
	}
	var table cssTable
	if err := json.Unmarshal(text, &table); err != nil {
		t.Fatal(err)
	}
	return table
}

func mustParse(t testing.TB, text string) *Ease {
	t.Helper()
	e, err := Parse(text)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return e
}

func bezierText(p [4]float64) string {
	return fmt.Sprintf("cubic-bezier(%v, %v, %v, %v)", p[0], p[1], p[2], p[3])
}

// CSS Easing Functions Level 1 and 2, "cubic Bezier easing functions".
func TestBezierAgainstHighPrecision(t *testing.T) {
	slopes := 0
	for _, row := range loadCSS(t).Bezier {
		e := mustParse(t, bezierText(row.P))
		tol := 1e-13 * math.Max(1, math.Abs(row.Y))
		if row.Slope != nil { // the table's x is decimal, ours the nearest double
			tol += 0x1p-53 * math.Abs(*row.Slope)
		}
		if got := e.Progress(row.X, false); math.Abs(got-row.Y) > tol {
			t.Errorf("%v at %v (%s): %v, want %v", e, row.X, row.Branch, got, row.Y)
		}
		if row.Slope == nil || row.X <= 0 || row.X >= 1 {
			continue
		}
		slopes++
		if _, d1, _, _ := e.At(row.X); math.Abs(d1-*row.Slope) > 1e-9*math.Max(1, math.Abs(*row.Slope)) {
			t.Errorf("%v at %v: slope %v, want %v", e, row.X, d1, *row.Slope)
		}
	}
	if slopes < 150 {
		t.Errorf("the table gave %d slopes only", slopes)
	}
}

// bigBezier solves the definition in the standard by bisection with 240 bits.
func bigBezier(p [4]float64, x float64) float64 {
	num := func(v float64) *big.Float { return new(big.Float).SetPrec(240).SetFloat64(v) }
	at := func(a, b float64, t *big.Float) *big.Float {
		u := new(big.Float).Sub(num(1), t)
		mul := func(fs ...*big.Float) *big.Float {
			r := num(1)
			for _, f := range fs {
				r.Mul(r, f)
			}
			return r
		}
		s := mul(num(3), num(a), t, u, u)
		s.Add(s, mul(num(3), num(b), t, t, u))
		return s.Add(s, mul(t, t, t))
	}
	lo, hi, want := num(0), num(1), num(x)
	for range 220 {
		m := new(big.Float).Add(lo, hi)
		m.Quo(m, num(2))
		if at(p[0], p[2], m).Cmp(want) < 0 {
			lo = m
		} else {
			hi = m
		}
	}
	y, _ := at(p[1], p[3], lo).Float64()
	return y
}

// The value must be right for any handles, next to vertical tangents too: there
// to a few units of rounding of x times the slope.
func TestBezierForAnyHandles(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	special := []float64{0, 1, 1e-9, 1e-4, 0.5, 1 - 1e-4, 1 - 1e-9}
	handle := func() float64 {
		if r.IntN(2) == 0 {
			return special[r.IntN(len(special))]
		}
		return r.Float64()
	}
	for range 400 {
		p := [4]float64{handle(), 3*r.Float64() - 1, handle(), 3*r.Float64() - 1}
		e := mustParse(t, bezierText(p))
		for _, x := range []float64{r.Float64(), 1e-3 * r.Float64(), 1 - 1e-3*r.Float64(), 1e-8 * r.Float64(), 0.5 + 1e-6*(r.Float64()-0.5)} {
			v, slope, _, _ := e.At(x)
			want := bigBezier(p, x)
			if tol := 1e-14 + 4e-16*math.Abs(slope); math.Abs(v-want) > tol {
				t.Errorf("%v at %v: %v, want %v (off by %.2g, slope %.2g)", e, x, v, want, v-want, slope)
			}
		}
	}
}

// At a vertical tangent the limits are those of the fractional power of x.
func TestBezierVerticalTangents(t *testing.T) {
	inf := math.Inf(1)
	tests := []struct {
		text       string
		x          float64
		d1, d2, d3 float64
	}{
		{"cubic-bezier(0, 0.8, 0.3, 1)", 0, inf, -inf, inf},   // y goes as x^(1/2)
		{"cubic-bezier(0, -0.8, 0.3, 1)", 0, -inf, inf, -inf}, // downwards
		{"cubic-bezier(0, 0.8, 0, 1)", 0, inf, -inf, inf},     // x^(1/3)
		{"cubic-bezier(0, 0, 0, 1)", 0, inf, -inf, inf},       // x^(2/3)
		{"cubic-bezier(0, 0, 0.5, 1)", 0, 2, -inf, inf},       // 2x - x^(3/2)
		{"cubic-bezier(0, 0, 0, 0)", 0, 1, 0, 0},              // y = x
		{"cubic-bezier(1, 0, 0, 1)", 0.5, inf, -inf, inf},     // both handles crossed
		{"cubic-bezier(0.3, 0, 1, 0.2)", 1, inf, inf, inf},    // -sqrt(1-x)
		{"cubic-bezier(0.5, 0, 1, 1)", 1, 2, inf, inf},        // the mirror image of 2x - x^(3/2)
	}
	for _, tt := range tests {
		_, d1, d2, d3 := mustParse(t, tt.text).At(tt.x)
		if d1 != tt.d1 || d2 != tt.d2 || d3 != tt.d3 {
			t.Errorf("%s at %v: %v %v %v, want %v %v %v", tt.text, tt.x, d1, d2, d3, tt.d1, tt.d2, tt.d3)
		}
	}
}

// CSS Easing Functions Level 2, "calculate a step easing output progress".
func TestStepsAgainstStandard(t *testing.T) {
	for _, row := range loadCSS(t).Steps {
		e := mustParse(t, fmt.Sprintf("steps(%d, %s)", row.N, row.Position))
		if got := e.Progress(row.X, row.Before); got != row.Y {
			t.Errorf("%v at %v, before %v: %v, want %v", e, row.X, row.Before, got, row.Y)
		}
	}
}

// Every rise of every number of steps lies at the double nearest to i/n.
func TestStepsRiseAtTheirPlace(t *testing.T) {
	for n := 1; n <= 200; n++ {
		e := mustParse(t, fmt.Sprintf("steps(%d)", n))
		for i := 1; i < n; i++ {
			x, want := float64(i)/float64(n), float64(i)/float64(n)
			v, _, _, _ := e.At(x)
			if v != want || e.Progress(x, false) != want {
				t.Fatalf("steps(%d) at %d/%d: %v and %v", n, i, n, v, e.Progress(x, false))
			}
			if before := e.Progress(x, true); before != float64(i-1)/float64(n) {
				t.Fatalf("steps(%d) before %d/%d: %v", n, i, n, before)
			}
		}
	}
}

// CSS Easing Functions Level 2, "calculate linear easing output progress".
func TestLinearAgainstStandard(t *testing.T) {
	for _, row := range loadCSS(t).Linear {
		e := mustParse(t, row.Fn)
		if got := e.Progress(row.X, false); math.Abs(got-row.Y) > 1e-14*math.Max(1, math.Abs(row.Y)) {
			t.Errorf("%s at %v: %v, want %v", row.Fn, row.X, got, row.Y)
		}
		if row.X < 0 || row.X >= 1 {
			continue
		}
		if got, _, _, _ := e.At(row.X); math.Abs(got-row.Y) > 1e-14 {
			t.Errorf("%s part at %v: %v, want %v", row.Fn, row.X, got, row.Y)
		}
	}
}

// web-platform-tests compare to 1e-4; a step's output feeds no further rounding.
func TestWebPlatformExpectations(t *testing.T) {
	w := loadCSS(t).WPT
	for _, c := range w.Composed {
		effect, key := mustParse(t, bezierText(c.Effect)), mustParse(t, c.Keyframe)
		for at, want := range c.Values {
			x, _ := strconv.ParseFloat(at, 64)
			if got := key.Progress(effect.Progress(x, false), false); math.Abs(got-want) > 1e-4 {
				t.Errorf("%v of %v at %v: %v, want %v", key, effect, x, got, want)
			}
		}
	}
	for _, c := range w.Linear {
		e := mustParse(t, c.Fn)
		for at, want := range c.Values {
			x, _ := strconv.ParseFloat(at, 64)
			if got := e.Progress(x, false); math.Abs(got-want) > 1e-4 {
				t.Errorf("%s at %v: %v, want %v", c.Fn, x, got, want)
			}
		}
		for _, x := range c.At {
			if got, want := e.Progress(x, false), mustParse(t, c.Equiv).Progress(x, false); math.Abs(got-want) > 1e-4 {
				t.Errorf("%s at %v: %v, but %s gives %v", c.Fn, x, got, c.Equiv, want)
			}
		}
	}
	for _, c := range w.Computed {
		if got := mustParse(t, c[0]).String(); got != c[1] {
			t.Errorf("%s became %s, want %s", c[0], got, c[1])
		}
	}
	for _, text := range w.Invalid {
		if e, err := Parse(text); err == nil {
			t.Errorf("%s was read as %v", text, e)
		}
	}
}

// The lines beyond the ends that web-platform-tests expect, for a keyframe ease
// with the handles (0.5, 1) and (0.5, 0): slope 2 both ways. Where they expect
// a constant against the text of the standard, the text is followed.
func TestBezierBeyondItsEnds(t *testing.T) {
	for _, c := range loadCSS(t).WPT.Beyond {
		effect, key := mustParse(t, bezierText(c.Effect)), mustParse(t, bezierText(c.Keyframe))
		beyond := 0
		for i := range 101 {
			e := effect.Progress(float64(i)/100, false)
			var want float64
			switch {
			case e >= 0 && e <= 1:
				continue
			case c.AgainstText && e > 1: // the line from (0, 1.5) to (1, 1)
				want = 1 - 0.5*(e-1)
			case c.AgainstText: // the line from (0, 0) to (1, -0.5)
				want = -0.5 * e
			case e > 1:
				want = 1 + 2*(e-1)
			default:
				want = 2 * e
			}
			beyond++
			if got := key.Progress(e, false); math.Abs(got-want) > 1e-12 {
				t.Errorf("%v at %v: %v, want %v", key, e, got, want)
			}
		}
		if beyond < 10 {
			t.Errorf("%v went beyond 0 to 1 only %d times", effect, beyond)
		}
	}
}
