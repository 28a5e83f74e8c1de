package drive

import (
	"math"

	"limberjack/sequence"
)

const (
	// fullDrive, in microseconds, is the error beyond the dead band from which
	// a servo drives at full: 50 to 100 us, from memory.
	fullDrive = 70.0

	// damping is the share of the mechanical time constant by which the
	// amplifier looks ahead. Makers feed the motor's back-EMF into the
	// comparison so that the servo alone just does not swing (from memory).
	damping = 1.0 / 2
)

// amplifier is what compares a servo's pulse with its feedback, once a frame,
// and holds the bridge on for a share of the frame.
type amplifier struct {
	deadBand float64 // unit
	full     float64 // unit, error at which the bridge stays on
	least    float64 // share of the frame at the edge of the dead band
	ahead    float64 // s
	frame    float64 // s
}

// newAmplifier makes the amplifier of a servo. The least share just makes up for
// sliding friction.
func newAmplifier(a *sequence.Axis, f *sequence.ServoFigures, m Motor) amplifier {
	unit := unitsPerPulse(a)
	band := math.Max(0, f.DeadBand.V)
	return amplifier{deadBand: steady(band * unit), full: steady((band + fullDrive) * unit), frame: 1 / rateOf(a),
		least: steady((f.NoLoadCurrent.V - f.IdleCurrent.V) / (f.StallCurrent.V - f.IdleCurrent.V)), ahead: steady(damping * m.timeConstant())}
}

// duty gives the share of the frame for which the bridge is on, with the sign of
// the direction, at an error and a speed. Looking ahead ends the drive early, it
// does not reverse it: the bridge that is off brakes.
func (p *amplifier) duty(gap, speed float64) float64 {
	e := gap - float64(p.ahead*speed)
	size := math.Abs(e)
	if size <= p.deadBand || e > 0 && gap < 0 || e < 0 && gap > 0 {
		return 0
	}
	share := p.least + float64((1-p.least)*((size-p.deadBand)/(p.full-p.deadBand)))
	return math.Copysign(math.Min(1, share), e)
}
