package sound

import (
	"bytes"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// float32File is a 32-bit float WAV file of the samples.
func float32File(channels, rate int, samples []float64) []byte {
	var b []byte
	for _, x := range samples {
		b = append(b, le32(math.Float32bits(float32(x)))...)
	}
	return riff(plain(3, channels, rate, 32), chunk("data", b))
}

// TestSine: the RMS of a full-scale sine over whole periods is 1/sqrt(2), by
// definition, and its peak 1.
func TestSine(t *testing.T) {
	samples := make([]float64, 48000)
	for i := range samples {
		samples[i] = math.Sin(2 * math.Pi * 1000 * float64(i) / 48000)
	}
	l, err := Measure(bytes.NewReader(float32File(1, 48000, samples)), 0.02)
	if err != nil {
		t.Fatal(err)
	}
	if l.Hop != 0.02 || len(l.RMS) != 50 || len(l.Peak) != 50 {
		t.Fatalf("%d and %d windows of %g s, want 50 of 0.02 s", len(l.RMS), len(l.Peak), l.Hop)
	}
	for k := range l.RMS {
		if math.Abs(float64(l.RMS[k])-1/math.Sqrt2) > 1e-7 || l.Peak[k] != 1 {
			t.Errorf("window %d: RMS %v, peak %v; want 1/sqrt(2) and 1", k, l.RMS[k], l.Peak[k])
		}
	}
}

// TestWindows works small sounds out by hand. Windows do not depend on how the
// file's frames fall into the decoder's buffer.
func TestWindows(t *testing.T) {
	tests := []struct {
		name      string
		channels  int
		rate      int
		samples   []float64
		hop       float64
		wantHop   float64
		rms, peak []float32
	}{
		{"two windows", 1, 1000, []float64{0.5, -0.5, 1, 0}, 0.002, 0.002, []float32{0.5, float32(math.Sqrt(0.5))}, []float32{0.5, 1}},
		{"channels together", 2, 1000, []float64{1, 0, -1, 0}, 0.002, 0.002, []float32{float32(math.Sqrt(0.5))}, []float32{1}},
		{"last window padded with silence", 1, 1000, []float64{0, 0, 0, 0, 1}, 0.004, 0.004, []float32{0, 0.5}, []float32{0, 1}},
		{"shorter than a window", 1, 1000, []float64{-1}, 0.004, 0.004, []float32{0.5}, []float32{1}},
		{"hop rounded down", 1, 1000, []float64{1, 1, 0, 0}, 0.0024, 0.002, []float32{1, 0}, []float32{1, 0}},
		{"hop rounded up", 1, 1000, []float64{1, 1, 1, 0}, 0.0025, 0.003, []float32{1, 0}, []float32{1, 0}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			l, err := Measure(bytes.NewReader(float32File(tt.channels, tt.rate, tt.samples)), tt.hop)
			if err != nil {
				t.Fatal(err)
			}
			if l.Hop != tt.wantHop || !equal(l.RMS, tt.rms) || !equal(l.Peak, tt.peak) {
				t.Errorf("hop %v, RMS %v, peak %v; want %v, %v, %v", l.Hop, l.RMS, l.Peak, tt.wantHop, tt.rms, tt.peak)
			}
		})
	}
}

func equal(a, b []float32) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// TestLongWindows compares windows that straddle buffers with sums over the
// whole sound.
func TestLongWindows(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	samples := make([]float64, 3*70001)
	for i := range samples {
		samples[i] = float64(float32(random.Float64()*2 - 1))
	}
	l, err := Measure(bytes.NewReader(float32File(3, 11025, samples)), 0.02)
	if err != nil {
		t.Fatal(err)
	}
	const n = 3 * 221 // 220.5 frames, rounded
	if l.Hop != 221.0/11025 || len(l.RMS) != (len(samples)+n-1)/n {
		t.Fatalf("%d windows of %v s", len(l.RMS), l.Hop)
	}
	for k := range l.RMS {
		var sum, peak float64
		for _, x := range samples[k*n : min((k+1)*n, len(samples))] {
			sum += x * x
			peak = max(peak, math.Abs(x))
		}
		if math.Abs(float64(l.RMS[k])-math.Sqrt(sum/n)) > 1e-7 || float64(l.Peak[k]) != peak {
			t.Fatalf("window %d: RMS %v, peak %v; want %v, %v", k, l.RMS[k], l.Peak[k], math.Sqrt(sum/n), peak)
		}
	}
}

func TestHopLimits(t *testing.T) {
	for _, hop := range []float64{0, -1, 0.00099, 10.1, math.NaN(), math.Inf(1)} {
		_, err := Measure(bytes.NewReader(float32File(1, 8000, []float64{0})), hop)
		if err == nil || !strings.Contains(err.Error(), "is outside 0.001 to 10 s") {
			t.Errorf("hop %g: %v", hop, err)
		}
	}
}

// step is a level of silence, then full scale from window n, then silence from
// window m to the end.
func step(hop float64, n, m, end int) *Level {
	rms := make([]float32, end)
	for k := n; k < m; k++ {
		rms[k] = 0.25
	}
	return &Level{Hop: hop, RMS: rms}
}

// TestEnvelopeStep: a one-pole filter has covered 1 - 1/e of a step once its
// time constant has passed, by the definition of a time constant; and follows
// 1 - exp(-t/constant) all along.
func TestEnvelopeStep(t *testing.T) {
	for _, hop := range []float64{0.001, 0.02, 221.0 / 11025} {
		for _, constant := range []float64{0.01, 0.02, 0.09, 0.5, 3} {
			n, width := 5, int(40*constant/hop)+1
			l := step(hop, n, n+width, n+2*width)
			reached := func(env []float64, from int, done func(float64) bool) float64 {
				for k := from; k < len(env); k++ {
					if done(env[k]) {
						return float64(k-from+1) * hop
					}
				}
				return math.Inf(1)
			}
			env := l.Envelope(constant, 2*constant)
			if got := reached(env, n, func(y float64) bool { return y >= 1-1/math.E }); math.Abs(got-constant) > hop*(1+1e-9) {
				t.Errorf("hop %g s: attack of %g s took %g s", hop, constant, got)
			}
			if got := reached(env, n+width, func(y float64) bool { return y <= 1/math.E }); math.Abs(got-2*constant) > hop*(1+1e-9) {
				t.Errorf("hop %g s: release of %g s took %g s", hop, 2*constant, got)
			}
			for k := range width {
				if want := -math.Expm1(-float64(k+1) * hop / constant); math.Abs(env[n+k]-want) > 1e-12 {
					t.Fatalf("hop %g s, attack %g s: window %d is %v, want %v", hop, constant, k, env[n+k], want)
				}
			}
		}
	}
}

func TestEnvelopeEdges(t *testing.T) {
	l := &Level{Hop: 0.02, RMS: []float32{0, 0.1, 0.4, 0.2, 0}}
	want := []float64{0, 0.25, 1, 0.5, 0}
	for _, constant := range []float64{0, -1, math.NaN()} {
		for k, y := range l.Envelope(constant, constant) {
			if math.Abs(y-want[k]) > 1e-7 {
				t.Errorf("time constant %g: window %d is %v, want %v", constant, k, y, want[k])
			}
		}
	}
	for _, y := range l.Envelope(math.Inf(1), 0) {
		if y != 0 {
			t.Errorf("an endless attack rose to %v", y)
		}
	}
	for _, y := range (&Level{Hop: 0.02, RMS: make([]float32, 3)}).Envelope(0.01, 0.01) {
		if y != 0 {
			t.Errorf("silence gives %v", y)
		}
	}
	if env := (&Level{Hop: 0.02}).Envelope(0.01, 0.01); len(env) != 0 {
		t.Errorf("no windows give %v", env)
	}
}

// TestEnvelopeBounds: whatever the level, the envelope stays in 0 to 1 and
// between its last value and its target.
func TestEnvelopeBounds(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 200 {
		l := &Level{Hop: 0.02, RMS: make([]float32, 200)}
		loudest := float32(0)
		for k := range l.RMS {
			l.RMS[k] = float32(random.Float64() * float64(random.IntN(2)))
			loudest = max(loudest, l.RMS[k])
		}
		last := 0.0
		for k, y := range l.Envelope(math.Pow(10, random.Float64()*24-20), math.Pow(10, random.Float64()*24-20)) {
			target := float64(l.RMS[k]) / float64(loudest)
			const ulp = 1.0 / (1 << 52)
			if y < 0 || y > 1 || y < min(last, target)-ulp || y > max(last, target)+ulp {
				t.Fatalf("window %d goes from %v to %v with target %v", k, last, y, target)
			}
			last = y
		}
	}
}

// TestDecay compares with the standard library, whose last bit may differ from
// one processor to another.
func TestDecay(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 6))
	cases := []float64{0, 1e-300, 1e-17, 0.1, 0.34657, 0.34658, math.Ln2, 1, 10, 700, 708.4, 745, 745.2, 1e9, math.Inf(1)}
	for range 20000 {
		cases = append(cases, math.Pow(10, random.Float64()*6-3))
	}
	for _, x := range cases {
		got, want := decay(x), math.Exp(-x)
		if math.Abs(got-want) > want/(1<<51)+5e-324 {
			t.Fatalf("decay(%v) is %v, want %v", x, got, want)
		}
	}
}
