package sound

import (
	"fmt"
	"io"
	"math"
)

// Limits of the hop that [Measure] takes, in seconds.
const (
	MinHop = 0.001
	MaxHop = 10
)

// Level is the loudness of a sound over time, in windows that follow one
// another without gap or overlap. Window k covers the frames [k n, (k+1) n),
// where n is Hop times the sample rate, a whole number.
type Level struct {
	Info Info
	// Hop is the length of a window in seconds: the hop asked for, rounded to
	// the nearest whole number of frames (half a frame up, at least one frame),
	// so that window k starts at exactly k Hop and nothing drifts. At 11025 Hz,
	// 20 ms or 220.5 frames becomes 221 frames, 20.045 ms.
	Hop float64
	// RMS is the root of the mean square of all samples of all channels in a
	// window. Full scale is 1. Past its last frame the sound counts as silence,
	// so the last window's mean is over a whole window as well.
	RMS []float32
	// Peak is the greatest magnitude of a sample of any channel in a window.
	Peak []float32
}

// Measure reads a WAV file to its end and measures its level. The hop is in
// seconds, MinHop to MaxHop; servo frames are commonly 0.02 s. A file that is
// cut short or has no sound at all is an error, so that no rehearsal runs on
// half a sound unnoticed.
//
// Time is linear in the file's length. Memory is the two slices of the result,
// 8 bytes a hop and up to twice that while they grow, and a fixed buffer.
func Measure(r io.Reader, hop float64) (*Level, error) {
	if !(hop >= MinHop && hop <= MaxHop) {
		return nil, fmt.Errorf("a hop of %g s is outside %g to %g s", hop, float64(MinHop), float64(MaxHop))
	}
	d, err := NewDecoder(r)
	if err != nil {
		return nil, err
	}
	m, frames := newMeter(d.Info(), hop)
	if err := m.run(d); err != nil {
		return nil, err
	}
	l := &Level{Info: d.Info(), Hop: float64(frames) / float64(d.info.Rate), RMS: m.rms, Peak: m.peaks}
	if l.Info.Frames == 0 {
		return nil, errorAt(d.start, "the file has no sound: its data chunk is empty; %s", exportAgain)
	}
	return l, nil
}

// meter gathers windows of samples.
type meter struct {
	window int // samples of all channels in a window
	left   int // samples that the open window still lacks
	sum    float64
	peak   float32

	rms, peaks []float32
}

func newMeter(info Info, hop float64) (m *meter, frames int) {
	frames = max(1, int(math.Round(float64(hop*float64(info.Rate)))))
	n := frames * info.Channels
	return &meter{window: n, left: n}, frames
}

// run feeds the whole sound to the meter.
func (m *meter) run(d *Decoder) error {
	buf := make([]float32, len(d.raw)/d.format.block*d.info.Channels)
	for {
		frames, err := d.Read(buf)
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		m.add(buf[:frames*d.info.Channels])
	}
	if m.left < m.window {
		m.close()
	}
	return nil
}

// add takes samples, in order.
func (m *meter) add(samples []float32) {
	for len(samples) > 0 {
		n := min(m.left, len(samples))
		m.gather(samples[:n])
		samples = samples[n:]
		if m.left -= n; m.left == 0 {
			m.close()
		}
	}
}

// gather takes samples of one window. The bits of finite magnitudes sort as the
// magnitudes do, which is faster than comparing floats.
func (m *meter) gather(samples []float32) {
	sum, peak := m.sum, math.Float32bits(m.peak)
	for _, x := range samples {
		sum += float64(float64(x) * float64(x))
		peak = max(peak, math.Float32bits(x)&^signBit)
	}
	m.sum, m.peak = sum, math.Float32frombits(peak)
}

// signBit is the sign of a float32.
const signBit = 1 << 31

// close ends the open window.
func (m *meter) close() {
	m.rms = append(m.rms, float32(math.Sqrt(m.sum/float64(m.window))))
	m.peaks = append(m.peaks, m.peak)
	m.left, m.sum, m.peak = m.window, 0, 0
}

// Envelope follows the level through a one-pole filter that rises with the time
// constant attack and falls with release, both in seconds. It returns one value
// a hop, in 0 to 1, where 1 is the RMS of the file's loudest window: value k is
// the filter's state after window k. The filter starts from silence. A time
// constant that is not above 0 follows at once. A file that is silent, with no
// window above -60 dB, gives zeros.
//
// After a step up, the rise has covered 1 - 1/e of the way once attack seconds
// have passed.
func (l *Level) Envelope(attack, release float64) []float64 {
	out := make([]float64, len(l.RMS))
	loudest := float32(0)
	for _, x := range l.RMS {
		loudest = max(loudest, x)
	}
	if loudest < silence {
		return out
	}
	rise, fall := keep(l.Hop, attack), keep(l.Hop, release)
	y := 0.0
	for k, rms := range l.RMS {
		x := float64(rms) / float64(loudest)
		c := fall
		if x > y {
			c = rise
		}
		y = x + float64(c*(y-x))
		out[k] = y
	}
	return out
}

// silence is the level below which a whole file holds nothing but noise: -60 dB
// of full scale (common practice for a noise gate).
const silence = 1e-3

// keep is the share of the distance to its target that a one-pole filter keeps
// over one hop: exp(-hop/constant).
func keep(hop, constant float64) float64 {
	if !(constant > 0) {
		return 0
	}
	return decay(hop / constant)
}

// ln2High and ln2Low sum to the natural logarithm of 2. The high part has 21
// trailing zero bits, so that its product with a small integer is exact.
const (
	ln2High = 6.93147180369123816490e-01
	ln2Low  = 1.90821492927058770002e-10
)

// decay returns exp(-x) for x >= 0, within an ulp or so. It exists because
// [math.Exp] has its own machine code on some processors and may differ in the
// last bit from one to another; these sums and products round the same
// everywhere. x is split into k ln 2 + r with |r| <= ln(2)/2, where 14 terms of
// the power series leave an error below 1e-17.
func decay(x float64) float64 {
	if x > 745 { // exp(-745) is the smallest float64 above 0
		return 0
	}
	k := math.Round(x / math.Ln2)
	r := float64(k*ln2High) - x + float64(k*ln2Low)
	sum := 1.0
	for n := 14.0; n >= 1; n-- {
		sum = 1 + float64(sum*r)/n
	}
	return math.Ldexp(sum, -int(k))
}
