package fit_test

import (
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/interp"
	"limberjack/interp/fit"
	"limberjack/sequence"
)

// TestCompiled: keys that are written into a motion become exactly the curve that was
// held against the take.
func TestCompiled(t *testing.T) {
	var times, values []float64
	for i := range 400 {
		at := float64(i) / 60
		times = append(times, at)
		values = append(values, 40*math.Sin(2*at)*math.Exp(-0.1*at)+5*math.Sin(11*at)-20)
	}
	button := make([]float64, len(values))
	for i := range button {
		button[i] = float64(i / 90 % 2)
	}
	for name, c := range map[string]struct {
		axis   string
		values []float64
		o      fit.Options
	}{
		"on frames": {"pan", values, fit.Options{Tolerance: 0.5, Round: 0.1, Grid: fit.Grid{Num: 24, Den: 1}}},
		"anywhere":  {"pan", values, fit.Options{Tolerance: 0.2}},
		"button":    {"horn", button, fit.Options{Tolerance: 0.1, Steps: true, Grid: fit.Grid{Num: 24, Den: 1}}},
	} {
		r, err := fit.Fit(times, c.values, c.o)
		if err != nil {
			t.Fatal(name, err)
		}
		p := compiled(t, c.axis, r)
		for _, at := range times {
			if got, want := p.Value(at), r.At(at); got != want {
				t.Errorf("%s: at %v s the compiled curve has %v, and the result %v", name, at, got, want)
				break
			}
		}
	}
}

func compiled(t *testing.T, axis string, r *fit.Result) *interp.Curve {
	t.Helper()
	exact := func(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }
	var b strings.Builder
	fmt.Fprintf(&b, "motion: take\nformat: 1\nrig: a.rig.yaml\nfps: 24\ntracks:\n  %s:\n", axis)
	for i, k := range r.Keys {
		at := exact(k.Time)
		if k.Step != 0 {
			at = fmt.Sprintf("%df", k.Step)
		}
		value := exact(k.Value)
		if axis == "horn" {
			value = map[float64]string{0: "off", 1: "on"}[k.Value]
		}
		if i == 0 {
			fmt.Fprintf(&b, "    - [%s, %s]\n", at, value)
		} else {
			fmt.Fprintf(&b, "    - [%s, %s, %s]\n", at, value, r.EaseName())
		}
	}
	files := fstest.MapFS{
		"a.rig.yaml": {Data: []byte("rig: A\nformat: 1\nboards: {main: {rate: 50Hz, tick: 0.5us, channels: 4}}\naxes:\n" +
			"  pan: {kind: servo, board: main, channel: 0, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]]}\n" +
			"  horn: {kind: switch, board: main, channel: 1}\n")},
		"a.motion.yaml": {Data: []byte(b.String())},
	}
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "a.motion.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := interp.Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range p.Axes {
		if a.Spec.Name == axis {
			return a.Part
		}
	}
	t.Fatal("no axis " + axis)
	return nil
}
