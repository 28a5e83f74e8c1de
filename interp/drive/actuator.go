package drive

import (
	"math"

	"limberjack/sequence"
)

// draw is what an axis takes in one frame.
type draw struct {
	peak    float64 // A, the greatest within the frame
	mean    float64 // A, over the frame
	holding float64 // N.m at the horn, that the pose asks for
	state   string
}

func steady(current, holding float64, state string) draw {
	return draw{peak: current, mean: current, holding: math.Abs(holding), state: state}
}

// actuator says what an axis takes, frame by frame.
type actuator interface {
	draw(m *moment) draw
	stallTorque() float64
}

// newActuator gives the actuator of an axis, and the keys of the rig file that
// it misses.
func newActuator(a *sequence.Axis, start *moment) (actuator, []string) {
	switch a.Kind {
	case sequence.Servo:
		return newServo(a, start), nil
	case sequence.ContinuousServo:
		f := a.Figures()
		return &motor{axis: a, line: servoLine(f), idle: f.IdleCurrent.V, atRest: Idle}, nil
	case sequence.Motor:
		return &motor{axis: a, line: motorLine(a), atRest: Off}, missingOfMotor(a)
	case sequence.Stepper:
		return &stepper{axis: a}, missingCurrent(a)
	case sequence.Dimmer:
		return &lamp{axis: a, gamma: gammaOf(a)}, missingCurrent(a)
	}
	return &relay{axis: a}, missingCurrent(a)
}

func missingCurrent(a *sequence.Axis) []string {
	if a.Current.Given() {
		return nil
	}
	return []string{"current"}
}

func missingOfMotor(a *sequence.Axis) []string {
	switch m := a.Motor; {
	case m == nil:
		return []string{"motor"}
	case !m.StallCurrent.Given():
		return []string{"stall_current"}
	case !m.StallTorque.Given() && a.LoadTorque(a.Rest.V) != 0:
		return []string{"stall_torque"}
	}
	return nil
}
