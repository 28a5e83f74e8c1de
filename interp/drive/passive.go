package drive

import (
	"math"

	"limberjack/sequence"
)

// stepper takes its rated current in two windings whether it moves or holds.
type stepper struct{ axis *sequence.Axis }

// windings is how many windings of a stepper carry current at once.
const windings = 2

func (s *stepper) stallTorque() float64 { return 0 }

// draw implements actuator.
func (s *stepper) draw(m *moment) draw {
	state := Holding
	if m.horn.Speed != 0 || m.horn.Acceleration != 0 || m.hornKink != 0 || m.jump != 0 {
		state = Moving
	}
	return steady(windings*s.axis.Current.V, s.axis.LoadTorque(m.part.Position), state)
}

// lamp is dimmed by the width of pulses.
type lamp struct {
	axis  *sequence.Axis
	gamma float64
}

func gammaOf(a *sequence.Axis) float64 {
	if a.Gamma.Given() {
		return a.Gamma.V
	}
	return 1
}

func (l *lamp) stallTorque() float64 { return 0 }

// draw implements actuator. The duty is the level raised to gamma.
func (l *lamp) draw(m *moment) draw {
	level := max(0, min(1, m.horn.Position/100))
	if level == 0 {
		return steady(0, 0, Off)
	}
	duty := level
	if l.gamma != 1 {
		duty = math.Pow(level, l.gamma)
	}
	return draw{peak: l.axis.Current.V, mean: l.axis.Current.V * duty, state: On}
}

// relay is a switched load.
type relay struct{ axis *sequence.Axis }

func (r *relay) stallTorque() float64 { return 0 }

// draw implements actuator.
func (r *relay) draw(m *moment) draw {
	if m.horn.Position < 0.5 {
		return steady(0, 0, Off)
	}
	return steady(r.axis.Current.V, 0, On)
}
