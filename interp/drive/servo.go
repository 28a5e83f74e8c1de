package drive

import (
	"math"

	"limberjack/sequence"
)

// inrush is how long a start draws the stall current, in seconds, whatever the
// frame rate.
const inrush = 0.020

// servo is a positional servo: it follows the horn's curve as fast as its line
// allows.
type servo struct {
	axis     *sequence.Axis
	line     line
	idle     float64 // A
	inertia  float64 // N.m at the horn for 1 unit/s2 of the horn, own
	load     float64 // N.m at the part for 1 unit/s2 of the part
	deadBand float64 // unit
	position float64 // of the horn itself
	heading  float64 // -1, 0 or 1: which way it goes
	behind   bool    // it has been at full drive for a frame and has not caught up
	starting float64 // s of inrush to come
}

func newServo(a *sequence.Axis, start *moment) *servo {
	f := a.Figures()
	return &servo{axis: a, line: servoLine(f), idle: f.IdleCurrent.V,
		inertia:  f.Inertia.V * math.Pi / 180,
		load:     a.LoadInertia() * turnsPerUnit(a),
		deadBand: f.DeadBand.V * unitsPerPulse(a),
		position: start.horn.Position}
}

// turnsPerUnit gives the radians for a unit of an axis's value. On a linear axis
// the load's arm is the radius of the pinion or drum that drives it.
func turnsPerUnit(a *sequence.Axis) float64 {
	switch {
	case a.Unit == "deg":
		return math.Pi / 180
	case a.Unit == "mm" && a.Load.Arm.V > 0:
		return 1 / a.Load.Arm.V
	}
	return 0
}

// unitsPerPulse gives the mean way for a microsecond of pulse.
func unitsPerPulse(a *sequence.Axis) float64 {
	if len(a.Pulse) < 2 {
		return 0
	}
	first, last := a.Pulse[0], a.Pulse[len(a.Pulse)-1]
	if first.Pulse.V == last.Pulse.V {
		return 0
	}
	return math.Abs((last.Value.V - first.Value.V) / (last.Pulse.V - first.Pulse.V))
}

func (s *servo) stallTorque() float64 { return s.line.torque }

// torques gives the torque at the horn that the pose asks for, and that which
// pose and acceleration ask for together.
func (s *servo) torques(m *moment) (static, total float64) {
	static = float64(s.axis.LoadTorque(m.part.Position) * m.ratio)
	partAcceleration := m.part.Acceleration + m.partKink/m.frame
	hornAcceleration := m.horn.Acceleration + m.hornKink/m.frame
	total = static + float64(s.load*partAcceleration*m.ratio) + float64(s.inertia*hornAcceleration)
	if math.IsNaN(total) { // an ease that starts with infinite speed
		total = math.Inf(1)
	}
	return static, total
}

// draw implements actuator.
func (s *servo) draw(m *moment) draw {
	static, total := s.torques(m)
	if s.line.stalls(static) {
		s.heading, s.behind, s.starting = 0, true, 0
		return steady(s.line.stall, static, Stalled)
	}
	catching := s.follow(m, static, total)
	moves := catching || m.jump != 0 || m.horn.Speed != 0 || m.horn.Acceleration != 0 || m.hornKink != 0
	switch {
	case s.starting > slightTime:
		s.starting -= m.frame
		return steady(s.line.stall, static, Starting)
	case s.line.stalls(total):
		return steady(s.line.stall, static, Stalled)
	case moves:
		return steady(s.line.current(total, s.line.noLoad), static, Moving)
	case s.line.share(static) > slightTorque:
		return steady(s.line.current(static, s.idle), static, Holding)
	}
	return steady(s.idle, static, Idle)
}

const (
	// slightTorque is the share of the stall torque below which a servo counts
	// as holding nothing: what rounding leaves of an arm that hangs straight
	// down.
	slightTorque = 1e-9

	// slightTime, in seconds, is what rounding may leave of the inrush.
	slightTime = 1e-9

	// slightLag is the share of a frame's way by which rounding may make a servo
	// that just keeps up seem late.
	slightLag = 1e-6
)

// follow moves the horn towards where the curve has it, as far as a frame at
// full drive takes it, and sees whether that is a start. It reports whether the
// horn has to catch up.
func (s *servo) follow(m *moment, static, total float64) bool {
	gap := m.horn.Position - s.position
	reach := s.line.speedAt(total) * m.frame
	late := math.Abs(gap) > float64(reach*(1+slightLag))
	heading := sign(gap)
	running := s.behind && heading == s.heading
	if !running && (math.Abs(m.jump) > s.deadBand || late && heading != s.heading) {
		s.starting = inrush
	}
	catching := late || s.behind
	way := s.line.speedAt(static) * m.frame
	s.position, s.heading, s.behind = m.horn.Position, heading, late && way < math.Abs(gap)
	if s.behind {
		s.position += float64(heading*way) - gap
	}
	return catching
}

func sign(x float64) float64 {
	switch {
	case x > 0:
		return 1
	case x < 0:
		return -1
	}
	return 0
}
