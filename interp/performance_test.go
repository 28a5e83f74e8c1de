package interp

import (
	"io"
	"math"
	"math/rand"
	"strings"
	"testing"
	"testing/fstest"

	"limberjack/sequence"
)

// testRig has one axis of each behaviour that the curves depend on.
const testRig = `rig: test
format: 1
boards: {main: {rate: 50Hz, tick: 0.5us, channels: 32}}
supplies: {rail: {voltage: 6V}}
axes:
  pan: {kind: servo, board: main, channel: 0, supply: rail, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]],
        limits: {speed: 250deg/s, acceleration: 1500deg/s2, jerk: 20000deg/s3}}
  tilt: {kind: servo, board: main, channel: 1, supply: rail, travel: [-90deg, 90deg], pulse: [[-90deg, 600us], [90deg, 2400us]]}
  jaw: {kind: servo, board: main, channel: 2, supply: rail, travel: [-5deg, 25deg], pulse: [[-45deg, 1000us], [45deg, 2000us]],
        linkage: {base: 60mm, horn: 12mm, rod: 60mm, arm: 18mm, zero: 90deg, branch: open},
        limits: {speed: 250deg/s, acceleration: 1500deg/s2, jerk: 20000deg/s3}}
  lamp: {kind: dimmer, board: main, channel: 3}
  horn: {kind: switch, board: main, channel: 4}
controls:
  nod: {pan: 0.5, tilt: -1}
  look: {nod: 2, pan: 0.25}
`

// load compiles a motion that stands on the test rig.
func load(t testing.TB, body string) *Performance {
	t.Helper()
	files := fstest.MapFS{
		"test.rig.yaml":    {Data: []byte(testRig)},
		"test.motion.yaml": {Data: []byte("motion: test\nformat: 1\nrig: test.rig.yaml\nfps: 25\n" + body)},
	}
	files["tone.wav"] = &fstest.MapFile{Data: tone(1.0)}
	s, err := sequence.LoadMotion(func(name string) (io.ReadCloser, error) { return files.Open(name) }, "test.motion.yaml")
	if err != nil {
		t.Fatalf("the motion does not load:\n%v", err)
	}
	p, err := Compile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *Performance) axisNamed(name string) *Axis {
	for _, a := range p.Axes {
		if a.Spec.Name == name {
			return a
		}
	}
	return nil
}

// everything is a motion that uses each way in which a curve can come about.
const everything = `length: 12s
phrases:
  start: {keys: {tilt: [[0s, 0], [0.3s, 20, back-out], [0.8s, -5, sine-in-out], [1s, 0, elastic-out]]}}
tracks:
  pan:
    - [0.5s, 0]
    - [1.5s, 40, in-out]
    - [2s, 35, pchip]
    - [3s, -20, pchip]
    - [4s, -25, pchip]
    - [5s, 0, min-jerk]
    - {at: soonest+0.2s, to: 30}
    - [7s, 0, "cubic-bezier(0.1, -0.4, 0.6, 1.4)"]
    - [8s, 10, modified-sine]
    - [9s, 0, expo-out]
    - [10s, 20, s-curve]
  nod: [[2s, 0], [4s, 10, natural], [5s, -10, natural], [6s, 0, natural]]
  look: [[1s, 0], [3s, 5, cycloid], [5s, 0, harmonic]]
  jaw: [[0s, 0], [1s, 20, in-out], [2s, 5, bounce-out], {at: soonest, to: 22}, [4s, 0, cubic-in]]
  lamp: [[0s, 0], [4s, 100], [8s, 20, "steps(4)"]]
place:
  - {phrase: start, at: 6s, times: 2, stretch: 1.5, scale: {tilt: 0.5}, mirror: true}
layers:
  - {axis: pan, add: {wiggle: {amount: 1.5deg, rate: 0.7Hz, seed: 7}}, from: 1s, to: 11s, fade: 0.5s}
  - {axis: tilt, add: {noise: {amount: 2deg, rate: 1.3Hz, seed: 9}}, fade: 1s}
  - {axis: nod, add: {sine: {amount: 1deg, rate: 0.9Hz, phase: 30deg}}, from: 2s, to: 9s, fade: 1s}
  - {axis: lamp, add: {sine: {amount: 3, rate: 5Hz}}, from: 9s, to: 11s}
cues:
  - {at: 3s, set: {horn: on}}
  - {at: 4s, set: {horn: off}}
`

const pace = `pace: [[0, 0, 0], [2, 1.5, 1.5], [6, 7, 1.25], [10, 11, 0.75], [12.666666666666666, 12, 0]]
`

func TestDerivativesAreThoseOfTheCurve(t *testing.T) {
	for _, body := range []string{everything, everything + pace} {
		p := load(t, body)
		for _, a := range p.Axes {
			for _, c := range []*Curve{a.Part, a.Horn} {
				checkDerivatives(t, a.Spec.Name, c, p.Length)
			}
		}
	}
}

// checkDerivatives compares each derivative with the Richardson-extrapolated
// central difference of the one before it, inside pieces.
func checkDerivatives(t *testing.T, name string, c *Curve, length float64) {
	r := rand.New(rand.NewSource(1))
	for range 400 {
		at := r.Float64() * length
		from, to := c.Span(c.find(at))
		h := math.Min(1e-4, math.Min(at-from, to-at)/3)
		if h < 1e-6 {
			continue
		}
		for n := 1; n <= 3; n++ {
			d := func(h float64) float64 { return (c.At(at+h).Order(n-1) - c.At(at-h).Order(n-1)) / (2 * h) }
			want := (4*d(h/2) - d(h)) / 3
			got := c.At(at).Order(n)
			scale := math.Max(1, math.Abs(got)) + math.Abs(c.At(at).Order(n-1))*1e-11/h
			if math.Abs(got-want) > 2e-4*scale {
				t.Errorf("%s: derivative %d at %.6f s is %g, by difference %g (piece %g to %g)", name, n, at, got, want, from, to)
				return
			}
		}
	}
}

func TestFillGivesWhatValueGives(t *testing.T) {
	p := load(t, everything+pace)
	ts := make([]float64, 0, 14000)
	for i := range 14000 {
		ts = append(ts, float64(i)/1000)
	}
	got := make([]float64, len(ts))
	for _, a := range p.Axes {
		cur := a.Horn.Cursor()
		for i := 0; i < len(ts); i += 700 {
			cur.Fill(got[i:i+700], ts[i:i+700])
		}
		for i, x := range ts {
			if want := a.Horn.Value(x); got[i] != want {
				t.Fatalf("%s at %g s: in order %v, alone %v", a.Spec.Name, x, got[i], want)
			}
		}
	}
}

func TestMixingIsLinear(t *testing.T) {
	p := load(t, everything)
	pan, tilt := p.axisNamed("pan"), p.axisNamed("tilt")
	var nod, look *Curve
	for _, c := range p.Controls {
		if c.Spec.Name == "nod" {
			nod = c.Curve
		} else {
			look = c.Curve
		}
	}
	own := func(a *Axis, at float64) float64 {
		v := 0.0
		for _, s := range a.parts {
			src := s.strand.source(at)
			if (src.Track != nil && src.Track.Target.Axis == a.Spec) || (src.Layer != nil && src.Layer.Target.Axis == a.Spec) {
				c := Curve{s.strand.pieces}
				v += c.Value(at)
			}
		}
		return v
	}
	for at := 0.0; at < 12; at += 0.0137 {
		if got, want := pan.Part.Value(at), own(pan, at)+0.5*nod.Value(at)+0.25*look.Value(at); math.Abs(got-want) > 1e-9 {
			t.Fatalf("pan at %g s is %g, by its mix %g", at, got, want)
		}
		if got, want := tilt.Part.Value(at), own(tilt, at)-nod.Value(at); math.Abs(got-want) > 1e-9 {
			t.Fatalf("tilt at %g s is %g, by its mix %g", at, got, want)
		}
	}
}

func TestExtremesAgreeWithADenseSearch(t *testing.T) {
	for _, body := range []string{everything, everything + pace} {
		p := load(t, body)
		for _, a := range p.Axes {
			for _, c := range []*Curve{a.Part, a.Horn} {
				for i := range c.Spans() - 1 {
					checkExtremes(t, a.Spec.Name, c, i)
				}
			}
		}
	}
}

func checkExtremes(t *testing.T, name string, c *Curve, i int) {
	p := &c.pieces[i]
	h := p.t1 - p.t0
	for order := range 4 {
		r := c.Range(i, order)
		dense := emptyRange()
		for k := range 400 {
			u := h * float64(k) / 400
			dense.take(p.at(u).Order(order), p.t0+u)
		}
		scale := 1e-6*math.Max(math.Abs(dense.Min), math.Abs(dense.Max)) + 1e-7
		if r.Min > dense.Min+scale || r.Max < dense.Max-scale {
			t.Errorf("%s piece %d (%.4f to %.4f s) order %d: range %g to %g misses %g (at %g) to %g (at %g)", name, i, p.t0, p.t1, order, r.Min, r.Max, dense.Min, dense.AtMin, dense.Max, dense.AtMax)
		}
		for _, e := range [][2]float64{{r.Min, r.AtMin}, {r.Max, r.AtMax}} {
			if v := p.at(e[1] - p.t0).Order(order); math.Abs(v-e[0]) > scale && !math.IsInf(v, 0) {
				t.Errorf("%s piece %d order %d: extreme %g is not what the curve has at %g: %g", name, i, order, e[0], e[1], v)
			}
		}
	}
}

func TestStretchDividesSpeed(t *testing.T) {
	body := "phrases: {go: {keys: {pan: [[0s, 0], [1s, 30, min-jerk], [2s, -10, pchip], [3s, 0, pchip]]}}}\nlength: 20s\nplace: [{phrase: go, at: 0s, stretch: %}]\n"
	one := load(t, strings.Replace(body, "%", "1", 1)).axisNamed("pan").Part
	for _, k := range []string{"0.5", "2", "3.7"} {
		p := load(t, strings.Replace(body, "%", k, 1)).axisNamed("pan").Part
		f := map[string]float64{"0.5": 0.5, "2": 2, "3.7": 3.7}[k]
		for at := 0.01; at < 3; at += 0.037 {
			a, b := one.At(at), p.At(at*f)
			if math.Abs(a.Position-b.Position) > 1e-9 || math.Abs(a.Speed-b.Speed*f) > 1e-8 || math.Abs(a.Acceleration-b.Acceleration*f*f) > 1e-7 {
				t.Fatalf("stretch %s at %g s: %+v against %+v", k, at, b, a)
			}
		}
	}
}
