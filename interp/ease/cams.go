package ease

import "math"

// Cam motions of the cam-design handbooks (for example R. L. Norton, Cam Design
// and Manufacturing Handbook; H. A. Rothbart, Cam Design Handbook), each over
// one rise. The 3-4-5 and 4-5-6-7 polynomials are min-jerk and min-snap.

// motion is one closed form over the whole of [0, 1].
type motion struct{ core }

func (m motion) Value(x float64) float64              { return m.value(clampUnit(x)) }
func (m motion) At(x float64) (v, d1, d2, d3 float64) { return m.at(clampUnit(x)) }
func (m motion) Splits() []float64                    { return m.splits() }

func (m motion) Add(dst, xs []float64, scale float64) {
	for i := range dst {
		dst[i] += float64(scale * m.Value(xs[i]))
	}
}

// harmonic is simple harmonic motion, (1 - cos(pi x))/2.
type harmonic struct{}

func (harmonic) value(x float64) float64 {
	s, _ := sincos(x / 4)
	return s * s
}

func (f harmonic) at(x float64) (v, d1, d2, d3 float64) {
	const w = math.Pi
	s, c := sincos(x / 2)
	return f.value(x), w / 2 * s, w * w / 2 * c, -w * w * w / 2 * s
}

func (harmonic) splits() []float64 { return []float64{0.5} }

// cycloid is cycloidal motion, x - sin(2 pi x)/(2 pi).
type cycloid struct{}

func (cycloid) value(x float64) float64 {
	s, _ := sincos(x)
	return x - float64(s*(1/(2*math.Pi)))
}

func (f cycloid) at(x float64) (v, d1, d2, d3 float64) {
	const w = 2 * math.Pi
	s, c := sincos(x)
	// 1 - cos as 2 sin^2 keeps the slow start exact.
	h, _ := sincos(x / 2)
	return f.value(x), 2 * h * h, w * s, w * w * c
}

func (cycloid) splits() []float64 { return []float64{0.25, 0.5, 0.75} }

// quarterWave is the quarter sine wave of acceleration with which both modified
// motions begin, over [0, 1/8]: acceleration a sin(4 pi x).
type quarterWave struct{ a float64 }

func (q quarterWave) value(x float64) float64 {
	const w = 4 * math.Pi
	s, _ := sincos(2 * x)
	return q.a / w * (x - s/w)
}

func (q quarterWave) derivatives(x float64) (d1, d2, d3 float64) {
	const w = 4 * math.Pi
	s, c := sincos(2 * x)
	h, _ := sincos(x) // 1 - cos as 2 sin^2 keeps the slow start exact
	return q.a / w * (2 * h * h), q.a * s, q.a * w * c
}

// symmetric is a motion that is its own reverse, known up to its middle.
type symmetric struct{ half core }

func (f symmetric) value(x float64) float64 {
	if x <= 0.5 {
		return f.half.value(x)
	}
	return 1 - f.half.value(1-x)
}

func (f symmetric) at(x float64) (v, d1, d2, d3 float64) {
	if x <= 0.5 {
		return f.half.at(x)
	}
	v, d1, d2, d3 = f.half.at(1 - x)
	return 1 - v, d1, -d2, d3
}

func (f symmetric) splits() []float64 {
	all := append(f.half.splits(), 0.5)
	for _, x := range f.half.splits() {
		all = append(all, 1-x)
	}
	return merge(all)
}

// modifiedTrapezoid is the first half of a motion with constant acceleration
// over [1/8, 3/8] and constant deceleration over [5/8, 7/8], joined to 0, to one
// another and to 0 by quarter, half and quarter sine waves.
type modifiedTrapezoid struct{}

const (
	trapezoidPeak = 8 * math.Pi / (math.Pi + 2) // acceleration
	trapezoidV1   = trapezoidPeak / (4 * math.Pi)
	trapezoidS1   = trapezoidV1 * (1.0/8 - 1/(4*math.Pi))
	trapezoidV2   = trapezoidV1 + trapezoidPeak/4
	trapezoidS2   = trapezoidS1 + trapezoidV1/4 + trapezoidPeak/32
)

func (modifiedTrapezoid) value(x float64) float64 {
	switch {
	case x < 0.125:
		return quarterWave{trapezoidPeak}.value(x)
	case x < 0.375:
		y := x - 0.125
		return trapezoidS1 + float64(y*(trapezoidV1+float64(trapezoidPeak/2*y)))
	}
	const w = 4 * math.Pi
	y := x - 0.375
	h, _ := sincos(y)
	return trapezoidS2 + float64(trapezoidV2*y) + float64(2*trapezoidPeak/(w*w)*h*h)
}

func (f modifiedTrapezoid) at(x float64) (v, d1, d2, d3 float64) {
	v = f.value(x)
	switch {
	case x < 0.125:
		d1, d2, d3 = quarterWave{trapezoidPeak}.derivatives(x)
		return v, d1, d2, d3
	case x < 0.375:
		return v, trapezoidV1 + float64(trapezoidPeak*(x-0.125)), trapezoidPeak, 0
	}
	const w = 4 * math.Pi
	s, c := sincos(2 * (x - 0.375))
	return v, trapezoidV2 + float64(trapezoidPeak/w*s), trapezoidPeak * c, -trapezoidPeak * w * s
}

func (modifiedTrapezoid) splits() []float64 { return []float64{0.125, 0.375} }

// modifiedSine is the first half of a motion whose acceleration is a quarter of
// a fast sine wave, half a slow one with three times the period, and a quarter
// of a fast one.
type modifiedSine struct{}

const (
	sinePeak = 4 * math.Pi * math.Pi / (math.Pi + 4) // acceleration
	sineV1   = sinePeak / (4 * math.Pi)
	sineS1   = sineV1 * (1.0/8 - 1/(4*math.Pi))
	sineSlow = 4 * math.Pi / 3 // rate of the slow wave
)

func (modifiedSine) value(x float64) float64 {
	if x < 0.125 {
		return quarterWave{sinePeak}.value(x)
	}
	y := x - 0.125
	h, _ := sincos(y / 3)
	return sineS1 + float64(sineV1*y) + float64(2*sinePeak/(sineSlow*sineSlow)*h*h)
}

func (f modifiedSine) at(x float64) (v, d1, d2, d3 float64) {
	v = f.value(x)
	if x < 0.125 {
		d1, d2, d3 = quarterWave{sinePeak}.derivatives(x)
		return v, d1, d2, d3
	}
	s, c := sincos((x - 0.125) * 2 / 3)
	return v, sineV1 + float64(sinePeak/sineSlow*s), sinePeak * c, -sinePeak * sineSlow * s
}

func (modifiedSine) splits() []float64 { return []float64{0.125} }
