package drive

import (
	"math"
	"testing"

	"limberjack/sequence"
)

const kgcm = 0.0980665 // N.m

// Resistance, back-EMF, torque constant and efficiency identified from the sheet
// of a standard servo (HS-311), by hand, as guides to motor data sheets do it.
func TestIdentifyAStandardServo(t *testing.T) {
	for _, c := range []struct{ volt, perSixty, torque, stall, noLoad, idle, ohm, emf, kt, efficiency float64 }{
		{4.8, 0.19, 3.0, 0.7, 0.16, 0.0074, 6.930407161420733, 0.6790120679228698, 0.5448138888888889, 0.802362600940953},
		{6.0, 0.15, 3.5, 0.8, 0.18, 0.0077, 7.5728890571753125, 0.6725366016302734, 0.5536012096774192, 0.823154023640428},
	} {
		a := &sequence.Axis{Kind: sequence.Servo, Unit: "deg", Servo: &sequence.ServoSheet{Voltage: num(c.volt), Speed: num(60 / c.perSixty),
			StallTorque: num(c.torque * kgcm), StallCurrent: num(c.stall), NoLoadCurrent: num(c.noLoad), IdleCurrent: num(c.idle)}}
		m := Identify(servoLines(a, a.Figures()))
		near(t, "the resistance", m.Resistance, c.ohm, 1e-9)
		near(t, "the back-EMF", m.EMF*180/math.Pi, c.emf, 1e-9)
		near(t, "the torque constant", m.Torque, c.kt, 1e-9)
		near(t, "the efficiency", m.Efficiency, c.efficiency, 1e-9)
		near(t, "the friction", m.Friction, c.kt*(c.noLoad-c.idle), 1e-9)
		near(t, "the time constant", m.timeConstant(), 0.040, 1e-12) // what the class says
	}
}

// A motor without gears and friction is as good a brake as it is a motor; one
// with gears brakes better by the square of their efficiency.
func TestBrakingConstant(t *testing.T) {
	for _, c := range []struct{ torque, factor float64 }{{1, 1}, {0.8, 1 / 0.64}, {0.1, 4}} {
		m := Identify(Lines{Voltage: 6, Speed: 10, StallTorque: 0.6 * c.torque, StallCurrent: 1, TimeConstant: 0.03, Radian: 1})
		near(t, "the efficiency", m.Efficiency, c.torque, 1e-12)
		near(t, "braking over driving", m.Braking/m.Torque, c.factor, 1e-12)
	}
}

// bench puts a motor on its own shaft at a constant load.
func bench(l Lines, torque float64) *shaft {
	m := Identify(l)
	return &shaft{emf: m.EMF, driving: m.Torque, braking: m.Braking, perOhm: 1 / m.Resistance, sliding: m.Friction, static: m.Friction * breakaway,
		inertia: m.Inertia, torque: torque, low: math.Inf(-1), high: math.Inf(1)}
}

// settled runs a shaft at full drive until its speed stands.
func settled(s *shaft, volt float64) (speed, current float64) {
	s.drive = 1
	for range 20000 {
		s.step(0.0005, volt)
	}
	return s.speed, s.current(volt)
}

// The points between no load and stall that a maker publishes lie on our line.
// Source: data sheet of the small motor RF-500TB (14415 at 5 V, 12560 at 12 V),
// columns "no load", "at maximum efficiency", "stall". The sheet rounds currents
// to 0.01 A, speeds to 10 r/min and efficiency to 0.1 %.
func TestPublishedPointsLieOnTheLine(t *testing.T) {
	const rpm = math.Pi / 30
	for _, m := range []struct {
		line                      Lines // torque in N.m, speed in rad/s
		torque, current, turnRate float64
	}{
		{Lines{Voltage: 5, NoLoadCurrent: 0.026, StallCurrent: 0.54, StallTorque: 6.86e-3, Speed: 3100 * rpm, TimeConstant: 0.02, Radian: 1}, 1.23e-3, 0.12, 2540},
		{Lines{Voltage: 12, NoLoadCurrent: 0.025, StallCurrent: 0.71, StallTorque: 11.3e-3, Speed: 5500 * rpm, TimeConstant: 0.02, Radian: 1}, 1.79e-3, 0.13, 4630},
	} {
		speed, current := settled(bench(m.line, m.torque), m.line.Voltage)
		near(t, "the current", current, m.current, 0.005)
		near(t, "the speed", speed/rpm, m.turnRate, 10)
		// mechanical over electrical power, by the sheet's own figures
		want := m.torque * m.turnRate * rpm / (m.line.Voltage * m.current)
		near(t, "the efficiency", m.torque*speed/(m.line.Voltage*current), want, 0.05*want)
	}
}

// The line of speed over torque: w = w0 (1 - T/Ts), I = I0 + T/Ts (Is - I0), at
// every voltage with the ends that belong to it.
func TestSpeedTorqueLine(t *testing.T) {
	l := Lines{Voltage: 6, Speed: 500, StallTorque: 0.4, StallCurrent: 1, NoLoadCurrent: 0.1, TimeConstant: 0.04, Radian: math.Pi / 180}
	for _, share := range []float64{0, 0.2, 0.5, 0.8} {
		speed, current := settled(bench(l, share*0.4), 6)
		near(t, "the speed", speed, 500*(1-share), 1e-6)
		near(t, "the current", current, 0.1+share*0.9, 1e-9)
	}
	// half the voltage: R and constants stay, so I0 stays and w0 is (V - I0 R)/Ke
	m := Identify(l)
	speed, current := settled(bench(l, 0), 3)
	near(t, "the speed at half the voltage", speed, (3-0.1*m.Resistance)/m.EMF, 1e-6)
	near(t, "the current at half the voltage", current, 0.1, 1e-9)
}

// The step response w = w0 (1 - e^(-t/tau)), x = w0 (t - tau (1 - e^(-t/tau))).
func TestStepResponse(t *testing.T) {
	l := Lines{Voltage: 6, Speed: 500, StallTorque: 0.4, StallCurrent: 1, NoLoadCurrent: 0.1, TimeConstant: 0.04, Radian: math.Pi / 180}
	s := bench(l, 0)
	tau := Identify(l).timeConstant()
	s.drive = 1
	for k := 1; k <= 400; k++ {
		s.step(0.0005, 6)
		at := float64(k) * 0.0005
		near(t, "the speed", s.speed, 500*(1-math.Exp(-at/tau)), 1e-6)
		near(t, "the way", s.position, 500*(at-tau*(1-math.Exp(-at/tau))), 1e-7)
	}
}

// Coasting is a constant deceleration by friction: x = w^2 J / (2 Tc). With shorted
// terminals J dw/dt = -(Kb Ke / R) w - Tc comes to a stand after ln(1 + b w J/Tc)/b,
// b = Kb Ke / (R J).
func TestCoastAndBrake(t *testing.T) {
	l := Lines{Voltage: 6, Speed: 500, StallTorque: 0.4, StallCurrent: 1, NoLoadCurrent: 0.1, TimeConstant: 0.04, Radian: math.Pi / 180}
	m := Identify(l)
	s := bench(l, 0)
	s.speed = 400
	slowing := m.Friction / m.Inertia
	for range 4000 {
		s.step(0.0005, 6)
	}
	near(t, "the way of coasting", s.position, 400*400/(2*slowing), 1e-6)
	near(t, "the speed after it", s.speed, 0, 0)

	s = bench(l, 0)
	s.perOhmOff = 1 / m.Resistance
	s.speed = 400
	rate := m.EMF * m.Braking / (m.Resistance * m.Inertia)
	stand := math.Log(1+400*rate/slowing) / rate
	way := (400+slowing/rate)/rate*(1-math.Exp(-rate*stand)) - slowing/rate*stand
	for range 4000 {
		s.step(0.0005, 6)
	}
	near(t, "the way of braking", s.position, way, 1e-6)
}

func TestDecay(t *testing.T) {
	for _, z := range []float64{1e-6, 0.001, 0.01, 0.0299, 0.03, 0.1, 0.3, 0.5, 1} {
		first, second := decay(z)
		near(t, "the first", first, -math.Expm1(-z)/z, 2e-9)
		want := 0.5 - z/6 + z*z/24 - z*z*z/120 + z*z*z*z/720
		if z >= 0.03 {
			want = (z + math.Expm1(-z)) / (z * z)
		}
		near(t, "the second", second, want, 2e-9)
	}
}

// Servos whose makers publish two voltages: the motor found at the lower, run at
// the higher, comes near the lines of that. Sources: the HS-311's sheet, and the
// XL330-M288-T's (0.52 N.m, 1.47 A, 103 r/min at 5 V; 0.60 N.m, 1.74 A, 123 r/min
// at 6 V). No-load currents of 0.15 A of the latter are assumed.
func TestLinesAtAnotherVoltage(t *testing.T) {
	for _, c := range []struct {
		name         string
		low          Lines
		volt         float64
		speed, stall float64 // deg/s, A
		within       float64
	}{
		{"standard", Lines{Voltage: 4.8, Speed: 60 / 0.19, StallTorque: 3 * kgcm, StallCurrent: 0.7, NoLoadCurrent: 0.16, IdleCurrent: 0.0074, TimeConstant: 0.04}, 6, 60 / 0.15, 0.8, 0.10},
		{"geared", Lines{Voltage: 5, Speed: 618, StallTorque: 0.52, StallCurrent: 1.47, NoLoadCurrent: 0.15, TimeConstant: 0.04}, 6, 738, 1.74, 0.05},
	} {
		speed, _ := settled(bench(c.low, 0), c.volt)
		near(t, c.name+": speed", speed, c.speed, c.within*c.speed)
		near(t, c.name+": stall current", c.volt/Identify(c.low).Resistance, c.stall, c.within*c.stall)
	}
}

// Electrical energy in is heat of winding, lead and source, work against friction
// and load, loss of the gears, and what is stored; on a servo that lifts, holds,
// lets down and runs into its stop, and on a motor that is braked and reversed.
func TestEnergyIsConserved(t *testing.T) {
	for name, p := range energyCases(t) {
		r := railsOf(p, newTrace(p))[0]
		d := r.motors[0]
		m := &d.shaft
		radian := radianOf(d.axis.Spec)
		if radian == 0 {
			radian = math.Pi / 180
		}
		m.book = &ledger{}
		stored := kinetic(m)
		source := 0.0 // heat in the source's resistance
		for r.at < r.length-instant {
			before, at := m.charge, r.at
			r.tick(r.length - r.at)
			if h := r.at - at; h > 0 {
				i := (m.charge-before)/h + d.idle
				source += i * i * r.ohm * h
			}
		}
		b := m.book
		work := (b.friction + b.load + kinetic(m) - stored + b.lost) * radian
		gears := b.motion - work
		if gears < -1e-3*b.motion {
			t.Errorf("%s: the gears give %g J", name, -gears)
		}
		spent := b.heat + b.motion
		if math.Abs(spent-b.supplied) > 0.001*math.Abs(b.supplied)+1e-6 {
			t.Errorf("%s: %g J go in, %g J come out (%g J of heat, %g J of motion)", name, b.supplied, spent, b.heat, b.motion)
		}
		in := r.source * r.tally.charge
		out := source + d.idle*r.voltTime + b.supplied + m.back
		if math.Abs(in-out) > 0.001*in {
			t.Errorf("%s: the supply gives %g J, %g J arrive", name, in, out)
		}
		t.Logf("%s: %.4g J in, %.4g J of heat, %.4g J of work, %.4g J in the gears, %.4g J refused", name, in, b.heat, work, gears, m.back)
	}
}

// kinetic gives the energy of motion in N.m x unit.
func kinetic(m *shaft) float64 {
	inertia := m.inertia
	if m.table != nil {
		_, inertia, _ = m.table.at(m.position)
	}
	return 0.5 * inertia * m.speed * m.speed
}
