package timeline

import (
	"math"

	"limberjack/sequence"
)

// Largest values of the units, as the boards take them.
const (
	fullDuty  = math.MaxInt16  // of Duty: 100 %
	fullLevel = math.MaxUint16 // of Level: 100 %
	maxPulse  = math.MaxUint16 // of PulseTicks, before the frame sets a lower limit
	maxStep   = math.MaxInt16  // of StepDelta
)

// grid is the number of steps a unit to which a value is snapped before it is
// rounded, so that the last bits of a floating point result cannot decide a tie.
const (
	gridBits = 20
	grid     = 1 << gridBits
)

// finest bounds the numbers that are finer than the grid.
const finest = 1 << 40

// Round gives the whole unit nearest to x, halves away from zero, after x was
// snapped to the nearest multiple of 2^-20 unit (there ties to even). Every value
// of a timeline is rounded by it, and by nothing else.
func Round(x float64) float64 {
	if x > -finest && x < finest {
		return float64(roundFine(x))
	}
	return math.Round(x)
}

// roundFine is Round for |x| < finest.
func roundFine(x float64) int64 {
	n := int64(math.RoundToEven(x * grid))
	sign := n >> 63
	size := (n ^ sign) - sign
	size = (size + grid/2) >> gridBits
	return (size ^ sign) - sign
}

// Pulse gives the pulse width in microseconds at a value of the horn (in the
// axis's unit): linear between the points of the calibration, going on straight
// beyond the first and the last, plus the trim. It is NaN for an axis without a
// calibration.
func Pulse(a *sequence.Axis, horn float64) (us float64) {
	ps := a.Pulse
	if len(ps) < 2 {
		if len(ps) == 1 {
			return ps[0].Pulse.V + a.Trim.V
		}
		return math.NaN()
	}
	i := 1
	for i < len(ps)-1 && horn > ps[i].Value.V {
		i++
	}
	p, q := ps[i-1], ps[i]
	slope := (q.Pulse.V - p.Pulse.V) / (q.Value.V - p.Value.V)
	return p.Pulse.V + float64((horn-p.Value.V)*slope) + a.Trim.V
}

// Ticks gives a time in microseconds in the board's ticks, not rounded.
func Ticks(b *sequence.Board, us float64) float64 { return us / b.Tick.V }

// Steps gives the position of a stepper in microsteps, not rounded, at a value
// in degrees or, for an axis with a lead, in millimetres.
func Steps(a *sequence.Axis, value float64) float64 {
	turn := orOne(a.Gear) * a.Steps.V * orOne(a.Microsteps)
	if a.Lead.Given() {
		return float64(value*a.Steps.V*orOne(a.Microsteps)) / a.Lead.V
	}
	return float64(value*turn) / 360
}

// orOne gives a number, or 1 where none was written.
func orOne(n sequence.Num) float64 {
	if n.V == 0 {
		return 1
	}
	return n.V
}

// level gives the level of a dimmer at a brightness in percent, not rounded. Its
// sign is that of the brightness, so that a value below zero is seen.
func level(gamma, percent float64) float64 {
	return math.Copysign(fullLevel*power(math.Abs(percent)/100, gamma), percent)
}

// power gives x to the y for x >= 0 by series of which every step is rounded
// alike on every machine; math.Pow leaves its last bits to the processor. Its
// relative error is below 1e-14 for |y ln x| < 30.
func power(x, y float64) float64 {
	switch {
	case math.IsNaN(x) || math.IsInf(x, 1):
		return x
	case x == 0:
		return 0
	case y == 1:
		return x
	}
	return exponential(float64(y * logarithm(x)))
}

// logarithm gives ln x for x > 0: x = m 2^k with m near 1, and
// ln m = 2 artanh((m-1)/(m+1)).
func logarithm(x float64) float64 {
	m, k := math.Frexp(x)
	if m < math.Sqrt2/2 {
		m, k = 2*m, k-1
	}
	s := (m - 1) / (m + 1)
	s2 := float64(s * s)
	sum := 0.0
	for n := 21; n >= 1; n -= 2 {
		sum = float64(sum*s2) + 1/float64(n)
	}
	return float64(2*float64(s*sum)) + float64(float64(k)*math.Ln2)
}

// exponential gives e^x as 2^k e^r with |r| <= ln 2 / 2 and a Taylor series.
func exponential(x float64) float64 {
	k := math.Round(x / math.Ln2)
	r := x - float64(k*math.Ln2)
	sum := 1.0
	for n := 16; n >= 1; n-- {
		sum = 1 + float64(sum*r)/float64(n)
	}
	return math.Ldexp(sum, int(k))
}
