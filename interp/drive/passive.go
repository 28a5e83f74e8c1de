package drive

import (
	"math"

	"limberjack/interp"
	"limberjack/sequence"
)

// windings is how many windings of a stepper carry current at once.
const windings = 2

// passive is an axis whose current follows from its command alone: a stepper, a
// lamp, a relay.
type passive struct {
	tag
	commands *commands
	steady   float64 // A at any voltage
	perOhm   float64 // 1/ohm while it is on
	duty     float64 // share of the time that it is on
	value    float64
	since    float64 // s up to which its current is counted
	wake     float64

	rated float64 // A or, of lamps and relays, 1/ohm
	gamma float64
	state string
	moves motionOfStepper
	same  func(i int) bool
}

func newPassive(a *interp.Axis, trace *AxisTrace) *passive {
	spec := a.Spec
	p := &passive{tag: tag{axis: a, trace: trace}, rated: spec.Current.V, gamma: 1, commands: newCommands(a.Horn, rateOf(spec), 0, 0, nil, nil)}
	if spec.Gamma.Given() {
		p.gamma = spec.Gamma.V
	}
	if spec.Kind == sequence.Stepper {
		p.moves = newMotionOfStepper(spec)
	} else {
		p.rated = steady(spec.Current.V / voltageOf(spec.Supply))
	}
	p.same = func(i int) bool { return p.commands.vs[i] == p.value }
	p.begin(0)
	return p
}

// begin takes in the frames up to t and reports whether the current changes.
func (p *passive) begin(t float64) {
	for p.commands.due() <= t+instant {
		p.value = p.commands.value()
		p.set(p.commands.due())
		p.commands.pass()
	}
	p.wake = p.commands.due()
	if p.axis.Spec.Kind != sequence.Stepper || p.state == Holding {
		p.wake = p.commands.skip(p.same)
	}
}

func (p *passive) set(t float64) {
	switch p.axis.Spec.Kind {
	case sequence.Stepper:
		p.steady, p.state = windings*p.rated, Holding
		if torque := math.Abs(p.axis.Spec.LoadTorque(p.value)); torque > p.trace.MaxHolding {
			p.trace.MaxHolding, p.trace.HoldingAt = torque, t
		}
		if p.moves.frame(p.value) {
			p.state = Moving
		}
		if why := p.moves.loses(p.axis.Spec, p.value); why != "" && p.trace.LostSteps == "" {
			p.trace.LostSteps, p.trace.LostStepsAt = why, t
		}
	case sequence.Dimmer:
		p.duty, p.perOhm, p.state = dutyOf(p.value, p.gamma), p.rated, On
	default:
		p.duty, p.perOhm, p.state = 1, p.rated, On
		if p.value < 0.5 {
			p.duty = 0
		}
	}
	if p.duty == 0 && p.axis.Spec.Kind != sequence.Stepper {
		p.perOhm, p.state = 0, Off
	}
}

// dutyOf gives the duty of a lamp: the level raised to gamma.
func dutyOf(percent, gamma float64) float64 {
	level := math.Max(0, math.Min(1, percent/100))
	if level == 0 || gamma == 1 {
		return level
	}
	return steady(math.Pow(level, gamma))
}

// draw gives mean and peak at a voltage, and at the one while every lamp is on.
func (p *passive) draw(volt, voltOn float64) {
	p.mean = p.steady + float64(p.perOhm*p.duty*volt)
	p.peak = p.steady + float64(p.perOhm*voltOn)
}

// count counts the current up to t, at the mean voltage since the last count and
// the highest at which it was on.
func (p *passive) count(t, volt, voltOn float64) {
	if w := t - p.since; w > 0 {
		p.draw(volt, voltOn)
		p.tally.add(p.since, w, p.peak, p.mean, float64(p.mean*(p.peak-p.mean)))
	}
	p.since = t
}

// motionOfStepper follows the step rate of a stepper from frame to frame.
type motionOfStepper struct {
	rate    float64 // Hz, frames a second
	steps   float64 // full steps for a unit
	radian  float64 // of the part, for a unit
	inertia float64 // N.m for 1 unit/s2
	pullIn  float64 // steps/s; 0: not given
	power   float64 // W that its supply can give it; 0: not known

	last, speed, before float64 // unit, unit/s now and a frame before
	begun               bool
}

func newMotionOfStepper(a *sequence.Axis) motionOfStepper {
	m := motionOfStepper{rate: rateOf(a), radian: radianOf(a), inertia: loadInertia(a), pullIn: a.PullIn.V}
	switch {
	case a.Lead.V > 0:
		m.steps = a.Steps.V / a.Lead.V
	case a.Gear.V > 0:
		m.steps = a.Steps.V * a.Gear.V / 360
	default:
		m.steps = a.Steps.V / 360
	}
	if a.Supply != nil {
		m.power = voltageOf(a.Supply) * windings * a.Current.V
	}
	return m
}

// frame takes in a position and reports whether the stepper moves.
func (m *motionOfStepper) frame(value float64) bool {
	m.before = m.speed
	m.speed = float64((value - m.last) * m.rate)
	if !m.begun {
		m.speed, m.begun = 0, true
	}
	m.last = value
	return m.speed != 0 || m.before != 0
}

// loses says why a stepper cannot follow, or nothing. Beyond the speed at which
// the voltage no longer drives the rated current through the windings, pull-out
// torque falls with speed: torque x speed cannot be more than voltage x current.
func (m *motionOfStepper) loses(a *sequence.Axis, value float64) string {
	jump := math.Abs(m.speed - m.before)
	if m.pullIn > 0 && float64(jump*m.steps) > m.pullIn*(1+instant) {
		return "pull-in"
	}
	torque := a.LoadTorque(value) + float64(m.inertia*(m.speed-m.before)*m.rate)
	if m.power > 0 && float64(torque*m.speed)*m.radian > m.power {
		return "pull-out"
	}
	return ""
}
