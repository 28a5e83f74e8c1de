package main

// formants are the first three resonances of a vowel in hertz.
type formants [3]float64

// Vowels of adult men, after the means that Peterson and Barney measured
// (Journal of the Acoustical Society of America, 1952); figures from memory.
var (
	vowelI  = formants{270, 2290, 3010} // as in heed
	vowelIh = formants{390, 1990, 2550} // hid
	vowelE  = formants{530, 1840, 2480} // head
	vowelO  = formants{570, 840, 2410}  // hawed
	vowelU  = formants{300, 870, 2240}  // who'd
	vowelUh = formants{640, 1190, 2390} // hud
)

// bandwidths of the three formants in hertz (common practice).
var bandwidths = formants{70, 100, 140}

// syllable is one vowel, or a glide from one to another.
type syllable struct {
	start, length float64    // s
	from, to      formants   // Hz
	pitch         [2]float64 // Hz at start and end
	loud          float64    // of full, 0 to 1
	breath        float64    // of noise in the first third, 0 to 1
}

const (
	length = 6.0  // s of the whole file
	rise   = 0.09 // s: a jaw is a mass, so no syllable begins at once
	fall   = 0.11 // s
)

// greeting begins with the murmur at 0.9 s and the words at 2.8 s: the marks hm
// and greeting of greet.motion.yaml.
var greeting = []syllable{
	{0.90, 0.42, vowelU, vowelUh, [2]float64{96, 138}, 0.45, 0.1}, // hm?

	{2.80, 0.22, vowelUh, vowelUh, [2]float64{112, 118}, 0.55, 0},  // a-
	{3.02, 0.52, vowelO, vowelI, [2]float64{150, 104}, 1.00, 0.5},  // hoy
	{3.62, 0.40, vowelE, vowelUh, [2]float64{118, 96}, 0.70, 0.2},  // there,
	{4.24, 0.22, vowelIh, vowelIh, [2]float64{124, 120}, 0.60, 0},  // lit-
	{4.44, 0.22, vowelU, vowelU, [2]float64{116, 110}, 0.50, 0.1},  // tle
	{4.66, 0.40, vowelO, vowelU, [2]float64{128, 92}, 0.90, 0.2},   // boat,
	{5.10, 0.24, vowelE, vowelUh, [2]float64{110, 112}, 0.60, 0.1}, // welcome
	{5.34, 0.50, vowelO, vowelU, [2]float64{116, 82}, 0.80, 0.4},   // home
}

// speak renders syllables into a sound of a length in seconds, as samples of
// which the greatest is 0.8. Products that are added are rounded first, here and
// below, so that no processor fuses the two and the samples are the same
// everywhere.
func speak(list []syllable, length float64) []float64 {
	out := make([]float64, int(length*rate))
	for i, s := range list {
		utter(out, s, uint32(i+1))
	}
	loudest := 0.0
	for _, x := range out {
		loudest = max(loudest, x, -x)
	}
	for i := range out {
		out[i] *= 0.8 / loudest
	}
	return out
}

// utter adds one syllable to a sound.
func utter(out []float64, s syllable, seed uint32) {
	var tract [3]resonator
	noise := hiss(seed)
	phase, before := 0.0, 0.0
	n := int(s.length * rate)
	for i := range n {
		u := float64(i) / float64(n)
		phase += mid(s.pitch[0], s.pitch[1], u) / rate
		if phase >= 1 {
			phase--
		}
		flow := glottis(phase)
		x := flow - before
		before = flow
		x += float64(s.breath * max(0, 1-float64(3*u)) * 0.05 * noise.next())
		for k := range tract {
			x = tract[k].filter(x, mid(s.from[k], s.to[k], u), bandwidths[k])
		}
		at := int(s.start*rate) + i
		out[at] += float64(s.loud * swell(float64(i)/rate, s.length) * x)
	}
}

func mid(a, b, u float64) float64 { return a + float64((b-a)*u) }

// glottis is the flow of air through the vocal folds over one period: it swells,
// falls faster, and stays shut for the rest.
func glottis(phase float64) float64 {
	const open = 0.6
	if phase >= open {
		return 0
	}
	x := phase / open
	return 6.75 * x * x * (1 - x)
}

// swell is the loudness of a syllable at a time after its start.
func swell(t, length float64) float64 {
	return smooth(t/rise) * smooth((length-t)/fall)
}

// smooth rises from 0 at 0 to 1 at 1, with no slope at either.
func smooth(x float64) float64 {
	x = max(0, min(1, x))
	return x * x * (3 - 2*x)
}

// resonator is a filter with two poles, of gain 1 at 0 Hz.
type resonator struct{ y1, y2 float64 }

// filter takes one sample through a resonance at a frequency with a bandwidth,
// in hertz.
func (r *resonator) filter(x, frequency, bandwidth float64) float64 {
	radius := 1 - pi*bandwidth/rate // exp(-pi bandwidth/rate), to first order
	c := -radius * radius
	b := 2 * radius * cosine(2*pi*frequency/rate)
	y := float64((1-b-c)*x) + float64(b*r.y1) + float64(c*r.y2)
	r.y1, r.y2 = y, r.y1
	return y
}

const pi = 3.14159265358979323846

// cosine is the power series, for -pi/2 to pi/2. The standard library's may
// differ in the last bit between processors.
func cosine(x float64) float64 {
	sum := 1.0
	for n := 20.0; n >= 2; n -= 2 {
		sum = 1 - float64(x*x*sum)/(n*(n-1))
	}
	return sum
}

// hiss is noise from a linear congruential generator (the constants of Numerical
// Recipes).
type hiss uint32

// next gives a number from -1 to 1.
func (h *hiss) next() float64 {
	*h = *h*1664525 + 1013904223
	return float64(int32(*h)) / (1 << 31)
}
