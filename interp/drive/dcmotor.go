package drive

import (
	"math"

	"limberjack/sequence"
)

// What stands in for figures that no data sheet of a small geared motor gives.
const (
	// motorTimeConstant, in seconds, stands for the rotor's inertia of a motor
	// with gears, as that of a large servo does (assumption; 10 to 50 ms are
	// usual).
	motorTimeConstant = 0.050

	// noLoadShare is the no-load current of a small geared motor as a share of
	// its stall current, where the data sheet gives none (common practice).
	noLoadShare = 0.1

	// usualEfficiency of a train of spur gears, where torque or the size of a
	// unit is not known: the identification of standard servos gives 0.80 to
	// 0.83.
	usualEfficiency = 0.8

	// leastEfficiency bounds by how much better a gear train brakes than it
	// drives. Below one half a train locks itself.
	leastEfficiency = 0.5

	// breakaway is static friction over sliding friction of greased gears and
	// sleeve bearings (1.2 to 1.5 in handbooks, from memory).
	breakaway = 1.25
)

// Lines are the lines of a motor's data sheet, gears included, all at one
// voltage. Ways are in the axis's unit.
type Lines struct {
	Voltage       float64 // V
	Speed         float64 // unit/s without load
	StallTorque   float64 // N.m, that the shaft gives at standstill
	StallCurrent  float64 // A
	NoLoadCurrent float64 // A
	IdleCurrent   float64 // A, of the electronics, which is in the two above
	TimeConstant  float64 // s, mechanical, of rotor and gears alone
	Radian        float64 // radians for a unit; 0 where it is not known
}

// Motor is a DC motor with its gears as seen at the output shaft.
type Motor struct {
	Resistance float64 // ohm
	EMF        float64 // V for 1 unit/s
	Torque     float64 // N.m for 1 A, where the motor drives the load
	Braking    float64 // N.m for 1 A, where the load drives the motor
	Friction   float64 // N.m, sliding
	Inertia    float64 // N.m for 1 unit/s2, of rotor and gears
	Efficiency float64 // of the gears, 0 to 1; more says that the lines do not fit together; 0: not known
}

// Identify finds a motor that runs on the given lines. The package comment
// derives it.
func Identify(l Lines) Motor {
	running := l.NoLoadCurrent - l.IdleCurrent
	m := Motor{Resistance: l.Voltage / (l.StallCurrent - l.IdleCurrent)}
	m.EMF = (l.Voltage - float64(running*m.Resistance)) / l.Speed
	m.Torque = l.StallTorque / (l.StallCurrent - l.NoLoadCurrent)
	m.Friction = m.Torque * running
	m.Inertia = l.StallTorque * l.TimeConstant / l.Speed
	efficiency := usualEfficiency
	if l.Radian > 0 {
		m.Efficiency = m.Torque * l.Radian / m.EMF
		efficiency = m.Efficiency
	}
	efficiency = math.Max(leastEfficiency, math.Min(1, efficiency))
	m.Braking = m.Torque / float64(efficiency*efficiency)
	return m
}

// timeConstant gives the mechanical time constant without a load, in seconds.
func (m Motor) timeConstant() float64 {
	return m.Inertia * m.Resistance / (m.EMF * m.Torque)
}

// servoLines gives the lines of a servo at its supply's voltage.
func servoLines(a *sequence.Axis, f *sequence.ServoFigures) Lines {
	speed, torque, stall := positive(f.Speed.V), positive(f.StallTorque.V), positive(f.StallCurrent.V)
	l := Lines{Voltage: f.Voltage, Speed: speed, StallTorque: torque, StallCurrent: stall,
		NoLoadCurrent: f.NoLoadCurrent.V, IdleCurrent: f.IdleCurrent.V, Radian: radianOf(a)}
	if a.Kind == sequence.ContinuousServo {
		l.Radian = math.Pi / 180
	}
	// The inertia of the figures is the class's time constant at the speed of
	// the data sheet; a measured speed does not change it.
	if l.TimeConstant = f.Inertia.V * math.Pi / 180 * speed / torque; !(l.TimeConstant > 0) {
		l.TimeConstant = motorTimeConstant
	}
	return l
}

// positive keeps a line of a data sheet that says zero from being divided by.
func positive(x float64) float64 { return math.Max(x, 1e-6) }

// motorLines gives the lines of a motor at its sheet's voltage. ok is false
// where the sheet says too little for any current.
func motorLines(a *sequence.Axis) (l Lines, ok bool) {
	m := a.Motor
	if m == nil || !(m.StallCurrent.V > 0) {
		return Lines{}, false
	}
	l = Lines{Voltage: m.Voltage.V, Speed: m.Speed.V, StallTorque: m.StallTorque.V, StallCurrent: m.StallCurrent.V,
		NoLoadCurrent: m.NoLoadCurrent.V, TimeConstant: motorTimeConstant, Radian: math.Pi / 180}
	if !(l.Voltage > 0) {
		l.Voltage = voltageOf(a.Supply)
	}
	if !m.NoLoadCurrent.Given() {
		l.NoLoadCurrent = l.StallCurrent * noLoadShare
	}
	l.NoLoadCurrent = math.Min(l.NoLoadCurrent, l.StallCurrent/2)
	if !(l.Speed > 0) {
		l.Speed = 360 // any speed gives the same currents
	}
	if !(l.StallTorque > 0) {
		emf := (l.Voltage - float64(l.NoLoadCurrent*l.Voltage/l.StallCurrent)) / float64(l.Speed*l.Radian)
		l.StallTorque = usualEfficiency * emf * (l.StallCurrent - l.NoLoadCurrent)
	}
	return l, l.Voltage > 0
}

// voltageOf gives a supply's voltage without load; 5 V for none, as of a
// controller board (common practice).
func voltageOf(s *sequence.Supply) float64 {
	if s == nil || !(s.Voltage.V > 0) {
		return 5
	}
	return s.Voltage.V
}

// radianOf gives the radians for a unit of an axis's value. On a linear axis the
// load's arm is the radius of the pinion or drum that drives it.
func radianOf(a *sequence.Axis) float64 {
	switch {
	case a.Unit == "deg":
		return math.Pi / 180
	case a.Unit == "mm" && a.Load.Arm.V > 0:
		return 1 / a.Load.Arm.V
	}
	return 0
}

// steady rounds a constant to 40 bits, so that functions of the standard
// library, which may differ in the last bit between processors, give the same.
func steady(x float64) float64 {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return x
	}
	m, e := math.Frexp(x)
	return math.Ldexp(math.RoundToEven(math.Ldexp(m, 40)), e-40)
}
