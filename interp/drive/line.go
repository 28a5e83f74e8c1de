package drive

import (
	"math"

	"limberjack/sequence"
)

// line is the line of a DC motor with its gears, at the voltage of its supply.
type line struct {
	noLoad float64 // A
	stall  float64 // A
	torque float64 // N.m, at stall
	speed  float64 // unit/s, without load
}

// share gives a torque as a share of the stall torque, 0 to 1. An unknown stall
// torque makes nothing of any torque.
func (l line) share(torque float64) float64 {
	if l.torque <= 0 {
		return 0
	}
	return min(1, math.Abs(torque)/l.torque)
}

// current gives the amperes at a torque, from those at none: the no-load current
// of a motor that turns, the idle current of one that stands.
func (l line) current(torque, from float64) float64 {
	return from + float64(l.share(torque)*(l.stall-from))
}

// speedAt gives the speed at a torque, at full drive.
func (l line) speedAt(torque float64) float64 { return l.speed * (1 - l.share(torque)) }

// stalls reports whether a torque is beyond the motor.
func (l line) stalls(torque float64) bool { return torque != 0 && l.share(torque) == 1 }

// servoLine gives the line of a servo's motor.
func servoLine(f *sequence.ServoFigures) line {
	return line{noLoad: f.NoLoadCurrent.V, stall: f.StallCurrent.V, torque: f.StallTorque.V, speed: f.Speed.V}
}

// noLoadShare is the no-load current of a small geared motor as a share of its
// stall current, where the data sheet gives none (common practice).
const noLoadShare = 0.1

// motorLine gives the line of a motor, with torque and stall current
// proportional to the supply's voltage.
func motorLine(a *sequence.Axis) line {
	m := a.Motor
	if m == nil {
		return line{}
	}
	k := 1.0
	if a.Supply != nil && a.Supply.Voltage.V > 0 && m.Voltage.V > 0 {
		k = a.Supply.Voltage.V / m.Voltage.V
	}
	l := line{noLoad: m.NoLoadCurrent.V, stall: m.StallCurrent.V * k, torque: m.StallTorque.V * k, speed: m.Speed.V * k}
	if !m.NoLoadCurrent.Given() {
		l.noLoad = l.stall * noLoadShare
	}
	l.noLoad = min(l.noLoad, l.stall)
	return l
}
