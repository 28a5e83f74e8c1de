package ease

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// everyEase are all the names, and functions with ordinary and extreme arguments.
func everyEase(t testing.TB) []*Ease {
	texts := []string{
		"cubic-bezier(0.3, 0, 0.2, 1)", "cubic-bezier(0.68, -0.55, 0.265, 1.55)",
		"cubic-bezier(0, 1, 0, 1)", "cubic-bezier(1, 0, 0, 1)", "cubic-bezier(1, 0, 1, 0)",
		"cubic-bezier(0.99, 0.01, 0.01, 0.99)", "cubic-bezier(0.3333333333333333, 0.5, 0.6666666666666666, 0.9)",
		"steps(1)", "steps(4, jump-none)", "steps(3, jump-both)", "steps(10000, jump-start)",
		"linear(0, 0.25 75%, 1)", "linear(0, 1.5, 1)", "linear(1, -0.5, 0)", "linear(0 0% 50%, 1 50% 100%)",
		"linear(-10 -10%, -5 -5%, 0, 5, 10)", "linear(0, 0.9 110%, 1)", "linear(0, 1 1e-10%, 0.5 3e-10%, 1)",
		"trapezoid(0.3, 0.3)", "trapezoid(0, 0)", "trapezoid(0.7, 0.3)", "trapezoid(0, 0.5)",
		"trapezoid(0.1, 0.9)", "trapezoid(1, 0)", "trapezoid(0, 1)", "trapezoid(0.000001, 0.2)",
	}
	for _, name := range Names() {
		if _, isFunction := functions[name]; !isFunction || name == "linear" {
			texts = append(texts, name)
		}
	}
	var eases []*Ease
	for _, text := range texts {
		eases = append(eases, mustParse(t, text))
	}
	return eases
}

// jumpsInside tells the eases whose value may jump, at the ends too.
func jumpsInside(e *Ease) bool {
	return e.Family() == "steps" || e.Family() == "hold" || strings.HasPrefix(e.String(), "linear(")
}

func TestEveryEaseMeetsItsEnds(t *testing.T) {
	for _, e := range everyEase(t) {
		if v, _, _, _ := e.At(1); v != 1 {
			t.Errorf("%v ends at %v", e, v)
		}
		if v, _, _, _ := e.At(2); v != 1 {
			t.Errorf("%v is at %v after its end", e, v)
		}
		if jumpsInside(e) {
			continue
		}
		if v, _, _, _ := e.At(0); v != 0 {
			t.Errorf("%v starts at %v", e, v)
		}
		if v, _, _, _ := e.At(math.Nextafter(1, 0)); !(math.Abs(v-1) < 1e-4) {
			t.Errorf("%v is at %v just before its end", e, v)
		}
		if v, _, _, _ := e.At(math.NaN()); v != 0 {
			t.Errorf("%v is at %v for NaN", e, v)
		}
	}
}

func TestHoldStaysThenJumps(t *testing.T) {
	e := mustParse(t, "hold")
	if v, _, _, _ := e.At(math.Nextafter(1, 0)); v != 0 {
		t.Errorf("hold is at %v before its end", v)
	}
}

func TestPartsCoverTheWhole(t *testing.T) {
	for _, e := range everyEase(t) {
		parts := e.Parts()
		if e.Spline() != None {
			if parts != nil || e.Family() != "spline" || e.Spline().String() != e.String() {
				t.Errorf("%v is no plain spline", e)
			}
			continue
		}
		if parts[0].X0 != 0 || parts[len(parts)-1].X1 != 1 {
			t.Errorf("%v covers %v to %v", e, parts[0].X0, parts[len(parts)-1].X1)
		}
		for i, p := range parts {
			if !(p.X0 < p.X1) || i > 0 && p.X0 != parts[i-1].X1 {
				t.Errorf("%v: part %d is %v to %v", e, i, p.X0, p.X1)
			}
			if (p.Poly == nil) == (p.Func == nil) || len(p.Poly) > 8 {
				t.Errorf("%v: part %d is neither or both", e, i)
			}
		}
	}
}

// polynomialFamilies must be given as polynomials, the others need not.
func TestPolynomialFamiliesAreGivenAsPolynomials(t *testing.T) {
	families := []string{"linear", "quad", "cubic", "quart", "quint", "back", "bounce", "hold", "steps",
		"min-jerk", "min-snap", "trapezoid", "s-curve"}
	for _, e := range everyEase(t) {
		for _, p := range e.Parts() {
			if p.Func != nil && slices.Contains(families, e.Family()) {
				t.Errorf("%v has a part that is no polynomial", e)
			}
		}
	}
}

// partAt evaluates one part alone, up to both its ends.
func partAt(p Part, x float64) [4]float64 {
	var r [4]float64
	if p.Func != nil {
		r[0], r[1], r[2], r[3] = p.Func.At(x)
	} else {
		r[0], r[1], r[2], r[3] = polyAt(p.Poly, x-p.X0)
	}
	return r
}

func TestJointsAreAsSmoothAsTheEase(t *testing.T) {
	smooth := map[string]int{ // the highest derivative without a jump
		"bounce": 0, "circ": 0, "quad": 1, "cubic": 1, "quart": 1, "quint": 1, "back": 1, "expo": 1,
		"elastic": 1, "trapezoid": 1, "sine": 3, "s-curve": 2,
	}
	for _, e := range everyEase(t) {
		parts := e.Parts()
		for i := 1; i < len(parts) && !jumpsInside(e); i++ {
			order, known := smooth[e.Family()]
			if !known {
				t.Fatalf("%v: nothing is said of its joints", e)
			}
			before, after := partAt(parts[i-1], parts[i].X0), partAt(parts[i], parts[i].X0)
			for k := 0; k <= order; k++ {
				if !(math.Abs(before[k]-after[k]) <= 1e-12*math.Max(1, math.Abs(after[k]))) {
					t.Errorf("%v at %v: derivative %d jumps from %v to %v", e, parts[i].X0, k, before[k], after[k])
				}
			}
		}
	}
}

// differenced is the derivative of component k of a part by central differences
// of widths h, h/2 and h/4, extrapolated twice (Richardson): the error falls
// with the sixth power of h.
func differenced(p Part, x, h float64, k int) float64 {
	var d [3]float64
	for i := range d {
		w := h / float64(int(1)<<i)
		d[i] = (partAt(p, x+w)[k] - partAt(p, x-w)[k]) / (2 * w)
	}
	a, b := (4*d[1]-d[0])/3, (4*d[2]-d[1])/3
	return (16*b - a) / 15
}

func TestDerivativesAgreeWithDifferences(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for _, e := range everyEase(t) {
		parts := e.Parts()
		for range 200 {
			if parts == nil {
				break
			}
			p := parts[r.IntN(len(parts))]
			marks := []float64{p.X0, p.X1}
			if p.Func != nil && e.Family() != "css" && e.Family() != "elastic" {
				marks = append(marks, p.Func.Splits()...) // kinks of the cam motions
			}
			if e.String() == "cubic-bezier(1, 0, 0, 1)" {
				marks = append(marks, 0.5)
			}
			x := p.X0 + (p.X1-p.X0)*r.Float64()
			room := math.Inf(1)
			for _, m := range marks {
				room = math.Min(room, math.Abs(x-m))
			}
			h := math.Min(room/8, 0.004)
			if e.String() == "cubic-bezier(0.99, 0.01, 0.01, 0.99)" { // all but vertical at its middle
				h = math.Min(h, 1e-5+math.Abs(x-0.5)/16)
			}
			at := partAt(p, x)
			for k := range 3 {
				got, want := at[k+1], differenced(p, x, h, k)
				noise := 1e-15 * math.Max(1, math.Abs(at[k])) / h * 16
				scale := math.Abs(got) + math.Abs(at[k])/room
				if math.Abs(got-want) > 1e-5*scale+noise {
					t.Errorf("%v at %v: derivative %d is %v, differences give %v", e, x, k+1, got, want)
				}
			}
		}
	}
}

// A dense search may fall short of the exact extremes, never exceed them.
func TestPeaksEqualADenseSearch(t *testing.T) {
	for _, e := range everyEase(t) {
		if e.Spline() != None || len(e.Parts()) > 100 {
			continue
		}
		found := Peaks{Min: math.Inf(1), Max: math.Inf(-1)}
		for _, p := range e.Parts() {
			searchDensely(&found, p)
		}
		got := e.Peaks()
		compare := func(what string, exact, dense float64) {
			if math.IsInf(exact, 1) && dense > 1e6 {
				return
			}
			size := math.Max(1, math.Abs(exact))
			if dense > exact+1e-12*size || dense < exact-1e-5*size {
				t.Errorf("%v: %s %v, a dense search found %v", e, what, exact, dense)
			}
		}
		compare("greatest value", got.Max, found.Max)
		compare("least value, negated", -got.Min, -found.Min)
		compare("peak speed", got.Speed, found.Speed)
		compare("peak acceleration", got.Acceleration, found.Acceleration)
		compare("peak jerk", got.Jerk, found.Jerk)
	}
}

// searchDensely samples a part, more closely towards its ends, where derivatives
// may grow, and again around the greatest of each derivative.
func searchDensely(found *Peaks, p Part) {
	const n = 20000
	place := func(i float64) float64 { return p.X0 + (p.X1-p.X0)*(1-math.Cos(math.Pi*i/n))/2 }
	var best, size [4]float64
	for i := range n + 1 {
		a := partAt(p, place(float64(i)))
		found.add(a[0], a[1], a[2], a[3])
		for k := range a {
			if math.Abs(a[k]) > size[k] {
				best[k], size[k] = float64(i), math.Abs(a[k])
			}
		}
	}
	for _, i := range best {
		for j := -500.0; j <= 500; j++ {
			a := partAt(p, place(math.Min(math.Max(i+j/500, 0), n)))
			found.add(a[0], a[1], a[2], a[3])
		}
	}
}

// Splits promise that the value and every derivative is monotone between them.
func TestSplitsPartIntoMonotoneStretches(t *testing.T) {
	for _, e := range everyEase(t) {
		for _, p := range e.Parts() {
			if p.Func == nil {
				continue
			}
			splits := p.Func.Splits()
			if !slices.IsSorted(splits) {
				t.Errorf("%v: splits %v", e, splits)
			}
			left := p.X0
			for _, right := range append(slices.Clone(splits), p.X1) {
				checkMonotone(t, e, p, left, right)
				left = right
			}
		}
	}
}

func checkMonotone(t *testing.T, e *Ease, p Part, left, right float64) {
	t.Helper()
	if right-left < 1e-9 {
		return // one place found twice
	}
	var rises, falls [4]bool
	before := partAt(p, left+(right-left)*1e-3)
	var size [4]float64
	for i := 2; i < 999; i++ {
		a := partAt(p, left+(right-left)*float64(i)*1e-3)
		for k := range a {
			size[k] = math.Max(size[k], math.Abs(a[k]))
			slack := 1e-11 * math.Max(1, size[k])
			rises[k] = rises[k] || a[k] > before[k]+slack
			falls[k] = falls[k] || a[k] < before[k]-slack
		}
		before = a
	}
	for k := range rises {
		if rises[k] && falls[k] {
			t.Errorf("%v: derivative %d turns between %v and %v", e, k, left, right)
		}
	}
}

func TestAddEqualsValue(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	dst, xs := make([]float64, 300), make([]float64, 300)
	for _, e := range everyEase(t) {
		for _, p := range e.Parts() {
			if p.Func == nil {
				continue
			}
			x0, dx := r.Float64()-0.1, 0.004*r.Float64()
			scale, offset := 100*r.Float64()-50, r.Float64()
			for i := range xs {
				xs[i], dst[i] = x0+float64(i)*dx, offset
			}
			p.Func.Add(dst, xs, scale)
			for i, got := range dst {
				want := offset + float64(scale*p.Func.Value(xs[i]))
				if got != want {
					t.Fatalf("%v: %v at %d, want %v", e, got, i, want)
				}
			}
			x := p.X0 + (p.X1-p.X0)*r.Float64()
			if v, _, _, _ := p.Func.At(x); v != p.Func.Value(x) {
				t.Errorf("%v at %v: At gives %v, Value %v", e, x, v, p.Func.Value(x))
			}
			if n := testing.AllocsPerRun(5, func() { p.Func.Add(dst, xs, scale) }); n != 0 {
				t.Errorf("%v: Add allocates %v times", e, n)
			}
		}
	}
}

// Bezier values must not fall back where the curve rises, at neighbouring
// doubles and across the cells of the table.
func TestBezierIsMonotone(t *testing.T) {
	for _, text := range []string{"ease", "in-out", "out", "cubic-bezier(1, 0, 0, 1)", "cubic-bezier(0, 1, 0, 1)"} {
		f := mustParse(t, text).Parts()[0].Func
		before := 0.0
		for i := range 200_001 {
			v := f.Value(float64(i) / 200_000)
			if v < before {
				t.Fatalf("%s falls from %v to %v at %d", text, before, v, i)
			}
			before = v
		}
	}
}

// Random handles, shares and stops, the extreme ones among them: values stay in
// the peaks' range, derivatives under the peaks, and the text reads back.
func TestRandomEasesKeepTheirPeaks(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	for range 4000 {
		text := randomEase(r)
		e, err := Parse(text)
		if err != nil {
			continue // shares that are too small or add up to more than 1
		}
		if again, err := parseAnew(e.String()); err != nil || again.String() != e.String() {
			t.Fatalf("%s became %v, and that %v (%v)", text, e, again, err)
		}
		p := e.Peaks()
		size := math.Max(math.Abs(p.Max), math.Abs(p.Min))
		for range 30 {
			x := randomShare(r)
			v, d1, d2, d3 := e.At(x)
			if x < 1 && !(v <= p.Max+1e-12*size && v >= p.Min-1e-12*size) {
				t.Errorf("%s at %v: %v is outside %v to %v", text, x, v, p.Min, p.Max)
			}
			if !(math.Abs(d1) <= p.Speed*(1+1e-9)+1e-9) ||
				!(math.Abs(d2) <= p.Acceleration*(1+1e-6)+1e-6*p.Speed) ||
				!(math.Abs(d3) <= p.Jerk*(1+1e-5)+1e-5*p.Acceleration) {
				t.Errorf("%s at %v: %v %v %v exceed %+v", text, x, d1, d2, d3, p)
			}
		}
	}
}

// randomShare is a number from 0 to 1, often at or near an end.
func randomShare(r *rand.Rand) float64 {
	switch r.IntN(8) {
	case 0:
		return 0
	case 1:
		return 1
	case 2:
		return math.Pow(10, -300*r.Float64())
	case 3:
		return 1 - math.Pow(10, -17*r.Float64())
	}
	return r.Float64()
}

func randomEase(r *rand.Rand) string {
	switch r.IntN(3) {
	case 0:
		size := math.Pow(10, 6*r.Float64())
		return bezierText([4]float64{randomShare(r), size * (2*r.Float64() - 1), randomShare(r), size * (2*r.Float64() - 1)})
	case 1:
		a := randomShare(r)
		return fmt.Sprintf("trapezoid(%v, %v)", a, randomShare(r)*(1-a))
	}
	var stops []string
	for range 2 + r.IntN(5) {
		s := fmt.Sprint(4*r.Float64() - 2)
		for range r.IntN(3) {
			s += fmt.Sprintf(" %v%%", 140*randomShare(r)-20)
		}
		stops = append(stops, s)
	}
	return "linear(" + strings.Join(stops, ", ") + ")"
}
