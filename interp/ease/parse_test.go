package ease

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
)

func TestParseCanonicalText(t *testing.T) {
	tests := map[string]string{
		"in-out":                           "in-out",
		" ease-in-out ":                    "in-out",
		"ease":                             "ease",
		"ease-in":                          "in",
		"ease-out":                         "out",
		"linear":                           "linear",
		"linear(0, 1)":                     "linear(0 0%, 1 100%)",
		"linear(0, 75% 0.25, 1)":           "linear(0 0%, 0.25 75%, 1 100%)",
		"linear(0, 0.25 20% 75%, 1)":       "linear(0 0%, 0.25 20%, 0.25 75%, 1 100%)",
		"cubic-bezier(.3,0,.2,1)":          "cubic-bezier(0.3, 0, 0.2, 1)",
		"cubic-bezier( 0.3 , -2 , 1e0, 1)": "cubic-bezier(0.3, -2, 1, 1)",
		"steps(4)":                         "steps(4, jump-end)",
		"steps(4,start)":                   "steps(4, jump-start)",
		"steps(2, jump-none)":              "steps(2, jump-none)",
		"step-start":                       "steps(1, jump-start)",
		"step-end":                         "steps(1, jump-end)",
		"trapezoid(0.30, 0.3)":             "trapezoid(0.3, 0.3)",
		"back-out":                         "back-out",
		"cubic":                            "cubic",
		"cubic-in":                         "cubic-in",
		"catmull-rom":                      "catmull-rom",
	}
	for text, want := range tests {
		if got := mustParse(t, text).String(); got != want {
			t.Errorf("%q became %q, want %q", text, got, want)
		}
	}
}

func TestCubicIsASplineAndAFamily(t *testing.T) {
	if s := mustParse(t, "cubic").Spline(); s != Cubic {
		t.Errorf("cubic is %v", s)
	}
	if e := mustParse(t, "cubic-in"); e.Spline() != None || e.Family() != "cubic" {
		t.Errorf("cubic-in is %v of %v", e.Spline(), e.Family())
	}
}

func TestParseErrors(t *testing.T) {
	tests := []struct{ text, says, near string }{
		{"", "empty", ""},
		{"in-owt", `ease "in-owt" is not known`, "in-out"},
		{"ease-in-quad", "not known", "quad-in"},
		{"out-bounce", "not known", "bounce-out"},
		{"Back-Out", "not known", "back-out"},
		{"easeInOutQuad", "not known", "quad-in-out"},
		{"easeInOut", "not known", "ease-in-out"},
		{"bounce", "not known", "bounce-in-out"},
		{"minjerk", "not known", "min-jerk"},
		{"cubic-bezer(0,0,1,1)", `"cubic-bezer" is not known`, "cubic-bezier"},
		{"zzzzzzzzzzzz", "not known", ""},
		{"3-4-5", "not known", ""},
		{strings.Repeat("x", 200_000), "at most", ""},
		{"cubic-bezier", "needs arguments", ""},
		{"steps", "needs arguments", ""},
		{"in-out(3)", "takes no arguments", ""},
		{"steps(3", "closing bracket", ""},
		{"steps(3))", "bracket", ""},
		{"steps(3) x", "closing bracket", ""},
		{"steps()", "number of steps", ""},
		{"steps(0)", "from 1 to 10000", ""},
		{"steps(10001)", "from 1 to 10000", ""},
		{"steps(2.5)", "number of steps", ""},
		{"steps(99999999999999999999)", "number of steps", ""},
		{"steps(1, jump-none)", "2 steps", ""},
		{"steps(2, middle)", `"middle" is not known`, ""},
		{"steps(2, start, end)", "3 arguments", ""},
		{"cubic-bezier(0, 0, 1)", "takes 4 numbers", ""},
		{"cubic-bezier(-0.1, 0, 1, 1)", "x1 is -0.1, outside 0 to 1", ""},
		{"cubic-bezier(0, 0, 1.5, 1)", "x2 is 1.5, outside 0 to 1", ""},
		{"cubic-bezier(0, 1e7, 1, 1)", "y1 is 1e+07", ""},
		{"cubic-bezier(NaN, 0, 1, 1)", "not a number", ""},
		{"cubic-bezier(Inf, 0, 1, 1)", "not a number", ""},
		{"cubic-bezier(0, 1e400, 1, 1)", "too large", ""},
		{"cubic-bezier(0, , 1, 1)", "a number is missing", ""},
		{"cubic-bezier(0x1p-2, 0, 1, 1)", "not a number", ""},
		{"cubic-bezier(1_0, 0, 1, 1)", "not a number", ""},
		{"trapezoid(0.6, 0.6)", "add up to 1.2", ""},
		{"trapezoid(0.6)", "takes 2 numbers", ""},
		{"trapezoid(-0.1, 0.6)", "outside 0 to 1", ""},
		{"trapezoid(1e-9, 0.6)", "1e-06 or more", ""},
		{"linear()", "stop 1", ""},
		{"linear(0)", "two stops", ""},
		{"linear(0, 1 1% 2% 3%)", "stop 2", ""},
		{"linear(0, 1% 1 2%)", "stop 2", ""},
		{"linear(0, 5%)", "stop 2", ""},
		{"linear(0, 1e9)", "too large", ""},
		{"linear(0, 1 1e9%)", "too large", ""},
		{"linear(" + strings.Repeat("0,", 1000) + "1)", "more than 1000 stops", ""},
		{"linear(" + strings.Repeat("0 0% 0%,", 501) + "1)", "more than 1000 stops", ""},
	}
	for _, tt := range tests {
		e, err := Parse(tt.text)
		var pe *ParseError
		if !errors.As(err, &pe) {
			t.Errorf("%.40q: %v, %v", tt.text, e, err)
			continue
		}
		if pe.Text != tt.text || pe.Near != tt.near || !strings.Contains(pe.Msg, tt.says) {
			t.Errorf("%.40q: %q near %q, want %q near %q", tt.text, pe.Msg, pe.Near, tt.says, tt.near)
		}
		if err.Error() != pe.Msg {
			t.Errorf("%.40q: the error reads %q", tt.text, err)
		}
		if len(pe.Msg) > 200 {
			t.Errorf("%.40q: the message has %d bytes", tt.text, len(pe.Msg))
		}
	}
}

func TestNamesAreSortedAndComplete(t *testing.T) {
	names := Names()
	if !slices.IsSorted(names) || len(slices.Compact(slices.Clone(names))) != len(names) {
		t.Errorf("names are not sorted: %v", names)
	}
	for _, name := range []string{"linear", "ease", "ease-in-out", "in-out", "steps", "cubic-bezier", "cubic", "cubic-in-out",
		"hold", "min-jerk", "min-snap", "trapezoid", "s-curve", "harmonic", "cycloid", "modified-trapezoid", "modified-sine",
		"pchip", "akima", "natural", "catmull-rom", "step-start", "step-end", "bounce-out", "elastic-in"} {
		if !slices.Contains(names, name) {
			t.Errorf("%s is missing", name)
		}
	}
}

// Equal texts share one ease and its tables; so many that the memory starts anew
// still mean the same.
func TestParseRemembers(t *testing.T) {
	a, b := mustParse(t, "cubic-bezier(0.3, 0, 0.2, 1)"), mustParse(t, "cubic-bezier(0.3, 0, 0.2, 1)")
	if a != b {
		t.Error("the same text gave two eases")
	}
	for i := range 3 * mostRemembered {
		text := "cubic-bezier(0.5, " + number(float64(i)) + ", 0.5, 1)"
		if got := mustParse(t, text).String(); got != text {
			t.Fatalf("%s became %s", text, got)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, e := range everyEase(f) {
		f.Add(e.String())
	}
	for _, text := range []string{"", "steps(4, jump-none)", "linear(0 20%, 0.5 10%, 1)", "linear(,)", "in-owt", "cubic-bezier(1e-300, 0, 1, 1)",
		"cubic-bezier(0,1e6,0.9999999999999999,-1e6)", "linear(0, 1, 1e-7, 2 1e-300%, 3)", "trapezoid(0.5, 0.5)", "steps(1e1)", "linear (0, 1)", "\xff(\x00"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		e, err := Parse(text)
		if err != nil {
			var pe *ParseError
			if !errors.As(err, &pe) || pe.Msg == "" || pe.Text != text {
				t.Fatalf("%q: error %#v", text, err)
			}
			return
		}
		again, err := parseAnew(e.String())
		if err != nil || again.String() != e.String() || again.Family() != e.Family() {
			t.Fatalf("%q became %q, and that %v (%v)", text, e, again, err)
		}
		for _, x := range []float64{0, 1e-300, 1e-9, 0.2, 0.5, 0.77, 1 - 1e-9, 1} {
			v, d1, d2, d3 := e.At(x)
			w, _, _, _ := again.At(x)
			if v != w || math.IsNaN(v+0*d1) && !math.IsInf(d1, 0) || math.IsNaN(d1) || math.IsNaN(d2) || math.IsNaN(d3) || math.IsInf(v, 0) {
				t.Fatalf("%q at %v: %v %v %v %v, read again %v", text, x, v, d1, d2, d3, w)
			}
			if p := e.Progress(x, false); math.IsNaN(p) {
				t.Fatalf("%q: no progress at %v", text, x)
			}
		}
		if v, _, _, _ := e.At(1); v != 1 {
			t.Fatalf("%q ends at %v", text, v)
		}
		p := e.Peaks()
		if !(p.Min <= p.Max) || !(p.Speed >= 0) || !(p.Acceleration >= 0) || !(p.Jerk >= 0) {
			t.Fatalf("%q: peaks %+v", text, p)
		}
		from := 0.0
		for i, part := range e.Parts() {
			if part.X0 != from || !(part.X1 > from) {
				t.Fatalf("%q: part %d from %v to %v after %v", text, i, part.X0, part.X1, from)
			}
			from = part.X1
		}
	})
}

// parseAnew reads past the memory, so that equal texts are really read twice.
func parseAnew(text string) (*Ease, error) {
	if e, ok := plainEases()[text]; ok {
		return e, nil
	}
	return parseCall(text)
}
