package drive

import (
	"math"

	"limberjack/sequence"
)

// motor is a motor that is driven at a share of full drive: one on an H-bridge,
// or a continuous servo.
type motor struct {
	axis   *sequence.Axis
	line   line
	idle   float64 // A, of the electronics at rest
	atRest string
	emf    float64 // the share of full drive that the back-EMF balances, with its sign
}

func (d *motor) stallTorque() float64 { return d.line.torque }

// draw implements actuator.
func (d *motor) draw(m *moment) draw {
	drive := max(-1, min(1, m.horn.Position/100))
	torque := d.axis.LoadTorque(m.part.Position)
	if drive == 0 {
		d.emf = 0
		return steady(d.idle, torque, d.atRest)
	}
	if drive*d.emf < 0 {
		d.emf = 0
	}
	share, emf := math.Abs(drive), math.Abs(d.emf)
	d.emf += float64((drive - d.emf) * min(1, m.frame/inrush))
	rise := max(0, share-emf)
	current := max(d.idle, float64(rise*d.line.stall)+d.running(share-rise, torque))
	switch {
	case torque != 0 && d.line.share(torque) >= share:
		return steady(current, torque, Stalled)
	case emf == 0:
		return steady(current, torque, Starting)
	}
	return steady(current, torque, Moving)
}

// running gives the current at a share of full drive once the motor turns: the
// line at that share of the voltage, whose stall current and stall torque are
// the same share of those at full drive.
func (d *motor) running(share, torque float64) float64 {
	loaded := min(share, d.line.share(torque))
	return float64(share*d.line.noLoad) + float64(loaded*(d.line.stall-d.line.noLoad))
}
