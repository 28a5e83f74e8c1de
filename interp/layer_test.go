package interp

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"
)

// tone is a WAV file of 16-bit PCM: half a second of silence, then a square wave
// of full scale for so many seconds, whose level is the same in every window.
func tone(duration float64) []byte {
	const rate = 8000
	var data []byte
	for k := range int((duration + 0.5) * rate) {
		v := int16(0)
		if k >= rate/2 {
			v = 32767
			if k/8%2 == 0 {
				v = -32767
			}
		}
		data = binary.LittleEndian.AppendUint16(data, uint16(v))
	}
	head := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x40\x1f\x00\x00\x80\x3e\x00\x00\x02\x00\x10\x00data\x00\x00\x00\x00")
	binary.LittleEndian.PutUint32(head[4:], uint32(36+len(data)))
	binary.LittleEndian.PutUint32(head[40:], uint32(len(data)))
	return append(head, data...)
}

// A first-order rise reaches 1 - 1/e of its step after its time constant, and a
// fall 1/e (the definition of a time constant).
func TestEnvelopeFollowsTheSound(t *testing.T) {
	p := load(t, "length: 4s\nlayers: [{axis: pan, add: {envelope: {of: tone.wav, low: 5deg, high: 25deg, attack: 100ms, release: 200ms}}}]\n")
	c := p.axisNamed("pan").Part
	for _, x := range []struct{ at, want float64 }{
		{0.3, 5}, {0.6, 5 + 20*(1-math.Exp(-1))}, {0.8, 5 + 20*(1-math.Exp(-3))}, {1.5, 25},
		{1.7, 5 + 20*math.Exp(-1)}, {1.9, 5 + 20*math.Exp(-2)}, {3.9, 5},
	} {
		if got := c.Value(x.at); math.Abs(got-x.want) > 0.15 {
			t.Errorf("at %g s the envelope is %g, want %g", x.at, got, x.want)
		}
	}
	for i := range c.Spans() - 1 { // the last one is after the end
		if r := c.Range(i, 0); r.Min < 5-1e-9 || r.Max > 25+1e-9 {
			t.Errorf("the envelope goes from %g to %g", r.Min, r.Max)
		}
	}
}

func TestLayersStayWithinTheirAmountAndSpan(t *testing.T) {
	for _, kind := range []string{"wiggle: {amount: 3deg, rate: 1.7Hz, seed: %d}", "noise: {amount: 3deg, rate: 1.7Hz, seed: %d}", "sine: {amount: 3deg, rate: 1.7Hz, phase: %ddeg}"} {
		for seed := range 5 {
			body := fmt.Sprintf("length: 20s\nlayers: [{axis: pan, add: {%s}, from: 2.3s, to: 17.1s, fade: 0.7s}]\n", fmt.Sprintf(kind, seed))
			c := load(t, body).axisNamed("pan").Part
			most := 0.0
			for i := range c.Spans() {
				from, to := c.Span(i)
				r := c.Range(i, 0)
				v, _ := r.Peak()
				most = math.Max(most, v)
				if (to <= 2.3 || from >= 17.1) && v != 0 {
					t.Errorf("%s: %g outside of the span", kind, v)
				}
			}
			if most > 3+1e-9 || most < 1 {
				t.Errorf("%s, seed %d: the greatest way is %g", kind, seed, most)
			}
			// Smooth to the second derivative: no joint but in the jerk.
			for _, j := range c.Joints(nil) {
				for n := range 3 {
					a, b := j.Before.Order(n), j.After.Order(n)
					if math.Abs(a-b) > 1e-6*math.Max(1, math.Abs(a)) {
						t.Errorf("%s: derivative %d jumps from %g to %g at %g s", kind, n, a, b, j.At)
					}
				}
			}
		}
	}
}

func TestAnotherSeedIsAnotherMotion(t *testing.T) {
	value := func(seed int) float64 {
		return load(t, fmt.Sprintf("length: 9s\nlayers: [{axis: pan, add: {noise: {amount: 3deg, rate: 2Hz, seed: %d}}}]\n", seed)).axisNamed("pan").Part.Value(4.1)
	}
	if value(1) != value(1) || value(1) == value(2) {
		t.Error("a seed must decide the motion, and nothing else")
	}
}

func TestNoiseIsSpreadEvenly(t *testing.T) {
	var sum, square float64
	const n = 20000
	for k := range int64(n) {
		v := unitNoise(42, k)
		if v < -1 || v >= 1 {
			t.Fatalf("noise %g is out of range", v)
		}
		sum += v
		square += v * v
	}
	// A uniform spread over -1..1 has the mean 0 and the variance 1/3.
	if math.Abs(sum/n) > 0.02 || math.Abs(square/n-1.0/3) > 0.01 {
		t.Errorf("mean %g, variance %g", sum/n, square/n)
	}
}

// The ruler of time is the envelope's: it follows script time under a pace.
func TestEnvelopeFollowsThePace(t *testing.T) {
	body := "length: 2s\nlayers: [{axis: pan, add: {envelope: {of: tone.wav, high: 20deg, attack: 50ms, release: 50ms}}}]\n"
	a := load(t, body).axisNamed("pan").Part
	b := load(t, body+"pace: [[0, 0, 0.5], [4, 2, 0.5]]\n").axisNamed("pan").Part
	for at := 0.0; at < 2; at += 0.013 {
		if math.Abs(a.Value(at)-b.Value(2*at)) > 1e-9 {
			t.Fatalf("at script time %g s: %g against %g", at, a.Value(at), b.Value(2*at))
		}
	}
}

func TestSoonestKeepsTheLimits(t *testing.T) {
	p := load(t, strings.Join([]string{
		"tracks:",
		"  pan: [[0s, 0], {at: soonest, to: 80}, {at: soonest+0.5s, to: -3}, [5s, -3, hold], {at: soonest, to: -2.9}]",
		"  tilt: [[0s, 0], {at: soonest, to: 80}]",
		"  jaw: [[0s, 0], {at: soonest, to: 24}, {at: soonest, to: -4}]", ""}, "\n"))
	for _, name := range []string{"pan", "jaw"} {
		c := p.axisNamed(name).Horn
		for order, limit := range []float64{0, 250, 1500, 20000} {
			if order == 0 {
				continue
			}
			most := 0.0
			for i := range c.Spans() - 1 {
				v, _ := c.Range(i, order).Peak()
				most = math.Max(most, v)
			}
			if most > limit*(1+1e-6) {
				t.Errorf("%s: derivative %d reaches %g of %g", name, order, most, limit)
			}
			if order == 3 && math.Abs(most-limit) > 1e-4*limit {
				t.Errorf("%s: the jerk of the quickest profile is %g, not its limit %g", name, most, limit)
			}
		}
	}
	// Rest to rest over 80 deg within 250, 1500 and 20000: the closed form of the
	// full seven phases, d/v + v/a + a/j (handbooks of motion control).
	if want, got := 80/250.0+250/1500.0+1500/20000.0, p.Script.Merged[0].Keys[1].Time; math.Abs(got-want) > 1e-12 {
		t.Errorf("soonest arrives at %.12f s, want %.12f", got, want)
	}
}

func TestPchipNeverOvershootsItsKeys(t *testing.T) {
	for seed := range 20 {
		var b strings.Builder
		b.WriteString("tracks:\n  pan:\n    - [0s, 0]\n")
		at := 0.0
		for k := range 30 {
			at += 0.1 + math.Abs(unitNoise(uint64(seed), int64(k)))
			fmt.Fprintf(&b, "    - [%.3fs, %.2fdeg, pchip]\n", at, 85*unitNoise(uint64(seed)+99, int64(k)))
		}
		p := load(t, b.String())
		c, keys := p.axisNamed("pan").Part, p.Script.Merged[0].Keys
		for i := 1; i < len(keys); i++ {
			r := c.Range(i-1, 0)
			low, high := math.Min(keys[i-1].Value, keys[i].Value), math.Max(keys[i-1].Value, keys[i].Value)
			if r.Min < low-1e-9 || r.Max > high+1e-9 {
				t.Fatalf("between %g and %g the curve goes from %g to %g", low, high, r.Min, r.Max)
			}
		}
	}
}

func TestCuesSetUntilTheNext(t *testing.T) {
	c := load(t, "length: 4s\ncues:\n  - {at: 3s, set: {horn: off}}\n  - {at: 1s, set: {horn: on}}\n").axisNamed("horn").Part
	for at, want := range map[float64]float64{0: 0, 0.999: 0, 1: 1, 2.999: 1, 3: 0, 4: 0} {
		if got := c.Value(at); got != want {
			t.Errorf("at %g s the horn is %g, want %g", at, got, want)
		}
	}
}
